"""Pictures along a stave joined to one plane by the printed sheets that lie beside it: where each sheet lies, and each picture's way to millimetres.

Each sheet is a square of known side at a place and turn that are free; each picture sees the plane by a homography. Sheets that two pictures share hold them
together; all corners are fitted at once. The first sheet's middle is the origin; the line through the sheets, by least squares, is x.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.vision.rig.board import Key, find_markers
from tiller.vision.rig.camera import as_points
from tiller.vision.stave.plane import square_corners

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

CORNER_SD_PX = 0.25
WORST_PX = 3.0
"""Corners that fit one plane no better mean sheets that were moved between pictures, or lie in no plane."""
PX_PER_MM = 2.0
AROUND_MM = 90.0
"""Half of how far the strip reaches to either side of the pictures' middles, across."""


@dataclass(frozen=True, kw_only=True)
class Joined:
    """The plane of all pictures.

    Attributes:
        to_mm: for each picture (3, 3) from pixels without distortion to the plane. lens: None where not known. sheets_mm: (k, 4, 2) corners.
        rms_px: of the corners. sd_mm: of a point at the strip's end against its beginning.
    """

    to_mm: tuple[Array, ...]
    lens: Lens | None
    sheets_mm: Array
    rms_px: float
    sd_mm: float

    def millimetres(self, picture: int, pixels: Array) -> Array:
        """Plane coordinates (n, 2) of pixels (n, 2) of one picture."""
        return as_points(cv2.perspectiveTransform(_flat(pixels, self.lens).reshape(-1, 1, 2), self.to_mm[picture]))


def _flat(pixels: Array, lens: Lens | None) -> Array:
    points = as_points(pixels)
    if lens is None:
        return points
    return as_points(cv2.undistortPoints(points.reshape(-1, 1, 2), lens.matrix, lens.distortion, P=lens.matrix))


def _laid(square: Array, pose: Array) -> Array:
    """A square at (x, y, turn)."""
    c, s = np.cos(pose[2]), np.sin(pose[2])
    return np.asarray(square @ np.array([[c, s], [-s, c]]) + pose[:2], dtype=float)


def _pose_of(square: Array, points: Array) -> Array:
    """Place and turn (3,) of a square that lies at points."""
    middle = points.mean(axis=0)
    off = points - middle
    cross = float(np.sum(square[:, 0] * off[:, 1] - square[:, 1] * off[:, 0]))
    return np.array([*middle, np.arctan2(cross, float(np.sum(square * off)))])


def _mapped(matrix: Array, points: Array) -> Array:
    return as_points(cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix))


def join(images: Sequence[Image], names: Sequence[str], sides_mm: Mapping[Key, float], lens: Lens | None) -> Joined:
    """All pictures in one plane.

    Raises:
        VisionFault: a picture shows no sheet, shares none with the others, or they lie in no plane.
    """
    marks = [find_markers(np.asarray(cv2.cvtColor(i, cv2.COLOR_BGR2GRAY), dtype=np.uint8), sides_mm) for i in images]
    for name, found in zip(names, marks, strict=True):
        if not found:
            msg = f"{name} shows no printed rack fiducial: two or more lie beside the stave in each picture, flat in its plane."
            raise VisionFault(msg)
    seen = [{key: _flat(quad, lens) for key, quad in found.items()} for found in marks]
    poses, homographies = _chained(seen, names, sides_mm)
    return _fitted(seen, poses, homographies, sides_mm, lens)


def _chained(
    seen: Sequence[Mapping[Key, Array]], names: Sequence[str], sides_mm: Mapping[Key, float]
) -> tuple[dict[Key, Array], list[Array]]:
    """First places of sheets and pictures (plane to pixels), picture after picture from the first one.

    Raises:
        VisionFault: a picture is not held to the others by a sheet.
    """
    first = max(seen[0], key=lambda key: float(np.linalg.norm(seen[0][key][0] - seen[0][key][2])))
    poses: dict[Key, Array] = {first: np.zeros(3)}
    found: dict[int, Array] = {}
    while len(found) < len(seen):
        ready = [(sum(key in poses for key in one), k) for k, one in enumerate(seen) if k not in found]
        shared, k = max(ready)
        if shared == 0:
            msg = f"{names[k]} shares no printed sheet with the other pictures: each shows two sheets or more, one of them with the picture before it."
            raise VisionFault(msg)
        known = [key for key in seen[k] if key in poses]
        plane = np.vstack([_laid(square_corners(sides_mm[key]), poses[key]) for key in known])
        matrix, _ = cv2.findHomography(plane, np.vstack([seen[k][key] for key in known]))
        if matrix is None:
            msg = f"{names[k]}: its sheets lie in no plane."
            raise VisionFault(msg)
        found[k] = np.asarray(matrix, dtype=float)
        for key, quad in seen[k].items():
            if key not in poses:
                back = np.asarray(np.linalg.inv(found[k]), dtype=float)
                poses[key] = _pose_of(square_corners(sides_mm[key]), _mapped(back, quad))
    return poses, [found[k] for k in range(len(seen))]


def _fitted(
    seen: Sequence[Mapping[Key, Array]],
    poses: Mapping[Key, Array],
    homographies: Sequence[Array],
    sides_mm: Mapping[Key, float],
    lens: Lens | None,
) -> Joined:
    keys = list(poses)
    scale = np.array([1.0, 1.0, 1e-2])

    def parted(free: Array) -> tuple[dict[Key, Array], list[Array]]:
        n = 3 * (len(keys) - 1)
        places = {keys[0]: np.zeros(3)} | {key: free[3 * k : 3 * k + 3] * scale for k, key in enumerate(keys[1:])}
        hs = [np.append(free[n + 8 * k : n + 8 * k + 8] * steps[k], 1.0).reshape(3, 3) for k in range(len(seen))]
        return places, hs

    normal = [h / h[2, 2] for h in homographies]
    steps = [np.maximum(np.abs(h.ravel()[:8]), 1e-7) for h in normal]
    start = np.concatenate(
        [*(poses[key] / scale for key in keys[1:]), *(h.ravel()[:8] / s for h, s in zip(normal, steps, strict=True))]
    )

    def residual(free: Array) -> Array:
        places, hs = parted(free)
        out = []
        for one, h in zip(seen, hs, strict=True):
            for key, quad in one.items():
                p = np.column_stack([_laid(square_corners(sides_mm[key]), places[key]), np.ones(4)]) @ h.T
                out.append((p[:, :2] / p[:, 2:] - quad).ravel() / CORNER_SD_PX)
        return np.concatenate(out)

    solved = least_squares(residual, start, method="trf", x_scale="jac", max_nfev=200)
    left = residual(solved.x) * CORNER_SD_PX
    if float(np.max(np.abs(left))) > WORST_PX:
        msg = "the printed sheets do not lie in one plane, or one was moved between the pictures: lay all of them flat beside the stave, leave them, and take all pictures anew."
        raise VisionFault(msg)
    places, hs = parted(solved.x)
    corners = np.array([_laid(square_corners(sides_mm[key]), places[key]) for key in keys])
    turn, origin = _along(corners.mean(axis=1))
    rotate = np.array([[turn[0], turn[1], 0.0], [-turn[1], turn[0], 0.0], [0.0, 0.0, 1.0]])
    rotate[:2, 2] = -rotate[:2, :2] @ origin
    rms = float(np.sqrt(np.mean(left**2)))
    return Joined(
        to_mm=tuple(np.asarray(rotate @ np.linalg.inv(h), dtype=float) for h in hs),
        lens=lens,
        sheets_mm=np.array([_mapped(rotate, c) for c in corners]),
        rms_px=rms,
        sd_mm=_end_sd(solved.jac, keys, scale, max(rms / CORNER_SD_PX, 0.3)),
    )


def _along(middles: Array) -> tuple[Array, Array]:
    """The way of the line through the sheets (unit, to higher x), and the first one's middle."""
    if len(middles) < 2:
        return np.array([1.0, 0.0]), middles[0]
    way = np.linalg.svd(middles - middles.mean(axis=0))[2][0]
    return way * (1.0 if way[0] >= 0 else -1.0), middles[0]


def _end_sd(jacobian: Array, keys: Sequence[Key], scale: Array, factor: float) -> float:
    """Sd of the farthest sheet's place against the first's, mm."""
    if len(keys) < 2:
        return 0.0
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    worst = 0.0
    for k in range(len(keys) - 1):
        block = covariance[3 * k : 3 * k + 2, 3 * k : 3 * k + 2] * np.outer(scale[:2], scale[:2])
        worst = max(worst, float(np.sqrt(max(np.trace(block), 0.0))))
    return worst * factor


@dataclass(frozen=True)
class Strip:
    """The joined picture, true to scale: (h, w, 3) BGR; its upper left corner in the plane; pixels per mm."""

    image: Image
    corner_mm: tuple[float, float]
    px_per_mm: float

    def millimetres(self, pixels: Array) -> Array:
        """Plane coordinates (n, 2), y up."""
        p = as_points(pixels)
        return np.column_stack(
            [self.corner_mm[0] + p[:, 0] / self.px_per_mm, self.corner_mm[1] - p[:, 1] / self.px_per_mm]
        )


def strip_of(
    images: Sequence[Image], joined: Joined, px_per_mm: float = PX_PER_MM, across_mm: float = 2 * AROUND_MM
) -> Strip:
    """The strip: each place from the picture in whose middle it lies most."""
    ends = []
    for k, image in enumerate(images):
        h, w = image.shape[:2]
        ends.append(joined.millimetres(k, np.array([[0.0, 0.5 * h], [w - 1.0, 0.5 * h]])))
    every = np.vstack(ends)
    low_x, high_x = float(every[:, 0].min()), float(every[:, 0].max())
    middle = float(np.median(every[:, 1]))
    low_y, high_y = middle - across_mm, middle + across_mm
    size = (int((high_x - low_x) * px_per_mm), int((high_y - low_y) * px_per_mm))
    out = np.zeros((size[1], size[0], 3), dtype=np.float32)
    best = np.zeros((size[1], size[0]), dtype=np.float32)
    to_strip = np.array([[px_per_mm, 0.0, -low_x * px_per_mm], [0.0, -px_per_mm, high_y * px_per_mm], [0.0, 0.0, 1.0]])
    for k, image in enumerate(images):
        plain = image if joined.lens is None else cv2.undistort(image, joined.lens.matrix, joined.lens.distortion)
        h, w = image.shape[:2]
        weight = (
            np.minimum.outer(
                np.minimum(np.arange(h), h - 1 - np.arange(h)), np.minimum(np.arange(w), w - 1 - np.arange(w))
            ).astype(np.float32)
            + 1
        )
        matrix = to_strip @ joined.to_mm[k]
        warped = cv2.warpPerspective(plain, matrix, size, flags=cv2.INTER_AREA).astype(np.float32)
        mine = cv2.warpPerspective(weight, matrix, size)
        more = mine > best
        out[more], best[more] = warped[more], mine[more]
    return Strip(np.clip(out, 0, 255).astype(np.uint8), (low_x, high_y), px_per_mm)
