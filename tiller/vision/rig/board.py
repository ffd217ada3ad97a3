"""Fiducials: finding them, the board's pose, the hook's place.

Corners come from SUBPIX (the APRILTAG refinement is biased by about half a pixel) and are then placed by the marker's four
outer edges (``squares``): in a small marker with many modules the pattern inside draws a corner by up to a pixel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Fiducial, HookFiducial, Lens, Rig
from tiller.errors import VisionFault
from tiller.quantity import mm
from tiller.vision.rig.camera import View, as_points
from tiller.vision.rig.squares import sharpen

Array = NDArray[np.float64]
Key = tuple[str, int]

WORST_RMS_MM = 8.0
"""Fiducials that fit their coordinates no better than this place nothing (common practice, no source)."""
FEWEST_FIDUCIALS = 2
"""With one square alone the board's tilt is too uncertain to measure with."""

CENTRE_SD_PX = 0.06
CORNER_SD_PX = 0.25


@dataclass(frozen=True, kw_only=True)
class SeenBoard:
    """The board as seen: the pose, the fiducials used, and what was left out.

    Attributes:
        view: camera pose.
        used: ids of the fiducials that the pose rests on.
        missing: ids in rig.toml that were not found.
        rms_mm: rms distance on the board between fiducial centres as measured and as seen through the pose.
        centres_px: centre of each used fiducial, by dictionary and id; corners_px: its corners (4, 2).
        planes_mm: the plane z of each.
    """

    view: View
    used: tuple[int, ...]
    missing: tuple[int, ...]
    rms_mm: float
    centres_px: Mapping[Key, Array]
    corners_px: Mapping[Key, Array]
    planes_mm: Mapping[Key, float]


@dataclass(frozen=True)
class SeenHook:
    """The string's seat in the hook, rack x, y, with its sd (each axis)."""

    seat_mm: tuple[float, float]
    sd_mm: float


class Care(Enum):
    """How much trouble is taken to read a marker."""

    QUICK = "one threshold"
    USUAL = "the library's own"
    PATIENT = "many thresholds, more wrong cells"


PATIENT_WRONG = 1.4
"""Of the wrong cells that a dictionary can correct (5 of 36 in DICT_APRILTAG_36h11), so many times as many are let pass by the patient
search. It looks for few ids in a known neighbourhood: with 7 of 36 a square of chance passes once in 2,000."""


def _detector(dictionary: str, ids: tuple[int, ...], care: Care) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    if care is Care.QUICK:  # one threshold window instead of three: the marker's size in the cut is known
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = 23
    elif care is Care.PATIENT:  # a small marker, blurred and with a sharpening halo: its cells run into each other
        parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = 5, 45
        parameters.adaptiveThreshWinSizeStep = 8
        parameters.errorCorrectionRate = PATIENT_WRONG
        parameters.maxErroneousBitsInBorderRate = 0.5
        parameters.perspectiveRemovePixelPerCell = 8
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    parameters.cornerRefinementMaxIterations = 60
    parameters.cornerRefinementMinAccuracy = 0.005
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    # only the markers that are asked for: every dark square is compared with each of a dictionary's codes, and
    # in the large ones that takes ten times as long as all the rest
    codes = np.ascontiguousarray(whole.bytesList[list(ids)])
    return cv2.aruco.ArucoDetector(cv2.aruco.Dictionary(codes, whole.markerSize, whole.maxCorrectionBits), parameters)


_DETECTORS: dict[tuple[str, tuple[int, ...], Care], cv2.aruco.ArucoDetector] = {}


def find_markers(
    gray: NDArray[np.uint8], wanted: Iterable[Key], offset: tuple[int, int] = (0, 0), care: Care = Care.USUAL
) -> dict[Key, Array]:
    """Corners (4, 2) in pixels of each marker seen, clockwise from the marker's own top left.

    Args:
        gray: 8-bit grey picture, or a cut of one.
        wanted: dictionary and id of the markers to look for.
        offset: x, y of the cut's corner in the whole picture; added to the corners.
        care: QUICK for a cut about a marker; PATIENT where it was not found otherwise.

    A marker of an id that is seen twice is left out: one of the two is false and nothing says which.
    """
    found: dict[Key, Array] = {}
    twice: set[Key] = set()
    keys = sorted(set(wanted))
    for name in sorted({key[0] for key in keys}):
        numbers = tuple(key[1] for key in keys if key[0] == name)
        kind = (name, numbers, care)
        if kind not in _DETECTORS:
            _DETECTORS[kind] = _detector(name, numbers, care)
        corners, ids, _ = _DETECTORS[kind].detectMarkers(gray)
        if ids is None:
            continue
        for quad, marker in zip(corners, np.asarray(ids).ravel(), strict=True):
            key = (name, numbers[int(marker)])
            if key in found:
                twice.add(key)
            cells = int(_DETECTORS[kind].getDictionary().markerSize) + 2
            found[key] = sharpen(gray, as_points(quad), cells) + np.array(offset, dtype=float)
    return {k: v for k, v in found.items() if k not in twice}


def find_near(
    image: NDArray[np.uint8], wanted: Mapping[Key, tuple[Array, float]], care: Care = Care.QUICK
) -> dict[Key, Array]:
    """Markers looked for where they are expected: much quicker than the whole picture.

    Args:
        wanted: by marker, the expected centre (pixels) and half the side of the square to search.
        care: how it is looked for.
    """
    found: dict[Key, Array] = {}
    height, width = image.shape[:2]
    for key, (centre, reach) in wanted.items():
        x0, y0 = int(max(0, centre[0] - reach)), int(max(0, centre[1] - reach))
        x1, y1 = int(min(width, centre[0] + reach)), int(min(height, centre[1] + reach))
        if x1 - x0 < 12 or y1 - y0 < 12:
            continue
        cut = np.asarray(cv2.cvtColor(image[y0:y1, x0:x1], cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        seen = find_markers(cut, (key,), (x0, y0), care)
        if key in seen:
            found[key] = seen[key]
    return found


def crossing(corners: Array) -> Array:
    """Where the diagonals of a square seen in perspective cross, (2,)."""
    a, b, c, d = corners
    matrix = np.column_stack([c - a, b - d])
    along = np.linalg.solve(matrix, b - a)
    return np.asarray(a + along[0] * (c - a), dtype=float)


def fiducial_points(fiducial: Fiducial) -> Array:
    """Rack coordinates (4, 3) of a fiducial's corners, clockwise from its own top left as the camera sees it."""
    h = 0.5 * fiducial.side_mm
    own = np.array([[-h, h], [h, h], [h, -h], [-h, -h]])
    turn = np.deg2rad(fiducial.rotation_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flat = own @ rotation.T + np.array(fiducial.centre_mm[:2])
    return np.column_stack([flat, np.full(4, fiducial.centre_mm[2])])


def board_pose(markers: Mapping[Key, Array], rig: Rig) -> SeenBoard:
    """Pose of the camera over the board from all fiducials in view.

    Start from the planar solution over all corners (where all lie in one plane; else from SQPNP); then least squares over centres and corners,
    each weighted with its scatter, since a centre is placed by the tape measure and seen better
    than a corner.

    Raises:
        VisionFault: no fiducial, or too few of them, in view.
    """
    seen = [f for f in rig.fiducials if (f.dictionary, f.id) in markers]
    missing = tuple(f.id for f in rig.fiducials if (f.dictionary, f.id) not in markers)
    total = len(rig.fiducials)
    if not seen:
        msg = (
            f"No board in view: none of the {total} fiducials of rig.toml was found in the picture;"
            " light the board evenly, clear what hides it, and check that rig.toml names the printed dictionary and ids."
        )
        raise VisionFault(msg)
    if len(seen) < min(FEWEST_FIDUCIALS, total) or (len(seen) < FEWEST_FIDUCIALS):
        msg = (
            f"Too few fiducials: only {len(seen)} of {total} found (id {', '.join(str(f.id) for f in seen)}),"
            f" at least {FEWEST_FIDUCIALS} are needed to know where the board is; uncover ids {', '.join(map(str, missing)) or 'of more fiducials'}."
        )
        raise VisionFault(msg)
    lens = rig.lens
    corners_mm = np.vstack([fiducial_points(f) for f in seen])
    corners_px = np.vstack([markers[(f.dictionary, f.id)] for f in seen])
    centres_mm = np.array([f.centre_mm for f in seen])
    centres_px = np.array([crossing(markers[(f.dictionary, f.id)]) for f in seen])
    good, rvec, tvec = cv2.solvePnP(
        corners_mm.reshape(-1, 1, 3),
        corners_px.reshape(-1, 1, 2),
        lens.matrix,
        lens.distortion,
        flags=cv2.SOLVEPNP_IPPE if np.ptp(corners_mm[:, 2]) < 1e-9 else cv2.SOLVEPNP_SQPNP,
    )
    if not good:
        msg = "The board's pose cannot be found from the fiducials in view: check the coordinates in rig.toml."
        raise VisionFault(msg)
    object_mm = np.vstack([centres_mm, corners_mm])
    image_px = np.vstack([centres_px, corners_px])
    weight = np.concatenate([np.full(len(seen), 1 / CENTRE_SD_PX), np.full(len(corners_px), 1 / CORNER_SD_PX)])
    pose = np.concatenate([np.ravel(rvec), np.ravel(tvec)])
    for _ in range(12):
        pixels, jac = cv2.projectPoints(object_mm.reshape(-1, 1, 3), pose[:3], pose[3:], lens.matrix, lens.distortion)
        residual = ((image_px - as_points(pixels)) * weight[:, None]).ravel()
        jacobian = np.asarray(jac)[:, :6] * np.repeat(weight, 2)[:, None]
        step = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        pose = pose + step
        if float(np.max(np.abs(step[:3]))) < 1e-9 and float(np.max(np.abs(step[3:]))) < 1e-6:
            break
    view = View(lens, np.asarray(cv2.Rodrigues(pose[:3])[0], dtype=float), pose[3:].copy())
    back = np.vstack([view.on_plane([c], float(z)) for c, z in zip(centres_px, centres_mm[:, 2], strict=True)])
    rms = float(np.sqrt(np.mean(np.sum((back - centres_mm[:, :2]) ** 2, axis=1))))
    if not np.isfinite(rms) or view.centre_mm[2] <= 0 or rms > WORST_RMS_MM:
        msg = (
            f"The fiducials do not fit rig.toml: their centres are {mm(rms)} off (rms) on the board; measure their coordinates,"
            " sides and rotations again."
        )
        raise VisionFault(msg)
    return SeenBoard(
        view=view,
        used=tuple(f.id for f in seen),
        missing=missing,
        rms_mm=rms,
        centres_px={(f.dictionary, f.id): c for f, c in zip(seen, centres_px, strict=True)},
        corners_px={(f.dictionary, f.id): markers[(f.dictionary, f.id)] for f in seen},
        planes_mm={(f.dictionary, f.id): float(f.centre_mm[2]) for f in seen},
    )


STOOD_GAIN = 25.0
"""A camera moved where another pose explains its markers better by this much in chi squared: eight free numbers alone gain 8 +- 4."""
MOVE_SD = (0.05, 0.05, 0.05, 80.0, 80.0, 120.0, 0.01, 0.01)
"""How far a camera may be carried between two pictures: turn in rad, place in mm, drift of the rows in px a px. Only holds what too few
markers leave open."""
STRAY_SD = 3.0


def pose_now(board: SeenBoard, markers: Mapping[Key, Array], lens: Lens) -> View | None:
    """Where the camera stands in this picture, if not where it stood in that of the empty rack (then None, and where no marker is seen).

    The markers are taken where the empty rack's picture showed them, so that a marker that was measured wrongly moves nothing. A camera that is
    moved while its rows are read out, one after the other, shears the picture: two numbers say how far a row lies from the one
    before. Huber weights; a corner counts by ``CORNER_SD_PX``, a centre by ``CENTRE_SD_PX``.
    """
    shared = [key for key in board.corners_px if key in markers]
    if not shared:
        return None
    base = board.view
    was = [np.vstack([board.corners_px[k], board.centres_px[k][None]]) for k in shared]
    places = np.vstack(
        [
            np.column_stack([base.on_plane(px, board.planes_mm[k]), np.full(5, board.planes_mm[k])])
            for px, k in zip(was, shared, strict=True)
        ]
    )
    now = np.vstack([np.vstack([markers[k], crossing(markers[k])[None]]) for k in shared])
    sd = np.tile([CORNER_SD_PX] * 4 + [CENTRE_SD_PX], len(shared))
    sure = np.repeat(1.0 / np.hypot(sd, sd), 2)  # the markers of the empty rack's picture err as much
    start = np.concatenate([np.ravel(cv2.Rodrigues(base.rotation)[0]), base.translation, [0.0, 0.0]])
    hold = 1.0 / np.array(MOVE_SD)
    state = start.copy()
    height = lens.image_size[1]
    stood = float("nan")
    for turn in range(12):
        pixels, jac = cv2.projectPoints(places.reshape(-1, 1, 3), state[:3], state[3:6], lens.matrix, lens.distortion)
        flat = as_points(pixels)
        row = (flat[:, 1] - 0.5 * height)[:, None]
        residual = (now - flat - row * state[6:]).ravel() * sure
        jacobian = np.column_stack([np.asarray(jac)[:, :6], np.kron(row, np.eye(2))]) * sure[:, None]
        weight = 1.0 / np.sqrt(np.maximum(np.abs(residual) / STRAY_SD, 1.0)) if turn > 2 else np.ones_like(residual)
        if turn == 0:
            stood = _robust_chi2(residual)
            if stood < STOOD_GAIN:
                return None
        rows = np.vstack([jacobian * weight[:, None], np.diag(hold)])
        right = np.concatenate([residual * weight, hold * (start - state)])
        step = np.linalg.lstsq(rows, right, rcond=None)[0]
        state = state + step
        if float(np.max(np.abs(step * hold))) < 1e-7:
            break
    pixels, _ = cv2.projectPoints(places.reshape(-1, 1, 3), state[:3], state[3:6], lens.matrix, lens.distortion)
    flat = as_points(pixels)
    left = _robust_chi2(((now - flat - (flat[:, 1] - 0.5 * height)[:, None] * state[6:]).ravel()) * sure)
    if not np.all(np.isfinite(state)) or stood - left < STOOD_GAIN:
        return None
    rotation = np.asarray(cv2.Rodrigues(state[:3])[0], dtype=float)
    return View(lens, rotation, state[3:6].copy(), (float(state[6]), float(state[7])))


def _robust_chi2(residual: Array) -> float:
    size = np.abs(residual)
    return float(np.sum(np.where(size < STRAY_SD, size**2, 2 * STRAY_SD * size - STRAY_SD**2)))


def hook_seat(markers: Mapping[Key, Array], hook: HookFiducial, view: View) -> SeenHook | None:
    """The string's seat from the hook's fiducial; None where it is not in view."""
    corners = markers.get((hook.dictionary, hook.id))
    if corners is None:
        return None
    points = view.on_plane(np.vstack([crossing(corners), corners]), hook.hook_z_mm)
    centre, quad = points[0], points[1:]
    if not np.all(np.isfinite(points)):
        return None
    right = (quad[1] - quad[0]) + (quad[2] - quad[3])
    up = (quad[0] - quad[3]) + (quad[1] - quad[2])
    turn = np.arctan2(right[1] - up[0], right[0] + up[1])
    c, s = np.cos(turn), np.sin(turn)
    ox, oy = hook.offset_mm
    seat = centre + np.array([c * ox - s * oy, s * ox + c * oy])
    scale = float(np.linalg.norm(right)) / (2 * max(1e-9, float(np.linalg.norm(corners[1] - corners[0]))))
    return SeenHook((float(seat[0]), float(seat[1])), CENTRE_SD_PX * scale * 2)
