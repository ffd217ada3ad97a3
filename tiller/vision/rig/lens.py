"""A lens from pictures of a board with known corners: camera matrix, distortion, how good they are, what they do not tell.

The model is the picture library's own: pinhole with Brown-Conrady distortion (k1 k2 p1 p2 k3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.notes import Note, caution, info
from tiller.vision.rig.camera import as_points

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

FEWEST_VIEWS, FEWEST_CORNERS = 8, 8
GRID = (6, 4)
"""The picture's fields that should be covered with corners, across and down."""
BLUR_SHARE = 0.45
"""A picture this much less sharp than the sharpest so far is blurred (common practice, no source)."""
SAME_SHARE = 0.03
"""A board that moved by less than this share of the picture's width shows nothing new."""
BAD_VIEW = 3.0
"""A view whose rms is so many times the median of all is left out."""
TRUSTED_PX = 1.0
"""Where the distortion is known no better than this at the picture's rim, it is reported (1 sd)."""


@dataclass(frozen=True)
class SeenCorners:
    """Corners of a board in one picture: (n, 2) px, (n, 2) mm on the board, and how sharp the picture is there."""

    pixels: Array
    board_mm: Array
    sharpness: float


@dataclass(frozen=True, kw_only=True)
class LensFound:
    """A calibrated lens.

    Attributes:
        lens: matrix and distortion; sd: fx fy cx cy k1 k2 p1 p2 k3.
        rms_px: of all corners; view_rms_px: (m,) of the views used; left_out: numbers of views that were not.
        residual_px: (n, 2) seen minus modelled; at_px: (n, 2) where.
        coverage: (rows, columns) corners in each field of the picture.
        rim_sd_px: how well a corner of the picture is placed by the distortion, 1 sd.
        notes: what to know.
    """

    lens: Lens
    sd: Array
    rms_px: float
    view_rms_px: Array
    left_out: tuple[int, ...]
    residual_px: Array
    at_px: Array
    coverage: NDArray[np.int_]
    rim_sd_px: float
    notes: tuple[Note, ...]


def _sharpness(grey: Image, pixels: Array) -> float:
    """Steepness of the corners' neighbourhoods over their contrast: halves when a picture is blurred by about a pixel."""
    x, y = pixels[:, 0], pixels[:, 1]
    a, b = max(0, int(x.min()) - 4), max(0, int(y.min()) - 4)
    part = grey[b : int(y.max()) + 5, a : int(x.max()) + 5].astype(np.float32)
    if part.size < 100:
        return 0.0
    slope = np.hypot(cv2.Sobel(part, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(part, cv2.CV_32F, 0, 1) / 8)
    low, high = np.percentile(part, [5, 95])
    return float(np.percentile(slope, 98) / max(high - low, 8.0))


def see_lens_board(image: Image, board: cv2.aruco.CharucoBoard) -> SeenCorners | None:
    """Corners of the printed lens board; None where too few are in view."""
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    grey = np.asarray(grey, dtype=np.uint8)
    corners, ids, *_ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
    if ids is None or len(ids) < FEWEST_CORNERS:
        return None
    pixels = as_points(corners)
    where = np.asarray(board.getChessboardCorners(), dtype=float)[np.ravel(ids)][:, :2]
    return SeenCorners(pixels, where, _sharpness(grey, pixels))


def see_chessboard(image: Image, inner: tuple[int, int], square_mm: float) -> SeenCorners | None:
    """Inner corners of a plain chessboard (across, down); None where it is not in view as a whole."""
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    grey = np.asarray(grey, dtype=np.uint8)
    found, corners = cv2.findChessboardCorners(grey, inner)
    if not found:
        return None
    rough = as_points(corners)
    # a window that reaches into the next squares is drawn to their corners
    across = np.linalg.norm(np.diff(rough.reshape(inner[1], inner[0], 2), axis=1), axis=2)
    half = int(np.clip(0.35 * float(across.min()), 2, 11))
    refined = cv2.cornerSubPix(
        grey,
        np.asarray(corners, dtype=np.float32).reshape(-1, 1, 2),
        (half, half),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 0.001),
    )
    columns, rows = np.meshgrid(np.arange(inner[0]), np.arange(inner[1]))
    where = square_mm * np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    return SeenCorners(as_points(refined), where, _sharpness(grey, rough))


def coverage(views: Sequence[SeenCorners], size: tuple[int, int]) -> NDArray[np.int_]:
    """Corners in each field of the picture, (rows, columns)."""
    out = np.zeros((GRID[1], GRID[0]), dtype=int)
    for view in views:
        column = np.clip((view.pixels[:, 0] / size[0] * GRID[0]).astype(int), 0, GRID[0] - 1)
        row = np.clip((view.pixels[:, 1] / size[1] * GRID[1]).astype(int), 0, GRID[1] - 1)
        np.add.at(out, (row, column), 1)
    return out


def worth_taking(view: SeenCorners, taken: Sequence[SeenCorners], width: int) -> str:
    """Empty where the view adds something, else why not: 'blurred' or 'like one before'."""
    if taken and view.sharpness < BLUR_SHARE * max(o.sharpness for o in taken):
        return "blurred"
    for other in taken:
        if len(other.pixels) == len(view.pixels) and np.array_equal(other.board_mm, view.board_mm):
            if float(np.mean(np.linalg.norm(other.pixels - view.pixels, axis=1))) < SAME_SHARE * width:
                return "like one before"
        elif float(np.linalg.norm(other.pixels.mean(axis=0) - view.pixels.mean(axis=0))) < SAME_SHARE * width / 3:
            return "like one before"
    return ""


def calibrate_lens(views: Sequence[SeenCorners], size: tuple[int, int], one_focal_length: bool = False) -> LensFound:
    """The lens from at least ``FEWEST_VIEWS`` views. Views that fit much worse than the others are left out and reported.

    Args:
        size: width and height of the pictures; one_focal_length: fx = fy.

    Raises:
        VisionFault: too few views, or all from straight ahead, so that nothing can be known.
    """
    if len(views) < FEWEST_VIEWS:
        msg = f"The board was seen in {len(views)} picture(s): at least {FEWEST_VIEWS} are needed, tilted this way and that, all over the picture."
        raise VisionFault(msg)
    keep = list(range(len(views)))
    left_out: list[int] = []
    while True:
        found = _solve([views[k] for k in keep], size, one_focal_length)
        rms = found[2]
        worst = int(np.argmax(rms))
        if rms[worst] <= BAD_VIEW * float(np.median(rms)) or len(keep) <= FEWEST_VIEWS:
            break
        left_out.append(keep.pop(worst))
    matrix, distortion, view_rms, sd, residual, rms_all, poses = found
    used = [views[k] for k in keep]
    lens = Lens(size, matrix, distortion)
    rim = _rim_sd(lens, used, poses, residual, one_focal_length)
    fields = coverage(used, size)
    notes = []
    if left_out:
        notes.append(
            info(
                "lens.left-out",
                f"view(s) {', '.join(str(k + 1) for k in left_out)} fit much worse than the others and were left out.",
            )
        )
    empty = int(np.count_nonzero(fields == 0))
    if empty > fields.size // 5:
        notes.append(
            caution(
                "lens.uncovered",
                f"{empty} of {fields.size} fields of the picture saw no corner: the distortion there is a guess; hold the board into the corners too.",
            )
        )
    if rim > TRUSTED_PX:
        notes.append(
            caution(
                "lens.rim",
                f"the distortion is not well constrained: a corner of the picture is placed to {rim:.1f} px only (1 sd); take more pictures, near the rim and tilted.",
            )
        )
    if sd[0] > 0.01 * matrix[0, 0]:
        notes.append(
            caution(
                "lens.focal",
                f"the focal length is known to {100 * sd[0] / matrix[0, 0]:.1f} % only: tilt the board more.",
            )
        )
    at = np.vstack([v.pixels for v in used])
    return LensFound(
        lens=lens,
        sd=sd,
        rms_px=rms_all,
        view_rms_px=view_rms,
        left_out=tuple(sorted(left_out)),
        residual_px=residual,
        at_px=at,
        coverage=fields,
        rim_sd_px=rim,
        notes=tuple(notes),
    )


def _solve(
    views: list[SeenCorners], size: tuple[int, int], one: bool
) -> tuple[Array, Array, Array, Array, Array, float, list[tuple[Array, Array]]]:
    objects = [
        np.column_stack([v.board_mm, np.zeros(len(v.board_mm))]).astype(np.float32).reshape(-1, 1, 3) for v in views
    ]
    pixels = [v.pixels.astype(np.float32).reshape(-1, 1, 2) for v in views]
    start = np.array([[float(size[0]), 0, 0.5 * size[0]], [0, float(size[0]), 0.5 * size[1]], [0, 0, 1]])
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS if one else 0
    try:
        rms, matrix, distortion, turns, ways, sd, _, view_rms = cv2.calibrateCameraExtended(
            objects,
            pixels,
            size,
            start,
            np.zeros(5),
            flags=flags,
            criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-12),
        )
    except cv2.error as err:
        msg = (
            "The pictures do not determine a lens: tilt the board this way and that, and take it all over the picture."
        )
        raise VisionFault(msg) from err
    residual = []
    for o, p, turn, way in zip(objects, pixels, turns, ways, strict=True):
        model, _ = cv2.projectPoints(o, turn, way, matrix, distortion)
        residual.append(as_points(p) - as_points(model))
    return (
        np.asarray(matrix, dtype=float),
        np.ravel(distortion)[:5].astype(float),
        np.ravel(view_rms).astype(float),
        np.ravel(sd)[:9].astype(float),
        np.vstack(residual),
        float(rms),
        [(np.asarray(t, dtype=float), np.asarray(w, dtype=float)) for t, w in zip(turns, ways, strict=True)],
    )


def _rim_sd(
    lens: Lens, views: list[SeenCorners], poses: list[tuple[Array, Array]], residual: Array, one: bool
) -> float:
    """How well the lens places a corner of the picture, the worst of the four, px (1 sd): by the covariance of all nine of its
    terms with the views' poses taken out, since the terms trade against each other."""
    normal = np.zeros((9, 9))
    for view, (turn, way) in zip(views, poses, strict=True):
        points = np.column_stack([view.board_mm, np.zeros(len(view.board_mm))]).reshape(-1, 1, 3)
        jac = np.asarray(cv2.projectPoints(points, turn, way, lens.matrix, lens.distortion)[1], dtype=float)
        pose, terms = jac[:, :6], jac[:, 6:15]
        cross = pose.T @ terms
        normal += terms.T @ terms - cross.T @ np.linalg.solve(pose.T @ pose, cross)
    if one:  # fx and fy are one
        join = np.delete(np.eye(9), 1, axis=1)
        join[1, 0] = 1.0
        cov = np.asarray(join @ np.linalg.pinv(join.T @ normal @ join, hermitian=True) @ join.T, dtype=float)
    else:
        cov = np.asarray(np.linalg.pinv(normal, hermitian=True), dtype=float)
    noise = float(np.sum(residual**2) / max(residual.size - 9 - 6 * len(views), 1))
    wide, high = lens.image_size
    corners = np.array([[0, 0], [wide, 0], [0, high], [wide, high]], dtype=float)
    rays = as_points(cv2.undistortPoints(corners.reshape(-1, 1, 2), lens.matrix, lens.distortion))
    points = np.column_stack([rays, np.ones(4)]).reshape(-1, 1, 3)
    jac = np.asarray(cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix, lens.distortion)[1], dtype=float)
    terms = jac[:, 6:15]
    spread = np.einsum("ij,jk,ik->i", terms, noise * cov, terms).reshape(4, 2).sum(axis=1)
    return float(np.sqrt(np.max(spread)))
