"""Force at a moment, where it is known exactly: a straight line by its own equation; the sd by the law of propagation (GUM, JCGM 100:2008, 5.1.2)."""

from __future__ import annotations

import numpy as np
import pytest

from tiller.force.cell import ForceSeries, force_at


def series(t_s: np.ndarray, force_n: np.ndarray) -> ForceSeries:
    return ForceSeries(
        t_s=t_s,
        force_n=force_n,
        noise_n=0.05,
        zero_counts=0.0,
        zero_sd_n=0.1,
        reversed_sign=False,
        drift_n=0.0,
        end_n=float("nan"),
        sensitivity_sd=0.001,
    )


def test_a_moving_rope_s_force_is_that_of_its_own_straight_line() -> None:
    t = np.arange(0.0, 4.0, 0.12)
    at = force_at(series(t, 60.0 * t), np.array([1.26, 2.46]))
    np.testing.assert_allclose(at.force_n, [75.6, 147.6], rtol=1e-9)
    assert not np.any(at.held)
    # what zero and sensitivity are worth is in it, and what a moving rope adds
    assert np.all(at.sd_n > np.hypot(0.1, 0.001 * at.force_n))


def test_few_readings_a_second_are_held_as_well() -> None:
    t = np.arange(0.0, 6.0, 0.4)
    steady = force_at(series(t, np.full(len(t), 120.0)), np.array([2.8]))
    assert steady.force_n[0] == pytest.approx(120.0)
    assert steady.held[0]
    own = 2 * 0.05 / np.sqrt(3)  # three readings within reach
    assert steady.sd_n[0] == pytest.approx(np.sqrt(own**2 + 0.1**2 + 0.12**2))


@pytest.mark.parametrize(
    "t_s",
    [
        np.array([0.0, 0.1, 4.0, 4.1]),  # two within reach
        np.arange(2.35, 4.0, 0.1),  # all of them later
        np.arange(0.0, 1.65, 0.1),  # all of them earlier
    ],
)
def test_where_the_log_has_nothing_there_is_no_force(t_s: np.ndarray) -> None:
    at = force_at(series(t_s, np.full(len(t_s), 120.0)), np.array([2.0]))
    assert np.isnan(at.force_n[0])
    assert np.isnan(at.sd_n[0])
    assert not at.held[0]


def test_a_moment_on_a_jerk_takes_the_steady_stretch_beside_it() -> None:
    t = np.arange(0.0, 4.0, 0.05)
    force = np.full(len(t), 100.0)
    force[np.argmin(np.abs(t - 2.0))] = 140.0  # one reading of a jerk, at the very moment
    assert force_at(series(t, force), np.array([2.0])).force_n[0] == pytest.approx(100.0, abs=0.1)
