"""The forward model against published and recomputed tables, scipy's boundary-value solver, and energy.

Tables: large deflection of a cantilever (elliptic integrals; rows a = 1 and 2 printed in Bisshopp and Drucker 1945);
a braced uniform bow (two-force elastica, elliptic integrals); benchmark bows A, B, C (shooting at rtol 1e-10 and
a chain of 400 rigid links agree to 5 digits). All recomputed but where said.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ellipeinc, ellipk, ellipkinc

from tiller.mechanics.forward.chain import Chain, WholeBow, chain_of, taut_length_mm
from tiller.mechanics.forward.elastica import _Tables, brace, solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError

L, EI = 1000.0, 1.0e8


def limb(segments: int, handle: float = 0.0, ei: object = None, crook: float = 0.0, mass: float = 0.0) -> Chain:
    s = np.linspace(0.0, L, 401)
    values = np.full_like(s, EI) if ei is None else np.asarray(ei(s))  # type: ignore[operator]
    line = np.column_stack([s, crook * np.sin(np.pi * s / L)])
    return chain_of(s, line, values, np.full_like(s, mass), segments, from_mm=handle * L)


def tip(a: float, segments: int) -> tuple[float, float, float]:
    """Deflection, shortening (over the length) and angle of a cantilever's tip under a dead load P = a EI / L^2."""
    chain = limb(segments)
    tables = _Tables(WholeBow(left=chain, right=chain))
    load = a * EI / L**2
    low, high = -np.pi / 2, 0.0
    for _ in range(60):
        angle = 0.5 * (low + high)
        limbs = tables.inward(np.full((1, 2), angle), np.zeros((1, 2)), np.full((1, 2), -load))
        low, high = (angle, high) if limbs.root_angle[0, 0] < 0 else (low, angle)
    x, y, _ = limbs.reached(tables.h)
    return float(-y[0, 0] / L), float(1 - x[0, 0] / L), -angle


def cantilever(a: float) -> tuple[float, float]:
    """w/L and u/L by elliptic integrals (Barten's form)."""
    low, high = 1e-9, np.pi / 2 - 1e-12

    def load(theta: float) -> float:
        k = np.sqrt((1 + np.sin(theta)) / 2)
        phi = np.arcsin(1 / (k * np.sqrt(2)))
        return float((ellipk(k * k) - ellipkinc(phi, k * k)) ** 2)

    for _ in range(200):
        theta = 0.5 * (low + high)
        low, high = (theta, high) if load(theta) < a else (low, theta)
    k = np.sqrt((1 + np.sin(theta)) / 2)
    phi = np.arcsin(1 / (k * np.sqrt(2)))
    w = 1 - 2 * (ellipeinc(np.pi / 2, k * k) - ellipeinc(phi, k * k)) / np.sqrt(a)
    return float(w), float(1 - np.sqrt(2 * np.sin(theta) / a))


# Bisshopp and Drucker, Quart. Appl. Math. 3 (1945) 272-275: rows a = 1 and a = 2 (w/L, u/L)
@pytest.mark.parametrize(("a", "w", "u"), [(1.0, 0.30172, 0.05643), (2.0, 0.49346, 0.16064)])
def test_printed_cantilever(a: float, w: float, u: float) -> None:
    assert cantilever(a) == pytest.approx((w, u), abs=6e-6)
    ours = tip(a, 80)
    assert ours[0] == pytest.approx(w, abs=1e-4)
    assert ours[1] == pytest.approx(u, abs=1e-4)


@pytest.mark.parametrize("a", [0.2, 0.6, 1.4, 3.0, 5.0, 8.0, 10.0])
def test_large_deflection_cantilever(a: float) -> None:
    w, u = cantilever(a)
    ours = tip(a, 80)
    assert ours[0] == pytest.approx(w, abs=1e-4)
    assert ours[1] == pytest.approx(u, abs=1e-4)


def test_the_error_falls_with_the_square_of_the_segment() -> None:
    counts = np.array([20, 40, 80, 160])
    w = cantilever(4.0)[0]
    errors = [abs(tip(4.0, int(n))[0] - w) for n in counts]
    assert -2.1 < np.polyfit(np.log(counts), np.log(errors), 1)[0] < -1.9


# benchmark bows: handle, string half-length, brace, draw, force at 8 equal steps from brace to draw (times L^2/EI)
BENCH = {
    "A": (0.0, 0.98600, 0.15, 0.75, None, (0.24420, 0.39133, 0.51764, 0.64042, 0.76563, 0.89638, 1.03506, 1.18404)),
    "B": (0.1, 0.97204, 0.20, 0.80, None, (0.34536, 0.57049, 0.75903, 0.93827, 1.11968, 1.30977, 1.51358, 1.73609)),
    "C": (
        0.1,
        0.96703,
        0.20,
        0.80,
        lambda s: EI * np.clip((L - s) / (0.9 * L), 1e-6, 1.0),
        (0.21137, 0.35712, 0.48103, 0.59984, 0.72137, 0.85051, 0.99134, 1.14823),
    ),
}


@pytest.mark.parametrize("name", BENCH)
def test_benchmark_bows(name: str) -> None:
    handle, half, low, high, ei, forces = BENCH[name]
    chain = limb(160 if name == "C" else 80, handle, ei)
    solved = solve_draws(
        WholeBow(left=chain, right=chain, cradle_nmm=np.inf), 2 * half * L, np.linspace(low, high, 9)[1:] * L
    )
    # EI of bow C vanishes at its tip, where a chain is coarse
    assert solved.force_n * L**2 / EI == pytest.approx(forces, rel=2e-3 if name == "C" else 3e-4)
    assert np.max(solved.touching_mm) == 0.0
    assert np.max(np.abs(solved.hook_x_mm)) < 1e-6


# braced uniform bow without a stiff grip: H/L, string tension x L^2/EI, half string/L, root curvature x L
@pytest.mark.parametrize(
    ("height", "tension", "half", "curvature"),
    [(0.10, 2.47507, 0.99381, 0.24751), (0.20, 2.49877, 0.97493, 0.49975), (0.30, 2.54083, 0.94241, 0.76225)],
)
def test_braced_uniform_bow(height: float, tension: float, half: float, curvature: float) -> None:
    chain = limb(80)
    string, solved = brace(WholeBow(left=chain, right=chain, cradle_nmm=np.inf), height * L)
    assert string / (2 * L) == pytest.approx(half, abs=1e-4)
    assert solved.tension_n[0] * L**2 / EI == pytest.approx([tension, tension], rel=4e-4)
    assert solved.bend_per_mm[0, :, 0] * L == pytest.approx([curvature, curvature], rel=4e-4)
    assert abs(solved.force_n[0]) < 1e-5


def uneven() -> WholeBow:
    """Limbs of different length, stiffness and crook, weight, a cradle that rocks, a string that stretches."""
    s = np.linspace(50.0, 870.0, 200)
    limbs = []
    for k, end in enumerate((860.0, 848.0)):
        ei = 1.5e8 * np.clip(1 - (s - 50) / 950, 0.08, 1) ** 1.5 * (1 + 0.06 * np.sin(s / 90 + k))
        line = np.column_stack([s, 20 + 7 * np.sin(s / 150 + k)])
        limbs.append(chain_of(s, line, ei, np.full_like(s, 4e-4), 80, 50.0, end))
    return WholeBow(left=limbs[0], right=limbs[1], cradle_nmm=4e6, string_ea_n=9e4)


def test_work_done_on_the_string_is_the_energy_in_limbs_and_string() -> None:
    bow = uneven()
    nodes, weights = np.polynomial.legendre.leggauss(12)
    low, high = 260.0, 620.0
    draws = 0.5 * (high - low) * nodes + 0.5 * (high + low)
    force = solve_draws(bow, 1660.0, draws).force_n
    work = float(np.sum(weights * force)) * 0.5 * (high - low)
    ends = solve_draws(bow, 1660.0, np.array([low, high]))
    string = 0.5 * np.sum(ends.tension_n**2, axis=1) * 0.5 * 1660.0 / bow.string_ea_n
    cradle = 0.5 * bow.cradle_nmm * ends.rock_rad**2
    fall = [
        sum(
            float(np.sum(c.load_n_mm * c.step_mm * 0.5 * (p[1:, 1] + p[:-1, 1])))
            for c, p in zip((bow.left, bow.right), row, strict=True)
        )
        for row in ends.points_mm
    ]
    # gravity at rest is borne by the rest shape's own moments, which work against it as the limb bends
    rest = []
    for row in range(2):
        own = 0.0
        for k, chain in enumerate((bow.left, bow.right)):
            tables = _Tables(bow)
            turn = ends.bend_per_mm[row, k] * chain.step_mm * tables.weight
            own += float(np.sum(tables.own[:, k] * turn))
        rest.append(own)
    stored = ends.energy_nmm + string + cradle + np.array(fall) + np.array(rest)
    assert work == pytest.approx(stored[1] - stored[0], rel=1e-3)


def test_exact_laws_of_scale() -> None:
    bow = replace(uneven(), string_ea_n=np.inf, cradle_nmm=np.inf)
    light = [replace(c, load_n_mm=np.zeros_like(c.load_n_mm)) for c in (bow.left, bow.right)]
    bow = replace(bow, left=light[0], right=light[1])
    draws = np.linspace(250.0, 600.0, 5)
    once = solve_draws(bow, 1650.0, draws)
    stiff = [replace(c, ei_nmm2=2.5 * c.ei_nmm2) for c in light]
    more = solve_draws(replace(bow, left=stiff[0], right=stiff[1]), 1650.0, draws)
    assert more.force_n == pytest.approx(2.5 * once.force_n, rel=1e-6)
    assert more.points_mm == pytest.approx(once.points_mm, abs=1e-3)


def test_a_mirrored_bow_is_mirrored() -> None:
    bow = uneven()
    draws = np.linspace(250.0, 600.0, 4)
    a, b = solve_draws(bow, 1650.0, draws), solve_draws(replace(bow, left=bow.right, right=bow.left), 1650.0, draws)
    assert a.force_n == pytest.approx(b.force_n, rel=1e-7)
    assert a.hook_x_mm == pytest.approx(-b.hook_x_mm, abs=1e-4)
    assert a.rock_rad == pytest.approx(-b.rock_rad, abs=1e-8)
    assert a.points_mm[:, 0] == pytest.approx(b.points_mm[:, 1], abs=1e-4)


def test_a_warm_start_ends_where_a_cold_one_does() -> None:
    bow = uneven()
    draws = np.linspace(240.0, 620.0, 24)
    before = solve_draws(bow, 1660.0, draws)
    softer = replace(bow, left=replace(bow.left, ei_nmm2=0.95 * bow.left.ei_nmm2))
    assert solve_draws(softer, 1660.0, draws, before).force_n == pytest.approx(
        solve_draws(softer, 1660.0, draws).force_n, rel=1e-6
    )


def test_a_slack_string_is_said_with_its_draw() -> None:
    bow = uneven()
    with pytest.raises(NoEquilibriumError, match=r"slack at a draw of ⟦200\.0 mm 0⟧"):
        solve_draws(bow, taut_length_mm(bow, 300.0), np.array([200.0]))


def test_braced_and_drawn_uniform_bow_by_scipys_boundary_value_solver() -> None:
    """Half of a symmetric straight bow as a boundary-value problem: theta, x, y along the limb, pull and string unknown."""
    from scipy.integrate import solve_bvp

    half, draw = 0.975, 0.6

    def rates(s: np.ndarray, state: np.ndarray, unknown: np.ndarray) -> np.ndarray:
        theta, kappa = state[:2]
        px, py = unknown
        # d(EI kappa)/ds = across-component of the pull, in units of EI/L^2
        return np.vstack([-kappa, px * np.sin(theta) * -1.0 - py * np.cos(theta) * -1.0, np.cos(theta), np.sin(theta)])

    def ends(a: np.ndarray, b: np.ndarray, unknown: np.ndarray) -> np.ndarray:
        px, py = unknown
        way = np.array([-b[2], -draw - b[3]])
        far = np.hypot(*way)
        return np.array([a[0], a[2], a[3], b[1], (px * way[1] - py * way[0]) / far, far - half])

    s = np.linspace(0, 1, 41)
    guess = np.vstack([-0.6 * s, 0.8 * (1 - s), s, -0.3 * s**2])
    found = solve_bvp(rates, ends, s, guess, p=[-1.5, -0.6], tol=1e-8, max_nodes=20000)
    assert found.success
    chain = limb(160)
    solved = solve_draws(WholeBow(left=chain, right=chain, cradle_nmm=np.inf), 2 * half * L, np.array([draw * L]))
    assert solved.force_n[0] * L**2 / EI == pytest.approx(-2 * found.p[1], rel=1e-4)
    assert solved.points_mm[0, 1, -1] / L == pytest.approx([found.y[2, -1], found.y[3, -1]], abs=1e-4)


def reflexed(by: float) -> WholeBow:
    s = np.linspace(50.0, 860.0, 300)
    y = 20.0 + by * np.clip((s - 560.0) / 300.0, 0, 1) ** 2
    x = np.concatenate([[50.0], 50.0 + np.cumsum(np.sqrt(np.diff(s) ** 2 - np.diff(y) ** 2))])
    ei = 1.4e8 * np.clip(1 - (s - 50) / 950, 0.15, 1) ** 1.3
    one = chain_of(s, np.column_stack([x, y]), ei, np.zeros_like(s), 80, 50.0, 860.0)
    return WholeBow(left=one, right=one)


def test_the_string_lies_along_a_reflexed_tip_until_it_is_drawn_clear() -> None:
    clear, braced = brace(reflexed(40.0), 150.0)
    assert np.max(braced.touching_mm) == 0.0
    assert np.max(solve_draws(reflexed(40.0), clear, np.array([200.0, 600.0])).touching_mm) == 0.0
    length, braced = brace(reflexed(120.0), 150.0)
    assert np.min(braced.touching_mm) > 100.0
    lies = solve_draws(reflexed(120.0), length, np.linspace(155.0, 550.0, 12)).touching_mm
    assert np.all(np.diff(lies, axis=0) <= 0)  # it peels off as the bow is drawn
    assert np.max(lies[-1]) == 0.0
