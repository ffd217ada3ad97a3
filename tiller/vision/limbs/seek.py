"""Finding the limb from scratch: a band of wood that was not there in the picture of the empty rack.

The picture is sampled on a strip along an expected line (stations along it, offsets across it, in
the bow's own plane). What counts as wood is what no light can explain (``light``): a hue that is not the empty rack's, plus a
smaller share of the plain difference. A matched filter as wide as the limb, less its surroundings, gives evidence; a dynamic
programme takes the best connected line through it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.vision.limbs.frame import Frame, sample
from tiller.vision.limbs.light import Image, Light, Single, strange
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]


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


SEEK_NOISE = 1.5
"""Noise that wood must stand out from, over that of the picture (the rack is never lit quite alike twice)."""


STRANGE = 6.0
"""What differs from the wood by so much is something else (an independent rig's pictures: wood itself by 3.3 and less, 99 % of it)."""


def wood_evidence(picture: Single, empty: Single, light: Light, noise: float) -> Array:
    """How far each colour is from the empty rack's in any light, over the noise; same shape less one."""
    return np.asarray(np.minimum(strange(picture, empty, light) / np.float32(noise), 40.0), dtype=float)


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Where a band is sought.

    Attributes:
        line_mm: (n, 2) the expected line, evenly spaced by ``spacing_mm``; normal_mm: (n, 2) unit normals to the back.
        thickness_mm: (n,) apparent thickness of the band.
        reach_mm: search from -reach[0] to +reach[1] across the line.
        start_mm: where the band starts across the line, if known.
    """

    line_mm: Array
    normal_mm: Array
    thickness_mm: Array
    reach_mm: tuple[float, float]
    spacing_mm: float
    start_mm: float | None = None


def find_band(frame: Frame, stretch: Stretch, noise: float, wood: Single | None = None) -> Band:
    """The most evident band along a line.

    ``wood``: (n, 3) the limb's colour, if known: what has another is no evidence of it.
    """
    across, pixels, inside = _strip(frame.image, frame.view, frame.plane_z_mm, stretch)
    now = frame.now(pixels)
    evidence = np.where(inside, wood_evidence(now, frame.behind(pixels), frame.light, noise), 0.0)
    if wood is not None:
        other = wood_evidence(now, np.broadcast_to(wood[:, None, :], now.shape), frame.light.any_shade, noise)
        evidence = evidence * np.exp(-0.5 * (other / STRANGE) ** 2)
    mean = _means(evidence)
    half = 0.5 * stretch.thickness_mm
    core = mean(-half, half + 1)
    above, below = mean(half + 2, half + 7), mean(-half - 6, -half - 1)
    score = core - np.maximum(above, below) - 0.5 * np.minimum(above, below)
    path = _best_path(np.clip(score, -5.0, 25.0), across, stretch.spacing_mm, stretch.start_mm)
    return Band(across[path], score[np.arange(len(score)), path])


def lone_band(image: Image, view: View, plane_z_mm: float, stretch: Stretch) -> Band:
    """The most evident band along a line in one picture alone, with no picture of the empty rack to compare it with.

    The evidence is the difference in colour, as a share of what is beside it, that each third of the band has from what
    lies above it and from what lies below it, the least of them: a drawn line does not fill the band, a board on the wall may.
    """
    across, pixels, inside = _strip(image, view, plane_z_mm, stretch)
    colours = sample(image, pixels).astype(float)
    means = [_means(colours[..., k]) for k in range(3)]

    def mean(low: Array, high: Array) -> Array:
        return np.stack([one(low, high) for one in means], axis=-1)

    half, third = 0.5 * stretch.thickness_mm, (stretch.thickness_mm - 2.0) / 3.0
    beside = (mean(half + 2, half + 7), mean(-half - 6, -half - 1))
    thirds = [mean(-half + 1 + k * third, -half + 2 + (k + 1) * third) for k in range(3)]
    apart = np.min(
        [np.linalg.norm(p - b, axis=-1) / (np.linalg.norm(b, axis=-1) + 1.0) for p in thirds for b in beside], axis=0
    )
    score = np.where(inside, apart, 0.0)
    path = _best_path(np.clip(250.0 * score, 0.0, 25.0), across, stretch.spacing_mm, stretch.start_mm)
    return Band(across[path], score[np.arange(len(score)), path])


def _strip(image: Image, view: View, plane_z_mm: float, stretch: Stretch) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Offsets (m,) mm across a line, the pixels (n, m, 2) there, and which of them are in the picture (n, m)."""
    across = np.arange(-stretch.reach_mm[0], stretch.reach_mm[1] + 0.5, 1.0)
    points = stretch.line_mm[:, None, :] + across[None, :, None] * stretch.normal_mm[:, None, :]
    pixels = view.plane_to_pixels(points.reshape(-1, 2), plane_z_mm).reshape(len(stretch.line_mm), len(across), 2)
    height, width = image.shape[:2]
    inside = (
        (pixels[..., 0] >= 0) & (pixels[..., 0] <= width - 1) & (pixels[..., 1] >= 0) & (pixels[..., 1] <= height - 1)
    )
    return across, np.asarray(pixels, dtype=float), inside


def _means(values: Array) -> Callable[[Array, Array], Array]:
    """Means (n, m) of values (n, m) over windows from low (n,) to below high (n,) about each column, cut off at the border."""
    count = values.shape[1]
    total = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    index = np.arange(count)
    rows = np.arange(len(values))[:, None]

    def mean(low: Array, high: Array) -> Array:
        a = np.clip(np.round(index[None, :] + low[:, None]), 0, count).astype(int)
        b = np.clip(np.round(index[None, :] + high[:, None]), 0, count).astype(int)
        return np.asarray((total[rows, b] - total[rows, a]) / np.maximum(b - a, 1), dtype=float)

    return mean


def _best_path(gain: Array, across: Array, spacing_mm: float, start_mm: float | None) -> NDArray[np.int_]:
    """The connected line of columns (n,) through a table (n, m) that gains most; leaning costs."""
    best = gain[0].copy()
    if start_mm is not None:
        best = best - 0.05 * (across - start_mm) ** 2
    steps = 5
    index = np.arange(len(across))
    back = np.zeros(gain.shape, dtype=int)
    moves = np.arange(-steps, steps + 1)
    cost = 0.35 * (moves * 4.0 / spacing_mm) ** 2 * 0.25
    padded = np.full(len(across) + 2 * steps, -1e9)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * steps + 1)  # a view: it follows ``padded``
    for i in range(1, len(gain)):
        padded[steps:-steps] = best
        options = windows - cost
        pick = options.argmax(axis=1)
        back[i] = index + pick - steps
        best = options[index, pick] + gain[i]
    path = np.zeros(len(gain), dtype=int)
    path[-1] = int(np.argmax(best))
    for i in range(len(gain) - 1, 0, -1):
        path[i - 1] = np.clip(back[i, path[i]], 0, len(across) - 1)
    return path
