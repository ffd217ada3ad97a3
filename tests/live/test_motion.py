"""What moves and what does not: noise, exposure and shadows are no movement; a bow that is laid in or drawn is, at any rate of pictures."""

from __future__ import annotations

import numpy as np
import pytest

from tiller.live.motion import MOVED_SHARE, Motion, unlike
from tiller.live.stages import Happening, Limits, Seen, State, after
from tiller.simulate.live import Cues, Gate
from tiller.sources.interfaces import Stage

PLACES = 150.0


def wall(rng: np.random.Generator, gain: float = 1.0, noise: float = 1.0) -> np.ndarray:
    base = np.random.default_rng(0).uniform(120, 190, (90, 160, 1)) * np.array([1.0, 1.0, 0.97])
    return (base * gain + rng.normal(0, noise, (90, 160, 3))).astype(np.float32)


def with_limb(picture: np.ndarray, row: int) -> np.ndarray:
    out = picture.copy()
    out[row : row + 2, 20:140] = (90.0, 130.0, 165.0)
    return out


def test_noise_exposure_steps_and_a_moving_shadow_are_still() -> None:
    rng, motion = np.random.default_rng(1), Motion()
    still = []
    for k in range(30):
        picture = wall(rng, 1.0 + 0.01 * (k % 3))
        picture[:, : 4 * k] *= 0.8  # a shadow goes by
        still.append(motion.picture(k / 15, picture, PLACES))
    assert all(still[5:])
    assert motion.lay(29 / 15, 1.0)


def test_a_bow_that_is_laid_in_moves_and_then_lies() -> None:
    rng, motion = np.random.default_rng(2), Motion()
    seen = [motion.picture(k / 15, with_limb(wall(rng), 5 + 3 * min(k, 12)), PLACES) for k in range(30)]
    assert not any(seen[5:12])
    assert all(seen[-8:])
    assert unlike(with_limb(wall(rng), 20), wall(rng)) > MOVED_SHARE * PLACES


@pytest.mark.parametrize("rate", [2.0, 5.0, 15.0, 30.0, 60.0])
def test_limbs_in_millimetres_at_any_rate(rate: float) -> None:
    motion = Motion()
    line = np.column_stack([np.linspace(60, 800, 50), np.zeros(50)])
    moving = []
    for k in range(int(3 * rate)):
        draw = 0.0 if k < rate else 40.0 * (k / rate - 1.0)  # still for a second, then 40 mm/s of hook
        lines = {"right": line - np.column_stack([np.zeros(50), draw * (line[:, 0] / 800) ** 2])}
        moving.append(not motion.bow(k / rate, lines, np.array([0.0, -draw])))
    assert not any(moving[int(0.6 * rate) : int(rate)])
    assert all(moving[int(1.5 * rate) + 1 :])


@pytest.mark.parametrize("rate", [2.0, 3.0, 10.0, 30.0])
def test_points_are_taken_at_two_pictures_a_second(rate: float) -> None:
    state, events, t = State(), [], 0.0

    def see(draw: float, force: float, still: bool) -> None:
        nonlocal state, t
        # between two pictures the scale goes on: force without a draw
        for between in np.arange(t + 0.1, t + 1 / rate - 1e-6, 0.1):
            state, new = after(
                state, Seen(t_s=float(between), bow=True, still=still, draw_mm=float("nan"), force_n=force), Limits()
            )
            events.extend(new)
        t += 1 / rate
        state, new = after(state, Seen(t_s=t, bow=True, still=still, draw_mm=draw, force_n=force), Limits())
        events.extend(new)

    for _ in range(int(2.5 * rate)):
        see(100.0, 0.0, True)
    assert state.stage is Stage.RESTING
    for hold in range(3):
        for k in range(max(1, int(rate))):
            see(150.0 + 60 * hold + 50 * k / rate, 20.0 + 20 * hold + 15 * k / rate, False)
        for _ in range(int(2.0 * rate)):
            see(205.0 + 60 * hold, 38.0 + 20 * hold, True)
    assert [e.what for e in events].count(Happening.POINT) == 3
    assert [e.what for e in events].count(Happening.BEGAN) == 1


def test_a_session_waits_for_its_word_and_loses_no_time_of_its_own() -> None:
    now = 0.0
    cues = Cues([Gate(2.0), Gate(5.0, 3.0)], 0.0, lambda: now)
    assert cues.at(1.5) == 1.5
    assert cues.at(9.0) == 2.0
    now = 9.0
    cues.go()
    assert cues.at(9.0) == pytest.approx(2.0)
    assert cues.at(11.0) == pytest.approx(4.0)
    assert cues.at(13.0) == 5.0
    assert cues.at(15.5) == pytest.approx(5.0)  # nobody waits for this word longer than 3 s
    assert cues.at(16.5) == pytest.approx(6.0, abs=0.6)
    now = 17.0
    cues.go()  # one too many does no harm
    assert cues.at(17.0) > 5.0
    early = Cues([Gate(2.0)], 0.0, lambda: 1.0)
    early.go()
    assert early.at(2.5) == 2.5
