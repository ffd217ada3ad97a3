"""The plan's wood taken from one edge of the belly first, where that brings the string to the middle of the handle at no price beyond the plan's own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tiller.bow.bowfile import Bow
from tiller.mechanics.advice.planned import Plan
from tiller.mechanics.space.tracking import WITHIN_MM
from tiller.notes import Note, info
from tiller.quantity import mm
from tiller.records.alignments import KeptAlignment, held
from tiller.records.events import Event

LEAST_MOVED_MM = 0.5
"""What moves a string by less is not worth a sentence."""
OF_EDGE = 2.0
"""A depth p that runs from 2 p at one edge to nothing at the other turns the section as 2 p at that edge does which runs out at the middle: first moments
about the middle of a width w, p w^2 / 6 and (2 p) w^2 / 12."""


def edge_first(
    looked: Sequence[KeptAlignment], events: Sequence[Event], scraped: bool, bow: Bow, plan: Plan
) -> Note | None:
    """What is said of the edge from which a limb's part of the plan is to be taken; None where nothing is.

    Args:
        looked: what the second view showed, oldest first. scraped: wood came off since: the string is not known to be there any more.
    """
    if not looked or scraped:
        return None
    last = held(looked[-1], bow.upper_limb)
    if last.edge_limb is None or not np.isfinite(last.edge_gain) or abs(last.offset_mm) <= WITHIN_MM:
        return None
    if any(e.kind == "warmed" and e.at > last.at for e in events):
        return None
    side, limb = last.edge_limb, bow.limb(last.edge_limb)
    s = np.arange(limb.working_from_mm, limb.working_to_mm, 5.0)
    depth = np.zeros(len(s))
    for zone in plan.zones:
        if zone.limb == side and zone.pass_mm > 0:
            depth = np.maximum(depth, np.where((s >= zone.from_mm) & (s <= zone.to_mm), zone.pass_mm, 0.0))
    thick = limb.thickness_at(s)
    # the gain is that of a depth which is the same share of the thickness all along, told by where the limb is thickest
    mean = float(np.mean(depth / thick) * np.max(thick))
    moved = min(OF_EDGE * mean * last.edge_gain, abs(last.offset_mm))
    if moved < LEAST_MOVED_MM:
        return None
    edge, other = ("right", "left") if last.edge_right else ("left", "right")
    name = "upper" if side == bow.upper_limb else "lower"
    way = "right" if last.offset_mm > 0 else "left"
    return info(
        "plan.edge-first",
        f"the string crossed the handle {mm(abs(last.offset_mm), 1)} to the {way} of its middle ({last.at:%Y-%m-%d}): take the {name} ({side}) limb's part of this pass"
        f" {edge} edge first, deepest at the {edge} edge and running out to nothing at the {other} one (seen with the belly towards the face, upper limb up). The same"
        f" wood, and the string comes over by some {mm(moved, 1)}. Never below the thinnest that the plan allows, and look again afterwards.",
    )
