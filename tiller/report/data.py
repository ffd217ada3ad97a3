"""Results as data: the JSON of a measured pull, CSV with units in the header."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiller import __version__
from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Side, of_sides
from tiller.files import write_whole
from tiller.mechanics.advice.advice import Advice
from tiller.mechanics.advice.planned import Plan
from tiller.mechanics.fit.results import LimbResult, PullResult
from tiller.mechanics.forward.forecast import Forecast
from tiller.mechanics.space.tracking import Alignment, Correction
from tiller.notes import written as note_json
from tiller.quantity import plain_data
from tiller.records.stored_advice import (
    StoredAdvice,
    StoredCurve,
    StoredForecast,
    StoredLayer,
    StoredLeftAlone,
    StoredMissing,
    StoredNextPull,
    StoredStop,
    StoredSummary,
    StoredTiller,
    StoredZone,
    written,
)
from tiller.records.stored_pull import PROFILE, StoredPull

SCHEMA = "urn:tiller:result:2"
"""What a result's JSON goes by: ``result.schema.json`` beside this file; a key that goes or changes its meaning takes a new number."""
UNITS = {
    "length": "mm",
    "force": "N",
    "time": "s",
    "angle": "rad",
    "curvature": "1/m",
    "stiffness": "N m2",
    "energy": "J",
}


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of what ``tiller measure --json`` writes."""
    text = Path(__file__).with_name("result.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def _list(values: NDArray[np.float64], digits: int = 6) -> list[float | None]:
    return [round(float(v), digits) if np.isfinite(v) else None for v in values]


def _one(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def limb_json(limb: LimbResult) -> dict[str, Any]:
    """One limb; bend and strain at the largest draw."""
    return {
        "s_mm": _list(limb.s_mm, 3),
        "bend_per_m": _list(limb.bend_per_m),
        "bend_sd": _list(limb.bend_sd),
        "bend_alone_per_m": _list(limb.bend_alone_per_m),
        "bend_alone_sd": _list(limb.bend_alone_sd),
        "stiffness_n_m2": _list(limb.stiffness_n_m2),
        "stiffness_sd": _list(limb.stiffness_sd),
        "strain": _list(limb.strain, 8),
        "strain_sd": _list(limb.strain_sd, 8),
        "strain_belly": _list(limb.strain_belly, 8),
        "departure": _list(limb.departure),
        "departure_sd": _list(limb.departure_sd),
        "even_strain": _one(limb.aim),
        "implied_modulus_gpa": _one(limb.implied_modulus_gpa),
        "implied_modulus_sd_gpa": _one(limb.implied_modulus_sd_gpa),
        "twist_rest_deg": _one(float(np.rad2deg(limb.twist.rest_rad))),
        "twist_rest_sd_deg": _one(float(np.rad2deg(limb.twist.rest_sd_rad))),
        "twist_drawn_deg": _one(float(np.rad2deg(limb.twist.drawn_rad))),
        "twist_drawn_sd_deg": _one(float(np.rad2deg(limb.twist.drawn_sd_rad))),
        "twist_from_mm": _one(limb.twist.from_mm),
        "twist_from_sd_mm": _one(limb.twist.from_sd_mm),
        "twist_s_mm": _list(limb.twist.s_mm),
        "twist_along_deg": _list(np.rad2deg(limb.twist.along_rad)),
        "twist_along_sd_deg": _list(np.rad2deg(limb.twist.along_sd_rad)),
    }


def result_json(result: PullResult) -> dict[str, Any]:
    """A measured pull as a JSON object ; lengths mm, forces N, times s, NaN as null."""
    up = [p for p in result.pictures if p.branch == "up" and np.isfinite(p.draw_mm) and np.isfinite(p.force_n)]
    down = [p for p in result.pictures if p.branch == "down" and np.isfinite(p.draw_mm) and np.isfinite(p.force_n)]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "units": dict(UNITS),
        "recording": result.recording,
        "bow": result.bow,
        "force_draw": {
            "draw_mm": [p.draw_mm for p in up],
            "force_n": [p.force_n for p in up],
            "down_draw_mm": [p.draw_mm for p in down],
            "down_force_n": [p.force_n for p in down],
        },
        "frames": [
            {
                "file": p.file,
                "t_s": p.t_s,
                "branch": p.branch,
                "held": p.held,
                "draw_mm": _one(p.draw_mm),
                "draw_sd_mm": _one(p.draw_sd_mm),
                "force_n": _one(p.force_n),
                "force_sd_n": _one(p.force_sd_n),
            }
            for p in result.pictures
        ],
        "largest_draw_file": result.pictures[result.largest].file,
        "lag_s": _one(result.lag_s),
        "lag_sd_s": _one(result.lag_sd_s),
        "hysteresis": _one(result.hysteresis),
        "handle": {
            "from_mm": _one(-result.handle.reach_mm[0]),
            "to_mm": _one(result.handle.reach_mm[1]),
            "turn_rad": _one(result.handle.turn_rad),
            "turn_sd_rad": _one(result.handle.turn_sd_rad),
            "stiffness_n_m2": _one(result.handle.stiffness_n_m2),
            "stiffness_sd": _one(result.handle.stiffness_sd),
            "strain": _one(result.handle.strain),
            "strain_sd": _one(result.handle.strain_sd),
        },
        "balance": _one(result.balance),
        "balance_sd": _one(result.balance_sd),
        "wanted_balance": _one(result.wanted_balance),
        "limbs": {side.value: limb_json(result.limb(side)) for side in SIDES},
        "marks": [
            {"limb": side, "from_mm": m.from_mm, "to_mm": m.to_mm, "kind": m.kind, "departure": m.departure, "sd": m.sd}
            for side in SIDES
            for m in result.limb(side).marks
        ],
        "force_lines_rejected": result.force_lines_rejected,
        "left_out": list(result.left_out),
        "notes": [note_json(note) for note in result.notes],
    }


def stored_advice(advice: Advice, bow: Bow) -> StoredAdvice:
    """Forecast, stop and plan as they are kept and written as JSON."""
    stop, tiller, further, plan = advice.stop, advice.tiller, advice.next_pull, advice.plan
    return StoredAdvice(
        forecast=_forecast(advice.forecast) if advice.forecast is not None else None,
        stop=StoredStop(draw_mm=stop.draw_mm, reason=stop.reason, limits_mm=stop.limits_mm, braced_mm=stop.braced_mm)
        if stop is not None
        else None,
        tiller_at_brace=StoredTiller(
            upper_less_lower_mm=tiller.at_brace_mm,
            sd_mm=tiller.sd_mm,
            wanted_mm=tiller.wanted_mm,
            wanted_left_over_right_strain=float(np.exp(tiller.left_over_right)),
        )
        if tiller is not None
        else None,
        next_pull=StoredNextPull(
            draw_mm=further.draw_mm,
            limb=further.limb,
            at_mm=further.at_mm,
            sd_now=further.sd_now,
            sd_then=further.sd_then,
        )
        if further is not None
        else None,
        plan=_zones(plan, bow) if plan is not None else None,
        layers=tuple(
            StoredLayer(limb=o.limb, from_mm=o.from_mm, to_mm=o.to_mm, depth_mm=o.depth_mm) for o in plan.layers
        )
        if plan is not None
        else None,
        leave_alone=tuple(
            StoredLeftAlone(limb=a.limb, from_mm=a.from_mm, to_mm=a.to_mm, reason=a.reason) for a in plan.left_alone
        )
        if plan is not None
        else None,
        missing=tuple(
            StoredMissing(what=m.what, size=m.size, limb=m.limb or None, from_mm=m.from_mm, to_mm=m.to_mm)
            for m in plan.missing
        )
        if plan is not None
        else None,
        plan_summary=_summary(plan, advice.earlier_pulls) if plan is not None else None,
        working_strain=advice.working_strain,
        working_strain_source=advice.strain_source,
        advice_notes=advice.notes,
    )


def _forecast(ahead: Forecast) -> StoredForecast:
    return StoredForecast(
        braced_weight_n=ahead.weight_n,
        sd_n=ahead.weight_sd_n,
        target_draw_mm=float(ahead.draw_mm[-1]),
        brace_mm=ahead.brace_mm,
        string_mm=ahead.string_mm,
        string_sd_mm=ahead.string_sd_mm,
        stored_j=ahead.stored_j,
        stored_sd_j=ahead.stored_sd_j,
        curve=StoredCurve(
            draw_mm=tuple(round(float(v), 2) for v in ahead.draw_mm),
            force_n=tuple(round(float(v), 3) for v in ahead.force_n),
            force_sd_n=tuple(round(float(v), 3) for v in ahead.force_sd_n),
        ),
    )


def _zones(plan: Plan, bow: Bow) -> tuple[StoredZone, ...]:
    lengths = of_sides(lambda side: bow.limb(side).length_mm)
    return tuple(
        StoredZone(
            limb=z.limb,
            from_mm=z.from_mm,
            to_mm=z.to_mm,
            from_nock_mm=lengths[Side(z.limb)] - z.to_mm,
            to_nock_mm=lengths[Side(z.limb)] - z.from_mm,
            depth_mm=z.depth_mm,
            depth_sd_mm=z.depth_sd_mm,
            pass_mm=z.pass_mm,
        )
        for z in plan.zones
    )


def _summary(plan: Plan, earlier_pulls: int) -> StoredSummary:
    return StoredSummary(
        weight_now_n=plan.now_n,
        weight_after_pass_n=plan.after_pass_n,
        weight_final_n=plan.final_n,
        weight_sd_n=plan.weight_sd_n,
        weight_after_pass_sd_n=plan.after_pass_sd_n,
        even_weight_n=plan.even_weight_n,
        uneven_now=plan.now.expected,
        uneven_now_band=(plan.now.low, plan.now.high),
        uneven_after_pass=plan.after_pass.expected,
        uneven_after_pass_band=(plan.after_pass.low, plan.after_pass.high),
        uneven_final=plan.final.expected,
        uneven_final_band=(plan.final.low, plan.final.high),
        even_strain=plan.even_strain,
        largest_strain=plan.largest_strain,
        earlier_pulls=earlier_pulls,
    )


def advice_json(advice: Advice, bow: Bow) -> dict[str, Any]:
    """Forecast, stop and plan as JSON; a key is null where it could not be had, ``advice_notes`` say why."""
    return written(stored_advice(advice, bow), None)


def write_json(path: Path, value: dict[str, Any]) -> None:
    """Writes JSON whole, its sentences in mm and N.

    Raises:
        FileFault: as ``write_whole``.
    """
    write_whole(path, (json.dumps(plain_data(value), indent=1, allow_nan=False) + "\n").encode())


def alignment_json(alignment: Alignment, correction: Correction, bow: Bow) -> dict[str, Any]:
    """The second view as JSON: mm and rad, to the right of who holds the bow upright, belly towards the face, upper limb up; null where not seen."""
    limbs = {}
    for side in SIDES:
        limb = alignment.limbs[side]
        limbs[str(side)] = {
            "upper": side == bow.upper_limb,
            "s_mm": [_one(v) for v in limb.s_mm],
            "sideways_mm": [_one(v) for v in limb.bend_mm],
            "sideways_sd_mm": [_one(v) for v in limb.sd_mm],
            "unstrung_mm": [_one(v) for v in limb.at_rest_mm],
            "width_mm": [_one(v) for v in limb.width_mm],
            "nock_mm": _one(limb.nock_mm),
            "nock_sd_mm": _one(limb.nock_sd_mm),
            "string_off_middle_mm": _one(limb.groove_mm),
            "string_off_middle_sd_mm": _one(limb.groove_sd_mm),
            "mostly_from_mm": _one(limb.from_mm),
            "mostly_to_mm": _one(limb.to_mm),
            "twist_rad": _one(alignment.twist[side].turn_rad),
            "twist_sd_rad": _one(alignment.twist[side].sd_rad),
            "twist_from_mm": _one(alignment.twist[side].from_mm),
        }
    edge = correction.edge
    return {
        "bow": bow.name,
        "string_offset_mm": _one(alignment.offset_mm),
        "string_offset_sd_mm": _one(alignment.offset_sd_mm),
        "string_at_fades_mm": [_one(v) for v in alignment.at_fades_mm],
        "string_at_fades_sd_mm": [_one(v) for v in alignment.at_fades_sd_mm],
        "both_ways_round": alignment.turned,
        "pictures": alignment.pictures,
        "limbs": limbs,
        "turn_back": [
            {
                "limb": str(u.limb),
                "angle_rad": _one(u.angle_rad),
                "from_mm": _one(u.from_mm),
                "to_mm": _one(u.to_mm),
            }
            for u in correction.turn
        ],
        "heat": [
            {
                "limb": str(h.limb),
                "at_mm": _one(h.at_mm),
                "angle_rad": _one(h.angle_rad),
                "on_the_form_mm": _one(h.form_mm),
                "nock_strung_mm": _one(h.nock_mm),
            }
            for h in correction.heat
        ],
        "edge": None
        if edge is None
        else {
            "limb": str(edge.limb),
            "right": edge.right,
            "from_mm": _one(edge.from_mm),
            "to_mm": _one(edge.to_mm),
            "depth_mm": _one(edge.depth_mm),
            "weight_share": _one(correction.edge_weight),
        },
        "after_mm": _one(correction.after_mm),
        "after_sd_mm": _one(correction.after_sd_mm),
        "notes": [{"code": n.code, "level": str(n.level), "text": n.text} for n in alignment.notes],
    }


FORCE_DRAW_HEADER = ("file", "branch", "t [s]", "draw [mm]", "draw sd [mm]", "force [N]", "force sd [N]", "held")
PROFILE_HEADER = (
    "limb",
    "s [mm]",
    "bend [1/m]",
    "bend sd [1/m]",
    "stiffness [N m2]",
    "stiffness sd [N m2]",
    "strain [1]",
    "strain sd [1]",
    "departure [1]",
    "departure sd [1]",
)
MARKS_HEADER = ("limb", "from [mm]", "to [mm]", "kind", "departure [1]", "sd [1]")


def _csv(header: tuple[str, ...], rows: list[tuple[Any, ...]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([["" if v is None else v for v in row] for row in rows])
    return text.getvalue().encode()


def pull_csv(pull: StoredPull) -> dict[str, bytes]:
    """A pull of the book as CSV files by name, units in the header."""
    force_draw = [
        (p.file, p.branch, p.t_s, _one(p.draw_mm), _one(p.draw_sd_mm), _one(p.force_n), _one(p.force_sd_n), int(p.held))
        for p in pull.pictures
    ]
    profiles = [
        (side, *(_one(v) for v in row))
        for side in SIDES
        for row in zip(*(getattr(pull.limb(side), name) for name in PROFILE), strict=True)
    ]
    marks = [(side, m.from_mm, m.to_mm, m.kind, m.departure, m.sd) for side, m in pull.marks]
    return {
        "force_draw.csv": _csv(FORCE_DRAW_HEADER, force_draw),
        "profiles.csv": _csv(PROFILE_HEADER, profiles),
        "marks.csv": _csv(MARKS_HEADER, marks),
    }
