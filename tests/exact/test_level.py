"""The level of stiffness by a pull's own force, where the nock is, and over how much of the limb's end the string drags its edge.

Two measurements of one thing are weighed by their inverse variances (Gauss 1823; any book on the adjustment of observations). The rest is geometry.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.exact.test_target import believed, described
from tiller.bow.sides import Side
from tiller.mechanics.fit.contact import undragged
from tiller.mechanics.fit.pullfit import nock_of
from tiller.mechanics.forward.belief import LENGTH_SD_MM, BowBelief, bow_from
from tiller.mechanics.forward.chain import chain_of
from tiller.mechanics.forward.elastica import solve_draws
from tiller.mechanics.forward.forecast import forecast
from tiller.mechanics.forward.level import CURVE_SD, MOVING_MORE, level_by_force
from tiller.simulate.bowmaker import BowTruth, random_bow
from tiller.vision.limbs.limb import NOCK_CLEARANCE_MM, STRING_END_MM, STRING_PX, blank_model, dragged_mm

DRAWS = np.array([150.0, 300.0, 420.0, 480.0, 540.0])
HELD = np.ones(len(DRAWS), dtype=bool)


@pytest.fixture(scope="module")
def bow() -> BowTruth:
    return random_bow(np.random.default_rng(11), "level", (), string_kind="long")


def _stiffer(belief: BowBelief, by: float, outline_sd: float) -> BowBelief:
    left, right = (replace(limb, log_ei=limb.log_ei + by) for limb in (belief.left, belief.right))
    return replace(belief, left=left, right=right, outline_sd=outline_sd)


@pytest.mark.parametrize("outline_sd", [0.002, 0.006, 0.05])
@pytest.mark.parametrize("by", [-0.03, 0.03])
def test_the_level_moves_by_gauss_s_weights(bow: BowTruth, outline_sd: float, by: float) -> None:
    true = believed(bow)
    string = bow.string_mm
    whole = bow_from(true)
    force = solve_draws(whole, string, DRAWS).force_n
    found = level_by_force(_stiffer(true, by, outline_sd), string, DRAWS, force, HELD)
    longer = solve_draws(whole, string + LENGTH_SD_MM, DRAWS[-3:]).force_n
    by_length = np.mean(np.log(longer / force[-3:]))
    gain = outline_sd**2 / (outline_sd**2 + by_length**2 + CURVE_SD**2)
    left = np.mean(found.left.log_ei - true.left.log_ei)
    # force goes nearly as stiffness: all but what the string's stretch takes
    assert left == pytest.approx((1 - gain) * by, abs=0.1 * abs(by) * gain)
    assert found.outline_sd == pytest.approx(outline_sd * np.sqrt(1 - gain), rel=0.05)
    assert np.ptp(found.left.log_ei - true.left.log_ei) < 1e-12


def test_without_a_force_or_a_string_nothing_moves(bow: BowTruth) -> None:
    belief = _stiffer(believed(bow), 0.02, 0.01)
    force = np.full(len(DRAWS), 100.0)

    def level(string_mm: float, force_n: np.ndarray, held: np.ndarray = HELD) -> float:
        found = level_by_force(belief, string_mm, DRAWS, force_n, held)
        assert found.outline_sd == belief.outline_sd
        return float(np.mean(found.left.log_ei - belief.left.log_ei))

    assert level(float("nan"), force) == 0.0
    assert level(bow.string_mm, np.full(len(DRAWS), np.nan)) == 0.0
    assert level(1.2 * bow.string_mm, force) == 0.0  # slack at all of them
    # on the move the wood bears more than it would at a hold
    assert level(float("nan"), force, ~HELD) == pytest.approx(-MOVING_MORE)


def test_a_rope_on_the_move_says_less_and_bears_more(bow: BowTruth) -> None:
    belief = replace(believed(bow), outline_sd=0.01)
    true = solve_draws(bow_from(belief), bow.string_mm, DRAWS).force_n
    held = level_by_force(belief, bow.string_mm, DRAWS, true, HELD)
    moving = level_by_force(belief, bow.string_mm, DRAWS, (1 + MOVING_MORE) * true, ~HELD)
    assert moving.outline_sd > 1.15 * held.outline_sd
    # EI taken from forces on the move is too high by as much as they are: both are taken back
    lower = float(np.mean(moving.left.log_ei - belief.left.log_ei))
    assert -MOVING_MORE < lower < 0.0
    assert np.mean(held.left.log_ei - belief.left.log_ei) == pytest.approx(0.0, abs=1e-6)


def test_what_is_open_of_the_level_is_in_the_weight_s_sd(bow: BowTruth) -> None:
    belief = believed(bow)
    plain, wide = (forecast(replace(belief, outline_sd=sd), 560.0, 150.0) for sd in (0.0, 0.03))
    more = np.sqrt(wide.weight_sd_n**2 - plain.weight_sd_n**2) / plain.weight_n
    assert more == pytest.approx(0.03, rel=1e-6)
    assert wide.weight_n == plain.weight_n


def test_fit_and_forward_model_have_the_nock_at_one_place() -> None:
    s = np.arange(110.0, 846.0, 5.0)
    rng = np.random.default_rng(3)
    line = np.column_stack([s, 20.0 + 1e-5 * s**2 + rng.normal(0, 0.3, len(s))])  # outlines scatter by as much
    nock = nock_of(line, s, 868.0)
    chain = chain_of(s, line, np.full(len(s), 1e7), np.zeros(len(s)), 160, 110.0, 868.0)
    way = np.column_stack([np.cos(chain.rest_angle), np.sin(chain.rest_angle)]) * chain.step_mm
    end = chain.root_mm + np.sum(way, axis=0)
    assert abs(end[1] - nock[1]) < 0.05
    # the direction of the last two stations alone would throw it about by this
    alone = line[-1, 1] + (line[-1, 1] - line[-2, 1]) / 5.0 * 23.0
    assert abs(alone - nock[1]) > 0.5


def test_a_dragged_end_does_not_lead_the_nock_astray() -> None:
    s = np.arange(110.0, 846.0, 5.0)
    rng = np.random.default_rng(4)
    wander = np.convolve(rng.normal(0, 1.0, len(s) + 8), np.full(9, 1 / 9), "valid")  # alike over some 40 mm, 0.3 mm
    true = 20.0 + 0.5 * 2e-4 * (s - 400.0) ** 2 / 2
    dragged = np.where(s > 806.0, -1.7 * ((s - 806.0) / 40.0) ** 2, 0.0)  # as the string does at 720p
    line = np.column_stack([s, true + wander + dragged])
    nock = 20.0 + 0.5 * 2e-4 * (868.0 - 400.0) ** 2 / 2
    raw = nock_of(line, s, 868.0)[1]
    mended = nock_of(undragged(line, s, 26.0, 3.0), s, 868.0)[1]
    assert abs(raw - nock) > 2.5
    assert abs(mended - nock) < 1.5
    # no string drags that far at this scale; and a straight line stays what it is
    assert undragged(line, s, 26.0, 0.5) is line
    straight = np.column_stack([s, 20.0 - 0.01 * s])
    assert undragged(straight, s, 40.0, 3.0) == pytest.approx(straight)
    assert np.array_equal(undragged(line[:6], s[:6], 40.0, 3.0), line[:6])


@pytest.mark.parametrize("bent", [0.08, 0.15, 0.3])
def test_a_tip_that_is_bent_back_keeps_its_bend(bent: float) -> None:
    s = np.arange(110.0, 846.0, 5.0)
    rng = np.random.default_rng(6)
    wander = np.convolve(rng.normal(0, 1.0, len(s) + 8), np.full(9, 1 / 9), "valid")
    up = np.maximum(s - 620.0, 0.0)
    line = np.column_stack([s, 20.0 + 0.5 * bent / 230.0 * up**2 + wander])
    for end_mm in (10.0, 26.0, STRING_END_MM):
        assert undragged(line, s, end_mm, 3.0) is line


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("px_per_mm", [0.65, 1.0])
def test_the_string_drags_the_belly_s_edge_as_far_as_it_is_near(bow: BowTruth, side: str, px_per_mm: float) -> None:
    model = blank_model(described(bow), Side(side))
    line = np.column_stack([model.sign * model.s_mm, np.full(len(model.s_mm), 20.0)])
    nock = model.s_mm[-1] + NOCK_CLEARANCE_MM
    steep = 0.12
    model = replace(model, rest_mm=line, string_mm=2 * nock / np.cos(steep))
    # beside a straight limb the string is STRING_PX away where the sine says
    far = STRING_PX / px_per_mm / np.sin(steep) - NOCK_CLEARANCE_MM
    assert dragged_mm(model, px_per_mm) == pytest.approx(min(far, STRING_END_MM))
    assert far > 25.0
    # a string that is too short for the limb, and none, drag nothing
    assert dragged_mm(replace(model, string_mm=nock), px_per_mm) == 0.0
    assert dragged_mm(replace(model, string_mm=0.0), px_per_mm) == 0.0
