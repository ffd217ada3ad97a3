"""Large deflections. Cantilever with a dead end load: Bisshopp and Drucker, Quart. Appl. Math. 3 (1945) 272-275,
a = 1 (w/L 0.30172, u/L 0.05643) and a = 2 (0.49346, 0.16064) as tabulated by Bathe and Bolourchi 1979; further
rows of the same elliptic solution by scipy's integrals. Bow B: benchmark recomputed by two independent methods
(shooting at rtol 1e-10; a chain of 400 rigid links), uniform limbs with a rigid grip.
"""

import numpy as np
import pytest
from scipy.special import ellipe, ellipeinc, ellipk, ellipkinc

from tiller.bow.section import crowned_section
from tiller.mechanics.fit.prior import StiffnessPrior
from tiller.mechanics.fit.pullfit import LimbData, Pulls, fit_pull
from tiller.simulate.bowmaker import BowTruth, LimbTruth
from tiller.simulate.shoot import Shooter, _inward, _Tables


def cantilever(a: float) -> tuple[float, float, float]:
    """w/L, u/L and tip angle for P L^2 / EI = a, from the elliptic solution, angle by bisection."""
    low, high = 1e-6, np.pi / 2 - 1e-9
    for _ in range(200):
        angle = 0.5 * (low + high)
        k2 = 0.5 * (1 + np.sin(angle))
        phi = np.arcsin(1 / np.sqrt(2 * k2))
        if (ellipk(k2) - ellipkinc(phi, k2)) ** 2 < a:
            low = angle
        else:
            high = angle
    w = 1 - 2 * (ellipe(k2) - ellipeinc(phi, k2)) / np.sqrt(a)
    return float(w), float(1 - np.sqrt(2 * np.sin(angle) / a)), float(angle)


def root_miss(a: float, steps: int) -> float:
    """Integrates inward from the table's tip; where the root comes out, in lengths of the beam."""
    w, u, angle = cantilever(a)
    s = np.linspace(0.0, 1.0, 2 * steps + 1)
    tables = _Tables(s, np.full_like(s, a), np.zeros_like(s), np.zeros_like(s), 1.0)
    x, y, theta, _ = _inward(tables, np.array([[1 - u, -w]]), np.array([-angle]), np.array([[0.0, -1.0]]))
    return float(np.max(np.abs([x[0, -1], y[0, -1], theta[0, -1]])))


@pytest.mark.parametrize(("a", "w", "u"), [(1.0, 0.30172, 0.05643), (2.0, 0.49346, 0.16064)])
def test_printed_rows(a: float, w: float, u: float) -> None:
    ours = cantilever(a)
    assert ours[:2] == pytest.approx((w, u), abs=6e-6)


@pytest.mark.parametrize("a", [0.4, 1.0, 2.0, 5.0, 10.0])
def test_the_rack_in_software_bends_like_the_table(a: float) -> None:
    assert root_miss(a, 64) < 1e-5


def test_fourth_order() -> None:
    misses = [root_miss(5.0, n) for n in (8, 16, 32)]
    slopes = np.log2(np.array(misses[:-1]) / misses[1:])
    assert np.all(slopes > 3.6)


def bow_b() -> BowTruth:
    """Benchmark bow B scaled to limbs of 1 m: uniform EI, rigid grip 0 to 0.1 L, brace 0.2 L."""
    length, width = 1000.0, 30.0
    s = np.linspace(0.0, length, 401)
    thickness = np.full_like(s, 14.0)
    moment = crowned_section(width, 14.0, 400.0).second_moment_mm4
    modulus = np.full_like(s, 1e8 / float(moment) * 1e-3)  # EI = 1e8 N mm2 = 100 N m2
    limb = LimbTruth(
        s_mm=s,
        width_mm=np.full_like(s, width),
        thickness_mm=thickness,
        even_thickness_mm=thickness,
        modulus_gpa=modulus,
        rest_curvature_per_m=np.zeros_like(s),
        length_mm=length,
        bend_from_mm=100.0,
        bend_to_mm=length,
        crown_radius_mm=400.0,
    )
    return BowTruth(
        name="b",
        wood="none",
        left=limb,
        right=limb,
        string_kind="braced",
        string_mm=2 * 972.04,
        spots=(),
        knots=(),
        weight_n=170.0,
        draw_mm=800.0,
        brace_mm=200.0,
        density_kg_m3=0.0,
    )


# draw in eight equal steps from brace 0.2 to 0.8, F L^2 / EI
DRAWS = np.linspace(200.0, 800.0, 9)
FORCE_B = np.array([0.0, 0.34536, 0.57049, 0.75903, 0.93827, 1.11968, 1.30977, 1.51358, 1.73609])


@pytest.fixture(scope="module")
def shapes_b() -> tuple[Shooter, list]:
    shooter = Shooter(bow_b(), steps=90, handle_mm=100.0, axis_mm=0.0)
    return shooter, [shooter.at(float(d)) for d in DRAWS[1:]]


def test_force_draw_curve_of_benchmark_bow_b(shapes_b: tuple[Shooter, list]) -> None:
    forces = np.array([shape.force_n for shape in shapes_b[1]]) / 100.0  # EI / L^2 = 100 N
    assert forces == pytest.approx(FORCE_B[1:], rel=3e-4)


def test_stiffness_is_recovered_from_benchmark_shapes(shapes_b: tuple[Shooter, list]) -> None:
    shooter, drawn = shapes_b
    s = np.arange(110.0, 980.0, 5.0)
    prior = StiffnessPrior(
        s_mm=s,
        log_ei=np.full(len(s), np.log(6e7)),
        cov=np.eye(len(s)) * 0.5 + 1.0,
        log_h=np.log(np.full(len(s), 14.0)),
        cov_h=np.eye(len(s)) * 0.01,
        cross=np.eye(len(s)) * 0.03,
    )
    rest = shooter.rest()
    data = []
    for side, sign in (("left", -1), ("right", 1)):
        grid = bow_b().limb(side).s_mm
        lines = [getattr(shape, f"{side}_mm") for shape in (rest, *drawn)]
        points = np.array([[np.interp(s, grid, line[:, k]) for k in (0, 1)] for line in lines]).transpose(0, 2, 1) * [
            sign,
            1.0,
        ]
        data.append(
            LimbData(
                sign=sign,
                s_mm=s,
                nock_s_mm=1000.0,
                rest_mm=points[0],
                points_mm=points,
                offset_mm=np.zeros(points.shape[:2]),
                sd_mm=np.full(points.shape[:2], 0.02),
                mass_per_mm_kg=np.zeros(len(s)),
                prior=prior,
            )
        )
    n = len(drawn) + 1
    hook = np.array([[np.nan, np.nan], *(shape.hook_mm for shape in drawn)])
    force = np.array([0.0, *(FORCE_B[1:] * 100.0)])
    fit = fit_pull(data[0], data[1], Pulls(hook, force, np.full(n, 0.05), np.arange(n) == 0, np.zeros(n, dtype=bool)))
    for limb in (fit.left, fit.right):
        inside = (s > 200) & (s < 850)
        assert np.exp(limb.log_ei[inside]) == pytest.approx(1e8, rel=0.03)
        assert np.median(np.exp(limb.log_ei[inside])) == pytest.approx(1e8, rel=0.006)
