"""Pictures of a phone, without a calibration: on recordings of the independent rig whose lens and board figures are withheld, and on made-up boards.

The rig's truth gives the three places that a hand would touch, with a hand's error. What is asked of it is issue-wide: bend within 8 % rms and no false mark.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image as Photo

from tests.calibrate.staged import video
from tests.display import on_display
from tests.shop.test_rack_setup import driven
from tiller.bow.bowfile import read_bow
from tiller.bow.rigfile import Lens, read_rig
from tiller.bow.sides import SIDES
from tiller.cli.entry import main
from tiller.errors import RecordingFault, VisionFault
from tiller.measure.pipeline import measure
from tiller.measure.recording import read_recording
from tiller.report.style import Units
from tiller.setup.field import Field
from tiller.setup.guided.phone import (
    FIDUCIALS,
    HOOK_KEY,
    Shots,
    focal_of,
    make_recording,
    near_of,
    phone_job,
    printed,
    read_shots,
    sort_shots,
)
from tiller.vision.rig.board import Key, board_pose, find_markers
from tiller.vision.rig.boardfit import find_board, grouped
from tiller.vision.rig.touched import Near, Touched, rig_from_touches

SHIPPED = Path(__file__).parents[1] / "data" / "orderly_rack"
TOUCH_PX = 3.0
BAR_MM = 118.0
"""The shipped recording's fiducials have sides of 118 mm, ours of 100."""


def places(recording: Path, rng: np.random.Generator) -> Touched:
    """Where pivot and nocks are in the picture at rest, by the rack as it was calibrated; touched with a hand's error."""
    rig, bow = read_rig(recording / "rig.toml"), read_bow(recording / "bow.toml")
    grey = cv2.imread(str(next((recording / "frames").glob("*empty*"))), cv2.IMREAD_GRAYSCALE)
    view = board_pose(find_markers(grey, [(f.dictionary, f.id) for f in rig.fiducials]), rig).view
    measured = measure(read_recording(recording)).result
    ends = [measured.limb(side).rest_mm[-1] for side in SIDES]
    # the line ends before the nock: on as far as the limb is longer
    for k, side in enumerate(SIDES):
        limb = measured.limb(side)
        way = limb.rest_mm[-1] - limb.rest_mm[-4]
        ends[k] = ends[k] + way / np.linalg.norm(way) * (bow.limb(side).length_mm - limb.s_mm[-1])
    pixels = view.plane_to_pixels(np.array([[0.0, 0.0], *ends]), rig.bow_plane_z_mm)
    return Touched(*(p + rng.normal(0, TOUCH_PX, 2) for p in pixels))


def places_in(recording: Path, name: str) -> Touched:
    """Where pivot and nocks are in a picture of the pull, by the rack as it was calibrated."""
    rig = read_rig(recording / "rig.toml")
    measured = measure(read_recording(recording))
    row = next(k for k, seen in enumerate(measured.sight.seen) if seen.picture.file.endswith(name))
    ends = [fit.nock_mm[row] * [s, 1.0] for fit, s in ((measured.fit.left, -1.0), (measured.fit.right, 1.0))]
    grey = cv2.imread(str(recording / "frames" / name), cv2.IMREAD_GRAYSCALE)
    view = board_pose(find_markers(grey, [(f.dictionary, f.id) for f in rig.fiducials]), rig).view
    return Touched(*view.plane_to_pixels(np.array([[0.0, 0.0], *ends]), rig.bow_plane_z_mm))


@pytest.fixture(scope="module")
def touched() -> Touched:
    return places(SHIPPED, np.random.default_rng(3))


def options(touched: Touched) -> list[str]:
    words = {"pivot": touched.pivot, "left": touched.left, "right": touched.right}
    return [
        *(f"--{name}={x:.1f},{y:.1f}" for name, (x, y) in words.items()),
        "--bar",
        f"{BAR_MM:g}mm",
        "--hook-up",
        "58mm",
    ]


def test_the_command_on_the_shipped_recording(
    touched: Touched, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same pictures, once with the rack as it was calibrated and once without any of it."""
    out = tmp_path / "result.json"
    words = ["pictures", str(SHIPPED / "frames"), str(SHIPPED / "bow.toml"), *options(touched), "--json", str(out)]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "found from these pictures themselves" in said
    data = json.loads(out.read_text())
    calibrated = measure(read_recording(SHIPPED)).result
    off = []
    for side in SIDES:
        limb = calibrated.limb(side)
        good = np.isfinite(limb.bend_per_m) & (limb.s_mm > 150) & (limb.s_mm < 0.9 * limb.s_mm[-1])
        found = data["limbs"][side]
        there = np.interp(
            limb.s_mm, found["s_mm"], np.array([np.nan if v is None else v for v in found["bend_per_m"]], float)
        )
        off.append((there / limb.bend_per_m - 1)[good])
    both = np.concatenate(off)
    assert np.sqrt(np.nanmean(both**2)) < 0.05
    known = [(side, m.kind, 0.5 * (m.from_mm + m.to_mm)) for side in SIDES for m in calibrated.limb(side).marks]
    assert data["marks"]
    for mark in data["marks"]:
        middle = 0.5 * (mark["from_mm"] + mark["to_mm"])
        assert any(mark["limb"] == s and mark["kind"] == k and abs(middle - at) < 40.0 for s, k, at in known)
    shown = data["frames"]
    assert len(shown) == len(calibrated.pictures)
    off_mm = [p["draw_mm"] - q.draw_mm for p, q in zip(shown, calibrated.pictures, strict=True)]
    # the handle was touched 7.7 px too high, 2.6 of a touch's sd
    assert all(abs(off) < 2.0 * p["draw_sd_mm"] for off, p in zip(off_mm, shown, strict=True))
    assert np.ptp(off_mm) < 5.0
    assert min(p["draw_sd_mm"] for p in shown) >= 5.0  # it is known no better
    assert abs(data["balance"] - calibrated.balance) < 2.5 * data["balance_sd"]
    assert data["balance_sd"] > 1.2 * calibrated.balance_sd
    assert not Path(home / "recordings" / ".part").exists()
    assert (home / "recordings").is_dir()


@pytest.mark.shared
def test_the_rigs_recordings_without_their_lens_and_board(shared: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    bends, false, found, inside = [], 0, 0, []
    for source in sorted(p for p in (shared / "recordings").iterdir() if p.is_dir()):
        truth = json.loads((source / "truth.json").read_text())
        rig = read_rig(source / "rig.toml")
        sides: dict[Key, float] = {(f.dictionary, f.id): float(round(f.side_mm)) for f in rig.fiducials}
        hook = (rig.hook.dictionary, rig.hook.id)
        rows = [line.split(",") for line in (source / "frames.csv").read_text().splitlines()[1:]]
        shots = Shots(tuple(r[0] for r in rows), tuple(cv2.imread(str(source / r[0])) for r in rows), float("nan"))
        by = sort_shots(shots, sides, hook, sum(r[2] == "rest" for r in rows))
        near = Near(
            depth_mm=70.0,
            hook=hook,
            hook_side_mm=rig.hook.side_mm,
            hook_offset_mm=rig.hook.offset_mm,
            support_half_mm=50.0,
        )
        made = make_recording(
            shots, by, true_places(truth, rng), near, source / "bow.toml", tmp_path / source.name, sides
        )
        result = measure(read_recording(made.folder)).result
        off, sds, mean = [], [], []
        for side in SIDES:
            limb, true = result.limb(side), truth["limbs"][side]
            at = np.arange(max(0.1 * true["length_mm"], true["bend_from_mm"]), 0.9 * true["length_mm"], 5.0)
            known = np.interp(at, true["s_mm"], true["bend_per_m"])
            seen = np.interp(at, limb.s_mm, limb.bend_per_m)
            off.append(seen - known)
            sds.append(np.interp(at, limb.s_mm, limb.bend_sd))
            mean.append(known)
            for mark in limb.marks:
                spots = [s for s in truth["spots"] if s["limb"] == side]
                near_one = any(
                    s["from_mm"] < mark.to_mm and mark.from_mm < s["to_mm"] and s["kind"] == mark.kind for s in spots
                )
                bending = true["bend_from_mm"] <= 0.5 * (mark.from_mm + mark.to_mm) <= true["bend_to_mm"]
                false += bending and not near_one
                found += near_one
        error, sd = np.concatenate(off), np.concatenate(sds)
        bends.append(np.sqrt(np.nanmean(error**2)) / np.mean(np.concatenate(mean)))
        inside.append(np.abs(error / sd)[np.isfinite(error)])
    both = np.concatenate(inside)
    assert max(bends) < 0.085, bends  # 8 % over all is asked for; a single bad picture set may be a little beyond
    assert np.sqrt(np.mean(np.square(bends))) < 0.06
    assert false == 0
    assert found >= 5  # of nine of 6 to 8 %
    assert np.mean(both < 2) > 0.9
    assert 0.55 < np.mean(both < 1) < 0.85


def true_places(truth: dict[str, Any], rng: np.random.Generator) -> Touched:
    rest = next(f for f in truth["frames"] if f["role"] == "rest")
    camera = rest.get("camera") or truth["camera_true"]
    matrix, distortion, rotation, way = (
        np.array(camera.get(k, truth["camera_true"][k]), dtype=float) for k in ("K", "dist", "R", "t")
    )
    lines = rest["centreline"]
    points = [[0.0, 0.0], *([lines[side]["x_mm"][-1], lines[side]["y_mm"][-1]] for side in SIDES)]
    flat = np.column_stack([np.array(points), np.full(3, truth["bow_plane_z_true_mm"])])
    pixels, _ = cv2.projectPoints(flat, cv2.Rodrigues(rotation)[0], way, matrix, distortion)
    return Touched(*(p + rng.normal(0, TOUCH_PX, 2) for p in pixels.reshape(3, 2)))


# -- lens and board ----------------------------------------------------------------------------------------------------


def made_up(
    rng: np.random.Generator, tilt_deg: float, k1: float = -0.08
) -> tuple[list[dict[Key, np.ndarray]], Lens, dict[Key, float]]:
    """Corners of six fiducials in a plane seen by a tilted camera from one place, with a corner's scatter."""
    matrix = np.array([[1500.0, 0.0, 965.0], [0.0, 1500.0, 545.0], [0.0, 0.0, 1.0]])
    lens = Lens((1920, 1080), matrix, np.array([k1, 0.0, 0.0, 0.0, 0.0]))
    turn = cv2.Rodrigues(np.array([np.pi, 0.0, 0.0]))[0]
    way = rng.normal(size=3)
    way[2] = 0.0
    turn = cv2.Rodrigues(np.deg2rad(tilt_deg) * way / np.linalg.norm(way))[0] @ turn
    marks: dict[Key, np.ndarray] = {}
    for k, (x, y) in enumerate(((-750, 250), (0, 300), (750, 240), (-650, -350), (100, -380), (640, -340))):
        a = rng.uniform(-3, 3)
        own = np.array([[-50, 50], [50, 50], [50, -50], [-50, -50]]) @ np.array(
            [[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]
        )
        flat = np.column_stack([own + np.array([x + rng.normal(0, 20), y]), np.zeros(4)])
        pixels, _ = cv2.projectPoints(
            flat, cv2.Rodrigues(turn)[0], np.array([0.0, 0.0, 2600.0]), matrix, lens.distortion
        )
        marks[("DICT_APRILTAG_36h11", k)] = pixels.reshape(4, 2) + rng.normal(0, 0.2, (4, 2))
    return [marks], lens, dict.fromkeys(marks, 100.0)


def test_a_tilted_camera_tells_its_focal_length_and_the_sd_is_honest() -> None:
    share, bent = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        pictures, lens, sides = made_up(rng, rng.uniform(15, 30))
        found = find_board(pictures, sides, lens.image_size)
        share.append(np.log(found.lens.matrix[0, 0] / lens.matrix[0, 0]) / found.focal_sd)
        bent.append((found.lens.distortion[0] - lens.distortion[0]) / found.distortion_sd)
    for z in (np.array(share), np.array(bent)):
        assert np.mean(np.abs(z) < 2) > 0.85
        assert np.sqrt(np.mean(z**2)) < 1.5
    assert found.focal_sd < 0.1


def test_a_picture_s_file_may_know_the_focal_length() -> None:
    """By definition: the diagonal of 24 by 36 mm is 43.27 mm (CIPA DC-008, from memory)."""
    import io

    out = io.BytesIO()
    photo = Photo.new("RGB", (400, 300))
    exif = photo.getexif()
    exif.get_ifd(0x8769)[0xA405] = 26
    photo.save(out, "JPEG", exif=exif)
    assert focal_of(out.getvalue(), 1600, 1200) == pytest.approx(26 / np.hypot(24, 36) * 2000, rel=1e-3)
    assert np.isnan(focal_of(b"no picture", 1600, 1200))
    plain = io.BytesIO()
    photo.save(plain, "JPEG")
    assert np.isnan(focal_of(plain.getvalue(), 1600, 1200))
    rng = np.random.default_rng(1)
    pictures, lens, sides = made_up(rng, 2.0)
    told = find_board(pictures, sides, lens.image_size, 1500.0, 0.05)
    alone = find_board(pictures, sides, lens.image_size)
    assert told.lens.matrix[0, 0] == pytest.approx(1500.0, rel=0.08)
    assert told.focal_sd < 0.5 * alone.focal_sd


def test_pictures_from_one_place_count_as_one_and_a_wild_corner_is_outvoted() -> None:
    rng = np.random.default_rng(2)
    pictures, _, sides = made_up(rng, 10.0)
    base = pictures[0]
    many = [{k: v + rng.normal(0, 0.1, (4, 2)) for k, v in base.items()} for _ in range(9)]
    key = next(iter(sides))
    many[4][key] = many[4][key] + 30.0
    moved = {k: v + 40.0 for k, v in base.items()}
    groups = grouped([*many, moved])
    assert len(groups) == 2
    assert np.max(np.abs(groups[0][key] - base[key])) < 0.3


def test_what_does_not_fit_is_said(touched: Touched) -> None:
    pictures, lens, sides = made_up(np.random.default_rng(3), 5.0)
    few = [{k: v for k, v in list(pictures[0].items())[:2]}]
    with pytest.raises(VisionFault, match="3 are the least"):
        find_board(few, sides, lens.image_size)
    bent = {
        k: v + (np.array([0.0, 60.0]) if k[1] == 1 else 0.0) * np.array([[1], [1], [0], [0]])
        for k, v in pictures[0].items()
    }
    with pytest.raises(VisionFault, match="one plane"):
        find_board([bent], sides, lens.image_size)
    shots = read_shots(SHIPPED / "frames")
    fiducials, hook_side = printed(BAR_MM)
    by = sort_shots(shots)
    board = find_board(by.marks, fiducials, shots.size)
    near = near_of(70.0, 58.0, hook_side)
    bow = read_bow(SHIPPED / "bow.toml")
    lengths = (bow.left.length_mm, bow.right.length_mm)
    good = rig_from_touches(board, by.marks[1], touched, lengths, near)
    assert abs(good.larger) < 0.02
    for wrong, said in (
        (Touched(touched.pivot, touched.right, touched.left), "between the left nock"),
        (Touched(touched.pivot + np.array([120.0, 0.0]), touched.left, touched.right), "touch where the handle rests"),
    ):
        with pytest.raises(VisionFault, match=said):
            rig_from_touches(board, by.marks[1], wrong, lengths, near)
    with pytest.raises(VisionFault, match="check bars"):
        rig_from_touches(board, by.marks[1], touched, (lengths[0] + 60, lengths[1] + 60), near)
    # a sheet printed at another size than said is taken up by the bow's own length, and reported
    small = {k: 0.98 * side for k, side in fiducials.items()}
    again = rig_from_touches(find_board(by.marks, small, shots.size), by.marks[1], touched, lengths, near)
    assert again.larger - good.larger == pytest.approx(1 / 0.98 - 1, abs=0.003)


def test_folders_and_videos(tmp_path: Path) -> None:
    with pytest.raises(RecordingFault, match="no folder and no video"):
        read_shots(tmp_path / "none")
    (tmp_path / "few").mkdir()
    for k in range(3):
        cv2.imwrite(str(tmp_path / "few" / f"{k}.png"), np.zeros((90, 160, 3), dtype=np.uint8))
    (tmp_path / "few" / "4.HEIC").touch()
    with pytest.raises(RecordingFault, match="save JPEG"):
        read_shots(tmp_path / "few")
    (tmp_path / "few" / "4.HEIC").unlink()
    with pytest.raises(RecordingFault, match="5 are the least"):
        read_shots(tmp_path / "few")
    cv2.imwrite(str(tmp_path / "few" / "x.png"), np.zeros((160, 90, 3), dtype=np.uint8))
    with pytest.raises(RecordingFault, match="same way"):
        read_shots(tmp_path / "few")
    (tmp_path / "few" / "y.jpg").write_bytes(b"none")
    (tmp_path / "few" / "x.png").unlink()
    with pytest.raises(RecordingFault, match="no readable picture"):
        read_shots(tmp_path / "few")
    images = [cv2.imread(str(p)) for p in sorted((SHIPPED / "frames").glob("*.jpg"))]
    small = [cv2.resize(image, (960, 540), interpolation=cv2.INTER_AREA) for image in images]
    shots = read_shots(video(tmp_path / "pull.avi", small, rate=20.0, held=12))
    assert len(shots.images) == len(images)
    with pytest.raises(RecordingFault, match="hold still"):  # a quarter of a second is no hold
        read_shots(video(tmp_path / "hasty.avi", small[:6], rate=40.0, held=9))
    (tmp_path / "many").mkdir()
    for k in range(1, 62):
        (tmp_path / "many" / f"{k}.jpg").touch()
    with pytest.raises(RecordingFault, match="more than 60"):
        read_shots(tmp_path / "many")
    (tmp_path / "order").mkdir()
    for k in (1, 2, 10, 11, 3):
        cv2.imwrite(str(tmp_path / "order" / f"IMG_{k}.png"), np.full((90, 160, 3), k, dtype=np.uint8))
    assert read_shots(tmp_path / "order").names == tuple(f"IMG_{k}.png" for k in (1, 2, 3, 10, 11))
    large = [cv2.resize(images[0], (2880, 1620))] * 5
    (tmp_path / "large").mkdir()
    for k, image in enumerate(large):
        cv2.imwrite(str(tmp_path / "large" / f"{k}.jpg"), image)
    assert read_shots(tmp_path / "large").size == (1920, 1080)
    with pytest.raises(VisionFault, match="too few pictures"):
        sort_shots(Shots(tuple("abcde"), tuple(np.full((540, 960, 3), 99, np.uint8) for _ in range(5)), float("nan")))
    still = Shots(tuple("abcde"), (images[0], *[images[4]] * 4), float("nan"))
    with pytest.raises(VisionFault, match="same place"):
        sort_shots(still)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (["--pivot=12"], "two numbers with a comma"),
        (["--depth=long"], "no number"),
        (["--bar=20mm"], "is not within"),
        (["--pivot=5000,300"], "between the left nock"),
        (["--pivot=954,nan"], "outside the picture"),
        (["--pivot=954,5000"], "outside the picture"),
    ],
)
def test_bad_input_is_one_sentence(
    touched: Touched, home: Path, change: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["pictures", str(SHIPPED / "frames"), str(SHIPPED / "bow.toml"), *options(touched), *change]
    assert main(words) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert not (home / "recordings").exists()


def test_nothing_is_written_over_and_nothing_half_written(
    touched: Touched, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["pictures", str(SHIPPED / "frames"), str(SHIPPED / "bow.toml"), *options(touched), "--no-book", "--quiet"]
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "rig.toml").write_text("mine")
    assert main([*words, "--into", str(tmp_path / "own")]) == 2
    assert "there already" in capsys.readouterr().err
    assert (tmp_path / "own" / "rig.toml").read_text() == "mine"
    # the rest picture and the first draws are lacking: the bow is drawn in what counts as at rest
    late = tmp_path / "late"
    late.mkdir()
    pictures = sorted((SHIPPED / "frames").glob("*.jpg"))
    for path in (pictures[0], *pictures[6:]):
        shutil.copy(path, late / path.name)
    shots = read_shots(late)
    fiducials, hook_side = printed(BAR_MM)
    by = sort_shots(shots, fiducials)
    near = near_of(70.0, 58.0, hook_side)
    drawn = places_in(SHIPPED, pictures[6].name)
    made = make_recording(shots, by, drawn, near, SHIPPED / "bow.toml", tmp_path / "late-made", fiducials)
    assert made.drawn_mm > 60.0
    assert "drawn there already" in made.words
    whole = read_shots(SHIPPED / "frames")
    by = sort_shots(whole, fiducials)
    made = make_recording(whole, by, touched, near, SHIPPED / "bow.toml", tmp_path / "made", fiducials)
    assert not made.drawn_mm > 60.0
    assert "drawn there already" not in made.words


def test_no_set_is_told_from_pictures_without_a_calibration(
    touched: Touched, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Frames that are found by touches differ by millimetres: taken as a set they would say that the bow was strained too far."""
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    slipped = Touched(touched.pivot + np.array([0.0, 6.0]), touched.left, touched.right - np.array([0.0, 6.0]))
    for where in (touched, slipped):
        words = ["pictures", str(SHIPPED / "frames"), str(SHIPPED / "bow.toml"), *options(where)]
        assert main([*words, "--into", str(home / f"into{where.pivot[1]:.0f}")]) == 0
        said = capsys.readouterr().out
        assert "taken a set" not in said
        assert "SET " not in said


def test_a_plane_that_is_turned_against_the_bow_makes_no_limb_stronger() -> None:
    """A made-up bow whose limbs bend alike, its plane turned against the board's about the upright: seen through the rig that comes of the touches,
    both limbs bend alike to a fraction of what the turn would make of it."""
    name = "DICT_APRILTAG_36h11"
    matrix = np.array([[1500.0, 0, 965], [0, 1500, 545], [0, 0, 1]])
    distortion = np.array([-0.08, 0, 0, 0, 0])
    upside = cv2.Rodrigues(np.array([np.pi, 0, 0]))[0]
    rotation = cv2.Rodrigues(np.deg2rad(3) * np.array([0.6, 0.8, 0]))[0] @ upside
    way = np.array([0.0, -100.0, 2600.0])

    def pixels(points: np.ndarray) -> np.ndarray:
        return cv2.projectPoints(points.reshape(-1, 1, 3), cv2.Rodrigues(rotation)[0], way, matrix, distortion)[
            0
        ].reshape(-1, 2)

    s = np.linspace(0, 850.0, 40)
    for turn_deg, turned_over in ((-6.0, 0.0), (3.0, 90.0), (6.0, 180.0)):
        turn = cv2.Rodrigues(np.deg2rad(turn_deg) * np.array([0.0, 1.0, 0.0]))[0]
        a = np.deg2rad(turned_over)
        spin = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        marks = {}
        for k, (x, y) in enumerate(((-750, 250), (0, 300), (750, 240), (-650, -350), (100, -380), (640, -340))):
            own = np.array([[-50, 50], [50, 50], [50, -50], [-50, -50]]) @ spin.T + np.array([x, y])
            marks[(name, k)] = pixels(np.column_stack([own, np.zeros(4)]) @ turn.T + [0, 0, -75])
        board = find_board([marks], dict.fromkeys(marks, 100.0), (1920, 1080))
        at_rest = pixels(np.array([[0.0, 0, 0], [-850.0, 0, 0], [850.0, 0, 0]]))
        near = Near(depth_mm=75, hook=(name, 20), hook_side_mm=60, hook_offset_mm=(0, 60), support_half_mm=50)
        found = rig_from_touches(board, marks, Touched(*at_rest), (850.0, 850.0), near)
        assert all(-180.0 <= f.rotation_deg <= 180.0 for f in found.rig.fiducials)
        view = board_pose(marks, found.rig).view
        bends = []
        for sign in (-1, 1):
            limb = np.column_stack([sign * 1000 * np.sin(s / 1000), -1000 * (1 - np.cos(s / 1000)), 0 * s])
            p = view.on_plane(pixels(limb), 75.0)
            fitted = np.linalg.lstsq(np.column_stack([2 * p, np.ones(len(p))]), (p**2).sum(axis=1), rcond=None)[0]
            bends.append(1000 / np.sqrt(fitted[2] + fitted[0] ** 2 + fitted[1] ** 2))
        # a handle touched 8 mm too far to one side: what the limbs' lengths leave of that is less, not more
        slipped = pixels(np.array([[8.0, 0, 0], [-850.0, 0, 0], [850.0, 0, 0]]))
        other = rig_from_touches(board, marks, Touched(*slipped), (850.0, 850.0), near)
        at = board_pose(marks, other.rig).view.on_plane(at_rest[:1], 75.0)[0]
        straight = board_pose(marks, found.rig).view.on_plane(at_rest[:1], 75.0)[0]
        assert 3.0 < abs(at[0] - straight[0]) < 7.5
        # unaccounted for, 3 and 6 degrees make 4.3 and 8.6 %
        assert abs(bends[0] - bends[1]) < 0.004 * abs(turn_deg)
        assert np.mean(bends) == pytest.approx(1.0, abs=0.01)


def test_no_touch_says_how(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pictures", str(SHIPPED / "frames"), str(SHIPPED / "bow.toml")]) == 2
    assert "1920x1080" in capsys.readouterr().err


# -- in the window -----------------------------------------------------------------------------------------------------


def test_the_job_with_three_touches_and_few_numbers(touched: Touched, home: Path) -> None:
    typed: list[str] = []

    def answer(field: Field) -> str:
        if field.kind == "touch":
            if field.key == "sit":
                return ""
            place = {"pivot": touched.pivot, "left": touched.left, "right": touched.right}[field.key]
            return f"{place[0]:.1f} {place[1]:.1f}"
        if field.key == "source":
            return str(SHIPPED / "frames")
        typed.append({"bar": f"{BAR_MM:g}", "hook_up": "58"}.get(field.key, ""))
        return typed[-1]

    (home / "bows" / "shipped").mkdir(parents=True)
    bow = Path(shutil.copy(SHIPPED / "bow.toml", home / "bows" / "shipped" / "bow.toml"))
    last = driven(phone_job(bow, home, home / "book.sqlite3", Units()), answer)
    assert last.good, last.fault
    assert sum(1 for text in typed if text) <= 8
    assert any(line.startswith("Largest draw") for line in last.found)
    assert (home / "book.sqlite3").is_file()
    other = home / "bows" / "other" / "bow.toml"
    other.parent.mkdir()
    other.write_text(bow.read_text().replace("length_mm = ", "length_mm = 1"))
    wrong = driven(phone_job(other, home, home / "book.sqlite3", Units()), answer)
    assert not wrong.good
    assert wrong.fault


REAL = """
import sys, time
from pathlib import Path
from tiller.setup.settings import Settings
from tiller.window.shop.app import ShopApp
home, source, shots = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
touches = dict(zip(("pivot", "left", "right"), sys.argv[4:7]))
app = ShopApp(home, home / "book.sqlite3", Settings(), (1280, 720))
for _ in range(3): app.frame()
app.press("D")
page, asked = app._setup, None
end = time.monotonic() + 200
while not page.moment.ended:
    assert time.monotonic() < end, page.moment
    app.frame()
    question = page.moment.question
    if question is None or question is asked: continue
    asked = question
    if question.key in ("source", "left", "sit"):
        for _ in range(3): app.frame()
        app.shoot(shots / f"phone-{question.key}.png")
    if question.key == "sit": app.press("Enter")
    elif question.kind == "touch": app.press("@" + touches[question.key])
    else: app.press("=" + {"source": source, "bar": "118", "hook_up": "58"}.get(question.key, ""))
for _ in range(3): app.frame()
app.shoot(shots / "phone-end.png")
print(page.moment.good, page.moment.fault)
app.press("Escape"); app.frame(); app.frame()
print(app._setup is None, [(i.name, i.pulls) for i in app.items])
app.close()
"""


def test_the_real_window(touched: Touched, home: Path, tmp_path: Path) -> None:
    name = read_bow(SHIPPED / "bow.toml").name
    (home / "bows" / name).mkdir(parents=True)
    shutil.copy(SHIPPED / "bow.toml", home / "bows" / name / "bow.toml")
    shots = Path(os.environ.get("SETUP_SHOTS", str(tmp_path)))
    at = [f"{p[0] / 1920:.6f} {p[1] / 1080:.6f}" for p in (touched.pivot, touched.left, touched.right)]
    said = on_display(REAL, str(home), str(SHIPPED / "frames"), str(shots), *at, home=home).splitlines()
    assert said[0].startswith("True Note: the last pull went")  # it was: what hurts is said first
    assert said[1] == f"True [('{name}', 1)]"


def test_our_own_sheets_are_looked_for() -> None:
    assert set(FIDUCIALS.values()) == {100.0}
    assert HOOK_KEY not in FIDUCIALS
