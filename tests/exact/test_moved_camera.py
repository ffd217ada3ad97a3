"""A camera that stands elsewhere in each picture: its pose by the board, where the empty rack's picture lies in it, rows that drift.

References: cv2.findHomography for the map between two views of a plane, cv2.solvePnP for the pose (OpenCV, general purpose).
"""

import cv2
import numpy as np
import pytest

from tiller.bow.rigfile import Lens
from tiller.vision.limbs.frame import Moved
from tiller.vision.rig.board import SeenBoard, crossing, pose_now
from tiller.vision.rig.camera import View, as_points

LENS = Lens(
    (1920, 1080), np.array([[1700.0, 0, 955], [0, 1698.0, 545], [0, 0, 1]]), np.array([0.05, -0.08, 7e-4, -5e-4, 0.0])
)
PLAIN = Lens(LENS.image_size, LENS.matrix, np.zeros(5))
PLACES = ((-760.0, 222.0), (766.0, 214.0), (-634.0, -532.0), (652.0, -545.0), (356.0, 228.0))


def view(
    turn: tuple[float, float, float], place: tuple[float, float, float], lens: Lens = LENS, **more: object
) -> View:
    base = cv2.Rodrigues(np.array([np.pi, 0.0, 0.0]))[0]  # looks along -z, y up in the rack is down in the picture
    rotation = cv2.Rodrigues(np.array(turn))[0] @ base
    return View(lens, rotation, -rotation @ np.array(place), **more)  # type: ignore[arg-type]


BASE = view((0.01, -0.02, 0.01), (60.0, -140.0, 3000.0))


def corners(at: tuple[float, float], seen: View) -> np.ndarray:
    h = 55.0
    own = np.array([[-h, h], [h, h], [h, -h], [-h, -h]]) + np.array(at)
    return seen.plane_to_pixels(own, 0.0)


def board(seen: View) -> SeenBoard:
    quads = {("D", k): corners(at, seen) for k, at in enumerate(PLACES)}
    return SeenBoard(
        view=seen,
        used=tuple(range(5)),
        missing=(),
        rms_mm=0.0,
        centres_px={k: crossing(q) for k, q in quads.items()},
        corners_px=quads,
        planes_mm=dict.fromkeys(quads, 0.0),
    )


def shaken(seen: View, noise: float, rng: np.random.Generator) -> dict[tuple[str, int], np.ndarray]:
    return {("D", k): corners(at, seen) + rng.normal(0, noise, (4, 2)) for k, at in enumerate(PLACES)}


def test_a_camera_that_stood_still_is_said_to() -> None:
    rng = np.random.default_rng(0)
    assert sum(pose_now(board(BASE), shaken(BASE, 0.05, rng), LENS) is not None for _ in range(100)) == 0


@pytest.mark.parametrize("drift", [(0.0, 0.0), (0.0015, -0.001)])
def test_the_pose_of_a_hand(drift: tuple[float, float]) -> None:
    rng = np.random.default_rng(1)
    points = np.array([[x, y] for x in (-800, -300, 300, 800) for y in (-500, -150, 100)], dtype=float)
    for _ in range(10):
        true = view(tuple(rng.normal((0.01, -0.02, 0.01), 0.003)), (60 + rng.normal(0, 8), -140.0, 3000.0), drift=drift)
        found = pose_now(board(BASE), shaken(true, 0.05, rng), LENS)
        assert found is not None
        # a millimetre is 0.57 px here
        gap = found.plane_to_pixels(points, 90.0) - true.plane_to_pixels(points, 90.0)
        assert np.sqrt(np.mean(gap**2)) < 0.25
        if drift == (0.0, 0.0):
            flat = np.vstack([corners(at, true) for at in PLACES])
            solid = np.vstack(
                [
                    np.column_stack([np.array([[-55, 55], [55, 55], [55, -55], [-55, -55]]) + at, np.zeros(4)])
                    for at in PLACES
                ]
            )
            _, rvec, tvec = cv2.solvePnP(solid, flat, LENS.matrix, LENS.distortion)
            other = View(LENS, cv2.Rodrigues(rvec)[0], np.ravel(tvec))
            assert np.max(np.abs(found.plane_to_pixels(points, 90.0) - other.plane_to_pixels(points, 90.0))) < 0.8


def test_two_of_five_markers_carry_it_still() -> None:
    true = view((0.013, -0.018, 0.012), (64.0, -138.0, 3000.0))
    seen = {k: v for k, v in shaken(true, 0.03, np.random.default_rng(2)).items() if k[1] in (0, 3)}
    found = pose_now(board(BASE), seen, LENS)
    assert found is not None
    points = np.array([[-500.0, 0.0], [0.0, -200.0], [500.0, 0.0]])
    assert np.max(np.abs(found.plane_to_pixels(points, 90.0) - true.plane_to_pixels(points, 90.0))) < 2.0


def test_where_the_empty_picture_lies_by_the_boards_plane() -> None:
    a, b = (
        view((0.01, -0.02, 0.01), (60.0, -140.0, 3000.0), PLAIN),
        view((0.014, -0.017, 0.02), (75.0, -150.0, 2980.0), PLAIN),
    )
    plane = np.array([[-800.0, 300.0], [800.0, 300.0], [800.0, -600.0], [-800.0, -600.0]])
    homography, _ = cv2.findHomography(b.plane_to_pixels(plane, 0.0), a.plane_to_pixels(plane, 0.0))
    pixels = np.array([[x, y] for x in range(20, 1900, 170) for y in range(20, 1060, 150)], dtype=float)
    expected = as_points(cv2.perspectiveTransform(pixels.reshape(-1, 1, 2), homography))
    moved = Moved.between(b, a)
    assert np.max(np.abs(moved.to_empty(pixels) - expected)) < 0.02
    assert np.max(np.abs(moved.to_empty(pixels) - pixels)) > 5.0  # it did move


def test_rows_that_drift_go_there_and_back() -> None:
    seen = view((0.01, -0.02, 0.01), (60.0, -140.0, 3000.0), drift=(0.004, -0.003))
    points = np.array([[-700.0, 100.0], [0.0, -300.0], [650.0, -500.0]])
    assert seen.on_plane(seen.plane_to_pixels(points, 90.0), 90.0) == pytest.approx(points, abs=1e-3)
    still = view((0.01, -0.02, 0.01), (60.0, -140.0, 3000.0))
    off = seen.plane_to_pixels(points, 90.0) - still.plane_to_pixels(points, 90.0)
    rows = still.plane_to_pixels(points, 90.0)[:, 1] - 540.0
    assert off[:, 0] == pytest.approx(0.004 * rows, abs=1e-6)
    assert off[:, 1] == pytest.approx(-0.003 * rows, abs=1e-6)


@pytest.mark.parametrize("turned_deg", [0.0, 17.0, -40.0, 90.0, 171.0])
def test_the_string_s_seat_turns_with_the_hook(turned_deg: float) -> None:
    """A hook that hangs aslant: the seat lies at its offset in the fiducial's own frame, x right and y up."""
    from tiller.bow.rigfile import HookFiducial
    from tiller.vision.rig.board import CENTRE_SD_PX, hook_seat

    turn = np.deg2rad(turned_deg)
    rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    hook, centre = HookFiducial("D", 20, 52.0, (3.0, 58.0), 89.0), np.array([14.0, -420.0])
    own = np.array([[-26.0, 26.0], [26.0, 26.0], [26.0, -26.0], [-26.0, -26.0]])
    quad = BASE.plane_to_pixels(centre + own @ rotate.T, 89.0)
    found = hook_seat({("D", 20): quad}, hook, BASE)
    assert found is not None
    assert found.seat_mm == pytest.approx(centre + rotate @ np.array(hook.offset_mm), abs=0.02)
    # as many mm to a pixel as the fiducial's side shows, and the centre's own share of a pixel
    per_px = 52.0 / float(np.linalg.norm(quad[1] - quad[0]))
    assert found.sd_mm == pytest.approx(2 * CENTRE_SD_PX * per_px, rel=0.02)
    assert hook_seat({}, hook, BASE) is None
