"""Counts to newton: sensitivity from calibration, zero from the slack string, sign from the pull itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import LoadCell
from tiller.errors import ForceFault
from tiller.force.log import ForceLog
from tiller.quantity import newton

Array = NDArray[np.float64]

DRIFT_SHARE = 0.25
"""How much of a drift that is taken out as linear may be left, as an sd (common practice, no source)."""
LARGEST_DRIFT = 0.02
"""A steady end of the log above this share of the largest force (and 0.5 N) is not taken for drift."""
LIGHT_END = 0.15
"""Up to this share of the largest force a steady end is too light to be a hold of the pull and is reported."""
UNSEEN_DRIFT_N = 0.3
"""Sd of the zero where the log does not end with a slack string (common practice, no source)."""
MOVING_SD_N = 1.0
"""What the curve of a moving rope's force adds to a straight line's sd (common practice, no source)."""
FAR_N = 25.0
"""A first zero this far from rig.toml's own may be a load that hangs there already (common practice, no source)."""
SENSITIVITY_SD = 0.002
"""Relative sd of the sensitivity where no calibration says better (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class ForceSeries:
    """Force over time.

    Attributes:
        t_s: (n,) host time, still late against the pictures by an unknown lag.
        force_n: (n,) N, positive when the rope pulls.
        noise_n: sd of one reading.
        zero_counts: counts at no load, from the slack string.
        zero_sd_n: sd of the zero (its drift through the pull included).
        reversed_sign: the cell's sign was against the calibration's.
        drift_n: how far the zero wandered from before the pull to after it (taken out); 0 where the log ends under load.
        end_n: what the scale read, steady, at the log's end where that is too much for a drift and little for a pull;
            NaN else. Either the string was not slack or the zero wandered far; nothing was taken out.
        sensitivity_sd: relative sd of all forces together, by the calibration or, without one, by practice.
    """

    t_s: Array
    force_n: Array
    noise_n: float
    zero_counts: float
    zero_sd_n: float
    reversed_sign: bool
    drift_n: float
    end_n: float
    sensitivity_sd: float = SENSITIVITY_SD


def to_newton(log: ForceLog, cell: LoadCell, slack_s: tuple[float, float]) -> ForceSeries:
    """Force from counts.

    Args:
        log: readings of the pull.
        cell: calibration; its zero is only a starting point, a rack warms up and drifts.
        slack_s: from when to when the string was slack (host time).

    Raises:
        ForceFault: no reading while the string was slack, or no pull in the log.
    """
    scale = abs(cell.counts_per_newton)
    during = (log.t_s >= slack_s[0]) & (log.t_s <= slack_s[1])
    if np.count_nonzero(during) < 3:
        near = np.abs(log.t_s - 0.5 * (slack_s[0] + slack_s[1])) < 0.5 * (slack_s[1] - slack_s[0]) + 10.0
        during = near & (log.t_s <= slack_s[1])
    if np.count_nonzero(during) < 3:
        msg = "The scale sent nothing while the string was slack, so its zero is unknown: let the scale run before the pull begins."
        raise ForceFault(msg)
    zero = float(np.median(log.counts[during]))
    steps = np.diff(log.counts)
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2.0) / scale
    sign = 1.0 if cell.counts_per_newton > 0 else -1.0
    away = sign * cell.newtons(log.counts - zero)
    low, high = float(np.min(away)), float(np.max(away))
    direction = 1.0 if high >= -low else -1.0
    if max(high, -low) < max(3.0, 8.0 * noise):
        msg = f"The force log shows no pull: the largest force is {newton(max(high, -low), 1)}; check that the load cell is in the rope."
        raise ForceFault(msg)
    force = direction * away
    own = noise / np.sqrt(np.count_nonzero(during))
    after, drift, end = _slack_after(log.t_s, force, noise)
    if after is not None:
        # the zero wandered by this much between the two slack stretches: taken as linear in time
        before = float(np.mean(log.t_s[during]))
        share = np.clip((log.t_s - before) / (after - before), 0.0, 1.0)
        force = force - drift * share
    sd = (
        float(np.sqrt(own**2 + (DRIFT_SHARE * drift) ** 2))
        if after is not None
        else float(np.hypot(own, UNSEEN_DRIFT_N))
    )
    return ForceSeries(
        t_s=log.t_s,
        force_n=force,
        noise_n=noise,
        zero_counts=zero,
        zero_sd_n=sd,
        reversed_sign=direction != sign,
        drift_n=drift,
        end_n=end,
        sensitivity_sd=cell.sensitivity_sd or SENSITIVITY_SD,
    )


def _slack_after(t: Array, force: Array, noise: float) -> tuple[float | None, float, float]:
    """Time and force of a slack string at the log's end, and a steady light force there that cannot be distinguished from one.

    (None, 0, NaN) where the log ends under load.
    """
    tail = t >= t[-1] - 3.0
    level, largest = float(np.median(force[tail])), float(np.max(force))
    flat = float(np.ptp(force[tail])) < 12.0 * noise + 0.5
    if flat and np.count_nonzero(tail) >= 3:
        if abs(level) < LARGEST_DRIFT * largest + 0.5:
            return float(np.mean(t[tail])), level, float("nan")
        if abs(level) < LIGHT_END * largest:
            return None, 0.0, level
    return None, 0.0, float("nan")


@dataclass(frozen=True)
class ForceAt:
    """Force at given moments: (k,) force and sd, NaN where the log has nothing; held = steady there."""

    force_n: Array
    sd_n: Array
    held: NDArray[np.bool_]


def force_at(series: ForceSeries, moments_s: Array, reach_s: float = 0.6) -> ForceAt:
    """Force at moments on the series' own clock.

    A straight line through the readings of the steady stretch about the moment (through all within
    ``reach_s`` where it moves). The sd holds noise, zero and, where it moves, what the motion adds.
    """
    force = np.full(len(moments_s), np.nan)
    sd = np.full(len(moments_s), np.nan)
    held = np.zeros(len(moments_s), dtype=bool)
    for k, moment in enumerate(moments_s):
        near = np.abs(series.t_s - moment) <= reach_s
        if np.count_nonzero(near) < 3:
            continue
        t, f = series.t_s[near] - moment, series.force_n[near]
        if np.min(t) > 0.3 or np.max(t) < -0.3:
            continue
        core = np.abs(t) <= 0.25
        if np.count_nonzero(core) < 3:
            core = np.argsort(np.abs(t))[:5]
        level = float(np.median(f[core]))
        steady = np.abs(f - level) <= 4.0 * series.noise_n + 0.006 * abs(level) + 0.2
        # the steady stretch that holds the moment, without holes
        order = np.argsort(t)
        t, f, steady = t[order], f[order], steady[order]
        if not np.any(steady):  # the rope moves: a straight line through all within reach
            line = np.polyfit(t, f, 1)
            force[k] = float(np.polyval(line, 0.0))
            left = float(np.std(f - np.polyval(line, t)))
            own = 2.0 * max(left, series.noise_n) / np.sqrt(len(t))
            sd[k] = float(
                np.sqrt(own**2 + series.zero_sd_n**2 + (series.sensitivity_sd * force[k]) ** 2 + MOVING_SD_N**2)
            )
            continue
        centre = int(np.argmin(np.abs(t)))
        if not steady[centre]:
            centre = int(np.argmin(np.where(steady, np.abs(t), np.inf)))
        low = centre
        while low > 0 and steady[low - 1]:
            low -= 1
        high = centre
        while high < len(t) - 1 and steady[high + 1]:
            high += 1
        cut = slice(low, high + 1)
        tt, ff = t[cut], f[cut]
        held[k] = bool(tt[-1] - tt[0] > 0.5) if len(tt) > 1 else False
        if len(tt) >= 5 and tt[-1] - tt[0] > 0.3:
            line = np.polyfit(tt, ff, 1)
            force[k] = float(np.polyval(line, 0.0)) if tt[0] <= 0 <= tt[-1] else float(ff[np.argmin(np.abs(tt))])
        else:
            force[k] = float(np.median(ff))
        moving = 0.0 if held[k] else 0.3 * float(np.ptp(series.force_n[near]))
        own = 2.0 * series.noise_n / np.sqrt(max(1, len(tt)))
        sd[k] = float(np.sqrt(own**2 + series.zero_sd_n**2 + (series.sensitivity_sd * force[k]) ** 2 + moving**2))
    return ForceAt(force, sd, held)
