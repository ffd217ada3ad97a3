"""Set against the strain that was reached: from which strain on does this piece of wood take a set?

Wood in bending yields on its compressed side first, where it crushes at a nearly constant stress; its stretched side stays elastic. A rectangular
section of such a wood, bent to a curvature and let go again, keeps

    kept / curvature = 1 - 1.5 / x^3 [ (w^3 + 1) / 3 + (u^2 - 1) / 2 ],     w = 2 sqrt(x) - 1,  u = (w^2 + 1) / 2

where x is the surface strain over the strain at which the belly yields: equilibrium of the stresses, elastic unloading (elastic and perfectly plastic
bending with unequal strengths, as in textbooks of plasticity; derived here, checked against a fibre section). Below x = 1 wood that is held bent keeps
an ordinary share of its bend, alike everywhere. Both are fitted to how the rest shape moved from one pull to another, with an error that neighbouring
places share. The rack's part of it, shift and rock of the handle, is free, and the rock turns both limbs opposite ways: it drops out of their sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.fit.prior import matern52

Array = NDArray[np.float64]

PLACE_SD_MM, PLACE_ALIKE_MM, GRAIN_SD_MM = 0.3, 60.0, 0.05
"""How rest lines of two pulls differ where nothing happened, over so much of the limb alike, and from station to station. In the independent rig's recordings
two pictures of one rest differ by 0.12 mm, and a rest line is 0.5 mm off the truth; of one bow in two pulls there is none, so it is taken between both."""
ORDINARY, ORDINARY_SD = 0.015, 0.05
"""Share of its bend that wood keeps after hours of pulls without having yielded (common practice, no source); as good as free, so that only the
contrast between places that were strained more and less can show yielding, never the level of the set."""
LIMIT_SPREAD = 0.3
"""Relative sd of a piece's yield strain about its wood's working strain, before it shows (common practice, no source)."""
SHIFT_SD_MM, ROCK_SD_RAD, ROOT_SD_RAD = 5.0, 0.05, 0.0015
"""Handle in its cradle: shift and rock are as good as free; what one root turns by itself (common practice, no source)."""
STRONG = 3.0
"""Log of the odds with which yielding must explain the set better than an ordinary one: 20 to 1, 'strong' (Kass and Raftery 1995, from memory)."""
LEAST_BEND_PER_MM = 1e-5
ZONE_MM = 100.0
STEP_MM = 10.0
GRID = np.exp(np.linspace(np.log(0.3), np.log(3.0), 93))


@dataclass(frozen=True, kw_only=True)
class RestMoved:
    """How a limb's rest shape moved between two pulls, and how far the limb was bent by the pulls between.

    Attributes (arrays (n,) on ``s_mm``, evenly spaced, limb coordinates):
        moved_mm: across the limb, towards the back positive, any shift and turn left in; NaN where not seen.
        bend_per_mm, strain: the largest bend from rest, and the strain of the belly that it made.
    """

    limb: str
    s_mm: Array
    moved_mm: Array
    bend_per_mm: Array
    strain: Array


@dataclass(frozen=True, kw_only=True)
class SetZone:
    """A stretch: the largest strain that it reached, the share of its bend that it kept as set, and the sd of that."""

    limb: str
    from_mm: float
    to_mm: float
    strain: float
    kept: float
    kept_sd: float


@dataclass(frozen=True, kw_only=True)
class SetShown:
    """What the set of both limbs shows.

    Attributes:
        zones: the set by place.
        nocks_mm, nocks_sd_mm: how far both nocks followed the string, together.
        strain: the largest strain that was reached.
        limit, limit_sd: strain of the belly from which on this piece takes a set; NaN where it does not show.
        odds: log of how much better yielding explains the set than an ordinary one.
    """

    zones: tuple[SetZone, ...]
    nocks_mm: float
    nocks_sd_mm: float
    strain: float
    limit: float
    limit_sd: float
    odds: float


def kept_share(over: Array) -> Array:
    """Share of its curvature that a section keeps, by its surface strain over the yield strain; 0 up to 1."""
    x = np.maximum(over, 1.0)
    w = 2.0 * np.sqrt(x) - 1.0
    u = 0.5 * (w * w + 1.0)
    return np.asarray(1.0 - 1.5 / x**3 * ((w**3 + 1.0) / 3.0 + 0.5 * (u * u - 1.0)), dtype=float)


def _places(s_mm: Array, bend: Array) -> Array:
    """Place across the limb (n,) or (n, k) that a change of curvature brings, from the first station: a bend moves the tip to the belly."""
    step = np.diff(s_mm).reshape(-1, *([1] * (bend.ndim - 1)))
    zero = np.zeros((1, *bend.shape[1:]))
    turn = np.concatenate([zero, np.cumsum(0.5 * (bend[1:] + bend[:-1]) * step, axis=0)])
    return -np.concatenate([zero, np.cumsum(0.5 * (turn[1:] + turn[:-1]) * step, axis=0)])


def set_shown(left: RestMoved, right: RestMoved, usual_strain: float) -> SetShown | None:
    """Set against strain, from both limbs together.

    Args:
        usual_strain: working strain that such wood is trusted with, the middle of what is expected of the limit.

    Returns:
        None where fewer than 10 stations of a limb were seen in both pulls.
    """
    limbs = (left, right)
    seen = [np.isfinite(m.moved_mm) & np.isfinite(m.bend_per_mm) & np.isfinite(m.strain) for m in limbs]
    if min(int(np.count_nonzero(g)) for g in seen) < 10:
        return None
    bends = [np.where(g, np.nan_to_num(m.bend_per_mm), 0.0) for m, g in zip(limbs, seen, strict=True)]
    strains = [np.where(g, np.nan_to_num(m.strain), 0.0) for m, g in zip(limbs, seen, strict=True)]
    places = np.concatenate([m.moved_mm[g] for m, g in zip(limbs, seen, strict=True)])
    noise = np.zeros((len(places), len(places)))
    row = 0
    for m, g in zip(limbs, seen, strict=True):
        s, n = m.s_mm[g], int(np.count_nonzero(g))
        noise[row : row + n, row : row + n] = PLACE_SD_MM**2 * matern52(s, s, 1.0, PLACE_ALIKE_MM)
        row += n
    noise += GRAIN_SD_MM**2 * np.eye(len(places))
    rack = _rack_columns(limbs, seen)
    free = noise + (rack * np.array([SHIFT_SD_MM, SHIFT_SD_MM, ROCK_SD_RAD, ROOT_SD_RAD, ROOT_SD_RAD]) ** 2) @ rack.T
    ordinary = np.concatenate([_places(m.s_mm, b)[g] for m, b, g in zip(limbs, bends, seen, strict=True)])
    inverse = np.linalg.inv(free + ORDINARY_SD**2 * np.outer(ordinary, ordinary))
    rest = places - ORDINARY * ordinary

    def misfit(limit: float) -> float:
        kept = [b * kept_share(e / limit) for b, e in zip(bends, strains, strict=True)]
        off = rest - np.concatenate([_places(m.s_mm, k)[g] for m, k, g in zip(limbs, kept, seen, strict=True)])
        return -0.5 * float(off @ inverse @ off)

    limits = usual_strain * GRID
    log = np.array([misfit(float(v)) for v in limits])
    prior = np.exp(-0.5 * (np.log(GRID) / LIMIT_SPREAD) ** 2)
    prior /= prior.sum()
    weight = prior * np.exp(log - log.max())
    odds = float(np.log(weight.sum()) + log.max()) - (-0.5 * float(rest @ inverse @ rest))
    weight /= weight.sum()
    limit = float(weight @ limits)
    spread = float(np.sqrt(weight @ (limits - limit) ** 2))
    if odds < STRONG:
        limit = spread = float("nan")
    zones, nocks, nocks_sd = _zones(limbs, seen, bends, strains, places, free)
    reached = max(float(np.max(e)) for e in strains)
    return SetShown(
        zones=zones,
        nocks_mm=nocks,
        nocks_sd_mm=nocks_sd,
        strain=reached,
        limit=limit,
        limit_sd=spread,
        odds=odds,
    )


def _rack_columns(limbs: tuple[RestMoved, RestMoved], seen: list[NDArray[np.bool_]]) -> Array:
    """What the rack does to the places: a shift of each limb, the handle's rock, and a turn of each root."""
    n = [int(np.count_nonzero(g)) for g in seen]
    out = np.zeros((sum(n), 5))
    for k, (m, g) in enumerate(zip(limbs, seen, strict=True)):
        rows = slice(0, n[0]) if k == 0 else slice(n[0], sum(n))
        lever = m.s_mm[g] - m.s_mm[0]
        out[rows, k] = 1.0
        out[rows, 2] = (-1.0 if k == 0 else 1.0) * m.s_mm[g]
        out[rows, 3 + k] = lever
    return out


def _zones(
    limbs: tuple[RestMoved, RestMoved],
    seen: list[NDArray[np.bool_]],
    bends: list[Array],
    strains: list[Array],
    places: Array,
    free: Array,
) -> tuple[tuple[SetZone, ...], float, float]:
    """The share of its bend that each stretch kept, and both nocks' way together; generalised least squares."""
    columns, names, levers = [], [], []
    for k, (m, bend) in enumerate(zip(limbs, bends, strict=True)):
        count = max(2, round((m.s_mm[-1] - m.s_mm[0]) / ZONE_MM))
        edges = np.linspace(m.s_mm[0], m.s_mm[-1] + 1e-6, count + 1)
        for a, b in pairwise(edges):
            inside = (m.s_mm >= a) & (m.s_mm < b)
            if float(np.mean(bend[inside])) < LEAST_BEND_PER_MM:
                continue
            whole = _places(m.s_mm, np.where(inside, bend, 0.0))
            parts = [np.zeros(int(np.count_nonzero(g))) for g in seen]
            parts[k] = whole[seen[k]]
            columns.append(np.concatenate(parts))
            levers.append(-float(whole[-1]))
            names.append((m.limb, float(a), float(b), float(np.max(strains[k][inside]))))
    if not columns:
        return (), float("nan"), float("nan")
    a = np.column_stack(columns)
    inverse = np.linalg.inv(free)
    # what is as good as unknown: up to the whole bend
    cov = np.linalg.inv(a.T @ inverse @ a + np.eye(a.shape[1]))
    kept = cov @ a.T @ inverse @ places
    lever = np.array(levers)
    zones = tuple(
        SetZone(limb=limb, from_mm=low, to_mm=high, strain=strain, kept=float(v), kept_sd=float(sd))
        for (limb, low, high, strain), v, sd in zip(names, kept, np.sqrt(np.diag(cov)), strict=True)
    )
    return zones, float(lever @ kept), float(np.sqrt(lever @ cov @ lever))
