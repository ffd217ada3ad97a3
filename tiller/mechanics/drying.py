"""How a stave dries: its mass over time comes to a level; when it will be dry enough, with the band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]

FEWEST = 4
LEAST_SD_KG = 0.003
"""A kitchen scale and a hand do no better than this (common practice, no source)."""
DRAWS = 400


@dataclass(frozen=True)
class Drying:
    """Fitted curve mass = level + (first - level) exp(-t / pace).

    Attributes:
        level_kg, level_sd_kg: where it comes to; first_kg; pace_days.
        cov: (3, 3) of level, first, log pace.
        rms_kg: how far weigh-ins lie off it.
    """

    level_kg: float
    level_sd_kg: float
    first_kg: float
    pace_days: float
    cov: Array
    rms_kg: float

    def mass(self, days: Array) -> Array:
        """Mass at those days, kg."""
        return np.asarray(self.level_kg + (self.first_kg - self.level_kg) * np.exp(-np.asarray(days) / self.pace_days))


@dataclass(frozen=True)
class Ready:
    """When the stave will have come down to a mass: days from the first weigh-in, median and 1-sd band; inf = not in sight."""

    days: float
    early_days: float
    late_days: float


def fit_drying(days: Array, mass_kg: Array) -> Drying | None:
    """The curve through weigh-ins (n,), None where they do not tell one: too few, or no level in sight yet.

    Args:
        days: from the first weigh-in, ascending.
    """
    t, m = np.asarray(days, dtype=float), np.asarray(mass_kg, dtype=float)
    if len(t) < FEWEST or t[-1] - t[0] < 10.0 or m[0] - m[-1] < 3 * LEAST_SD_KG:
        return None
    best = None
    for pace in (0.15, 0.4, 1.0, 2.5):
        start = np.array([m[-1] - 0.1 * (m[0] - m[-1]), m[0], np.log(pace * (t[-1] - t[0]))])
        try:
            fit = least_squares(
                lambda p: p[0] + (p[1] - p[0]) * np.exp(-t / np.exp(p[2])) - m,
                start,
                bounds=([0.0, 0.0, -1.0], [m[-1] + 3 * LEAST_SD_KG, 2 * m[0], 9.0]),
                x_scale=[0.1, 0.1, 0.5],
            )
        except ValueError:
            continue
        if best is None or fit.cost < best.cost:
            best = fit
    if best is None:
        return None
    level, first, log_pace = best.x
    rms = float(np.sqrt(2 * best.cost / len(t)))
    noise = max(LEAST_SD_KG, float(np.sqrt(2 * best.cost / max(len(t) - 3, 1))))
    cov = noise**2 * np.linalg.pinv(best.jac.T @ best.jac, hermitian=True)
    sd = float(np.sqrt(cov[0, 0]))
    if not np.isfinite(sd) or sd > 0.25 * (m[0] - level) or log_pace > 8.9:
        return None
    return Drying(float(level), sd, float(first), float(np.exp(log_pace)), cov, rms)


def ready(curve: Drying, wanted_kg: float, seed: int = 0) -> Ready:
    """When the curve passes a mass, from draws of what the weigh-ins leave open."""
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(curve.cov + 1e-14 * np.eye(3))
    drawn = np.array([curve.level_kg, curve.first_kg, np.log(curve.pace_days)]) + rng.normal(size=(DRAWS, 3)) @ root.T
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (wanted_kg - drawn[:, 0]) / (drawn[:, 1] - drawn[:, 0])
        days = np.where(share >= 1, 0.0, np.where(share > 0, -np.exp(drawn[:, 2]) * np.log(share), np.inf))
    early, middle, late = np.percentile(days, [16, 50, 84], method="nearest")
    return Ready(float(middle), float(early), float(late))
