"""How a strung or an unstrung bow stands off the wall behind it, from its file: parallax is taken out by that."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.section import sagitta_mm
from tiller.bow.sides import SIDES, Pair, Side, both
from tiller.measure.followup.advice import belief_from_file
from tiller.mechanics.forward.belief import bow_from
from tiller.mechanics.forward.elastica import brace
from tiller.mechanics.space.tracking import Places
from tiller.vision.belly.lying import Lying

Array = NDArray[np.float64]

HANDLE_DEEP_MM = 32.0
"""How deep a handle is, where nobody says (common practice, no source)."""
GRIP_TO_MM = 25.0
"""A width of the grip that was measured holds within this of its middle."""
STEP_MM = 5.0


def lying_of(
    bow: Bow, strung: bool, brace_mm: float, grip_mm: float = float("nan"), deep_mm: float = HANDLE_DEEP_MM
) -> Lying:
    """The bow with its left limb to the left, its handle's back on the wall.

    Args:
        brace_mm: brace height; grip_mm: width of the handle at its middle, NaN where it was not measured; deep_mm: how deep it is there.

    Raises:
        NoEquilibriumError: no string braces it at that height.
    """
    parts = []
    solved = None
    if strung:
        whole = bow_from(belief_from_file(bow)[0])
        solved = (brace(whole, brace_mm)[1], (whole.left, whole.right))
    for side in SIDES:
        limb = bow.limb(side)
        s = np.append(np.arange(0.0, limb.length_mm, STEP_MM), limb.length_mm)
        thick = limb.thickness_at(s)
        width = limb.width_at(s)
        first = min(st.s_mm for st in limb.stations)
        x, down = s.copy(), np.zeros_like(s)
        if solved is not None:
            chain = solved[1][side.index]
            points = solved[0].points_mm[0, side.index]
            x = np.where(s < chain.s_mm[0], s, np.interp(s, chain.s_mm, points[:, 0]))
            down = np.where(s < chain.s_mm[0], 0.0, points[0, 1] - np.interp(s, chain.s_mm, points[:, 1]))
        slope = np.gradient(down, s)
        lean = np.sqrt(np.maximum(1.0 - slope**2, 0.2))
        # the back runs on over the handle; what is thicker there stands out on the belly
        share = np.clip((limb.working_from_mm - s) / max(limb.working_from_mm - limb.handle_mm, 1.0), 0.0, 1.0)
        deep = thick + (max(deep_mm, float(thick[0])) - thick) * share * share * (3 - 2 * share)
        at_root = 0.5 * float(np.interp(limb.working_from_mm, s, thick))
        back = at_root + down - 0.5 * thick * lean
        belly = back + deep * lean
        # the belly lies farther in where the limb leans towards the camera
        along = x - 0.5 * thick * slope
        sag = (
            sagitta_mm(np.minimum(width, 1.99 * bow.crown_radius_mm), bow.crown_radius_mm)
            if bow.crown_radius_mm
            else 0.0
        )
        seen = np.where(s >= first, width, np.where(s <= GRIP_TO_MM, grip_mm, np.nan))
        rising = np.maximum.accumulate(along)
        parts.append((rising + 1e-6 * np.arange(len(s)), s, belly, np.minimum(back + sag, belly - 1.0), seen))
    (xl, sl, bl, kl, wl), (xr, sr, br, kr, wr) = parts

    def joined(left: Array, right: Array) -> Array:
        return np.concatenate([left[:0:-1], right])

    tips = np.array([bl[-1], br[-1]]) if strung else np.full(2, np.nan)
    return Lying(
        x_mm=joined(-xl, xr),
        s_mm=joined(-sl, sr),
        belly_mm=joined(bl, br),
        back_mm=joined(kl, kr),
        width_mm=joined(wl, wr),
        string_mm=tips,
    )


def places_of(bow: Bow, lying: Lying) -> Pair[Places]:
    """Every place of both limbs that ``lying`` has, from the middle of the handle outward."""
    out = {}
    for side in SIDES:
        own = np.flatnonzero(lying.s_mm * side.sign >= 0)
        own = own[np.argsort(np.abs(lying.s_mm[own]))]
        limb = bow.limb(side)
        out[side] = Places(np.abs(lying.x_mm[own]), np.abs(lying.s_mm[own]), limb.working_from_mm)
    return both(out)


def fades_of(bow: Bow) -> tuple[float, float]:
    """Where the left and the right fade end, from the middle of the handle."""
    return bow.limb(Side.LEFT).working_from_mm, bow.limb(Side.RIGHT).working_from_mm
