"""How far the handle bends: the wood between both limbs' first stations, where the cradle hides it.

The handle's rock turns both limbs' roots the same way across the rack, a bend of the handle turns them towards each other:

    turn = int M / EI ds  over the hidden part;     M there goes on as it runs over the first stations of each limb

so the turn over the moment, by least squares over all pictures, is the compliance of the hidden part.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.fit.pullfit import LimbFit, Pulls
from tiller.mechanics.fit.results import NO_HANDLE, HandleBend

Array = NDArray[np.float64]

SLOPE_MM = 60.0
"""The moment's slope at the root is taken over so much of the limb."""
TURN_SD_RAD = 0.0075
"""How far the turn of both roots is off at full draw (nine recordings of the independent rig against their truth: 0.0074 rad rms)."""
BENDS = 3.0
"""A handle is said to bend, and how stiff it is, from so many sd of its turn on."""


def handle_bend(
    fits: Sequence[LimbFit],
    pulls: Pulls,
    largest: int,
    to_back_mm: tuple[float, float],
    level_sd: float,
    stiff_mm: tuple[float, float] = (0.0, 0.0),
) -> HandleBend:
    """The handle's bend and stiffness.

    Args:
        fits: left, right; largest: the picture of the largest draw.
        to_back_mm: from the neutral axis to the back at each limb's first station.
        level_sd: relative sd of all moments.
        stiff_mm: how far from the pivot it is stiff by the bow's file, left and right: only what lies beyond bends.

    Returns:
        ``NO_HANDLE`` where fewer than three pictures tell; stiffness NaN where the turn is not sure.
    """
    turn = np.sum([f.root_angle_rad for f in fits], axis=0)
    turn = turn - np.mean(turn[pulls.rest])
    load = np.sum([_moment_over(f, stiff) for f, stiff in zip(fits, stiff_mm, strict=True)], axis=0)
    good = np.isfinite(turn) & np.isfinite(load) & ~pulls.rest
    if np.count_nonzero(good) < 3 or not good[largest]:
        return NO_HANDLE
    x, y = load[good], turn[good]
    soft = float(x @ y / (x @ x))
    scatter = float(np.std(y - soft * x)) + 1e-5
    soft_sd = float(np.hypot(scatter / np.sqrt(x @ x), TURN_SD_RAD / load[largest]))
    hidden = max(1.0, float(sum(f.s_mm[0] - stiff for f, stiff in zip(fits, stiff_mm, strict=True))))
    turned, turned_sd = soft * load[largest], abs(soft_sd * load[largest])
    nothing = float("nan")
    sure = soft > BENDS * soft_sd
    reach = float(np.mean(to_back_mm))
    return HandleBend(
        reach_mm=(float(fits[0].s_mm[0]), float(fits[1].s_mm[0])),
        turn_rad=turned,
        turn_sd_rad=turned_sd,
        stiffness_n_m2=1e-6 / soft if sure else nothing,
        stiffness_sd=1e-6 / soft * float(np.hypot(soft_sd / soft, level_sd)) if sure else nothing,
        strain=turned / hidden * reach,
        strain_sd=turned_sd / hidden * reach,
    )


def _moment_over(fit: LimbFit, stiff_mm: float) -> Array:
    """The moment times its length over the part of one limb that is hidden and bends, (m,) in N mm2."""
    near = fit.s_mm <= fit.s_mm[0] + SLOPE_MM
    s = fit.s_mm[near] - fit.s_mm[0]
    m = fit.moment_nmm[:, near]
    lean = (m - m.mean(axis=1, keepdims=True)) @ (s - s.mean()) / float(np.sum((s - s.mean()) ** 2))
    at_root = m.mean(axis=1) - lean * s.mean()
    hidden = float(fit.s_mm[0]) - stiff_mm
    return np.asarray((at_root - 0.5 * hidden * lean) * hidden, dtype=float)
