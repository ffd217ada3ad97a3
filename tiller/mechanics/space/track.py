"""What brings the string over the middle of the handle: wood off one side of a limb's belly, or a bend by heat; by the bow as beams in space.

The bow is solved as it is (its limbs naturally bent sideways as they were seen), then with a little of each correction; the rest is linear, and the
solution with the whole correction says what it will come to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.space.rod import NotStrungError, SpaceLimb, Strung, first_guess, stiffness, string_up
from tiller.mechanics.space.section import space_section

Array = NDArray[np.float64]

TRY_MM = 0.2
"""Off the edge, to see what it does."""
TRY_RAD = 0.01
"""Of bend, likewise."""


@dataclass(frozen=True, kw_only=True)
class Blank:
    """One limb as it is made, on n + 1 even stations from the handle's end to the nock.

    Attributes:
        s_mm: (n + 1,); width_mm, thickness_mm: (n + 1,); crown_mm: radius of the back or None.
        modulus_n_mm2: (n + 1,), such that the section's stiffness in the bow's plane is what was measured; shear_n_mm2: (n + 1,).
        draw_per_mm: (n,) natural curvature in the bow's plane at the inner nodes (positive as drawing bends); sideways_per_mm: (n,) natural sideways
            curvature, positive towards z; twist_per_mm: (n,), positive turns the belly towards z.
        root_mm: (3,), root_down_rad: how far the root looks down.
    """

    s_mm: Array
    width_mm: Array
    thickness_mm: Array
    crown_mm: float | None
    modulus_n_mm2: Array
    shear_n_mm2: Array
    draw_per_mm: Array
    sideways_per_mm: Array
    twist_per_mm: Array
    root_mm: Array
    root_down_rad: float


@dataclass(frozen=True)
class Taken:
    """What is done to a limb: (n + 1,) mm off the belly at its edges towards z < 0 and z > 0, and (n,) further sideways curvature and twist, 1/mm."""

    low_mm: Array
    high_mm: Array
    bent_per_mm: Array
    turned_per_mm: Array


def nothing(blank: Blank) -> Taken:
    """No correction."""
    n = len(blank.s_mm)
    return Taken(np.zeros(n), np.zeros(n), np.zeros(n - 1), np.zeros(n - 1))


def limb_of(blank: Blank, taken: Taken) -> SpaceLimb:
    """The limb as a rod, with what was done to it."""
    cut = space_section(blank.width_mm, blank.thickness_mm, blank.crown_mm, (taken.low_mm, taken.high_mm))
    moments = np.stack([cut.draw_mm4, cut.sideways_mm4, cut.product_mm4, cut.torsion_mm4], axis=-1)
    rest = np.column_stack(
        [-(blank.sideways_per_mm + taken.bent_per_mm), -blank.draw_per_mm, -(blank.twist_per_mm + taken.turned_per_mm)]
    )
    c, s = np.cos(blank.root_down_rad), np.sin(blank.root_down_rad)
    frame = np.array([[s, 0.0, c], [c, 0.0, -s], [0.0, 1.0, 0.0]])
    return SpaceLimb(
        step_mm=float(blank.s_mm[1] - blank.s_mm[0]),
        root_mm=blank.root_mm,
        root_frame=frame,
        rest_per_mm=rest,
        stiff_nmm2=stiffness(blank.modulus_n_mm2, blank.shear_n_mm2, moments)[:-1],
    )


@dataclass(frozen=True, kw_only=True)
class Course:
    """A bow of two blanks on its string.

    Attributes:
        left, right: its limbs; string_mm: nock to nock; strung: as it is.
    """

    left: Blank
    right: Blank
    string_mm: float
    strung: Strung

    def after(self, left: Taken, right: Taken) -> Strung:
        """The bow with corrections, its string as long as before."""
        return string_up(limb_of(self.left, left), limb_of(self.right, right), self.string_mm, self.strung.unknowns)


def strung_bow(left: Blank, right: Blank, brace_mm: float, string_mm: float) -> Course:
    """The bow braced; where its string's length does not give the brace height that is wanted, the string is made so.

    Args:
        string_mm: about how long the string is, nock to nock.

    Raises:
        NotStrungError: no shape is found.
    """
    limbs = limb_of(left, nothing(left)), limb_of(right, nothing(right))
    start = first_guess((0.5, 0.5), 150.0, np.array([-1.0, 0.0, 0.0]))
    strung = string_up(limbs[0], limbs[1], string_mm, start)
    for _ in range(12):
        off = strung.brace_mm - brace_mm
        if abs(off) < 0.05:
            break
        step = 2.0
        other = string_up(limbs[0], limbs[1], string_mm + step, strung.unknowns)
        slope = (other.brace_mm - strung.brace_mm) / step
        string_mm -= float(np.clip(off / slope, -15.0, 15.0))
        strung = string_up(limbs[0], limbs[1], string_mm, strung.unknowns)
    if abs(strung.brace_mm - brace_mm) > 1.0:
        msg = f"no string gives this bow a brace height of {brace_mm:.0f} mm"
        raise NotStrungError(msg)
    return Course(left=left, right=right, string_mm=string_mm, strung=strung)


def edge_taken(blank: Blank, high: bool, depth_mm: float, from_mm: float, to_mm: float, run_mm: float = 40.0) -> Taken:
    """Off one edge of the belly, as a share of the thickness that is the same all along; nothing beyond ``run_mm`` off its ends.

    Args:
        high: the edge towards z > 0; depth_mm: where the limb is thickest within the stretch.
    """
    s = blank.s_mm
    shape = np.clip((s - from_mm) / run_mm, 0.0, 1.0) * np.clip((to_mm - s) / run_mm, 0.0, 1.0)
    thickest = float(np.max(np.where(shape > 0, blank.thickness_mm, 0.0)))
    depth = depth_mm * shape * blank.thickness_mm / max(thickest, 1e-9)
    zero = np.zeros_like(s)
    return Taken(zero if high else depth, depth if high else zero, np.zeros(len(s) - 1), np.zeros(len(s) - 1))


def bent(blank: Blank, angle_rad: float, at_mm: float, over_mm: float = 80.0) -> Taken:
    """Bent sideways by heat, towards z > 0, spread over a stretch as heat spreads."""
    s = blank.s_mm[:-1]
    shape = np.exp(-0.5 * ((s - at_mm) / (0.25 * over_mm)) ** 2)
    step = float(blank.s_mm[1] - blank.s_mm[0])
    zero = np.zeros(len(blank.s_mm))
    return Taken(zero, zero, angle_rad * shape / (float(np.sum(shape)) * step), np.zeros(len(s)))


def turned(blank: Blank, angle_rad: float, from_mm: float, to_mm: float) -> Taken:
    """Turned by heat about its length, evenly over a stretch; positive turns the belly beyond it towards z > 0."""
    s = blank.s_mm[:-1]
    inside = ((s >= from_mm) & (s <= to_mm)).astype(float)
    step = float(blank.s_mm[1] - blank.s_mm[0])
    zero = np.zeros(len(blank.s_mm))
    return Taken(zero, zero, np.zeros(len(s)), angle_rad * inside / (max(float(np.sum(inside)), 1.0) * step))


def offset_per_mm(course: Course, right: bool, high: bool, span_mm: tuple[float, float]) -> float:
    """How far the string moves over the handle towards z > 0, per mm off an edge."""
    blank = course.right if right else course.left
    taken = edge_taken(blank, high, TRY_MM, *span_mm)
    other = nothing(course.left if right else course.right)
    after = course.after(other, taken) if right else course.after(taken, other)
    return (after.offset_mm - course.strung.offset_mm) / TRY_MM


def offset_per_rad(course: Course, right: bool, at_mm: float) -> float:
    """The same, per radian bent towards z > 0 at a place."""
    blank = course.right if right else course.left
    taken = bent(blank, TRY_RAD, at_mm)
    other = nothing(course.left if right else course.right)
    after = course.after(other, taken) if right else course.after(taken, other)
    return (after.offset_mm - course.strung.offset_mm) / TRY_RAD


def both_taken(one: Taken, other: Taken) -> Taken:
    """Two corrections of one limb."""
    return Taken(
        one.low_mm + other.low_mm,
        one.high_mm + other.high_mm,
        one.bent_per_mm + other.bent_per_mm,
        one.turned_per_mm + other.turned_per_mm,
    )
