"""Forecast, stop and plan in words, for the terminal at the bench."""

from __future__ import annotations

from tiller.bow.bowfile import SIDES, Bow
from tiller.bow.units import archery_draw_mm
from tiller.mechanics.advice import Advice
from tiller.mechanics.history import FIRST_STROKE_MM
from tiller.mechanics.layers import strokes
from tiller.mechanics.marks import TIP_SHARE
from tiller.mechanics.planned import Plan
from tiller.report.style import Units
from tiller.report.words import CAUTION


def forecast_words(advice: Advice, bow: Bow, units: Units) -> list[str]:
    """What the bow will weigh."""
    ahead = advice.forecast
    if ahead is None:
        return ["No forecast."]
    target = bow.target
    return [
        f"FORECAST  braced at {units.length(ahead.brace_mm)} and drawn to {units.length(float(ahead.draw_mm[-1]))} (pivot to string;"
        f" {units.length(archery_draw_mm(float(ahead.draw_mm[-1])))} by the archery convention) it will weigh {units.force(ahead.weight_n)} ± {units.force(ahead.weight_sd_n)}.",
        f"          Target {units.force(target.draw_weight_n)}; string {units.length(ahead.string_mm)} ± {units.length(ahead.string_sd_mm)} between the loops, unstretched; {units.energy(ahead.stored_j)} ± {units.energy(ahead.stored_sd_j)} stored.",
    ]


def stop_words(advice: Advice, units: Units) -> list[str]:
    """How far it may be drawn now."""
    stop = advice.stop
    if stop is None:
        return ["STOP      unknown: do not draw the bow until what is said below is mended."]
    return [
        f"STOP      on the string that is on the bow now do not draw beyond {units.length(stop.draw_mm)}: {stop.reason}.",
        f"          Working strain {100 * advice.working_strain:.2f} % ({advice.strain_source}).",
    ]


def _place(mm: float, units: Units) -> str:
    return f"{units.length_value(mm):.0f}" if units.metric else f"{units.length_value(mm):.1f}"


def _span(low_mm: float, high_mm: float, units: Units) -> str:
    return f"{_place(low_mm, units)} - {_place(high_mm, units)} {units.length_unit}"


def plan_words(plan: Plan, bow: Bow, units: Units, stroke_mm: float = FIRST_STROKE_MM) -> list[str]:
    """Where to scrape now, and what it comes to."""
    out = [
        f"PLAN      now {units.force(plan.now_n)}, strain uneven by {100 * plan.now_uneven:.1f} % (rms); after this pass {units.force(plan.after_pass_n)} ± {units.force(plan.after_pass_sd_n)},"
        f" {100 * plan.after_pass_uneven:.1f} %; in the end {units.force(plan.final_n)}, {100 * plan.final_uneven:.1f} %.",
    ]
    laid = plan.layers
    if laid:
        out += [
            "",
            "SCRAPE NOW, in this order: a stretch that lies within one above it comes after it. Belly only.",
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
            f"One stroke is taken as {units.depth(stroke_mm)}; measure yours with calipers before and after ten. Blend the ends of every stretch."
        )
    else:
        out.append("Nothing is to be scraped now.")
    if plan.zones:
        out += ["", "IN THE END, this pass counted in:"]
        out.append(f"{'':9s} {'from the pivot':>20s} {'from the nock':>20s} {'deep':>9s} {'sd':>9s} {'now':>9s}")
        for z in plan.zones:
            length = bow.limb("left" if z.limb == "left" else "right").length_mm
            out.append(
                f"{z.limb:9s} {_span(z.from_mm, z.to_mm, units):>20s} {_span(length - z.to_mm, length - z.from_mm, units):>20s}"
                f" {units.depth(z.depth_mm):>9s} {units.depth(z.depth_sd_mm):>9s} {units.depth(z.pass_mm) if z.pass_mm > 0 else 'later':>9s}"
            )
    if plan.zones:
        parts = []
        for side in SIDES:
            limb = bow.limb(side)
            parts.append(f"{side} {_span(limb.working_from_mm, TIP_SHARE * limb.length_mm, units)}")
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
    out = [*forecast_words(advice, bow, units), *stop_words(advice, units)]
    if advice.plan is not None and advice.plan.largest_strain > advice.working_strain:
        out.append(
            f"OVERSTRAINED at the target in the end: {100 * advice.plan.largest_strain:.2f} % of strain, {100 * advice.working_strain:.2f} % is what the wood is"
            " trusted with. See the notes for the ways out before anything is scraped."
        )
    out += plan_words(advice.plan, bow, units, stroke_mm) if advice.plan is not None else ["PLAN      none."]
    out += [f"Note: {units.words(text)}" for text in advice.said]
    if caution:
        out += ["", CAUTION]
    return "\n".join(out)
