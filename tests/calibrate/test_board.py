"""The rack from rendered pictures with known truth, and a stick in the bow's plane measured with it (a known length is the check)."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.calibrate.paint import Camera, Sheet, axes_of, looking_at, marker
from tiller.bow.rigfile import Lens, LoadCell, Rig, read_rig
from tiller.bow.tomlwrite import with_keys
from tiller.cli.entry import main
from tiller.errors import VisionFault
from tiller.report.sheets.targets import RACK_DICTIONARY as NAME
from tiller.setup.capture import NEW_PLACE, step_share
from tiller.setup.rig_writer import put_lens
from tiller.sources.interfaces import ENDED, Ended, Shot, now_s
from tiller.vision.rig.board import Key, board_pose, crossing, find_markers
from tiller.vision.rig.camera import View
from tiller.vision.rig.rackfit import Known, Lath, RackFound, find_rack, stick_length
from tiller.vision.rig.squares import sharpen

SIZE = (1920, 1080)
MATRIX = np.array([[1500.0, 0, 955], [0, 1502, 545], [0, 0, 1]])
DISTORTION = np.array([-0.12, 0.05, 0.0006, -0.0004, 0.0])
LENS = Lens(SIZE, MATRIX, DISTORTION)
KEYS = tuple((NAME, k) for k in (*range(6), 20, 21, 30, 31))
PLANE_MM, THICK_MM, SEAT_MM = 92.0, 20.0, np.array([1.5, 80.0])
FROM = [
    (0, -150, 2600),
    (-900, 100, 2400),
    (900, 0, 2500),
    (300, 500, 2400),
    (-300, -900, 2500),
    (700, -700, 2600),
    (-800, -600, 2500),
]
EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "rig.toml"


@pytest.fixture(scope="module")
def camera() -> Camera:
    return Camera(MATRIX, DISTORTION, SIZE)


def rack(rng: np.random.Generator) -> tuple[dict[int, np.ndarray], list[Sheet]]:
    """True centres of the board's fiducials, and all sheets: board, lath, hook, seat."""
    truth, sheets = {}, []
    for k, (x, y) in enumerate(((-700, 260), (0, 330), (690, 240), (-650, -520), (620, -560), (-150, -760))):
        truth[k] = np.array([x + rng.normal(0, 25), y + rng.normal(0, 25), rng.normal(0, 0.3)])
        sheets.append(marker(NAME, k, 100.0, truth[k], axes_of(rng.normal(0, 4))))
    for k, x in ((30, -750.0), (31, 750.0)):
        sheets.append(marker(NAME, k, 60.0, np.array([x, 40.0, PLANE_MM + THICK_MM / 2]), axes_of(rng.normal(0, 1))))
    turn = np.deg2rad(2.0)
    hook = np.array([5.0, -300.0, 110.0])
    ahead = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ SEAT_MM
    sheets.append(marker(NAME, 20, 60.0, hook, axes_of(2.0)))
    sheets.append(marker(NAME, 21, 40.0, np.array([*(hook[:2] + ahead), PLANE_MM]), axes_of(2.0)))
    return truth, sheets


def pictures(
    camera: Camera, sheets: list[Sheet], seed: int, places: list[tuple[int, int, int]] = FROM
) -> list[np.ndarray]:
    rng = np.random.default_rng(1000 + seed)
    return [
        camera.shoot(
            looking_at(
                np.array(p, float) + rng.normal(0, 60, 3),
                np.array([0, -150, 0]) + rng.normal(0, 20, 3),
                rng.normal(0, 2),
            ),
            sheets,
            seed=100 * seed + k,
        )
        for k, p in enumerate(places)
    ]


def tapes(truth: dict[int, np.ndarray], rng: np.random.Generator) -> list[tuple[Key, Key, float]]:
    return [
        ((NAME, a), (NAME, b), float(np.linalg.norm(truth[a] - truth[b])) + rng.normal(0, 0.7))
        for a, b in ((0, 2), (3, 4), (0, 4))
    ]


def found_from(
    images: list[np.ndarray],
    truth: dict[int, np.ndarray],
    rng: np.random.Generator,
    lath_mm: float = 1500.0,
    lens: Lens = LENS,
) -> RackFound:
    seen = [find_markers(image, KEYS) for image in images]
    lath = Lath(left=(NAME, 30), right=(NAME, 31), side_mm=60.0, apart_mm=lath_mm, up_mm=40.0, thick_mm=THICK_MM)
    board = {(NAME, k): 100.0 for k in range(6)}
    return find_rack(
        seen,
        lens,
        Known(board=board, lath=lath, hook=((NAME, 20), 60.0), seat=((NAME, 21), 40.0), tapes=tapes(truth, rng)),
    )


def test_corners_by_their_edges(camera: Camera) -> None:
    """A marker with many small modules: its corners as the library refines them are drawn by the pattern inside."""
    _, sheets = rack(np.random.default_rng(5))
    pose = looking_at(np.array([50.0, -120, 2700]), np.array([0, -180, 0.0]), 2.0)
    image = camera.shoot(pose, sheets, seed=5)
    view = View(LENS, *pose)
    off = []
    for key, sheet in zip((*KEYS[:6], KEYS[8], KEYS[9], KEYS[6], KEYS[7]), sheets, strict=True):
        corners = find_markers(image, KEYS)[key]
        off.append(crossing(corners) - view.to_pixels([sheet.middle])[0])
        # from a start that is off it comes to the same place
        pushed = sharpen(image, corners + np.array([[0.6, -0.4], [-0.5, 0.3], [0.4, 0.5], [-0.3, -0.6]]), 10)
        assert np.max(np.abs(pushed - corners)) < 0.1
    assert np.sqrt(np.mean(np.square(off))) < 0.08
    blank = np.full((200, 200), 128, dtype=np.uint8)
    square = np.array([[50.0, 50], [100, 50], [100, 100], [50, 100]])
    assert np.array_equal(sharpen(blank, square, 10), square)


def test_the_rack_is_found_and_its_sd_is_honest(camera: Camera) -> None:
    share, worst = [], 0.0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        truth, sheets = rack(rng)
        found = found_from(pictures(camera, sheets, seed), truth, rng, 1500.0 + rng.normal(0, 0.5))
        off = np.array([np.array(f.centre_mm) - truth[f.id] for f in found.fiducials])
        # z = 0 is the board's mean plane
        off[:, 2] += np.mean([truth[f.id][2] for f in found.fiducials])
        share.append((off / found.centre_sd_mm).ravel())
        worst = max(worst, float(np.max(np.abs(off))))
        share.append(np.array([(found.bow_plane_z_mm - PLANE_MM) / found.bow_plane_sd_mm]))
        assert found.hook is not None
        assert np.max(np.abs(np.array(found.hook.offset_mm) - SEAT_MM)) < 0.4
        assert found.hook.hook_z_mm == pytest.approx(110.0, abs=1.0)
        assert found.notes == ()
    z = np.concatenate(share)
    assert worst < 0.8
    assert np.mean(np.abs(z) < 2) > 0.88
    assert np.mean(np.abs(z) < 0.5) < 0.85  # nor far too wide


def test_a_stick_in_the_bows_plane_within_0_8_mm(camera: Camera) -> None:
    """1.5 m, anywhere in the picture, with the rack as it was found; the camera elsewhere again."""
    rng = np.random.default_rng(3)
    truth, sheets = rack(rng)
    found = found_from(pictures(camera, sheets, 3), truth, rng, 1500.3)
    assert found.hook is not None
    rig = Rig(
        bow_plane_z_mm=found.bow_plane_z_mm,
        lens=LENS,
        fiducials=found.fiducials,
        hook=found.hook,
        load_cell=LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
    )
    pose = looking_at(np.array([50.0, -120, 2700]), np.array([0, -180, 0.0]), 0.5)
    for k, (x, y, turn) in enumerate(
        ((0, 60, 0), (80, -30, 3), (60, -300, -8), (0, -350, 5), (40, -130, -12), (-60, -180, 9))
    ):
        way = np.array([np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn)), 0])
        middle = np.array([x, y, PLANE_MM])
        stick = [marker(NAME, n, 60.0, middle + s * 750 * way, axes_of(turn)) for n, s in ((30, -1), (31, 1))]
        marks = find_markers(camera.shoot(pose, [*sheets[:6], *stick], seed=k), KEYS)
        seen = board_pose(marks, rig)
        length = stick_length((marks[(NAME, 30)], marks[(NAME, 31)]), seen.view, rig.bow_plane_z_mm)
        assert length == pytest.approx(1500.0, abs=0.8), (x, y, turn)


@pytest.mark.parametrize("blur", [0.5, 1.2])
def test_a_stick_with_lens_and_rack_both_found(camera: Camera, blur: float) -> None:
    """Nothing is known beforehand: the lens by the printed board, the rack by the lath and tapes, then the stick."""
    from tests.calibrate.test_lens import board_sheet, poses
    from tiller.report.sheets.targets import lens_board_points
    from tiller.vision.rig.lens import calibrate_lens, see_lens_board

    sheet, (board, _) = board_sheet(), lens_board_points()
    shots = [
        camera.shoot(pose, [sheet], seed=k, blur=blur) for k, pose in enumerate(poses(20, np.random.default_rng(4)))
    ]
    views = [v for v in (see_lens_board(image, board) for image in shots) if v is not None]
    lens = calibrate_lens(views, SIZE).lens
    rng = np.random.default_rng(17)
    truth, sheets = rack(rng)
    found = found_from(pictures(camera, sheets, 17), truth, rng, 1500.2, lens)
    assert found.hook is not None
    rig = Rig(
        bow_plane_z_mm=found.bow_plane_z_mm,
        lens=lens,
        fiducials=found.fiducials,
        hook=found.hook,
        load_cell=LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
    )
    for k, (x, y, turn) in enumerate(((0, 60, 0), (80, -30, 3), (60, -300, -8), (0, -350, 5), (-60, -180, 9))):
        pose = looking_at(np.array([50.0 - 60 * k, -120 + 40 * k, 2700]), np.array([0, -180, 0.0]), 0.5 * k)
        way = np.array([np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn)), 0])
        middle = np.array([x, y, PLANE_MM])
        stick = [marker(NAME, n, 60.0, middle + s * 750 * way, axes_of(turn)) for n, s in ((30, -1), (31, 1))]
        marks = find_markers(camera.shoot(pose, [*sheets[:6], *stick], seed=k, blur=blur), KEYS)
        length = stick_length((marks[(NAME, 30)], marks[(NAME, 31)]), board_pose(marks, rig).view, rig.bow_plane_z_mm)
        assert length == pytest.approx(1500.0, abs=0.8), (x, y, turn)


def test_bad_pictures_and_tapes_are_said(camera: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(8)
    truth, sheets = rack(rng)
    images = pictures(camera, sheets, 8)
    seen = [find_markers(image, KEYS) for image in images]
    lath = Lath(left=(NAME, 30), right=(NAME, 31), side_mm=60.0, apart_mm=1500.0, up_mm=40.0, thick_mm=THICK_MM)
    board = {(NAME, k): 100.0 for k in range(6)}
    with pytest.raises(VisionFault, match="at least 3"):
        find_rack(seen[:2], LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=[]))
    no_lath = [{k: v for k, v in p.items() if k[1] != 31} for p in seen]
    with pytest.raises(VisionFault, match="right fiducial"):
        find_rack(no_lath, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=[]))
    same = [find_markers(i, KEYS) for i in pictures(camera, sheets, 8, [(0, -150, 2600)] * 4)]
    with pytest.raises(VisionFault, match="same place"):
        find_rack(same, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=[]))
    wrong = [*tapes(truth, rng)]
    wrong[1] = (wrong[1][0], wrong[1][1], wrong[1][2] + 25.0)
    found = find_rack(seen, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=wrong))
    assert any("between fiducials 3 and 4" in note.text for note in found.notes)
    assert found.hook is None
    assert not any("right end lies" in note.text for note in found.notes)
    with monkeypatch.context() as strict:  # any tilt at all is said then
        strict.setattr("tiller.vision.rig.rackfit.LATH_TILT_MM", 1e-6)
        tilted = find_rack(seen, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=wrong))
    assert any("right end lies" in note.text for note in tilted.notes)
    moved = [dict(p) for p in seen]
    for p in moved[4:]:
        if (NAME, 2) in p:
            p[(NAME, 2)] = p[(NAME, 2)] + np.array([14.0, 0.0])
    with pytest.raises(VisionFault, match="contradict"):
        find_rack(moved, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=[]))
    with pytest.raises(VisionFault, match="not on the board"):
        find_rack(
            seen, LENS, Known(board=board, lath=lath, hook=None, seat=None, tapes=[((NAME, 0), (NAME, 77), 500.0)])
        )


def test_the_command(camera: Camera, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(9)
    truth, sheets = rack(rng)
    folder = tmp_path / "pictures"
    folder.mkdir()
    for k, image in enumerate(pictures(camera, sheets, 9)):
        cv2.imwrite(str(folder / f"{k}.png"), image)
    rig = tmp_path / "rig.toml"
    rig.write_text(EXAMPLE.read_text())
    given = ["calibrate", "board", str(folder), "--rig", str(rig), "--bar", "100"]
    assert main([*given, "--tape=0-2:1391", "--tape=3-4:1270"]) == 2  # the example's lens is of another camera
    assert "contradict" in capsys.readouterr().err
    put_lens(rig, LENS)
    tape = [f"--tape={a[1]}-{b[1]}:{d:.1f}" for a, b, d in tapes(truth, rng)]
    capsys.readouterr()
    code = main([*given, *tape])
    told = capsys.readouterr()
    assert code == 0, told.err
    after = read_rig(rig)
    assert {f.id for f in after.fiducials} == set(range(6))
    assert after.bow_plane_z_mm == pytest.approx(PLANE_MM, abs=1.0)
    assert after.load_cell == read_rig(EXAMPLE).load_cell
    assert main([*given, "--check", "--lath", "1500"]) == 0
    off = [
        float(line.split(":")[-1].split()[0])
        for line in capsys.readouterr().out.splitlines()
        if "measures" in line and "mm:" in line
    ]
    assert len(off) == len(FROM)
    assert max(map(abs, off)) < 0.8
    assert main([*given, "--check", "--lath", "1490"]) == 2
    assert "More than" in capsys.readouterr().out
    written = rig.read_text()
    for option, said in (
        ("--tape=0-0:3", "two fiducials"),
        ("--bar=103", "another scale"),
        ("--lath-thick=2000", "thickness"),
        ("--lath-up=-500", "height"),
        ("--lath=150", "makes sense"),
    ):
        assert main([*given, *tape, option]) == 2, option
        assert said in capsys.readouterr().err, option
    assert main([*given, tape[0]]) == 2
    assert "at least two" in capsys.readouterr().err
    assert main([*given, *tape[:2], "--tape=0-4:55.2"]) == 2  # in inches
    assert rig.read_text() == written
    for path in folder.iterdir():
        cv2.imwrite(str(path), cv2.imread(str(path))[:, ::-1])
    assert main([*given, *tape]) == 2
    assert "mirrored" in capsys.readouterr().err


class Carried:
    """A camera that is carried from place to place and held at each, the fourth time where it was before."""

    name, may_repeat, remarks = "test", True, ()

    def __init__(self, images: list[np.ndarray]) -> None:
        self.at = 0
        rng = np.random.default_rng(1)
        blank = np.full_like(images[0], 128)
        held = [*images[:3], images[2], blank, *images[3:]]
        self.frames = [f for image in held for f in ([rng.integers(0, 255, image.shape, dtype=np.uint8)] + [image] * 8)]

    def open(self) -> None: ...

    def close(self) -> None: ...

    def read(self) -> Shot | Ended:
        if self.at >= len(self.frames):
            return ENDED
        image = cv2.cvtColor(self.frames[self.at], cv2.COLOR_GRAY2BGR)
        self.at += 1
        return Shot(image, now_s(), self.at)


def test_the_camera_is_carried_round_and_the_rack_is_found(
    camera: Camera, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(9)
    truth, sheets = rack(rng)
    rig, folder = tmp_path / "rig.toml", tmp_path / "new" / "pictures"
    rig.write_text(EXAMPLE.read_text())
    put_lens(rig, LENS)
    images = pictures(camera, sheets, 9)
    monkeypatch.setattr("tiller.sources.cameras.camera_of", lambda *_: Carried(images))
    tape = [f"--tape={a[1]}-{b[1]}:{d:.1f}" for a, b, d in tapes(truth, rng)]
    given = ["calibrate", "board", str(folder), "--rig", str(rig), "--bar", "100", "--camera", "0"]
    assert main([*given, *tape, "--wanted", str(len(images))]) == 0
    said = capsys.readouterr().out
    assert said.count(f"of {len(images)} taken") == len(images) == len(list(folder.iterdir()))
    assert "from where one was taken before" in said
    assert "0 fiducial(s) in view" in said
    assert {f.id for f in read_rig(rig).fiducials} == set(range(6))
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert main([*given, *tape]) == 2
    assert "pictures already" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_only_another_place_counts(camera: Camera) -> None:
    """Turned, tilted or panned in place tells nothing of depth; a step is its length over the distance (geometry)."""
    _, sheets = rack(np.random.default_rng(3))

    def seen(x: float, z: float, roll: float = 0.0, aim: float = 0.0) -> dict[Key, np.ndarray]:
        image = camera.shoot(looking_at(np.array([x, -150.0, z]), np.array([aim, -150.0, 0.0]), roll), sheets, seed=1)
        return find_markers(image, KEYS)

    first = seen(0.0, 2600.0)
    for other in (seen(0.0, 2600.0, 6.0), seen(0.0, 2600.0, 0.0, 400.0), seen(20.0, 2600.0)):
        assert len(set(first) & set(other)) >= 6
        assert step_share(first, other, LENS) < 0.02
    for degrees in (3.0, 8.0, 15.0):
        turned = np.deg2rad(degrees)
        step = step_share(first, seen(2600.0 * np.sin(turned), 2600.0 * np.cos(turned)), LENS)
        assert step == pytest.approx(2 * np.sin(turned / 2), rel=0.1)
        assert (step > NEW_PLACE) == (degrees > 5)
    assert step_share(first, {}, LENS) > NEW_PLACE


def test_the_step_by_its_definition() -> None:
    """Points of a plane seen from two places with made-up rotation, step, normal and distance."""
    rng = np.random.default_rng(8)
    for _ in range(20):
        turn, _ = cv2.Rodrigues(rng.normal(0, 0.2, 3))
        step = rng.normal(0, 300, 3)
        normal = np.array([*rng.normal(0, 0.2, 2), 1.0])
        normal /= np.linalg.norm(normal)
        far = rng.uniform(1500, 3500)
        flat = rng.uniform(-700, 700, (6, 4, 2))
        # on the plane normal . p = far
        points = np.concatenate([flat, ((far - flat @ normal[:2]) / normal[2])[..., None]], axis=2)
        there = points @ turn.T + step

        def pixels(p: np.ndarray) -> np.ndarray:
            return cv2.projectPoints(p.reshape(-1, 3), np.zeros(3), np.zeros(3), LENS.matrix, LENS.distortion)[0]

        a, b = ({(NAME, k): pixels(p[k]).reshape(4, 2) for k in range(6)} for p in (points, there))
        assert step_share(a, b, LENS) == pytest.approx(np.linalg.norm(step) / far, rel=1e-3)


def test_a_rig_files_other_tables_stand(tmp_path: Path) -> None:
    text = "# mine\nbow_plane_z_mm = 90 # taped\n\n[camera]\nimage_size = [1, 2]\n\n[[fiducials]]\nid = 1\n\n[[fiducials]]\nid = 2\n\n[load_cell]\nzero_counts = 3\n"
    assert (
        with_keys(text, {}, ("fiducials",))
        == "# mine\nbow_plane_z_mm = 90 # taped\n\n[camera]\nimage_size = [1, 2]\n\n[load_cell]\nzero_counts = 3\n"
    )
    assert "bow_plane" not in with_keys(text, {}, ("bow_plane_z_mm",))
    path = tmp_path / "rig.toml"
    put_lens(path, LENS)
    assert "[camera]" in path.read_text()
