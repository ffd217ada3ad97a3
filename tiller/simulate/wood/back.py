"""A stave's back by grazing light with rings cut through, for the rack in software: level lines of a wavy surface, islands where it bulges, fibres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Array = NDArray[np.float64]
Image = NDArray[np.uint8]


@dataclass(frozen=True)
class BackTruth:
    """The picture, where lines are (h, w), and the bulge's middle (x, y) or None."""

    image: Image
    lines: NDArray[np.bool_]
    bulge_px: tuple[float, float] | None


def paint_back(seed: int, bulge: bool, wide: int = 1600, high: int = 420) -> BackTruth:
    """One at random; ``bulge``: with a knot over which the surface stands out by more than a ring."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(wide), np.arange(high))
    surface = (
        0.9 * np.sin(2 * np.pi * x / wide * rng.uniform(0.4, 0.9) + rng.uniform(0, 6))
        + 0.0007 * (y - high / 2) * rng.normal()
    )
    surface = surface + 87.0 * gaussian_filter(rng.normal(0, 1, (high, wide)), (70, 140))
    at = None
    if bulge:
        at = (float(rng.uniform(300, wide - 300)), float(rng.uniform(120, high - 120)))
        size = rng.uniform(32, 50)
        surface = surface + 1.4 * np.exp(-0.5 * (((x - at[0]) / (1.5 * size)) ** 2 + ((y - at[1]) / size) ** 2))
    slope = np.hypot(*np.gradient(surface))
    off = np.abs(((surface * 1.4) % 1.0) - 0.5) / 1.4 / np.maximum(slope, 1e-4)
    fibres = gaussian_filter(rng.normal(0, 1, (high, wide)), (0.8, 25)) * 14
    light = 170 + fibres - 58 * np.exp(-0.5 * (off / 1.6) ** 2) + 12 * surface + rng.normal(0, 3, (high, wide))
    colour = np.clip(np.stack([0.62 * light, 0.8 * light, 0.96 * light], axis=-1), 0, 255).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", colour, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return BackTruth(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8), off < 1.0, at)
