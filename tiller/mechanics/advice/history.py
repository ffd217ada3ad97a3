"""A pull beside the ones before it: what the last pass did, set, tiller difference, energy lost, stacking."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.advice.yielding import SetShown
from tiller.mechanics.fit.curvature import bend_from_places
from tiller.notes import Note

Array = NDArray[np.float64]

ROCK_SD_RAD = 0.0015
"""The handle does not come to lie in its cradle more alike than this from pull to pull (common practice, no source)."""
PLACE_SD_MM = 0.2
PASS_SD = 0.012
"""Relative sd of the change of a zone's EI between two pulls, what both err alike left out (set on simulated pulls of tests/pulls/test_comparison.py;
no recording has wood come off between two pulls)."""
FIRST_STROKE_MM = 0.05
"""What one pull of a scraper takes off (common practice, no source), until the bow's own passes show it."""
STROKE_PRIOR_SD = 0.3
"""Relative sd of a stroke's depth before a pass showed it (common practice, no source)."""
LEVEL_CHANGE_SD = 0.015
"""Relative sd of the change of the level of all EI between two pulls (common practice, no source)."""
ZONE_MM = 100.0


@dataclass(frozen=True)
class Scraped:
    """A planned zone: limb, place, depth planned, and what that does to the logarithm of EI there."""

    limb: str
    from_mm: float
    to_mm: float
    pass_mm: float
    log_ei: float


@dataclass(frozen=True)
class PassDone:
    """What a pass did on one limb.

    Attributes:
        share, sd: wood that came off over what was planned, by the change of stiffness; NaN where nothing was planned.
    """

    limb: str
    share: float
    sd: float


NOTHING, HALF = 0.15, 0.5
"""A pass that took less than this share of what was planned, and surely less than half, took nothing to speak of."""


def nothing_off(passes: Sequence[PassDone]) -> bool:
    """Whether nothing to speak of came off, on both limbs."""
    return bool(passes) and all(done.share < NOTHING and done.share + 2 * done.sd < HALF for done in passes)


def pass_done(
    limb: str, s_then: Array, ei_then: Array, s_now: Array, ei_now: Array, zones: Sequence[Scraped]
) -> PassDone:
    """Share of the planned removal that the stiffness shows, least squares over the limb's zones."""
    planned, found = [], []
    for zone in zones:
        if zone.limb != limb or zone.pass_mm <= 0:
            continue
        inside_then = (s_then >= zone.from_mm) & (s_then <= zone.to_mm) & np.isfinite(ei_then)
        inside_now = (s_now >= zone.from_mm) & (s_now <= zone.to_mm) & np.isfinite(ei_now)
        if np.count_nonzero(inside_then) < 3 or np.count_nonzero(inside_now) < 3:
            continue
        planned.append(zone.log_ei)
        found.append(float(np.mean(np.log(ei_now[inside_now])) - np.mean(np.log(ei_then[inside_then]))))
    if not planned:
        return PassDone(limb, float("nan"), float("nan"))
    x, y = np.array(planned), np.array(found)
    share = float(x @ y / (x @ x))
    common = LEVEL_CHANGE_SD * abs(float(np.sum(x))) / float(x @ x)
    return PassDone(limb, share, float(np.hypot(PASS_SD * np.sqrt(2.0) / np.sqrt(x @ x), common)))


@dataclass(frozen=True)
class SetTaken:
    """How the rest shape of a limb drifted.

    Attributes:
        nock_mm, sd_mm: towards the belly at the last station (positive = follows the string).
        where_mm: middle of the 100 mm that took most of it; NaN where none stands out.
    """

    limb: str
    nock_mm: float
    sd_mm: float
    where_mm: float


def moved_across(
    s_mm: Array, s_then: Array, rest_then: Array, s_now: Array, rest_now: Array, thinned_mm: Array
) -> Array:
    """How far the back moved across the limb (n,) between two rest lines (k, 2), limb coordinates, from their first common station; towards the
    back positive.

    Args:
        thinned_mm: (n,) what came off the belly in between: the line in the limb's middle comes nearer to the back by half of it, and that is no set.
    """
    lines = [
        np.column_stack([np.interp(s_mm, where, line[:, k]) for k in (0, 1)])
        for where, line in ((s_then, rest_then), (s_now, rest_now))
    ]
    tangent = np.gradient(lines[0], axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    moved = np.sum((lines[1] - lines[1][0] - lines[0] + lines[0][0]) * normal, axis=1)
    return np.asarray(moved - 0.5 * (thinned_mm - thinned_mm[0]), dtype=float)


def set_taken(
    limb: str, s_then: Array, rest_then: Array, s_now: Array, rest_now: Array, thinned_mm: Array | None = None
) -> SetTaken:
    """Set between two rest shapes (n, 2) in limb coordinates, both referred to their first common station.

    Place and angle of the handle in its cradle are not distinguished from set at the root: that is in the sd.

    Args:
        thinned_mm: on ``s_now``, what came off the belly in between; None = nothing.
    """
    low, high = max(s_then[0], s_now[0]), min(s_then[-1], s_now[-1])
    if high - low < 200.0:
        return SetTaken(limb, float("nan"), float("nan"), float("nan"))
    s = np.arange(low, high, 5.0)
    thinned = np.zeros(len(s)) if thinned_mm is None else np.interp(s, s_now, thinned_mm)
    moved = moved_across(s, s_then, rest_then, s_now, rest_now, thinned)
    nock = -float(moved[-1])
    sd = float(np.hypot(PLACE_SD_MM * 1.5, ROCK_SD_RAD * (s[-1] - s[0])))
    bent = bend_from_places(s, moved, np.full(len(s), PLACE_SD_MM))
    lever = s[-1] - s
    share = bent.bend_per_mm * lever
    spread = bent.sd_per_mm * lever
    best, where = 0.0, float("nan")
    # the first stretch is left out: there set and how the handle lies in its cradle look alike
    for start in np.arange(s[0] + 0.5 * ZONE_MM, s[-1] - ZONE_MM + 1, 25.0):
        zone = (s >= start) & (s < start + ZONE_MM)
        took, doubt = float(np.sum(share[zone]) * 5.0), float(np.mean(spread[zone]) * ZONE_MM)
        if took > max(2 * doubt, 1.0) and took > best:
            best, where = took, float(start + 0.5 * ZONE_MM)
    return SetTaken(limb, nock, sd, where)


@dataclass(frozen=True, kw_only=True)
class EventShown:
    """What heat or drying changed on a limb, between the pulls before and after.

    Attributes:
        what: what was done; limb, from_mm, to_mm: where.
        stiffer, stiffer_sd: relative change of stiffness there; NaN where it was not measured both times.
        nock_mm, nock_sd_mm: how far the nock moved towards the belly.
        scraped: wood came off between the two pulls as well.
    """

    what: str
    limb: str
    from_mm: float
    to_mm: float
    stiffer: float
    stiffer_sd: float
    nock_mm: float
    nock_sd_mm: float
    scraped: bool


def event_shown(
    what: str,
    moved: SetTaken,
    from_mm: float,
    to_mm: float,
    then: tuple[Array, Array],
    now: tuple[Array, Array],
    scraped: bool,
) -> EventShown:
    """What was changed on a stretch.

    Args:
        moved: the rest shape now against that before; then, now: stations (n,) and stiffness (n,), NaN where not seen.
    """
    logs = []
    for s, ei in (then, now):
        inside = (s >= from_mm) & (s <= to_mm) & np.isfinite(ei)
        logs.append(float(np.mean(np.log(ei[inside]))) if np.count_nonzero(inside) >= 3 else float("nan"))
    change = logs[1] - logs[0]
    return EventShown(
        what=what,
        limb=moved.limb,
        from_mm=from_mm,
        to_mm=to_mm,
        stiffer=float(np.expm1(change)),
        stiffer_sd=float(np.hypot(PASS_SD * np.sqrt(2.0), LEVEL_CHANGE_SD)) if np.isfinite(change) else float("nan"),
        nock_mm=moved.nock_mm,
        nock_sd_mm=moved.sd_mm,
        scraped=scraped,
    )


TILLER_SD_MM = 1.7
"""Sd of the tiller difference: how far it is off the truth in the nine recordings of the independent rig, rms, at full draw (a hook that is a
millimetre off its place is the most of it)."""


def propagated(figure: Callable[[Array], float], values: Array, sd: Array) -> tuple[float, float]:
    """A figure of some values, and its sd from theirs (independent of each other); NaN where it cannot be had."""
    mean = figure(values)
    if not np.isfinite(mean):
        return mean, float("nan")
    moved = []
    for k, step in enumerate(sd):
        other = values.copy()
        other[k] += step
        moved.append(figure(other) - mean)
    return mean, float(np.sqrt(np.nansum(np.square(moved))))


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What a pull says beside earlier ones.

    Attributes:
        passes: what the pass since the last pull did, by limb; empty where none was planned.
        promised_n, now_n: weight that the plan promised after the pass, and the forecast now; NaN without.
        stroke_mm: depth of the bowyer's stroke as learned so far.
        sets: set since the first pull, by limb; empty for a first pull.
        tiller_mm, tiller_sd_mm: limb to string at the fades, upper less lower, at the largest draw.
        lost, lost_sd: share of the work that does not come back; stacking, stacking_sd: slope at the end over the mean slope.
        notes: in words.
        set_since: day of the pull that the set is counted from.
        by_place: set against strain, None without an earlier pull; events: what heat or drying changed since the last pull.
    """

    passes: tuple[PassDone, ...]
    promised_n: float
    now_n: float
    stroke_mm: float
    sets: tuple[SetTaken, ...]
    tiller_mm: float
    tiller_sd_mm: float
    lost: float
    lost_sd: float
    stacking: float
    stacking_sd: float
    notes: tuple[Note, ...]
    by_place: SetShown | None = None
    events: tuple[EventShown, ...] = ()
    set_since: str = ""

    @property
    def nothing_off(self) -> bool:
        """By its stiffness the pass took nothing to speak of."""
        return nothing_off(self.passes)


def tiller_difference_mm(
    upper_mm: Array, lower_mm: Array, s_upper: Array, s_lower: Array, hook_mm: Array, fade_mm: tuple[float, float]
) -> float:
    """Distance limb to string at the fades, upper less lower.

    Args:
        upper_mm, lower_mm: (n, 2) drawn lines in limb coordinates, with the nock's end last.
        hook_mm: (2, 2) hook in each limb's coordinates; fade_mm: end of the fade along each limb.
    """
    out = []
    for line, s, hook, at in zip((upper_mm, lower_mm), (s_upper, s_lower), hook_mm, fade_mm, strict=True):
        place = np.array([np.interp(at, s, line[:, k]) for k in (0, 1)])
        way = line[-1] - hook
        way = way / np.linalg.norm(way)
        off = place - hook
        out.append(abs(float(way[0] * off[1] - way[1] * off[0])))
    return out[0] - out[1]


def lost_share(draw_up: Array, force_up: Array, draw_down: Array, force_down: Array) -> float:
    """Share of the work of the pull that does not come back, over the draws that both branches cover; NaN if they cover too little."""
    if len(draw_up) < 3 or len(draw_down) < 2:
        return float("nan")
    up, down = np.argsort(draw_up), np.argsort(draw_down)
    low, high = max(draw_up.min(), draw_down.min()), draw_up.max()
    if high - low < 0.3 * np.ptp(draw_up):
        return float("nan")
    x = np.linspace(low, high, 60)
    # the let-down starts where the pull ended
    dx = np.append(draw_down[down], draw_up[up][-1])
    df = np.append(force_down[down], force_up[up][-1])
    back = np.interp(x, dx, df)
    there = np.interp(x, draw_up[up], force_up[up])
    return float(1.0 - np.trapezoid(back, x) / np.trapezoid(there, x))


def stacking(draw_mm: Array, force_n: Array, last_mm: float = 75.0) -> float:
    """Slope over the last inches over the mean slope; 1 = straight. NaN for fewer than 5 points."""
    good = np.isfinite(draw_mm) & np.isfinite(force_n)
    x, y = draw_mm[good], force_n[good]
    if len(x) < 5 or np.ptp(x) < 2 * last_mm:
        return float("nan")
    order = np.argsort(x)
    x, y = x[order], y[order]
    tail = x >= x[-1] - last_mm
    if np.count_nonzero(tail) < 2:
        tail[-2:] = True
    end = (y[-1] - float(np.interp(x[tail][0], x, y))) / (x[-1] - x[tail][0])
    return float(end / ((y[-1] - y[0]) / (x[-1] - x[0])))
