"""A pass as layers to take off one after the other: the longest first, then shorter ones on top of it.

Zones side by side, each taken down by itself, leave a ridge or a ditch of the zone's whole depth wherever two of
them do not quite meet, and pass after pass at the same places. Layers that lie in each other leave a step of only what
the shorter one takes, and the long ones, which take most of the wood, err alike over the whole limb.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

LEAST_LAYER_MM, LEAST_NESTED_MM = 0.03, 0.06
"""A light stroke of a scraper (common practice, no source): less is left standing; a layer within another is worth
its chalk from a good stroke on."""
ROUND_UP = 0.3
"""The last part of a stroke that is rounded up is this: wood cannot be put back."""
MEET_MM = 1.0
"""Zones as near to each other as this are scraped as one."""


@dataclass(frozen=True)
class Layer:
    """A stretch from which the same depth is to come off everywhere.

    Attributes:
        limb, from_mm, to_mm: where, along the back from the pivot.
        depth_mm: how deep.
    """

    limb: str
    from_mm: float
    to_mm: float
    depth_mm: float


def layers(zones: Sequence[tuple[str, float, float, float]], least_mm: float = LEAST_LAYER_MM) -> tuple[Layer, ...]:
    """Layers whose depths add up to the zones', to a stroke; long ones before the shorter ones that lie in them.

    Args:
        zones: limb, from, to, depth of each, limb by limb in order outward, none overlapping.
    """
    out: list[Layer] = []
    run: list[tuple[str, float, float, float]] = []
    for zone in zones:
        if run and (zone[0] != run[-1][0] or zone[1] - run[-1][2] > MEET_MM):
            out += _nested(run, least_mm)
            run = []
        run.append(zone)
    out += _nested(run, least_mm)
    return tuple(out)


def outside(whole: Sequence[Layer], place: int) -> tuple[Layer, ...]:
    """The layers that the one at ``place`` lies in, the longest first."""
    inner = whole[place]
    middle = 0.5 * (inner.from_mm + inner.to_mm)
    return tuple(o for o in whole[:place] if o.limb == inner.limb and o.from_mm <= middle <= o.to_mm)


def depth_at(whole: Sequence[Layer], limb: str, s_mm: float) -> float:
    """What all layers take off at a place."""
    return sum(o.depth_mm for o in whole if o.limb == limb and o.from_mm <= s_mm < o.to_mm)


def strokes(whole: Sequence[Layer], stroke_mm: float) -> tuple[int, ...]:
    """Whole strokes for each layer of one limb: with those of the layers around it they never come to more than a little over its depth.

    0 where the layers around it, rounded, have taken its part already or less than a stroke is left.
    """
    out: list[int] = []
    for place, layer in enumerate(whole):
        around = [k for k in range(place) if whole[k] in outside(whole, place)]
        depth = layer.depth_mm + sum(whole[k].depth_mm for k in around)
        out.append(max(0, int(depth / stroke_mm + ROUND_UP) - sum(out[k] for k in around)))
    return tuple(out)


def _nested(run: list[tuple[str, float, float, float]], least_mm: float) -> list[Layer]:
    """Layers of zones that meet."""
    out: list[Layer] = []
    part: list[tuple[str, float, float, float]] = []
    for zone in [*run, None]:
        if zone is not None and zone[3] >= least_mm:
            part.append(zone)
            continue
        if part:
            depth = min(z[3] for z in part)
            out.append(Layer(part[0][0], part[0][1], part[-1][2], depth))
            out += _nested([(limb, a, b, d - depth) for limb, a, b, d in part], max(least_mm, LEAST_NESTED_MM))
        part = []
    return out
