"""What was found of wood before the rack, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tiller.bow.stavefile import Stave, crown_of
from tiller.bow.wood.woods import find_wood
from tiller.mechanics.wood.hearing import Rung
from tiller.mechanics.wood.logshape import LogShape
from tiller.mechanics.wood.place import Placed
from tiller.mechanics.wood.split import Splitting
from tiller.report.style import METRIC, Units
from tiller.vision.stave.logend import LogEnd
from tiller.vision.stave.ringlines import RingLines


def modulus_words(
    stave: Stave, gpa: float, sd_gpa: float, moisture_percent: float | None, rung: Rung | None, units: Units = METRIC
) -> str:
    """A modulus, and by what."""
    moist = f" at {moisture_percent:.1f} % moisture" if moisture_percent is not None else " (its moisture is not known)"
    lines = [f"{stave.name} ({stave.wood}): modulus along the grain {gpa:.1f} ± {sd_gpa:.1f} GPa{moist}."]
    if rung is not None:
        modes = np.array([tap.modes_hz for tap in rung.taps])
        middle = [f"{np.nanmedian(m):.1f}" for m in modes.T if np.any(np.isfinite(m))]
        lines.append(
            f"{len(rung.taps)} tap{'s' if len(rung.taps) > 1 else ''} rang as such a piece does, at {', '.join(middle)} Hz."
        )
    wood = find_wood(stave.wood)
    if wood is not None:
        lines.append(
            f"The table has {wood.modulus_gpa:.1f} GPa at 12 % for {wood.name} ({wood.source}), 22 % between pieces (1 sd)."
        )
    return "\n".join(units.words(line) for line in lines)


HEAT = (
    "Bending by heat: gloves and eye protection on, away from anything that burns, with ventilation, an extinguisher at hand; edge tools by trained hands; local"
    " rules and competent people come first."
)
HEAT_FROM_MM = 2.0
"""A string's line that misses the handle by more is bent straight (common practice, no source)."""
HIGH_CROWN_MM, SMALL_LOG_MM = 75.0, 75.0
"""Under such a radius a back, and under such a diameter a log, is called high-crowned (common practice, no source)."""
LEANED = 0.1
"""A pith so far off, as a share of the radius, speaks of a tree that leaned (common practice, no source)."""
USUAL_THICK_MM = 15.0


def log_end_words(
    shape: LogShape,
    end: LogEnd,
    count_sd: float,
    width_mm: float,
    splittings: Sequence[Splitting],
    units: Units = METRIC,
) -> list[str]:
    """What a log's end says, and how to split it."""
    lines = [
        f"Log {units.length(shape.diameter_mm, 0 if units.metric else 1)} ± {units.length(shape.diameter_sd_mm, 1 if units.metric else 2)} across under the bark ({units.length(shape.least_mm)} to"
        f" {units.length(shape.most_mm)}); pith {units.length(shape.off_mm, 0 if units.metric else 1)} ± {units.length(shape.off_sd_mm, 1 if units.metric else 2)} off the middle."
        + ("" if end.found else " The edge under the bark is as it was touched: it was not seen surely.")
    ]
    if shape.lean >= LEANED:
        lines.append(
            f"The pith lies {100 * shape.lean:.0f} % of the radius off: the tree leaned. Wide rings on one side are often reaction wood, which warps and breaks otherwise than the rest; take staves"
            " from the sides between (common practice)."
        )
    counts = [len(ray.rings.ends_mm) for ray in end.rays]
    if any(counts):
        widths = np.concatenate([np.diff(ray.rings.ends_mm) for ray in end.rays])
        outer = np.concatenate([np.diff(ray.rings.ends_mm)[-5:] for ray in end.rays])
        width = (
            ""
            if len(widths) == 0
            else (
                f"; a ring is {units.length(float(np.median(widths)), 1 if units.metric else 2)} wide, the last five"
                f" {units.length(float(np.median(outer)), 1 if units.metric else 2)}"
            )
        )
        lines.append(
            f"Rings beyond the core: {np.median(counts):.0f} ± {max(count_sd, 0.5):.0f} by {len(counts)} rays{width}."
        )
        late = [ray.rings.late_share for ray in end.rays if np.isfinite(ray.rings.late_share)]
        if late:
            lines.append(
                f"The darker part of a ring, late wood in ring-porous woods: {100 * float(np.median(late)):.0f} % of it."
            )
    if end.checks_rad:
        degrees = ", ".join(f"{np.rad2deg(a):.0f}" for a in end.checks_rad)
        lines.append(f"Checks at {degrees} degrees (counter-clockwise from 3 o'clock, the sheet's upper edge up).")
    if shape.diameter_mm < SMALL_LOG_MM:
        lines.append(f"HIGH-CROWNED: the log is under {units.length(SMALL_LOG_MM)} across.")
    for way in splittings[:3]:
        lines += _way_words(way, width_mm, units)
    lines.append(
        "Split it longer than the bow, seal the ends at once, and mind bark and insects: the shop's list says with its day what is due. Wedges, axes, saws: learned from trained people; local rules first."
    )
    return lines


def _way_words(way: Splitting, width_mm: float, units: Units) -> list[str]:
    if way.staves == 0:
        spoiled = sum(1 for p in way.parts if p.fits)
        why = f"{spoiled} would be deep enough, but for knots or checks" if spoiled else "its parts are too shallow"
        return [f"In {way.count}: no stave ({why})."]
    clear = [p for p in way.parts if p.clear]
    depth = f"{units.length(min(p.depth_mm for p in clear))} to {units.length(max(p.depth_mm for p in clear))}"
    crowns = [p.crown_mm for p in clear]
    out = [
        f"In {way.count}: {way.staves} stave{'s' if way.staves > 1 else ''}, {depth} deep, back's radius {units.length(min(crowns))} to {units.length(max(crowns))}."
    ]
    if min(crowns) < HIGH_CROWN_MM:
        try:
            crown = crown_of(2 * min(crowns), width_mm, USUAL_THICK_MM)
        except ValueError:
            out.append(
                f"  HIGH-CROWNED: a back of {units.length(min(crowns))} is too round for a limb {units.length(width_mm)} wide: make it narrower."
            )
        else:
            out.append(
                f"  HIGH-CROWNED: of a limb {units.length(width_mm)} wide and {units.length(USUAL_THICK_MM)} thick {100 * crown.bearing_share:.0f} % of the width carry the tension, and it has"
                f" {100 * crown.stiffness_share:.0f} % of a flat back's stiffness."
            )
    return out


def place_words(proposals: Sequence[Placed], own: Placed | None, units: Units = METRIC) -> list[str]:
    """Where the bow may lie, and what each place costs."""
    lines = []
    named = [*((f"{k + 1}", one) for k, one in enumerate(proposals)), *([("your own", own)] if own is not None else [])]
    for name, one in named:
        limbs = (
            ""
            if abs(one.shift_mm) < 1
            else f"; the limb at the far end {units.length(abs(one.shift_mm))} {'longer' if one.shift_mm > 0 else 'shorter'}, the other {'shorter' if one.shift_mm > 0 else 'longer'}"
        )
        lines.append(
            f"{name}: handle's middle at {units.length(one.x0_mm)} along, {units.length(one.y0_mm, 0 if units.metric else 1)} across; follows {100 * one.follow:.0f} % of the grain's bends{limbs}."
        )
        knots = (
            f"{len(one.spoiled)} knot{'s' if len(one.spoiled) != 1 else ''} in the middle of a limb"
            if one.spoiled
            else "no knot in the middle of a limb"
        )
        lines.append(
            f"   costs as much as {units.length(one.cost, 0 if units.metric else 2)} of a string's line off the handle: the string's line misses the handle by {units.length(one.string_mm, 0 if units.metric else 1)} (to be bent straight by heat) {one.string_mm:.1f}, knots {one.knots:.1f}"
            f" ({knots}), grain that is cut through {one.grain:.1f}, unequal limbs {one.unequal:.1f}"
            + (
                f"; IT DOES NOT LIE IN THE STAVE, by {units.length(one.over_mm)} over an edge or an end"
                if one.over_mm > 0.05
                else ""
            )
            + "."
        )
    return lines


def ring_words(seen: RingLines) -> list[str]:
    """What was seen of the rings that are cut on a back."""
    if seen.lines == 0:
        return [
            "No line is seen. That says nothing of the back being one ring: was the light grazing, the picture sharp, the back scraped clean?"
        ]
    closed = len(seen.islands)
    lines = [
        f"{seen.lines} line{'s' if seen.lines != 1 else ''} where a ring is cut {'are' if seen.lines != 1 else 'is'} drawn."
    ]
    if closed:
        lines.append(
            f"{closed} of them close{'s' if closed == 1 else ''} upon {'itself' if closed == 1 else 'themselves'} and {'is' if closed == 1 else 'are'} framed: look whether it is an island left over a knot,"
            " which is as it should be, or a ring that was cut into. A ring that is cut through on the back may lift a splinter and break the bow."
        )
    lines.append(
        "What is not drawn is not called whole: only what the light showed was seen. Drawknife and scraper: learned from trained people; local rules first."
    )
    return lines
