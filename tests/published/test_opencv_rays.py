"""Ray-plane path and markers against OpenCV's own functions: cv2.projectPoints (Brown-Conrady), cv2.aruco."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tiller.bow.rigfile import DICTIONARIES, Fiducial, HookFiducial, Lens, LoadCell, Rig
from tiller.errors import VisionFault
from tiller.vision.limbs.pull import fiducials_of
from tiller.vision.rig.board import board_pose, crossing, fiducial_points, find_markers, hook_seat
from tiller.vision.rig.camera import View, as_points

LENS = Lens(
    (1920, 1080),
    np.array([[2800.0, 0, 955.0], [0, 2805.0, 548.0], [0, 0, 1]]),
    np.array([0.07, -0.11, 5e-4, 7e-4, 0.02]),
)


def looking(yaw: float = 0.05, pitch: float = -0.03, roll: float = 0.02) -> View:
    turn = cv2.Rodrigues(np.array([np.pi + pitch, yaw, roll]))[0]
    rotation = np.asarray(turn, dtype=float)
    return View(LENS, rotation, -rotation @ np.array([-150.0, -200.0, 3000.0]))


def test_projection_is_opencvs() -> None:
    view = looking()
    points = np.random.default_rng(1).uniform((-800, -600, 0), (800, 250, 120), (50, 3))
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(view.rotation)[0], view.translation, LENS.matrix, LENS.distortion
    )
    assert np.max(np.abs(view.to_pixels(points) - as_points(theirs))) < 1e-9


@pytest.mark.parametrize("z", [0.0, 75.0, 104.0])
def test_a_pixel_comes_back_to_its_place_on_the_plane(z: float) -> None:
    view = looking()
    points = np.random.default_rng(2).uniform((-800, -600), (800, 250), (200, 2))
    theirs, _ = cv2.projectPoints(
        np.column_stack([points, np.full(200, z)]),
        cv2.Rodrigues(view.rotation)[0],
        view.translation,
        LENS.matrix,
        LENS.distortion,
    )
    assert np.max(np.abs(view.on_plane(theirs, z) - points)) < 2e-3


def test_a_flat_scale_would_be_percents_off() -> None:
    view = looking()
    ends = np.array([[-700.0, 0.0, 90.0], [700.0, 0.0, 90.0]])
    read_off_board = view.on_plane(view.to_pixels(ends), 0.0)
    assert np.linalg.norm(read_off_board[1] - read_off_board[0]) / 1400.0 - 1 > 0.02


@pytest.mark.parametrize("shape", [(5, 2), (5, 1, 2), (1, 5, 2)])
def test_all_of_opencvs_point_shapes(shape: tuple[int, ...]) -> None:
    assert as_points(np.arange(10).reshape(shape)).tolist() == np.arange(10.0).reshape(5, 2).tolist()


def painted(view: View, fiducials: list[Fiducial], shift: float = 0.0) -> np.ndarray:
    """A picture of fiducials, drawn at 4 times the size and averaged down."""
    k = 4
    canvas = np.full((1080 * k, 1920 * k), 190, dtype=np.uint8)
    for fid in fiducials:
        known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, fid.dictionary))
        size = (known.markerSize + 2) * 20
        marker = cv2.copyMakeBorder(
            cv2.aruco.generateImageMarker(known, fid.id, size), 30, 30, 30, 30, cv2.BORDER_CONSTANT, value=(235,)
        )
        corners = fiducial_points(fid)
        centre = corners.mean(axis=0)
        outer = centre + (corners - centre) * (size + 60) / size
        target = ((view.to_pixels(outer) + [shift, 0] + 0.5) * k - 0.5).astype(np.float32)
        n = size + 60
        source = np.array([[-0.5, -0.5], [n - 0.5, -0.5], [n - 0.5, n - 0.5], [-0.5, n - 0.5]], dtype=np.float32)
        warped = cv2.warpPerspective(marker, cv2.getPerspectiveTransform(source, target), (1920 * k, 1080 * k))
        mask = cv2.warpPerspective(
            np.full_like(marker, 255), cv2.getPerspectiveTransform(source, target), (1920 * k, 1080 * k)
        )
        canvas = np.where(mask > 127, warped, canvas)
    small = cv2.resize(canvas, (1920, 1080), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), 0.8)


FIDUCIALS = [
    Fiducial("DICT_4X4_50", i, 110.0, (x, y, 0.0), r)
    for i, (x, y, r) in enumerate([(-740, 190, 90.4), (740, 190, 0.9), (-620, -520, 181.0), (640, -530, -1.2)])
]
RIG = Rig(
    bow_plane_z_mm=80.0,
    lens=LENS,
    fiducials=tuple(FIDUCIALS),
    hook=HookFiducial("DICT_4X4_50", 20, 56.0, (0.8, 58.0), 104.0),
    load_cell=LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
)


KEYS = fiducials_of(RIG)


@pytest.mark.parametrize("name", DICTIONARIES)
def test_the_dictionaries_have_as_many_markers_as_rig_toml_allows(name: str) -> None:
    assert len(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)).bytesList) == DICTIONARIES[name]


def test_fiducials_off_the_board_s_plane_are_placed_by_their_own_z() -> None:
    view = looking()
    high = tuple(replace(f, centre_mm=(f.centre_mm[0], f.centre_mm[1], 30.0 if f.id % 2 else 0.0)) for f in FIDUCIALS)
    rig = replace(RIG, fiducials=high)
    board = board_pose(find_markers(painted(view, list(high)), fiducials_of(rig)), rig)
    assert board.rms_mm < 0.5
    assert np.linalg.norm(board.view.centre_mm - view.centre_mm) < 15.0


def test_the_same_number_in_two_dictionaries_is_two_fiducials() -> None:
    view = looking()
    mixed = tuple(
        replace(f, id=1, dictionary=name) for f, name in zip(FIDUCIALS, ("DICT_4X4_50", "DICT_5X5_50"), strict=False)
    )
    rig = replace(RIG, fiducials=mixed)
    board = board_pose(find_markers(painted(view, list(mixed)), fiducials_of(rig)), rig)
    assert len(board.centres_px) == 2


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5])
def test_marker_centres_are_unbiased(shift: float) -> None:
    # older opencv placed ChArUco corners half a pixel off; centres by SUBPIX corners must not be
    view = looking()
    seen = find_markers(painted(view, FIDUCIALS, shift), KEYS)
    gaps = [crossing(seen[("DICT_4X4_50", f.id)]) - view.to_pixels([f.centre_mm])[0] - [shift, 0] for f in FIDUCIALS]
    assert np.abs(np.mean(gaps, axis=0)).max() < 0.08
    assert np.abs(gaps).max() < 0.2


def test_pose_and_hook() -> None:
    view = looking()
    hook = Fiducial("DICT_4X4_50", 20, 56.0, (12.0, -450.0, 104.0), 3.0)
    seen = find_markers(painted(view, [*FIDUCIALS, hook]), KEYS)
    board = board_pose(seen, RIG)
    assert np.linalg.norm(board.view.centre_mm - view.centre_mm) < 12.0
    points = np.array([[-800.0, 0.0], [800.0, -300.0], [0.0, -500.0]])
    assert np.max(np.abs(board.view.on_plane(view.plane_to_pixels(points, 80.0), 80.0) - points)) < 0.35
    seat = hook_seat(seen, RIG.hook, board.view)
    assert seat is not None
    turn = np.deg2rad(3.0)
    expected = (12 + np.cos(turn) * 0.8 - np.sin(turn) * 58, -450 + np.sin(turn) * 0.8 + np.cos(turn) * 58)
    assert seat.seat_mm == pytest.approx(expected, abs=1.0)


def test_losing_markers_degrades_and_losing_too_many_is_said() -> None:
    view = looking()
    seen = find_markers(painted(view, FIDUCIALS), KEYS)
    three = {k: v for k, v in seen.items() if k[1] != 2}
    board = board_pose(three, RIG)
    assert board.missing == (2,)
    assert np.linalg.norm(board.view.centre_mm - view.centre_mm) < 30.0
    with pytest.raises(VisionFault, match="Too few fiducials"):
        board_pose({k: v for k, v in seen.items() if k[1] == 0}, RIG)
    with pytest.raises(VisionFault, match="No board in view"):
        board_pose({}, RIG)
