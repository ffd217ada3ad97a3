"""Growth rings along a ray from the pith, from what a band of a picture about it shows.

A ring ends where dark late wood meets the light early wood of the next year, at once; early wood darkens into late wood slowly. So the brightness along the
ray has its steepest rises (or, where open pores make early wood look dark, its steepest falls) at the rings' ends. Saw marks are straight and pass through a
band, checks run along the ray, pores are dots: over a band of neighbouring rays, whose radii are taken as shares of the rim's, they go out and rings stay.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.signal import find_peaks

Array = NDArray[np.float64]

STEP_MM = 0.1
SHARP_MM = 0.22
"""A ring's end is looked for over such a length (sd)."""
TREND_MM = 10.0
LEAST_APART_MM = 0.7
"""Rings thinner than that run together in a picture."""
SURE, FAINT = 4.5, 2.5
"""Times the noise that a sure ring's end stands out, and a faint one (common practice, no source)."""
MISCOUNTED = 0.09
"""Of the rings, beside what is seen to be faint or doubled (1 sd; 64 rays of 16 rendered ends: 89 % within 2 sd)."""
SHARE = 0.22
"""And this share of what the clear ones do."""


@dataclass(frozen=True)
class Rings:
    """Rings' ends along a ray, from the pith outward, mm.

    Attributes:
        ends_mm: (n,); surest first is not kept: they rise. count_sd: of their number, for those that are too faint to tell.
        late_share: median share of late wood in a ring, NaN where it cannot be told.
    """

    ends_mm: Array
    count_sd: float
    late_share: float


def _some(table: Array) -> Array:
    """The same with a zero where a whole column is unknown, so that its mean is none."""
    out = table.copy()
    out[0, np.all(np.isnan(out), axis=0)] = 0.0
    return out


def _without_trend(row: Array) -> Array:
    known = np.isfinite(row)
    if np.count_nonzero(known) < 20:
        return np.full(len(row), np.nan)
    filled = np.interp(np.arange(len(row)), np.flatnonzero(known), row[known])
    trend = gaussian_filter1d(filled, TREND_MM / STEP_MM)
    out = filled - trend
    scale = np.sqrt(gaussian_filter1d(out**2, TREND_MM / STEP_MM)) + 1e-6
    out = out / scale
    out[~known] = np.nan
    return np.asarray(out, dtype=float)


def rings_of(polar: Array, from_mm: float) -> Rings:
    """Rings' ends of a band.

    Args:
        polar: (m, n) brightness along m neighbouring rays, columns ``STEP_MM`` apart outward beginning at ``from_mm`` from the pith.
    """
    band = np.array([_without_trend(row) for row in polar])
    halves = [np.nanmean(_some(band[k::2]), axis=0) for k in (0, 1)]
    profile = 0.5 * (halves[0] + halves[1])
    slope = gaussian_filter1d(profile, SHARP_MM / STEP_MM, order=1) / STEP_MM
    apart = gaussian_filter1d(halves[0] - halves[1], SHARP_MM / STEP_MM, order=1) / STEP_MM
    noise = 1.4826 * float(np.median(np.abs(apart - np.median(apart)))) / 2 + 1e-9
    # the sudden side has the longer tail
    turn = 1.0 if float(np.mean(slope**3)) >= 0 else -1.0
    signed = turn * slope
    spread = float(np.percentile(signed, 97))
    peaks, told = find_peaks(
        signed,
        height=max(FAINT * noise, 0.5 * SHARE * spread),
        distance=max(int(LEAST_APART_MM / STEP_MM), 1),
        prominence=FAINT * noise,
    )
    heights = told["peak_heights"]
    if len(peaks) == 0:
        return Rings(np.zeros(0), 0.0, float("nan"))
    clear = float(np.median(heights[heights >= np.median(heights)]))
    sure = (heights >= SURE * noise) & (heights >= SHARE * clear) & (told["prominences"] >= 0.5 * heights)
    faint = int(np.count_nonzero(~sure))
    ends = from_mm + STEP_MM * _finer(signed, peaks[sure])
    gaps = np.diff(ends)
    # a gap of two of its neighbours' widths holds a ring that was not seen
    doubled = _doubled(gaps)
    count_sd = float(np.sqrt(0.25 * faint + 0.5 * doubled + (MISCOUNTED * len(ends)) ** 2))
    return Rings(ends, count_sd, _late(profile, turn, peaks[sure]))


def _doubled(gaps: Array) -> int:
    if len(gaps) < 5:
        return 0
    near = median_filter(gaps, size=5, mode="nearest")
    return int(np.count_nonzero(gaps > 1.75 * near))


def _finer(signed: Array, peaks: NDArray[np.int_]) -> Array:
    """Tops by a parabola."""
    inner = np.clip(peaks, 1, len(signed) - 2)
    a, b, c = signed[inner - 1], signed[inner], signed[inner + 1]
    below = a - 2 * b + c
    shift = np.where(below < 0, 0.5 * (a - c) / np.where(below < 0, below, 1.0), 0.0)
    return np.asarray(inner + np.clip(shift, -1, 1), dtype=float)


def _late(profile: Array, turn: float, ends: NDArray[np.int_]) -> float:
    """Median share of a ring that is nearer to its darkest than to its lightest."""
    shares = []
    smooth = gaussian_filter1d(profile, SHARP_MM / STEP_MM)
    for a, b in itertools.pairwise(ends):
        ring = smooth[a:b]
        if len(ring) < 8:
            continue
        low, high = np.percentile(ring, [10, 90])
        dark = ring < 0.5 * (low + high)
        shares.append(float(np.mean(dark if turn > 0 else ~dark)))
    return float(np.median(shares)) if len(shares) >= 3 else float("nan")
