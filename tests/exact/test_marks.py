"""Marks on departures made by hand: what is marked, how far, and never across what was not seen."""

import numpy as np
import pytest

from tiller.mechanics.fit.marks import Departure, departure_from_even, find_marks

S = np.arange(112.0, 700.0, 5.0)
COV = np.eye(len(S)) * 0.02**2


def made(gap: np.ndarray) -> Departure:
    return Departure(S, gap, np.full(len(S), 0.02), 0.006, 0.005)


def test_a_weak_and_a_stiff_stretch() -> None:
    gap = np.where((S > 300) & (S < 400), 0.15, 0.0) + np.where((S > 500) & (S < 600), -0.12, 0.0)
    weak, stiff = find_marks(made(gap), COV)
    assert (weak.kind, stiff.kind) == ("weak", "stiff")
    assert (weak.from_mm, weak.to_mm) == (pytest.approx(300, abs=6), pytest.approx(400, abs=6))
    assert stiff.departure == pytest.approx(-0.12, abs=0.01)


@pytest.mark.parametrize(("size", "length"), [(0.06, 100), (0.15, 15)])
def test_too_little_or_too_short_is_no_mark(size: float, length: float) -> None:
    assert find_marks(made(np.where((S > 300) & (300 + length > S), size, 0.0)), COV) == ()


def test_unsure_is_no_mark() -> None:
    gap = np.where((S > 300) & (S < 400), 0.12, 0.0)
    assert find_marks(made(gap), np.exp(-np.abs(S[:, None] - S[None, :]) / 80) * 0.10**2) == ()


def test_no_mark_runs_across_a_hidden_stretch() -> None:
    gap = np.where((S > 250) & (S < 480), 0.15, 0.0)
    gap[(S > 330) & (S < 400)] = np.nan
    marks = find_marks(made(gap), COV)
    assert len(marks) == 2
    for mark in marks:
        assert mark.to_mm <= 333 or mark.from_mm >= 398


def test_aim_is_the_limbs_own_even_strain() -> None:
    strain = np.full(len(S), 0.006)
    strain[(S > 300) & (S < 420)] *= 1.2
    found = departure_from_even(S, strain, COV, 150.0, 650.0)
    assert found.aim == pytest.approx(0.006, rel=1e-6)
    assert np.isnan(found.departure[S < 150]).all()


def test_the_ends_need_more_to_be_marked() -> None:
    """The same departure of 9 %, 65 mm long, with a map that errs by 1 %: a mark in the middle of the limb, none at the root or the outer end."""
    s = np.arange(110.0, 731.0, 5.0)
    cov = 1e-4 * np.exp(-np.abs(s[:, None] - s[None, :]) / 30.0)

    def marks(low: float, high: float) -> int:
        strain = np.where((s >= low) & (s <= high), 0.91, 1.0) * 0.006
        return len(find_marks(departure_from_even(s, strain, cov, 110.0, 730.0), cov))

    assert marks(370.0, 435.0) == 1
    assert marks(110.0, 175.0) == 0
    assert marks(665.0, 730.0) == 0
