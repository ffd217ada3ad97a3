"""A stave's edges in its strip, found near where they were touched: where what lies to one side differs most in colour from what lies to the other."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from tiller.vision.stave.joined import Strip

Array = NDArray[np.float64]

REACH_MM, BESIDE_MM, STEP_MM = 10.0, 3.0, 0.25
"""Sought so far about a touch; by the means over so much to either side."""
TOUCHED_MM = 4.0
"""A touch in a window errs by so much (1 sd; common practice, no source)."""
LEAST = 6.0
"""Steps of colour (CIE Lab distance) that an edge makes at the least (common practice, no source)."""
SMOOTH = 7
"""Places over which a single strange one is passed over."""


def found_edge(strip: Strip, x_mm: Array, touched_mm: Array) -> tuple[Array, NDArray[np.bool_]]:
    """An edge's height (n,) at places (n,) along the strip, and where it was found; as touched elsewhere.

    Args:
        x_mm, touched_mm: (n,) in the strip's plane.
    """
    lab = cv2.cvtColor(strip.image.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)
    off = np.arange(-REACH_MM - BESIDE_MM, REACH_MM + BESIDE_MM + 1e-9, STEP_MM)
    px = (x_mm - strip.corner_mm[0]) * strip.px_per_mm
    py = (strip.corner_mm[1] - (touched_mm[:, None] + off[None, :])) * strip.px_per_mm
    seen = cv2.remap(
        lab, np.repeat(px[:, None], len(off), axis=1).astype(np.float32), py.astype(np.float32), cv2.INTER_LINEAR
    )
    seen = median_filter(seen, size=(5, 1, 1))
    wide = round(BESIDE_MM / STEP_MM)
    sums = np.cumsum(np.pad(seen.astype(float), ((0, 0), (1, 0), (0, 0))), axis=1)
    means = (sums[:, wide:] - sums[:, :-wide]) / wide
    step = np.linalg.norm(means[:, wide:] - means[:, :-wide], axis=2)
    places = off[wide : wide + step.shape[1]] - 0.5 * STEP_MM
    score = step * np.exp(-0.5 * (places / (1.5 * TOUCHED_MM)) ** 2)
    best = np.argmax(score, axis=1)
    rows = np.arange(len(x_mm))
    clear = step[rows, best] >= LEAST
    out = median_filter(np.where(clear, places[best], 0.0), size=SMOOTH, mode="nearest")
    return np.asarray(touched_mm + np.where(clear, out, 0.0), dtype=float), clear
