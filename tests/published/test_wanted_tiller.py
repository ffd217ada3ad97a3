"""A tiller on purpose, and shapes.

A bow held and drawn by hand (a grip that turns freely about where the hand presses, a string held off its middle) is held against OpenSees
(general-purpose finite elements, corotational beams). Curvature of circle and ellipse are textbook closed forms (Bronshtein and Semendyayev, 'Handbook
of Mathematics', plane curves: radius of curvature of an ellipse a^2 b^2 (x^2 / a^4 + y^2 / b^4)^(3/2), from memory), arc lengths scipy's elliptic
integrals. That the lower limb is made the stiffer one and the string stands further from the upper one is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ellipeinc

from tests.published.test_opensees import EA_STRING, bow
from tiller.bow.sides import Pair
from tiller.mechanics.advice.wanted import (
    ellipse_curvature,
    left_over_right,
    over_mean,
    ratio_for_hand,
    ratio_for_tiller,
    run_out,
    tiller_at_brace_mm,
)
from tiller.mechanics.forward.chain import WholeBow, rest_nocks
from tiller.mechanics.forward.elastica import brace, solve_draws

WORKING = Pair((120.0, 700.0), (120.0, 700.0))
FADES = Pair(120.0, 120.0)
BRACE_MM, DRAW_MM = 150.0, 600.0
GRIP_NMM = 1.0e4
"""A grip that hardly holds the bow from turning: OpenSees would have nothing to hold it by at rest."""


def held_by_opensees(
    ops: object, whole: WholeBow, draw: float, drawn: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Force, turn of the grip, and bend at 300 mm of both limbs, at ``draw`` + ``drawn``; the string just taut at ``draw``."""
    o = ops
    o.wipe()  # type: ignore[attr-defined]
    o.model("basic", "-ndm", 2, "-ndf", 3)  # type: ignore[attr-defined]
    o.geomTransf("Corotational", 1)  # type: ignore[attr-defined]
    o.node(9000, whole.pivot_mm, 0.0)  # type: ignore[attr-defined]
    o.node(9001, whole.pivot_mm, 0.0)  # type: ignore[attr-defined]
    o.fix(9000, 1, 1, 0)  # type: ignore[attr-defined]
    o.fix(9001, 1, 1, 1)  # type: ignore[attr-defined]
    o.uniaxialMaterial("Elastic", 2, whole.cradle_nmm)  # type: ignore[attr-defined]
    o.element("zeroLength", 9001, 9001, 9000, "-mat", 2, "-dir", 6)  # type: ignore[attr-defined]
    nocks, watched, tag = [], [], 0
    for sign, chain in ((-1.0, whole.left), (1.0, whole.right)):
        x = chain.root_mm[0] + np.concatenate([[0.0], np.cumsum(np.cos(chain.rest_angle))]) * chain.step_mm
        y = chain.root_mm[1] + np.concatenate([[0.0], np.cumsum(np.sin(chain.rest_angle))]) * chain.step_mm
        first = tag + 1
        for px, py in zip(x, y, strict=True):
            tag += 1
            o.node(tag, float(sign * px), float(py))  # type: ignore[attr-defined]
        o.element("elasticBeamColumn", 8000 + first, 9000, first, 1.0e8, 1.0, 1.0e13, 1)  # type: ignore[attr-defined]
        ei = np.asarray(chain.ei_nmm2)
        for k in range(len(chain.rest_angle)):
            soft = 0.5 * (1 / ei[k] + 1 / ei[k + 1])
            o.element("elasticBeamColumn", 1000 + first + k, first + k, first + k + 1, 1.0e8, 1.0, 1.0 / soft, 1)  # type: ignore[attr-defined]
        nocks.append(tag)
        watched.append(first + int(np.argmin(np.abs(chain.s_mm - 300.0))))
    half = 0.5 * _taut(whole, draw)
    a, b = rest_nocks(whole) * [[-1.0, 1.0], [1.0, 1.0]]
    low, high = a[0], b[0]
    for _ in range(80):
        hook_x = 0.5 * (low + high)
        low, high = (hook_x, high) if np.hypot(hook_x - a[0], draw + a[1]) < half + whole.hook_off_mm else (low, hook_x)
    hook = tag + 1
    o.node(hook, float(hook_x), -draw)  # type: ignore[attr-defined]
    o.fix(hook, 0, 0, 1)  # type: ignore[attr-defined]
    o.uniaxialMaterial("Elastic", 1, EA_STRING)  # type: ignore[attr-defined]
    for k, nock in enumerate(nocks):
        o.element("corotTruss", 5000 + k, nock, hook, 1.0, 1)  # type: ignore[attr-defined]
    o.timeSeries("Linear", 1)  # type: ignore[attr-defined]
    o.pattern("Plain", 1, 1)  # type: ignore[attr-defined]
    o.load(hook, 0.0, -1.0, 0.0)  # type: ignore[attr-defined]
    o.constraints("Plain")  # type: ignore[attr-defined]
    o.numberer("RCM")  # type: ignore[attr-defined]
    o.system("BandGeneral")  # type: ignore[attr-defined]
    o.test("NormDispIncr", 1e-8, 80)  # type: ignore[attr-defined]
    o.algorithm("Newton")  # type: ignore[attr-defined]
    force, turn, bend = [], [], []
    at = 0.0
    for aim in drawn:
        steps = 20
        o.integrator("DisplacementControl", hook, 2, -float(aim - at) / steps)  # type: ignore[attr-defined]
        o.analysis("Static", "-noWarnings")  # type: ignore[attr-defined]
        for _ in range(steps):
            if o.analyze(1) != 0:  # type: ignore[attr-defined]
                pytest.fail("OpenSees did not converge")
        at = float(aim)
        force.append(o.getTime())  # type: ignore[attr-defined]
        turn.append(o.nodeDisp(9000, 3))  # type: ignore[attr-defined]
        # change of angle over the two segments about the node
        bend.append([abs(o.nodeDisp(n + 1, 3) - o.nodeDisp(n - 1, 3)) for n in watched])  # type: ignore[attr-defined]
    o.wipe()  # type: ignore[attr-defined]
    return np.array(force), np.array(turn), np.array(bend)


def _taut(whole: WholeBow, draw: float) -> float:
    """A string that is just taut at that draw, held off its middle: the hook lies where the halves differ by twice that."""
    a, b = rest_nocks(whole) * [[-1.0, 1.0], [1.0, 1.0]]
    low, high = a[0], b[0]
    for _ in range(80):
        x = 0.5 * (low + high)
        left, right = np.hypot(x - a[0], draw + a[1]), np.hypot(x - b[0], draw + b[1])
        low, high = (x, high) if left - right < 2 * whole.hook_off_mm else (low, x)
    return float(left + right)


@pytest.mark.parametrize(("below", "above"), [(30.0, 0.0), (0.0, 25.0), (35.0, 25.0)])
def test_a_bow_in_the_hand(opensees: object, below: float, above: float) -> None:
    whole = replace(bow(80), cradle_nmm=GRIP_NMM, pivot_mm=below, hook_off_mm=-above)  # the left limb is the upper one
    draw, drawn = 190.0, np.array([150.0, 300.0, 400.0])
    force, turn, bend = held_by_opensees(opensees, whole, draw, drawn)
    # ours counts the draw from the limbs' origin, theirs from the point about which it turns
    ours = solve_draws(whole, _taut(whole, draw), draw + drawn - whole.pivot_mm * np.sin(turn))
    assert ours.force_n == pytest.approx(force, rel=3e-3)
    assert ours.rock_rad == pytest.approx(turn, rel=1e-2, abs=3e-4)
    assert np.max(np.abs(turn)) > 5e-3
    at = [int(np.argmin(np.abs(chain.s_mm - 300.0))) for chain in (whole.left, whole.right)]
    ratio = ours.bend_per_mm[:, 0, at[0]] * whole.left.step_mm / (ours.bend_per_mm[:, 1, at[1]] * whole.right.step_mm)
    assert ratio == pytest.approx(bend[:, 0] / bend[:, 1], rel=5e-3)


def held(below: float, above: float, upper_is_left: bool) -> float:
    whole = bow(80, 60.0, 4.0e6)
    return ratio_for_hand(whole, below, above, upper_is_left, BRACE_MM, DRAW_MM, WORKING)


def test_a_hand_below_the_middle_wants_the_lower_limb_the_stiffer_one() -> None:
    """Common practice, no source; and by mirror image: who holds the bow the other way up wants the opposite."""
    none = held(0.0, 0.0, True)
    assert abs(none) < 2e-3
    assert held(30.0, 0.0, True) - none > 0.03
    assert held(30.0, 0.0, False) - none < -0.03
    assert held(15.0, 0.0, True) - none == pytest.approx(0.5 * (held(30.0, 0.0, True) - none), rel=0.05)


def test_the_ratio_brings_the_tiller() -> None:
    """Wood left on one limb and taken off the other by as much as is said: the tiller is then the one that was wanted."""
    whole = bow(80, 60.0, 4.0e6)

    def build(step: float) -> WholeBow:
        return replace(
            whole,
            left=replace(whole.left, ei_nmm2=whole.left.ei_nmm2 * np.exp(-0.5 * step)),
            right=replace(whole.right, ei_nmm2=whole.right.ei_nmm2 * np.exp(0.5 * step)),
        )

    def strain_ratio(step: float) -> float:
        made = build(step)
        string, _ = brace(made, BRACE_MM)
        return left_over_right(made, solve_draws(made, string, np.array([DRAW_MM])), WORKING) - step / 3.0

    for wanted in (6.0, -3.0):
        change = ratio_for_tiller(build, wanted, BRACE_MM, DRAW_MM, FADES, WORKING)
        low, high = -0.5, 0.5
        for _ in range(40):  # the step at which the strains' ratio has changed by that
            step = 0.5 * (low + high)
            low, high = (step, high) if strain_ratio(step) - strain_ratio(0.0) < change else (low, step)
        assert tiller_at_brace_mm(build(step), BRACE_MM, FADES) == pytest.approx(wanted, abs=0.15)
    assert (
        ratio_for_tiller(build, 6.0, BRACE_MM, DRAW_MM, FADES, WORKING)
        > 0
        > ratio_for_tiller(build, -6.0, BRACE_MM, DRAW_MM, FADES, WORKING)
    )


def test_an_ellipse_bends_as_the_handbook_says() -> None:
    a, turn = 1.0, np.deg2rad(60.0)
    for ratio in (0.5, 0.8, 1.0):
        b = ratio * a
        t = np.linspace(0, np.pi / 2, 400_001)  # x = a sin t, y = b cos t: the flattest point at t = 0
        inside = np.arctan2(b * np.sin(t), a * np.cos(t)) <= turn
        t = t[inside]
        arc = a * ellipeinc(t, 1 - ratio**2)
        x, y = a * np.sin(t), b * np.cos(t)
        radius = a**2 * b**2 * (x**2 / a**4 + y**2 / b**4) ** 1.5
        share = np.linspace(0, 1, 21)
        theirs = np.interp(share, arc / arc[-1], radius[0] / radius)
        assert ellipse_curvature(share, ratio) == pytest.approx(theirs, rel=2e-5)
    assert ellipse_curvature(share, 1.0) == pytest.approx(1.0)  # a circle
    assert np.all(np.diff(ellipse_curvature(share, 0.8)) > 0)  # more towards the tips


def test_shapes_have_a_mean_of_one_where_the_limb_works() -> None:
    share = np.linspace(-0.1, 1.1, 61)
    working = (share >= 0) & (share <= 1)
    strain = over_mean(run_out(share, 0.4, 0.5), working)
    assert np.exp(np.mean(np.log(strain[working]))) == pytest.approx(1.0)
    assert np.all(strain[~working] == 1.0)
    assert run_out(np.array([0.0, 0.6, 0.8, 1.0]), 0.4, 0.5) == pytest.approx([1.0, 1.0, 0.75, 0.5])
    assert strain[np.argmin(np.abs(share - 0.6))] == pytest.approx(strain[working][0])
