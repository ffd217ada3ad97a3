"""How a strung bow lies before the wall, as far as it is known before a picture is looked at: how far each place of it stands off the wall, how wide it
is; and the picture laid flat on that curved surface, so that parallax is gone where the bow is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.vision.rig.camera import View

Array = NDArray[np.float64]
Image = NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class Lying:
    """The bow along its length, from the nock of the limb that lies left in the picture to that of the other.

    Attributes:
        x_mm: (n,) along the bow's own axis from the middle of the handle, rising. s_mm: (n,) along the limb from there, negative for the limb on the left.
        belly_mm, back_mm: (n,) how far the belly and the edges of the back stand off the wall.
        width_mm: (n,) by calipers; NaN where none were taken.
        string_mm: how far the string stands off the wall over both nocks, (2,); NaN for an unstrung bow.
    """

    x_mm: Array
    s_mm: Array
    belly_mm: Array
    back_mm: Array
    width_mm: Array
    string_mm: Array

    def turned(self) -> Lying:
        """The same bow turned end for end."""
        return replace(
            self,
            x_mm=-self.x_mm[::-1],
            s_mm=-self.s_mm[::-1],
            belly_mm=self.belly_mm[::-1],
            back_mm=self.back_mm[::-1],
            width_mm=self.width_mm[::-1],
            string_mm=self.string_mm[::-1],
        )

    def height_at(self, x_mm: Array) -> Array:
        """The belly's distance from the wall at other places; level beyond the nocks."""
        return np.interp(x_mm, self.x_mm, self.belly_mm)

    def string_at(self, x_mm: Array) -> Array:
        """The string's, which is straight."""
        return np.interp(x_mm, [self.x_mm[0], self.x_mm[-1]], self.string_mm)


@dataclass(frozen=True)
class Axis:
    """Where the bow's axis lies on the wall: the middle of the handle and its slope."""

    x_mm: float
    y_mm: float
    slope_rad: float

    def to_wall(self, along: Array, across: Array) -> tuple[Array, Array]:
        """Wall x, y of places along and across the axis."""
        c, s = np.cos(self.slope_rad), np.sin(self.slope_rad)
        return self.x_mm + along * c - across * s, self.y_mm + along * s + across * c

    def from_wall(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places along and across the axis of wall x, y."""
        c, s = np.cos(self.slope_rad), np.sin(self.slope_rad)
        return (x - self.x_mm) * c + (y - self.y_mm) * s, -(x - self.x_mm) * s + (y - self.y_mm) * c


def flattened(
    image: Image, view: View, axis: Axis, along: Array, across: Array, height: Array, base: Array | None = None
) -> NDArray[np.float32]:
    """The picture on the surface over the axis, (len(across), len(along), channels), across rising.

    Args:
        along, across: places from the middle of the handle, mm; height: (len(along),) of the surface over the wall, mm.
        base: (len(along),) mm from which ``across`` is counted in each column; None: from the axis.
    """
    a, b = np.meshgrid(along, across)
    x, y = axis.to_wall(a, b if base is None else b + base)
    points = np.column_stack([x.ravel(), y.ravel(), np.broadcast_to(height, a.shape).ravel()])
    pixels = view.to_pixels(points).astype(np.float32).reshape(*a.shape, 2)
    out = cv2.remap(image, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def lightness_and_hue(flat: NDArray[Any]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Grey levels, and 60 times the log of red over blue, which a shadow leaves alone; both (rows, columns) of (rows, columns, 3) BGR."""
    grey = 0.114 * flat[..., 0] + 0.587 * flat[..., 1] + 0.299 * flat[..., 2]
    hue = 60.0 * np.log((flat[..., 2] + 8.0) / (flat[..., 0] + 8.0))
    return np.asarray(grey, dtype=np.float32), np.asarray(hue, dtype=np.float32)
