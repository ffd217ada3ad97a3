"""Cameras for the rack in software: where they stand, how their lens bends, what is measured of them.

Projection is written out here (Brown-Conrady), not taken from the measuring side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class TrueCamera:
    """A pinhole with Brown-Conrady distortion; x_camera = rotation @ x_rack + translation."""

    size: tuple[int, int]
    focal: tuple[float, float]
    centre: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    rotation: Array
    translation: Array

    @property
    def place_mm(self) -> Array:
        """Camera centre in the rack's coordinates."""
        return -self.rotation.T @ self.translation

    def bend(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Distorted normalised coordinates."""
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        return x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y

    def project(self, points_mm: Array) -> Array:
        """Pixels (n, 2) of rack points (n, 3); pixel centres are whole numbers."""
        seen = points_mm @ self.rotation.T + self.translation
        x, y = self.bend(seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2])
        return np.column_stack([self.focal[0] * x + self.centre[0], self.focal[1] * y + self.centre[1]])

    def board_map(self) -> tuple[Array, Array]:
        """Rack x and y on the board (z = 0) for every pixel, (h, w) each (fixed point on a coarse grid, then resized)."""
        import cv2

        width, height = self.size
        step = 8
        u = np.arange(-step, width + 2 * step, step, dtype=float)
        v = np.arange(-step, height + 2 * step, step, dtype=float)
        uu, vv = np.meshgrid(u, v)
        xd, yd = (uu - self.centre[0]) / self.focal[0], (vv - self.centre[1]) / self.focal[1]
        x, y = xd.copy(), yd.copy()
        for _ in range(12):
            bx, by = self.bend(x, y)
            x, y = x + xd - bx, y + yd - by
        rays = np.stack([x, y, np.ones_like(x)], axis=-1) @ self.rotation
        place = self.place_mm
        along = -place[2] / rays[..., 2]
        bx, by = place[0] + along * rays[..., 0], place[1] + along * rays[..., 1]
        # from the coarse grid to every pixel, bilinear at exact places
        px = (np.arange(width, dtype=np.float32) + step) / step
        py = (np.arange(height, dtype=np.float32) + step) / step
        mx, my = np.meshgrid(px, py)
        out = [cv2.remap(b.astype(np.float32), mx, my, cv2.INTER_CUBIC).astype(float) for b in (bx, by)]
        return out[0], out[1]


def make_camera(rng: np.random.Generator, size: tuple[int, int] = (1920, 1080), above: bool = False) -> TrueCamera:
    """A camera that stands 2.6 to 3.6 m off, a little to the side, under (or above) the bow."""
    distance = rng.uniform(2600, 3600)
    place = np.array([rng.uniform(-200, 200), rng.uniform(60, 250) if above else rng.uniform(-260, -40), distance])
    aim = np.array([rng.uniform(-12, 12), -165.0 + rng.uniform(-15, 15), 0.0])
    forward = (aim - place) / np.linalg.norm(aim - place)
    roll = np.deg2rad(rng.normal(0, 1.2))
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    axes = np.stack([right, down])
    turned = np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]]) @ axes
    rotation = np.vstack([turned, forward])
    focal = 0.905 * size[0] * distance / 1860.0
    return TrueCamera(
        size=size,
        focal=(focal, focal * (1 + rng.normal(0, 3e-4))),
        centre=(size[0] / 2 + rng.normal(0, 8), size[1] / 2 + rng.normal(0, 8)),
        distortion=(rng.uniform(-0.12, 0.08), rng.uniform(-0.1, 0.1), rng.normal(0, 5e-4), rng.normal(0, 5e-4), 0.0),
        rotation=rotation,
        translation=-rotation @ place,
    )
