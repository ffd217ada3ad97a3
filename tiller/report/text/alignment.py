"""The second view in words: does the string cross the middle of the handle, how do the limbs bend sideways, what to do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair, Side
from tiller.mechanics.space.tracking import (
    WITHIN_MM,
    Alignment,
    Correction,
    EdgeOff,
    Heat,
    NockTwist,
    Sideways,
    Untwist,
)
from tiller.records.alignments import Stayed
from tiller.report.style import METRIC, Units

NOTE_IT = "Note it when it is done"
HALF_MM = 40.0
"""A bend by heat is noted so far to either side of its place."""
CAUTION = (
    "Heat only an unstrung bow. Gloves and eye protection on, away from anything that burns, with ventilation; an extinguisher at hand; let it cool and rest a"
    " day before it is strung. Local rules and a competent person's advice come first."
)


def to_side(value_mm: float) -> str:
    """'right' or 'left'."""
    return "right" if value_mm >= 0 else "left"


def _aside(value: float, sd: float, units: Units) -> str:
    places = 0 if units.metric else 2
    if abs(value) < 0.5:
        return f"within {units.length(0.5, 1 if units.metric else 2)} ± {units.length(sd, 1 if units.metric else 2)}"
    return f"{units.length(abs(value), places)} ± {units.length(sd, 1 if units.metric else 2)} to the {to_side(value)}"


def sentence(alignment: Alignment, bow: Bow, units: Units = METRIC) -> str:
    """The one sentence."""
    off, sd = alignment.offset_mm, alignment.offset_sd_mm
    if alignment.tracks:
        first = f"the string crosses the handle {_aside(off, sd, units)} of its middle: it tracks"
    elif alignment.untold:
        first = (
            f"the string crosses the handle {_aside(off, sd, units)} of its middle: whether it tracks cannot be told so"
        )
    else:
        first = f"the string crosses the handle {_aside(off, sd, units)} of its middle"
    parts = [first]
    for side in SIDES:
        limb = alignment.limbs[side]
        if np.isfinite(limb.nock_mm) and abs(limb.nock_mm) > max(WITHIN_MM, 2 * limb.nock_sd_mm):
            parts.append(
                f"the {name_of(side, bow)} limb bends {_aside(limb.nock_mm, limb.nock_sd_mm, units)}{_mostly(limb, units)}"
            )
    return "; ".join(parts) + "."


def name_of(side: Side, bow: Bow) -> str:
    """'upper' or 'lower'."""
    return "upper" if side == bow.upper_limb else "lower"


def _mostly(limb: Sideways, units: Units) -> str:
    if not np.isfinite(limb.from_mm):
        return ""
    return f", mostly from {units.length(limb.from_mm)} to {units.length(limb.to_mm)}"


def twist_words(alignment: Alignment, bow: Bow, units: Units) -> list[str]:
    """How far each nock is turned."""
    out = []
    for side in SIDES:
        twist = alignment.twist[side]
        if not np.isfinite(twist.turn_rad):
            continue
        degrees, sd = abs(np.rad2deg(twist.turn_rad)), np.rad2deg(twist.sd_rad)
        if abs(twist.turn_rad) > 2 * twist.sd_rad:
            begins = f", beginning at about {units.length(twist.from_mm)}" if np.isfinite(twist.from_mm) else ""
            out.append(
                f"The {name_of(side, bow)} limb is twisted: at its nock the belly is turned {degrees:.1f} ± {sd:.1f} degrees to the {to_side(twist.turn_rad)}{begins}."
            )
        else:
            out.append(f"No twist of the {name_of(side, bow)} limb can be told ({degrees:.1f} ± {sd:.1f} degrees).")
    return out


def turn_words(turn: Untwist, bow: Bow, units: Units) -> str:
    """One limb turned back by heat."""
    return (
        f"turn the {name_of(turn.limb, bow)} limb back by heat between {units.length(turn.from_mm)} and {units.length(turn.to_mm)} from the middle of the handle, the"
        f" belly at its nock by {abs(np.rad2deg(turn.angle_rad)):.1f} degrees to the {to_side(turn.angle_rad)}, spread over that stretch"
    )


def heat_words(heat: Heat, bow: Bow, units: Units) -> str:
    """One bend by heat."""
    length = bow.limb(heat.limb).length_mm
    return (
        f"bend the {name_of(heat.limb, bow)} limb by heat at {units.length(heat.at_mm)} from the middle of the handle"
        f" ({units.length(length - heat.at_mm)} from its nock) by {abs(np.rad2deg(heat.angle_rad)):.1f} degrees to the {to_side(heat.angle_rad)}: its nock goes"
        f" {units.length(abs(heat.form_mm), 0 if units.metric else 2)} that way on the form"
    )


def edge_words(edge: EdgeOff, price: float, bow: Bow, units: Units) -> str:
    """The same by wood."""
    return (
        f"or scrape the {to_side(1.0 if edge.right else -1.0)} edge of the {name_of(edge.limb, bow)} limb's belly from {units.length(edge.from_mm)} to"
        f" {units.length(edge.to_mm)}, {units.depth(edge.depth_mm)} at the edge where it is thickest and less towards the nock, running out to nothing at the middle:"
        f" that costs some {100 * abs(price):.0f} % of the string's pull at brace, and about as much of the weight"
    )


def correction_words(correction: Correction, bow: Bow, units: Units = METRIC, reserve: float = 0.0) -> list[str]:
    """What to do, line by line."""
    if correction.why_not:
        return [f"No correction is proposed: {correction.why_not}"]
    if not correction.heat and not correction.turn:
        return ["Nothing is to be done about it."]
    lines = [
        f"BEFORE    make sure that the {'upper' if bow.upper_limb is Side.LEFT else 'lower'} (left) limb lay to the left in the pictures that were not turned:"
        " the other way round, all that follows is wrong."
        + (" So it is if a picture along a limb was of the other limb." if correction.turn else "")
    ]
    todo = [
        *(turn_words(turn, bow, units) for turn in correction.turn),
        *(heat_words(heat, bow, units) for heat in correction.heat),
    ]
    lines += [f"{'TO DO     ' if k == 0 else '          and '}{text}." for k, text in enumerate(todo)]
    if correction.edge is not None:
        lines.append(f"          {edge_words(correction.edge, correction.edge_weight, bow, units)}.")
    if abs(correction.after_mm) > WITHIN_MM:
        lines.append("          That is not all of it: more at a time is not wise. Look again after it.")
    if correction.edge is None and reserve > 0:
        lines.append(
            "          Scraping one edge instead would take more of the belly, or of the weight, than may come off: heat it."
        )
    lines.append(
        f"          Done so, the string crosses the handle {_aside(correction.after_mm, correction.after_sd_mm, units)} of its middle; what usually springs back is in"
        " these figures already, do not add to them."
    )
    spans = [
        *((turn.limb, turn.from_mm, turn.to_mm) for turn in correction.turn),
        *((heat.limb, heat.at_mm - HALF_MM, heat.at_mm + HALF_MM) for heat in correction.heat),
    ]
    for limb, start, end in spans:
        low, high = units.length_value(start), units.length_value(end)
        lines.append(
            f"          {NOTE_IT}: tiller book event '{bow.name}' warmed --limb {limb} --from {low:.0f} --to {high:.0f}"
            + ("" if units.metric else " --units inch")
        )
    lines.append("          Then rest the bow a day before it is strung, and look again.")
    return [*lines, CAUTION]


def stayed_words(seen: Sequence[Stayed], bow: Bow, units: Units = METRIC) -> list[str]:
    """What earlier heat left."""
    places = 0 if units.metric else 2
    out = []
    for one in seen:
        asked = f"{units.length(abs(one.asked_mm), places)} to the {to_side(one.asked_mm)}"
        came = f"{units.length(abs(one.came_mm), places)} ± {units.length(one.came_sd_mm, places)} to the {to_side(one.came_mm)}"
        share = f"{100 * one.share:.0f} %" if one.share > 0.05 else "nothing of it"
        wood = "; wood came off between, which counts in it" if one.scraped else ""
        soon = "" if one.days >= 0.5 else "; that is early: look again after a day"
        out.append(
            f"Heat      the {name_of(one.limb, bow)} limb's nock was to go {asked}; it went {came} ({share} stayed, {one.days:.1f} days after{soon}{wood})."
        )
    return out


SHOCK = (
    "Hand shock is hard: usual causes are heavy tips and limbs that do not come home together. See that both limbs bend alike (the plan), then make the outer"
    " third and the tips lighter at the sides, a little at a time. A bow that kicks hard may have a crack: look over its back and belly before it is shot again."
)


def turned_words(before: Pair[NockTwist], now: Pair[NockTwist], bow: Bow) -> list[str]:
    """What twist a limb had when it was looked at before it was warmed, and has now."""
    out = []
    for side in SIDES:
        was, is_ = before[side], now[side]
        if np.isfinite(was.turn_rad) and np.isfinite(is_.turn_rad):
            out.append(
                f"Twist     of the {name_of(side, bow)} limb: {abs(np.rad2deg(was.turn_rad)):.1f} ± {np.rad2deg(was.sd_rad):.1f} degrees to the {to_side(was.turn_rad)} before it was"
                f" warmed, {abs(np.rad2deg(is_.turn_rad)):.1f} ± {np.rad2deg(is_.sd_rad):.1f} to the {to_side(is_.turn_rad)} now."
            )
    return out


def alignment_words(
    alignment: Alignment,
    correction: Correction,
    bow: Bow,
    units: Units = METRIC,
    seen: Sequence[Stayed] = (),
    reserve: float = 0.0,
    hand_shock: str = "",
) -> str:
    """All of it. ``reserve``: share of the weight that may still come off; ``hand_shock``: as it was felt."""
    text = sentence(alignment, bow, units)
    lines = [
        f"{bow.name}, held upright, belly towards the face, the upper ({bow.upper_limb}) limb up:",
        text[0].upper() + text[1:],
        f"At the end of the fades it is {_aside(alignment.at_fades_mm.left, alignment.at_fades_sd_mm.left, units)} ({name_of(Side.LEFT, bow)} limb) and"
        f" {_aside(alignment.at_fades_mm.right, alignment.at_fades_sd_mm.right, units)} ({name_of(Side.RIGHT, bow)} limb).",
    ]
    lines += [f"Note: {units.words(note.text)}" for note in alignment.notes]
    for side in SIDES:
        limb = alignment.limbs[side]
        if np.isfinite(limb.at_rest_mm[-1]):
            lines.append(
                f"Unstrung, the {name_of(side, bow)} limb's nock is {_aside(float(limb.at_rest_mm[-1]), limb.nock_sd_mm, units)}; strung"
                f" {_aside(limb.nock_mm, limb.nock_sd_mm, units)}: what is there without the string is the wood's own bend."
            )
        if np.isfinite(limb.groove_mm) and abs(limb.groove_mm) > max(1.5, 2 * limb.groove_sd_mm):
            lines.append(
                f"At the {name_of(side, bow)} nock the string sits {_aside(limb.groove_mm, limb.groove_sd_mm, units)} of the limb's middle: look at its grooves first."
            )
    lines += twist_words(alignment, bow, units)
    lines += stayed_words(seen, bow, units)
    lines += correction_words(correction, bow, units, reserve)
    if hand_shock == "hard":
        lines.append(SHOCK)
    return "\n".join(lines)
