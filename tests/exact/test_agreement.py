"""Pictures whose line is not the limb's: residuals made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.fit.agreement import DEPART_MM, departing, off_by, usual_of

S = np.arange(100.0, 700.0, 5.0)


def pull(pictures: int = 9, usual: float = 0.1) -> np.ndarray:
    """Residuals that wave by ``usual`` over longer stretches than are averaged."""
    return np.array([usual * np.cos(S / 200.0 + k) for k in range(pictures)])


def test_a_line_that_lies_off_over_a_stretch_departs() -> None:
    rows = pull()
    rows[4, 40:60] = 3.0
    assert departing(rows, S) == (4,)
    assert off_by(rows, S)[4] == pytest.approx(3.0)
    assert usual_of(off_by(rows, S)) == pytest.approx(0.1, abs=0.01)


def test_it_is_the_mean_over_60_mm_that_counts() -> None:
    rows = pull(usual=0.0)
    rows[2, 50:56] = 4.0  # 30 mm of the 60 that are averaged
    assert off_by(rows, S)[2] == pytest.approx(2.0)
    rows[3, 20:32] = -1.5
    assert off_by(rows, S)[3] == pytest.approx(1.5)


def test_a_single_station_or_too_few_pictures_say_nothing() -> None:
    rows = pull()
    rows[4, 50] = 5.0  # 0.4 mm over the stretch
    assert departing(rows, S) == ()
    few = pull(4)
    few[1, 40:60] = 3.0
    assert departing(few, S) == ()
    assert departing(np.vstack([few, pull(1)]), S) == (1,)


def test_what_is_usual_in_a_pull_is_no_departure() -> None:
    rows = pull(usual=0.9)  # a cheap webcam: all lines wave by nearly a millimetre
    rows[4, 40:60] = 3.0
    assert departing(rows, S) == ()
    rows[4, 40:60] = 6.0
    assert departing(rows, S) == (4,)


def test_hidden_stations_are_left_out() -> None:
    rows = pull()
    rows[5, 40:60] = 3.0
    rows[5, 44:46] = np.nan
    assert departing(rows, S) == (5,)
    rows[5, 20:] = np.nan  # less than two stretches are seen
    assert np.isnan(off_by(rows, S)[5])
    assert departing(rows, S) == ()
    assert usual_of(np.array([np.nan])) == 0.0
    assert DEPART_MM > 0.5
