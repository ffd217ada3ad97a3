"""Weights at taped draws, by the scale alone: each hold is found by its steadiness, so that both hands stay on the rope."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import LoadCell
from tiller.errors import ForceFault, SourceFault
from tiller.force.cell import FAR_N, SENSITIVITY_SD
from tiller.setup.capture import listen, settled
from tiller.sources.interfaces import Scale, now_s

HOLD_S = 1.0
"""Readings are taken in windows of this length; a hold must fill one, so that two seconds are enough (common practice, no source)."""
STEADY_SHARE, STEADY_N = 0.03, 1.0
"""A hold's means over ``BLOCK_S`` lie within this share of the force, or this much: a bow's weight rises by some 2 % a centimetre of draw
near full draw, so the hand is steady to about a centimetre (common practice, no source)."""
TREND_SHARE, TREND_N = 0.01, 0.5
"""From the window's first third to its last the force goes up or down by less than this: a slow pull is no hold (common practice, no source)."""
BLOCK_S = 0.2
RISE_N = 3.0
"""A hold weighs at least so much more than the one before: the rope's own weight and the zero's drift are less."""
SLACK_N = 5.0
LET_DOWN_S = 60.0
UNEVEN_STEPS = 1.6
"""A bow's weight rises almost evenly with its draw: where the rise a millimetre is so many times that of the stretch beside it, a hold was
taken for another draw's (common practice, no source)."""


@dataclass(frozen=True)
class Hold:
    """The weight at one draw: N, its sd (hand, cell and zero; not the tape), and how much the force wandered during the hold (largest less smallest mean)."""

    draw_mm: float
    force_n: float
    sd_n: float
    wander_n: float


@dataclass(frozen=True)
class Weighing:
    """The holds that came, in order, and what the scale read once the string was down again, N (NaN: it was not let down in time)."""

    holds: tuple[Hold, ...]
    left_n: float


def steady(t: NDArray[np.float64], force_n: NDArray[np.float64]) -> tuple[float, float, float] | None:
    """Median, sd and wander of readings, in N; None where they are no hold.

    The sd is that of the means over ``BLOCK_S``, not divided by their number: a hand's unrest is slow.
    """
    block = np.floor((t - t[0]) / BLOCK_S)
    kinds, counts = np.unique(block, return_counts=True)
    # a block of few readings at the end is no mean
    means = np.array([float(np.mean(force_n[block == b])) for b in kinds[counts > 0.5 * np.median(counts)]])
    if len(means) < 3:
        return None
    middle, wander = float(np.median(force_n)), float(np.ptp(means))
    third = max(1, len(means) // 3)
    trend = abs(float(np.mean(means[-third:]) - np.mean(means[:third])))
    if wander > max(STEADY_SHARE * abs(middle), STEADY_N) or trend > max(TREND_SHARE * abs(middle), TREND_N):
        return None
    return middle, float(np.std(means, ddof=1)), wander


def odd_steps(holds: Sequence[Hold]) -> tuple[int, ...]:
    """Which holds have a rise before and one after them that do not fit each other: was there a pause between two draws?"""
    rises = [(b.force_n - a.force_n) / (b.draw_mm - a.draw_mm) for a, b in pairwise(holds)]
    return tuple(k + 1 for k, (a, b) in enumerate(pairwise(rises)) if max(a, b) > UNEVEN_STEPS * min(a, b))


def weigh(
    scale: Scale,
    cell: LoadCell,
    draws_mm: Sequence[float],
    announce: Callable[[float, Hold | None], None],
    for_s: float,
) -> Weighing:
    """The weight at each of the draws, in their order, while the bow is pulled from one to the next and let down again.

    Args:
        scale: open; nothing hangs on it when this is called.
        draws_mm: rising, where the tape says that the string is.
        announce: called with the draw that is wanted next and the hold that was just weighed (None at the beginning); NaN once all are.
        for_s: for how long, seconds.

    Returns:
        The holds that came: fewer than wanted where the string was let down before, or the time was over.

    Raises:
        SourceFault: the scale was lost, or what it says cannot be read. ForceFault: the zero does not settle or is far from the calibration's, the
            load reads the wrong way, or no hold came.
    """
    zero = settled(scale)
    far = float(cell.newtons(np.array(zero.counts - cell.zero_counts)))
    if abs(far) > FAR_N:
        msg = (
            f"the slack rope reads {far:+.0f} N by the calibration's zero: take off what hangs on the scale, or calibrate it anew if nothing does;"
            " nothing was weighed."
        )
        raise ForceFault(msg)
    zero_n = zero.sd / abs(cell.counts_per_newton)
    out: list[Hold] = []
    until = now_s() + for_s
    announce(draws_mm[0], None)
    pulled, moved, left = 0.0, True, float("nan")
    while now_s() < until:
        t, counts, _ = listen(scale, HOLD_S)
        force = cell.newtons(counts - zero.counts)
        middle = float(np.median(force))
        pulled = max(pulled, middle)
        found = steady(t, force)
        if middle < -SLACK_N and not out:
            msg = "the load reads the wrong way: the signal wires are exchanged, or the cell hangs upside down; nothing was weighed."
            raise ForceFault(msg)
        if out and middle < 0.2 * out[-1].force_n:  # let down
            if found is not None or now_s() > until - HOLD_S:
                left = middle
                break
            continue
        moved = moved or found is None
        last = out[-1].force_n if out else 0.0
        if found is None or not moved or len(out) == len(draws_mm) or found[0] < last + (RISE_N if out else SLACK_N):
            continue
        sd = math.hypot(found[1], (cell.sensitivity_sd or SENSITIVITY_SD) * found[0], zero_n)
        out.append(Hold(draws_mm[len(out)], found[0], sd, found[2]))
        moved = False
        if len(out) == len(draws_mm):
            until = min(until, now_s() + LET_DOWN_S)
        announce(draws_mm[len(out)] if len(out) < len(draws_mm) else float("nan"), out[-1])
    if not out and pulled < SLACK_N:
        msg = "the scale felt no pull: is the rope on the hook, and the cell in the rope?"
        raise SourceFault(msg)
    if not out:
        msg = f"the scale felt up to {pulled:.0f} N, but no hold: let down, pull again, and hold still for two seconds at each draw."
        raise ForceFault(msg)
    return Weighing(tuple(out), left)
