"""Finding the limb from scratch: a band of wood that was not there in the picture of the empty rack.

The picture is sampled on a strip along an expected line (stations along it, offsets across it, in
the bow's own plane). What counts as wood is what a shadow cannot explain: the part of a pixel's
colour that is no darker or lighter copy of the empty rack's, plus a smaller share of the plain
difference. A matched filter as wide as the limb, less its surroundings, gives evidence; a dynamic
programme takes the best connected line through it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.vision.camera import View

Array = NDArray[np.float64]
Image = NDArray[np.uint8]


@dataclass(frozen=True)
class Band:
    """The limb as a band along an expected line.

    Attributes:
        offset_mm: (n,) place of the band's middle across the line, positive to the back.
        evidence: (n,) wood over its surroundings, in units of the picture's noise; below about 4 the
            place is a guess.
    """

    offset_mm: Array
    evidence: Array


def sample(image: Image, pixels: Array) -> NDArray[np.float32]:
    """Colours (..., 3) at pixel places (..., 2), bilinear; the border repeats."""
    shape = pixels.shape[:-1]
    flat = np.ascontiguousarray(pixels.reshape(-1, 2), dtype=np.float32)
    rows = int(np.ceil(len(flat) / 4096))
    pad = rows * 4096 - len(flat)
    grid = np.pad(flat, ((0, pad), (0, 0))).reshape(rows, 4096, 2)
    out = cv2.remap(image, grid[:, :, 0], grid[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(-1, 3)[: len(flat)].reshape(*shape, 3).astype(np.float32)


def wood_evidence(picture: NDArray[np.float32], empty: NDArray[np.float32], noise: float) -> Array:
    """How far each colour is from a shaded copy of the empty rack's, over the noise; same shape less one."""
    dot = np.sum(picture * empty, axis=-1)
    own = np.sum(empty * empty, axis=-1) + 1.0
    shade = np.clip(dot / own, 0.25, 1.15)
    rest = picture - shade[..., None] * empty
    colour = np.sqrt(np.sum(rest * rest, axis=-1))
    plain = np.sqrt(np.sum((picture - empty) ** 2, axis=-1))
    return np.asarray(np.minimum((colour + 0.15 * plain) / noise, 40.0), dtype=float)


def find_band(
    image: Image,
    empty: Image,
    view: View,
    plane_z_mm: float,
    line_mm: Array,
    normal_mm: Array,
    thickness_mm: Array,
    reach_mm: tuple[float, float],
    noise: float,
    spacing_mm: float,
    start_mm: float | None = None,
) -> Band:
    """The most evident band along a line.

    Args:
        line_mm: (n, 2) the expected line, evenly spaced by ``spacing_mm``; normal_mm: (n, 2) unit normals to the back.
        thickness_mm: (n,) apparent thickness of the band.
        reach_mm: search from -reach[0] to +reach[1] across the line.
        start_mm: where the band starts across the line, if known.
    """
    across = np.arange(-reach_mm[0], reach_mm[1] + 0.5, 1.0)
    points = line_mm[:, None, :] + across[None, :, None] * normal_mm[:, None, :]
    pixels = view.plane_to_pixels(points.reshape(-1, 2), plane_z_mm).reshape(len(line_mm), len(across), 2)
    wood = wood_evidence(sample(image, pixels), sample(empty, pixels), noise)
    height, width = image.shape[:2]
    inside = (
        (pixels[..., 0] >= 0) & (pixels[..., 0] <= width - 1) & (pixels[..., 1] >= 0) & (pixels[..., 1] <= height - 1)
    )
    wood = np.where(inside, wood, 0.0)
    total = np.concatenate([np.zeros((len(wood), 1)), np.cumsum(wood, axis=1)], axis=1)
    index = np.arange(len(across))

    def mean(low: Array, high: Array) -> Array:
        a = np.clip(np.round(index[None, :] + low[:, None]), 0, len(across)).astype(int)
        b = np.clip(np.round(index[None, :] + high[:, None]), 0, len(across)).astype(int)
        rows = np.arange(len(wood))[:, None]
        return np.asarray((total[rows, b] - total[rows, a]) / np.maximum(b - a, 1), dtype=float)

    half = 0.5 * thickness_mm
    core = mean(-half, half + 1)
    above, below = mean(half + 2, half + 7), mean(-half - 6, -half - 1)
    score = core - np.maximum(above, below) - 0.5 * np.minimum(above, below)
    best = score[0].copy()
    if start_mm is not None:
        best = best - 0.05 * (across - start_mm) ** 2
    steps = 5
    back = np.zeros(score.shape, dtype=int)
    moves = np.arange(-steps, steps + 1)
    cost = 0.35 * (moves * 4.0 / spacing_mm) ** 2 * 0.25
    padded = np.full(len(across) + 2 * steps, -1e9)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * steps + 1)  # a view: it follows ``padded``
    gain = np.minimum(np.maximum(score, -5.0), 25.0)
    for i in range(1, len(score)):
        padded[steps:-steps] = best
        options = windows - cost
        pick = options.argmax(axis=1)
        back[i] = index + pick - steps
        best = options[index, pick] + gain[i]
    path = np.zeros(len(score), dtype=int)
    path[-1] = int(np.argmax(best))
    for i in range(len(score) - 1, 0, -1):
        path[i - 1] = np.clip(back[i, path[i]], 0, len(across) - 1)
    rows = np.arange(len(score))
    return Band(across[path], score[rows, path])
