"""A stave's face with printed sheets beside it, and pictures along it, for the rack in software."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.simulate.camera import TrueCamera
from tiller.simulate.render import marker_picture
from tiller.simulate.wood.logend import PX_PER_MM, taken

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
SIDE_MM = 100.0


@dataclass(frozen=True, kw_only=True)
class FaceTruth:
    """A stave on a bench; mm, x along it, y up. Both edges (n,) at places (n,); sheets' middles and turns; knots (k, 3) as place and width; the cameras."""

    x_mm: Array
    low_mm: Array
    high_mm: Array
    sheets: tuple[tuple[float, float, float], ...]
    knots: tuple[tuple[float, float, float], ...]
    cameras: tuple[TrueCamera, ...]
    seed: int


def random_face(seed: int, pictures: int = 8, length_mm: float = 1900.0) -> FaceTruth:
    """One at random: six sheets beside it, pictures that overlap by half, by a hand-held camera some degrees off."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, length_mm, 96)
    bend = 12 * np.sin(np.pi * x / length_mm * rng.uniform(0.7, 1.6) + rng.uniform(0, 3))
    half = 30 + 4 * np.sin(x / 190 + rng.uniform(0, 6))
    sheets = tuple(
        (
            float(length_mm * (k + 0.5) / 6 + rng.normal(0, 15)),
            float(115 + rng.normal(0, 8)),
            float(rng.normal(0, 0.04)),
        )
        for k in range(6)
    )
    knots = tuple(
        (float(a), float(np.interp(a, x, bend) + rng.uniform(-15, 15)), float(rng.uniform(5, 14)))
        for a in rng.uniform(100, length_mm - 100, 5)
    )
    cameras = []
    for middle in np.linspace(200, length_mm - 200, pictures):
        place = np.array([middle + rng.normal(0, 20), 40 + rng.normal(0, 25), 820 + rng.normal(0, 30)])
        aim = np.array([middle + rng.normal(0, 15), 45 + rng.normal(0, 10), 0.0])
        forward = (aim - place) / np.linalg.norm(aim - place)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        rotation = np.stack([right, np.cross(forward, right), forward])
        cameras.append(
            TrueCamera(
                size=(1920, 1080), focal=(1500.0, 1500.0), centre=(962.0, 538.0), distortion=(0.03, -0.05, 0.0, 0.0, 0.0), rotation=rotation,
                translation=-rotation @ place,
            )
        )  # fmt: skip
    return FaceTruth(
        x_mm=x, low_mm=bend - half, high_mm=bend + half, sheets=sheets, knots=knots, cameras=tuple(cameras), seed=seed
    )


def paint_face(face: FaceTruth, quality: int = 88) -> list[Image]:
    """All pictures."""
    rng = np.random.default_rng(face.seed + 1)
    low, high = np.array([face.x_mm[0] - 160.0, -150.0]), np.array([face.x_mm[-1] + 160.0, 230.0])
    n = np.ceil((high - low) * PX_PER_MM).astype(int)
    flat = np.clip(120 + 14 * rng.normal(0, 1, (n[1] // 8 + 1, n[0] // 8 + 1)), 0, 255).astype(np.float32)
    ground = cv2.resize(flat, (int(n[0]), int(n[1])), interpolation=cv2.INTER_CUBIC)
    canvas = np.stack([0.8 * ground, 0.85 * ground, 0.88 * ground], axis=-1)

    def px(points: Array) -> NDArray[np.int32]:
        return np.round(np.column_stack([points[:, 0] - low[0], high[1] - points[:, 1]]) * PX_PER_MM - 0.5).astype(
            np.int32
        )

    outline = np.vstack([np.column_stack([face.x_mm, face.low_mm]), np.column_stack([face.x_mm, face.high_mm])[::-1]])
    mask = np.zeros(canvas.shape[:2], dtype=np.uint8)
    cv2.fillPoly(mask, [px(outline)], 255)
    fibres = (
        cv2.GaussianBlur(rng.normal(0, 1, canvas.shape[:2]).astype(np.float32), (0, 0), sigmaX=60, sigmaY=1.2) * 130
    )
    wood = np.stack([118 + 0.6 * fibres, 160 + 0.8 * fibres, 196 + fibres], axis=-1)
    canvas[mask > 0] = wood[mask > 0]
    for x, y, wide in face.knots:
        at = px(np.array([[x, y]]))[0]
        cv2.circle(canvas, (int(at[0]), int(at[1])), round(0.5 * wide * PX_PER_MM), (60, 84, 108), -1, cv2.LINE_AA)
    for k, (x, y, turn) in enumerate(face.sheets):
        picture, larger = marker_picture("DICT_APRILTAG_36h11", k, 40)
        half = 0.5 * SIDE_MM * larger
        c, s = np.cos(turn), np.sin(turn)
        corners = np.array([[-half, half], [half, half], [half, -half], [-half, -half]]) @ np.array(
            [[c, s], [-s, c]]
        ) + [x, y]
        target = np.column_stack([corners[:, 0] - low[0], high[1] - corners[:, 1]]) * PX_PER_MM - 0.5
        m = picture.shape[0]
        source = np.array([[-0.5, -0.5], [m - 0.5, -0.5], [m - 0.5, m - 0.5], [-0.5, m - 0.5]], dtype=np.float32)
        matrix = cv2.getPerspectiveTransform(source, target.astype(np.float32))
        size = (int(n[0]), int(n[1]))
        there = cv2.warpPerspective(np.full_like(picture, 255), matrix, size) > 127
        canvas[there] = cv2.warpPerspective(picture, matrix, size)[there][:, None]
    texture = canvas.astype(np.float32)
    return [taken(camera, texture, low, high, np.zeros(2), rng, quality) for camera in face.cameras]
