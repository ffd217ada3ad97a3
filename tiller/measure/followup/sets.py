"""What a bow's earlier pulls say: its set by place, what heat or drying changed between two pulls, and its stiffness by all of them together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.sides import SIDES, Side
from tiller.bow.units import NMM2_PER_NM2
from tiller.bow.wood.moisture import strain_at
from tiller.measure.pipeline import LEVEL_SD, UNCALIBRATED, Measured
from tiller.mechanics.advice.carry import CameOff, Shown, alike, came_off, carried, level_kept
from tiller.mechanics.advice.history import (
    LEVEL_CHANGE_SD,
    STROKE_PRIOR_SD,
    EventShown,
    SetTaken,
    event_shown,
    moved_across,
    set_taken,
)
from tiller.mechanics.advice.yielding import STEP_MM, RestMoved, SetShown, set_shown
from tiller.mechanics.fit.results import LimbResult
from tiller.mechanics.forward.belief import BowBelief
from tiller.records.alignments import KeptAlignment
from tiller.records.events import KINDS, SHAPES, Event
from tiller.records.stored_advice import StoredAdvice
from tiller.records.stored_pull import StoredPull

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Past:
    """What the book held of a bow before this pull: its pulls in full, oldest first, what was done to it beside scraping and what its second view showed, likewise."""

    pulls: Sequence[StoredPull] = ()
    events: tuple[Event, ...] = ()
    looked: tuple[KeptAlignment, ...] = ()
    scraped: tuple[datetime, ...] = ()

    @property
    def comparable(self) -> Sequence[StoredPull]:
        """The pulls since its shape was last changed on purpose."""
        shaped = [e.at.isoformat(timespec="seconds") for e in self.events if e.kind in SHAPES]
        return [p for p in self.pulls if not shaped or p.taken_at > shaped[-1]]


def limb_line(points: Array, side: Side) -> Array:
    """A line (n, 2) of the rack in limb coordinates, or back."""
    return np.asarray(points * np.array([side.sign, 1.0]), dtype=float)


def _seen_at(s: Array, where: Array, values: Array) -> Array:
    """Values (n,) at other places, NaN outside of what was seen."""
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return np.full(len(s), np.nan)
    return np.interp(s, where[good], values[good], left=np.nan, right=np.nan)


def rest_of(pull: StoredPull, side: Side) -> tuple[Array, Array]:
    """Stations (n,) and the rest line (n, 2) of a limb, limb coordinates, as the book keeps them."""
    kept = pull.limb(side)
    return kept.rest_s_mm, limb_line(kept.rest_mm, side)


def thinned_mm(limb: LimbResult, pull: StoredPull, s_mm: Array) -> Array:
    """What came off the belly since a pull (n,), by the stiffness then and now; 0 where it is not known."""
    kept = pull.limb(limb.side)
    then = _seen_at(s_mm, kept.s_mm, kept.stiffness_n_m2)
    now = _seen_at(s_mm, limb.s_mm, limb.stiffness_n_m2)
    thick = np.interp(s_mm, limb.s_mm, limb.thickness_mm)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num(thick * (np.cbrt(then / now) - 1.0), nan=0.0, posinf=0.0, neginf=0.0)


def since_day(past: Past) -> str:
    """The day of the pull that a set is counted from, '' without one."""
    return next((p.day for p in past.comparable if p.has_rest and calibrated(p)), "")


def calibrated(pull: StoredPull) -> bool:
    """Whether a pull was taken with a calibrated lens and board."""
    return all(note.code != UNCALIBRATED.code for note in pull.notes)


def set_of(measured: Measured, past: Past) -> list[SetTaken]:
    """How both limbs' rest shapes moved since the first pull that this one may be compared with; empty without one.

    Pictures without a calibration know their own frame to some millimetres only, as much as a set is: none is taken from them, nor between them.
    """
    first = next((p for p in past.comparable if p.has_rest and calibrated(p)), None)
    if first is None or measured.sight.scene.rig.geometry_sd > 0:
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
    shown = [p.comparison.set_shown for p in past.pulls]
    found = [(s.limit, s.limit_sd) for s in shown if s is not None and s.limit > 0 and np.isfinite(s.limit_sd)]
    return min(found, default=None)


def _shown_now(measured: Measured, bow: Bow, past: Past) -> SetShown | None:
    """What this pull's rest shape shows against the first comparable one; what came off the belly must be known of both."""
    if not measured.result.weighed or measured.sight.scene.rig.geometry_sd > 0:
        return None
    pulls = [p for p in past.comparable if calibrated(p)]
    start = next(
        (k for k, p in enumerate(pulls) if p.has_rest and p.weighed),
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


def _rest_moved(limb: LimbResult, pulls: Sequence[StoredPull]) -> RestMoved | None:
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
        kept = pull.limb(side)
        if len(kept.s_mm):
            bends.append(_seen_at(s, kept.s_mm, 1e-3 * kept.bend_per_m))
            strains.append(_seen_at(s, kept.s_mm, kept.strain))
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
        if event.at.isoformat(timespec="seconds") <= last.taken_at:
            continue
        sides = (Side(event.limb),) if event.limb else SIDES
        changes = []
        for side in sides:
            kept, limb = last.limb(side), measured.result.limb(side)
            if not (len(kept.s_mm) and len(kept.rest_s_mm)):
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
                    (kept.s_mm, kept.stiffness_n_m2),
                    (limb.s_mm, limb.stiffness_n_m2),
                    bool(last.scrapings),
                )
            )
        out += changes
    return tuple(out)


UNNOTED_SHARE, UNNOTED_SD = 0.6, 1.0
"""Where nobody said that a planned pass was scraped, so much of it is taken to have come off, and the relative sd of that (common practice, no source)."""
UNPLANNED_SD = 0.1
"""Sd of what came off a limb, as log EI, where it is not known where (common practice, no source)."""
LOCAL_CHANGE_SD = 0.005
"""Sd of what a stretch changes by between two pulls for no reason that is known, as log EI (common practice, no source)."""
TREATED_SD = 0.05
"""Sd of what heat or drying changes in a stretch, as log EI (common practice, no source)."""
SAME_LIMB_MM = 3.0
"""A limb whose last station lies elsewhere by more was shortened, or is another one."""


def _layers_of(advice: StoredAdvice, side: Side) -> list[tuple[float, float, float]] | None:
    """From, to and depth of what a stored plan wanted off a limb; None where it is not known."""
    if advice.layers:
        rows = [(o.limb, o.from_mm, o.to_mm, o.depth_mm) for o in advice.layers]
    elif advice.plan is not None:
        rows = [(z.limb, z.from_mm, z.to_mm, z.pass_mm) for z in advice.plan]
    else:
        return None
    if not all(np.all(np.isfinite(row[1:])) for row in rows):
        return None
    return [row[1:] for row in rows if row[0] == side]


def _off_after(pull: StoredPull, side: Side, s: Array, slope_per_mm: Array, events: Sequence[Event]) -> CameOff:
    """What is thought to have come off a limb after a pull, and what else was done to it before the next one."""
    layers = _layers_of(pull.advice, side)
    made, planned = pull.strokes, pull.planned_strokes
    if layers is None or pull.scraped_otherwise:  # what came off, and where, nobody knows
        off = CameOff(np.zeros(len(s)), UNPLANNED_SD**2 + alike(s, UNPLANNED_SD))
    else:
        share, spread = (made / planned, STROKE_PRIOR_SD) if planned > 0 else (UNNOTED_SHARE, UNNOTED_SD)
        taken = came_off(s, [(a, b, share * deep) for a, b, deep in layers], slope_per_mm, spread)
        off = CameOff(taken.log_ei, taken.cov + LEVEL_CHANGE_SD**2 + alike(s, LOCAL_CHANGE_SD))
    cov = off.cov
    for event in events:
        if event.limb in ("", side):
            low = -np.inf if event.from_mm is None else event.from_mm
            high = np.inf if event.to_mm is None else event.to_mm
            cov = cov + alike(s, np.where((s >= low) & (s <= high), TREATED_SD, 0.0)) + TREATED_SD**2
    return CameOff(off.log_ei, cov)


def _shown_by(pull: StoredPull, side: Side, s: Array) -> Shown:
    """What a stored pull shows of a limb; NaN where it was not seen, and everywhere where nothing was weighed or the limb had another length.

    The stored sd holds that of the level, alike everywhere, which is no error of the shape.
    """
    nothing = Shown(np.full(len(s), np.nan), np.full(len(s), np.nan))
    kept = pull.limb(side)
    if not pull.weighed or not len(kept.s_mm):
        return nothing
    where, ei, sd = kept.s_mm, kept.stiffness_n_m2, kept.stiffness_sd
    good = np.isfinite(ei) & np.isfinite(sd) & (ei > 0) & (sd > 0)
    if abs(where[-1] - s[-1]) > SAME_LIMB_MM or np.count_nonzero(good) < 2:
        return nothing
    seen = np.interp(s, where, good.astype(float), left=0.0, right=0.0) > 0.99
    log_ei = np.interp(s, where[good], np.log(ei[good] * NMM2_PER_NM2))
    relative = np.interp(s, where[good], np.sqrt(np.maximum((sd[good] / ei[good]) ** 2 - LEVEL_SD**2, 0.0)))
    return Shown(np.where(seen, log_ei, np.nan), np.where(seen, relative, np.nan))


def belief_by_all_pulls(measured: Measured, bow: Bow, past: Past) -> tuple[BowBelief, int]:
    """The belief by this pull and all earlier ones that may be compared with it, and how many of those show something.

    Each shows the shape of a limb's stiffness, what came off in between is predicted, the newest one says how stiff each limb is as a whole.
    """
    newest, pulls = measured.belief, past.comparable
    if not measured.result.weighed or not pulls:
        return newest, 0
    times = [*(p.taken_at for p in pulls[1:]), None]
    events = [(e.at.isoformat(timespec="seconds"), e) for e in past.events]
    limbs, showing = [], set()
    for side, limb in zip(SIDES, (newest.left, newest.right), strict=True):
        s, width, above = limb.s_mm, bow.limb(side).width_at(limb.s_mm), bow.above(side, limb.s_mm)
        thick = thick_enough(measured.result.limb(side).thickness_mm, 1.0, above)
        sections = [limb_section(width, thick + more, measured.crown_radius_mm, above) for more in (0.0, 0.1)]
        slope = np.log(sections[1].second_moment_mm4 / sections[0].second_moment_mm4) / 0.1
        before: list[tuple[Shown, CameOff]] = []
        for k, (pull, until) in enumerate(zip(pulls, times, strict=True)):
            since = pull.taken_at
            later = [e for at, e in events if at > since and (until is None or at <= until)]
            shown = _shown_by(pull, side, s)
            here = bool(np.any(np.isfinite(shown.log_ei)))
            if here:
                showing.add(k)
            if before or here:  # what came off before the first map is in that map
                before.append((shown, _off_after(pull, side, s, slope, later)))
        log_ei, cov = carried(s, before, limb.log_ei, limb.cov)
        # a string's moment goes nearly as the way to the nock
        more = level_kept(limb.log_ei, log_ei, (limb.nock_mm - s) ** 2)
        limbs.append(replace(limb, log_ei=log_ei + more, cov=cov))
    return (replace(newest, left=limbs[0], right=limbs[1]), len(showing)) if showing else (newest, 0)
