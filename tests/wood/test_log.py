"""A log's end: its curve and crown by closed forms, splitting by a hand-drawn case, rings and diameter on rendered ends (tests.bench.logend)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.logend import SIDES, case_of, lens_of, rings_hit, touches
from tiller.bow.section import sagitta_mm
from tiller.errors import VisionFault
from tiller.mechanics.wood.logshape import crown_radius_mm, rim_of, shape_of
from tiller.mechanics.wood.rings import STEP_MM, rings_of
from tiller.mechanics.wood.split import CORE_MM, SPLIT_LOSS_MM, Flaw, depth_in, split, ways
from tiller.simulate.wood.logend import paint_log, random_log
from tiller.vision.stave.logend import log_end
from tiller.vision.stave.plane import find_face


def circle(radius: float, middle: tuple[float, float], count: int = 24) -> np.ndarray:
    at = 2 * np.pi * np.arange(count) / count
    return np.array(middle) + radius * np.column_stack([np.cos(at), np.sin(at)])


def test_a_circle_about_a_pith_that_is_off_its_middle() -> None:
    rim = rim_of(np.array([0.0, 0.0]), circle(100.0, (12.0, 5.0)), 8)
    shape = shape_of(rim)
    assert shape.diameter_mm == pytest.approx(200.0, abs=0.05)
    assert shape.off_mm == pytest.approx(13.0, abs=0.05)
    assert shape.lean == pytest.approx(0.13, abs=0.001)
    assert shape.towards_rad == pytest.approx(np.arctan2(5, 12), abs=0.01)
    assert (shape.least_mm, shape.most_mm) == (pytest.approx(200.0, abs=0.2), pytest.approx(200.0, abs=0.2))
    # its crown has its own radius at any side
    for angle in (0.0, 1.0, 2.5, 4.0):
        assert crown_radius_mm(rim, angle, 50.0) == pytest.approx(100.0, rel=0.03)
    assert crown_radius_mm(rim_of(np.zeros(2), circle(100.0, (0.0, 0.0))), 1.0, 50.0, 30.0) == pytest.approx(
        70.0, rel=0.02
    )


def test_an_ellipse_is_flatter_over_its_short_axis() -> None:
    """Radius of curvature at the ends of the axes: b^2 / a and a^2 / b."""
    at = 2 * np.pi * np.arange(72) / 72
    rim = rim_of(np.zeros(2), np.column_stack([110 * np.cos(at), 95 * np.sin(at)]), 8)
    assert crown_radius_mm(rim, 0.0, 30.0) == pytest.approx(95**2 / 110, rel=0.04)
    assert crown_radius_mm(rim, np.pi / 2, 30.0) == pytest.approx(110**2 / 95, rel=0.04)
    assert shape_of(rim).diameter_mm == pytest.approx(2 * np.sqrt(110 * 95), rel=1e-3)


def test_touches_that_make_no_rim() -> None:
    with pytest.raises(ValueError, match="5 are the least"):
        rim_of(np.zeros(2), circle(50, (0, 0), 4))
    with pytest.raises(ValueError, match="outside of the edge"):
        rim_of(np.array([80.0, 0.0]), circle(50, (0, 0), 8))


def test_a_part_gives_the_depth_that_is_drawn_by_hand() -> None:
    """A quarter of a log of 100 mm radius, a stave 50 mm wide: its sides come out at sqrt(100^2 - 25^2) = 96.8 mm; the splits are 50 mm and what is hewn apart
    at (25 + 4 / cos 45) / tan 45 = 30.7 mm from the pith. A half reaches to the core."""
    assert depth_in(100.0, np.pi / 2, 50.0) == pytest.approx(
        np.sqrt(100**2 - 25**2) - (25 + SPLIT_LOSS_MM * np.sqrt(2))
    )
    assert depth_in(100.0, np.pi, 50.0) == pytest.approx(np.sqrt(100**2 - 25**2) - CORE_MM)
    assert depth_in(20.0, np.pi, 50.0) < 0
    assert depth_in(100.0, np.pi / 4, 50.0) < depth_in(100.0, np.pi / 2, 50.0)
    # the crown's height is the section's own sagitta
    assert 100.0 - np.sqrt(100**2 - 25**2) == pytest.approx(float(sagitta_mm(50.0, 100.0)))


def test_a_log_is_split_so_that_knots_and_checks_do_least() -> None:
    rim = rim_of(np.zeros(2), circle(110.0, (0.0, 0.0)), 8)
    clean = ways(rim, 60.0, 35.0)
    assert clean[0].staves == max(w.staves for w in clean)
    # by hand, as above: a sixth is (30 + 4 / cos 30) / tan 30 = 60.0 mm from the pith where it is wide enough, and 105.8 mm where its sides come out
    assert {w.count: w.staves for w in clean} == {2: 2, 3: 3, 4: 4, 6: 6, 8: 0}
    assert split(rim, 6, 60.0, 35.0).parts[0].depth_mm == pytest.approx(
        np.sqrt(110**2 - 30**2) - (30 + 4 / np.cos(np.pi / 6)) / np.tan(np.pi / 6), abs=0.3
    )
    # a knot in line with where splits would lie by themselves moves the splits, and none is lost
    knot = Flaw("knot", 0.25 * np.pi, 10.0)
    four = split(rim, 4, 60.0, 35.0, (knot,))
    assert four.staves == 4
    middles = [p.middle_rad for p in four.parts]
    assert min(abs((m - knot.angle_rad + np.pi) % (2 * np.pi) - np.pi) for m in middles) > 0.25
    # a check goes to a split: it lies within a few degrees of one
    check = Flaw("check", 1.0)
    three = split(rim, 3, 60.0, 35.0, (check,))
    assert three.staves == 3
    assert min(abs((p.from_rad - 1.0 + np.pi) % (2 * np.pi) - np.pi) for p in three.parts) < 0.3
    # a check is judged where it comes nearest to the stave's middle: at its inner face
    wide = rim_of(np.zeros(2), circle(150.0, (0.0, 0.0)), 8)
    sixth = split(wide, 6, 60.0, 60.0, tuple(Flaw("check", float(a)) for a in np.arange(0, 2 * np.pi, np.deg2rad(30))))
    assert sixth.staves == 0
    # knots all around: nothing is clear
    many = tuple(Flaw("knot", float(a), 15.0) for a in np.arange(0, 2 * np.pi, 0.35))
    assert split(rim, 4, 60.0, 35.0, many).staves == 0
    small = rim_of(np.zeros(2), circle(35.0, (0.0, 0.0)), 8)
    assert all(w.staves == 0 or w.count == 2 for w in ways(small, 50.0, 20.0))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rendered_end_is_read(seed: int) -> None:
    """One ring-porous and one diffuse-porous end, 25 degrees oblique at the most, JPEG, saw marks and checks in it."""
    case = case_of(seed)
    p = case.log.points_mm
    area = 0.5 * float(np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]))
    assert case.end.found
    assert case.shape.diameter_mm == pytest.approx(2 * np.sqrt(area / np.pi), abs=1.0)
    assert np.linalg.norm(case.end.rim.pith_mm - case.log.pith_mm) < 2.0
    hits = np.array([rings_hit(case.log, case.end.rim.pith_mm, r.angle_rad, r.rings.ends_mm) for r in case.end.rays])
    assert hits[:, 0].sum() >= 0.85 * hits[:, 1].sum()
    assert hits[:, 2].sum() <= 0.1 * hits[:, 1].sum()
    for check in case.log.checks_rad:
        assert min(abs((a - check + np.pi) % (2 * np.pi) - np.pi) for a in case.end.checks_rad) < 0.06


def test_pictures_that_tell_nothing() -> None:
    log = random_log(1)
    image = paint_log(log)
    with pytest.raises(VisionFault, match="a mirrored picture shows none"):
        find_face(np.ascontiguousarray(image[:, ::-1]), SIDES, None)
    face = find_face(image, SIDES, lens_of(log))
    pith, edge = touches(log, np.random.default_rng(0))
    with pytest.raises(VisionFault, match="outside of the edge"):
        log_end(image, face, edge[0] + 3 * (edge[0] - pith), edge, ())
    with pytest.raises(VisionFault, match="the least"):
        log_end(image, face, pith, edge[:3], ())


def test_rings_of_a_made_up_band() -> None:
    """Saw teeth of known ends: every end is found to a tenth of a millimetre, whichever side is dark; a blank band has none."""
    rng = np.random.default_rng(0)
    ends = np.cumsum(rng.uniform(1.5, 4.0, 14)) + 4.0
    r = np.arange(4.0, ends[-1] + 2, STEP_MM)
    k = np.searchsorted(ends, r, side="right")
    low = np.append([4.0], ends)[k]
    high = np.append(ends, ends[-1] + 2)[np.minimum(k, len(ends))]
    tooth = 1 - np.clip((r - low) / (high - low), 0, 1)
    for way in (1.0, -1.0):
        band = 60 + way * 12 * tooth[None, :] + rng.normal(0, 2.0, (31, len(r)))
        found = rings_of(band, 4.0)
        assert len(found.ends_mm) >= len(ends) - 1
        for end in found.ends_mm:
            assert np.min(np.abs(ends - end)) < 0.2
        assert abs(len(found.ends_mm) - len(ends)) <= 2 * found.count_sd + 1
    assert len(rings_of(60 + rng.normal(0, 2.0, (31, 400)), 4.0).ends_mm) == 0
