"""Fiducials: finding them, the board's pose, the hook's place.

Corners come from SUBPIX (the APRILTAG refinement is biased by about half a pixel) and are then placed by the marker's four
outer edges (``squares``): in a small marker with many modules the pattern inside draws a corner by up to a pixel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Fiducial, HookFiducial, Rig
from tiller.errors import VisionFault
from tiller.vision.camera import View, as_points
from tiller.vision.squares import sharpen

Array = NDArray[np.float64]
Key = tuple[str, int]

WORST_RMS_MM = 8.0
"""Fiducials that fit their coordinates no better than this place nothing (common practice, no source)."""
FEWEST_FIDUCIALS = 2
"""With one square alone the board's tilt is too uncertain to measure with."""

CENTRE_SD_PX = 0.06
CORNER_SD_PX = 0.25


@dataclass(frozen=True)
class SeenBoard:
    """The board as seen: the pose, the fiducials used, and what was left out.

    Attributes:
        view: camera pose.
        used: ids of the fiducials that the pose rests on.
        missing: ids in rig.toml that were not found.
        rms_mm: rms distance on the board between fiducial centres as measured and as seen through the pose.
        centres_px: centre of each used fiducial, by dictionary and id.
    """

    view: View
    used: tuple[int, ...]
    missing: tuple[int, ...]
    rms_mm: float
    centres_px: Mapping[Key, Array]


@dataclass(frozen=True)
class SeenHook:
    """The string's seat in the hook, rack x, y, with its sd (each axis)."""

    seat_mm: tuple[float, float]
    sd_mm: float


def _detector(dictionary: str, ids: tuple[int, ...], quick: bool) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    if quick:  # one threshold window instead of three: the marker's size in the cut is known
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = 23
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    parameters.cornerRefinementMaxIterations = 60
    parameters.cornerRefinementMinAccuracy = 0.005
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    # only the markers that are asked for: every dark square is compared with each of a dictionary's codes, and
    # in the large ones that takes ten times as long as all the rest
    codes = np.ascontiguousarray(whole.bytesList[list(ids)])
    return cv2.aruco.ArucoDetector(cv2.aruco.Dictionary(codes, whole.markerSize, whole.maxCorrectionBits), parameters)


_DETECTORS: dict[tuple[str, tuple[int, ...], bool], cv2.aruco.ArucoDetector] = {}


def find_markers(
    gray: NDArray[np.uint8], wanted: Iterable[Key], offset: tuple[int, int] = (0, 0), quick: bool = False
) -> dict[Key, Array]:
    """Corners (4, 2) in pixels of each marker seen, clockwise from the marker's own top left.

    Args:
        gray: 8-bit grey picture, or a cut of one.
        wanted: dictionary and id of the markers to look for.
        offset: x, y of the cut's corner in the whole picture; added to the corners.
        quick: one threshold only, for a cut about a marker.

    A marker of an id that is seen twice is left out: one of the two is false and nothing says which.
    """
    found: dict[Key, Array] = {}
    twice: set[Key] = set()
    keys = sorted(set(wanted))
    for name in sorted({key[0] for key in keys}):
        numbers = tuple(key[1] for key in keys if key[0] == name)
        kind = (name, numbers, quick)
        if kind not in _DETECTORS:
            _DETECTORS[kind] = _detector(name, numbers, quick)
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


def find_near(image: NDArray[np.uint8], wanted: Mapping[Key, tuple[Array, float]]) -> dict[Key, Array]:
    """Markers looked for where they are expected: much quicker than the whole picture.

    Args:
        wanted: by marker, the expected centre (pixels) and half the side of the square to search.
    """
    found: dict[Key, Array] = {}
    height, width = image.shape[:2]
    for key, (centre, reach) in wanted.items():
        x0, y0 = int(max(0, centre[0] - reach)), int(max(0, centre[1] - reach))
        x1, y1 = int(min(width, centre[0] + reach)), int(min(height, centre[1] + reach))
        if x1 - x0 < 12 or y1 - y0 < 12:
            continue
        cut = np.asarray(cv2.cvtColor(image[y0:y1, x0:x1], cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        seen = find_markers(cut, (key,), (x0, y0), quick=True)
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
            f"The fiducials do not fit rig.toml: their centres are {rms:.0f} mm off (rms) on the board; measure their coordinates,"
            " sides and rotations again."
        )
        raise VisionFault(msg)
    return SeenBoard(
        view,
        tuple(f.id for f in seen),
        missing,
        rms,
        {(f.dictionary, f.id): c for f, c in zip(seen, centres_px, strict=True)},
    )


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
