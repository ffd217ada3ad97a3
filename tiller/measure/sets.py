"""The set of both limbs by place, out of the bow's earlier pulls, and what was changed by heat or drying between two pulls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import SIDES, Bow, Side
from tiller.bow.wood.moisture import strain_at
from tiller.measure.pipeline import Measured
from tiller.mechanics.advice.history import EventShown, SetTaken, event_shown, moved_across, set_taken
from tiller.mechanics.advice.yielding import STEP_MM, RestMoved, SetShown, set_shown
from tiller.mechanics.fit.results import LimbResult
from tiller.records.events import KINDS, SHAPES, Event

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Past:
    """What the book held of a bow before this pull: its pulls in full, oldest first, and what was done to it beside scraping, likewise."""

    pulls: Sequence[Mapping[str, Any]] = ()
    events: tuple[Event, ...] = ()

    @property
    def comparable(self) -> Sequence[Mapping[str, Any]]:
        """The pulls since its shape was last changed on purpose."""
        shaped = [e.at.isoformat(timespec="seconds") for e in self.events if e.kind in SHAPES]
        return [p for p in self.pulls if not shaped or str(p["taken_at"]) > shaped[-1]]


def column(rows: Sequence[Mapping[str, Any]], name: str) -> Array:
    """A column of the book's rows (n,), NaN where nothing is kept."""
    return np.array([np.nan if r[name] is None else float(r[name]) for r in rows])


def limb_line(points: Array, side: Side) -> Array:
    """A line (n, 2) of the rack in limb coordinates, or back."""
    return np.asarray(points * np.array([-1.0 if side == "left" else 1.0, 1.0]), dtype=float)


def seen_at(s: Array, where: Array, values: Array) -> Array:
    """Values (n,) at other places, NaN outside of what was seen."""
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return np.full(len(s), np.nan)
    return np.interp(s, where[good], values[good], left=np.nan, right=np.nan)


def rest_of(pull: Mapping[str, Any], side: Side) -> tuple[Array, Array]:
    """Stations (n,) and the rest line (n, 2) of a limb, limb coordinates, as the book keeps them."""
    rows = pull["rest"][side]
    return column(rows, "s_mm"), limb_line(np.column_stack([column(rows, "x_mm"), column(rows, "y_mm")]), side)


def thinned_mm(limb: LimbResult, pull: Mapping[str, Any], s_mm: Array) -> Array:
    """What came off the belly since a pull (n,), by the stiffness then and now; 0 where it is not known."""
    rows = pull["profiles"][limb.side]
    then = seen_at(s_mm, column(rows, "s_mm"), column(rows, "stiffness_n_m2"))
    now = seen_at(s_mm, limb.s_mm, limb.stiffness_n_m2)
    thick = np.interp(s_mm, limb.s_mm, limb.thickness_mm)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num(thick * (np.cbrt(then / now) - 1.0), nan=0.0, posinf=0.0, neginf=0.0)


def since_day(past: Past) -> str:
    """The day of the pull that a set is counted from, '' without one."""
    return next((str(p["day"]) for p in past.comparable if all(p["rest"][side] for side in SIDES)), "")


def set_of(measured: Measured, past: Past) -> list[SetTaken]:
    """How both limbs' rest shapes moved since the first pull that this one may be compared with; empty without one."""
    first = next((p for p in past.comparable if all(p["rest"][side] for side in SIDES)), None)
    if first is None:
        return []
    out = []
    for side in SIDES:
        limb = measured.result.limb(side)
        s, line = rest_of(first, side)
        out.append(
            set_taken(side, s, line, limb.s_mm, limb_line(limb.rest_mm, side), thinned_mm(limb, first, limb.s_mm))
        )
    return out


def set_by_place(measured: Measured, bow: Bow, past: Past) -> SetShown | None:
    """Set against the strain that was reached since; None where there is nothing to compare with.

    A limit that an earlier pull showed stays, also where the shape was changed on purpose since: heat takes a set out, it makes no other wood.
    Limbs of several layers show none: there is no one strain at which such a section yields.
    """
    shown = _shown_now(measured, bow, past)
    layered = any(bow.limb(side).layers for side in SIDES)
    if shown is not None and layered:
        shown = replace(shown, limit=float("nan"), limit_sd=float("nan"))
    kept = None if layered else _kept_limit(past)
    if kept is None or (shown is not None and shown.limit <= kept[0]):
        return shown
    if shown is not None:
        return replace(shown, limit=kept[0], limit_sd=kept[1])
    nan = float("nan")
    return SetShown(zones=(), nocks_mm=nan, nocks_sd_mm=nan, strain=nan, limit=kept[0], limit_sd=kept[1], odds=nan)


def _kept_limit(past: Past) -> tuple[float, float] | None:
    """The lowest limit that an earlier pull showed, and its sd."""
    found = []
    for pull in past.pulls:
        told = ((pull.get("advice") or {}).get("set_shown")) or {}
        limit, sd = told.get("limit"), told.get("limit_sd")
        if isinstance(limit, int | float) and isinstance(sd, int | float) and limit > 0:
            found.append((float(limit), float(sd)))
    return min(found, default=None)


def _shown_now(measured: Measured, bow: Bow, past: Past) -> SetShown | None:
    """What this pull's rest shape shows against the first comparable one; what came off the belly must be known of both."""
    if not measured.result.weighed:
        return None
    pulls = past.comparable
    start = next(
        (k for k, p in enumerate(pulls) if all(p["rest"][side] for side in SIDES) and p["force_there_n"] is not None),
        None,
    )
    if start is None:
        return None
    moved = [_rest_moved(measured.result.limb(side), pulls[start:]) for side in SIDES]
    if moved[0] is None or moved[1] is None:
        return None
    return set_shown(
        moved[0], moved[1], bow.target.working_strain or strain_at(bow.table_wood, bow.moisture_percent)[0]
    )


def _rest_moved(limb: LimbResult, pulls: Sequence[Mapping[str, Any]]) -> RestMoved | None:
    side = limb.side
    s_then, line = rest_of(pulls[0], side)
    low, high = max(s_then[0], limb.s_mm[0]), min(s_then[-1], limb.s_mm[-1])
    if high - low < 200.0:
        return None
    s = np.arange(low, high + 1e-6, STEP_MM)
    thinned = np.interp(s, limb.s_mm, thinned_mm(limb, pulls[0], limb.s_mm))
    moved = moved_across(s, s_then, line, limb.s_mm, limb_line(limb.rest_mm, side), thinned)
    bends, strains = [], []
    for pull in pulls:
        rows = pull["profiles"][side]
        if rows:
            where = column(rows, "s_mm")
            bends.append(seen_at(s, where, 1e-3 * column(rows, "bend_per_m")))
            strains.append(seen_at(s, where, column(rows, "strain")))
    if not bends:
        return None
    bend, strain = (np.fmax.reduce(np.array(rows)) for rows in (bends, strains))
    # the book keeps the back's strain; it is the belly that yields
    strain = strain * np.interp(s, limb.s_mm, np.nan_to_num(limb.strain_belly / limb.strain, nan=1.0))
    return RestMoved(limb=side, s_mm=s, moved_mm=moved, bend_per_mm=bend, strain=strain)


def events_shown(measured: Measured, past: Past) -> tuple[EventShown, ...]:
    """What was done to the bow since its last pull, with what that changed."""
    if not past.pulls:
        return ()
    last = past.pulls[-1]
    out = []
    for event in past.events:
        if event.at.isoformat(timespec="seconds") <= str(last["taken_at"]):
            continue
        sides: tuple[Side, ...] = ("left",) if event.limb == "left" else ("right",) if event.limb == "right" else SIDES
        changes = []
        for side in sides:
            rows, limb = last["profiles"][side], measured.result.limb(side)
            if not (rows and last["rest"][side]):
                continue
            s, line = rest_of(last, side)
            took = set_taken(side, s, line, limb.s_mm, limb_line(limb.rest_mm, side))
            low = event.from_mm if event.from_mm is not None else float(limb.s_mm[0])
            high = event.to_mm if event.to_mm is not None else float(limb.s_mm[-1])
            changes.append(
                event_shown(
                    KINDS[event.kind],
                    took,
                    low,
                    high,
                    (column(rows, "s_mm"), column(rows, "stiffness_n_m2")),
                    (limb.s_mm, limb.stiffness_n_m2),
                    bool(last.get("scrapings")),
                )
            )
        out += changes
    return tuple(out)
