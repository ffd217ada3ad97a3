"""Layers of a pass: what they add up to (counting; no outside source is needed for a sum)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiller.mechanics.advice.layers import LEAST_NESTED_MM, ROUND_UP, Layer, depth_at, layers, outside, strokes

LEAST = 0.03


def zones(depths: list[float]) -> list[tuple[str, float, float, float]]:
    return [("left", 100.0 + 60 * k, 160.0 + 60 * k, d) for k, d in enumerate(depths)]


def test_steps_are_laid_on_the_longest_stretch() -> None:
    laid = layers(zones([0.5, 0.9, 0.6, 1.0, 0.5]))
    assert laid[0] == Layer("left", 100.0, 400.0, 0.5)
    assert [(o.from_mm, o.to_mm) for o in laid[1:]] == [(160.0, 340.0), (160.0, 220.0), (280.0, 340.0)]
    assert [o.depth_mm for o in laid[1:]] == pytest.approx([0.1, 0.3, 0.4])
    assert outside(laid, 2) == laid[:2]


def test_a_gap_and_another_limb_part_the_layers() -> None:
    apart = [("left", 100.0, 160.0, 0.4), ("left", 220.0, 280.0, 0.4), ("right", 280.0, 340.0, 0.4)]
    assert [(o.limb, o.from_mm, o.to_mm) for o in layers(apart)] == [z[:3] for z in apart]


@given(st.lists(st.floats(0.0, 1.5), min_size=1, max_size=14))
def test_layers_add_up_and_lie_in_each_other(depths: list[float]) -> None:
    given_zones = zones(depths)
    laid = layers(given_zones)
    for _, a, b, depth in given_zones:
        total = depth_at(laid, "left", 0.5 * (a + b))
        assert depth - LEAST_NESTED_MM <= total + 1e-9
        assert total <= depth + 1e-9
    for k, inner in enumerate(laid):
        assert inner.depth_mm >= LEAST
        for other in laid[:k]:  # nested or apart, never crossing
            apart = inner.to_mm <= other.from_mm or other.to_mm <= inner.from_mm
            assert apart or (other.from_mm <= inner.from_mm and inner.to_mm <= other.to_mm)


@given(st.lists(st.floats(0.0, 1.5), min_size=1, max_size=14), st.floats(0.03, 0.25))
def test_strokes_never_come_to_much_more_than_the_depth(depths: list[float], stroke: float) -> None:
    laid = layers(zones(depths))
    counts = strokes(laid, stroke)
    for _, a, b, depth in zones(depths):
        middle = 0.5 * (a + b)
        taken = sum(n * stroke for o, n in zip(laid, counts, strict=True) if o.from_mm <= middle < o.to_mm)
        assert taken <= depth + ROUND_UP * stroke + 1e-9
        assert taken >= depth_at(laid, "left", middle) - stroke - 1e-9
