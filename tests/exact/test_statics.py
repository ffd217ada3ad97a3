"""Statics in closed form: F = 2 T sin(angle) for a symmetric string; moment = tension x lever; own weight w x^2 / 2."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiller.bow.units import STANDARD_GRAVITY
from tiller.mechanics.fit.statics import string_moment, string_tensions, weight_moment


def test_symmetric_string() -> None:
    angle = np.arctan2(250.0, 800.0)
    left, right = string_tensions((0.0, -400.0), (-800.0, -150.0), (800.0, -150.0), 180.0)
    assert left == right == pytest.approx(180.0 / (2 * np.sin(angle)))


@given(
    st.floats(-40, 40),
    st.floats(-600, -300),
    st.floats(-250, 0),
    st.floats(-250, 0),
    st.floats(5, 500),
    st.floats(700, 900),
    st.floats(700, 900),
)
def test_forces_at_the_hook_balance(
    x: float, y: float, left_y: float, right_y: float, force: float, left_x: float, right_x: float
) -> None:
    hook, left, right = np.array([x, y]), np.array([-left_x, left_y]), np.array([right_x, right_y])
    tension = string_tensions(hook, left, right, force)
    total = sum(t * (n - hook) / np.linalg.norm(n - hook) for t, n in zip(tension, (left, right), strict=True))
    assert total == pytest.approx([0.0, force], abs=1e-8 * force + 1e-9)


def test_straight_string_says_nothing() -> None:
    assert np.all(np.isnan(string_tensions((0.0, -100.0), (-800.0, -100.0), (800.0, -100.0), 50.0)))


def test_moment_is_tension_times_lever() -> None:
    points = np.array([[100.0, 20.0], [500.0, -40.0], [800.0, -150.0]])
    nock, hook = points[-1], np.array([0.0, -500.0])
    along = (hook - nock) / np.linalg.norm(hook - nock)
    lever = [abs((p - nock)[0] * along[1] - (p - nock)[1] * along[0]) for p in points]
    moment = string_moment(points, nock, hook, 200.0)
    assert moment == pytest.approx(200.0 * np.array(lever), abs=1e-9)
    assert moment[-1] == pytest.approx(0.0, abs=1e-9)
    assert np.all(moment[:-1] > 0)  # drawing bends the tip down: positive


def test_mirror() -> None:
    tension = string_tensions((10.0, -400.0), (-820.0, -120.0), (790.0, -160.0), 150.0)
    mirrored = string_tensions((-10.0, -400.0), (-790.0, -160.0), (820.0, -120.0), 150.0)
    assert tension == pytest.approx(mirrored[::-1])


def test_own_weight_converges_with_the_square_of_the_step() -> None:
    gaps = []
    for n in (21, 41, 81):
        s = np.linspace(0.0, 800.0, n)
        mass = 4e-4 * (1 - s / 1000.0)  # kg per mm, tapering
        moment = weight_moment(np.column_stack([s, np.zeros(n)]), mass, s)[0]
        exact = STANDARD_GRAVITY * 4e-4 * (800**2 / 2 - 800**3 / 3000)
        gaps.append(abs(moment - exact) / exact)
    assert np.log2(gaps[0] / gaps[1]) == pytest.approx(2.0, abs=0.1)
    assert np.log2(gaps[1] / gaps[2]) == pytest.approx(2.0, abs=0.1)
