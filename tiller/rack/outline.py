"""What a limb's outline in the pictures says of its thickness and its twist."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Side
from tiller.mechanics.twist import UNKNOWN, Twist, find_twist
from tiller.rack.sight import Sight
from tiller.vision.limb import outline_offsets
from tiller.vision.wood import dressed

Array = NDArray[np.float64]

OUTLINE_ALIKE = 0.55
"""Light shifts an outline in all pictures of a pull alike by about this share of what it differs by from picture to picture
(independent rig, nine recordings: 0.15-0.55 mm against 0.14-1.0 mm)."""
DRESSED_MM = 20.0
"""So far beside a wrap or paint the outline is not believed either."""


def outline_thickness(sight: Sight, side: Side) -> tuple[Array, float]:
    """Thickness by the outline (n,) mm, and its sd: median over all pictures of back edge minus belly edge, perspective taken out.

    NaN where the limb was not seen or has another colour than beside: a wrap, paint or leather has its own thickness.
    """
    model = sight.models[side]
    z = sight.scene.rig.bow_plane_z_mm
    rows = []
    for s in sight.seen:
        trace, view = s.shape.limbs[side], s.shape.view
        _, back, belly = outline_offsets(trace.points_mm, trace.normal_mm, model.width_mm, model.crown_mm, view, z)
        rows.append(trace.edges_mm[0] - trace.edges_mm[1] - back - belly)
    stack = np.array(rows)
    enough = np.sum(np.isfinite(stack), axis=0) >= max(2, len(rows) // 4)
    out = np.full(stack.shape[1], np.nan)
    sd = 0.0
    if np.any(enough):
        out[enough] = np.nanmedian(stack[:, enough], axis=0)
        sd = OUTLINE_ALIKE * 1.4826 * float(np.nanmedian(np.abs(stack[:, enough] - out[enough])))
    out[dressed(model, DRESSED_MM)] = np.nan
    return out, sd


DRAWN_SHARE = 0.8
"""A limb's twist when drawn is that of the pictures beyond this share of the largest draw."""


def limb_twist(sight: Sight, side: Side) -> Twist:
    """The limb's twist, from how thick its outline looks at rest and drawn."""
    model = sight.models[side]
    z = sight.scene.rig.bow_plane_z_mm
    draws = [-s.shape.hook.seat_mm[1] for s in sight.seen if s.picture.role == "pull" and s.shape.hook is not None]
    bare = ~dressed(model, DRESSED_MM)
    excess: dict[bool, list[Array]] = {True: [], False: []}
    angles: dict[bool, list[Array]] = {True: [], False: []}
    for s in sight.seen:
        at_rest = s.picture.role == "rest"
        if not at_rest and (s.shape.hook is None or -s.shape.hook.seat_mm[1] < DRAWN_SHARE * max(draws)):
            continue
        trace = s.shape.limbs[side]
        phi, back, belly = outline_offsets(
            trace.points_mm, trace.normal_mm, model.width_mm, model.crown_mm, s.shape.view, z
        )
        more = trace.edges_mm[0] - trace.edges_mm[1] - back - belly - model.thickness_mm
        excess[at_rest].append(np.where(bare, more, np.nan))
        angles[at_rest].append(phi)
    if not excess[True] or not excess[False]:
        return UNKNOWN
    both = [np.full(len(model.s_mm), np.nan), np.full(len(model.s_mm), np.nan)]
    for k, at_rest in enumerate((True, False)):
        stack = np.array(excess[at_rest])
        seen = np.any(np.isfinite(stack), axis=0)
        both[k][seen] = np.nanmedian(stack[:, seen], axis=0)
    phis = (np.median(angles[True], axis=0), np.median(angles[False], axis=0))
    begin = sight.scene.bow.limb(side).working_from_mm
    return find_twist(model.s_mm, model.width_mm, (both[0], both[1]), phis, begin)
