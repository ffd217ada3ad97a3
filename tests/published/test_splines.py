"""The small splines of the vision against scipy.interpolate (a general-purpose library)."""

import numpy as np
import pytest
from scipy.interpolate import BSpline, CubicSpline

from tiller.vision.limbs.spline import Line, cubic_basis, lengths_along


@pytest.mark.parametrize("spacing", [35.0, 60.0, 130.0])
def test_the_basis_is_scipys(spacing: float) -> None:
    x = 60.0 + 5.0 * np.arange(150)
    inner = np.arange(x[0], x[-1], spacing)[1:]
    knots = np.concatenate([np.full(4, x[0]), inner, np.full(4, x[-1])])
    theirs = BSpline.design_matrix(x, knots, 3).toarray()
    assert np.max(np.abs(cubic_basis(x, inner) - theirs)) < 1e-12


def arc(count: int) -> np.ndarray:
    turn = np.linspace(0.1, 1.3, count)
    return 600.0 * np.column_stack([np.sin(turn), np.cos(turn)])


def test_a_line_on_other_stations_agrees_with_scipys() -> None:
    points = arc(150)
    length = lengths_along(points)
    at = np.linspace(-6.0, length[-1] + 6.0, 333)
    theirs = CubicSpline(length, points, axis=0)
    place, tangent = Line.through(points).at(at)
    assert np.max(np.abs(place - theirs(at))) < 1e-5
    assert np.max(np.abs(tangent - theirs(at, 1))) < 1e-4


def test_its_error_falls_with_the_fourth_power_of_the_spacing() -> None:
    counts = np.array([13, 25, 49, 97])
    errors = []
    for count in counts:
        points = arc(int(count))
        place = Line.through(points).at(np.linspace(0.0, lengths_along(points)[-1], 1001))[0]
        errors.append(np.max(np.abs(np.hypot(place[:, 0], place[:, 1]) - 600.0)))
    slope = np.polyfit(np.log(counts - 1), np.log(errors), 1)[0]
    assert -5.0 < slope < -3.6
