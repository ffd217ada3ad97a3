"""Marks: stretches of limb whose strain departs from even.

Even strain along the working limb is the aim (from the end of the fade to where the stiff tip begins).
departure = strain / aim - 1. A stretch is marked stiff (strained too little) or weak (too much) where the
departure, averaged over ``WINDOW_MM``, exceeds both the threshold and ``SURE`` of its own sd; it reaches
as far as 0.55 of its peak, and never across a stretch that was not seen. A limb that is as a whole stiffer than the other is no mark; it is the balance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

THRESHOLD = 0.08
SURE = 3.0
"""A limb holds some ten windows that can err either way, a bow two limbs: three sd keep false marks to one bow in twenty."""
WINDOW_MM = 60.0
SHORTEST_MM = WINDOW_MM
"""What is averaged over a window cannot tell a shorter stretch from a chance one."""
SYSTEMATIC = 0.02
"""What section shape and geometry add to a departure's sd (common practice, no source)."""
END_SD, END_MM = 0.035, 100.0
"""What the ends add: at the outer one moments run out, and a hook, a loop or a wrap is near; at the root the bend is counted from where the cradle hides
the limb. So much at the very end, nothing so far from it (independent rig, nine recordings: over the outer 5 % departures err by 4.1 %, where 3.2 % were
stated without this; over the first 30 mm windows err by 4.5 %, as stated without it, where they err by 0.8 of what is stated everywhere else)."""


@dataclass(frozen=True)
class Departure:
    """Departure from even strain along one limb.

    Attributes:
        s_mm: (n,); departure, sd: (n,), NaN outside the working limb.
        aim: the limb's even strain; aim_sd_rel its relative sd.
    """

    s_mm: Array
    departure: Array
    sd: Array
    aim: float
    aim_sd_rel: float


@dataclass(frozen=True)
class Mark:
    """A stretch that is stiff or weak.

    Attributes:
        from_mm, to_mm: along the back from the pivot.
        kind: 'stiff' or 'weak'.
        departure: mean departure over the stretch's core (negative = strained less than even).
        sd: its sd.
    """

    from_mm: float
    to_mm: float
    kind: str
    departure: float
    sd: float


def departure_from_even(s_mm: Array, strain: Array, log_cov: Array, from_mm: float, to_mm: float) -> Departure:
    """Departure of the strain from the limb's own even level between two places.

    The aim is the median of the strain there: a spot of up to a third of the limb hardly moves it.
    """
    inside = (s_mm >= from_mm) & (s_mm <= to_mm) & np.isfinite(strain) & (strain > 0)
    count = int(np.count_nonzero(inside))
    gap = np.full(len(s_mm), np.nan)
    sd = np.full(len(s_mm), np.nan)
    if count < 5:
        return Departure(s_mm, gap, sd, float("nan"), float("nan"))
    log_strain = np.log(strain[inside])
    aim = float(np.median(log_strain))
    cov = log_cov[np.ix_(inside, inside)]
    ones = np.full(count, 1.0 / count)
    mean_var = float(ones @ cov @ ones)
    relative = np.diag(cov) - 2 * cov @ ones + mean_var
    gap[inside] = np.exp(log_strain - aim) - 1
    sd[inside] = np.sqrt(np.maximum(relative, 0.0) + SYSTEMATIC**2 + _at_end(s_mm[inside], from_mm, to_mm) ** 2)
    return Departure(s_mm, gap, sd, float(np.exp(aim)), float(np.sqrt(mean_var)))


def _at_end(s_mm: Array, from_mm: float, to_mm: float) -> Array:
    near = np.minimum(to_mm - s_mm, s_mm - from_mm)
    return np.asarray(END_SD * np.clip(1.0 - near / END_MM, 0.0, 1.0), dtype=float)


def find_marks(found: Departure, log_cov: Array, threshold: float = THRESHOLD, sure: float = SURE) -> tuple[Mark, ...]:
    """Stretches beyond the threshold, in order along the limb."""
    inside = np.isfinite(found.departure)
    if np.count_nonzero(inside) < 5:
        return ()
    s, gap = found.s_mm[inside], found.departure[inside]
    cov = log_cov[np.ix_(inside, inside)]
    count = len(s)
    near = (np.abs(s[:, None] - s[None, :]) <= 0.5 * WINDOW_MM).astype(float)
    near /= near.sum(axis=1, keepdims=True)
    level = near - 1.0 / count
    mean = near @ gap
    at_end = near @ _at_end(s, float(s[0]), float(s[-1]))
    sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", level, cov, level), 0.0) + SYSTEMATIC**2 + at_end**2)
    step = float(np.median(np.diff(s)))
    near_by = np.append(np.diff(s) <= 1.5 * step, False)  # station i and i + 1 have nothing hidden between them
    marks: list[Mark] = []
    for sign, kind in ((1.0, "weak"), (-1.0, "stiff")):
        over = (sign * mean > threshold) & (sign * mean > sure * sd)
        taken = np.zeros(count, dtype=bool)
        for peak in np.argsort(-sign * mean):
            if not over[peak] or taken[peak]:
                continue
            edge = 0.55 * sign * mean[peak]
            low = high = int(peak)
            while low > 0 and sign * gap[low - 1] > edge and not taken[low - 1] and near_by[low - 1]:
                low -= 1
            while high < count - 1 and sign * gap[high + 1] > edge and not taken[high + 1] and near_by[high]:
                high += 1
            taken[low : high + 1] = True
            left, right = float(s[low] - 0.5 * step), float(s[high] + 0.5 * step)
            if right - left < SHORTEST_MM:
                continue
            marks.append(Mark(left, right, kind, float(np.mean(gap[low : high + 1])), float(sd[peak])))
    return tuple(sorted(_joined(marks), key=lambda m: m.from_mm))


def _joined(marks: list[Mark]) -> list[Mark]:
    """Marks of one kind that touch within 20 mm become one."""
    out: list[Mark] = []
    for mark in sorted(marks, key=lambda m: (m.kind, m.from_mm)):
        last = out[-1] if out else None
        if last is not None and last.kind == mark.kind and mark.from_mm - last.to_mm <= 20.0:
            a, b = last.to_mm - last.from_mm, mark.to_mm - mark.from_mm
            mean = (last.departure * a + mark.departure * b) / (a + b)
            out[-1] = Mark(last.from_mm, max(last.to_mm, mark.to_mm), mark.kind, mean, max(last.sd, mark.sd))
        else:
            out.append(mark)
    return out
