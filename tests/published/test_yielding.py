"""What wood keeps of a bend: a section that crushes on its compressed side, by OpenSees' fibre section (general-purpose finite elements, its elastic and
perfectly plastic material), and what is read of that from rest lines with the errors that they have."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import openseespy.opensees as o
import pytest

from tiller.mechanics.advice.yielding import (
    GRAIN_SD_MM,
    ORDINARY,
    PLACE_ALIKE_MM,
    PLACE_SD_MM,
    RestMoved,
    SetShown,
    kept_share,
    set_shown,
)
from tiller.mechanics.fit.prior import matern52

MODULUS, WIDTH, THICK, YIELD = 12_000.0, 30.0, 14.0, 0.008


@pytest.fixture(autouse=True)
def _clean() -> Iterator[None]:
    yield
    o.wipe()


def kept_by_fibres(over: float) -> float:
    """Curvature that is left after bending to ``over`` times the yield strain's and letting go, over the curvature bent to."""
    o.wipe()
    o.model("basic", "-ndm", 2, "-ndf", 3)
    o.node(1, 0.0, 0.0)
    o.node(2, 0.0, 0.0)
    o.fix(1, 1, 1, 1)
    o.fix(2, 0, 1, 0)
    # yields in compression (negative strain) alone
    o.uniaxialMaterial("ElasticPP", 1, MODULUS, 10.0, -YIELD)
    o.section("Fiber", 1)
    o.patch("rect", 1, 1200, 1, -THICK / 2, -WIDTH / 2, THICK / 2, WIDTH / 2)
    o.element("zeroLengthSection", 1, 1, 2, 1)
    o.timeSeries("Linear", 1)
    o.pattern("Plain", 1, 1)
    o.load(2, 0.0, 0.0, 1.0)
    o.constraints("Plain")
    o.numberer("Plain")
    o.system("UmfPack")
    o.test("NormDispIncr", 1e-12, 60)
    o.algorithm("Newton")
    bent = over * YIELD / (0.5 * THICK)
    o.integrator("DisplacementControl", 2, 3, bent / 200)
    o.analysis("Static")
    assert o.analyze(200) == 0
    reached = o.nodeDisp(2, 3)
    assert reached == pytest.approx(bent, rel=1e-6)
    moment = o.getLoadFactor(1)
    o.integrator("LoadControl", -moment / 100)
    assert o.analyze(100) == 0
    return float(o.nodeDisp(2, 3) / reached)


@pytest.mark.parametrize("over", [0.7, 1.0, 1.05, 1.2, 1.5, 2.0])
def test_what_a_section_keeps_is_what_its_fibres_keep(over: float) -> None:
    assert float(kept_share(np.array([over]))[0]) == pytest.approx(kept_by_fibres(over), abs=2e-4)


def test_nothing_is_kept_below_the_yield_strain_and_more_and_more_above() -> None:
    kept = kept_share(np.linspace(0.0, 3.0, 61))
    assert np.all(kept[:21] == 0.0)
    assert np.all(np.diff(kept[20:]) > 0)


S = np.arange(110.0, 840.0, 10.0)
ERRORS = np.linalg.cholesky(PLACE_SD_MM**2 * matern52(S, S, 1.0, PLACE_ALIKE_MM) + GRAIN_SD_MM**2 * np.eye(len(S)))


def limbs(
    limit: float, seed: int, rock: float = 0.0, clean: bool = False, ordinary: float = ORDINARY
) -> tuple[RestMoved, RestMoved]:
    """Two limbs that were strained to some 0.95 % and crush from ``limit`` on, seen with the errors of the independent rig's recordings."""
    rng = np.random.default_rng(seed)
    out = []
    for name, side in (("left", -1.0), ("right", 1.0)):
        strain = 0.0095 * (1 - ((S - 450) / 700) ** 2) * np.clip((830 - S) / 150, 0, 1) * (1 + rng.normal(0, 0.03))
        bend = strain / 7.0
        kept = bend * (kept_share(strain / limit) + ordinary)
        turn = np.concatenate([[0.0], np.cumsum(0.5 * (kept[1:] + kept[:-1]) * 10.0)])
        place = -np.concatenate([[0.0], np.cumsum(0.5 * (turn[1:] + turn[:-1]) * 10.0)])
        error = 0.0 if clean else ERRORS @ rng.standard_normal(len(S)) + rng.normal(0, 0.001) * (S - S[0])
        moved = place + side * rock * S + rng.normal(0, 1.0) * (0.0 if clean else 1.0) + error
        out.append(RestMoved(limb=name, s_mm=S, moved_mm=moved, bend_per_mm=bend, strain=strain))
    return out[0], out[1]


def shown(limit: float, seed: int, **kw: float) -> SetShown:
    found = set_shown(*limbs(limit, seed, **kw), usual_strain=0.009)
    assert found is not None
    return found


def test_a_piece_that_crushes_early_shows_its_limit() -> None:
    found = [shown(0.006, seed, rock=0.004) for seed in range(20)]
    limits, sds = np.array([f.limit for f in found]), np.array([f.limit_sd for f in found])
    told = np.isfinite(limits)
    assert np.mean(told) >= 0.8
    z = ((limits - 0.006) / sds)[told]
    assert abs(float(np.mean(limits[told])) / 0.006 - 1) < 0.04
    assert np.mean(np.abs(z) < 2) >= 0.9


@pytest.mark.parametrize("limit", [0.0095, 0.02])
def test_a_piece_that_does_not_crush_shows_no_limit(limit: float) -> None:
    """Odds of 20 to 1 are wanted: of 60 bows with an ordinary set hardly one may show a limit."""
    found = [shown(limit, seed, rock=0.004) for seed in range(60)]
    assert sum(np.isfinite(f.limit) for f in found) <= 3


@pytest.mark.parametrize("ordinary", [0.0, 0.03, 0.055])
def test_a_larger_ordinary_set_is_no_yielding(ordinary: float) -> None:
    """Wood that keeps the same share of its bend everywhere, little or much of it, did not crush where it was strained most."""
    found = [shown(0.02, seed, rock=0.003, ordinary=ordinary) for seed in range(60)]
    assert sum(np.isfinite(f.limit) for f in found) <= 3


def test_the_handle_s_rock_says_nothing_and_a_bend_to_the_back_is_no_set() -> None:
    still, rocked = shown(0.006, 1, clean=True), shown(0.006, 1, rock=0.01, clean=True)
    assert rocked.limit == pytest.approx(still.limit, rel=0.02)
    assert rocked.nocks_mm == pytest.approx(still.nocks_mm, abs=0.3)
    bent = limbs(0.006, 1, clean=True)
    true = -sum(float(m.moved_mm[-1]) for m in bent)
    assert still.nocks_mm == pytest.approx(true, rel=0.05)
    back = set_shown(*(replace(m, moved_mm=-m.moved_mm) for m in bent), usual_strain=0.009)
    assert back is not None
    assert np.isnan(back.limit)
    assert back.nocks_mm < 0


def test_what_each_stretch_kept_holds_with_its_sd() -> None:
    z = []
    for seed in range(20):
        both = limbs(0.006, seed)
        found = set_shown(*both, usual_strain=0.009)
        assert found is not None
        for zone in found.zones:
            limb = both[0] if zone.limb == "left" else both[1]
            inside = (limb.s_mm >= zone.from_mm) & (limb.s_mm < zone.to_mm)
            bend, strain = limb.bend_per_mm[inside], limb.strain[inside]
            true = float(np.sum(bend * (kept_share(strain / 0.006) + ORDINARY)) / np.sum(bend))
            z.append((zone.kept - true) / zone.kept_sd)
    assert 0.9 <= np.mean(np.abs(z) < 2) <= 0.99
    assert 0.75 < np.sqrt(np.mean(np.square(z))) < 1.25


def test_too_little_seen_says_nothing() -> None:
    left, right = limbs(0.006, 1)
    hidden = np.where(S > 180, np.nan, left.moved_mm)
    assert set_shown(replace(left, moved_mm=hidden), right, usual_strain=0.009) is None
