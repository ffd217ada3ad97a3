"""A bow's stiffness carried from pull to pull: what came off is predicted, the next pull corrects it.

Each pull shows log EI along a limb with an error. Part of that error comes again in every pull of the same bow (calipers, the section's shape, the
rig); the rest is new each time. Pulls can only take the new part out. So what is carried is the stiffness as this rig would show it without the new
part, by a Kalman filter (R. E. Kalman 1960): before each pull what came off is added with its covariance, then the pull is weighed in with the new
part of its own. The part that comes again is added to the sd at the end.

Wood that came off elsewhere than was noted shows as a departure from what was predicted. There the earlier pulls count for less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LASTING = 0.7
"""Share of an error's variance that comes again in the next pull of the same bow (independent rig: two pulls of one bow, live, 0.84 and 0.47 over the
working limbs; halves of nine recordings 0.76 in the median, but these have light and rest picture in common)."""
LEAST_SD = 0.003
"""No map is surer than this, whatever is stored of it (common practice, no source)."""
ALIKE_MM = 40.0
"""What nobody planned errs alike over about this much (a Gaussian's sd; a scraper's stretch)."""
OWN = 0.05
"""Share of an error's variance that a station has for itself."""
STRETCH_MM = 60.0
"""A stretch that a scraper takes down as one."""
SURPRISE = 9.0
"""A stretch whose departure from what was predicted has a square this many times its variance was worked on otherwise than was noted: three sd, since a
limb holds some ten stretches (as ``marks.SURE``)."""
UNSEEN_SD = 3.0
"""Sd of log EI where a pull does not show the limb: it tells nothing there."""
DEPTH_SD, LEAST_DEPTH_SD_MM = 0.2, 0.02
"""A hand misses a layer's depth by this share and this much, alike over the layer (common practice, no source)."""
END_SD_MM = 6.0
"""And its ends by this much; what it leaves there runs out over ``RUNS_OUT_MM`` (common practice, no source)."""
RUNS_OUT_MM = 16.0


@dataclass(frozen=True)
class CameOff:
    """What is thought to have come off a limb between a pull and the next one.

    Attributes:
        log_ei: (n,) expected change of log EI at the stations, not positive.
        cov: (n, n) its covariance.
    """

    log_ei: Array
    cov: Array


@dataclass(frozen=True)
class Shown:
    """What a pull shows of a limb.

    Attributes:
        log_ei: (n,) at the stations; NaN where the limb was not seen.
        sd: (n,) of it, all of its error.
    """

    log_ei: Array
    sd: Array


def came_off(
    s_mm: Array, taken: Sequence[tuple[float, float, float]], slope_per_mm: Array, stroke_sd: float
) -> CameOff:
    """What layers that were taken off did to a limb.

    Args:
        s_mm: (n,) stations; taken: of each layer from, to and depth, mm.
        slope_per_mm: (n,) by how much log EI rises per mm of thickness.
        stroke_sd: relative sd of all depths together: how deep a stroke goes, and whether the layers were taken at all.
    """
    n = len(s_mm)
    depth, cov = np.zeros(n), np.zeros((n, n))
    for low, high, deep in taken:
        rises, falls = ((s_mm - low) / RUNS_OUT_MM + 0.5, (high - s_mm) / RUNS_OUT_MM + 0.5)
        inside = np.clip(rises, 0.0, 1.0) * np.clip(falls, 0.0, 1.0)
        depth += deep * inside
        missed = DEPTH_SD**2 * deep**2 + LEAST_DEPTH_SD_MM**2
        cov += missed * np.outer(inside, inside)
        for end in (rises, falls):
            edge = np.where((end > 0.0) & (end < 1.0), deep / RUNS_OUT_MM, 0.0)
            cov += END_SD_MM**2 * np.outer(edge, edge)
    cov += stroke_sd**2 * np.outer(depth, depth)
    return CameOff(-slope_per_mm * depth, cov * np.outer(slope_per_mm, slope_per_mm))


def alike(s_mm: Array, sd: Array | float) -> Array:
    """Covariance (n, n) of an error with this sd, (n,) or one for all, that is alike over ``ALIKE_MM``."""
    near = np.exp(-0.5 * ((s_mm[:, None] - s_mm[None, :]) / ALIKE_MM) ** 2)
    each = np.broadcast_to(np.asarray(sd, dtype=float), s_mm.shape)
    return np.asarray(each[:, None] * near * each[None, :], dtype=float)


def carried(s_mm: Array, before: Sequence[tuple[Shown, CameOff]], now: Array, now_cov: Array) -> tuple[Array, Array]:
    """log EI (n,) of a limb by all pulls, and its covariance (n, n).

    Args:
        s_mm: (n,) stations, evenly spaced.
        before: earlier pulls, oldest first, each with what came off after it.
        now: (n,) log EI as this pull shows it; now_cov: (n, n) all of its error.
    """
    sd = np.maximum(np.sqrt(np.diag(now_cov)), LEAST_SD)
    lasting = LASTING * now_cov
    if not before:
        return now, now_cov
    # not the fit's own correlations: they are of one pull's pictures, and sums that one pull knows well another may err by
    like = alike(s_mm, 1.0) * (1.0 - OWN) + OWN * np.eye(len(s_mm))
    mean, cov = np.zeros(0), np.zeros((0, 0))
    for shown, off in before:
        # what lasts of a surer pull's error is that of this one; what an unsure one has beyond it is its own
        all_sd = np.maximum(shown.sd, LEAST_SD)
        own = np.sqrt(np.maximum(all_sd**2 - LASTING * sd**2, (1.0 - LASTING) * all_sd**2))
        known = np.isfinite(shown.log_ei) & np.isfinite(own)
        own = np.where(known, own, UNSEEN_SD)
        # what stands for a station that was not seen says nothing of the one beside it
        noise = own[:, None] * like * own[None, :] * (known[:, None] == known[None, :])
        seen = np.where(known, shown.log_ei, now)
        mean, cov = (seen, noise) if not len(mean) else _weighed_in(s_mm, mean, cov, seen, noise)
        mean, cov = mean + off.log_ei, cov + off.cov
    mean, cov = _weighed_in(s_mm, mean, cov, now, (1.0 - LASTING) * sd[:, None] * like * sd[None, :])
    return mean, cov + lasting


def _weighed_in(s_mm: Array, mean: Array, cov: Array, seen: Array, noise: Array) -> tuple[Array, Array]:
    """A prediction (n,), (n, n) with what a pull shows (n,), (n, n) weighed in."""
    off = seen - mean
    cov = cov + alike(s_mm, _surprise(s_mm, off, cov + noise))
    gain = np.linalg.solve(cov + noise, cov).T
    after = mean + gain @ off
    left = np.eye(len(mean)) - gain
    return after, np.asarray(left @ cov @ left.T + gain @ noise @ gain.T, dtype=float)


def _surprise(s_mm: Array, off: Array, cov: Array) -> Array:
    """Sd (n,) of what nobody noted: how far stretches depart beyond what their covariance allows."""
    near = (np.abs(s_mm[:, None] - s_mm[None, :]) <= 0.5 * STRETCH_MM).astype(float)
    near /= near.sum(axis=1, keepdims=True)
    square, variance = (near @ off) ** 2, np.einsum("ij,jk,ik->i", near, cov, near)
    beyond = np.where(square > SURPRISE * variance, square, 0.0)
    spread = np.abs(s_mm[:, None] - s_mm[None, :]) <= 0.5 * STRETCH_MM
    return np.asarray(np.sqrt(np.max(np.where(spread, beyond[None, :], 0.0), axis=1)), dtype=float)


def level_kept(log_ei: Array, by_all: Array, weight: Array) -> float:
    """What is to be added to a limb's ``by_all`` for it to give as much as by ``log_ei``: all pulls tell its shape, the newest one how stiff it is as a whole
    and against the other.

    Args:
        log_ei: (n,) as the newest pull shows it; by_all: (n,) by all pulls.
        weight: (n,) the square of the bending moment: give = sum of moment^2 / EI (Castigliano).
    """
    return float(np.log(float(weight @ np.exp(-by_all)) / float(weight @ np.exp(-log_ei))))
