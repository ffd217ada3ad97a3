"""Whether a line that was found lies on the limb: what is seen there, against what the limb's wood would look like there.

A grid line, a shadow's edge or the string can hold an edge model as well as a limb does. The limb's colour is known from the rest
picture, what is behind it from the picture of the empty rack; where the one would stand out from the other, the picture must.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.vision.limbs.frame import Frame
from tiller.vision.limbs.light import Light, Single
from tiller.vision.limbs.limb import LimbModel, LimbTrace, normals
from tiller.vision.limbs.seek import STRANGE, wood_evidence

Array = NDArray[np.float64]

WITHIN = (-0.25, -0.08, 0.08, 0.25)
"""A station is looked at in these places across the limb, in shares of its thickness."""
WOOD_SHARE, DISTINCT = 0.4, 4.0
"""A station is off the wood where less than this share of the wood's evidence is seen, and that would be this much at least; it is
covered where it differs from the wood by ``STRANGE``."""
WRAP_MM = 10.0
"""The edges of a wrap or of paint, and so far beside, are not the limb's."""
COVER_MM = 30.0
"""What covers a limb for less than about half of this is left to the edges' own strays."""
ON_WOOD, OUTER_OFF, TIP_STATIONS = 0.75, 0.5, 6
"""So many of a limb's stations must be on wood, and so many of its outer third's and of its tip's may be off it (simulated pulls of
tests/live/test_following.py: 0.97 and more on the limb, 0.49 and less 15 mm and more away from it; independent rig, nine recordings: 1.0 and 0.12)."""


def _within(frame: Frame, model: LimbModel, line_mm: Array) -> Array:
    """Pixels (k, n, 2) within the limb along a line (n, 2)."""
    across = np.array(WITHIN)[:, None, None] * (model.up_mm + model.low_mm)[:, None]
    points = line_mm + across * normals(line_mm, model.sign)
    return frame.view.plane_to_pixels(points.reshape(-1, 2), frame.plane_z_mm).reshape(points.shape)


def coloured(rest: Frame, model: LimbModel) -> LimbModel:
    """The limb with its colour at its stations, from the picture at rest."""
    wood = np.median(rest.now(_within(rest, model, model.rest_mm)), axis=0)
    return replace(model, wood=wood, dressed=_dressed(model.s_mm, wood, rest.look.seek_noise))


def without_cover(frame: Frame, trace: LimbTrace, model: LimbModel) -> LimbTrace:
    """The trace without what was measured beside the wood or on what covers it: a grid line, a shadow's edge, the string, a sleeve."""
    places = trace.points_mm + np.nan_to_num(trace.offset_mm)[:, None] * trace.normal_mm
    found = look_for_wood(frame, model, places)
    off = _most(found.off | found.covered, COVER_MM / float(model.s_mm[1] - model.s_mm[0]))
    off |= dressed(model, WRAP_MM)
    offset, sd = np.where(off, np.nan, trace.offset_mm), np.where(off, np.nan, trace.sd_mm)
    return replace(trace, offset_mm=offset, sd_mm=sd, seen=float(np.mean(np.isfinite(offset))))


@dataclass(frozen=True)
class Wood:
    """What the stations (n,) of a line show.

    Attributes:
        off: the empty rack, or a shadow on it, where wood would stand out from it.
        covered: something that is neither: a hand, a sleeve, the string.
        distinct: where the first can be known: not before a wall of the wood's own colour.
    """

    off: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    distinct: NDArray[np.bool_]


def look_for_wood(frame: Frame, model: LimbModel, line_mm: Array) -> Wood:
    """What a picture shows along a line (n, 2), against the limb's colour and the empty rack's."""
    if model.wood is None:
        nothing = np.zeros(len(line_mm), dtype=bool)
        return Wood(nothing, nothing, nothing)
    pixels = _within(frame, model, line_mm)
    behind, now = frame.behind(pixels), frame.now(pixels)
    noise = frame.look.seek_noise
    own = np.broadcast_to(model.wood, behind.shape)
    would, is_now, other = (
        np.median(wood_evidence(a, b, frame.light, noise), axis=0)
        for a, b in ((own, behind), (now, behind), (now, own))
    )
    distinct = would > DISTINCT
    off = distinct & (is_now < WOOD_SHARE * would)
    return Wood(off, ~off & (other > STRANGE), distinct)


def on_wood(frame: Frame, model: LimbModel, line_mm: Array) -> tuple[float, bool]:
    """Share of a line's stations that are on wood, of those where that can be known, and whether that is enough for it to be the limb.

    Where that can be known nowhere the answer is yes: the check is idle then (``distinct_share``).
    """
    found = look_for_wood(frame, model, line_mm)
    off, distinct = found.off, found.distinct & ~found.covered
    share = 1.0 - _share(off, distinct)
    # among all of the outer stations: a few that show beside what covers the rest lie where the line is only a guess
    outer = max(_share(off[-count:], found.distinct[-count:]) for count in (len(off) // 3, TIP_STATIONS))
    return share, share >= ON_WOOD and outer <= OUTER_OFF


AROUND_MM = 250.0
"""A limb's own colour is the median over so much of it: longer than any wrap, shorter than light and heartwood change."""


def _dressed(s_mm: Array, wood: Single, noise: float) -> NDArray[np.bool_]:
    """Stations (n,) whose colour (n, 3) is not that of the limb around them."""
    half = min(int(0.5 * AROUND_MM / float(s_mm[1] - s_mm[0])), len(s_mm) // 2 - 1)
    padded = np.pad(wood, ((half, half), (0, 0)), mode="reflect")
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=0), axis=-1)
    return wood_evidence(wood, around.astype(np.float32), Light(uneven=1.0), noise) > STRANGE


def dressed(model: LimbModel, near_mm: float) -> NDArray[np.bool_]:
    """Stations (n,) that are wrapped or painted, and those within ``near_mm`` of one."""
    if model.dressed is None:
        return np.zeros(len(model.s_mm), dtype=bool)
    reach = int(near_mm / float(model.s_mm[1] - model.s_mm[0]))
    return np.convolve(model.dressed.astype(int), np.ones(2 * reach + 1, dtype=int), "same") > 0


def _most(mask: NDArray[np.bool_], count: float) -> NDArray[np.bool_]:
    """Where most of the stations (n,) about one are set: a nail's head or a thin line makes no gap."""
    half = max(1, int(count) // 2)
    padded = np.pad(mask.astype(int), half, mode="edge")
    return np.convolve(padded, np.ones(2 * half + 1, dtype=int), "valid") > half


def distinct_share(rest: Frame, model: LimbModel) -> float:
    """Share of the limb's stations at rest before which a line beside the limb would differ from it."""
    if model.wood is None:
        return 0.0
    behind = rest.behind(_within(rest, model, model.rest_mm))
    noise = rest.look.seek_noise
    own = np.broadcast_to(model.wood, behind.shape)
    return float(np.mean(np.median(wood_evidence(own, behind, rest.light, noise), axis=0) > DISTINCT))


def _share(off: NDArray[np.bool_], distinct: NDArray[np.bool_]) -> float:
    """Share of the stations where that can be known that are off the wood; 0 where it can be known nowhere."""
    return float(np.sum(off) / np.sum(distinct)) if np.any(distinct) else 0.0
