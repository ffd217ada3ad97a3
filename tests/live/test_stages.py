"""Stages of a pull from made-up courses of draw and force (our own definitions; there is no outside source for them)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiller.live.stages import DRAWN, Event, Happening, Limits, Seen, State, after
from tiller.sources.interfaces import Stage

NAN = float("nan")
Course = list[tuple[float, float, float]]
"""Time, draw (NaN: not on the string), force."""


def stiff(draw: float) -> float:
    """A bow: 0.4 N for each mm beyond 150 mm."""
    return max(0.0, 0.4 * (draw - 150.0))


def course(*legs: tuple[float, float], start: float = 150.0, step: float = 1 / 30) -> Course:
    """From draw to draw: (draw, seconds)."""
    out: Course = []
    t, at = 0.0, start
    for goal, seconds in legs:
        for k in range(round(seconds / step)):
            draw = at + (goal - at) * (k + 1) / round(seconds / step)
            t += step
            out.append((t, draw, stiff(draw)))
        at = goal
    return out


def run(
    seen: Course,
    limits: Limits | None = None,
    bow: Callable[[float], bool] = lambda _: True,
    state: State | None = None,
    blind: bool = False,
) -> tuple[State, list[Event], list[Stage]]:
    state = state or State()
    events: list[Event] = []
    stages = []
    begin = 0.0
    for _ in range(60):  # two still seconds before
        begin += 1 / 30
        state, new = after(
            state, Seen(t_s=begin, bow=True, still=True, draw_mm=NAN, force_n=NAN if blind else 0.0), limits or Limits()
        )
        events += new
    before = (NAN, 0.0)
    for t, draw, force in seen:
        still = before == (draw, force)
        before = (draw, force)
        state, new = after(
            state,
            Seen(t_s=begin + t, bow=bow(t), still=still, draw_mm=draw, force_n=NAN if blind else force),
            limits or Limits(),
        )
        events += new
        stages.append(state.stage)
    return state, events, stages


def what(events: list[Event]) -> list[Happening]:
    return [e.what for e in events]


H = Happening
PULL = ((220.0, 1.0), (220.0, 1.5), (300.0, 1.0), (300.0, 1.5), (150.0, 1.5), (150.0, 2.0))


def test_a_pull_with_two_holds() -> None:
    state, events, stages = run(course(*PULL))
    assert what(events) == [H.REST, H.BEGAN, H.POINT, H.POINT, H.ENDED, H.REST]
    points = [e for e in events if e.what is H.POINT]
    assert [round(e.draw_mm) for e in points] == [220, 300]
    assert [round(e.force_n) for e in points] == [28, 60]
    assert Stage.HOLDING in stages
    assert Stage.LETTING_DOWN in stages
    assert (state.pulls, state.exercises) == (1, 0)


def test_a_pull_without_a_hold_is_an_exercise() -> None:
    state, events, _ = run(course((280.0, 1.2), (150.0, 1.2), (150.0, 1.0)))
    assert H.POINT not in what(events)
    assert (state.pulls, state.exercises) == (1, 1)


def test_a_hold_is_taken_once_and_wood_may_give_a_little() -> None:
    seen = course((220.0, 1.0), (220.0, 4.0))
    relaxing = [(t, d, f * (1 - 0.01 * min(max(t - 1.0, 0) / 4, 1))) for t, d, f in seen]
    _, events, _ = run(relaxing)
    assert what(events).count(H.POINT) == 1


def test_beyond_the_stop_by_draw_and_by_force() -> None:
    for limits in (Limits(draw_mm=260.0), Limits(force_n=45.0)):
        _, events, stages = run(course(*PULL), limits)
        assert what(events).count(H.BEYOND) == 1
        assert H.BACK in what(events)
        first = stages.index(Stage.BEYOND)
        beyond = stages[first : first + stages[first:].index(Stage.LETTING_DOWN)]
        assert set(beyond) == {Stage.BEYOND}  # insistent until it is let down
        assert len(beyond) > 30


def test_a_crack_is_noticed_and_a_quick_let_down_is_none() -> None:
    seen = course((300.0, 2.0), (300.0, 1.0))
    cracked = [*seen, *((3.0 + k / 30, 300.0 + 2 * k / 10, 0.5 * stiff(300.0)) for k in range(1, 30))]
    _, events, _ = run(cracked)
    assert what(events).count(H.LOST) == 1
    _, events, _ = run(course((300.0, 2.0), (300.0, 1.0), (150.0, 0.4), (150.0, 1.0)))
    assert H.LOST not in what(events)


def test_a_slipped_string_shows_no_draw() -> None:
    seen = course((300.0, 2.0), (300.0, 1.0))
    _, events, stages = run([*seen, *((3.0 + k / 30, NAN, 0.0) for k in range(1, 40))])
    assert H.LOST in what(events)
    assert stages[-1] in (Stage.DONE, Stage.RESTING)


def test_without_a_scale_the_draw_alone_leads() -> None:
    state, events, _ = run(course((151.0, 0.5), *PULL), blind=True)
    assert what(events)[:2] == [H.REST, H.BEGAN]
    assert what(events).count(H.POINT) == 2
    assert H.ENDED in what(events)
    assert state.pulls == 1


def test_a_draw_that_is_lost_makes_no_point_and_by_weight_alone_each_hold_is_one() -> None:
    seen = course(*PULL)
    _, events, _ = run([(t, NAN if 1.2 < t < 2.3 else d, f) for t, d, f in seen])
    points = [e for e in events if e.what is H.POINT]
    assert [round(e.draw_mm) for e in points if np.isfinite(e.draw_mm)] == [round(e.draw_mm) for e in points]
    _, events, _ = run([(t, NAN, f) for t, d, f in seen])
    assert [round(e.force_n) for e in events if e.what is H.POINT] == [28, 60]


def test_the_bow_is_taken_off() -> None:
    _, events, stages = run([(t / 30, NAN, 0.0) for t in range(90)], bow=lambda t: t < 0.5)
    assert H.GONE in what(events)
    assert stages[-1] is Stage.NO_BOW


def test_going_on_from_where_it_was_let_down_to() -> None:
    _, events, stages = run(course((280.0, 1.5), (230.0, 0.6), (300.0, 1.0), (300.0, 1.2), (150.0, 1.0), (150.0, 1.0)))
    assert what(events).count(H.BEGAN) == 1
    turned = [s for k, s in enumerate(stages) if k == 0 or stages[k - 1] is not s]
    assert turned.index(Stage.LETTING_DOWN) < len(turned) - 1 - turned[::-1].index(Stage.HOLDING)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(150, 600), st.floats(0.1, 2.0)), min_size=1, max_size=8),
    st.floats(200, 700),
    st.integers(0, 2**31),
)
def test_whatever_is_seen_events_are_in_order(legs: list[tuple[float, float]], stop: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    seen = [
        (t, NAN if rng.uniform() < 0.1 else d, NAN if rng.uniform() < 0.1 else f)
        for t, d, f in course(*legs, (150.0, 1.0), (150.0, 1.5))
    ]
    state, events, stages = run(seen, Limits(draw_mm=stop))
    depth = 0
    for event in events:
        if event.what is H.BEGAN:
            depth += 1
        elif event.what is H.ENDED:
            depth -= 1
        elif event.what in (H.POINT, H.BEYOND, H.BACK, H.LOST):
            assert depth == 1
        assert depth in (0, 1)
    assert (stages[-1] in DRAWN) == (depth == 1)
    assert state.pulls == what(events).count(H.BEGAN)


def test_the_stop_is_watched_before_the_bow_is_known() -> None:
    """Pulled at once, never lain still: no rest shape, but too much is too much."""
    state, events, stages = State(), [], []
    for k in range(60):
        state, new = after(
            state,
            Seen(t_s=k / 30, bow=False, still=False, draw_mm=150.0 + 5 * k, force_n=4.0 * k),
            Limits(300.0, 100.0),
        )
        events += new
        stages.append(state.stage)
    assert what(events)[:2] == [H.BEGAN, H.BEYOND]
    assert events[1].force_n < 115.0
    assert stages[-1] is Stage.BEYOND
    state, events = State(), []
    for k in range(60):
        state, new = after(
            state, Seen(t_s=k / 30, bow=False, still=False, draw_mm=NAN, force_n=40.0), Limits(300.0, 100.0)
        )
        events += new
    assert events == []  # load within the limits is said, but is no pull without a bow


def test_no_point_from_a_force_that_is_gone() -> None:
    """The scale is lost at 220 mm, the pull goes on to 300 mm: what it weighed at 220 belongs to no point there."""
    seen = course((220.0, 1.0), (300.0, 0.9), (300.0, 1.5))
    cut = [(t, d, f if t < 1.4 else NAN) for t, d, f in seen]
    _, events, _ = run(cut)
    forces = [e.force_n for e in events if e.what is H.POINT]
    assert forces == [] or np.all(np.isnan(forces))
    mixed = [(t, d, 28.0 if t < 2.3 else NAN) for t, d, f in seen]
    _, events, _ = run(mixed)
    assert not [e for e in events if e.what is H.POINT and np.isfinite(e.force_n) and e.draw_mm > 290]


def test_no_point_of_a_draw_from_after_a_gap_and_a_force_from_before_it() -> None:
    """The camera was lost through a hold and is back while the rope moves on, when the force lags a little behind."""
    up, hold, on = course((400, 2), (400, 1)), 1.2, course((440, 0.4), start=400.0)
    t = up[-1][0]
    gap = [(t + (k + 1) / 30, NAN, stiff(400.0)) for k in range(round(hold * 30))]
    late = [
        (gap[-1][0] + dt, draw, stiff(400.0)) for dt, draw, _ in on[4:8]
    ]  # the scale's last word is still of the hold
    _, events, _ = run([*up, *gap, *late])
    assert [e.draw_mm for e in events if e.what is H.POINT] == [400.0]


def test_a_smaller_crack_a_second_one_and_one_without_a_rest_shape() -> None:
    held = course((300.0, 1.5), (300.0, 6.0))
    small = [(t, d, f * (1.0 if t < 4.0 else 0.8)) for t, d, f in held]
    assert what(run(small)[1]).count(H.LOST) == 1
    twice = [(t, d, f * (1.0 if t < 4.0 else 0.8 if t < 6.0 else 0.6)) for t, d, f in held]
    assert what(run(twice)[1]).count(H.LOST) == 2
    creeping = [(t, d, f * (1.0 - 0.01 * max(0.0, t - 1.5))) for t, d, f in held]
    assert H.LOST not in what(run(creeping)[1])
    # no draw was ever seen before the pull began
    unseen = State(stage=Stage.RESTING)
    lost = []
    for k in range(240):
        force = 100.0 if k < 150 else 50.0
        unseen, new = after(unseen, Seen(t_s=k / 30, bow=True, still=False, draw_mm=300.0, force_n=force), Limits())
        lost += [e for e in new if e.what is H.LOST]
    assert len(lost) >= 1


def test_a_pull_ends_though_something_still_hangs_on_the_rope() -> None:
    """A heavy rope or a cell that creeps leaves some newtons; the bow lies still at its first draw."""
    state, events, _ = run(course(*PULL[:-1]))
    begin = state.recent[-1].t_s if state.recent else 20.0
    assert H.ENDED not in what(events[:-1])
    state, events, _ = run(course((300.0, 1.5), (300.0, 1.5), (170.0, 1.5)))
    begin = state.recent[-1].t_s
    for k in range(1, 300):
        state, new = after(state, Seen(t_s=begin + k / 30, bow=True, still=True, draw_mm=152.0, force_n=8.0), Limits())
        events = [*events, *new]
    assert H.ENDED in what(events)
    # and the bow that is taken off with the hook aside, by camera alone
    state, events, _ = run(course((300.0, 1.5), (300.0, 1.5), (200.0, 1.5)), blind=True)
    begin = state.recent[-1].t_s
    for k in range(1, 300):
        state, new = after(state, Seen(t_s=begin + k / 30, bow=False, still=True, draw_mm=NAN, force_n=NAN), Limits())
        events = [*events, *new]
    assert H.ENDED in what(events)


def test_a_late_picture_is_no_crack() -> None:
    """A quick let-down whose pictures are looked at late: with the force of the picture's own moment nothing is alarmed."""
    late_s = 0.35
    seen = course((400.0, 3.0), (400.0, 1.0), (160.0, 0.9), (150.0, 1.0))
    times = np.array([t for t, _, _ in seen])
    newest = np.interp(times + late_s, times, [f for _, _, f in seen])
    state, limits = State(), Limits(450.0, 120.0)
    alarms = {True: 0, False: 0}
    for paired in (True, False):
        state = State()
        for k in range(60):
            state, _ = after(state, Seen(t_s=k / 30, bow=True, still=True, draw_mm=NAN, force_n=0.0), limits)
        for (t, draw, force), now in zip(seen, newest, strict=True):
            told = Seen(
                t_s=2.0 + t,
                bow=True,
                still=False,
                draw_mm=draw,
                force_n=force if paired else float(now),
                newest_n=float(now),
            )
            state, new = after(state, told, limits)
            alarms[paired] += sum(e.what is H.LOST for e in new)
    assert alarms[True] == 0
    assert alarms[False] > 0  # the force of now beside the draw of then would be
    # the stop minds the newest force all the same
    state, new = after(state, Seen(t_s=90.0, bow=True, still=False, draw_mm=160.0, force_n=10.0, newest_n=10.0), limits)
    for k in range(8):
        state, new = after(
            state, Seen(t_s=90.0 + k / 30, bow=True, still=False, draw_mm=300.0, force_n=60.0, newest_n=121.0), limits
        )
        if state.stage is Stage.BEYOND:
            break
    assert state.stage is Stage.BEYOND


def test_the_alarm_does_not_flap_while_late_pictures_show_less_force() -> None:
    """120 N/s on the rope, pictures 0.1 s late, limit 200 N: beyond it once, and not back before the newest force is."""
    limits = Limits(600.0, 200.0)
    state = State()
    for k in range(60):
        state, _ = after(state, Seen(t_s=k / 30, bow=True, still=True, draw_mm=NAN, force_n=0.0), limits)
    told: list[Event] = []
    for k in range(80):
        t = k / 30
        now = min(120.0 * t, 240.0)
        then = max(min(120.0 * (t - 0.1), 240.0), 0.0)
        state, new = after(
            state, Seen(t_s=2.0 + t, bow=True, still=False, draw_mm=150.0 + then, force_n=then, newest_n=now), limits
        )
        told += new
    assert [e.what for e in told if e.what in (H.BEYOND, H.BACK)] == [H.BEYOND]
    assert next(e for e in told if e.what is H.BEYOND).force_n > 200.0
    assert state.stage is Stage.BEYOND


def test_a_string_that_goes_slack_at_the_end_of_the_let_down_is_no_crack() -> None:
    """The last 16 N are gone at once and the hook with them; the same fall half-way down is a crack all the same."""
    for stop_mm, alarms in ((190.0, 0), (300.0, 1)):
        up = course((400.0, 3.0), (stop_mm, 1.0))
        t = up[-1][0]
        slack = [(t + (k + 1) / 30, NAN, 0.0) for k in range(30)]
        _, events, _ = run([*up, *slack])
        assert sum(e.what is H.LOST for e in events) == alarms, stop_mm


def slow_pull(period_s: float, force_of: Callable[[float], float], draw_of: Callable[[float], float]) -> list[Event]:
    """What happens where a picture comes each ``period_s`` and the scale is read every 0.1 s between them; 30 s."""
    state, happened = State(stage=Stage.RESTING, least_mm=150.0), []
    every = round(period_s / 0.1)
    for k in range(300):
        t = 0.1 * k
        draw = draw_of(t) if k % every == 0 else NAN
        seen = Seen(t_s=t, bow=True, still=False, draw_mm=draw, force_n=force_of(t))
        state, events = after(state, seen, Limits())
        happened += list(events)
    return happened


@pytest.mark.parametrize("period_s", [0.1, 0.3, 0.5, 0.7])
def test_pictures_that_come_slowly_make_no_crack_and_no_second_point(period_s: float) -> None:
    # pulled for 4 s, held for 6 s, let down in 1.4 s: by the force that is a third within a quarter of a second near its end
    def share(t: float) -> float:
        return float(np.interp(t, [2.0, 6.0, 12.0, 13.4], [0.0, 1.0, 1.0, 0.0]))

    told = [e.what for e in slow_pull(period_s, lambda t: 160.0 * share(t), lambda t: 150.0 + 200.0 * share(t))]
    assert told == [Happening.BEGAN, Happening.POINT, Happening.ENDED], told


@pytest.mark.parametrize("period_s", [0.1, 0.3, 0.5, 0.7])
@pytest.mark.parametrize("left", [0.0, 0.5])
def test_a_crack_is_told_by_slow_pictures_too(period_s: float, left: float) -> None:
    # the draw stays while half or all of the force goes within a tenth of a second
    def force(t: float) -> float:
        return 160.0 * float(np.interp(t, [2.0, 6.0, 9.03, 9.08], [0.0, 1.0, 1.0, left]))

    told = slow_pull(period_s, force, lambda t: 150.0 + 200.0 * float(np.interp(t, [2.0, 6.0], [0.0, 1.0])))
    lost = [e.t_s for e in told if e.what is Happening.LOST]
    assert lost
    assert 9.0 < lost[0] < 9.35, lost
