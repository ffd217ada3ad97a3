"""What is known of a limb's stiffness before it is pulled: calipers, and how wood and rasp scatter.

log EI(s) is a Gaussian process: a trend of any level, the thickness between the caliper stations as
a process that passes near the readings, and the wood's modulus wandering along the limb. Spreads are
common practice, no source, unless noted otherwise; they are wide on purpose, so that the pull decides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import CALIPER_SD_MM

Array = NDArray[np.float64]

FAULT_SD = 0.045
FAULT_LENGTH_MM = 45.0
TREND_SD = 0.30
TREND_LENGTH_MM = 350.0
MODULUS_SD = 0.03
MODULUS_LENGTH_MM = 70.0
SHAPE_SD = 0.10
SHAPE_LENGTH_MM = 300.0
LEVEL_SD = 0.5
OUTLINE_TREND_SD = 0.06
OUTLINE_TREND_MM = 250.0
OUTLINE_SD_MM = 0.25
OUTLINE_LENGTH_MM = 40.0
BUMP_MM = 60.0
"""Thickness faults (relative sd, length), thickness trend, modulus along one limb, what an unknown crown and
section do along a tapering limb, and the level."""


@dataclass(frozen=True, kw_only=True)
class StiffnessPrior:
    """Gaussian knowledge of log thickness and log EI on stations.

    Attributes:
        s_mm: (n,).
        log_ei: (n,) mean of log EI, EI in N mm2.
        cov: (n, n) covariance of log EI.
        log_h: (n,) mean of log thickness (mm).
        cov_h: (n, n) covariance of log thickness.
        cross: (n, n) covariance of log thickness (rows) with log EI (columns).
    """

    s_mm: Array
    log_ei: Array
    cov: Array
    log_h: Array
    cov_h: Array
    cross: Array


def matern52(a: Array, b: Array, sd: float, length: float) -> Array:
    """Matern 5/2 covariance between places a and b (Rasmussen and Williams 2006, eq. 4.17)."""
    r = np.sqrt(5.0) * np.abs(a[:, None] - b[None, :]) / length
    return np.asarray(sd**2 * (1 + r + r * r / 3) * np.exp(-r), dtype=float)


def without_bumps(values: Array, width: int) -> Array:
    """Running median over ``width`` stations (odd): takes out bumps narrower than half of it, such as knots."""
    half = width // 2
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(values, half, mode="edge"), width)
    return np.asarray(np.median(windows, axis=1), dtype=float)


def stiffness_prior(
    s_mm: Array,
    station_s_mm: Array,
    station_h_mm: Array,
    ei_of_h: Callable[[Array], Array],
    outline_mm: Array | None = None,
    outline_sd_mm: float = 0.0,
    caliper_sd_mm: float = CALIPER_SD_MM,
) -> StiffnessPrior:
    """Prior of log EI on s_mm from caliper readings and, where it was seen, the outline.

    Calipers say how thick the limb is at a few stations; the outline says where between them it
    changes. The outline's own level and trend are not believed (perspective, light), nor bumps
    narrower than a spot that matters (knots).

    Args:
        s_mm: (n,) where it is wanted, evenly spaced.
        station_s_mm, station_h_mm: (k,) readings.
        ei_of_h: EI (N mm2) on s_mm for a thickness on s_mm, with the assumed modulus.
        outline_mm: (n,) thickness by the outline, NaN where not seen.
        caliper_sd_mm: how sure the readings are.
        outline_sd_mm: how well it is known besides ``OUTLINE_SD_MM``, from how it differs between pictures.
    """

    def kernel(a: Array, b: Array) -> Array:
        return matern52(a, b, FAULT_SD, FAULT_LENGTH_MM) + matern52(a, b, TREND_SD, TREND_LENGTH_MM)

    trend = np.polyfit(station_s_mm, np.log(station_h_mm), min(2, len(station_s_mm) - 1))
    at = station_s_mm
    value = np.log(station_h_mm) - np.polyval(trend, at)
    noise = np.diag((caliper_sd_mm / station_h_mm) ** 2)
    if outline_mm is not None and np.count_nonzero(np.isfinite(outline_mm)) > len(s_mm) // 2:
        seen = np.isfinite(outline_mm)
        filled = np.interp(s_mm, s_mm[seen], outline_mm[seen])
        spacing = float(np.median(np.diff(s_mm)))
        clean = without_bumps(filled, 2 * int(round(0.5 * BUMP_MM / spacing)) + 1)
        pick = np.arange(0, len(s_mm), max(1, int(round(10.0 / spacing))))
        pick = pick[seen[pick]]
        where, thick = s_mm[pick], clean[pick]
        at = np.concatenate([at, where])
        value = np.concatenate([value, np.log(thick) - np.polyval(trend, where)])
        own = np.ones((len(where), len(where))) * 0.3**2 + matern52(where, where, OUTLINE_TREND_SD, OUTLINE_TREND_MM)
        own = own + matern52(where, where, max(OUTLINE_SD_MM, outline_sd_mm), OUTLINE_LENGTH_MM) / np.outer(
            thick, thick
        )
        k = len(station_s_mm)
        full = np.zeros((len(at), len(at)))
        full[:k, :k] = noise
        full[k:, k:] = own + np.diag((0.1 / thick) ** 2)
        noise = full
    gain = np.linalg.solve(kernel(at, at) + noise, kernel(at, s_mm)).T
    log_h = np.polyval(trend, s_mm) + gain @ value
    cov_h = kernel(s_mm, s_mm) - gain @ kernel(at, s_mm)
    cov_h = 0.5 * (cov_h + cov_h.T)
    ei = ei_of_h(np.exp(log_h))
    power = np.log(ei_of_h(np.exp(log_h + 0.01)) / ei) / 0.01
    cross = cov_h * power[None, :]
    cov = cross * power[:, None] + matern52(s_mm, s_mm, MODULUS_SD, MODULUS_LENGTH_MM)
    cov = cov + matern52(s_mm, s_mm, SHAPE_SD, SHAPE_LENGTH_MM) + LEVEL_SD**2
    return StiffnessPrior(
        s_mm=s_mm, log_ei=np.log(ei), cov=cov + 1e-7 * np.eye(len(s_mm)), log_h=log_h, cov_h=cov_h, cross=cross
    )
