"""How late the scale's readings are against the pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.force.cell import ForceSeries

Array = NDArray[np.float64]

PRIOR_S = 0.10
PRIOR_SD_S = 0.10
"""A converter's settling, the line and the port take about this long (common practice, no source)."""
EARLIEST_S, LATEST_S = -0.3, 0.9
FAR_S = 30.0
HOLE_S = 0.5
"""Where the scale said nothing for this long, a picture says nothing about the lag."""
TAUT_SHARE = 0.1
STRAY_SD = 2.5
"""A point further off than this counts by its distance only (Huber's loss)."""
HOLD_SHARE = 0.006
"""In a hold the force wanders by about this share of itself as wood relaxes (common practice, no source)."""


@dataclass(frozen=True)
class Lag:
    """Lag of the force's clock behind the pictures': force time = picture time + lag_s.

    Attributes:
        lag_s, sd_s: estimate and its sd.
        from_data: the pull itself says more than common practice does.
        elsewhere_s: a shift far from what a serial line takes at which pictures and force fit much better; None where none does.
    """

    lag_s: float
    sd_s: float
    from_data: bool
    elsewhere_s: float | None = None


def find_lag(series: ForceSeries, picture_s: Array, draw_mm: Array, draw_sd_mm: float = 0.4) -> Lag:
    """The lag at which force is the smoothest function of draw on the way up.

    For every lag on a grid the force at the pictures' moments is fitted by a polynomial of degree 4 in the draw; the
    misfit over its expected size gives a likelihood, times a Gaussian for what a serial line usually
    takes. Pictures taken at steady holds say little about the lag: then the sd says so.
    """
    up = slice(0, int(np.nanargmax(draw_mm)) + 1) if np.any(np.isfinite(draw_mm)) else slice(0, 0)
    t, x = picture_s[up], draw_mm[up]
    good = np.isfinite(x) & _with_readings(series.t_s, t)
    t, x = t[good], x[good]
    # where the string has just come taut the force begins with a kink, which no smooth curve follows
    begun = np.interp(t + PRIOR_S, series.t_s, series.force_n)
    taut = begun > TAUT_SHARE * float(np.max(begun, initial=0.0))
    t, x = t[taut], x[taut]
    if len(t) < 7:
        return Lag(PRIOR_S, PRIOR_SD_S, False)
    grid = np.arange(EARLIEST_S, LATEST_S + 1e-4, 0.01)
    u = (x - x.mean()) / (np.ptp(x) + 1e-9)
    smoothed = _smoothed(series)
    force = np.interp(t + grid[:, None], series.t_s, smoothed)
    coef, curve = _polynomials(u, force)
    slope = np.abs(coef[:, 1]) / (np.ptp(x) + 1e-9)
    size = np.sqrt(
        (slope[:, None] * draw_sd_mm) ** 2 + (0.3 * series.noise_n) ** 2 + (HOLD_SHARE * force) ** 2 + 0.1**2
    )
    off = np.abs(force - curve) / size
    misfit = np.sum(np.where(off < STRAY_SD, 0.5 * off**2, STRAY_SD * off - 0.5 * STRAY_SD**2), axis=1)
    cost = misfit + 0.5 * ((grid - PRIOR_S) / PRIOR_SD_S) ** 2
    weight = np.exp(-(cost - cost.min()))
    weight /= weight.sum()
    lag = float(np.sum(weight * grid))
    sd = float(np.sqrt(np.sum(weight * (grid - lag) ** 2)) + 0.005)
    if sd > PRIOR_SD_S:  # several lags fit about as well: the pull says nothing
        lag, sd = PRIOR_S, PRIOR_SD_S
    return Lag(lag, sd, sd < 0.7 * PRIOR_SD_S, _elsewhere(series.t_s, smoothed, t, u))


def _elsewhere(readings_s: Array, force_n: Array, t: Array, u: Array) -> float | None:
    """A shift of some seconds at which the force is a far smoother function of the draw; None where there is none."""
    spread = float(np.ptp(np.interp(t, readings_s, force_n))) + 1.0
    lags = np.arange(-FAR_S, FAR_S, 0.1)
    force = np.interp(t + lags[:, None], readings_s, force_n)
    left = np.sqrt(np.mean((force - _polynomials(u, force)[1]) ** 2, axis=1))
    left = np.where(np.ptp(force, axis=1) > 0.7 * spread, left, np.inf)
    best = float(np.min(left))
    shift = float(lags[np.argmin(left)]) if np.isfinite(best) else float("nan")
    here = np.interp(t + PRIOR_S, readings_s, force_n)
    rough = float(np.sqrt(np.mean((here - _polynomials(u, here[None])[1][0]) ** 2)))
    far = not EARLIEST_S - 0.2 < shift < LATEST_S + 0.2
    return shift if far and rough > 0.02 * spread and best < 0.4 * rough else None


def _polynomials(u: Array, force: Array) -> tuple[Array, Array]:
    """Least squares of degree 4 to each row of force (l, m) over u (m,): coefficients (l, 5), constant first, and the curves (l, m)."""
    powers = np.vander(u, 5, increasing=True)
    coef = np.linalg.lstsq(powers, force.T, rcond=None)[0]
    return np.asarray(coef.T, dtype=float), np.asarray((powers @ coef).T, dtype=float)


def _with_readings(readings_s: Array, picture_s: Array) -> NDArray[np.bool_]:
    """Which pictures (k,) have readings without a hole at every lag that is tried."""
    around = np.concatenate([[-np.inf], readings_s, [np.inf]])
    start, end = around[:-1], around[1:]
    hole = end - start > HOLE_S
    low, high = picture_s + EARLIEST_S, picture_s + LATEST_S
    return np.asarray(~np.any((start[hole] < high[:, None]) & (end[hole] > low[:, None]), axis=1), dtype=bool)


def _smoothed(series: ForceSeries) -> Array:
    """Running median of three readings."""
    f = series.force_n
    if len(f) < 3:
        return f
    return np.asarray(
        np.median(np.lib.stride_tricks.sliding_window_view(np.pad(f, 1, mode="edge"), 3), axis=1), dtype=float
    )
