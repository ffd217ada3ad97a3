"""What a pull has shown of the bow, as the forward model takes it: EI with its covariance, fades, string.

The fit knows EI only where the limb is seen, from the first station outward. Between the handle's end and there
the limb thickens; how much it gives there shows in how far the limbs' roots turn towards each other (the handle's
rock turns both the same way and drops out).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair, Side
from tiller.mechanics.fit.handle import TURN_SD_RAD
from tiller.mechanics.fit.pullfit import LimbData, LimbFit, PullFit, Pulls, string_holds
from tiller.mechanics.fit.statics import string_tensions
from tiller.mechanics.forward.chain import Chain, WholeBow, chain_of

Array = NDArray[np.float64]

FADE_GIVE, FADE_GIVE_SD = 0.4, 0.15
"""How much a fade gives against a limb as thin there as at its first station (common practice, no source)."""
HANDLE_GIVE, HANDLE_GIVE_SD = 1.0, 0.3
"""The same where the bow bends through its handle."""
STRING_EA_N, STRING_EA_SPREAD = 2.0e5, 0.7
"""Force per unit stretch of a bow's string of little stretch, and the relative sd of its inverse (common practice, no source)."""
LENGTH_SD_MM = 1.2
"""Sd of a string's length between nocks that were seen, alike in all pictures of like draw (set on simulated pulls of tests.bench.foretell;
independent rig: nine forecasts err by 0.6 of their sd, rms)."""
OUTLINE_SD_MM = 0.9
"""What an outline that looks a little other at rest than drawn adds to the deflection, alike in all pictures; it counts for more the less the limbs
moved (independent rig: the weight foretold by nine recordings that were cut off at 40 to 88 % of the target draw)."""
CRADLE_NMM = 4.0e6
"""Torque per radian of a cradle that holds the handle with a strap (common practice, no source)."""
SEGMENTS = 80


@dataclass(frozen=True, kw_only=True)
class LimbBelief:
    """One limb.

    Attributes:
        s_mm: (n,) stations; log_ei: (n,) log of EI in N mm2; cov: (n, n).
        rest_mm: (n, 2) line at rest, limb coordinates; mass_per_mm_kg: (n,).
        handle_mm, nock_mm: where the limb leaves the handle and where the string sits, along the limb.
    """

    s_mm: Array
    log_ei: Array
    cov: Array
    rest_mm: Array
    mass_per_mm_kg: Array
    handle_mm: float
    nock_mm: float


@dataclass(frozen=True, kw_only=True)
class BowBelief:
    """Both limbs.

    Attributes:
        fade_give, fade_give_sd: give of the fades over that of a limb as thin as at its first station.
        string_ea_n: stiffness of the string in the pull; string_soft_sd: sd of its inverse, 1/N.
        outline_sd: relative sd of the level by an outline that looks other at rest than drawn; 0 where nothing was pulled.
        level_sd: relative sd of the level of all EI (force scale, geometry).
    """

    left: LimbBelief
    right: LimbBelief
    fade_give: float
    fade_give_sd: float
    string_ea_n: float
    level_sd: float
    string_soft_sd: float = STRING_EA_SPREAD / STRING_EA_N
    outline_sd: float = 0.0

    def limb(self, side: Side) -> LimbBelief:
        """One limb."""
        return Pair(self.left, self.right)[side]


def fade_give(
    fits: Sequence[LimbFit],
    data: Sequence[LimbData],
    handle_mm: Sequence[float],
    pulls: Pulls,
    bends: bool = False,
) -> tuple[float, float]:
    """Give of the fades (mean, sd) by least squares over the pictures, with common practice as prior.

    turn of both roots towards each other = give x sum over limbs of M0 x length of the fade / EI0.

    Args:
        bends: by the bow's file the working limb goes on into what the cradle hides: a handle that bends.
    """
    turn = np.sum([f.root_angle_rad for f in fits], axis=0)
    turn = turn - np.mean(turn[pulls.rest])
    expected = np.sum(
        [
            f.moment_nmm[:, 0] / np.exp(f.log_ei[0]) * (d.s_mm[0] - handle)
            for f, d, handle in zip(fits, data, handle_mm, strict=True)
        ],
        axis=0,
    )
    good = np.isfinite(turn) & np.isfinite(expected) & ~pulls.rest
    usual, usual_sd = (HANDLE_GIVE, HANDLE_GIVE_SD) if bends else (FADE_GIVE, FADE_GIVE_SD)
    precision, mean = 1 / usual_sd**2, usual / usual_sd**2
    if np.count_nonzero(good) >= 3 and np.max(expected[good]) > 1e-6:
        x, y = expected[good], turn[good]
        give = float(x @ y / (x @ x))
        scatter = float(np.std(y - give * x)) + 1e-4
        # first stations differ from limb to limb, EI0 is known to a few %
        sd = float(np.linalg.norm([scatter / np.sqrt(x @ x), 0.05, TURN_SD_RAD / np.max(x)]))
        precision, mean = precision + 1 / sd**2, mean + give / sd**2
    return float(np.clip(mean / precision, 0.05, 2.5 if bends else 1.2)), float(precision**-0.5)


def string_stretch(data: Sequence[LimbData], pulls: Pulls) -> tuple[float, float, float]:
    """Stiffness EA (N), the sd of 1/EA, and the unstretched length (mm) of the string of this pull, from its length in the pictures.

    Length = L0 (1 + tension / EA); common practice as prior on 1/EA.
    """
    holds = [string_holds(d, d.points_mm, pulls) for d in data]
    held = [point * [float(d.sign), 1.0] for (point, _), d in zip(holds, data, strict=True)]
    lies = np.sum([d.nock_s_mm - along for (_, along), d in zip(holds, data, strict=True)], axis=0)
    lengths = lies + np.sum([np.linalg.norm(point - pulls.hook_mm, axis=-1) for point in held], axis=0)
    tension = np.mean(string_tensions(pulls.hook_mm, held[0], held[1], pulls.force_n), axis=-1)
    good = np.isfinite(lengths) & np.isfinite(tension) & ~pulls.rest & (tension > 5.0) & (tension < 5000.0)
    soft = 1 / STRING_EA_N
    if np.count_nonzero(good) < 3:
        return STRING_EA_N, STRING_EA_SPREAD / STRING_EA_N, float("nan")
    t, y = tension[good], lengths[good]
    span = float(np.std(t)) + 1e-9
    level = float(np.mean(y))
    slope = float(np.polyfit(t, y, 1)[0]) / level if np.ptp(t) > 1.0 else soft
    sd = LENGTH_SD_MM / (level * 2 * span)
    prior = STRING_EA_SPREAD / STRING_EA_N
    soft = (slope / sd**2 + soft / prior**2) / (1 / sd**2 + 1 / prior**2)
    soft = max(soft, 0.1 / STRING_EA_N)
    return 1 / soft, (1 / sd**2 + 1 / prior**2) ** -0.5, float(np.mean(y / (1 + soft * t)))


def belief_of(
    fit: PullFit,
    data: Sequence[LimbData],
    handle_mm: Sequence[float],
    pulls: Pulls,
    level_sd: float,
    bends: bool = False,
) -> BowBelief:
    """The belief that a fitted pull leaves, left limb first in ``data`` and ``handle_mm``; ``bends``: the bow's file lets it bend through its handle."""
    fits = (fit.left, fit.right)
    give, give_sd = fade_give(fits, data, handle_mm, pulls, bends)
    ea, soft_sd, _ = string_stretch(data, pulls)
    moved = min(float(np.nanmax(np.linalg.norm(d.points_mm[:, -1] - d.rest_mm[-1], axis=-1))) for d in data)
    outline_sd = OUTLINE_SD_MM / moved if np.isfinite(moved) and moved > 0 else 0.0
    limbs = [
        LimbBelief(
            s_mm=f.s_mm,
            log_ei=f.log_ei,
            cov=f.cov,
            rest_mm=d.rest_mm,
            mass_per_mm_kg=d.mass_per_mm_kg,
            handle_mm=handle,
            nock_mm=d.nock_s_mm,
        )
        for f, d, handle in zip(fits, data, handle_mm, strict=True)
    ]
    return BowBelief(
        left=limbs[0],
        right=limbs[1],
        fade_give=give,
        fade_give_sd=give_sd,
        string_ea_n=ea,
        level_sd=level_sd,
        string_soft_sd=soft_sd,
        outline_sd=outline_sd,
    )


def _thickening(give: float) -> float:
    """Exponent a of EI(s) = EI0 exp(a u), u from 0 at the first station to 1 at the handle, that gives this much:
    (1 - exp(-a)) / a = give."""
    low, high = -2.0, 60.0
    for _ in range(60):
        a = 0.5 * (low + high)
        value = -np.expm1(-a) / a if abs(a) > 1e-9 else 1.0
        low, high = (a, high) if value > give else (low, a)
    return 0.5 * (low + high)


def chain_from(limb: LimbBelief, log_ei: Array, give: float, segments: int = SEGMENTS) -> Chain:
    """The limb from the handle's end to the nock, with EI (n,) or (b, n) on the belief's stations."""
    rows = np.atleast_2d(log_ei)
    s0 = float(limb.s_mm[0])
    inner = np.linspace(limb.handle_mm, s0, 9)[:-1]
    if s0 <= limb.handle_mm + 1.0:
        inner = np.empty(0)
    rise = _thickening(give) * (s0 - inner) / max(s0 - limb.handle_mm, 1e-9)
    whole = np.concatenate([rows[:, :1] + rise[None, :], rows], axis=1)
    s = np.concatenate([inner, limb.s_mm])
    first = limb.rest_mm[1] - limb.rest_mm[0]
    way = first / np.linalg.norm(first)
    rest = np.vstack([limb.rest_mm[0] + (inner - s0)[:, None] * way, limb.rest_mm])
    mass = np.concatenate([np.full(len(inner), limb.mass_per_mm_kg[0]), limb.mass_per_mm_kg])
    ei = np.exp(whole)
    return chain_of(s, rest, ei[0] if np.ndim(log_ei) == 1 else ei, mass, segments, limb.handle_mm, limb.nock_mm)


def bow_from(
    belief: BowBelief,
    left_log_ei: Array | None = None,
    right_log_ei: Array | None = None,
    give: float | None = None,
    segments: int = SEGMENTS,
) -> WholeBow:
    """The whole bow with the believed EI, or other ones on the same stations."""
    left = belief.left.log_ei if left_log_ei is None else left_log_ei
    right = belief.right.log_ei if right_log_ei is None else right_log_ei
    share = belief.fade_give if give is None else give
    return WholeBow(
        left=chain_from(belief.left, left, share, segments),
        right=chain_from(belief.right, right, share, segments),
        cradle_nmm=CRADLE_NMM,
        string_ea_n=belief.string_ea_n,
    )
