"""The string before a bow's belly: a thin line, straight from nock to nock in space, lighter or darker than what lies behind it.

The picture is laid flat at the string's own distance from the wall; there it is one straight line over the whole bow. The bow's edges, which lie lower,
are straight over a part of it only.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.errors import VisionFault
from tiller.vision.belly.lying import Axis, Image, Lying, flattened, lightness_and_hue
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]

STEP_MM, FINE_MM = 2.0, 0.25
THICK_MM = 2.6
"""A bow's string, served or not, is some 2 to 4 mm thick (common practice, no source)."""
REACH_MM = 32.0
"""So far from the line between the limbs' ends, to either side, it is sought."""
LEAST_OVER = 5.0
"""Over the middle of what all other straight lines gather; the pieces below decide."""
BLOCK_MM = 20.0
"""The line is read off in pieces so long; what one of them errs by is its own."""
WORST_MM = 1.2
"""A piece farther from the straight line is something else: a knot's shade, a silencer."""


FEWEST, LEAST_SHARE = 25, 0.75
"""So many pieces, and such a share of them, must lie on the line (rendered: at least 0.92 of them with a string, else hardly any)."""
NO_STRING = (
    "no string is seen from nock to nock: string the bow; where it is strung, its string has the wood's own shade in this picture: light it from one side, or rub"
    " the string with chalk."
)


@dataclass(frozen=True)
class SeenString:
    """The string as a straight line over the axis: across = at_zero + slope x along; covariance of both (2, 2)."""

    at_zero_mm: float
    slope: float
    cov: Array

    def at(self, x_mm: Array) -> Array:
        """Across the axis, at places along it."""
        return np.asarray(self.at_zero_mm + self.slope * x_mm, dtype=float)

    def sd_at(self, x_mm: Array) -> Array:
        """Its sd there."""
        x = np.asarray(x_mm, dtype=float)
        return np.asarray(np.sqrt(self.cov[0, 0] + 2 * x * self.cov[0, 1] + x * x * self.cov[1, 1]), dtype=float)


def find_string(image: Image, view: View, lying: Lying, axis: Axis, ends_mm: tuple[float, float]) -> SeenString:
    """The string.

    Args:
        axis: of the coordinates; ends_mm: about where it crosses both nocks, across the axis.

    Raises:
        VisionFault: none is seen.
    """
    x = np.arange(0.94 * lying.x_mm[0], 0.94 * lying.x_mm[-1], STEP_MM)
    across = np.arange(-REACH_MM, REACH_MM, FINE_MM)
    base = np.interp(x, [lying.x_mm[0], lying.x_mm[-1]], ends_mm)
    flat = flattened(image, view, axis, x, across, lying.string_at(x), base)
    ridge = _ridges(flat)
    best, line = _straightest(ridge, x, across)
    spread = best / max(line[2], 1e-9)
    if spread < LEAST_OVER:
        raise VisionFault(NO_STRING)
    return _read(ridge, x, across, base, line[0], line[1])


def _ridges(flat: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much each place is a thin line along x: what a line as thick as the string takes off its surroundings, (2, rows, columns), lightness and hue."""
    soft = cv2.GaussianBlur(flat, (0, 0), sigmaX=2.0, sigmaY=0.01 + 0.8)
    grey, hue = lightness_and_hue(soft)
    n = round(THICK_MM / FINE_MM)
    inner = np.ones((n | 1, 1), dtype=np.float32) / (n | 1)
    outer = np.ones((3 * n | 1, 1), dtype=np.float32) / (3 * n | 1)
    both = np.stack([grey, hue])
    out = [cv2.filter2D(c, cv2.CV_32F, inner) - cv2.filter2D(c, cv2.CV_32F, outer) for c in both]
    return np.clip(np.stack(out), -10.0, 10.0)


def _straightest(ridge: NDArray[np.float32], x: Array, across: Array) -> tuple[float, tuple[float, float, float]]:
    """The line that gathers most: its sum, and (at zero, slope, spread of all others)."""
    best, found, sums = -1.0, (0.0, 0.0), []
    ends = np.arange(-0.8 * REACH_MM, 0.8 * REACH_MM, 0.5)
    span = x[-1] - x[0]
    zero = np.interp(0.0, x, np.arange(len(x)))
    for rise in ends:
        slope = rise / span
        shear = np.array([[1.0, 0.0, 0.0], [-slope * STEP_MM / FINE_MM, 1.0, slope * STEP_MM / FINE_MM * zero]])
        total = np.zeros(ridge.shape[1])
        for channel in ridge:
            moved = cv2.warpAffine(channel, shear, (channel.shape[1], channel.shape[0]), flags=cv2.INTER_LINEAR)
            total += moved.mean(axis=1).astype(float) ** 2
        size = np.sqrt(total)
        sums.append(size[8:-8:4])
        k = int(np.argmax(size))
        if size[k] > best:
            best, found = float(size[k]), (float(across[k]), float(slope))
    return best, (*found, float(np.median(np.concatenate(sums))))


def _read(ridge: NDArray[np.float32], x: Array, across: Array, base: Array, at_zero: float, slope: float) -> SeenString:
    """The line piece by piece, fitted without those that are something else."""
    wide = round(BLOCK_MM / STEP_MM)
    sums = np.array([np.sum(ridge[c] * _on_line(ridge.shape[1:], x, across, at_zero, slope)) for c in range(2)])
    signed = np.tensordot(sums / max(float(np.linalg.norm(sums)), 1e-9), ridge, axes=1)
    places, seen, weight = [], [], []
    offset = np.arange(-2.0, 2.01, FINE_MM)
    for first in range(0, len(x) - wide, wide):
        block = slice(first, first + wide)
        middle = float(np.mean(x[block]))
        rows = (at_zero + slope * x[block][None, :] + offset[:, None] - across[0]) / FINE_MM
        columns = np.broadcast_to(np.arange(first, first + wide, dtype=np.float32), rows.shape)
        near = cv2.remap(
            signed.astype(np.float32), np.ascontiguousarray(columns), rows.astype(np.float32), cv2.INTER_LINEAR
        )
        line = near.mean(axis=1)
        k = int(np.clip(np.argmax(line), 1, len(line) - 2))
        a, b, c = (float(v) for v in line[k - 1 : k + 2])
        if b <= 0:
            continue
        places.append(middle)
        seen.append(at_zero + slope * middle + offset[k] + FINE_MM * 0.5 * (a - c) / min(a - 2 * b + c, -1e-6))
        weight.append(b)
    if len(places) < FEWEST:
        raise VisionFault(NO_STRING)
    s, y, w = np.array(places), np.array(seen), np.array(weight)
    good = np.ones(len(s), dtype=bool)
    design = np.column_stack([np.ones_like(s), s])
    fit = np.array([at_zero, slope])
    for _ in range(6):
        root = np.sqrt(w[good])[:, None]
        fit = np.linalg.lstsq(design[good] * root, y[good] * root[:, 0], rcond=None)[0]
        off = y - design @ fit
        spread = max(1.4826 * float(np.median(np.abs(off[good]))), 0.05)
        good = np.abs(off) < min(3.5 * spread, WORST_MM)
        if np.count_nonzero(good) < max(FEWEST, LEAST_SHARE * len(s)):
            raise VisionFault(NO_STRING)
    off = (y - design @ fit)[good]
    var = float(np.sum(off**2 * w[good]) / np.sum(w[good])) * len(off) / max(len(off) - 2, 1)
    shares = w[good] / np.sum(w[good]) * len(off)
    cov = np.linalg.inv((design[good] * shares[:, None]).T @ design[good]) * var
    rise = (base[-1] - base[0]) / (x[-1] - x[0])
    level = float(np.interp(0.0, x, base))
    return SeenString(float(fit[0] + level), float(fit[1] + rise), cov)


def _on_line(shape: tuple[int, int], x: Array, across: Array, at_zero: float, slope: float) -> NDArray[np.float32]:
    """1 on the line, 0 beside it."""
    away = np.abs(across[:, None] - (at_zero + slope * x)[None, :])
    return (away < 0.5 * THICK_MM).astype(np.float32).reshape(shape)
