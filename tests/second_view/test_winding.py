"""Winding sticks in rendered pictures: the twist between them, its sign, its sd, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.measure.second_view.whole import WINDING_STICKS
from tiller.report.sheets.targets import RACK_DICTIONARY, WINDING, WINDING_APART_MM, WINDING_MARKER_MM
from tiller.simulate.winding import AlongScene, along_camera, paint_along
from tiller.vision.belly.winding import SEATED_SD_RAD, EndOn, apart_words, look_along

LENGTH_MM = 700.0


def scene(seed: int, clockwise_deg: float) -> AlongScene:
    rng = np.random.default_rng(seed)
    return AlongScene(
        camera=along_camera(rng, LENGTH_MM),
        length_mm=LENGTH_MM,
        rise_mm=float(rng.uniform(-20, 40)),
        clockwise_rad=float(np.deg2rad(clockwise_deg)),
        level_rad=float(np.deg2rad(rng.normal(0, 4))),
        dictionary=RACK_DICTIONARY,
        sticks=(WINDING[0][:2], WINDING[1][:2]),
        side_mm=WINDING_MARKER_MM,
        apart_mm=WINDING_APART_MM,
    )


def lens_of(one: AlongScene, off: float = 1.0) -> Lens:
    camera = one.camera
    matrix = np.array(
        [
            [camera.focal[0] * off, 0.0, camera.centre[0]],
            [0.0, camera.focal[1] * off, camera.centre[1]],
            [0.0, 0.0, 1.0],
        ]
    )
    return Lens(camera.size, matrix, np.array(camera.distortion))


def seen(one: AlongScene, image: NDArray[np.uint8] | None = None) -> EndOn:
    picture = paint_along(one, 1) if image is None else image
    return look_along(
        np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8), WINDING_STICKS, lens_of(one)
    )


def test_twists_within_their_sd_and_seven_tenths_of_a_degree() -> None:
    off, z = [], []
    for seed in range(24):
        rng = np.random.default_rng(100 + seed)
        true = float(rng.uniform(-9, 9))
        # both sticks are pressed on as a hand does it
        one = scene(seed, true + float(np.rad2deg(rng.normal(0, SEATED_SD_RAD * np.sqrt(2)))))
        picture = cv2.cvtColor(paint_along(one, seed), cv2.COLOR_BGR2GRAY)
        found = look_along(np.asarray(picture, dtype=np.uint8), WINDING_STICKS, lens_of(one, 1.01))
        off.append(float(np.rad2deg(found.clockwise_rad)) - true)
        z.append(off[-1] / np.rad2deg(found.sd_rad))
        assert found.apart_mm == pytest.approx(LENGTH_MM, rel=0.03)
    assert np.sqrt(np.mean(np.square(off))) < 0.7
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.35
    assert np.mean(np.abs(z) <= 2) > 0.85


def test_clockwise_is_positive() -> None:
    for true in (-6.0, 6.0):
        assert np.rad2deg(seen(scene(3, true)).clockwise_rad) == pytest.approx(true, abs=0.3)


def test_what_is_no_pair_of_sticks_is_refused() -> None:
    one = scene(3, 2.0)
    picture = paint_along(one, 1)
    with pytest.raises(VisionFault, match="mirrored picture shows none"):
        seen(one, np.ascontiguousarray(picture[:, ::-1]))
    with pytest.raises(VisionFault, match="stands before that"):
        seen(replace(one, sticks=(one.sticks[1], one.sticks[0])))
    with pytest.raises(VisionFault, match="do not lie as they were printed"):
        seen(replace(one, sticks=(one.sticks[0], one.sticks[1][::-1])))
    with pytest.raises(VisionFault, match="turned by 60 degrees"):
        seen(replace(one, clockwise_rad=float(np.deg2rad(60.0))))
    hidden = picture.copy()
    hidden[:, : picture.shape[1] // 2 - 40] = 90
    with pytest.raises(VisionFault, match="is not seen"):
        seen(one, hidden)


def test_sticks_that_are_no_limb_apart_are_named() -> None:
    found = seen(scene(3, 2.0))
    assert apart_words(found, 780.0) == ""
    assert "same bow" in apart_words(found, 1800.0)
    assert "100 %" in apart_words(found, 300.0)
