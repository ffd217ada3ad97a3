"""Weights at taped draws, by the scale alone: each hold is found by its steadiness, so that both hands stay on the rope."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tiller.bow.rigfile import LoadCell
from tiller.errors import ForceFault, SourceFault
from tiller.setup.capture import listen, settled
from tiller.sources.interfaces import Scale, now_s

HOLD_S = 1.0
"""How long a hold is at the least (common practice, no source)."""
STEADY_SHARE, STEADY_N = 0.03, 1.0
"""A hold's means over a fifth of a second lie within this share of the force, or this much: a bow's weight rises by some 2 % a centimetre of draw
near full draw, so the hand is steady to about a centimetre (common practice, no source)."""
BLOCK_S = 0.2
RISE_N = 3.0
"""A hold weighs at least so much more than the one before: the rope's own weight and the zero's drift are less."""
SLACK_N = 5.0


@dataclass(frozen=True)
class Hold:
    """The weight at one draw: N, its sd (hand, cell and zero), and how much the force wandered during the hold (largest less smallest mean)."""

    draw_mm: float
    force_n: float
    sd_n: float
    wander_n: float


def steady(t: np.ndarray, force_n: np.ndarray) -> tuple[float, float, float] | None:
    """Median, sd and wander of readings, in N; None where they are no hold.

    The sd is that of the means over ``BLOCK_S``, not divided by their number: a hand's unrest is slow.
    """
    block = np.floor((t - t[0]) / BLOCK_S)
    means = np.array([float(np.mean(force_n[block == b])) for b in np.unique(block)])
    middle, wander = float(np.median(force_n)), float(np.ptp(means))
    if len(means) < 3 or wander > max(STEADY_SHARE * abs(middle), STEADY_N):
        return None
    return middle, float(np.std(means, ddof=1)), wander


def weigh(
    scale: Scale, cell: LoadCell, draws_mm: Sequence[float], tell: Callable[[float, Hold | None], None], for_s: float
) -> tuple[Hold, ...]:
    """The weight at each of the draws, in their order, while the bow is pulled from one to the next.

    Args:
        scale: open; nothing hangs on it when this is called.
        draws_mm: rising, where the tape says that the string is.
        tell: called with the draw that is wanted next and the hold that was just weighed (None at the beginning); NaN once all are.
        for_s: for how long, seconds.

    Returns:
        The holds that came: fewer than wanted where the string was let down before, or the time was over.

    Raises:
        SourceFault: the scale was lost, or what it says cannot be read. ForceFault: the zero does not settle, or the load reads the wrong way.
    """
    zero = settled(scale)
    out: list[Hold] = []
    until = now_s() + for_s
    tell(draws_mm[0], None)
    pulled = 0.0
    while len(out) < len(draws_mm) and now_s() < until:
        t, counts, _ = listen(scale, HOLD_S)
        force = cell.newtons(counts - zero.counts)
        middle = float(np.median(force))
        if middle < -SLACK_N:
            msg = "the load reads the wrong way: the signal wires are exchanged, or the cell hangs upside down; nothing was weighed."
            raise ForceFault(msg)
        pulled = max(pulled, middle)
        last = out[-1].force_n if out else 0.0
        if out and middle < 0.2 * last:
            break  # let down
        found = steady(t, force)
        if found is None or found[0] < last + (RISE_N if out else SLACK_N):
            continue
        zero_n = zero.sd / abs(cell.counts_per_newton)
        sd = math.hypot(found[1], cell.sensitivity_sd * found[0], zero_n)
        out.append(Hold(draws_mm[len(out)], found[0], sd, found[2]))
        tell(draws_mm[len(out)] if len(out) < len(draws_mm) else float("nan"), out[-1])
    if not out and pulled < SLACK_N:
        msg = "the scale felt no pull: is the rope on the hook, and the cell in the rope?"
        raise SourceFault(msg)
    return tuple(out)
