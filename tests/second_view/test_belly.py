"""The bow seen from its belly: rendered bows with known truth (the renderer shares only units and the section formula with the measuring side), what is
refused, what the book keeps. Where a figure is told, ``tests.bench.belly`` measures it on sixty bows.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.bench.belly import SIDES_MM, Case, bow_of, case_of, measured, seen_in
from tests.shop.test_phone import SHIPPED
from tiller.bow.bowfile import Bow, read_bow
from tiller.bow.rigfile import Lens
from tiller.bow.sides import Pair, Side
from tiller.bow.tomlwrite import toml
from tiller.cli.entry import main
from tiller.errors import VisionFault
from tiller.measure.second_view.alignment import Pictured, aligned
from tiller.measure.second_view.lying import lying_of, places_of
from tiller.measure.second_view.whole import Known, Shot, Shots, _must_differ, _twist_of
from tiller.mechanics.space.tracking import (
    Alignment,
    Correction,
    Heat,
    NockTwist,
    Sideways,
    Untwist,
    curvature,
    most_of,
)
from tiller.records.alignments import (
    KEPT_SHARE,
    Asked,
    Stayed,
    alignments_of,
    held,
    keep_alignment,
    kept_of,
    kept_share,
    outline_twist,
    stayed,
    track_words,
)
from tiller.records.book import Book
from tiller.records.events import Event
from tiller.report.sheets.targets import (
    RACK_DICTIONARY,
    WINDING,
    WINDING_APART_MM,
    WINDING_MARKER_MM,
    lens_board_points,
)
from tiller.report.style import Units
from tiller.report.text.alignment import alignment_words, sentence
from tiller.simulate.belly import SidewaysTruth, offset_mm, paint
from tiller.simulate.camera import TrueCamera
from tiller.simulate.shoot import Shooter
from tiller.simulate.winding import AlongScene, along_camera, paint_along
from tiller.vision.belly.look import find_wall
from tiller.vision.belly.sheet import wall_by_fiducials
from tiller.vision.rig.board import find_markers


@dataclass(frozen=True)
class Scene:
    """A bow whose upper (left) limb alone bends sideways, and its pictures."""

    case: Case
    bow: Bow
    folder: Path


def one_sided(case: Case, nock_mm: float) -> Case:
    """The left limb bends to y > 0 between 400 and 560 mm, the right one is straight, the bed is level, the grooves are in the middle."""
    left, right = case.scene.bow.left, case.scene.bow.right
    kink = np.cumsum(np.cumsum(np.exp(-0.5 * ((left.s_mm - 480.0) / 40.0) ** 2)))
    scene = replace(
        case.scene,
        left=SidewaysTruth(bend_mm=nock_mm * kink / kink[-1], twist_rad=np.zeros(len(left.s_mm))),
        right=SidewaysTruth(bend_mm=np.zeros(len(right.s_mm)), twist_rad=np.zeros(len(right.s_mm))),
        groove_mm=(0.0, 0.0),
        tilt_rad=0.0,
    )
    return replace(case, scene=scene)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    folder = tmp_path_factory.mktemp("belly")
    made, shape = bow_of(300)
    case = one_sided(case_of(3, made, shape), 15.0)
    for name, other in (
        ("a", case.scene),
        ("b", replace(case.scene, turned=True)),
        ("slack", replace(case.scene, strung=False, shape=Shooter(made).rest())),
    ):
        cv2.imwrite(str(folder / f"{name}.png"), paint(other, 5 + len(name)))
    cv2.imwrite(str(folder / "mirrored.png"), paint(case.scene, 6)[:, ::-1])
    cv2.imwrite(str(folder / "bare.png"), paint(replace(case.scene, fiducials=()), 6))
    lens = case.lens
    camera = {
        "image_size": list(lens.image_size),
        "matrix": [[float(v) for v in row] for row in lens.matrix],
        "distortion": [float(v) for v in lens.distortion],
    }
    (folder / "rig.toml").write_text(toml({"camera": camera}))
    return Scene(case, case.bow, folder)


def test_the_strings_place_and_the_limb_that_makes_it(scene: Scene) -> None:
    found = measured(scene.case, 5)
    true = offset_mm(scene.case.scene)
    assert 6.0 < true < 9.0  # about half of 15
    assert found.offset_mm == pytest.approx(true, abs=max(0.7, 3 * found.offset_sd_mm))
    assert found.offset_sd_mm < 0.7
    left, right = found.limbs
    assert left.nock_mm == pytest.approx(15.0, abs=max(1.0, 3 * left.nock_sd_mm))
    assert right.nock_mm == pytest.approx(0.0, abs=max(1.0, 3 * right.nock_sd_mm))
    assert 300 < left.from_mm < 480 < left.to_mm < 640
    assert np.isnan(right.from_mm) or abs(right.nock_mm) < 2.0
    text = sentence(found, scene.bow, Units())
    assert "to the right of its middle" in text
    assert "the upper limb bends" in text


def test_the_other_limb_up_is_the_other_way_round(scene: Scene) -> None:
    """Turned upside down in the hand, right is left."""
    text = (replace(scene.bow, upper_limb=Side.RIGHT), replace(scene.bow, upper_limb=Side.LEFT))
    found = [measured(replace(scene.case, bow=bow), 5, (False,)) for bow in text]
    assert found[0].offset_mm == pytest.approx(-found[1].offset_mm, abs=1e-9)
    assert found[0].limbs.left.nock_mm == pytest.approx(-found[1].limbs.left.nock_mm, abs=1e-9)


def test_a_bed_that_tilts_goes_out_when_the_bow_is_turned(scene: Scene) -> None:
    """By 0.6 degrees the string, 150 mm before the handle, moves by 1.5 mm."""
    level = measured(scene.case, 5).offset_mm
    tilted = replace(scene.case, scene=replace(scene.case.scene, tilt_rad=float(np.deg2rad(0.6))))
    one, both_ways = measured(tilted, 5, (False,)), measured(tilted, 5)
    assert 0.7 < abs(one.offset_mm - level) < 2.2
    assert abs(both_ways.offset_mm - level) < 0.4
    assert one.offset_sd_mm > 2 * both_ways.offset_sd_mm
    assert [note.code for note in one.notes] == ["align.one-way"]
    assert not both_ways.notes


def test_pictures_of_the_wrong_way_round_are_not_averaged(scene: Scene) -> None:
    """Both given as taken the first way round say opposite things; sorted as turned and not turned they agree."""
    turned = paint(replace(scene.case.scene, turned=True), 6)
    as_lying = seen_in(scene.case, turned, False)
    places = places_of(scene.bow, lying_of(scene.bow, True, scene.case.brace_mm, scene.case.grip_mm))
    right = Pictured("a", seen_in(scene.case, paint(scene.case.scene, 5), False), False)
    with pytest.raises(VisionFault, match="do not agree"):
        aligned([right, Pictured("b", replace(as_lying, string_mm=-as_lying.string_mm), True)], [], Side.LEFT, places)
    # more pictures of one place are no surer
    one = aligned([right], [], Side.LEFT, places)
    three = aligned([right] * 3, [], Side.LEFT, places)
    assert three.offset_sd_mm == pytest.approx(one.offset_sd_mm)
    # where the string hides an edge no width is told
    widths = np.concatenate([limb.width_mm for limb in one.limbs])
    assert np.nanmin(widths) > 8.0


@pytest.mark.parametrize("seed", [11, 12, 14])
def test_bows_at_random_within_their_stated_doubt(seed: int) -> None:
    made, shape = bow_of(305)
    case = case_of(seed, made, shape)
    found = measured(case, seed)
    assert abs(found.offset_mm - offset_mm(case.scene)) < 3 * found.offset_sd_mm
    for limb, truth in zip(found.limbs, (case.scene.left, case.scene.right), strict=True):
        assert abs(limb.nock_mm - truth.bend_mm[-1]) < 3 * limb.nock_sd_mm


def test_the_wall_by_fiducials_by_its_own_pose(scene: Scene) -> None:
    """The rendered camera's own place over the wall, from two fiducials and from four: the tilt's sd is honest."""
    camera: TrueCamera = scene.case.scene.camera
    lens = Lens(camera.size, np.array([[camera.focal[0], 0, camera.centre[0]], [0, camera.focal[1], camera.centre[1]], [0, 0, 1.0]]), np.array(camera.distortion))  # fmt: skip
    grey = cv2.cvtColor(cv2.imread(str(scene.folder / "a.png")), cv2.COLOR_BGR2GRAY)
    marks = find_markers(np.asarray(grey, dtype=np.uint8), SIDES_MM)
    for some in (dict(list(marks.items())[:2]), marks):
        wall = wall_by_fiducials(some, SIDES_MM, lens)
        off = wall.view.rotation.T @ np.cross(wall.view.rotation[:, 2], camera.rotation[:, 2])
        assert np.all(np.abs(off[:2]) < 3 * np.sqrt(np.diag(wall.tilt_cov_rad2)) + np.deg2rad(0.02))
        assert wall.view.centre_mm[2] == pytest.approx(camera.place_mm[2], rel=5e-3)
    with pytest.raises(VisionFault, match="2 are the least"):
        wall_by_fiducials(dict(list(marks.items())[:1]), SIDES_MM, lens)


def test_what_is_wrong_with_a_picture_is_said_and_nothing_is_kept(
    scene: Scene, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = scene.folder
    (folder / "bow.toml").write_text(bow_text(scene))
    rig = ["--rig", str(folder / "rig.toml"), "--grip", "26mm", "--brace", f"{scene.case.brace_mm:.0f}mm"]
    cases = {
        "slack.png": "no string is seen",
        "mirrored.png": "is mirrored",
        "bare.png": "2 are the least",
        "none.png": "is missing",
        "rig.toml": "no picture",
    }
    for name, words in cases.items():
        assert main(["align", str(folder / "bow.toml"), str(folder / name), *rig]) == 2, name
        said = capsys.readouterr().err
        assert words in said, (name, said)
        assert said.count("\n") == 1
    for bad in (["--grip", "3mm"], ["--brace", "20mm"], ["--bar", "10mm"], ["--reserve", "90"], ["--deep", "2mm"]):
        assert main(["align", str(folder / "bow.toml"), str(folder / "a.png"), *bad]) == 2, bad
        assert "makes sense" in capsys.readouterr().err
    assert not (home / "book.sqlite3").exists()
    # in a strung bow's shape, without its string
    cv2.imwrite(str(folder / "stringless.png"), paint(replace(scene.case.scene, strung=False), 8))
    assert main(["align", str(folder / "bow.toml"), str(folder / "stringless.png"), *rig]) == 2
    assert "no string is seen" in capsys.readouterr().err
    # another bow's file: half as wide
    narrow = bow_text(scene, 0.7)
    (folder / "other.toml").write_text(narrow)
    code = main(["align", str(folder / "other.toml"), str(folder / "a.png"), *rig])
    said = "".join(capsys.readouterr())
    assert code == 2 or "is it the same bow" in said, said


def bow_text(scene: Scene, width: float = 1.0) -> str:
    bow = scene.bow
    limbs = {
        str(side): {
            "length_mm": limb.length_mm,
            "handle_mm": limb.handle_mm,
            "fade_mm": limb.fade_mm,
            "stations": [
                {"s_mm": st.s_mm, "width_mm": round(width * st.width_mm, 1), "thickness_mm": st.thickness_mm}
                for st in limb.stations
            ],
        }
        for side, limb in ((Side.LEFT, bow.left), (Side.RIGHT, bow.right))
    }
    target = {"draw_length_mm": 600.0, "draw_weight_n": 200.0, "brace_height_mm": 150.0, "shape": "even-strain"}
    return toml(
        {
            "name": "orchard runner",
            "wood": bow.wood,
            "upper_limb": "left",
            "limbs": limbs,
            "string": {"kind": bow.string.kind, "length_mm": bow.string.length_mm},
            "target": target,
        }
    )


def test_the_command_writes_words_json_and_a_picture(
    scene: Scene, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = scene.folder
    (folder / "bow.toml").write_text(bow_text(scene))
    out = tmp_path / "out.json", tmp_path / "out.png"
    words = [
        "align", str(folder / "bow.toml"), str(folder / "a.png"), "--turned", str(folder / "b.png"), "--unstrung", str(folder / "slack.png"),
        "--rig", str(folder / "rig.toml"), "--grip", "26mm", "--json", str(out[0]), "--picture", str(out[1]),
    ]  # fmt: skip
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "to the right of its middle" in said
    assert "bend the upper limb by heat" in said
    assert "to the left: its nock goes" in said
    assert "never" in said.lower() or "Heat only an unstrung bow" in said
    assert "has no pull of this bow yet" in said
    told = json.loads(out[0].read_text())
    assert told["string_offset_mm"] == pytest.approx(offset_mm(scene.case.scene), abs=1.0)
    assert told["both_ways_round"] is True
    assert len(told["limbs"]["left"]["s_mm"]) == len(told["limbs"]["left"]["unstrung_mm"])
    assert told["heat"][0]["limb"] == "left"
    assert told["heat"][0]["angle_rad"] < 0  # back to the left
    assert abs(told["after_mm"]) < 0.5
    image = cv2.imread(str(out[1]))
    assert image is not None
    assert float(np.std(image)) > 20
    # without a calibration: the lens from the fiducials of all pictures
    assert main([*words[:7], "--grip", "26mm", "--json", str(out[0]), "--units", "inch"]) == 0
    assert " in ± " in capsys.readouterr().out
    assert json.loads(out[0].read_text())["string_offset_mm"] == pytest.approx(offset_mm(scene.case.scene), abs=1.5)


def test_the_lens_board_will_do(scene: Scene) -> None:
    """The printed board in the picture in place of fiducials (painted into it flat on the wall)."""
    case = scene.case
    camera = case.scene.camera
    image = paint(replace(case.scene, fiducials=()), 9)
    board, tall = lens_board_points()
    sheet = board.generateImage((1800, 1200), marginSize=0)
    wide = 1.5 * tall
    corners = np.array([[0, 0], [1800, 0], [1800, 1200], [0, 1200]], dtype=np.float32)
    at = np.array([[-300.0, 300.0], [-300.0 + wide, 300.0], [-300.0 + wide, 300.0 - tall], [-300.0, 300.0 - tall]])
    target = camera.project(np.column_stack([at, np.zeros(4)])).astype(np.float32)
    matrix = cv2.getPerspectiveTransform(corners, target)
    size = (image.shape[1], image.shape[0])
    laid = cv2.warpPerspective(sheet, matrix, size, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full_like(sheet, 255), matrix, size) > 127
    image[mask] = laid[mask][:, None]
    wall = find_wall(image, case.lens, SIDES_MM, board)
    assert wall.view.centre_mm[2] == pytest.approx(camera.place_mm[2], rel=0.02)
    seen = seen_in(case, image, False)
    assert seen.string_mm[0] == pytest.approx(
        offset_mm(case.scene), abs=3 * float(np.hypot(seen.string_sd_mm[0], seen.string_roll_mm[0]))
    )


def bare(nocks: tuple[float, float], offset: float) -> Alignment:
    nan = np.full(3, np.nan)

    def limb(nock: float) -> Sideways:
        return Sideways(
            s_mm=np.array([0.0, 400.0, 800.0]), bend_mm=nan, sd_mm=nan, width_mm=nan, nock_mm=nock, nock_sd_mm=1.0, groove_mm=0.0, groove_sd_mm=0.4,
            from_mm=float("nan"), to_mm=float("nan"), share=float("nan"), at_rest_mm=nan,
        )  # fmt: skip

    return Alignment(
        offset_mm=offset, offset_sd_mm=0.3, at_fades_mm=Pair(0.0, 0.0), at_fades_sd_mm=Pair(1.0, 1.0), limbs=Pair(limb(nocks[0]), limb(nocks[1])),
        turned=True, pictures=2, notes=(),
    )  # fmt: skip


def test_heat_that_stayed_is_read_off_the_next_pictures(home: Path) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    bow = read_bow(SHIPPED / "bow.toml")
    first = datetime(2026, 11, 20, 10, 0)
    heat = Heat(limb=Side.RIGHT, at_mm=420.0, angle_rad=-0.03, form_mm=-11.0, nock_mm=-12.0)
    before = kept_of(bare((1.0, 10.0), 5.0), Correction(heat=(heat,), after_mm=0.0, after_sd_mm=1.0), first, Side.LEFT)
    after = kept_of(bare((1.0, 1.0), 0.9), Correction(), first + timedelta(days=3), Side.LEFT)
    with Book(home / "book.sqlite3") as shop:
        assert keep_alignment(shop, bow.name, before)
        assert keep_alignment(shop, bow.name, after)
        assert not keep_alignment(shop, "no such bow", after)
        rows = alignments_of(shop, bow.name)
    assert repr(rows) == repr((before, after))  # NaN is no NaN
    warmed = Event(kind="warmed", at=first + timedelta(days=1), limb="right", from_mm=380.0, to_mm=460.0)
    found = stayed(rows, [warmed])
    assert len(found) == 1
    assert found[0].share == pytest.approx(9.0 / 12.0)
    assert found[0].days == pytest.approx(2.0)
    assert not stayed(rows, [replace(warmed, limb="left")])
    assert not stayed(rows, [replace(warmed, from_mm=600.0, to_mm=700.0)])  # another place
    # with the other limb up right is left, and nothing else changes
    flipped = stayed((before, held(after, Side.RIGHT)), [warmed])
    assert flipped[0].share == pytest.approx(found[0].share)
    assert flipped[0].asked_mm == -found[0].asked_mm
    assert not stayed(rows, [replace(warmed, at=first - timedelta(days=1))])
    text = alignment_words(bare((1.0, 1.0), 0.9), Correction(after_mm=0.9), bow, Units(), found)
    assert "(75 % stayed, 2.0 days after)" in text
    assert "it tracks" in text
    # what this shop saw moves the usual share, the more the surer it is
    assert kept_share(())[0] == pytest.approx(KEPT_SHARE)
    little = Stayed(limb=Side.LEFT, asked_mm=12.0, came_mm=6.0, came_sd_mm=6.0, days=1.0)
    sure = replace(little, came_sd_mm=0.5)
    assert 0.5 < kept_share([sure] * 4)[0] < kept_share([sure])[0] < kept_share([little])[0] < KEPT_SHARE
    assert kept_share([sure] * 4)[1] < kept_share([sure])[1]
    # wood that came off between says nothing of heat; wood as moist as this says most
    assert kept_share([replace(sure, scraped=True)]) == kept_share(())
    wet = replace(sure, moisture_percent=18.0)
    assert kept_share([sure], 9.0)[0] < kept_share([wet], 9.0)[0]
    assert kept_share([wet], 18.0)[0] == pytest.approx(kept_share([sure], 9.0)[0])
    off = stayed(rows, [warmed], [first + timedelta(days=2)])
    assert off[0].scraped
    assert "wood came off between" in alignment_words(bare((1.0, 1.0), 0.9), Correction(), bow, Units(), off)
    # a row that another hand wrote and that says no time is left out
    with sqlite3.connect(home / "book.sqlite3") as db:
        db.execute("UPDATE alignments SET at = 'soon' WHERE id = 1")
    with Book(home / "book.sqlite3") as shop:
        assert repr(alignments_of(shop, bow.name)) == repr((after,))
    with sqlite3.connect(home / "book.sqlite3") as db:
        db.execute("UPDATE alignments SET at = '2026-11-20T10:00:00+01:00' WHERE id = 1")
    with Book(home / "book.sqlite3") as shop:
        assert repr(alignments_of(shop, bow.name)) == repr((after,))


def test_curvature_and_its_stretch_of_a_known_curve() -> None:
    """A circle's arc between 300 and 400 mm and straight on: its curvature, and the stretch that makes the nock's offset."""
    s = np.arange(0.0, 801.0, 10.0)
    k = 4e-4 * ((s >= 300) & (s < 400))
    fine = np.arange(0.0, 801.0, 1.0)
    bend = np.interp(s, fine, np.cumsum(np.cumsum(np.interp(fine, s, k))))
    assert np.max(curvature(s, bend)) == pytest.approx(4e-4, rel=0.35)  # smoothed over 30 mm
    start, end, share = most_of(s, bend)
    assert 250 <= start < 350 < end <= 460
    assert share >= 0.6
    assert most_of(s, -bend)[0] == start  # the other way too
    assert np.isnan(most_of(s, np.zeros_like(s))[0])


def test_what_the_book_keeps_of_twist_shock_and_edges(home: Path) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    bow = read_bow(SHIPPED / "bow.toml")
    at = datetime(2026, 11, 20, 10, 0)
    twisted = replace(bare((1.0, 10.0), 5.0), twist=Pair(NockTwist(0.09, 0.008), NockTwist()))
    asked = Correction(
        turn=(Untwist(limb=Side.LEFT, angle_rad=-0.1, from_mm=200.0, to_mm=500.0),),
        heat=(
            Heat(limb=Side.LEFT, at_mm=400.0, angle_rad=-0.03, form_mm=-11.0, nock_mm=-12.0),
            Heat(limb=Side.RIGHT, at_mm=420.0, angle_rad=-0.03, form_mm=-11.0, nock_mm=-12.0),
        ),
        edge_limb=Side.RIGHT, edge_right=False, edge_gain=4.0, after_mm=0.0,
    )  # fmt: skip
    row = kept_of(twisted, asked, at, Side.LEFT, 9.5, "hard")
    with Book(home / "book.sqlite3") as shop:
        assert keep_alignment(shop, bow.name, row)
        (back,) = alignments_of(shop, bow.name)
        assert repr(back) == repr(row)
        assert back.asked == Pair(
            None, Asked(420.0, -12.0)
        )  # a limb that is turned back too says nothing of what stays of a bend
        assert "hand shock hard" in track_words([back])
        other = held(back, Side.RIGHT)
        assert (other.twist.left.turn_rad, other.edge_right, other.offset_mm) == (-0.09, True, -5.0)
        # the last pull's outlines: with the other limb up right is left, and a limb that was warmed since is not known any more
        one = outline_twist(shop, bow.name, Side.LEFT, [])
        assert all(np.isfinite(t.turn_rad) and t.sd_rad > 0 for t in one)
        flipped = outline_twist(shop, bow.name, Side.RIGHT, [])
        assert [t.turn_rad for t in flipped] == [-t.turn_rad for t in one]
        warmed = Event(kind="warmed", at=datetime(2100, 1, 1), limb="left", from_mm=None, to_mm=None)
        assert np.isnan(outline_twist(shop, bow.name, Side.LEFT, [warmed]).left.turn_rad)
        assert np.isfinite(outline_twist(shop, bow.name, Side.LEFT, [warmed]).right.turn_rad)
    words = alignment_words(twisted, asked, bow, Units(), hand_shock="hard")
    assert "5.2 ± 0.5 degrees to the right" in words
    assert "may have a crack" in words
    assert "crack" not in alignment_words(twisted, asked, bow, Units(), hand_shock="some")


def test_pictures_along_the_limbs_give_their_twist(scene: Scene) -> None:
    """Beyond the upper nock, looking down the limb with the belly up, the bowyer's right lies to the left: a stick turned counter-clockwise there is a belly turned
    to the right; beyond the lower nock it is the other way round."""
    rng = np.random.default_rng(5)
    picture = paint_along(
        AlongScene(
            camera=along_camera(rng, 700.0), length_mm=700.0, rise_mm=20.0, clockwise_rad=float(np.deg2rad(5.0)), level_rad=0.0,
            dictionary=RACK_DICTIONARY, sticks=(WINDING[0][:2], WINDING[1][:2]), side_mm=WINDING_MARKER_MM, apart_mm=WINDING_APART_MM,
        ),
        1,
    )  # fmt: skip
    shot, again = Shot("along.png", picture), Shot("other.png", np.roll(picture, 3, axis=1))
    lens = Lens((1920, 1080), np.array([[1500.0, 0.0, 960.0], [0.0, 1500.0, 540.0], [0.0, 0.0, 1.0]]), np.zeros(5))
    shots = Shots(strung=(), along=Pair(shot, again))
    with pytest.raises(VisionFault, match="are the same picture"):
        _must_differ(Shots(strung=(), along=Pair(shot, shot)))
    twist, said = _twist_of(scene.bow, shots, Known(), lens)
    way = -1.0 if scene.bow.upper_limb is Side.LEFT else 1.0
    assert np.rad2deg(twist.left.turn_rad) == pytest.approx(5.0 * way, abs=0.7)
    assert np.rad2deg(twist.right.turn_rad) == pytest.approx(-5.0 * way, abs=0.7)
    assert not said
    upright = Shots(strung=(), along=Pair(Shot("upright.png", np.ascontiguousarray(np.rot90(picture))), None))
    turned_ = _twist_of(scene.bow, upright, Known(), lens)[0].left
    assert turned_.turn_rad == pytest.approx(twist.left.turn_rad, abs=np.deg2rad(0.2))
    with pytest.raises(VisionFault, match="take all with one camera"):
        _twist_of(scene.bow, Shots(strung=(), along=Pair(Shot("small.png", picture[:700]), None)), Known(), lens)
    # the outline says otherwise: the sticks are believed, and it is said
    against = Known(twist=Pair(NockTwist(-way * 0.15, 0.02), NockTwist()))
    believed, told = _twist_of(scene.bow, shots, against, lens)
    assert believed.left.turn_rad == twist.left.turn_rad
    assert any("the sticks are believed" in note.text for note in told)
