"""The forward model against OpenSees (a general-purpose finite-element library): corotational beams, the same bow."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from tiller.mechanics.forward.chain import WholeBow, chain_of, taut_length_mm
from tiller.mechanics.forward.elastica import solve_draws

EA_STRING = 1.0e6
DRAWN = np.linspace(0.0, 420.0, 25)[1:]


def bow(segments: int, root_mm: float = 60.0, cradle_nmm: float = np.inf) -> WholeBow:
    """Two straight limbs of different length and taper, no weight; with a root of 0 the bow bends through its handle."""
    limbs = []
    for k, end in enumerate((860.0, 845.0)):
        s = np.linspace(root_mm, end, 300)
        ei = (
            1.4e8
            * np.clip(1 - (s - root_mm) / 950, 0.1, 1) ** 1.4
            * (1 + 0.05 * np.sin(s / 80 + k) * np.clip(s / 60, 0, 1))
        )
        line = np.column_stack([s, 20.0 * root_mm / 60.0 + 0.02 * (s - root_mm)])
        limbs.append(chain_of(s, line, ei, np.zeros_like(s), segments, root_mm, end))
    return WholeBow(left=limbs[0], right=limbs[1], cradle_nmm=cradle_nmm, string_ea_n=EA_STRING)


def by_opensees(
    ops: object,
    whole: WholeBow,
    draw: float,
    rocked: list[float] | None = None,
    lines: list[np.ndarray] | None = None,
) -> np.ndarray:
    """Force at ``draw`` + DRAWN, the string just taut at ``draw``; where lists are given, the handle's rock goes into one, and into the other at
    each draw both limbs' lines and the hook, (2, n + 2, 2) rack."""
    o = ops
    o.wipe()  # type: ignore[attr-defined]
    o.model("basic", "-ndm", 2, "-ndf", 3)  # type: ignore[attr-defined]
    o.geomTransf("Corotational", 1)  # type: ignore[attr-defined]
    nocks = []
    tag = 0
    for sign, chain in ((-1.0, whole.left), (1.0, whole.right)):
        first = tag + 1
        x = chain.root_mm[0] + np.concatenate([[0.0], np.cumsum(np.cos(chain.rest_angle))]) * chain.step_mm
        y = chain.root_mm[1] + np.concatenate([[0.0], np.cumsum(np.sin(chain.rest_angle))]) * chain.step_mm
        for px, py in zip(x, y, strict=True):
            tag += 1
            o.node(tag, float(sign * px), float(py))  # type: ignore[attr-defined]
        centre = first if np.isinf(whole.cradle_nmm) or sign < 0 else nocks[0] - len(x) + 1
        if np.isinf(whole.cradle_nmm):
            o.fix(first, 1, 1, 1)  # type: ignore[attr-defined]
        elif sign < 0:  # the handle rests on the pivot and rocks against a spring
            o.fix(first, 1, 1, 0)  # type: ignore[attr-defined]
            o.node(9000, float(sign * x[0]), float(y[0]))  # type: ignore[attr-defined]
            o.fix(9000, 1, 1, 1)  # type: ignore[attr-defined]
            o.uniaxialMaterial("Elastic", 2, whole.cradle_nmm)  # type: ignore[attr-defined]
            o.element("zeroLength", 9001, 9000, first, "-mat", 2, "-dir", 6)  # type: ignore[attr-defined]
        else:  # wood goes on from limb to limb: the first segment begins at the same node, its own one is left alone
            o.fix(first, 1, 1, 1)  # type: ignore[attr-defined]
        ei = np.asarray(chain.ei_nmm2)
        for k in range(len(chain.rest_angle)):
            soft = 0.5 * (1 / ei[k] + 1 / ei[k + 1])
            o.element(
                "elasticBeamColumn",
                1000 + first + k,
                centre if k == 0 else first + k,
                first + k + 1,
                1.0e8,
                1.0,
                1.0 / soft,
                1,
            )  # type: ignore[attr-defined]
        nocks.append(tag)
    half = 0.5 * taut_length_mm(whole, draw)
    a = np.array([-_x(whole.left), _y(whole.left)])
    b = np.array([_x(whole.right), _y(whole.right)])
    # the hook where both halves are equally long
    low, high = a[0], b[0]
    for _ in range(80):
        hook_x = 0.5 * (low + high)
        low, high = (hook_x, high) if np.hypot(hook_x - a[0], draw + a[1]) < half else (low, hook_x)
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
    o.test("NormDispIncr", 1e-8, 60)  # type: ignore[attr-defined]
    o.algorithm("Newton")  # type: ignore[attr-defined]
    out = []
    centre_of_all = nocks[0] - len(whole.left.rest_angle)
    steps = 7
    for _ in DRAWN:
        o.integrator("DisplacementControl", hook, 2, -float(DRAWN[0]) / steps)  # type: ignore[attr-defined]
        o.analysis("Static", "-noWarnings")  # type: ignore[attr-defined]
        for _ in range(steps):
            if o.analyze(1) != 0:  # type: ignore[attr-defined]
                pytest.fail("OpenSees did not converge")
        out.append(o.getTime())  # type: ignore[attr-defined]
        if rocked is not None:
            rocked.append(o.nodeDisp(centre_of_all, 3))  # type: ignore[attr-defined]
        if lines is not None:
            count = len(whole.left.rest_angle)
            roots = [nock - count if np.isinf(whole.cradle_nmm) else centre_of_all for nock in nocks]
            tags = [[root, *range(nock - count + 1, nock + 1), hook] for root, nock in zip(roots, nocks, strict=True)]
            lines.append(
                np.array([[np.add(o.nodeCoord(t), o.nodeDisp(t)[:2]) for t in row] for row in tags])  # type: ignore[attr-defined]
            )
    o.wipe()  # type: ignore[attr-defined]
    return np.array(out)


def _x(chain: object) -> float:
    return float(chain.root_mm[0] + chain.step_mm * np.sum(np.cos(chain.rest_angle)))  # type: ignore[attr-defined]


def _y(chain: object) -> float:
    return float(chain.root_mm[1] + chain.step_mm * np.sum(np.sin(chain.rest_angle)))  # type: ignore[attr-defined]


def test_force_at_every_draw(opensees: object) -> None:
    whole, draw = bow(80), 190.0
    start = time.perf_counter()
    theirs = by_opensees(opensees, whole, draw)
    spent = time.perf_counter() - start
    string = taut_length_mm(whole, draw)
    ours = solve_draws(whole, string, draw + DRAWN)
    assert ours.force_n == pytest.approx(theirs, rel=2e-3)
    start = time.perf_counter()
    solve_draws(whole, string, draw + DRAWN, ours)
    warm = time.perf_counter() - start
    start = time.perf_counter()
    solve_draws(whole, string, draw + DRAWN)
    cold = time.perf_counter() - start
    print(f"OpenSees {1e3 * spent:.0f} ms, ours {1e3 * cold:.0f} ms cold, {1e3 * warm:.1f} ms warm")
    print(np.max(np.abs(ours.force_n / theirs - 1)))


def test_bending_through_the_handle(opensees: object) -> None:
    """One piece of wood from nock to nock, bending where it rests, and rocking there because its limbs differ."""
    whole, draw = bow(80, 0.0, 1.0e6), 190.0
    whole = replace(whole, left=replace(whole.left, ei_nmm2=1.2 * whole.left.ei_nmm2))
    rocked: list[float] = []
    theirs = by_opensees(opensees, whole, draw, rocked)
    ours = solve_draws(whole, taut_length_mm(whole, draw), draw + DRAWN)
    assert ours.force_n == pytest.approx(theirs, rel=2e-3)
    assert ours.rock_rad == pytest.approx(rocked, rel=5e-3)
    assert np.max(np.abs(ours.rock_rad)) > 2e-3
    assert np.max(np.abs(ours.bend_per_mm[-1, :, 0])) > 5e-4


def test_from_a_neighbour_as_from_nothing() -> None:
    """Relaxing a neighbour's shape gives what shooting gives: same conditions, another way."""
    whole, draw = bow(80, 0.0, 4.0e6), 190.0
    string = taut_length_mm(whole, draw)
    cold = solve_draws(whole, string, draw + DRAWN)
    for softer in (0.97, 0.8, 0.5, 0.1):  # the last ones are far enough to need the way from the beginning
        beside = replace(whole, left=replace(whole.left, ei_nmm2=softer * whole.left.ei_nmm2))
        warm = solve_draws(whole, string, draw + DRAWN, solve_draws(beside, string, draw + DRAWN))
        assert warm.force_n == pytest.approx(cold.force_n, abs=1e-4)
        assert np.max(np.abs(warm.points_mm - cold.points_mm)) < 1e-3
