"""The string at a limb's end: where it leaves a tip that is bent back, and what it drags in the picture of the bow at rest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def leaves_at(points_mm: Array, hook_mm: Array) -> Array:
    """The point of tangency, in segments from the root, n (the nock) where the string is clear of the limb.

    Seen from the hook the limb's points turn one way on to that place, and back beyond it. Only the outer half is looked at.

    Args:
        points_mm: (..., n + 1, 2) nodes in limb coordinates, the nock last; hook_mm: (..., 2).

    Returns:
        (...) with fractions of a segment: the turn is taken linear between the segments' middles.
    """
    n = points_mm.shape[-2] - 1
    first = n // 2
    outer = points_mm[..., first:, :]
    step = np.diff(outer, axis=-2)
    off = outer[..., :-1, :] + 0.5 * step - hook_mm[..., None, :]
    step = step / np.maximum(np.linalg.norm(step, axis=-1, keepdims=True), 1e-12)
    turn = off[..., 0] * step[..., 1] - off[..., 1] * step[..., 0]
    at_nock = 1.5 * turn[..., -1] - 0.5 * turn[..., -2]
    turn = np.concatenate([turn, at_nock[..., None]], axis=-1)
    places = np.append(np.arange(first, n) + 0.5, n)
    back = turn > 0
    # the innermost of those that turn back, without a gap up to the nock
    ahead = np.concatenate([back[..., ::-1], np.zeros((*back.shape[:-1], 1), dtype=bool)], axis=-1)
    inner = np.clip(turn.shape[-1] - np.argmin(ahead, axis=-1) - 1, 0, turn.shape[-1] - 2)
    low, high = (np.take_along_axis(turn, i[..., None], -1)[..., 0] for i in (inner, inner + 1))
    share = np.clip(-low / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    found = places[inner] + share * (places[inner + 1] - places[inner])
    return np.asarray(np.where(back[..., -1], found, float(n)), dtype=float)


LEAST_LYING_MM = 40.0
"""A string that seems to lie along less than this of a measured limb is taken as clear of it: lines in pictures err by so much in angle near the nock
(common practice, no source)."""


def held_at(line_mm: Array, s_mm: Array, nock_mm: Array, nock_s_mm: float, hook_mm: Array) -> tuple[Array, Array]:
    """Where the string leaves a measured limb.

    Args:
        line_mm: (m, n, 2) at stations s_mm (n,), limb coordinates; nock_mm: (m, 2), at nock_s_mm along the limb; hook_mm: (m, 2).

    Returns:
        The points (m, 2), and how far along the limb they are (m,): the nock where the string is clear, or the hook is not known.
    """
    points = np.concatenate([line_mm, nock_mm[:, None]], axis=1)
    places = np.append(s_mm, nock_s_mm)
    with np.errstate(invalid="ignore"):
        at = leaves_at(points, hook_mm)
    along = np.interp(at, np.arange(len(places)), places)
    lies = (nock_s_mm - along > LEAST_LYING_MM) & np.all(np.isfinite(hook_mm), axis=-1)
    along = np.where(lies, along, nock_s_mm)
    held = np.array([[np.interp(a, places, row[:, k]) for k in (0, 1)] for a, row in zip(along, points, strict=True)])
    return np.where(lies[:, None], held, nock_mm), along


LEAD_MM = 80.0
"""So much of a line before its end leads the end on: over less its outline's own wander does (0.3 mm, alike over some 40 mm)."""
LEAST_END_MM = 10.0


def undragged(line: Array, s: Array, end_mm: float, most_mm: float) -> Array:
    """The rest line (n, 2), limb coordinates, without what the string drags its end by in the picture.

    Its last ``end_mm`` go straight on as the ``LEAD_MM`` before lead (least squares). The string drags towards the belly and by no more than
    ``most_mm``: where that is not what is taken out the limb itself is bent back there, and the line stays as it is.
    """
    if end_mm <= 0.0:
        return line
    end = s > s[-1] - max(end_mm, LEAST_END_MM)
    lead = ~end & (s > s[-1] - max(end_mm, LEAST_END_MM) - LEAD_MM)
    if np.count_nonzero(lead) < 5:
        return line
    out = line.copy()
    for k in (0, 1):
        out[end, k] = np.polyval(np.polyfit(s[lead], line[lead, k], 1), s[end])
    along = out[-1] - out[np.flatnonzero(end)[0] - 1]
    to_back = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    return out if 0.0 < float((out[-1] - line[-1]) @ to_back) <= most_mm else line
