"""The wall behind the bow by printed sheets on it: two rack fiducials or more, wherever they hang, or the lens board.

Wall: the first sheet's middle is the origin, x along its upper edge, y up, z out of the wall towards the camera. The lens is known; where the fiducials
hang is not, so that their places in the plane are found with the camera's pose.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.vision.rig.board import CENTRE_SD_PX, Key
from tiller.vision.rig.camera import View, as_points
from tiller.vision.rig.lens import SeenCorners

Array = NDArray[np.float64]

BOARD_SD_PX = 0.1
"""Of a corner of the lens board (common practice, no source); a fiducial's is placed by its whole edges."""
WORST_PX = 2.5
"""Corners that fit a plane no better mean sheets that lie in two planes."""
FEWEST = 2


@dataclass(frozen=True)
class Wall:
    """The camera's pose over the wall.

    Attributes:
        view: pose in the wall's coordinates; tilt_cov_rad2: (2, 2) covariance of the wall's turn about its own x and y.
        rms_px: of the corners.
    """

    view: View
    tilt_cov_rad2: Array
    rms_px: float


def _square(side: float) -> Array:
    h = 0.5 * side
    return np.array([[-h, h], [h, h], [h, -h], [-h, -h]])


def wall_by_board(seen: SeenCorners, lens: Lens) -> Wall:
    """By the lens board alone.

    Raises:
        VisionFault: its corners fit no plane.
    """
    middle = seen.board_mm.mean(axis=0)
    flat = (seen.board_mm - middle) * np.array([1.0, -1.0])  # the board's own y runs down
    return _solved([flat], [seen.pixels], lens, BOARD_SD_PX, free=False)


def wall_by_fiducials(marks: Mapping[Key, Array], sides_mm: Mapping[Key, float], lens: Lens) -> Wall:
    """By fiducials in one plane, their printed sides known.

    Args:
        marks: corners (4, 2) px by fiducial.

    Raises:
        VisionFault: fewer than two, or they lie in no one plane.
    """
    keys = sorted(k for k in marks if k in sides_mm)
    if len(keys) < FEWEST:
        msg = (
            f"{len(keys)} of the printed rack fiducials are seen, {FEWEST} are the least (or the lens board): fix them flat on the wall behind the bow, best"
            " some above and some below it, and take the picture anew; a mirrored picture shows none."
        )
        raise VisionFault(msg)
    return _solved([_square(sides_mm[k]) for k in keys], [marks[k] for k in keys], lens, CENTRE_SD_PX, free=True)


def _solved(flats: list[Array], pixels: list[Array], lens: Lens, sd_px: float, *, free: bool) -> Wall:
    """Pose, and the places of all but the first sheet where they are free."""
    start_pose = _pose(flats[0], pixels[0], lens)
    view = View(lens, np.asarray(cv2.Rodrigues(start_pose[:3])[0], dtype=float), start_pose[3:])
    start = [start_pose]
    for flat, px in zip(flats[1:], pixels[1:], strict=True):
        on = view.on_plane(px, 0.0)
        way = on[1] - on[0]
        start.append(np.array([*on.mean(axis=0), np.arctan2(way[1], way[0])]))
        del flat
    seen = np.vstack(pixels)

    def points(x: Array) -> Array:
        out = [flats[0]]
        for k, flat in enumerate(flats[1:]):
            ox, oy, turn = x[6 + 3 * k : 9 + 3 * k]
            c, s = np.cos(turn), np.sin(turn)
            out.append(flat @ np.array([[c, s], [-s, c]]) + [ox, oy])
        both = np.vstack(out)
        return np.column_stack([both, np.zeros(len(both))])

    def residual(x: Array) -> Array:
        found, _ = cv2.projectPoints(points(x).reshape(-1, 1, 3), x[:3], x[3:6], lens.matrix, lens.distortion)
        return np.asarray((as_points(found) - seen).ravel() / sd_px, dtype=float)

    result = least_squares(residual, np.concatenate(start if free else start[:1]), x_scale="jac", method="lm")
    off = result.fun.reshape(-1, 2) * sd_px
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    if rms > WORST_PX:
        msg = (
            f"The sheets do not lie in one plane, or not as they were printed ({rms:.1f} px off): fix them flat on one wall, print them at 100 %, and take the"
            " picture anew."
        )
        raise VisionFault(msg)
    unit = np.linalg.norm(result.jac, axis=0)
    scaled = result.jac / unit
    cov = np.linalg.pinv(scaled.T @ scaled) / np.outer(unit, unit) * max(1.0, rms / (sd_px * np.sqrt(2.0))) ** 2
    rotation = np.asarray(cv2.Rodrigues(result.x[:3])[0], dtype=float)
    # a small change of the rotation vector as a turn of the wall about its own axes
    step = 1e-6
    turns = []
    for k in range(3):
        moved = result.x[:3].copy()
        moved[k] += step
        other = np.asarray(cv2.Rodrigues(moved)[0], dtype=float)
        small = rotation.T @ other
        turns.append(
            np.array([small[2, 1] - small[1, 2], small[0, 2] - small[2, 0], small[1, 0] - small[0, 1]]) / (2 * step)
        )
    jacobian = np.array(turns).T[:2]
    return Wall(View(lens, rotation, result.x[3:6].copy()), jacobian @ cov[:3, :3] @ jacobian.T, rms)


def _pose(flat: Array, pixels: Array, lens: Lens) -> Array:
    """Pose of a flat sheet, of two that fit the better one; rotation vector and translation."""
    points = np.column_stack([flat, np.zeros(len(flat))])
    method = cv2.SOLVEPNP_IPPE
    _, turns, shifts, errors = cv2.solvePnPGeneric(points, pixels, lens.matrix, lens.distortion, flags=method)
    best = int(np.argmin([float(np.ravel(e)[0]) for e in errors]))
    return np.concatenate([np.ravel(turns[best]), np.ravel(shifts[best])])
