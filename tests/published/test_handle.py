"""A bow that bends through its handle, one piece of wood from nock to nock by OpenSees (general-purpose finite elements): what the limbs' lines
outside of the cradle say of the wood that it hides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.published.test_opensees import DRAWN, bow, by_opensees
from tiller.mechanics.fit.handle import BENDS, TURN_SD_RAD, handle_bend
from tiller.mechanics.fit.prior import StiffnessPrior, matern52
from tiller.mechanics.fit.pullfit import LimbData, PullFit, Pulls, fit_pull
from tiller.mechanics.forward.belief import HANDLE_GIVE, belief_of, bow_from
from tiller.mechanics.forward.chain import WholeBow, taut_length_mm
from tiller.mechanics.forward.elastica import solve_draws

DRAW, HIDDEN = 190.0, 60.0
S = np.arange(HIDDEN, 840.0, 5.0)
PRIOR = StiffnessPrior(
    s_mm=S,
    log_ei=np.log(1.4e8)
    - 1.5 * np.linspace(0.0, 1.0, len(S)),  # a tapered limb, its level and course as good as unknown
    cov=matern52(S, S, 0.7, 120.0) + 1.0 + 1e-4 * np.eye(len(S)),
    log_h=np.log(np.full(len(S), 14.0)),
    cov_h=np.eye(len(S)) * 0.01,
    cross=np.eye(len(S)) * 0.03,
)


def pulled(ops: object, whole: WholeBow) -> tuple[list[LimbData], Pulls, PullFit]:
    """What an error-free camera and scale see of the bow outside of its cradle, and what is fitted to that."""
    lines: list[np.ndarray] = []
    force = by_opensees(ops, whole, DRAW, lines=lines)
    rest = []
    for sign, chain in ((-1.0, whole.left), (1.0, whole.right)):
        x = chain.root_mm[0] + np.concatenate([[0.0], np.cumsum(np.cos(chain.rest_angle))]) * chain.step_mm
        y = chain.root_mm[1] + np.concatenate([[0.0], np.cumsum(np.sin(chain.rest_angle))]) * chain.step_mm
        rest.append(np.column_stack([sign * x, y]))
    data = []
    some = range(3, len(DRAWN), 2)
    for k, (sign, chain) in enumerate(((-1, whole.left), (1, whole.right))):
        seen = [rest[k], *(lines[j][k][:-1] for j in some)]
        points = np.array([[np.interp(S, chain.s_mm, line[:, j]) for j in (0, 1)] for line in seen]).transpose(0, 2, 1)
        points = points * [float(sign), 1.0]
        none = np.zeros(points.shape[:2])
        nock = float(chain.s_mm[-1])
        data.append(
            LimbData(
                sign=sign,
                s_mm=S,
                nock_s_mm=nock,
                rest_mm=points[0],
                points_mm=points,
                offset_mm=none,
                sd_mm=none + 0.02,
                mass_per_mm_kg=np.zeros(len(S)),
                prior=PRIOR,
            )
        )
    hook = np.vstack([[np.nan, np.nan], *(lines[j][0][-1] for j in some)])
    n = len(hook)
    told = np.append(0.0, force[list(some)])
    pulls = Pulls(hook, told, np.full(n, 0.05), np.arange(n) == 0, np.zeros(n, dtype=bool))
    return data, pulls, fit_pull(data[0], data[1], pulls)


def hidden_stiffness(whole: WholeBow) -> float:
    """Harmonic mean of EI over the hidden part, N m2: what a moment that is nearly alike there feels."""
    soft = [
        np.mean(1.0 / np.interp(np.linspace(0, HIDDEN, 61), limb.s_mm, limb.ei_nmm2))
        for limb in (whole.left, whole.right)
    ]
    return float(1e-6 / np.mean(soft))


@pytest.mark.parametrize("stiffer", [0.7, 1.0, 2.0])
def test_stiffness_of_the_hidden_part(opensees: object, stiffer: float) -> None:
    whole = bow(80, 0.0, 1.0e6)

    def handle(limb: object) -> object:
        s, ei = limb.s_mm, limb.ei_nmm2  # type: ignore[attr-defined]
        return replace(limb, ei_nmm2=ei * np.where(s <= HIDDEN, stiffer, 1.0))  # type: ignore[type-var]

    whole = replace(whole, left=handle(whole.left), right=handle(whole.right))
    _, pulls, fit = pulled(opensees, whole)
    found = handle_bend((fit.left, fit.right), pulls, len(pulls.rest) - 1, (7.0, 7.0), 0.015)
    assert found.stiffness_n_m2 == pytest.approx(hidden_stiffness(whole), rel=0.04)
    assert found.turn_sd_rad == pytest.approx(TURN_SD_RAD, rel=0.2)
    assert found.strain == pytest.approx(7.0 * found.turn_rad / (2 * HIDDEN))
    assert found.turn_rad > BENDS * found.turn_sd_rad


def test_a_stiff_handle_turns_nothing_and_has_no_stiffness(opensees: object) -> None:
    whole = bow(80, HIDDEN)  # clamped where the cradle ends
    _, pulls, fit = pulled(opensees, whole)
    found = handle_bend((fit.left, fit.right), pulls, len(pulls.rest) - 1, (7.0, 7.0), 0.015)
    assert abs(found.turn_rad) < found.turn_sd_rad
    assert np.isnan(found.stiffness_n_m2)


def test_the_forward_model_of_such_a_bow_goes_by_it(opensees: object) -> None:
    """Forces at the draws that were measured, from the belief; with the handle taken as stiff they would be off."""
    whole = bow(80, 0.0, 1.0e6)
    data, pulls, fit = pulled(opensees, whole)
    belief = belief_of(fit, data, (0.0, 0.0), pulls, 0.015, bends=True)
    assert belief.fade_give == pytest.approx(HANDLE_GIVE, abs=0.1)
    string = taut_length_mm(whole, DRAW)
    draws = DRAW + DRAWN[5::3]
    true = solve_draws(whole, string, draws).force_n
    # the belief's string is the bow's own, as it was measured
    own = replace(bow_from(belief), string_ea_n=whole.string_ea_n)
    assert solve_draws(own, string, draws).force_n == pytest.approx(true, rel=0.02)
    stiff = belief_of(fit, data, (HIDDEN, HIDDEN), pulls, 0.015)
    off = solve_draws(replace(bow_from(stiff), string_ea_n=whole.string_ea_n), string, draws).force_n / true - 1
    assert np.min(off) > 0.03
