"""Pictures of printed sheets in space, through a lens with distortion: ray by ray, with finer sampling than the picture.

Made for these tests; shares nothing with the code under test but the picture library's markers.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline

Array = np.ndarray


@dataclass(frozen=True)
class Sheet:
    """A flat picture in space: grey levels, mm a pixel, where its middle is (3,), its axes right and down (3, 3 with its normal)."""

    image: Array
    mm_a_pixel: float
    middle: Array
    axes: Array


def marker(dictionary: str, number: int, side_mm: float, middle: Array, axes: Array, fine: int = 24) -> Sheet:
    """A marker with a white rim."""
    found = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    cells = int(found.markerSize) + 2
    image = cv2.aruco.generateImageMarker(found, number, cells * fine, borderBits=1)
    rim = 2 * fine
    image = cv2.copyMakeBorder(image, rim, rim, rim, rim, cv2.BORDER_CONSTANT, value=255)
    return Sheet(image, side_mm / (cells * fine), np.asarray(middle, float), np.asarray(axes, float))


def axes_of(turn_deg: float = 0.0, tilt: Array | None = None) -> Array:
    """Right, down and facing axes of a sheet that faces z, turned in its plane, perhaps tilted by a rotation vector."""
    a = np.deg2rad(turn_deg)
    own = np.array([[np.cos(a), np.sin(a), 0], [np.sin(a), -np.cos(a), 0], [0, 0, -1.0]])
    return own if tilt is None else own @ cv2.Rodrigues(np.asarray(tilt, float))[0].T


def looking_at(centre: Array, aim: Array, roll_deg: float = 0.0) -> tuple[Array, Array]:
    """Rotation and translation of a camera there that looks at a point; rack y is up."""
    z = (aim - centre) / np.linalg.norm(aim - centre)
    x = np.cross(z, [0, 1.0, 0])
    x = x / np.linalg.norm(x)
    y = np.cross(z, x)
    a = np.deg2rad(roll_deg)
    rotation = np.array([[np.cos(a), np.sin(a), 0], [-np.sin(a), np.cos(a), 0], [0, 0, 1]]) @ np.vstack([x, y, z])
    return rotation, -rotation @ centre


def _bent(ray: Array, distortion: Array) -> Array:
    """Brown-Conrady."""
    k1, k2, p1, p2, k3 = distortion
    x, y = ray[:, 0], ray[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y]
    )


class Camera:
    """A lens with its rays at four points in each pixel, worked out once."""

    def __init__(self, matrix: Array, distortion: Array, size: tuple[int, int], fine: int = 2) -> None:
        self.matrix, self.distortion, self.size, self.fine = matrix, distortion, size, fine
        wide, high = size
        u = (np.arange(wide * fine) + 0.5) / fine - 0.5
        v = (np.arange(high * fine) + 0.5) / fine - 0.5
        # the inverse of the distortion by iteration on a coarse grid, between which it is as smooth as can be
        cu, cv = np.linspace(-10, wide + 10, 120), np.linspace(-10, high + 10, 80)
        aim = np.stack(np.meshgrid(cu, cv), axis=-1).reshape(-1, 2)
        aim = (aim - matrix[:2, 2]) / matrix[[0, 1], [0, 1]]
        ray = aim.copy()
        for _ in range(100):
            ray -= _bent(ray, distortion) - aim
        coarse = ray.reshape(len(cv), len(cu), 2)
        across, down = (RectBivariateSpline(cv, cu, coarse[..., k])(v, u) for k in (0, 1))
        self.rays = np.column_stack([across.ravel(), down.ravel(), np.ones(across.size)])

    def shoot(
        self,
        pose: tuple[Array, Array],
        sheets: list[Sheet],
        ground: float = 150.0,
        blur: float = 0.5,
        noise: float = 1.5,
        seed: int = 0,
    ) -> Array:
        """The picture, grey, later sheets before earlier ones."""
        rotation, translation = pose
        wide, high = self.size[0] * self.fine, self.size[1] * self.fine
        out = np.full(wide * high, ground, dtype=np.float32)
        centre = -rotation.T @ translation
        for sheet in sheets:
            corners = (
                np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
                * 0.5
                * sheet.mm_a_pixel
                * np.array(sheet.image.shape[::-1])
            )
            points = sheet.middle + corners @ sheet.axes[:2]
            pixels, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], translation, self.matrix, self.distortion)
            box = pixels.reshape(-1, 2)
            a, b = np.floor((box.min(axis=0) - 4) * self.fine).astype(int)
            c, d = np.ceil((box.max(axis=0) + 4) * self.fine).astype(int)
            a, b, c, d = max(a, 0), max(b, 0), min(c, wide), min(d, high)
            if c <= a or d <= b:
                continue
            index = (np.arange(b, d)[:, None] * wide + np.arange(a, c)[None, :]).ravel()
            way = self.rays[index] @ rotation
            normal = sheet.axes[2]
            far = ((sheet.middle - centre) @ normal) / (way @ normal)
            hit = centre + way * far[:, None] - sheet.middle
            x = (hit @ sheet.axes[0]) / sheet.mm_a_pixel + 0.5 * sheet.image.shape[1] - 0.5
            y = (hit @ sheet.axes[1]) / sheet.mm_a_pixel + 0.5 * sheet.image.shape[0] - 0.5
            shape = (d - b, c - a)
            value = cv2.remap(
                sheet.image.astype(np.float32),
                x.reshape(shape).astype(np.float32),
                y.reshape(shape).astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=-1000,
            ).ravel()
            good = value > -1
            out[index[good]] = 30 + 0.8 * value[good]
        image = cv2.resize(out.reshape(high, wide), self.size, interpolation=cv2.INTER_AREA)
        image = cv2.GaussianBlur(image, (0, 0), blur)
        rng = np.random.default_rng(seed)
        return np.clip(image + rng.normal(0, noise, image.shape), 0, 255).astype(np.uint8)
