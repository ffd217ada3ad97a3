"""Lens and pose: from rack millimetres to pixels and back.

Pixels: the centre of the top left pixel is (0, 0), x right, y down. Rack: mm, x right, y up, z out
of the wall towards the camera. Points are undistorted, pictures never are. A pixel becomes a ray;
the ray is met with a plane of constant z. There is no flat scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.bow.rigfile import Lens

Array = NDArray[np.float64]


def as_points(points: ArrayLike) -> Array:
    """Any of cv2's point arrays as (n, 2) float64: (n, 2), (n, 1, 2) and (1, n, 2) come in."""
    return np.asarray(points, dtype=np.float64).reshape(-1, 2)


@dataclass(frozen=True)
class View:
    """A camera looking at the rack: x_camera = rotation @ x_rack + translation.

    Attributes:
        lens: camera matrix and distortion.
        rotation: (3, 3).
        translation: (3,) mm.
        drift: x, y in px by which a row lies off the one above it: the rows of most cameras are read one after the other, and this one
            was moved meanwhile. Counted from the middle row.
    """

    lens: Lens
    rotation: Array
    translation: Array
    drift: tuple[float, float] = (0.0, 0.0)

    @property
    def centre_mm(self) -> Array:
        """The camera's centre in the rack's coordinates, (3,)."""
        return -self.rotation.T @ self.translation

    def to_pixels(self, points_mm: ArrayLike) -> Array:
        """Pixels (n, 2) of rack points (n, 3)."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 1, 3)
        pixels, _ = cv2.projectPoints(
            points, cv2.Rodrigues(self.rotation)[0], self.translation, self.lens.matrix, self.lens.distortion
        )
        flat = as_points(pixels)
        if self.drift == (0.0, 0.0):
            return flat
        return np.asarray(flat + (flat[:, 1:] - 0.5 * self.lens.image_size[1]) * np.array(self.drift), dtype=float)

    def plane_to_pixels(self, points_mm: ArrayLike, z_mm: float) -> Array:
        """Pixels (n, 2) of points (n, 2) on the plane z = z_mm."""
        points = as_points(points_mm)
        return self.to_pixels(np.column_stack([points, np.full(len(points), z_mm)]))

    def on_plane(self, pixels: ArrayLike, z_mm: float) -> Array:
        """Rack x, y (n, 2) where the pixels' rays meet the plane z = z_mm; NaN where they do not."""
        points = as_points(pixels)
        if len(points) == 0:
            return np.empty((0, 2))
        if self.drift != (0.0, 0.0):
            middle = 0.5 * self.lens.image_size[1]
            points = points - (points[:, 1:] - middle) / (1.0 + self.drift[1]) * np.array(self.drift)
        flat = as_points(cv2.undistortPoints(points.reshape(-1, 1, 2), self.lens.matrix, self.lens.distortion))
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.rotation
        centre = self.centre_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (z_mm - centre[2]) / rays[:, 2]
        along = np.where(along > 0, along, np.nan)
        return np.asarray(centre[:2] + along[:, None] * rays[:, :2], dtype=float)
