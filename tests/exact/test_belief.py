"""What a pull leaves for the forward model: the string's stretch, the give of the fades, how far the limbs moved; and stored work and the string's angle.

Closed forms: a straight limb whose string is a triangle's two sides (Pythagoras), least squares with a prior (Gauss), work as the area under force over draw.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.exact.test_target import believed
from tiller.mechanics.fit.handle import TURN_SD_RAD
from tiller.mechanics.fit.prior import StiffnessPrior
from tiller.mechanics.fit.pullfit import LimbData, Pulls
from tiller.mechanics.forward.belief import (
    FADE_GIVE,
    FADE_GIVE_SD,
    LENGTH_SD_MM,
    OUTLINE_SD_MM,
    STRING_EA_N,
    STRING_EA_SPREAD,
    belief_of,
    fade_give,
    string_stretch,
)
from tiller.mechanics.forward.forecast import forecast, string_angle_deg
from tiller.simulate.bowmaker import random_bow

S = np.arange(110.0, 850.0, 10.0)
NOCK = 868.0
NONE = np.zeros(len(S))
PRIOR = StiffnessPrior(s_mm=S, log_ei=NONE, cov=np.eye(len(S)), log_h=NONE, cov_h=np.eye(len(S)), cross=np.eye(len(S)))


def _pulled(tension: np.ndarray, ea_n: float, length_mm: float) -> tuple[list[LimbData], Pulls]:
    """Straight limbs that sink as a whole, so that a string of that stretch and length has these tensions; the first picture is at rest."""
    half = 0.5 * length_mm * (1.0 + tension / ea_n)
    high = np.sqrt(half**2 - NOCK**2)
    draw = 100.0 + 40.0 * np.arange(len(tension))
    force = 2.0 * tension * high / half
    y = np.concatenate([[30.0], high - draw])
    hook = np.vstack([[np.nan, np.nan], np.column_stack([np.zeros(len(draw)), -draw])])
    data = []
    for sign in (-1, 1):
        lines = np.array([np.column_stack([S, np.full(len(S), level)]) for level in y])
        none = np.zeros(lines.shape[:2])
        data.append(
            LimbData(
                sign=sign,
                s_mm=S,
                nock_s_mm=NOCK,
                rest_mm=lines[0],
                points_mm=lines,
                offset_mm=none,
                sd_mm=none + 0.02,
                mass_per_mm_kg=NONE,
                prior=PRIOR,
            )
        )
    rest = np.arange(len(y)) == 0
    return data, Pulls(hook, np.append(0.0, force), np.full(len(y), 0.1), rest, np.zeros(len(y), dtype=bool))


@pytest.mark.parametrize("ea_n", [6.0e4, 4.0e5])
def test_the_string_s_stretch_is_weighed_with_what_is_usual(ea_n: float) -> None:
    tension = np.array([40.0, 80.0, 120.0, 160.0, 200.0, 240.0])
    data, pulls = _pulled(tension, ea_n, 1764.0)
    found, soft_sd, length = string_stretch(data, pulls)
    seen = np.log(1764.0 * (1 + tension / ea_n))
    slope = np.polyfit(tension, np.exp(seen), 1)[0] / np.mean(np.exp(seen))
    sd = LENGTH_SD_MM / (np.mean(np.exp(seen)) * 2 * np.std(tension))
    usual, usual_sd = 1 / STRING_EA_N, STRING_EA_SPREAD / STRING_EA_N
    soft = (slope / sd**2 + usual / usual_sd**2) / (1 / sd**2 + 1 / usual_sd**2)
    assert 1 / found == pytest.approx(soft, rel=1e-6)
    assert soft_sd == pytest.approx((1 / sd**2 + 1 / usual_sd**2) ** -0.5, rel=1e-6)
    assert length == pytest.approx(np.mean(np.exp(seen) / (1 + soft * tension)), rel=1e-9)
    # one picture tells nothing of it: what is usual stays
    few = _pulled(tension[:2], ea_n, 1764.0)
    assert string_stretch(*few)[:2] == (STRING_EA_N, STRING_EA_SPREAD / STRING_EA_N)


def test_the_fades_give_by_least_squares_from_the_first_station() -> None:
    moment = np.linspace(1e4, 9e4, 7)
    ei = np.array([2.0e8, 1.0e8, 0.9e8])  # the first station counts, not the next
    handles, first = (50.0, 60.0), 110.0
    rest = np.arange(8) == 0
    turn = sum(0.6 * moment / ei[0] * (first - handle) for handle in handles)
    fits = [
        SimpleNamespace(
            root_angle_rad=np.append(0.0, 0.5 * turn),
            moment_nmm=np.append(0.0, moment)[:, None] * np.ones(3),
            log_ei=np.log(ei),
        )
        for _ in handles
    ]
    data = [SimpleNamespace(s_mm=np.array([first, 120.0, 130.0])) for _ in handles]
    give, sd = fade_give(fits, data, handles, SimpleNamespace(rest=rest))  # type: ignore[arg-type]
    x = sum(moment / ei[0] * (first - handle) for handle in handles)
    own = np.linalg.norm([1e-4 / np.sqrt(x @ x), 0.05, TURN_SD_RAD / np.max(x)])
    weights = np.array([1 / own**2, 1 / FADE_GIVE_SD**2])
    assert give == pytest.approx(float(weights @ [0.6, FADE_GIVE] / np.sum(weights)), rel=1e-3)
    assert sd == pytest.approx(float(np.sum(weights) ** -0.5), rel=1e-3)


def test_an_outline_counts_for_the_more_the_less_the_limbs_moved() -> None:
    data, pulls = _pulled(np.array([40.0, 80.0, 120.0]), 1e5, 1764.0)
    # the right limb moves less: it decides
    lines = data[1].points_mm.copy()
    lines[:, :, 1] = 30.0 + 0.5 * (lines[:, :, 1] - 30.0)
    data[1] = LimbData(
        sign=1,
        s_mm=S,
        nock_s_mm=NOCK,
        rest_mm=lines[0],
        points_mm=lines,
        offset_mm=data[1].offset_mm,
        sd_mm=data[1].sd_mm,
        mass_per_mm_kg=NONE,
        prior=PRIOR,
    )
    none = SimpleNamespace(
        s_mm=S, log_ei=NONE, cov=np.eye(len(S)), root_angle_rad=np.zeros(4), moment_nmm=np.zeros((4, len(S)))
    )
    belief = belief_of(SimpleNamespace(left=none, right=none), data, (50.0, 50.0), pulls, 0.01)  # type: ignore[arg-type]
    assert belief.outline_sd == pytest.approx(OUTLINE_SD_MM / float(np.max(np.abs(lines[:, -1, 1] - 30.0))))
    still = [
        LimbData(
            sign=d.sign,
            s_mm=S,
            nock_s_mm=NOCK,
            rest_mm=d.rest_mm,
            points_mm=np.repeat(d.rest_mm[None], 4, axis=0),
            offset_mm=d.offset_mm,
            sd_mm=d.sd_mm,
            mass_per_mm_kg=NONE,
            prior=PRIOR,
        )
        for d in data
    ]
    assert belief_of(SimpleNamespace(left=none, right=none), still, (50.0, 50.0), pulls, 0.01).outline_sd == 0.0  # type: ignore[arg-type]


def test_stored_work_is_the_area_under_the_curve_from_brace_on() -> None:
    bow = random_bow(np.random.default_rng(12), "work", (), string_kind="braced")
    ahead = forecast(believed(bow), 600.0, 150.0)
    draws, forces = np.append(150.0, ahead.draw_mm), np.append(0.0, ahead.force_n)
    assert ahead.stored_j == pytest.approx(1e-3 * np.trapezoid(forces, draws), rel=1e-9)


@pytest.mark.parametrize("angle", [60.0, 90.0, 115.0])
def test_the_string_s_angle_to_the_tip(angle: float) -> None:
    turn = np.deg2rad(angle)
    tip = np.array([[700.0, -100.0]] * 4) + 7.0 * np.arange(4)[:, None] * [0.6, -0.8]
    back = -np.array([0.6, -0.8])  # from the nock inward along the limb
    way = np.array([back[0] * np.cos(turn) + back[1] * np.sin(turn), -back[0] * np.sin(turn) + back[1] * np.cos(turn)])
    hook = tip[-1] + 500.0 * way
    points = np.array([[tip * [-1.0, 1.0], tip]])
    solved = SimpleNamespace(points_mm=points, hook_x_mm=np.array([hook[0]]), draw_mm=np.array([-hook[1]]))
    found = string_angle_deg(solved)  # type: ignore[arg-type]
    assert found[0, 1] == pytest.approx(angle)
    assert found[0, 0] == pytest.approx(angle)
