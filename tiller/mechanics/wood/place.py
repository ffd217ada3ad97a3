"""Where a bow lies in a crooked, knotty stave: handle and centre line, so that knots fall where they do least and the string's line crosses the handle.

The face: x along a line stretched over the stave, y across it. The centre line follows the grain, wholly or partly: y = y0 + follow (g(x) - g(x0)), g the
grain's line. What it costs is counted in mm of the string's line off the handle, which heat must bend straight: each knot by where it falls, each part of the
grain that is cut through, unequal limbs. Every place on a grid is tried, the best ones are then moved freely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Array = NDArray[np.float64]

STATION_MM = 10.0
X_STEP_MM, Y_STEP_MM = 10.0, 2.0
FOLLOWS = (0.0, 0.25, 0.5, 0.75, 1.0)
EDGE_SHARE, TIP_SHARE, HANDLE_MM = 0.3, 0.85, 70.0
"""A knot does less within this share of the width of an edge, beyond this share of a limb, and so near to the handle's middle (common practice, no source)."""
MIDDLE_COST, EDGE_COST, STIFF_COST = 1.6, 0.5, 0.15
"""mm for each mm of a knot: in a limb's middle, at its edge (where it must be left standing or goes with the waste), in handle or tip (common practice, no source)."""
GRAIN_COST = 300.0
"""mm for the mean slope of the grain cut through beyond ``FREE_SLOPE`` (common practice, no source)."""
FREE_SLOPE = 0.02
"""Grain that runs out by 1 in 50 hardly weakens (Wood Handbook, Table 5-12: 1 in 25 leaves 96 % of the bending strength; from memory)."""
UNEQUAL_COST = 0.05
"""mm for each mm that one limb is longer than wanted (common practice, no source)."""
BORE_COST = 8.0
"""mm for each mm by which the bow would stand over the stave's edge: it does not lie there, this only leads away from it."""
APART_X_MM, APART_Y_MM = 60.0, 6.0
"""Proposals are that far apart, one way or the other."""
PROPOSALS, STARTS = 3, 18


@dataclass(frozen=True)
class Knot:
    """Its place on the face and its width, mm."""

    x_mm: float
    y_mm: float
    wide_mm: float


@dataclass(frozen=True, kw_only=True)
class FaceOf:
    """A stave's face: (n,) along it, both edges, and the grain's line; knots."""

    x_mm: Array
    low_mm: Array
    high_mm: Array
    grain_mm: Array
    knots: tuple[Knot, ...]


@dataclass(frozen=True, kw_only=True)
class Shape:
    """The bow that is to lie in it: widths (k,) at places (k,) from the handle's middle outward, both limbs alike; lengths of the limb at lower x and at higher x."""

    s_mm: Array
    width_mm: Array
    low_length_mm: float
    high_length_mm: float


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A bow in the stave.

    Attributes:
        x0_mm, y0_mm, follow: as in the module's first words. shift_mm: the limb at higher x is so much longer, the other so much shorter.
        cost: sum of ``string_mm`` (string's line off the handle), ``knots``, ``grain``, ``unequal``; over_mm: how far it stands over an edge, 0 where it lies in it.
        centre_mm: (m, 2) its centre line from the nock at lower x to the other. spoiled: knots within the limbs' middles.
    """

    x0_mm: float
    y0_mm: float
    follow: float
    shift_mm: float
    cost: float
    string_mm: float
    knots: float
    grain: float
    unequal: float
    over_mm: float
    centre_mm: Array
    spoiled: tuple[Knot, ...]


def _lines(face: FaceOf, shape: Shape, place: Array) -> tuple[Array, Array, Array, Array, Array]:
    """x (p, m), y (p, m) of the centre lines of places (p, 4), its half widths, the grain's own slope and the line's (p, m)."""
    x0, y0, follow, shift = (v[:, None] for v in place.T)
    low, high = shape.low_length_mm - shift, shape.high_length_mm + shift
    u = np.linspace(-1.0, 1.0, int((shape.low_length_mm + shape.high_length_mm) / STATION_MM) | 1)
    s = np.where(u < 0, u * low, u * high)
    x = x0 + s
    grain = np.interp(x, face.x_mm, face.grain_mm)
    at0 = np.interp(x0, face.x_mm, face.grain_mm)
    y = y0 + follow * (grain - at0)
    length = np.where(u < 0, low, high)
    share = np.abs(s) / length
    half = 0.5 * np.interp(share * float(shape.s_mm[-1]), shape.s_mm, shape.width_mm)
    slope = np.interp(x, face.x_mm, np.gradient(face.grain_mm, face.x_mm))
    return x, y, half, share, slope * (1.0 - follow)


def costs(face: FaceOf, shape: Shape, place: Array) -> Array:
    """What places cost, (p, 6): string, knots, grain, unequal, over the edge (mm), and all of it.

    Args:
        place: (p, 4) of x0, y0, follow and shift.
    """
    x, y, half, share, cut = _lines(face, shape, place)
    low, high = (np.interp(x, face.x_mm, v) for v in (face.low_mm, face.high_mm))
    over = np.maximum(np.maximum(low - (y - half), (y + half) - high), 0.0)
    ends = np.maximum(face.x_mm[0] - x[:, 0], 0.0) + np.maximum(x[:, -1] - face.x_mm[-1], 0.0)
    over_mm = np.max(over, axis=1) + ends
    # the string runs straight from nock to nock; the handle's middle is y0
    t = (place[:, 0] - x[:, 0]) / (x[:, -1] - x[:, 0])
    string = np.abs(y[:, 0] + t * (y[:, -1] - y[:, 0]) - place[:, 1])
    grain = GRAIN_COST * np.mean(np.maximum(np.abs(cut) - FREE_SLOPE, 0.0) * (share < TIP_SHARE), axis=1)
    knots = np.zeros(len(place))
    for knot in face.knots:
        knots += _knot_cost(knot, x, y, half, share, place[:, 0])
    unequal = UNEQUAL_COST * np.abs(place[:, 3])
    whole = string + knots + grain + unequal + BORE_COST * over_mm
    return np.column_stack([string, knots, grain, unequal, over_mm, whole])


def _knot_cost(knot: Knot, x: Array, y: Array, half: Array, share: Array, x0: Array) -> Array:
    """What one knot costs at each place (p,)."""
    k = np.clip(
        np.round((knot.x_mm - x[:, 0]) / (x[:, -1] - x[:, 0]) * (x.shape[1] - 1)).astype(int), 0, x.shape[1] - 1
    )
    rows = np.arange(len(x))
    inside = (knot.x_mm >= x[:, 0]) & (knot.x_mm <= x[:, -1])
    off = np.abs(knot.y_mm - y[rows, k])
    wide = half[rows, k]
    radius = 0.5 * knot.wide_mm
    in_wood = np.clip((wide + radius - off) / knot.wide_mm, 0.0, 1.0)  # how much of it lies in the limb
    # from the middle to the edge its weight falls smoothly
    edge = np.clip((off - (0.5 - EDGE_SHARE) * 2 * wide) / np.maximum(EDGE_SHARE * 2 * wide, 1e-9), 0.0, 1.0)
    weight = MIDDLE_COST + (EDGE_COST - MIDDLE_COST) * edge
    stiff = (np.abs(knot.x_mm - x0) < HANDLE_MM) | (share[rows, k] > TIP_SHARE)
    return np.asarray(np.where(inside, knot.wide_mm * in_wood * np.where(stiff, STIFF_COST, weight), 0.0), dtype=float)


SHIFTS_MM = (-20.0, 0.0, 20.0)


def _grid(
    face: FaceOf, shape: Shape, x_step: float, y_step: float, follows: Sequence[float], shifts: Sequence[float]
) -> Array:
    first = face.x_mm[0] + shape.low_length_mm
    last = face.x_mm[-1] - shape.high_length_mm
    xs = np.arange(first, last + 1e-6, x_step) if last > first else np.array([0.5 * (first + last)])
    rows = []
    for x0 in xs:
        low, high = (float(np.interp(x0, face.x_mm, v)) for v in (face.low_mm, face.high_mm))
        ys = np.arange(low + 5.0, high - 5.0 + 1e-6, y_step)
        rows.append(np.array(np.meshgrid([x0], ys, follows, shifts, indexing="ij")).reshape(4, -1).T)
    return np.vstack(rows) if rows else np.zeros((0, 4))


def tried(
    face: FaceOf,
    shape: Shape,
    x_step: float = X_STEP_MM,
    y_step: float = Y_STEP_MM,
    follows: Sequence[float] = FOLLOWS,
    shifts: Sequence[float] = SHIFTS_MM,
) -> tuple[Array, Array]:
    """Places on a grid (p, 4) and what each costs (p, 6)."""
    grid = _grid(face, shape, x_step, y_step, follows, shifts)
    parts = [costs(face, shape, grid[k : k + 4000]) for k in range(0, len(grid), 4000)]
    return grid, np.vstack(parts) if parts else np.zeros((0, 6))


def placements(face: FaceOf, shape: Shape, equal: bool = False) -> tuple[Placed, ...]:
    """The best places, apart from each other, the best first; empty where the bow lies nowhere within the stave.

    Args:
        equal: both limbs keep their lengths.
    """
    shifts = (0.0,) if equal else SHIFTS_MM
    grid, cost = tried(face, shape, shifts=shifts)
    if len(grid) == 0:
        return ()
    out: list[Placed] = []
    order = np.argsort(cost[:, -1])
    starts: list[Array] = []
    for k in order:
        if all(_apart(grid[k], other) for other in starts):
            starts.append(grid[k])
        if len(starts) == STARTS:
            break
    found = [_moved(face, shape, start, equal) for start in starts]
    for one in sorted(found, key=lambda p: p.cost):
        if one.over_mm > 0.05:
            continue
        if all(abs(one.x0_mm - o.x0_mm) > APART_X_MM or abs(one.y0_mm - o.y0_mm) > APART_Y_MM for o in out):
            out.append(one)
        if len(out) == PROPOSALS:
            break
    return tuple(out)


def _apart(one: Array, other: Array) -> bool:
    return bool(abs(one[0] - other[0]) > 0.5 * APART_X_MM or abs(one[1] - other[1]) > APART_Y_MM)


def _moved(face: FaceOf, shape: Shape, start: Array, equal: bool) -> Placed:
    """A place moved freely to where it costs least."""
    scale = np.array([X_STEP_MM, Y_STEP_MM, 0.2, 10.0])

    def whole(free: Array) -> float:
        place = start + free * scale
        if equal:
            place[3] = start[3]
        bounded = place.copy()
        bounded[2] = np.clip(place[2], 0.0, 1.0)
        bounded[3] = np.clip(place[3], -40.0, 40.0)
        strayed = float(np.sum(np.abs(place - bounded) / scale))
        return float(costs(face, shape, bounded[None])[0, -1]) + strayed

    best = minimize(
        whole,
        np.zeros(4),
        method="Nelder-Mead",
        options={"maxiter": 240, "xatol": 0.02, "fatol": 0.01, "initial_simplex": _simplex()},
    )
    place = start + best.x * scale
    place[2], place[3] = np.clip(place[2], 0.0, 1.0), 0.0 if equal else np.clip(place[3], -40.0, 40.0)
    return placed(face, shape, place)


def _simplex() -> Array:
    return np.vstack([np.zeros(4), 0.8 * np.eye(4)])


def placed(face: FaceOf, shape: Shape, place: Array) -> Placed:
    """A bow at a place, the bowyer's own too; ``place``: (4,) of x0, y0, follow, shift."""
    string, knots, grain, unequal, over, whole = (float(v) for v in costs(face, shape, place[None])[0])
    x, y, half, share, _ = _lines(face, shape, place[None])
    spoiled = []
    for knot in face.knots:
        k = int(np.argmin(np.abs(x[0] - knot.x_mm)))
        near = abs(knot.y_mm - y[0, k]) < (0.5 - EDGE_SHARE) * 2 * half[0, k] + 0.5 * knot.wide_mm
        stiff = abs(knot.x_mm - place[0]) < HANDLE_MM or share[0, k] > TIP_SHARE
        if x[0, 0] <= knot.x_mm <= x[0, -1] and near and not stiff:
            spoiled.append(knot)
    return Placed(
        x0_mm=float(place[0]), y0_mm=float(place[1]), follow=float(place[2]), shift_mm=float(place[3]), cost=whole, string_mm=string, knots=knots,
        grain=grain, unequal=unequal, over_mm=over, centre_mm=np.column_stack([x[0], y[0]]), spoiled=tuple(spoiled),
    )  # fmt: skip
