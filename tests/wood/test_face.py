"""Pictures along a stave joined to one strip: lengths against rendered truth, with the lens known and not; what does not join; a bow's place by touch in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench.logend import SIDES
from tests.shop.test_stave_page import Scripted
from tiller.bow.rigfile import Lens
from tiller.bow.stavefile import read_stave
from tiller.cli.entry import main
from tiller.errors import TillerError, VisionFault
from tiller.report.style import Units
from tiller.setup.guided.talk import run
from tiller.setup.wood.face import face_by_touch, join_face
from tiller.setup.wood.jobs import wood_job
from tiller.simulate.wood.face import FaceTruth, paint_face, random_face
from tiller.vision.stave.joined import Joined, join

Array = NDArray[np.float64]
LENGTH_MM = 1800.0


@dataclass(frozen=True)
class Bench:
    """A stave and its pictures, in a folder too."""

    truth: FaceTruth
    images: list[NDArray[np.uint8]]
    folder: Path
    lens: Lens


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    truth = random_face(3, pictures=6, length_mm=LENGTH_MM)
    images = paint_face(truth)
    folder = tmp_path_factory.mktemp("face")
    for k, image in enumerate(images):
        cv2.imwrite(str(folder / f"{k + 1}.png"), image)
    c = truth.cameras[0]
    matrix = np.array([[c.focal[0], 0.0, c.centre[0]], [0.0, c.focal[1], c.centre[1]], [0.0, 0.0, 1.0]])
    return Bench(truth, images, folder, Lens(c.size, matrix, np.array(c.distortion)))


def errors(bench: Bench, joined: Joined) -> Array:
    """How far points all over the stave lie from where they truly are, once both planes are laid upon each other (turn and shift only: no scale)."""
    rng = np.random.default_rng(0)
    true, seen = [], []
    for k, camera in enumerate(bench.truth.cameras):
        points = np.column_stack([rng.uniform(-240, 240, 40) + camera.place_mm[0], rng.uniform(-40, 50, 40)])
        points = points[(points[:, 0] > 0) & (points[:, 0] < LENGTH_MM)]
        px = camera.project(np.column_stack([points, np.zeros(len(points))]))
        there = np.all((px > 0) & (px < np.array(camera.size)), axis=1)
        true.append(points[there])
        seen.append(joined.millimetres(k, px[there]))
    p, q = np.vstack(true), np.vstack(seen)
    p, q = p - p.mean(axis=0), q - q.mean(axis=0)
    u, _, v = np.linalg.svd(q.T @ p)
    assert np.linalg.det(u @ v) > 0  # no mirror image
    return np.linalg.norm(q @ (u @ v) - p, axis=1)


def test_lengths_hold_over_the_whole_stave(bench: Bench) -> None:
    names = [f"{k}" for k in range(len(bench.images))]
    known = join(bench.images, names, SIDES, bench.lens)
    assert np.max(errors(bench, known)) < 0.5
    assert known.sd_mm < 1.0
    unknown = join(bench.images, names, SIDES, None)
    assert np.max(errors(bench, unknown)) < 2.2  # the lens bends straight lines by a millimetre or two
    assert np.sqrt(np.mean(errors(bench, unknown) ** 2)) < 1.5
    assert unknown.rms_px > 3 * known.rms_px


def test_the_order_of_the_pictures_does_not_matter(bench: Bench) -> None:
    order = [3, 0, 5, 1, 4, 2]
    shuffled = join([bench.images[k] for k in order], [f"{k}" for k in order], SIDES, bench.lens)
    straight = join(bench.images, [f"{k}" for k in range(6)], SIDES, bench.lens)
    ends = [j.millimetres(k, np.array([[900.0, 500.0]])) for j, k in ((shuffled, 1), (shuffled, 2))]
    others = [straight.millimetres(k, np.array([[900.0, 500.0]])) for k in (0, 5)]
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(np.linalg.norm(others[1] - others[0]), abs=0.02)


def test_pictures_that_do_not_join(bench: Bench, tmp_path: Path) -> None:
    names = ["a", "b"]
    with pytest.raises(VisionFault, match="b shares no printed sheet"):
        join([bench.images[0], bench.images[-1]], names, SIDES, bench.lens)
    with pytest.raises(VisionFault, match="b shows no printed rack fiducial"):
        join([bench.images[0], np.ascontiguousarray(bench.images[1][:, ::-1])], names, SIDES, bench.lens)
    # one sheet is taken for another size: nothing fits one plane
    with pytest.raises(VisionFault, match="do not lie in one plane"):
        join(bench.images, [f"{k}" for k in range(6)], SIDES | {next(iter(SIDES)): 130.0}, bench.lens)
    with pytest.raises(TillerError, match="1 picture"):
        join_face([bench.folder / "1.png"], None)


def strip_touches(bench: Bench, found) -> tuple[Array, Array, Array]:  # type: ignore[no-untyped-def]
    """Both edges and both sides of a knot as a hand would touch them in the strip."""
    strip, joined, truth = found.strip, found.joined, bench.truth
    mid = np.array([abs(c.place_mm[0]) for c in truth.cameras])

    def at(points: Array) -> Array:
        out = []
        for p in points:
            k = int(np.argmin(np.abs(mid - p[0])))
            px = truth.cameras[k].project(np.append(p, 0.0)[None])
            q = joined.millimetres(k, px)[0]
            out.append([(q[0] - strip.corner_mm[0]) * strip.px_per_mm, (strip.corner_mm[1] - q[1]) * strip.px_per_mm])
        return np.array(out)

    x = np.linspace(30, LENGTH_MM - 30, 9)
    low = at(np.column_stack([x, np.interp(x, truth.x_mm, truth.low_mm)]))
    high = at(np.column_stack([x, np.interp(x, truth.x_mm, truth.high_mm)]))
    kx, ky, wide = truth.knots[0]
    return low, high, at(np.array([[kx - wide / 2, ky], [kx + wide / 2, ky]]))


def test_a_bow_s_place_by_touch_in_the_strip(bench: Bench, home: Path) -> None:
    assert main(["stave", "long lane", "--wood", "white oak"]) == 0
    found = join_face([bench.folder], None)
    low, high, knot = strip_touches(bench, found)
    face = face_by_touch(found.strip, low, high, np.zeros((0, 2)), knot.reshape(1, 2, 2))
    assert face.x_mm[-1] == pytest.approx(LENGTH_MM - 60, abs=2.5)
    width = np.interp(face.x_mm + 30, bench.truth.x_mm, bench.truth.high_mm - bench.truth.low_mm)
    off = np.abs((face.high_mm - face.low_mm) - width)
    assert np.percentile(off, 95) < 1.0  # between the touches they are found
    assert np.max(off) < 4.0  # where two pictures meet in the strip an edge may step
    rough = np.random.default_rng(1).normal(0, 6.0, low.shape)  # a hand that errs by 3 mm
    again = face_by_touch(found.strip, low + rough, high - rough, np.zeros((0, 2)), np.zeros((0, 2, 2)))
    there = np.interp(again.x_mm, face.x_mm, face.high_mm - face.low_mm)
    assert np.percentile(np.abs((again.high_mm - again.low_mm) - there), 90) < 2.0
    assert face.knots[0].wide_mm == pytest.approx(bench.truth.knots[0][2], abs=0.7)
    assert face.knots[0].x_mm == pytest.approx(bench.truth.knots[0][0] - 30, abs=2.0)
    # y runs up, from the strip's upper left corner down
    x0, y0 = found.strip.corner_mm
    assert found.strip.millimetres(np.array([[100.0, 60.0]]))[0] == pytest.approx([x0 + 50.0, y0 - 30.0])
    kx, ky, _ = bench.truth.knots[0]
    over = face.knots[0].y_mm - np.interp(face.knots[0].x_mm, face.x_mm, face.low_mm)
    assert over == pytest.approx(ky - np.interp(kx, bench.truth.x_mm, bench.truth.low_mm), abs=2.5)
    with pytest.raises(TillerError, match="3 times or more"):
        face_by_touch(found.strip, low[:2], high, np.zeros((0, 2)), np.zeros((0, 2, 2)))
    with pytest.raises(TillerError, match="from end to end"):
        face_by_touch(found.strip, low[:3], high[-3:], np.zeros((0, 2)), np.zeros((0, 2, 2)))

    def typed(points: Array) -> list[str]:
        return [f"{x:.1f} {y:.1f}" for x, y in points]

    answers = (
        "f",
        str(bench.folder / "none"),
        str(bench.folder),
        *typed(low),
        "",
        *typed(high),
        "",
        "",
        *typed(knot[:1]),
        "",
        *typed(knot),
        "",
        "820",
        "36",
        "12",
        "1",
    )
    talk = Scripted(answers, True)
    run(wood_job(home, home / "book.sqlite3", "long lane", Units()), talk).join(120.0)
    assert talk.moment.good, talk.moment.fault
    assert "Taken over" in talk.moment.sentence
    assert len(read_stave(home / "bows" / "long lane" / "stave.toml").features) <= 1


def test_by_command(bench: Bench, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "strip.png"
    assert main(["face", str(bench.folder), "--strip", str(out)]) == 0
    assert "6 pictures joined" in capsys.readouterr().out
    strip = cv2.imread(str(out))
    assert strip is not None
    assert strip.shape[1] > 2 * LENGTH_MM
    assert main(["face", str(bench.folder / "1.png"), "--strip", str(tmp_path / "no.png")]) == 2
    assert not (tmp_path / "no.png").exists()
    assert not home.exists() or not list(home.glob("**/*.png"))
