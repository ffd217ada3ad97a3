"""Pictures along a limb with two winding sticks across its belly, for the rack in software."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.simulate.belly import paste_face
from tiller.simulate.camera import TrueCamera
from tiller.simulate.render import marker_picture

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
NEAR_MM = 550.0
"""The camera stands so far beyond the nock."""


@dataclass(frozen=True, kw_only=True)
class AlongScene:
    """A limb seen from beyond its nock. x to the right, y up (the belly's side), z from the handle to the nock; the handle's stick at z = 0.

    Attributes:
        camera: the camera. length_mm: stick to stick; rise_mm: how much higher the nock's stick lies.
        clockwise_rad: the nock's stick against the handle's, as seen; level_rad: how the handle's lies itself.
        sticks: fiducials of either, left and right, the handle's first; side_mm, apart_mm: as printed.
    """

    camera: TrueCamera
    length_mm: float
    rise_mm: float
    clockwise_rad: float
    level_rad: float
    dictionary: str
    sticks: tuple[tuple[int, int], tuple[int, int]]
    side_mm: float
    apart_mm: float


def along_camera(rng: np.random.Generator, length_mm: float, size: tuple[int, int] = (1920, 1080)) -> TrueCamera:
    """A camera held beyond the nock, some 30 cm above the belly, aimed at about the middle of the limb; some degrees off."""
    focal = 0.8 * size[0] * rng.uniform(0.9, 1.15)
    place = np.array([rng.normal(0, 50.0), 300.0 + rng.normal(0, 30.0), length_mm + NEAR_MM * rng.uniform(0.8, 1.3)])
    forward = np.array([rng.normal(0, 25.0), 20.0 + rng.normal(0, 20.0), 0.5 * length_mm]) - place
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    roll = rng.normal(0, np.deg2rad(4.0))
    down = np.cross(forward, right)
    right, down = np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right
    rotation = np.stack([right, down, forward])
    return TrueCamera(
        size=size,
        focal=(focal, focal),
        centre=(0.5 * size[0] + rng.normal(0, 8), 0.5 * size[1] + rng.normal(0, 8)),
        distortion=(rng.normal(0, 0.04), rng.normal(0, 0.04), 0.0, 0.0, 0.0),
        rotation=rotation,
        translation=-rotation @ place,
    )


def paint_along(scene: AlongScene, seed: int, noise: float = 2.0, quality: int = 88) -> Image:
    """The picture."""
    rng = np.random.default_rng(seed)
    width, height = scene.camera.size
    lamp = cv2.resize(rng.normal(0, 1, (6, 10)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    canvas = np.clip(150.0 + 14.0 * lamp[..., None] + np.zeros(3), 0, 255).astype(np.uint8)
    limb = np.array(
        [
            [-14.0, 0.0, 0.0],
            [14.0, 0.0, 0.0],
            [9.0, scene.rise_mm, scene.length_mm],
            [-9.0, scene.rise_mm, scene.length_mm],
        ]
    )
    cv2.fillPoly(canvas, [np.round(scene.camera.project(limb) * 16).astype(np.int32)], (96, 140, 180), cv2.LINE_AA, 4)
    rim = 9.0
    for k, (pair, z, y) in enumerate(zip(scene.sticks, (0.0, scene.length_mm), (0.0, scene.rise_mm), strict=True)):
        # clockwise for who looks along -z, x to the right and y up
        turn = -scene.level_rad - (scene.clockwise_rad if k else 0.0)
        x_way, y_way = np.array([np.cos(turn), np.sin(turn), 0.0]), np.array([-np.sin(turn), np.cos(turn), 0.0])
        base = np.array([0.0, y, z])
        half = 0.5 * (scene.apart_mm + scene.side_mm) + rim
        top = scene.side_mm + 2 * rim
        board = np.array([base + a * half * x_way + b * top * y_way for a, b in ((-1, 0), (1, 0), (1, 1), (-1, 1))])
        cv2.fillPoly(
            canvas, [np.round(scene.camera.project(board) * 16).astype(np.int32)], (236, 238, 238), cv2.LINE_AA, 4
        )
        for marker, way in zip(pair, (-1.0, 1.0), strict=True):
            picture, larger = marker_picture(scene.dictionary, marker)
            middle = base + 0.5 * way * scene.apart_mm * x_way + (rim + 0.5 * scene.side_mm) * y_way
            h = 0.5 * scene.side_mm * larger
            corners = np.array(
                [middle + a * h * x_way + b * h * y_way for a, b in ((-1, 1), (1, 1), (1, -1), (-1, -1))]
            )
            paste_face(canvas, picture, scene.camera.project(corners))
    soft = cv2.GaussianBlur(canvas, (0, 0), 0.8).astype(np.float32) + rng.normal(0, noise, canvas.shape)
    _, packed = cv2.imencode(".jpg", np.clip(soft, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)
