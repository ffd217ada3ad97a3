"""Lens and board from the pictures of a pull alone: printed fiducials somewhere in one plane, no calibration before.

Least squares over every corner seen: the focal length, one term of distortion, each picture's pose and each fiducial's place and turn in the plane are
found together; what is known is that the sides are as printed and that all lie in one plane. The middle of the picture is taken as the lens's axis, which
holds for phones to some per cent of the picture and is made up by the pose.

A camera that looks square at the board tells its focal length badly: distance and focal length trade against each other. That does little harm, since
the bow's plane is near the board and its scale is the bow's own length.
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
from tiller.vision.rig.board import Key
from tiller.vision.rig.camera import View, as_points

Array = NDArray[np.float64]

CORNER_SD_PX = 0.2
"""A fiducial's corner in a compressed picture (between ``rackfit.CORNER_SD_PX`` and ``board.CORNER_SD_PX``); the residuals say more where it is worse."""
PRINTED_SD = 0.003
"""Relative sd of a printed side, of what blur takes off its image, and of paper that is not flat (common practice, no source)."""
FOCAL, FOCAL_SD = 0.85, 0.5
"""Focal length over the picture's longer side where nothing is known, and the sd of its logarithm: phones 0.6 to 1, tele lenses 2 (common practice, no
source)."""
DISTORTION_SD = 0.15
"""Of the first radial term: phones and webcams have up to some 0.3 (common practice, no source)."""
MIDDLE_SD = 0.015
"""Of the place where the lens's axis meets the picture, over its width, each way (common practice, no source)."""
LENS_TERMS = 4
FEWEST = 3
MOST_PICTURES = 6
SAME_PX = 1.0
"""A camera whose picture's fiducials moved by less stood still."""
WORST_RMS_PX = 3.0


@dataclass(frozen=True)
class Placed:
    """A fiducial in the board's plane: its middle, mm, and its turn, rad, counter-clockwise as the camera sees it."""

    key: Key
    side_mm: float
    x_mm: float
    y_mm: float
    turn_rad: float


@dataclass(frozen=True, kw_only=True)
class BoardFound:
    """What was found.

    Attributes:
        lens, focal_sd: the lens, and the relative sd of its focal length; distortion_sd: of its first radial term.
        placed: fiducials in the plane's own coordinates (mm, the first one's middle is the origin, x along its upper edge, y up, z towards the camera).
        view: the first picture's camera over these coordinates.
        rms_px: of all corners, both ways together.
    """

    lens: Lens
    focal_sd: float
    distortion_sd: float
    placed: tuple[Placed, ...]
    view: View
    rms_px: float


def _square(side: float) -> Array:
    h = 0.5 * side
    return np.array([[-h, h], [h, h], [h, -h], [-h, -h]])


@dataclass(frozen=True, kw_only=True)
class _Fit:
    keys: tuple[Key, ...]
    sides: Array
    seen: tuple[Mapping[Key, Array], ...]
    size: tuple[int, int]
    focal: float
    focal_sd: float

    def lens(self, x: Array) -> Lens:
        f = self.focal * float(np.exp(x[0]))
        wide, high = self.size
        middle = 0.5 * np.array([wide - 1, high - 1]) + x[2:4]
        matrix = np.array([[f, 0.0, middle[0]], [0.0, f, middle[1]], [0.0, 0.0, 1.0]])
        return Lens(self.size, matrix, np.array([x[1], 0.0, 0.0, 0.0, 0.0]))

    def poses(self, x: Array) -> Array:
        return x[LENS_TERMS : LENS_TERMS + 6 * len(self.seen)].reshape(-1, 6)

    def marks(self, x: Array) -> Array:
        """Place x, y, turn, and the logarithm of the side over what was printed, of each fiducial."""
        return x[LENS_TERMS + 6 * len(self.seen) :].reshape(-1, 4)

    def corners(self, mark: Array, side: float) -> Array:
        c, s = np.cos(mark[2]), np.sin(mark[2])
        flat = _square(side * float(np.exp(mark[3]))) @ np.array([[c, s], [-s, c]]) + mark[:2]
        return np.column_stack([flat, np.zeros(4)])

    def pixels(self, x: Array) -> Array:
        lens, marks = self.lens(x), self.marks(x)
        out = []
        for pose, seen in zip(self.poses(x), self.seen, strict=True):
            points = [self.corners(marks[j], self.sides[j]) for j, k in enumerate(self.keys) if k in seen]
            found, _ = cv2.projectPoints(
                np.vstack(points).reshape(-1, 1, 3), pose[:3], pose[3:], lens.matrix, lens.distortion
            )
            out.append(as_points(found))
        return np.vstack(out)

    def residuals(self, x: Array) -> Array:
        marks = self.marks(x)
        truth = np.vstack([np.vstack([seen[k] for k in self.keys if k in seen]) for seen in self.seen])
        return np.concatenate(
            [
                ((self.pixels(x) - truth) / CORNER_SD_PX).ravel(),
                [x[0] / self.focal_sd, x[1] / DISTORTION_SD],
                x[2:4] / (MIDDLE_SD * self.size[0]),
                marks[:, 3] / PRINTED_SD,
                marks[0, :3] / np.array([1e-3, 1e-3, 1e-6]),  # the plane's own coordinates
            ]
        )


def find_board(
    pictures: Sequence[Mapping[Key, Array]],
    sides_mm: Mapping[Key, float],
    size: tuple[int, int],
    focal_px: float = float("nan"),
    focal_sd: float = FOCAL_SD,
) -> BoardFound:
    """Finds them.

    Args:
        pictures: for each, corners (4, 2) by fiducial; the first is the one whose camera is given. At most ``MOST_PICTURES`` are used.
        sides_mm: printed side of each fiducial that lies on the board.
        size: of the pictures, px; focal_px: what the picture's file says of the focal length, NaN where nothing; focal_sd: of its logarithm.

    Raises:
        VisionFault: too few fiducials, or they fit no plane.
    """
    if not np.isfinite(focal_px):
        focal_px, focal_sd = FOCAL * max(size), FOCAL_SD
    first = pictures[0]
    keys = tuple(sorted(k for k in sides_mm if k in first))
    if len(keys) < FEWEST:
        msg = (
            f"{len(keys)} of the printed fiducials are seen in the first picture, {FEWEST} are the least: fix them near the bow, in one plane, spread out,"
            " and take the pictures anew."
        )
        raise VisionFault(msg)
    groups = grouped([{k: p[k] for k in keys if k in p} for p in pictures])[:MOST_PICTURES]
    fit = _Fit(
        keys=keys,
        sides=np.array([sides_mm[k] for k in keys]),
        seen=tuple(groups),
        size=size,
        focal=focal_px,
        focal_sd=focal_sd,
    )
    result = least_squares(
        fit.residuals, _start(fit), x_scale="jac", method="lm", ftol=1e-10, xtol=1e-10, max_nfev=20000
    )
    x = np.asarray(result.x, dtype=float)
    count = sum(8 * sum(k in keys for k in seen) for seen in fit.seen)
    off = result.fun[:count] * CORNER_SD_PX
    rms = float(np.sqrt(np.mean(np.sum(off.reshape(-1, 2) ** 2, axis=1))))
    if rms > WORST_RMS_PX:
        msg = (
            f"The fiducials do not lie in one plane, or not all were printed at the same scale ({rms:.1f} px off): glue them on one flat board or wall, and"
            " say what their check bars measure."
        )
        raise VisionFault(msg)
    unit = np.linalg.norm(result.jac, axis=0)
    scaled = result.jac / unit
    cov = np.linalg.inv(scaled.T @ scaled) / np.outer(unit, unit) * max(1.0, rms / (CORNER_SD_PX * np.sqrt(2.0))) ** 2
    lens, marks, pose = fit.lens(x), fit.marks(x), fit.poses(x)[0]
    rotation = np.asarray(cv2.Rodrigues(pose[:3])[0], dtype=float)
    placed = tuple(
        Placed(k, float(side * np.exp(m[3])), float(m[0]), float(m[1]), float(m[2]))
        for k, side, m in zip(keys, fit.sides, marks, strict=True)
    )
    return BoardFound(
        lens=lens,
        focal_sd=float(np.sqrt(cov[0, 0])),
        distortion_sd=float(np.sqrt(cov[1, 1])),
        placed=placed,
        view=View(lens, rotation, pose[3:].copy()),
        rms_px=rms,
    )


def grouped(pictures: Sequence[Mapping[Key, Array]]) -> list[Mapping[Key, Array]]:
    """Pictures from one and the same place as one, each corner the median of them; those of the first picture's place first, those with fewer than
    ``FEWEST`` fiducials left out."""
    left = [p for p in pictures if len(p) >= FEWEST]
    out: list[Mapping[Key, Array]] = []
    while left:
        base = left[0]
        same: list[Mapping[Key, Array]] = []
        rest: list[Mapping[Key, Array]] = []
        for p in left:
            shared = [k for k in base if k in p]
            shift = [float(np.median(np.abs(p[k] - base[k]))) for k in shared]
            (same if len(shared) >= FEWEST and float(np.median(shift)) < SAME_PX else rest).append(p)
        out.append({k: np.median([p[k] for p in same if k in p], axis=0) for k in sorted({k for p in same for k in p})})
        left = [p for p in rest if p is not base]
    return out


def _start(fit: _Fit) -> Array:
    """Rough places: the first picture's fiducials by the one that is seen largest, as if the camera looked at it through a lens without distortion."""
    first = fit.seen[0]
    lens = fit.lens(np.zeros(LENS_TERMS))
    base = max(range(len(fit.keys)), key=lambda j: float(np.ptp(first[fit.keys[j]][:, 0])))
    own = _square(float(fit.sides[base]))
    over, _ = cv2.findHomography(first[fit.keys[base]], own, 0)
    middles, turns = [], []
    for k in fit.keys:
        quad = as_points(cv2.perspectiveTransform(first[k].reshape(-1, 1, 2), over))
        middles.append(quad.mean(axis=0))
        edge = (quad[1] - quad[0]) + (quad[2] - quad[3])
        turns.append(np.arctan2(edge[1], edge[0]))
    # a homography of one small square is rough far away from it: all middles together are refined with the sizes seen
    scale = [np.sqrt(abs(_area(first[k]))) / fit.sides[j] for j, k in enumerate(fit.keys)]
    flat = np.array([first[k].mean(axis=0) for k in fit.keys]) * np.array([1.0, -1.0]) / float(np.median(scale))
    rough = np.array(middles)
    if np.max(np.linalg.norm((rough - rough[base]) - (flat - flat[base]), axis=1)) > 0.3 * np.ptp(flat):
        rough = flat
        turns = []
        for k in fit.keys:
            edge = ((first[k][1] - first[k][0]) + (first[k][2] - first[k][3])) * np.array([1.0, -1.0])
            turns.append(np.arctan2(edge[1], edge[0]))
    turn = turns[0]
    c, s = np.cos(turn), np.sin(turn)
    places = (rough - rough[0]) @ np.array([[c, -s], [s, c]])
    marks = np.column_stack([places, np.array(turns) - turn, np.zeros(len(turns))])
    poses = []
    for seen in fit.seen:
        points = np.vstack([fit.corners(marks[j], fit.sides[j]) for j, k in enumerate(fit.keys) if k in seen])
        pixels = np.vstack([seen[k] for k in fit.keys if k in seen])
        good, turn_vec, way = cv2.solvePnP(
            points.reshape(-1, 1, 3), pixels.reshape(-1, 1, 2), lens.matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        if not good:
            msg = "The fiducials' plane cannot be found: take the pictures more squarely from before the bow."
            raise VisionFault(msg)
        poses.append(np.concatenate([np.ravel(turn_vec), np.ravel(way)]))
    return np.concatenate([np.zeros(LENS_TERMS), np.concatenate(poses), marks.ravel()])


def _area(quad: Array) -> float:
    x, y = quad[:, 0], quad[:, 1]
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
