"""The level of a bow's stiffness by the force of its own pull.

EI comes from how each limb bends from its line at rest to its drawn one. An outline that looks a little other at rest than drawn shifts all of it,
the more the less the limbs moved. The same pull's force over draw says the same level another way, by the string's length. Both are weighed by their
variances (Gauss).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.forward.belief import LENGTH_SD_MM, BowBelief, bow_from
from tiller.mechanics.forward.elastica import solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError

Array = NDArray[np.float64]

TOP_SHARE, MOST_DRAWS = 0.6, 4
"""Draws from this share of the largest on, and no more than so many, say it: nearer to the slack string its length decides."""
CURVE_SD = 0.003
"""Relative sd that the force so worked out has beside that of the string's length (independent rig, nine recordings: 0.3 % at full draw)."""

MOVING_MORE = 0.005
"""By how much more the wood bears while the rope is pulled than soon after, when a weight is read (independent rig's live session: 0.9 to 1.0 % over what
it bears in the end on the move, 0.4 to 0.5 % after 1.6 s)."""
MOVING_SD = 0.003
"""How far that differs from pull to pull on the move, as relative sd (the same session)."""
MOVING_LESS = 0.15
"""What a picture on the move counts in the fit against one at a hold, by the variances that it has there: 0.6 % at a hold, 1.5 % on the move, squared."""


def level_by_force(
    belief: BowBelief, string_mm: float, draw_mm: Array, force_n: Array, held: NDArray[np.bool_]
) -> BowBelief:
    """The belief with its level moved towards the one by which the bow gives the forces that were measured, or would have been at a hold.

    Args:
        string_mm: the string's length without load, of this pull.
        draw_mm, force_n: (k,) on the way up; NaN where nothing was measured. held: (k,) the rope was held still there.

    Returns:
        The belief as it was where nothing was weighed. Where its string is not known, or the forward model finds no equilibrium there, only what the wood
        bears on the move is taken out, and the level's sd stays what it was.
    """
    good = np.isfinite(draw_mm) & np.isfinite(force_n) & (force_n > 0)
    if not np.any(good):
        return belief
    more = np.where(held, 0.0, MOVING_MORE)
    # the fit believes a picture on the move the less (``MOVING_LESS``), so less of what it bears more is in the level
    belief = _raised(belief, -float(np.average(more[good], weights=np.where(held[good], 1.0, MOVING_LESS))))
    if not np.isfinite(string_mm) or not belief.outline_sd > 0:
        return belief
    order = np.argsort(np.where(good, draw_mm, -np.inf))[::-1][: min(MOST_DRAWS, int(np.count_nonzero(good)))][::-1]
    order = order[draw_mm[order] > TOP_SHARE * draw_mm[order[-1]]]
    draws, forces = draw_mm[order], force_n[order] / (1.0 + more[order])
    try:
        bow = bow_from(belief)
        as_is = solve_draws(bow, string_mm, draws)
        longer = solve_draws(bow, string_mm + LENGTH_SD_MM, draws, as_is)
    except NoEquilibriumError:
        return belief
    if np.min(as_is.force_n) <= 0 or np.min(longer.force_n) <= 0:
        return belief
    off = float(np.mean(np.log(forces / as_is.force_n)))
    by_length = float(np.mean(np.log(longer.force_n / as_is.force_n)))
    moving = MOVING_SD * float(np.mean(~held[order]))
    variance = by_length**2 + CURVE_SD**2 + moving**2
    gain = belief.outline_sd**2 / (belief.outline_sd**2 + variance)
    return replace(_raised(belief, gain * off), outline_sd=belief.outline_sd * float(np.sqrt(1.0 - gain)))


def _raised(belief: BowBelief, by: float) -> BowBelief:
    left, right = (replace(limb, log_ei=limb.log_ei + by) for limb in (belief.left, belief.right))
    return replace(belief, left=left, right=right)
