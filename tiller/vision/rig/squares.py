"""A marker's corners from its outer edges: four straight lines through many edge places cross more surely than a corner
shows itself, and the pattern inside, close by in a small marker, does not draw them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BORDER_SHARE = 0.62
"""Of the black border's width, so much is looked at on either side of the edge."""
LEAST_REACH_PX, MOST_REACH_PX = 1.4, 5.0
ENDS = 0.1
"""Share of a side that is left out at either end, where the next side's edge is near."""
PLACES = 24
STEPS = 17
FARTHEST_PX = 3.0
LEAST_STEP = 25.0
"""Grey levels between border and rim without which an edge is not clear."""


def sharpen(gray: NDArray[np.uint8], corners: Array, cells: int, rounds: int = 2) -> Array:
    """Corners (4, 2) px of a square seen in perspective, refined; as they came where an edge is not clear.

    Args:
        corners: in order around the marker, within a pixel or two.
        cells: modules across, the black border included.
    """
    given = np.asarray(corners, dtype=float)
    quad = given
    for _ in range(rounds):
        lines = _edges(gray, quad, cells)
        if lines is None:
            return given
        points, ways = lines
        # each corner is where its side crosses the one before
        one, two = np.roll(ways, 1, axis=0), ways
        gap = points - np.roll(points, 1, axis=0)
        turn = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
        if np.min(np.abs(turn)) < 0.2:
            return given
        go = (gap[:, 0] * two[:, 1] - gap[:, 1] * two[:, 0]) / turn
        quad = np.roll(points, 1, axis=0) + go[:, None] * one
        if not np.all(np.isfinite(quad)) or float(np.max(np.abs(quad - given))) > FARTHEST_PX:
            return given
    return quad


_T = np.linspace(-1.0, 1.0, STEPS)
_S = np.linspace(ENDS, 1.0 - ENDS, PLACES)


def _edges(gray: NDArray[np.uint8], quad: Array, cells: int) -> tuple[Array, Array] | None:
    """A point and a direction of each of the four edges, (4, 2) both; None where one is not clear."""
    along = np.roll(quad, -1, axis=0) - quad
    length = np.sqrt(np.sum(along**2, axis=1))
    if float(np.min(length)) < 12.0:
        return None
    along = along / length[:, None]
    out = np.column_stack([along[:, 1], -along[:, 0]])
    half = np.sum((quad + 0.5 * length[:, None] * along - quad.mean(axis=0)) * out, axis=1)
    out = out * np.sign(half)[:, None]
    # the border's width square to each side
    reach = np.clip(BORDER_SHARE * 2 * np.abs(half) / cells, LEAST_REACH_PX, MOST_REACH_PX)
    s = _S[None, :] * length[:, None]
    base = quad[:, None, :] + s[..., None] * along[:, None, :]
    where = base[:, :, None, :] + (reach[:, None] * _T)[:, None, :, None] * out[:, None, None, :]
    flat = where.reshape(4 * PLACES, STEPS, 2).astype(np.float32)
    level = cv2.remap(gray, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = level.reshape(4, PLACES, STEPS).astype(float)
    dark, light = level[..., :3].mean(axis=-1), level[..., -3:].mean(axis=-1)
    step = light - dark
    weight = (step > LEAST_STEP).astype(float)
    # where a sharp edge with the same light would stand, by the moment of the profile
    share = (level.sum(axis=-1) - 0.5 * (level[..., 0] + level[..., -1]) - (STEPS - 1) * dark) / np.maximum(step, 1.0)
    at = reach[:, None] * (1.0 - 2.0 * share / (STEPS - 1))
    slope = offset = np.zeros(4)
    for _ in range(4):
        total = weight.sum(axis=1)
        if float(np.min(total)) < PLACES // 3:
            return None
        mean_s, mean_at = (weight * s).sum(axis=1) / total, (weight * at).sum(axis=1) / total
        off = s - mean_s[:, None]
        slope = (weight * off * at).sum(axis=1) / (weight * off**2).sum(axis=1)
        offset = mean_at - slope * mean_s
        left = np.abs(at - (slope[:, None] * s + offset[:, None]))
        middle = _medians(left, weight > 0)
        weight = ((step > LEAST_STEP) & (left < 4.0 * middle[:, None] + 0.06)).astype(float)
    return quad + offset[:, None] * out, along + slope[:, None] * out


def _medians(values: Array, used: NDArray[np.bool_]) -> Array:
    """Median of the used values of each row; every row has some (one sort for all: a call a row takes ten times as long)."""
    ordered = np.sort(np.where(used, values, np.inf), axis=1)
    count = used.sum(axis=1)
    row = np.arange(len(values))
    return np.asarray(0.5 * (ordered[row, (count - 1) // 2] + ordered[row, count // 2]), dtype=float)
