"""Limbs as beams in space: Saint-Venant's torsion against printed coefficients and finite elements (sectionproperties), the braced shape against the
planar model and against OpenSees' corotational beams in space.
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.forward.chain import WholeBow, chain_of
from tiller.mechanics.forward.elastica import brace, string_lengths
from tiller.mechanics.space.rod import (
    NotStrungError,
    SpaceLimb,
    Strung,
    first_guess,
    stiffness,
    string_up,
    turn_by,
    turn_of,
)
from tiller.mechanics.space.section import rectangle_torsion, space_section

MODULUS, SHEAR = 12.0e3, 1080.0
ROOT, NOCK = 60.0, 860.0
FLAT = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
"""A root's frame that looks straight outward: columns d1 (up), d2 (sideways), d3 (outward)."""


def widths(s: np.ndarray) -> np.ndarray:
    return np.interp(s, [ROOT, 400.0, NOCK], [45.0, 42.0, 14.0])


def thicknesses(s: np.ndarray) -> np.ndarray:
    return np.interp(s, [ROOT, NOCK], [13.5, 9.0])


def limb(
    n: int,
    *,
    sideways_per_mm: float = 0.0,
    twist_per_mm: float = 0.0,
    off: tuple[float, float] = (0.0, 0.0),
    crown_mm: float | None = None,
) -> SpaceLimb:
    """A tapered limb; what is natural about it is put between 250 and 550 mm, ``off`` is a share of the thickness."""
    s = np.linspace(ROOT, NOCK, n + 1)
    t = thicknesses(s)
    cut = space_section(widths(s), t, crown_mm, (off[0] * t, off[1] * t))
    moments = np.stack([cut.draw_mm4, cut.sideways_mm4, cut.product_mm4, cut.torsion_mm4], axis=-1)
    rest = np.zeros((n, 3))
    there = np.sin(np.pi * np.clip((s[:-1] - 250.0) / 300.0, 0.0, 1.0)) ** 2
    rest[:, 0], rest[:, 2] = sideways_per_mm * there, twist_per_mm * there
    return SpaceLimb(
        step_mm=(NOCK - ROOT) / n,
        root_mm=np.array([ROOT, 0.0, 0.0]),
        root_frame=FLAT,
        rest_per_mm=rest,
        stiff_nmm2=stiffness(np.full(n, MODULUS), np.full(n, SHEAR), moments[:-1]),
    )


STRING = 2 * NOCK - 62.0
START = first_guess((0.6, 0.6), 150.0, np.array([-1.0, 0.0, 0.0]))


@pytest.fixture(scope="module")
def even() -> Strung:
    return string_up(limb(80), limb(80), STRING, START)


@pytest.mark.parametrize(
    ("ratio", "printed"), [(1.0, 0.1406), (1.5, 0.196), (2.0, 0.229), (3.0, 0.263), (5.0, 0.291), (10.0, 0.312)]
)
def test_a_rectangles_torsion_as_printed(ratio: float, printed: float) -> None:
    """J = k a b^3: Timoshenko and Goodier, Theory of Elasticity, table of constants for torsion of a rectangular bar (from memory)."""
    assert float(rectangle_torsion(ratio * 7.0, 7.0)) / (ratio * 7.0**4) == pytest.approx(printed, abs=6e-4)
    assert float(rectangle_torsion(7.0, ratio * 7.0)) == pytest.approx(float(rectangle_torsion(ratio * 7.0, 7.0)))


@pytest.mark.parametrize(
    ("width", "thick", "crown", "off"),
    [
        (45.0, 14.0, None, (0.0, 0.0)),
        (45.0, 14.0, 60.0, (0.0, 0.0)),
        (35.0, 16.0, 40.0, (0.0, 0.0)),
        (13.0, 9.0, 50.0, (0.0, 0.0)),
        (60.0, 12.0, 80.0, (0.0, 0.0)),
        (42.0, 13.0, None, (2.0, 0.0)),
        (42.0, 13.0, 90.0, (0.5, 1.8)),
    ],
)
def test_a_limbs_section_by_finite_elements(
    width: float, thick: float, crown: float | None, off: tuple[float, float]
) -> None:
    """Against sectionproperties (finite elements; torsion by its warping function)."""
    from sectionproperties.analysis import Section
    from sectionproperties.pre import Geometry
    from shapely import Polygon

    z = np.linspace(-0.5 * width, 0.5 * width, 81)
    top = np.full_like(z, thick) if crown is None else thick - (crown - np.sqrt(crown**2 - z**2))
    below = np.where(z < 0, off[0] * -2 * z / width, off[1] * 2 * z / width)
    outline = Polygon([*zip(z, top, strict=True), *zip(z[::-1], below[::-1], strict=True)])
    geometry = Geometry(outline)
    geometry.create_mesh(mesh_sizes=[width * thick / 500])
    section = Section(geometry)
    section.calculate_geometric_properties()
    section.calculate_warping_properties()
    ixx, iyy, ixy = section.get_ic()
    ours = space_section(width, thick, crown, off)
    assert float(ours.area_mm2) == pytest.approx(section.get_area(), rel=2e-3)
    assert float(ours.draw_mm4) == pytest.approx(ixx, rel=4e-3)
    assert float(ours.sideways_mm4) == pytest.approx(iyy, rel=4e-3)
    assert float(ours.product_mm4) == pytest.approx(ixy, abs=4e-3 * ixx)
    assert float(ours.torsion_mm4) == pytest.approx(section.get_j(), rel=0.03)


def test_turns_are_undone() -> None:
    for vector in np.random.default_rng(4).normal(0, 0.8, (20, 3)):
        matrix = turn_by(vector)
        assert matrix @ matrix.T == pytest.approx(np.eye(3), abs=1e-12)
        assert turn_of(matrix) == pytest.approx(vector)
    assert turn_of(turn_by(np.array([1e-10, 0, 0]))) == pytest.approx([1e-10, 0, 0], rel=1e-6)


def test_without_anything_sideways_it_is_the_planar_model(even: Strung) -> None:
    """``forward.elastica``, itself held against OpenSees and printed elastica tables."""
    s = np.linspace(ROOT, NOCK, 161)
    ei = MODULUS * widths(s) * thicknesses(s) ** 3 / 12.0
    chain = chain_of(s, np.column_stack([s, np.zeros_like(s)]), ei, np.zeros_like(s), 160, ROOT, NOCK)
    whole = WholeBow(left=chain, right=chain, cradle_nmm=float("inf"))
    length, solved = brace(whole, even.brace_mm)
    assert length == pytest.approx(STRING, abs=0.05)
    assert even.offset_mm == pytest.approx(0.0, abs=1e-9)
    pulled = float(np.mean(solved.tension_n[-1]))
    assert even.pull_n == pytest.approx(pulled, rel=2e-3)
    assert string_lengths(whole, even.brace_mm, solved) is not None


def test_finer_chains_converge_by_the_square_of_their_steps() -> None:
    found = []
    for n in (20, 40, 80, 320):
        strung = string_up(
            limb(n, sideways_per_mm=2e-5, twist_per_mm=4e-4, off=(0.1, 0.0)), limb(n, off=(0.0, 0.05)), STRING, START
        )
        found.append((strung.offset_mm, strung.pull_n))
    errors = np.abs(np.array(found[:3]) - found[3])
    slopes = np.log2(errors[:-1] / errors[1:])
    assert np.all(slopes > 1.6), (found, slopes)


def by_opensees(ops: object, one: SpaceLimb, force: np.ndarray, off: tuple[float, float]) -> np.ndarray:
    """Where the nock of a limb goes under a force that keeps its direction: corotational beams along the rest line, which is integrated here by itself;
    the section's axes turned to its principal ones.
    """
    o = ops
    n = len(one.rest_per_mm)
    frame, place = one.root_frame.copy(), one.root_mm.copy()
    frames, places = [], [place]
    for k in range(n):
        frame = frame @ turn_by((1.0 if k else 0.5) * one.step_mm * one.rest_per_mm[k])
        place = place + one.step_mm * frame[:, 2]
        frames.append(frame)
        places.append(place)
    o.wipe()  # type: ignore[attr-defined]
    o.model("basic", "-ndm", 3, "-ndf", 6)  # type: ignore[attr-defined]
    for k, at in enumerate(places):
        o.node(k + 1, *map(float, at))  # type: ignore[attr-defined]
    o.fix(1, 1, 1, 1, 1, 1, 1)  # type: ignore[attr-defined]
    s = np.linspace(ROOT, NOCK, n + 1)
    mid = 0.5 * (s[1:] + s[:-1])
    t = thicknesses(mid)
    cut = space_section(widths(mid), t, None, (off[0] * t, off[1] * t))
    for k in range(n):
        draw, sideways, product = float(cut.draw_mm4[k]), float(cut.sideways_mm4[k]), float(cut.product_mm4[k])
        # principal axes: the section's a axis turned towards z by this angle
        angle = 0.5 * np.arctan2(-2 * product, sideways - draw)
        mean, half = 0.5 * (draw + sideways), float(np.hypot(0.5 * (draw - sideways), product))
        d1, d2 = frames[k][:, 0], frames[k][:, 1]
        weak = np.cos(angle) * d1 + np.sin(angle) * d2  # of a^2 about the axis across this one
        strong = np.cross(frames[k][:, 2], weak)
        o.geomTransf("Corotational", k + 1, *map(float, strong))  # type: ignore[attr-defined]
        # local z is the transformation's vector's side: vecxz lies in the local x-z plane, so local z = strong; Iz bends across it
        o.element(  # type: ignore[attr-defined]
            "elasticBeamColumn", k + 1, k + 1, k + 2, 1e7, MODULUS, SHEAR, float(cut.torsion_mm4[k]), mean + half, mean - half, k + 1
        )  # fmt: skip
    # drawn down first, so that the string's pull finds it bent the right way
    o.timeSeries("Path", 1, "-time", 0.0, 1.0, 2.0, 3.0, "-values", 0.0, 1.0, 1.0, 0.0)  # type: ignore[attr-defined]
    o.timeSeries("Path", 2, "-time", 0.0, 1.0, 2.0, 3.0, "-values", 0.0, 0.0, 1.0, 1.0)  # type: ignore[attr-defined]
    o.pattern("Plain", 1, 1)  # type: ignore[attr-defined]
    o.load(n + 1, 0.0, -40.0, 0.0, 0.0, 0.0, 0.0)  # type: ignore[attr-defined]
    o.pattern("Plain", 2, 2)  # type: ignore[attr-defined]
    o.load(n + 1, *map(float, force), 0.0, 0.0, 0.0)  # type: ignore[attr-defined]
    o.system("UmfPack")  # type: ignore[attr-defined]
    o.numberer("RCM")  # type: ignore[attr-defined]
    o.constraints("Plain")  # type: ignore[attr-defined]
    o.test("NormDispIncr", 1e-7, 100)  # type: ignore[attr-defined]
    o.algorithm("Newton")  # type: ignore[attr-defined]
    o.integrator("LoadControl", 0.01)  # type: ignore[attr-defined]
    o.analysis("Static")  # type: ignore[attr-defined]
    assert o.analyze(300) == 0  # type: ignore[attr-defined]
    moved = np.array([o.nodeDisp(n + 1, k + 1) for k in range(3)])  # type: ignore[attr-defined]
    return places[-1] + moved


@pytest.mark.parametrize(
    ("sideways", "twist", "off"),
    [
        (0.0, 0.0, (0.0, 0.0)),
        (3e-5, 0.0, (0.0, 0.0)),
        (-3e-5, 0.0, (0.0, 0.0)),
        (0.0, 6e-4, (0.0, 0.0)),
        (0.0, 0.0, (0.15, 0.0)),
        (0.0, 0.0, (0.0, 0.15)),
        (2e-5, -4e-4, (0.1, 0.0)),
    ],
)
def test_braced_in_space_as_corotational_beams(
    opensees: object, sideways: float, twist: float, off: tuple[float, float]
) -> None:
    """Under the pull that our model finds, OpenSees' limb has its nock at the same place."""
    one = limb(60, sideways_per_mm=sideways, twist_per_mm=twist, off=off)
    strung = string_up(limb(60), one, STRING, START)
    nocks = strung.points_mm[:, -1]
    way = np.array([-nocks[0, 0] - nocks[1, 0], nocks[0, 1] - nocks[1, 1], nocks[0, 2] - nocks[1, 2]])
    force = strung.pull_n * way / np.linalg.norm(way)
    there = by_opensees(opensees, one, force, off)
    assert there[:2] == pytest.approx(nocks[1, :2], abs=1.0)  # of some 200 mm: a braced limb is near its buckling load
    assert there[2] == pytest.approx(nocks[1, 2], abs=0.02 + 0.015 * abs(nocks[1, 2]))
    if [bool(sideways), bool(twist), bool(off[0] or off[1])].count(True) == 1:
        assert abs(nocks[1, 2]) > 1.0  # it does go sideways
    # towards the side that was thinned, away from where k1 < 0 bends it
    if off == (0.15, 0.0):
        assert there[2] < 0
    if off == (0.0, 0.15):
        assert there[2] > 0


def test_a_string_that_is_too_long_is_said() -> None:
    with pytest.raises(NotStrungError):
        string_up(limb(20), limb(20), 2 * NOCK + 50.0, START)
