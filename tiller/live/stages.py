"""The stages of a pull, from what camera and scale see: pure, no clock, no window.

``after(state, seen, limits)`` gives the next state and what happened. Times are those of the sources.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from tiller.sources.interfaces import Stage

STILL_S = 1.0
"""A bow that lay still for this long has its rest shape taken."""
HOLD_S = 0.7
HOLD_MM, HOLD_N, HOLD_SHARE = 1.5, 1.0, 0.015
"""Within these for ``HOLD_S`` a draw is held; wood gives by 1 % or so while it is (common practice, no source)."""
BLIND_SHARE = 0.5
"""So much of a hold may go by without a draw; with more of it missing draw and force may be of different moments."""
NEXT_HOLD_MM, NEXT_HOLD_SHARE = 4.0, 0.05
BEGIN_N, BEGIN_MM, BEGIN_S = 5.0, 12.0, 0.15
END_N, END_MM, END_S = 3.0, 6.0, 0.5
TURN_MM = 15.0
"""A draw that fell by this much is being let down; one that rose by it again is being pulled."""
BEYOND_MM, BACK_MM = 0.5, 3.0
LOST_SHARE, LOST_N, LOST_S = 0.3, 15.0, 0.26
"""Force that falls by this share and this much within this time, and not the draw with it, is a crack or a slipped string
(common practice, no source)."""
STEP_SHARE, STEP_N, STEP_S, STEP_MM = 0.12, 6.0, 0.2, 4.0
"""So is a smaller fall that stays for this long while the draw stays within this (common practice, no source)."""
SLACK_SHARE = 0.2
"""In the last of a let-down, by this share of it, the string may go slack in one go (common practice, no source)."""
LOST_AGAIN_S = 1.0
LEFT_N, LEFT_S = 12.0, 4.0
"""A string that is being let down and lies still with no more than this on it for so long is down: ropes weigh, cells creep."""
GONE_S = 1.0
LEAST_OF = 5
"""Least draw by the median of so many readings."""
KEEP_S = 3.2
FEWEST, SLOW_PERIODS = 3, 2.2
"""A hold takes so many pictures at least; where they come so slowly that ``HOLD_S`` holds fewer, it takes so many of their periods."""


DRAWN = (Stage.PULLING, Stage.HOLDING, Stage.BEYOND, Stage.LETTING_DOWN)
"""Stages within a pull."""


class Happening(Enum):
    """What happened at a moment."""

    REST = "rest shape taken"
    GONE = "bow taken off"
    BEGAN = "pull began"
    POINT = "point taken"
    BEYOND = "beyond the stop"
    BACK = "back within the stop"
    LOST = "force dropped suddenly"
    ENDED = "let down"


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What the sources show at a moment.

    Attributes:
        t_s: time of the picture or the reading.
        bow: a bow is on the rack; still: nothing moves in the picture.
        draw_mm, force_n: of the same moment, NaN where unknown.
        newest_n: the force by now, where the picture is a little old; NaN: none that is newer. Only the stop minds it.
    """

    t_s: float
    bow: bool
    still: bool
    draw_mm: float
    force_n: float
    newest_n: float = float("nan")


@dataclass(frozen=True)
class Limits:
    """What must not be exceeded now; inf where nothing is known."""

    draw_mm: float = float("inf")
    force_n: float = float("inf")


@dataclass(frozen=True)
class Event:
    """Something that happened, with draw and force at that time (for a point: over the hold)."""

    what: Happening
    t_s: float
    draw_mm: float
    force_n: float


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the pull stands.

    Attributes:
        stage: now; since_s: for how long, as the time it began.
        recent: what was seen in the last moments, oldest first.
        still_from_s, seen_s: since when it lies still, and when a bow was last seen.
        least_mm: least draw since the bow lay still; top_mm, low_mm: largest draw of this pull, and the least since.
        top_n: largest force of this pull.
        held_mm, held_n: draw and force of the last point.
        points: how many were taken in this pull; pulls, exercises: pulls of this session, and those of them without a point.
        first_mm: draw when the pull began.
        lost: force fell suddenly in this pull; lost_s: when it last did.
    """

    stage: Stage = Stage.NO_BOW
    since_s: float = 0.0
    recent: tuple[Seen, ...] = ()
    still_from_s: float | None = None
    seen_s: float = float("-inf")
    least_mm: float = float("inf")
    top_mm: float = float("nan")
    low_mm: float = float("nan")
    top_n: float = float("nan")
    held_mm: float = float("nan")
    held_n: float = float("nan")
    quiet_from_s: float | None = None
    loaded_from_s: float | None = None
    points: int = 0
    pulls: int = 0
    exercises: int = 0
    first_mm: float = float("nan")
    lost: bool = False
    lost_s: float = float("-inf")


def after(state: State, seen: Seen, limits: Limits) -> tuple[State, tuple[Event, ...]]:
    """The state after what is seen now, and what happened."""
    recent = (*(s for s in state.recent if seen.t_s - KEEP_S <= s.t_s <= seen.t_s), seen)
    state = replace(
        state,
        recent=recent,
        still_from_s=(seen.t_s if state.still_from_s is None else state.still_from_s) if seen.still else None,
        seen_s=seen.t_s if seen.bow else state.seen_s,
    )
    if state.stage in DRAWN:
        return _in_pull(state, seen, limits)
    return _between(state, seen, limits)


def _go(state: State, stage: Stage, t_s: float) -> State:
    return state if stage is state.stage else replace(state, stage=stage, since_s=t_s)


def _event(what: Happening, seen: Seen) -> Event:
    return Event(what, seen.t_s, seen.draw_mm, seen.force_n)


def _over(seen: Seen, limits: Limits) -> bool:
    if np.isnan(limits.draw_mm) or np.isnan(limits.force_n):  # no limit that could be kept: anything is beyond it
        return True
    return bool(
        seen.draw_mm > limits.draw_mm + BEYOND_MM or seen.force_n > limits.force_n or seen.newest_n > limits.force_n
    )


def _between(state: State, seen: Seen, limits: Limits) -> tuple[State, tuple[Event, ...]]:
    """No bow, resting, or done."""
    if state.stage is not Stage.NO_BOW and seen.t_s - state.seen_s > GONE_S and not _loaded(seen):
        return _go(replace(state, least_mm=float("inf")), Stage.NO_BOW, seen.t_s), (_event(Happening.GONE, seen),)
    lately = [s.draw_mm for s in state.recent[-LEAST_OF:] if np.isfinite(s.draw_mm)]
    if len(lately) == LEAST_OF or (lately and not np.isfinite(state.least_mm)):
        # one reading that is too low must not make the resting bow a drawn one
        state = replace(state, least_mm=min(state.least_mm, float(np.median(lately))))
    began = _loaded(seen) if np.isfinite(seen.force_n) else _risen(state, seen)
    state = replace(
        state, loaded_from_s=(seen.t_s if state.loaded_from_s is None else state.loaded_from_s) if began else None
    )
    loaded = state.loaded_from_s is not None and seen.t_s - state.loaded_from_s >= BEGIN_S
    over = loaded and _over(seen, limits)  # whatever is known of the bow: too much is too much
    if loaded and (state.stage is not Stage.NO_BOW or over):
        state = replace(
            state,
            top_mm=seen.draw_mm,
            low_mm=seen.draw_mm,
            top_n=seen.force_n,
            held_mm=float("nan"),
            held_n=float("nan"),
            quiet_from_s=None,
            points=0,
            pulls=state.pulls + 1,
            first_mm=seen.draw_mm,
            lost=False,
        )
        if over:
            both = (_event(Happening.BEGAN, seen), _event(Happening.BEYOND, seen))
            return _go(state, Stage.BEYOND, seen.t_s), both
        return _go(state, Stage.PULLING, seen.t_s), (_event(Happening.BEGAN, seen),)
    lay = state.still_from_s is not None and seen.t_s - state.still_from_s >= STILL_S
    if state.stage in (Stage.NO_BOW, Stage.DONE) and seen.bow and lay and not began:
        state = replace(state, least_mm=seen.draw_mm if np.isfinite(seen.draw_mm) else float("inf"))
        return _go(state, Stage.RESTING, seen.t_s), (_event(Happening.REST, seen),)
    return state, ()


def _loaded(seen: Seen) -> bool:
    return bool(seen.force_n >= BEGIN_N)


def _risen(state: State, seen: Seen) -> bool:
    return bool(seen.draw_mm > state.least_mm + BEGIN_MM)


def _in_pull(state: State, seen: Seen, limits: Limits) -> tuple[State, tuple[Event, ...]]:
    events: list[Event] = []
    draw, force = seen.draw_mm, seen.force_n
    if np.isfinite(force):
        state = replace(state, top_n=float(np.fmax(state.top_n, force)))
    if np.isfinite(draw):
        top = float(np.fmax(state.top_mm, draw))
        low = draw if not np.isfinite(state.low_mm) or top > state.top_mm else min(state.low_mm, draw)
        state = replace(state, top_mm=top, low_mm=low)
    if seen.t_s - state.lost_s > LOST_AGAIN_S and (_fell_at_once(state) or _fell_and_stayed(state)):
        state = replace(state, lost=True, lost_s=seen.t_s)
        events.append(_event(Happening.LOST, seen))
        state = _go(state, Stage.LETTING_DOWN, seen.t_s)
    state, ended = _ended(state, seen)
    if ended:
        return state, (*events, _event(Happening.ENDED, seen))
    if state.stage is not Stage.BEYOND and _over(seen, limits):
        state = _go(state, Stage.BEYOND, seen.t_s)
        events.append(replace(_event(Happening.BEYOND, seen), force_n=float(np.fmax(force, seen.newest_n))))
        return state, tuple(events)
    if state.stage is Stage.BEYOND:
        over = draw > limits.draw_mm - BACK_MM or force > 0.99 * limits.force_n or seen.newest_n > 0.99 * limits.force_n
        if over or not (np.isfinite(draw) or np.isfinite(force)):
            return state, tuple(events)
        state = _go(state, Stage.LETTING_DOWN, seen.t_s)
        events.append(_event(Happening.BACK, seen))
    if np.isfinite(draw):
        if state.stage is Stage.LETTING_DOWN and draw > state.low_mm + TURN_MM and not state.lost:
            state = replace(_go(state, Stage.PULLING, seen.t_s), top_mm=draw, low_mm=draw)
        elif state.stage in (Stage.PULLING, Stage.HOLDING) and draw < state.top_mm - TURN_MM:
            state = _go(replace(state, low_mm=draw), Stage.LETTING_DOWN, seen.t_s)
    held = _held(state)
    if held is not None and _is_new(state, held):
        state = replace(state, held_mm=held.draw_mm, held_n=held.force_n, points=state.points + 1)
        events.append(held)
    if state.stage in (Stage.PULLING, Stage.HOLDING):
        state = _go(state, Stage.HOLDING if held is not None else Stage.PULLING, seen.t_s)
    return state, tuple(events)


def _ended(state: State, seen: Seen) -> tuple[State, bool]:
    """Whether the string is slack again."""
    if np.isfinite(seen.force_n):
        slack = seen.force_n < END_N
    elif np.isfinite(seen.draw_mm):
        slack = seen.draw_mm < state.least_mm + END_MM
    else:
        slack = state.quiet_from_s is not None  # neither is known: as before
    quiet = (seen.t_s if state.quiet_from_s is None else state.quiet_from_s) if slack else None
    state = replace(state, quiet_from_s=quiet)
    down = quiet is not None and seen.t_s - quiet >= END_S
    if not down and not _left_lying(state, seen):
        return state, False
    exercises = state.exercises + (1 if state.points == 0 else 0)
    state = replace(state, quiet_from_s=None, loaded_from_s=None, exercises=exercises, recent=())
    return _go(state, Stage.DONE, seen.t_s), True


def _left_lying(state: State, seen: Seen) -> bool:
    """Whether the bow was taken off, or lies let down though something little still pulls or the hook is out of sight."""
    if seen.force_n > LEFT_N or state.stage is not Stage.LETTING_DOWN or seen.t_s - state.since_s < LEFT_S:
        return False
    if seen.t_s - state.seen_s > GONE_S:
        return True
    near = not np.isfinite(seen.draw_mm) or seen.draw_mm < state.least_mm + 2 * BEGIN_MM
    return near and state.still_from_s is not None and seen.t_s - state.still_from_s >= LEFT_S


def _is_new(state: State, held: Event) -> bool:
    """Whether a hold is another one than the last point's; a draw that is lost for a while makes none."""
    if np.isfinite(held.draw_mm):
        return not abs(held.draw_mm - state.held_mm) < NEXT_HOLD_MM
    if np.isfinite(state.top_mm):
        return False
    return not abs(held.force_n - state.held_n) < max(HOLD_N, NEXT_HOLD_SHARE * held.force_n)


def _held(state: State) -> Event | None:
    """The hold that the last moments are, if they are one."""
    last = state.recent[-1]
    period = _period(state)
    hold_s = max(HOLD_S, SLOW_PERIODS * period)
    # between two pictures of a slow camera it is held as long as it was with the last one, and by the force since
    shown_s = max((s.t_s for s in state.recent if np.isfinite(s.draw_mm)), default=last.t_s)
    from_s = (shown_s if last.t_s - shown_s < SLOW_PERIODS * period else last.t_s) - hold_s
    window = [s for s in state.recent if s.t_s >= from_s - 1e-9]
    if from_s < state.recent[0].t_s or len(window) < FEWEST:
        return None
    draws = np.array([s.draw_mm for s in window])
    forces = np.array([s.force_n for s in window])
    drawn, weighed = np.isfinite(draws), np.isfinite(forces)
    if np.count_nonzero(drawn) < FEWEST and (drawn.any() or np.count_nonzero(weighed) < FEWEST):
        return None
    if drawn.any():
        times = np.array([s.t_s for s in window])[drawn]
        gaps = np.diff(np.concatenate([[from_s], times, [last.t_s]]))
        # the camera was lost meanwhile: the draw is of now, the force of before
        if np.max(gaps) > max(BLIND_SHARE * HOLD_S, 1.5 * period):
            return None
        if np.ptp(draws[drawn]) > HOLD_MM:
            return None
    if weighed.any() and not weighed.all():  # the scale was lost meanwhile: its last word is of another draw
        return None
    level = float(np.median(forces[weighed])) if weighed.any() else float("nan")
    if weighed.any() and np.ptp(forces[weighed]) > max(HOLD_N, HOLD_SHARE * level):
        return None
    if weighed.any() and level < BEGIN_N:
        return None
    draw = float(np.median(draws[drawn])) if drawn.any() else float("nan")
    return Event(Happening.POINT, last.t_s, draw, level)


def _period(state: State) -> float:
    """Time between two pictures that show a draw, s, the median of the last moments; 0 where that is not known."""
    times = [s.t_s for s in state.recent if np.isfinite(s.draw_mm)]
    return float(np.median(np.diff(times))) if len(times) >= FEWEST else 0.0


def _fell_at_once(state: State) -> bool:
    """Whether the force fell in the last moments as only a crack or a slipped string makes it fall."""
    last = state.recent[-1]
    if not np.isfinite(last.force_n):
        return False
    window = [s for s in state.recent if s.t_s >= last.t_s - LOST_S]
    most = max((s for s in window if np.isfinite(s.force_n)), key=lambda s: s.force_n)
    fall = most.force_n - last.force_n
    if fall < max(LOST_N, LOST_SHARE * most.force_n):
        return False
    draws = [s.draw_mm for s in window if np.isfinite(s.draw_mm)]
    if len(draws) < 2:  # pictures come too slowly: the draw as it went on from the last two
        draws = [_draw_between(state, most.t_s), _draw_between(state, last.t_s)]
    taut = state.least_mm if np.isfinite(state.least_mm) else state.first_mm
    low = float(np.fmin(state.low_mm, draws[-1]))
    if state.stage is Stage.LETTING_DOWN and low - taut < SLACK_SHARE * (state.top_mm - taut):
        return False  # the string goes slack with the last of the let-down
    if not np.isfinite(draws).all():
        return True
    back = (max(draws) - draws[-1]) / max(max(draws) - float(np.fmin(taut, draws[-1])), 1.0)
    return bool(back < 0.5 * fall / most.force_n)


def _draw_between(state: State, t_s: float) -> float:
    """The draw at a moment between two pictures of a slow camera, mm: in a line through the last two that show one; NaN where none is due any more."""
    seen = [s for s in state.recent if np.isfinite(s.draw_mm)]
    if len(seen) < FEWEST or state.recent[-1].t_s - seen[-1].t_s > SLOW_PERIODS * _period(state):
        return float("nan")
    (one, other), gone = seen[-2:], t_s - seen[-1].t_s
    return other.draw_mm + gone * (other.draw_mm - one.draw_mm) / max(other.t_s - one.t_s, 1e-3)


def _fell_and_stayed(state: State) -> bool:
    """Whether the force took a step down and stayed there while the draw did not move."""
    last = state.recent[-1]
    window = [s for s in state.recent if s.t_s >= last.t_s - 2 * STEP_S - 0.1 and np.isfinite(s.force_n)]
    draws = [s.draw_mm for s in window if np.isfinite(s.draw_mm)]
    before = [s.force_n for s in window if s.t_s <= last.t_s - STEP_S - 0.1]
    since = [s.force_n for s in window if s.t_s >= last.t_s - STEP_S]
    if len(before) < 2 or len(since) < 3 or len(draws) < 4 or max(draws) - min(draws) > STEP_MM:
        return False
    level = float(np.median(before))
    return bool(level - max(since) > max(STEP_N, STEP_SHARE * level))
