"""What is known before a pull, and figures of small pieces: closed forms by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tiller.bow.units import (
    PA_PER_PSI,
    foot_pound_from_j,
    gpa_from_mpsi,
    inch_from_mm,
    lbf_from_n,
    mm_from_inch,
    mpa_from_psi,
    n_from_lbf,
)
from tiller.mechanics.advice.history import PLACE_SD_MM, ROCK_SD_RAD, set_taken
from tiller.mechanics.fit.handle import SLOPE_MM, handle_bend
from tiller.mechanics.fit.marks import Departure, find_marks
from tiller.mechanics.fit.prior import FAULT_SD, LEVEL_SD, MODULUS_SD, SHAPE_SD, TREND_SD, stiffness_prior
from tiller.mechanics.fit.pullfit import LimbFit, Pulls


def test_units_by_definition() -> None:
    """International yard and pound agreement (1959): 1 in = 25.4 mm, 1 lb = 0.45359237 kg; standard gravity 9.80665 m/s2 (3rd CGPM, 1901)."""
    pound = 0.45359237 * 9.80665
    assert n_from_lbf(45.0) == pytest.approx(45.0 * pound, rel=1e-12)
    assert lbf_from_n(200.0) == pytest.approx(200.0 / pound, rel=1e-12)
    assert mm_from_inch(28.0) == pytest.approx(711.2, rel=1e-12)
    assert inch_from_mm(711.2) == pytest.approx(28.0, rel=1e-12)
    assert pytest.approx(pound / 0.0254**2, rel=1e-12) == PA_PER_PSI
    assert gpa_from_mpsi(1.0) == pytest.approx(
        6.894757293, rel=1e-9
    )  # 1 psi = 6894.757293 Pa (NIST SP 811, Appendix B)
    assert mpa_from_psi(1000.0) == pytest.approx(6.894757293, rel=1e-9)
    assert foot_pound_from_j(1.3558179483) == pytest.approx(1.0, rel=1e-9)  # 1 ft lbf (the same)


def test_far_from_calipers_a_limb_is_as_unknown_as_faults_and_trend_together() -> None:
    s = np.arange(100.0, 1600.0, 5.0)

    def ei(thick: np.ndarray) -> np.ndarray:
        return 1e4 * thick**3

    prior = stiffness_prior(s, np.array([100.0, 140.0]), np.array([14.0, 14.0]), ei)
    far = FAULT_SD**2 + TREND_SD**2
    assert prior.cov_h[-1, -1] == pytest.approx(far, rel=0.02)
    assert prior.cov_h[0, 0] < 0.002 * far  # at a caliper
    assert np.min(np.linalg.eigvalsh(prior.cov_h)) > -1e-9
    # EI goes as the cube of the thickness, and has modulus, section and level of its own beside it
    own = MODULUS_SD**2 + SHAPE_SD**2 + LEVEL_SD**2
    assert prior.cov[-1, -1] == pytest.approx(9 * far + own, rel=0.05)
    assert prior.cross[-1, -1] == pytest.approx(3 * far, rel=0.03)


def test_a_set_s_sd_is_that_of_places_and_of_the_handle_s_rock() -> None:
    s = np.arange(110.0, 831.0, 5.0)
    line = np.column_stack([s, np.full_like(s, 20.0)])
    found = set_taken("left", s, line, s, line)
    assert found.sd_mm == pytest.approx(np.hypot(1.5 * PLACE_SD_MM, ROCK_SD_RAD * 715.0), rel=0.01)


def test_what_came_off_the_belly_is_no_set() -> None:
    """The line in the limb's middle comes nearer to the back by half of what comes off."""
    s = np.arange(110.0, 831.0, 5.0)
    off = 0.8 * np.exp(-(((s - 500.0) / 80.0) ** 2)) + 0.4 * (s - 110.0) / 720.0
    then = np.column_stack([s, np.full_like(s, 20.0)])
    now = np.column_stack([s, 20.0 + 0.5 * off])
    found = set_taken("left", s, then, s, now, off)
    assert found.nock_mm == pytest.approx(0.0, abs=0.01)
    assert np.isnan(found.where_mm)
    assert set_taken("left", s, then, s, now).nock_mm == pytest.approx(-0.5 * (off[-1] - off[0]), abs=0.01)


def a_fit(s: np.ndarray, moment: np.ndarray, root: np.ndarray) -> LimbFit:
    m, n = moment.shape
    none = np.zeros((m, n))
    return LimbFit(
        s_mm=s,
        log_ei=np.zeros(n),
        cov=np.eye(n),
        moment_nmm=moment,
        bend_per_mm=none,
        bend_rel_sd=none,
        line_mm=np.zeros((m, n, 2)),
        root_angle_rad=root,
        residual_mm=none,
        noise=1.0,
        share_mm=5.0,
        nock_mm=np.zeros((m, 2)),
        force_cov=none,
    )


def test_the_handle_s_compliance_of_moments_that_run_on() -> None:
    """A moment that falls by so much per mm goes on to the pivot: the integral over the hidden part by hand."""
    pull = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    ends = (60.0, 80.0)
    fits = []
    for k, start in enumerate(ends):
        at = np.arange(start, 800.0, 5.0)
        moment = pull[:, None] * (30_000.0 - 40.0 * (at - start))[None, :]
        fits.append(a_fit(at, moment, 0.5 * pull * 0.01))
        assert np.count_nonzero(at <= start + SLOPE_MM) == 13, k
    load = sum(30_000.0 * end + 0.5 * 40.0 * end**2 for end in ends)
    pulls = Pulls(np.zeros((5, 2)), pull, np.ones(5), pull == 0, np.zeros(5, dtype=bool))
    found = handle_bend(fits, pulls, 4, (7.0, 7.4), 0.015)
    assert found.turn_rad == pytest.approx(0.04)
    assert found.stiffness_n_m2 == pytest.approx(1e-6 * load / 0.01, rel=1e-3)
    assert found.strain == pytest.approx(0.04 / 140.0 * 7.2)
    assert found.reach_mm == ends


def test_a_mark_s_departure_is_the_mean_over_all_of_it() -> None:
    s = np.arange(112.0, 700.0, 5.0)
    gap = np.zeros(len(s))
    spot = (s >= 300) & (s <= 400)
    gap[spot] = np.linspace(0.10, 0.16, np.count_nonzero(spot))
    (mark,) = find_marks(Departure(s, gap, np.full(len(s), 0.02), 0.006, 0.005), np.eye(len(s)) * 0.01**2)
    inside = (s >= mark.from_mm) & (s <= mark.to_mm)
    assert mark.departure == pytest.approx(float(np.mean(gap[inside])), rel=1e-9)
