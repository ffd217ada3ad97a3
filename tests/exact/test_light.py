"""The image model's light: log colours are shifted alike by white balance, changed locally by any shade, tinted by how deep it is.

The model is its own closed form: pictures are made by it and must be undone exactly; what is not light must be left over.
"""

import numpy as np
import pytest

from tiller.vision.limbs.light import DARK, Light, find_light, shrink_of, smaller, strange


def wall(seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rough = rng.uniform(90, 190, (90, 160, 1)) * np.array([1.02, 1.0, 0.95])
    return (rough + rng.normal(0, 1.0, (90, 160, 3))).astype(np.float32)


def lit(picture: np.ndarray, shift: tuple[float, float], tint: tuple[float, float], shade: np.ndarray) -> np.ndarray:
    """The picture in another light: green takes the shade, blue and red with their shift and tint on top."""
    logs = np.log(picture + DARK)
    luma = 0.114 * (tint[0] * shade + shift[0]) + 0.299 * (tint[1] * shade + shift[1]) + shade
    out = logs + shade[..., None]
    out[..., 0] += shift[0] + tint[0] * luma
    out[..., 2] += shift[1] + tint[1] * luma
    return (np.exp(out) - DARK).astype(np.float32)


@pytest.mark.parametrize(
    ("shift", "tint"), [((0.0, 0.0), (0.0, 0.0)), ((0.06, -0.04), (-0.10, 0.06)), ((-0.2, 0.1), (0.05, -0.05))]
)
def test_white_balance_and_tint_are_found_under_hard_shadows(
    shift: tuple[float, float], tint: tuple[float, float]
) -> None:
    empty = wall()
    shade = np.where(np.random.default_rng(1).random((90, 160)) < 0.4, -0.7, 0.0)
    found = find_light(lit(empty, shift, tint, shade), empty)
    assert found.tint == pytest.approx(tint, abs=0.01)
    assert found.shift == pytest.approx(shift, abs=0.01)


def test_no_shadow_is_strange_and_wood_is_in_any_shade() -> None:
    empty = wall(2)
    shade = np.where(np.arange(160) % 20 < 8, -0.8, 0.0) * np.ones((90, 1))
    now = lit(empty, (0.03, -0.02), (-0.08, 0.05), shade)
    wood = np.zeros((90, 160), dtype=bool)
    wood[40:48] = True
    brown = np.array([95.0, 130.0, 165.0])
    now[wood] = (brown * np.exp(shade[wood])[:, None]).astype(np.float32)
    light = find_light(now, empty)
    off = strange(now, empty, light)
    assert np.percentile(off[~wood], 99) < 6.0
    assert np.percentile(off[wood], 1) > 12.0


def test_brightness_tells_only_where_light_is_steady() -> None:
    empty = wall(3)
    brighter = empty * np.float32(1.5)
    steady, patchy = Light(), Light(uneven=0.5)
    assert np.median(strange(brighter, empty, steady)) > 10.0
    assert np.median(strange(brighter, empty, patchy)) < 2.0
    # darker counts for little: shadows do that; black counts all the same
    assert np.median(strange(empty * np.float32(0.6), empty, steady)) < 5.0
    assert np.median(strange(empty * np.float32(0.1), empty, patchy)) > 20.0


def test_a_thing_that_fills_a_tenth_of_the_picture_does_not_move_the_light() -> None:
    empty = wall(4)
    now = empty.copy()
    now[:9] = np.array([150.0, 98.0, 62.0])  # a sleeve
    found = find_light(now, empty)
    assert found.shift == pytest.approx((0.0, 0.0), abs=0.01)
    assert found.tint == pytest.approx((0.0, 0.0), abs=0.03)


@pytest.mark.parametrize("width", [640, 1280, 1920])
def test_the_small_picture_is_some_160_wide_and_keeps_the_mean(width: int) -> None:
    image = np.random.default_rng(5).integers(0, 255, (width * 9 // 16, width, 3), dtype=np.uint8)
    small = smaller(image)
    assert small.shape[1] == width // shrink_of(image)
    assert 150 <= small.shape[1] <= 320
    assert float(small.mean()) == pytest.approx(float(image.mean()), abs=0.5)
