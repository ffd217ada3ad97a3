"""Pictures of a bow from its belly together: does the string cross the middle of the handle, how does each limb bend sideways.

Signs: as whoever holds the bow upright sees it, belly towards the face, the upper limb up: to the right is positive.
A bed that is not level turns the whole bow, which a single picture cannot tell from a string that runs aside. Pictures of the bow turned end for end carry
it the other way round, and the mean of both is free of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Pair, Side
from tiller.errors import VisionFault
from tiller.mechanics.space.tracking import Alignment, Places, Sideways, most_of
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.vision.belly.look import SeenBelly

Array = NDArray[np.float64]

MOST_APART = 3.0
"""Both ways round may differ by so many sd of what a bed that is not level makes."""
TURNED_SD = 0.15
"""How much of the roll is left where the bow was turned end for end: it is never put back quite alike (common practice, no source)."""
WIDTH_OFF_MM, WIDE_SHARE = 2.0, 0.3
"""The bow is taken for another one where so large a share of its widths is off the calipers by so much."""


@dataclass(frozen=True)
class Pictured:
    """One picture that was looked at."""

    name: str
    seen: SeenBelly
    turned: bool


def aligned(taken: Sequence[Pictured], at_rest: Sequence[Pictured], upper: Side, stations: Pair[Places]) -> Alignment:
    """All pictures together.

    Args:
        taken: of the strung bow, at least one; at_rest: of the unstrung one. upper: the upper limb.
        stations: where on each limb it is told.
    """
    # towards the picture's upper side with the left limb to the left is to the right of who holds it with the left limb up
    sign = 1.0 if upper is Side.LEFT else -1.0

    def strings(one: Pictured) -> tuple[Array, Array, Array]:
        way = -sign if one.turned else sign
        order = [0, 2, 1] if one.turned else [0, 1, 2]
        seen = one.seen
        return way * seen.string_mm[order], seen.string_sd_mm[order], seen.string_roll_mm[order]

    rows = [(strings(o), o.turned) for o in taken]
    _must_agree(rows)
    over, sd = _together(rows)
    limbs = {}
    for side in SIDES:
        x, s = stations[side].x_mm, stations[side].s_mm
        bend, bend_sd = _together([(_limb(o, side, x, sign), o.turned) for o in taken])
        rest = [(_limb(o, side, x, sign), o.turned) for o in at_rest]
        nock = [(_nock(o, side, sign), o.turned) for o in taken]
        groove, groove_sd = _together(nock)
        width = _mean([_width(o, side, x) for o in taken])
        start, end, share = most_of(s, bend, stations[side].working_from_mm)
        limbs[side] = Sideways(
            s_mm=s,
            bend_mm=bend,
            sd_mm=bend_sd,
            width_mm=width,
            nock_mm=float(bend[-1]),
            nock_sd_mm=float(bend_sd[-1]),
            groove_mm=float(groove[0]),
            groove_sd_mm=float(groove_sd[0]),
            from_mm=start,
            to_mm=end,
            share=share,
            at_rest_mm=_together(rest)[0] if rest else np.full(len(s), np.nan),
        )
    both = {o.turned for o in taken} == {True, False}
    notes = [
        *([] if both else [info("align.one-way", ONE_WAY)]),
    ]
    return Alignment(
        offset_mm=float(over[0]),
        offset_sd_mm=float(sd[0]),
        at_fades_mm=Pair(float(over[1]), float(over[2])),
        at_fades_sd_mm=Pair(float(sd[1]), float(sd[2])),
        limbs=Pair(limbs[Side.LEFT], limbs[Side.RIGHT]),
        turned=both,
        pictures=len(taken),
        notes=tuple(notes),
    )


ONE_WAY = (
    "all pictures show the bow the same way round: a bed that is not level counts as the string's error. Turn the bow end for end, leave sheets and camera as"
    " they are, and take it again (--turned)."
)


def _must_agree(rows: Sequence[tuple[tuple[Array, Array, Array], bool]]) -> None:
    """Refuses pictures of both ways round that say opposite things: a bed that is not level makes a part of that, wrongly sorted pictures make more.

    Raises:
        VisionFault: they do.
    """
    ways = [[row for row, way in rows if way is turned] for turned in (False, True)]
    if not ways[0] or not ways[1]:
        return
    one, other = (float(np.mean([v[0] for v, _, _ in way])) for way in ways)
    roll = float(np.mean([r[0] for way in ways for _, _, r in way]))
    if abs(one - other) > max(MOST_APART * 2 * roll, 2.0):
        msg = (
            f"the pictures of both ways round do not agree: the string is {mm(one, 1, sign=True)} off in the one, {mm(other, 1, sign=True)} in the other. Sort"
            " them anew: those in which the left limb lies to the left first, after it was turned end for end the others; or lay the bow level."
        )
        raise VisionFault(msg)


def _together(rows: Sequence[tuple[tuple[Array, Array, Array], bool]]) -> tuple[Array, Array]:
    """Mean and sd of (value, sd, roll sd) over pictures: of either way round first, then of both ways, in which the roll goes out."""
    means, variances = [], []
    for turned in (False, True):
        some = [row for row, way in rows if way == turned]
        if not some:
            continue
        means.append(_mean([v for v, _, _ in some]))
        own = _mean([sd**2 for _, sd, _ in some])  # from one place pictures err alike: more of them are no surer
        roll = _mean([r**2 for _, _, r in some])
        variances.append((own, roll))
    mean = np.mean(means, axis=0)
    own = np.mean([o for o, _ in variances], axis=0) / len(variances)
    roll = np.mean([r for _, r in variances], axis=0) * (1.0 if len(variances) == 1 else TURNED_SD**2)
    return mean, np.sqrt(own + roll)


def _mean(rows: Sequence[Array]) -> Array:
    """Mean over rows of what is known; NaN where nothing is."""
    table = np.array(rows)
    known = np.isfinite(table)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, table, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _outward(one: Pictured, side: Side) -> float:
    """The way in the picture in which that limb goes: -1 to the left."""
    return -side.sign if one.turned else side.sign


def _limb(one: Pictured, side: Side, x: Array, sign: float) -> tuple[Array, Array, Array]:
    seen = one.seen
    way = -sign if one.turned else sign
    at = _outward(one, side) * x
    return (
        way * np.interp(at, seen.x_mm, seen.sideways_mm),
        np.interp(at, seen.x_mm, seen.sd_mm),
        np.interp(at, seen.x_mm, seen.roll_mm),
    )


def _width(one: Pictured, side: Side, x: Array) -> Array:
    return np.interp(_outward(one, side) * x, one.seen.x_mm, one.seen.width_mm)


def _nock(one: Pictured, side: Side, sign: float) -> tuple[Array, Array, Array]:
    k = 0 if _outward(one, side) < 0 else 1
    way = -sign if one.turned else sign
    return np.array([way * one.seen.nocks_mm[k]]), np.array([one.seen.nocks_sd_mm[k]]), np.zeros(1)


def unlike(alignment: Alignment, widths: Pair[Array]) -> Note | None:
    """What is said where the widths that are seen are not those of the bow's file; ``widths``: by calipers at the same stations, NaN where none."""
    off = np.concatenate([alignment.limbs[side].width_mm - widths[side] for side in SIDES])
    off = off[np.isfinite(off)]
    if len(off) == 0 or float(np.mean(np.abs(off) > WIDTH_OFF_MM)) < WIDE_SHARE:
        return None
    return caution(
        "align.widths",
        f"the widths in the picture are off those of the bow's file by {mm(float(np.median(off)), 1, sign=True)}: is it the same bow, are the sheets printed at 100 %?",
    )
