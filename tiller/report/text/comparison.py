"""A pull beside earlier ones, as data and in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from tiller.mechanics.advice.history import Comparison, EventShown
from tiller.mechanics.advice.yielding import SetShown
from tiller.notes import Note, info
from tiller.records.stored_advice import (
    StoredComparison,
    StoredEvent,
    StoredPass,
    StoredSet,
    StoredSetShown,
    StoredSetZone,
    written,
)
from tiller.report.style import Units

NOTHING_OFF = info("pass.nothing-off", "by its stiffness nothing to speak of came off since the last pull.")


def _notes(comparison: Comparison) -> list[Note]:
    return [*([NOTHING_OFF] if comparison.nothing_off else []), *comparison.notes]


def stored_comparison(comparison: Comparison) -> StoredComparison:
    """A comparison as it is kept and written as JSON."""
    by_place = comparison.by_place
    return StoredComparison(
        stroke_mm=comparison.stroke_mm,
        passes_done=tuple(StoredPass(limb=p.limb, share=p.share, sd=p.sd) for p in comparison.passes),
        promised_n=comparison.promised_n,
        set=tuple(
            StoredSet(limb=s.limb, nock_mm=s.nock_mm, sd_mm=s.sd_mm, where_mm=s.where_mm) for s in comparison.sets
        ),
        tiller_mm=comparison.tiller_mm,
        tiller_sd_mm=comparison.tiller_sd_mm,
        lost_share=comparison.lost,
        lost_share_sd=comparison.lost_sd,
        stacking=comparison.stacking,
        stacking_sd=comparison.stacking_sd,
        comparison_notes=tuple(_notes(comparison)),
        events_shown=tuple(
            StoredEvent(
                limb=e.limb,
                what=e.what,
                from_mm=e.from_mm,
                to_mm=e.to_mm,
                stiffer=e.stiffer,
                stiffer_sd=e.stiffer_sd,
                nock_mm=e.nock_mm,
                nock_sd_mm=e.nock_sd_mm,
            )
            for e in comparison.events
        ),
        set_by_place=tuple(
            StoredSetZone(
                limb=z.limb, from_mm=z.from_mm, to_mm=z.to_mm, strain=z.strain, kept=z.kept, kept_sd=z.kept_sd
            )
            for z in by_place.zones
        )
        if by_place is not None
        else None,
        set_shown=StoredSetShown(
            nocks_mm=by_place.nocks_mm,
            nocks_sd_mm=by_place.nocks_sd_mm,
            strain=by_place.strain,
            limit=by_place.limit,
            limit_sd=by_place.limit_sd,
        )
        if by_place is not None
        else None,
    )


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Keys for the JSON."""
    return written(None, stored_comparison(comparison))


SURE_SET = 3.0
"""A stretch's own set is named from so many sd on: a bow has some fourteen stretches."""


def _set_words(by_place: SetShown, units: Units) -> list[str]:
    out = []
    if np.isfinite(by_place.nocks_mm) and np.isfinite(by_place.strain):
        places = 1 if units.metric else 2
        out.append(
            f"          both nocks together follow the string by {units.length(by_place.nocks_mm, places)} ±"
            f" {units.length(by_place.nocks_sd_mm, places)} (the handle's rock drops out of this sum); largest strain in the pulls"
            f" before this one {100 * by_place.strain:.2f} %"
        )
    out += [
        f"          {z.limb} limb {units.length(z.from_mm)} to {units.length(z.to_mm)} kept {100 * z.kept:.0f} ± {100 * z.kept_sd:.0f} % of its bend at a strain of"
        f" {100 * z.strain:.2f} %"
        for z in by_place.zones
        if z.kept > SURE_SET * z.kept_sd
    ]
    return out


def _event_words(event: EventShown, units: Units) -> str:
    places = 1 if units.metric else 2
    text = f"SINCE THEN {event.what}, {event.limb} limb {units.length(event.from_mm)} to {units.length(event.to_mm)}:"
    if np.isfinite(event.stiffer):
        text += f" stiffness there {100 * event.stiffer:+.1f} ± {100 * event.stiffer_sd:.1f} %"
        text += " (wood came off in between as well)," if event.scraped else ","
    if np.isfinite(event.nock_mm):
        way = "belly" if event.nock_mm >= 0 else "back"
        text += f" nock {units.length(abs(event.nock_mm), places)} ± {units.length(event.nock_sd_mm, places)} towards the {way}"
    return text.rstrip(",") + "."


def comparison_words(comparison: Comparison, units: Units) -> list[str]:
    """The figures of the pull, and what it says beside earlier ones."""
    figures = []
    if np.isfinite(comparison.tiller_mm):
        figures.append(
            f"tiller (limb to string at the fades, upper less lower) {units.length(comparison.tiller_mm, 1 if units.metric else 2)} ± {units.length(comparison.tiller_sd_mm, 1 if units.metric else 2)}"
        )
    if np.isfinite(comparison.lost):
        figures.append(f"{100 * comparison.lost:.1f} ± {100 * comparison.lost_sd:.1f} % of the work lost in the cycle")
    if np.isfinite(comparison.stacking):
        figures.append(
            f"stacking: the last inches rise {comparison.stacking:.2f} ± {comparison.stacking_sd:.2f} times as steeply as the whole"
        )
    out = ["THIS PULL " + "; ".join(figures) + "."] if figures else []
    for s in comparison.sets:
        if np.isfinite(s.nock_mm):
            out.append(
                f"          set since the pull of {comparison.set_since}: {s.limb} limb {units.length(s.nock_mm, 1 if units.metric else 2)} ± {units.length(s.sd_mm, 1 if units.metric else 2)} at the nock"
                + (f", most of it about {units.length(s.where_mm)} from the pivot" if np.isfinite(s.where_mm) else "")
            )
    if comparison.by_place is not None:
        out += _set_words(comparison.by_place, units)
    out += [_event_words(e, units) for e in comparison.events]
    return out + [f"Note: {units.words(note.text)}" for note in _notes(comparison)]
