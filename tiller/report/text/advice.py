"""Forecast, stop and plan in words, for the terminal at the bench."""

from __future__ import annotations

import numpy as np

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Side
from tiller.bow.units import archery_draw_mm
from tiller.mechanics.advice.advice import Advice, NextPull
from tiller.mechanics.advice.history import FIRST_STROKE_MM
from tiller.mechanics.advice.layers import strokes
from tiller.mechanics.advice.planned import Band, Missing, Plan
from tiller.mechanics.advice.wanted import Tiller
from tiller.report.style import Units
from tiller.report.text.pull import CAUTION

RUN_OUT_MM = 30.0
"""So far a scraper's stroke runs out (common practice, no source)."""


def forecast_words(advice: Advice, bow: Bow, units: Units) -> list[str]:
    """What the bow will weigh."""
    ahead = advice.forecast
    if ahead is None:
        return ["No forecast."]
    target = bow.target
    return [
        f"FORECAST  braced at {units.length(ahead.brace_mm)} and drawn to {units.length(float(ahead.draw_mm[-1]))} (pivot to string;"
        f" {units.length(archery_draw_mm(float(ahead.draw_mm[-1])))} to the back, by the archery convention) it will weigh {units.force(ahead.weight_n)} ± {units.force(ahead.weight_sd_n)}.",
        f"          Target {units.force(target.draw_weight_n)}; string {units.length(ahead.string_mm)} ± {units.length(ahead.string_sd_mm)} between the loops, unstretched; {units.energy(ahead.stored_j)} ± {units.energy(ahead.stored_sd_j)} stored.",
    ]


def tiller_words(tiller: Tiller | None, bow: Bow, units: Units) -> list[str]:
    """One limb against the other at brace, and what is wanted of it."""
    if tiller is None:
        return []
    places = 1 if units.metric else 2
    upper = bow.upper_limb
    more = tiller.left_over_right if upper == "left" else -tiller.left_over_right
    out = [
        f"TILLER    braced, string to limb at the fades, upper ({upper}) less lower: {units.length(tiller.at_brace_mm, places)} ±"
        f" {units.length(tiller.sd_mm, places)}."
    ]
    if bow.target.tiller_mm is not None or bow.target.hand is not None:
        what = (
            f"{units.length(tiller.wanted_mm, places)} is wanted"
            if np.isfinite(tiller.wanted_mm)
            else "for the hand as bow.toml gives it"
        )
        out.append(
            f"          {what}: on the rack the upper limb is to be strained {100 * abs(np.expm1(more)):.1f} % {'more' if more >= 0 else 'less'} than the lower one."
        )
    return out


def stop_words(advice: Advice, units: Units) -> list[str]:
    """How far it may be drawn now."""
    stop = advice.stop
    if stop is None:
        return ["STOP      unknown: do not draw the bow until the problem named below is solved."]
    return [
        f"STOP      on the string that is on the bow now do not draw beyond {units.length(stop.draw_mm)}: {stop.reason}.",
        f"          Working strain {100 * advice.working_strain:.2f} % ({advice.strain_source}).",
    ]


def next_pull_words(further: NextPull | None, units: Units) -> list[str]:
    """What a further pull will show."""
    if further is None:
        return []
    return [
        f"NEXT PULL to {units.length(further.draw_mm)}: it will show the {further.limb} limb about {units.length(further.at_mm)} from the pivot, known worst now, to"
        f" {100 * further.sd_then:.1f} % in place of {100 * further.sd_now:.1f} % (sd)."
    ]


def _place(mm: float, units: Units) -> str:
    return f"{units.length_value(mm):.0f}" if units.metric else f"{units.length_value(mm):.1f}"


def _span(low_mm: float, high_mm: float, units: Units) -> str:
    return f"{_place(low_mm, units)} - {_place(high_mm, units)} {units.length_unit}"


def _band(band: Band) -> str:
    return f"{100 * band.expected:.1f} % ({100 * band.low:.1f} to {100 * band.high:.1f} %)"


def missing_words(missing: Missing, units: Units) -> str:
    """What a bow lacks before it is done."""
    size = 100 * missing.size
    where = f"{missing.limb} limb, {_span(missing.from_mm, missing.to_mm, units)}" if missing.limb else ""
    return {
        "braced": f"one braced pull to {units.length(missing.size)}",
        "draw": f"a pull to {units.length(missing.size)} or further",
        "weight": f"its weight, {abs(size):.1f} % {'too high' if size > 0 else 'too low'}",
        "strained": f"{where}, strained {size:.0f} % more than is wanted of both limbs together",
        "doubt": f"{where}, known to {size:.0f} % only",
    }[missing.what]


def plan_words(
    plan: Plan, bow: Bow, units: Units, stroke_mm: float = FIRST_STROKE_MM, *, over: bool = False
) -> list[str]:
    """Where to scrape now, and what it comes to."""
    out = [
        f"PLAN      now {units.force(plan.now_n)}, strain uneven by {_band(plan.now)}; after this pass {units.force(plan.after_pass_n)} ±"
        f" {units.force(plan.after_pass_sd_n)}, {_band(plan.after_pass)}; in the end {units.force(plan.final_n)}, {_band(plan.final)}.",
        "          (rms of the true bow as far as it can be known, and between what it is in 8 of 10 bows)",
    ]
    if plan.missing:
        first = "once a way out is chosen, and " if over else ""
        out.append(
            f"BEFORE IT IS DONE ({first}never beyond the stop): {'; '.join(missing_words(m, units) for m in plan.missing)}."
        )
    laid = plan.layers
    if laid:
        out += [
            "",
            f"{'SCRAPE NOW' if not over else 'WHEN A WAY OUT IS CHOSEN, SCRAPE'}, in this order: a stretch that lies within one above it comes after it. Belly only.",
        ]
        out.append(f"{'':9s} {'from the pivot':>20s} {'from the nock':>20s} {'deep':>9s} {'strokes':>8s}")
        for side in SIDES:
            length = bow.limb(side).length_mm
            mine = [o for o in laid if o.limb == side]
            for number, (o, count) in enumerate(zip(mine, strokes(mine, stroke_mm), strict=True), 1):
                out.append(
                    f"{side:6s}{number:3d} {_span(o.from_mm, o.to_mm, units):>20s} {_span(length - o.to_mm, length - o.from_mm, units):>20s}"
                    f" {units.depth(o.depth_mm):>9s} {count if count else 'light':>8}"
                )
        out.append(
            f"One stroke is taken as {units.depth(stroke_mm)}; measure yours with calipers before and after ten. Let each stretch run out over some {units.length(RUN_OUT_MM)} at its ends, into fade and tip too."
        )
    else:
        out.append("Nothing is to be scraped now.")
    if plan.zones:
        out += ["", "IN THE END, this pass counted in:"]
        out.append(f"{'':9s} {'from the pivot':>20s} {'from the nock':>20s} {'deep':>9s} {'sd':>9s} {'now':>9s}")
        for z in plan.zones:
            length = bow.limb(Side(z.limb)).length_mm
            out.append(
                f"{z.limb:9s} {_span(z.from_mm, z.to_mm, units):>20s} {_span(length - z.to_mm, length - z.from_mm, units):>20s}"
                f" {units.depth(z.depth_mm):>9s} {units.depth(z.depth_sd_mm):>9s} {units.depth(z.pass_mm) if z.pass_mm > 0 else 'later':>9s}"
            )
    if plan.zones:
        parts = []
        for side in SIDES:
            limb = bow.limb(side)
            parts.append(f"{side} {_span(limb.working_from_mm, limb.working_to_mm, units)}")
        out.append(
            f"Fades and tips are stiff by design and not judged; the working limb is {' and '.join(parts)} from the pivot."
        )
    for a in plan.left_alone:
        out.append(
            f"LEAVE ALONE  {a.limb} limb, {_span(a.from_mm, a.to_mm, units)} from the pivot: {units.words(a.reason)}."
        )
    return out


def advice_words(
    advice: Advice, bow: Bow, units: Units, caution: bool = True, stroke_mm: float = FIRST_STROKE_MM
) -> str:
    """Forecast, stop and plan."""
    out = [
        *forecast_words(advice, bow, units),
        *tiller_words(advice.tiller, bow, units),
        *stop_words(advice, units),
        *next_pull_words(advice.next_pull, units),
    ]
    over = advice.plan is not None and advice.plan.largest_strain > advice.working_strain
    if advice.plan is not None and over:
        out.append(
            f"OVERSTRAINED at the target in the end: {100 * advice.plan.largest_strain:.2f} % of strain, {100 * advice.working_strain:.2f} % is what the wood is"
            " trusted with. See the notes for the ways out before anything is scraped."
        )
    out += plan_words(advice.plan, bow, units, stroke_mm, over=over) if advice.plan is not None else ["PLAN      none."]
    out += [f"Note: {units.words(note.text)}" for note in advice.notes]
    if caution:
        out += ["", CAUTION]
    return "\n".join(out)
