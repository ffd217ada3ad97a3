"""What to do about a string that does not cross the middle of the handle: heat, or wood off one side of a belly, by the bow as beams in space."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import ASSUMED_MODULUS_GPA, Bow
from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.wood.shear import shear_ratio
from tiller.mechanics.space.rod import NotStrungError
from tiller.mechanics.space.track import (
    Blank,
    Course,
    Taken,
    bent,
    both_taken,
    edge_taken,
    nothing,
    offset_per_mm,
    offset_per_rad,
    strung_bow,
    turned,
)
from tiller.mechanics.space.tracking import (
    WITHIN_MM,
    Alignment,
    Correction,
    EdgeOff,
    Heat,
    NockTwist,
    Untwist,
    curvature,
)

Array = NDArray[np.float64]

MOST_BENT_RAD = float(np.deg2rad(3.0))
"""One place takes no sharper a bend at a time (common practice, no source)."""
MOST_OFF_SHARE = 0.2
"""No more of the thickness at an edge (on the average of the section a quarter of that; common practice, no source)."""
LEAST_EDGE_MM = 0.15
"""A depth that a scraper does not keep is not asked for."""
SEGMENTS = 60
NEAR_ROOT_MM, NEAR_TIP_SHARE = 50.0, 0.78
"""Heat goes where the limb bends: so far outside the fade, and not beyond this share of its length."""
USUAL_SHARE = 0.45
"""Where no stretch makes most of a limb's sideways bend, it is bent at this share of its length."""
OVER_MM = 80.0
"""So long a stretch takes the heat (common practice, no source)."""


UNSURE = (
    "it cannot be told whether the string runs aside: take the bow both ways round (--turned), hold the camera straight before the handle, and measure the handle"
    " (--grip)."
)
UNSEEN = "a limb's end is not seen, so that it is not known which limb bends: light both ends evenly, and take the pictures anew."
MOST_NOCK_SD_MM = 3.5
"""Where a nock's place is known no better, nobody knows which limb bends (common practice, no source)."""
UNSEEN_HANDLE = (
    "the handle's sides are hardly seen, so that it is not known which limb bends: give the handle's width at its middle (--grip), light it from one side, and take"
    " the pictures from nearer or with more pixels."
)
PRICE_MARGIN = 0.02
"""What wood costs is known no better than this (common practice, no source)."""
MOST_TURNED_RAD = float(np.deg2rad(8.0))
"""No more is turned back at a time (common practice, no source)."""
HEAT_SD = 0.25
"""By so much of it a bend by heat misses: some springs back (common practice, no source)."""


def blank_of(bow: Bow, side: Side, sideways: tuple[Array, Array], twist: NockTwist | None = None) -> Blank:
    """A limb as its file and the pictures have it; ``sideways``: places along it and its sideways curvature there, towards z > 0, NaN where not known."""
    limb = bow.limb(side)
    s = np.linspace(limb.handle_mm, limb.length_mm, SEGMENTS + 1)
    thick = limb.thickness_at(s)
    # towards the handle it thickens, and gives little
    inside = np.clip((limb.working_from_mm - s) / max(limb.working_from_mm - limb.handle_mm, 1.0), 0.0, 1.0)
    thick = thick * (1.0 + 0.6 * inside)
    modulus = 1e3 * (bow.known_modulus_gpa or ASSUMED_MODULUS_GPA)
    at, k = sideways
    known = np.isfinite(k)
    own = np.interp(s[:-1], at[known], k[known]) if np.any(known) else np.zeros(SEGMENTS)
    turn: Array = np.zeros(SEGMENTS)
    if twist is not None and np.isfinite(twist.turn_rad):
        begin = _begins(bow, side, twist)
        turn = np.asarray(twist.turn_rad / (limb.length_mm - begin) * (s[:-1] >= begin), dtype=float)
    return Blank(
        s_mm=s,
        width_mm=limb.width_at(s),
        thickness_mm=thick,
        crown_mm=bow.crown_radius_mm,
        modulus_n_mm2=np.full(len(s), modulus),
        shear_n_mm2=np.full(len(s), modulus * shear_ratio(bow.wood).mean),
        draw_per_mm=np.zeros(SEGMENTS),
        sideways_per_mm=np.where(s[:-1] > limb.working_from_mm, own, 0.0),
        twist_per_mm=turn,
        root_mm=np.array([limb.handle_mm, 0.0, 0.0]),
        root_down_rad=0.0,
    )


def course_of(bow: Bow, alignment: Alignment, brace_mm: float) -> Course:
    """The bow as beams in space, z to the right as ``Alignment`` has it.

    Raises:
        NotStrungError: no braced shape is found.
    """
    blanks = Pair(*(blank_of(bow, side, _sideways(alignment, side), alignment.twist[side]) for side in SIDES))
    both = bow.left.length_mm + bow.right.length_mm
    return strung_bow(blanks.left, blanks.right, brace_mm, 0.972 * both)


def _begins(bow: Bow, side: Side, twist: NockTwist) -> float:
    """Where along the limb its twist begins: at the fade where nothing tells."""
    limb = bow.limb(side)
    if not np.isfinite(twist.from_mm):
        return limb.working_from_mm
    return float(np.clip(twist.from_mm, limb.working_from_mm, NEAR_TIP_SHARE * limb.length_mm))


def _sideways(alignment: Alignment, side: Side) -> tuple[Array, Array]:
    limb = alignment.limbs[side]
    return limb.s_mm, curvature(limb.s_mm, limb.bend_mm)


def correction_of(
    bow: Bow, alignment: Alignment, brace_mm: float, reserve: float = 0.0, kept: float = 1.0
) -> Correction:
    """What brings the string to the middle.

    Args:
        kept: how much of a bend by heat stays; so much more is asked for.
        reserve: share of the weight that may still come off; wood is proposed only within that.
    """
    off, sd = alignment.offset_mm, alignment.offset_sd_mm
    if alignment.tracks:
        return Correction(after_mm=off, after_sd_mm=sd)
    if alignment.untold:
        return Correction(after_mm=off, after_sd_mm=sd, why_not=UNSURE)
    if not all(np.isfinite(limb.nock_mm) for limb in alignment.limbs):
        return Correction(after_mm=off, after_sd_mm=sd, why_not=UNSEEN)
    if max(limb.nock_sd_mm for limb in alignment.limbs) > MOST_NOCK_SD_MM:
        return Correction(after_mm=off, after_sd_mm=sd, why_not=UNSEEN_HANDLE)
    try:
        return _proposed(bow, alignment, course_of(bow, alignment, brace_mm), reserve, kept)
    except (NotStrungError, ValueError) as err:
        return Correction(
            why_not=f"{err}; the brace height, lengths and thicknesses of the bow's file do not go together."
        )


def _proposed(bow: Bow, alignment: Alignment, course: Course, reserve: float, kept: float) -> Correction:
    """The correction of a string that is off.

    Raises:
        NotStrungError, ValueError: the corrected bow has no braced shape.
    """
    off = alignment.offset_mm
    turn, taken = _turned_back(bow, alignment, course, kept)
    left = off
    if turn:
        left += course.after(taken.left, taken.right).offset_mm - course.strung.offset_mm
    wanted, taken = _by_heat(bow, alignment, course, left, taken, MOST_BENT_RAD * kept)
    after = course.after(taken.left, taken.right)
    moved = after.offset_mm - course.strung.offset_mm
    # so far the strung nock goes by what stays; bent on the form it is more
    goes = after.points_mm[:, -1, 2] - course.strung.points_mm[:, -1, 2]
    heat = tuple(
        replace(h, angle_rad=h.angle_rad / kept, form_mm=h.form_mm / kept, nock_mm=float(goes[h.limb.index]) / kept)
        for h in wanted
    )
    return replace(
        _by_wood(bow, alignment, course, off, reserve),
        turn=turn,
        heat=heat,
        after_mm=off + moved,
        after_sd_mm=float(np.hypot(alignment.offset_sd_mm, HEAT_SD * moved)),
    )


def _turned_back(
    bow: Bow, alignment: Alignment, course: Course, kept: float
) -> tuple[tuple[Untwist, ...], Pair[Taken]]:
    """Limbs that are surely twisted, turned back: what is asked of the form, and what of it stays."""
    taken = Pair(nothing(course.left), nothing(course.right))
    out = []
    for side in SIDES:
        twist = alignment.twist[side]
        if not twist.sure:
            continue
        start, end = _begins(bow, side, twist), NEAR_TIP_SHARE * bow.limb(side).length_mm
        end = max(end, start + OVER_MM)
        angle = float(np.clip(-twist.turn_rad, -MOST_TURNED_RAD * kept, MOST_TURNED_RAD * kept))
        blank = course.right if side is Side.RIGHT else course.left
        taken = taken.put(side, turned(blank, angle, start, end))
        out.append(Untwist(limb=side, angle_rad=angle / kept, from_mm=start, to_mm=end))
    return tuple(out), taken


def _crooked_first(alignment: Alignment, off: float) -> list[Side]:
    """Limbs, the one first that goes farther to the side to which the string is off."""
    return sorted(SIDES, key=lambda side: -np.sign(off) * alignment.limbs[side].nock_mm)


def _place(bow: Bow, alignment: Alignment, side: Side, off: float) -> float:
    """Where heat goes: the middle of what bends the limb to the side to which the string is off, each part counted by how far it moves the nock."""
    limb, seen = bow.limb(side), alignment.limbs[side]
    inside = (seen.s_mm >= limb.working_from_mm) & (seen.s_mm <= NEAR_TIP_SHARE * limb.length_mm)
    bends = np.sign(off) * np.nan_to_num(curvature(seen.s_mm, seen.bend_mm)) * (limb.length_mm - seen.s_mm) * inside
    worth = np.maximum(bends, 0.0) ** 2
    at = USUAL_SHARE * limb.length_mm
    if np.isfinite(seen.nock_mm) and seen.nock_mm * off > 0 and float(worth.sum()) > 0:
        at = float(worth @ seen.s_mm / worth.sum())
    return float(np.clip(at, limb.working_from_mm + NEAR_ROOT_MM, NEAR_TIP_SHARE * limb.length_mm))


def _by_heat(
    bow: Bow, alignment: Alignment, course: Course, off: float, taken: Pair[Taken], most_rad: float
) -> tuple[tuple[Heat, ...], Pair[Taken]]:
    """Bends that bring a string over that is ``off`` once ``taken`` is done; both together."""
    left = -off
    out = []
    for side in _crooked_first(alignment, off):
        if abs(left) < 0.25 * WITHIN_MM:
            break
        at = _place(bow, alignment, side, off)
        gain = offset_per_rad(course, side is Side.RIGHT, at)
        angle = float(np.clip(left / gain, -most_rad, most_rad))
        left -= angle * gain
        blank = course.right if side is Side.RIGHT else course.left
        taken = taken.put(side, both_taken(taken[side], bent(blank, angle, at)))
        out.append(
            Heat(
                limb=side,
                at_mm=at,
                angle_rad=angle,
                form_mm=angle * (bow.limb(side).length_mm - at),
                nock_mm=float("nan"),
            )
        )
    return tuple(out), taken


def _by_wood(bow: Bow, alignment: Alignment, course: Course, off: float, reserve: float) -> Correction:
    """Wood off the edge towards which the limb must bend, and its price; no ``edge`` where it would take more than may come off."""
    side = _crooked_first(alignment, off)[0]
    limb = bow.limb(side)
    span = (limb.working_from_mm, limb.working_to_mm)
    right = off < 0  # a limb bends towards the side that is thinner
    gain = offset_per_mm(course, side is Side.RIGHT, right, span)
    if gain * off >= 0:
        return Correction()
    known = Correction(edge_limb=side, edge_right=right, edge_gain=abs(gain))
    depth = abs(off / gain)
    blank = course.right if side is Side.RIGHT else course.left
    thick = blank.thickness_mm[(blank.s_mm >= span[0]) & (blank.s_mm <= span[1])]
    if depth > MOST_OFF_SHARE * float(np.max(thick)) or depth < LEAST_EDGE_MM:
        return known
    taken = edge_taken(blank, right, depth, *span)
    other = nothing(course.left if side is Side.RIGHT else course.right)
    after = course.after(other, taken) if side is Side.RIGHT else course.after(taken, other)
    price = after.pull_n / course.strung.pull_n - 1.0
    if PRICE_MARGIN - price > reserve:
        return known
    edge = EdgeOff(limb=side, right=right, from_mm=span[0], to_mm=span[1], depth_mm=depth)
    return replace(known, edge=edge, edge_weight=price)
