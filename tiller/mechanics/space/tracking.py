"""What pictures of a bow from its belly say of its string and its limbs, and what may be done about it.

Signs: as whoever holds the bow upright sees it, belly towards the face, the upper limb up: to the right is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair, Side
from tiller.notes import Note

Array = NDArray[np.float64]

SMOOTH_MM = 30.0
STRETCH_MM = (60.0, 80.0, 100.0, 120.0, 160.0, 200.0)
"""Lengths that a stretch of sideways bend may have."""
WITHIN_MM, SURE_MM = 2.0, 1.2
"""A string tracks that crosses the handle within the first of its middle and whose place is known to the second, 1 sd (common practice, no source)."""
LEAST_TWIST_RAD = float(np.deg2rad(3.0))
"""A smaller twist is left as it is (common practice, no source)."""
MOSTLY = 0.6
"""A stretch is named that makes at least this share of what a limb goes sideways at its nock."""


@dataclass(frozen=True)
class Places:
    """Places on a limb: (n,) along the bow as it lies and along the limb, mm, from the middle of the handle outward; and where its working part begins."""

    x_mm: Array
    s_mm: Array
    working_from_mm: float


@dataclass(frozen=True, kw_only=True)
class Sideways:
    """One limb, strung: all (n,) over ``s_mm`` along it from the middle of the handle.

    Attributes:
        bend_mm, sd_mm: its middle off the handle's own line; NaN where not seen. width_mm: as seen.
        nock_mm, nock_sd_mm: the same at the nock. groove_mm, groove_sd_mm: the string off the limb's middle there.
        from_mm, to_mm, share: where most of it comes from, and how much of it; NaN where no stretch makes most of it.
        at_rest_mm: unstrung, NaN without such a picture.
    """

    s_mm: Array
    bend_mm: Array
    sd_mm: Array
    width_mm: Array
    nock_mm: float
    nock_sd_mm: float
    groove_mm: float
    groove_sd_mm: float
    from_mm: float
    to_mm: float
    share: float
    at_rest_mm: Array


@dataclass(frozen=True)
class NockTwist:
    """A limb's nock turned about the limb's length against the handle, rad: positive where its belly turns to the right; NaN where nobody looked.

    Attributes:
        from_mm: where along the limb it begins, NaN where that is not known.
    """

    turn_rad: float = float("nan")
    sd_rad: float = float("nan")
    from_mm: float = float("nan")

    @property
    def sure(self) -> bool:
        """There is one: more than three sd from none, and enough of it to be worth turning back."""
        return abs(self.turn_rad) > max(3 * self.sd_rad, LEAST_TWIST_RAD)


NO_TWIST = Pair(NockTwist(), NockTwist())
"""Where nobody looked."""


def twist_by_both(one: NockTwist, other: NockTwist) -> NockTwist:
    """Two that were measured apart, by their sd; where it begins by whichever knows."""
    if not np.isfinite(one.turn_rad):
        return other
    if not np.isfinite(other.turn_rad):
        return one
    weights = np.array([one.sd_rad**-2, other.sd_rad**-2])
    mean = float(weights @ [one.turn_rad, other.turn_rad] / weights.sum())
    return NockTwist(mean, float(weights.sum() ** -0.5), one.from_mm if np.isfinite(one.from_mm) else other.from_mm)


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """What the pictures say.

    Attributes:
        offset_mm, offset_sd_mm: the string off the handle's middle.
        at_fades_mm, at_fades_sd_mm: the same where both fades end.
        limbs: both limbs. twist: how far each nock is turned. turned: whether the bow was turned end for end between the pictures; pictures: how many of the strung bow.
    """

    offset_mm: float
    offset_sd_mm: float
    at_fades_mm: Pair[float]
    at_fades_sd_mm: Pair[float]
    limbs: Pair[Sideways]
    turned: bool
    pictures: int
    notes: tuple[Note, ...]
    twist: Pair[NockTwist] = NO_TWIST

    @property
    def tracks(self) -> bool:
        """The string crosses the middle of the handle, and that is sure enough."""
        return abs(self.offset_mm) <= WITHIN_MM and self.offset_sd_mm <= SURE_MM

    @property
    def untold(self) -> bool:
        """It cannot be told whether it does."""
        return not self.tracks and abs(self.offset_mm) <= max(WITHIN_MM, 2 * self.offset_sd_mm)


@dataclass(frozen=True, kw_only=True)
class Heat:
    """A bend by heat: of which limb, where along it, by what angle on the form. To the right is positive, as ``Alignment`` has it.

    Attributes:
        form_mm: how far the nock goes by it on the form, the bow unstrung; nock_mm: how far it would be further over once the bow is strung, if all of it
            stayed (the string's pull makes a crook grow).
    """

    limb: Side
    at_mm: float
    angle_rad: float
    form_mm: float
    nock_mm: float


@dataclass(frozen=True, kw_only=True)
class Untwist:
    """A limb turned back by heat over a stretch, by an angle on the form; positive turns its belly to the right."""

    limb: Side
    angle_rad: float
    from_mm: float
    to_mm: float


@dataclass(frozen=True, kw_only=True)
class EdgeOff:
    """Wood off one edge of a belly, running out to nothing at its middle: ``depth_mm`` at the edge, where the limb is thickest."""

    limb: Side
    right: bool
    from_mm: float
    to_mm: float
    depth_mm: float


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What is proposed; empty where nothing is to be done.

    Attributes:
        turn: limbs turned back by heat, before they are bent. heat: bends by heat. edge: the same by wood, None where that would take more than there is.
        edge_limb, edge_right, edge_gain: off which edge wood brings the string over, and by how many mm for each mm off it; None and NaN where that is not known.
        after_mm: where the string will cross; after_sd_mm.
        edge_weight: share of the weight that the wood costs (negative).
        why_not: why nothing is proposed though the string is off; '' otherwise.
    """

    heat: tuple[Heat, ...] = ()
    edge: EdgeOff | None = None
    after_mm: float = float("nan")
    after_sd_mm: float = float("nan")
    edge_weight: float = float("nan")
    turn: tuple[Untwist, ...] = ()
    edge_limb: Side | None = None
    edge_right: bool = False
    edge_gain: float = float("nan")
    why_not: str = ""


def curvature(s: Array, bend: Array) -> Array:
    """Sideways curvature along a limb, 1/mm, smoothed over ``SMOOTH_MM``; NaN where too little is seen. Positive bends to where ``bend`` is positive."""
    good = np.isfinite(bend)
    out = np.full(len(s), np.nan)
    for k, place in enumerate(s):
        weight = np.exp(-0.5 * ((s - place) / SMOOTH_MM) ** 2) * good
        near = weight > 0.02
        if np.count_nonzero(near) < 6:
            continue
        u = s[near] - place
        design = np.column_stack([np.ones_like(u), u, 0.5 * u * u])
        root = np.sqrt(weight[near])
        out[k] = np.linalg.lstsq(design * root[:, None], bend[near] * root, rcond=None)[0][2]
    return out


def most_of(s: Array, bend: Array, from_mm: float = 0.0) -> tuple[float, float, float]:
    """The shortest stretch beyond ``from_mm`` that makes ``MOSTLY`` of how far the nock is off, as (from, to, share); NaN where none does."""
    k = np.where(s >= from_mm, np.nan_to_num(curvature(s, bend)), 0.0)
    part = k * (s[-1] - s) * np.gradient(s)
    whole = float(bend[-1])
    nothing = (float("nan"), float("nan"), float("nan"))
    if not np.isfinite(whole) or abs(whole) < 1e-6:
        return nothing
    sums = np.concatenate([[0.0], np.cumsum(part)]) / whole
    for length in STRETCH_MM:
        ends = np.minimum(np.searchsorted(s, s + length), len(s))
        shares = sums[ends] - sums[np.arange(len(s))]
        inside = s + length <= s[-1]
        if not np.any(inside):
            continue
        best = int(np.argmax(np.where(inside, shares, -np.inf)))
        if shares[best] >= MOSTLY:
            return float(s[best]), float(s[best] + length), float(min(shares[best], 1.0))
    return nothing
