"""A measured pull beside the bow's earlier ones in the book: what the last pass did, set, and the figures of this pull."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.sides import SIDES, Side
from tiller.measure.followup.sets import Past, events_shown, limb_line, set_of, since_day
from tiller.measure.pipeline import Measured
from tiller.mechanics.advice.history import (
    FIRST_STROKE_MM,
    STROKE_PRIOR_SD,
    TILLER_SD_MM,
    Comparison,
    PassDone,
    Scraped,
    lost_share,
    nothing_off,
    pass_done,
    propagated,
    stacking,
    tiller_difference_mm,
)
from tiller.mechanics.advice.yielding import SetShown
from tiller.notes import Note, caution, halt, info
from tiller.records.stored_advice import StoredZone
from tiller.records.stored_pull import StoredPull

Array = NDArray[np.float64]

DEEPEST_STROKE_MM = 0.2
TOO_MUCH = 1.25
VAGUE = 0.3
"""A share that is not known better than this is not given as one: a small pass does not show between two pulls."""
ORDINARY_SET = 0.03
"""A set of so much of how far the limb's end was bent is ordinary in wood (common practice, no source: an inch in a bow's whole travel)."""


def compare(measured: Measured, bow: Bow, now_n: float, past: Past, by_place: SetShown | None = None) -> Comparison:
    """What the pull says beside the bow's earlier ones.

    Args:
        now_n: forecast weight now, NaN without.
        past: what the book held of the bow before.
        by_place: set against strain, as ``set_by_place`` gives it.
    """
    result = measured.result
    notes: list[Note] = []
    passes: list[PassDone] = []
    promised = float("nan")
    last = past.pulls[-1] if past.pulls else None
    stroke = FIRST_STROKE_MM
    if last is not None and last.comparison.stroke_mm > 0:
        stroke = last.comparison.stroke_mm
    plan = (
        [z for z in (last.advice.plan or ()) if z.pass_mm > 0]
        if last is not None and not last.scraped_otherwise
        else []
    )
    if last is not None and plan:
        passes = _passes(measured, bow, last, plan)
        if last.advice.plan_summary is not None:
            promised = last.advice.plan_summary.weight_after_pass_n
        notes += _pass_words(passes, promised, now_n, bool(last.scrapings))
        if passes:
            # where the bowyer said how many strokes were made, a stroke took what came off over those
            made, planned = last.strokes, last.planned_strokes
            ratio = planned / made if made > 0 and planned > 0 else 1.0
            stroke = learned_stroke(stroke, [PassDone(p.limb, p.share * ratio, p.sd * ratio) for p in passes])
    sets = set_of(measured, past)
    if sets:
        for taken in sets:
            limb = result.limb(Side(taken.limb))
            bent = float(np.linalg.norm(limb.drawn_mm[-1] - limb.rest_mm[-1]))
            if (
                np.isfinite(taken.nock_mm)
                and taken.nock_mm - 2 * taken.sd_mm > 0
                and taken.nock_mm > max(2.0, ORDINARY_SET * bent)
            ):
                notes.append(
                    halt(
                        "set.taken",
                        f"the {taken.limb} limb has taken a set since its pull of {since_day(past)}: it was strained too far or is too moist; growth in one session is a"
                        " sign to stop.",
                    )
                )
    up = [p for p in result.pictures if p.branch == "up" and np.isfinite(p.force_n)]
    down = [p for p in result.pictures if p.branch == "down" and np.isfinite(p.force_n)]
    draw, force = np.array([p.draw_mm for p in up]), np.array([p.force_n for p in up])
    draw_down, force_down = np.array([p.draw_mm for p in down]), np.array([p.force_n for p in down])
    sd = np.array([p.force_sd_n for p in (*up, *down)])
    lost, lost_sd = propagated(
        lambda f: lost_share(draw, f[: len(up)], draw_down, f[len(up) :]), np.concatenate([force, force_down]), sd
    )
    stacks, stacks_sd = propagated(lambda f: stacking(draw, f), force, sd[: len(up)])
    tiller = _tiller(measured, bow)
    return Comparison(
        passes=tuple(passes),
        promised_n=promised,
        now_n=now_n,
        stroke_mm=stroke,
        sets=tuple(sets),
        tiller_mm=tiller,
        tiller_sd_mm=_tiller_sd(measured) if np.isfinite(tiller) else float("nan"),
        lost=lost,
        lost_sd=lost_sd,
        stacking=stacks,
        stacking_sd=stacks_sd,
        notes=tuple(notes),
        by_place=by_place,
        events=events_shown(measured, past),
        set_since=since_day(past),
    )


def _passes(measured: Measured, bow: Bow, last: StoredPull, plan: Sequence[StoredZone]) -> list[PassDone]:
    """What came off each limb of what the last pull's plan wanted off it."""
    passes = []
    for side in SIDES:
        limb, kept = measured.result.limb(side), last.limb(side)
        zones = [
            Scraped(z.limb, z.from_mm, z.to_mm, z.pass_mm, _log_ei(measured, bow, side, z))
            for z in plan
            if z.limb == side
        ]
        passes.append(pass_done(side, kept.s_mm, kept.stiffness_n_m2, limb.s_mm, limb.stiffness_n_m2, zones))
    return [p for p in passes if np.isfinite(p.share)]


def learned_stroke(stroke_mm: float, passes: list[PassDone]) -> float:
    """Depth of a stroke after what a pass showed, believed as far as it is sure.

    A pass that took less than planned may have been cut short: that never makes the next plan ask for more strokes.
    """
    sd = float(np.sum([1 / p.sd**2 for p in passes]) ** -0.5)
    seen = float(np.average([p.share for p in passes], weights=[1 / p.sd**2 for p in passes]))
    gain = STROKE_PRIOR_SD**2 / (STROKE_PRIOR_SD**2 + sd**2)
    return float(min(stroke_mm * max(1.0, 1.0 + gain * (seen - 1.0)), DEEPEST_STROKE_MM))


def _log_ei(measured: Measured, bow: Bow, side: Side, zone: StoredZone) -> float:
    """What the planned depth does to log EI in a zone, by its section: thickness now is what the pass left."""
    limb = measured.result.limb(side)
    middle = 0.5 * (zone.from_mm + zone.to_mm)
    thick = float(np.interp(middle, limb.s_mm, limb.thickness_mm))
    width = float(bow.limb(side).width_at(middle))
    above = bow.above(side, np.array([middle, middle]))
    both = thick_enough(np.array([thick, thick + zone.pass_mm]), 1.0, above)
    section = limb_section(width, both, measured.crown_radius_mm, above)
    after, before = section.second_moment_mm4
    return float(np.log(after / before))


def _pass_words(passes: list[PassDone], promised_n: float, now_n: float, noted: bool = True) -> list[Note]:
    """What a pass did, in words; ``noted``: somebody said that strokes were made."""
    out: list[Note] = []
    if np.isfinite(promised_n) and np.isfinite(now_n):
        off = f"the bow is forecast {100 * (now_n / promised_n - 1):+.1f} % off what the last plan promised after its pass"
        more = "" if noted else "; no stroke is noted since the last pull"
        out.append(info("pass.promise", f"{off}{more}."))
    if nothing_off(passes):
        return []
    for done in passes:
        if done.sd > VAGUE:
            out.append(
                info(
                    "pass.vague",
                    f"how much came off the {done.limb} limb cannot be determined from these two pulls (to no better than ± {100 * done.sd:.0f} % of what was planned).",
                )
            )
            continue
        out.append(
            info(
                "pass.done",
                f"on the {done.limb} limb {round(100 * done.share):d} ± {100 * done.sd:.0f} % of the planned wood came off, by its stiffness.",
            )
        )
        if done.share > TOO_MUCH and done.share - 1 > 2 * done.sd:
            out.append(
                caution(
                    "pass.too-much",
                    f"the {done.limb} limb got weaker than planned: take less at a stroke, and look for cracks before the next pull.",
                )
            )
    return out


def _tiller_sd(measured: Measured) -> float:
    """Of the tiller; where lens and board were not calibrated the touched places tilt it too."""
    free = measured.sight.scene.rig.geometry_sd > 0
    return float(np.hypot(TILLER_SD_MM, TILLER_UNCALIBRATED_MM)) if free else TILLER_SD_MM


TILLER_UNCALIBRATED_MM = 4.0
"""A handle's rest touched 4 mm too high on one side turns both limbs by as much over their length (common practice, no source)."""


def _tiller(measured: Measured, bow: Bow) -> float:
    result = measured.result
    top = result.pictures[result.largest]
    seen = next((s for s in measured.sight.seen if s.picture.file == top.file), None)
    if seen is None or seen.shape.hook is None:
        return float("nan")
    upper: Side = bow.upper_limb
    lower = upper.other
    hook = np.array([seen.shape.hook.seat_mm, seen.shape.hook.seat_mm])
    for row, side in enumerate((upper, lower)):
        hook[row, 0] *= side.sign
    return tiller_difference_mm(
        limb_line(result.limb(upper).drawn_mm, upper),
        limb_line(result.limb(lower).drawn_mm, lower),
        result.limb(upper).s_mm,
        result.limb(lower).s_mm,
        hook,
        (bow.limb(upper).working_from_mm, bow.limb(lower).working_from_mm),
    )
