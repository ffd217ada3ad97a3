"""A flat face with one printed sheet against it: pixels to millimetres in its plane.

Plane: the sheet's middle is the origin, x along its upper edge, y up, as the picture shows it. By the corners of every sheet's fiducials that are seen, all in
one plane; where several are seen their places on it are free, their sides known. A known lens takes its distortion off first.
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
from tiller.vision.rig.board import Key, find_markers
from tiller.vision.rig.camera import as_points

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

CORNER_PX = 0.25
LEAST_PX = 40.0
"""A sheet whose side is shorter in the picture tells no scale."""
APART_MM = 2.0
"""Sheets that lie in one plane agree on each other's sides to this."""


@dataclass(frozen=True)
class Face:
    """The plane of a picture.

    Attributes:
        to_mm: (3, 3) homography from pixels (without distortion) to the plane; lens: its distortion, None where not known.
        scale_sd: relative sd of a length across the sheet's surroundings; px_per_mm: at the sheet.
        sheets_px: (k, 4, 2) corners that were seen.
    """

    to_mm: Array
    lens: Lens | None
    scale_sd: float
    px_per_mm: float
    sheets_px: Array

    def millimetres(self, pixels: Array) -> Array:
        """Plane coordinates (n, 2) of pixels (n, 2)."""
        flat = as_points(pixels)
        if self.lens is not None:
            flat = as_points(
                cv2.undistortPoints(flat.reshape(-1, 1, 2), self.lens.matrix, self.lens.distortion, P=self.lens.matrix)
            )
        return as_points(cv2.perspectiveTransform(flat.reshape(-1, 1, 2), self.to_mm))

    def pixels(self, points_mm: Array) -> Array:
        """Pixels (n, 2) of plane points (n, 2)."""
        flat = as_points(cv2.perspectiveTransform(as_points(points_mm).reshape(-1, 1, 2), np.linalg.inv(self.to_mm)))
        if self.lens is None:
            return flat
        k = self.lens.matrix
        rays = np.column_stack([(flat[:, 0] - k[0, 2]) / k[0, 0], (flat[:, 1] - k[1, 2]) / k[1, 1], np.ones(len(flat))])
        seen, _ = cv2.projectPoints(rays.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), k, self.lens.distortion)
        return as_points(seen)


def find_face(image: Image, sides_mm: Mapping[Key, float], lens: Lens | None) -> Face:
    """The plane by the printed sheets in a picture.

    Raises:
        VisionFault: none is seen, it is too small, or several do not lie in one plane.
    """
    gray = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    marks = find_markers(gray, sides_mm)
    if not marks:
        msg = "no printed rack fiducial is seen: hold one flat against the wood, in the plane of the face, and take the picture anew (a mirrored picture shows none)."
        raise VisionFault(msg)
    keys = sorted(marks, key=lambda key: -float(np.linalg.norm(marks[key][0] - marks[key][2])))
    quads = [as_points(marks[key]) for key in keys]
    if float(np.mean(np.linalg.norm(quads[0] - np.roll(quads[0], 1, axis=0), axis=1))) < LEAST_PX:
        msg = "the printed sheet is too small in the picture: go nearer, so that its side is a tenth of the picture or more."
        raise VisionFault(msg)
    flat = quads
    if lens is not None:
        flat = [
            as_points(cv2.undistortPoints(q.reshape(-1, 1, 2), lens.matrix, lens.distortion, P=lens.matrix))
            for q in quads
        ]
    squares = [square_corners(sides_mm[key]) for key in keys]
    matrix = _joint(flat, squares) if lens is None or len(flat) > 1 else _by_pose(flat[0], squares[0], lens)
    scale = float(np.mean(np.linalg.norm(quads[0] - np.roll(quads[0], 1, axis=0), axis=1))) / sides_mm[keys[0]]
    spread = CORNER_PX / scale / sides_mm[keys[0]]
    sd = float(np.hypot(0.0015, 2.0 * spread / np.sqrt(len(keys)) + (0.004 if lens is None else 0.0)))
    return Face(matrix, lens, sd, scale, np.array(quads))


def square_corners(side: float) -> Array:
    """Corners (4, 2) of a sheet's square of that side, mm, from its top left clockwise, y up."""
    h = 0.5 * side
    return np.array([[-h, h], [h, h], [h, -h], [-h, -h]])


def _by_pose(quad: Array, square: Array, lens: Lens) -> Array:
    """Homography of one sheet by the camera's pose over it, which eight corner coordinates tell more surely than a free one."""
    done, turn, place = cv2.solvePnP(
        np.column_stack([square, np.zeros(4)]), quad, lens.matrix, None, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    if not done:
        return _homography(quad, square)
    turn, place = cv2.solvePnPRefineLM(np.column_stack([square, np.zeros(4)]), quad, lens.matrix, None, turn, place)
    rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
    forward = lens.matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], np.asarray(place, dtype=float).ravel()])
    return np.asarray(np.linalg.inv(forward), dtype=float)


def _homography(quad: Array, square: Array) -> Array:
    return np.asarray(cv2.getPerspectiveTransform(quad.astype(np.float32), square.astype(np.float32)), dtype=float)


def _joint(quads: list[Array], squares: list[Array]) -> Array:
    """One homography that makes every sheet a square of its side; the first one's middle is the origin.

    Raises:
        VisionFault: no one plane does.
    """
    start = _homography(quads[0], squares[0])
    if len(quads) == 1:
        return start

    def laid(h: Array) -> list[Array]:
        return [as_points(cv2.perspectiveTransform(q.reshape(-1, 1, 2), h)) for q in quads]

    def residual(free: Array) -> Array:
        h = np.append(free, 1.0).reshape(3, 3)
        out = []
        for k, (points, square) in enumerate(zip(laid(h), squares, strict=True)):
            if k == 0:
                out.append((points - square).ravel())
                continue
            middle = points.mean(axis=0)
            off = points - middle
            turn = _turn(off, square)
            c, s = np.cos(turn), np.sin(turn)
            out.append((off - square @ np.array([[c, s], [-s, c]])).ravel())
        return np.concatenate(out)

    start = start / start[2, 2]
    solved = least_squares(residual, start.ravel()[:8], x_scale=np.maximum(np.abs(start.ravel()[:8]), 1e-9))
    worst = float(np.max(np.abs(residual(solved.x))))
    if worst > APART_MM:
        msg = "the printed sheets do not lie in one plane: lay all of them flat on the face, or leave one away."
        raise VisionFault(msg)
    return np.append(solved.x, 1.0).reshape(3, 3)


def _turn(points: Array, square: Array) -> float:
    """By how much a square is turned counter-clockwise."""
    cross = float(np.sum(square[:, 0] * points[:, 1] - square[:, 1] * points[:, 0]))
    return float(np.arctan2(cross, float(np.sum(square * points))))
