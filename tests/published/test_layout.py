"""A bow laid out: its even strain by OpenSees (general-purpose finite elements), its crown by sectionproperties' way of counting."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from tiller.bow.section import crowned_section
from tiller.mechanics.forward.chain import WholeBow, chain_of
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.wood.layout import (
    FADE_MM,
    Outline,
    Wanted,
    lay_out,
    least_length,
    least_width,
    most_draw,
    most_weight,
    outline,
)
from tiller.report.sheets.layout import edges_along

WANTED = Wanted(draw_mm=610.0, weight_n=200.0, brace_mm=150.0, modulus_gpa=14.9, density_kg_m3=800.0)
HANDLE = 50.0


@pytest.mark.parametrize("family", ["straight", "parallel"])
@pytest.mark.parametrize("crown", [None, 75.0])
def test_even_strain_and_weight(family: str, crown: float | None) -> None:
    wanted = Wanted(
        draw_mm=610.0, weight_n=200.0, brace_mm=150.0, modulus_gpa=14.9, density_kg_m3=800.0, crown_radius_mm=crown
    )
    laid = lay_out(outline(family, 850.0, HANDLE, 42.0, 12.0), HANDLE, wanted)
    assert laid.weight_n == pytest.approx(200.0, rel=2e-3)
    assert laid.uneven < 0.002
    assert np.max(laid.strain[~laid.working]) < 1.05 * laid.level


def test_the_even_strain_by_opensees(opensees: Any) -> None:
    ops = opensees
    shape = outline("straight", 850.0, HANDLE, 42.0, 12.0)
    laid = lay_out(shape, HANDLE, WANTED)
    section = crowned_section(laid.width_mm, laid.thickness_mm, None)
    line = np.column_stack([laid.s_mm, np.zeros_like(laid.s_mm)])
    chain = chain_of(
        laid.s_mm, line, WANTED.modulus_gpa * 1e3 * section.second_moment_mm4, np.zeros_like(laid.s_mm), 80, HANDLE
    )
    bow = WholeBow(left=chain, right=chain)
    string, _ = brace(bow, WANTED.brace_mm)
    drawn = solve_draws(bow, string, np.linspace(170.0, 610.0, 6))
    pull = drawn.unknowns[-1, [4, 5]]  # what the string does to the right nock
    # the same limb, clamped at the handle, under that force as a dead load, by corotational beams
    ops.wipe()
    ops.model("basic", "-ndm", 2, "-ndf", 3)
    ops.geomTransf("Corotational", 1)
    x = chain.root_mm[0] + chain.step_mm * np.arange(81)
    for k in range(81):
        ops.node(k + 1, float(x[k]), 0.0)
    ops.fix(1, 1, 1, 1)
    ei = np.asarray(chain.ei_nmm2)
    for k in range(80):
        ops.element("elasticBeamColumn", k + 1, k + 1, k + 2, 1.0e8, 1.0, 2.0 / (1 / ei[k] + 1 / ei[k + 1]), 1)
    ops.timeSeries("Linear", 1)
    ops.pattern("Plain", 1, 1)
    ops.load(81, float(pull[0]), float(pull[1]), 0.0)
    ops.constraints("Plain")
    ops.numberer("RCM")
    ops.system("BandGeneral")
    ops.test("NormDispIncr", 1e-8, 80)
    ops.algorithm("Newton")
    ops.integrator("LoadControl", 0.02)
    ops.analysis("Static", "-noWarnings")
    for _ in range(50):
        assert ops.analyze(1) == 0
    moment = np.array([abs(ops.eleForce(k + 1)[2]) for k in range(80)])  # at each element's inner end
    ops.wipe()
    reach = np.interp(chain.s_mm[:-1], laid.s_mm, section.to_back_mm)
    strain = moment / ei[:-1] * reach
    working = (chain.s_mm[:-1] > HANDLE + FADE_MM + 5) & (chain.s_mm[:-1] < 725.0)
    assert np.mean(strain[working]) == pytest.approx(laid.level, rel=5e-3)
    assert np.sqrt(np.mean((strain[working] / np.mean(strain[working]) - 1) ** 2)) < 0.01


def test_wider_or_longer_where_the_strain_is_too_much() -> None:
    shape = outline("straight", 700.0, HANDLE, 36.0, 12.0)
    laid = lay_out(shape, HANDLE, WANTED)
    limit = 0.93 * laid.level
    factor = least_width(shape, HANDLE, WANTED, limit)
    assert factor is not None
    assert factor > 1.0
    for share, enough in ((1.0, True), (0.98, False)):
        wider = lay_out(Outline(shape.s_mm, share * factor * shape.width_mm), HANDLE, WANTED)
        assert (wider.level <= limit) == enough
    longer = least_length("straight", HANDLE, 36.0, 12.0, 700.0, WANTED, limit)
    assert longer is not None
    assert longer > 700.0
    for share, enough in ((1.0, True), (0.995, False)):
        drawn = lay_out(outline("straight", share * longer, HANDLE, 36.0, 12.0), HANDLE, WANTED)
        assert (drawn.level <= limit) == enough
    lighter, shorter = (way(shape, HANDLE, WANTED, limit) for way in (most_weight, most_draw))
    assert lighter is not None
    assert shorter is not None
    for share, enough in ((1.0, True), (1.03, False)):
        assert (lay_out(shape, HANDLE, replace(WANTED, weight_n=share * lighter)).level <= limit) == enough
        assert (lay_out(shape, HANDLE, replace(WANTED, draw_mm=share * shorter)).level <= limit) == enough
    assert least_width(shape, HANDLE, WANTED, 0.001) is None


def test_sizes_that_make_no_bow() -> None:
    with pytest.raises(ValueError, match="outline"):
        outline("round", 850.0, HANDLE, 42.0, 12.0)
    with pytest.raises(ValueError, match="too short"):
        outline("straight", 300.0, HANDLE, 42.0, 12.0)


def test_edges_along_a_bent_centre_line() -> None:
    """Both edges stand off the centre line by half the width, square to it; the place along it is its own length (scipy's quadrature)."""
    laid = lay_out(outline("parallel", 850.0, HANDLE, 42.0, 12.0), HANDLE, WANTED)
    at, off = np.array([0.0, 300.0, 600.0, 870.0]), np.array([0.0, 14.0, -9.0, 3.0])
    edges = edges_along(laid.s_mm, laid.width_mm, (at, off))
    curve = PchipInterpolator(at, off)
    for k in (50, 170, 300, len(edges.s_mm) - 1):
        length, _ = quad(
            lambda x: np.hypot(1.0, curve(x, 1)), 0.0, edges.x_mm[k], points=at[at < edges.x_mm[k]], limit=200
        )
        assert edges.s_mm[k] == pytest.approx(length, abs=0.02)
    assert edges.s_mm[-1] == pytest.approx(850.0, abs=2.5)  # it ends at the nock, along the stave
    width = np.interp(edges.s_mm, laid.s_mm, laid.width_mm)
    across = edges.upper_xy - edges.lower_xy
    assert np.linalg.norm(across, axis=1) == pytest.approx(width, abs=1e-9)
    middle = 0.5 * (edges.upper_xy + edges.lower_xy)
    assert middle[:, 1] == pytest.approx(curve(edges.x_mm), abs=1e-9)
    tangent = np.gradient(middle, axis=0)
    assert np.max(np.abs(np.sum(across * tangent, axis=1)) / width / 2.0) < 0.02  # square, but for the step of 2 mm
    straight = edges_along(laid.s_mm, laid.width_mm, None)
    assert straight.upper_xy[:, 1] == pytest.approx(0.5 * np.interp(straight.s_mm, laid.s_mm, laid.width_mm))
    for wrong in (([0.0, 500.0], [0.0, 1.0]), ([0.0, 400.0, 850.0], [0.0, 90.0, 0.0]), ([10.0, 850.0], [0.0, 0.0])):
        with pytest.raises(ValueError, match="centre line"):
            edges_along(laid.s_mm, laid.width_mm, (np.array(wrong[0]), np.array(wrong[1])))
