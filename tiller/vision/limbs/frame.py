"""One picture against that of the empty rack: where the camera stands, how the light differs, what its edges look like."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.vision.limbs.light import DARKER, LUMA, Image, Light, Single, beyond_light
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Look:
    """What a picture's edges look like.

    Attributes:
        blur_px: sd of the blur of luma and hue.
        noise: sd of the noise of luma and hue (``channels``), grey levels.
        seek_noise: grey levels that wood must stand out from where it is sought.
        round_mm: how much wider than flat geometry the slivers beside the front are, at the back and
            at the belly (edges are rounded off by the rasp).
        toward: unit vector in log hue (blue, red) from wall to wood: along it an edge is looked for.
        darker: weight of what is darker than the empty rack (``light.DARKER``); more where the wood has no hue of its own.
    """

    blur_px: tuple[float, float]
    noise: tuple[float, float]
    seek_noise: float
    round_mm: tuple[float, float] = (0.0, 0.0)
    toward: tuple[float, float] = (-0.7071, 0.7071)
    darker: float = DARKER


@dataclass(frozen=True)
class Moved:
    """Where a pixel of this picture lies in that of the empty rack: a cubic in the pixel's place (10 coefficients for x, 10 for y)."""

    centre: tuple[float, float]
    size: float
    coef: Array

    @classmethod
    def between(cls, now: View, empty: View) -> Moved:
        """By the board's plane, z = 0, as both cameras see it; good to some 0.01 px for the moves of a hand."""
        width, height = now.lens.image_size
        x, y = np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 7))
        pixels = np.column_stack([x.ravel(), y.ravel()])
        there = empty.plane_to_pixels(now.on_plane(pixels, 0.0), 0.0)
        centre, size = (0.5 * width, 0.5 * height), 0.5 * width
        coef = np.linalg.lstsq(_cubics(pixels, centre, size), there - pixels, rcond=None)[0]
        return cls(centre, size, np.asarray(coef, dtype=float))

    def to_empty(self, pixels: Array) -> Array:
        """Pixels (..., 2) of the empty rack's picture for those (..., 2) of this one."""
        flat = np.asarray(pixels, dtype=float).reshape(-1, 2)
        return (flat + _cubics(flat, self.centre, self.size) @ self.coef).reshape(pixels.shape)


def _cubics(pixels: Array, centre: tuple[float, float], size: float) -> Array:
    x, y = (pixels[:, 0] - centre[0]) / size, (pixels[:, 1] - centre[1]) / size
    return np.column_stack([x**i * y**j for i in range(4) for j in range(4 - i)])


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A picture, and what is behind the bow in it.

    Attributes:
        image, empty: this picture and the empty rack's.
        view: the camera now; plane_z_mm: of the bow's middle plane.
        look, light: of this picture.
        moved: None where the camera stands as in the empty rack's picture.
    """

    image: Image
    empty: Image
    view: View
    plane_z_mm: float
    look: Look
    light: Light
    moved: Moved | None = None

    def now(self, pixels: Array) -> Single:
        """Colours (..., 3) of this picture at pixels (..., 2)."""
        return sample(self.image, pixels)

    def behind(self, pixels: Array) -> Single:
        """Colours (..., 3) of the empty rack at this picture's pixels (..., 2)."""
        return sample(self.empty, pixels if self.moved is None else self.moved.to_empty(pixels))


def sample(image: Image, pixels: Array) -> Single:
    """Colours (..., 3) at pixel places (..., 2), bilinear; the border repeats."""
    shape = pixels.shape[:-1]
    flat = np.ascontiguousarray(pixels.reshape(-1, 2), dtype=np.float32)
    rows = int(np.ceil(len(flat) / 4096))
    pad = rows * 4096 - len(flat)
    grid = np.pad(flat, ((0, pad), (0, 0))).reshape(rows, 4096, 2)
    out = cv2.remap(image, grid[:, :, 0], grid[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(-1, 3)[: len(flat)].reshape(*shape, 3).astype(np.float32)


HUE_LEVELS = 100.0
"""A hue's residual (log) counts as so many grey levels: about what it is at the brightness of wood and wall."""


def channels(
    now: Single, behind: Single, light: Light, toward: tuple[float, float] = (-0.7071, 0.7071)
) -> tuple[Single, Single]:
    """What an edge is looked for in, (2, ...) of a picture and of what is behind, for colours (..., 3) of both.

    The first is luma. The second is the hue's change towards the wood's, beyond what light explains: 0 where the empty rack is seen, in whatever shade,
    and the wood's own where wood is seen, in whatever shade too.
    """
    _, blue, red = beyond_light(now, behind, light)
    hue = np.float32(HUE_LEVELS) * (np.float32(toward[0]) * blue + np.float32(toward[1]) * red)
    return np.stack([now @ LUMA, hue]), np.stack([behind @ LUMA, np.zeros_like(hue)])


def picture_noise(image: Image) -> tuple[float, float, float]:
    """Sd of the noise in luma, in hue (``channels``) and in half of red minus blue, from the median of a second difference (robust to edges)."""
    height, width = image.shape[:2]
    cut = image[height // 8 : 7 * height // 8 : 3, width // 8 : 7 * width // 8].astype(np.float32)
    luma, hue = channels(cut, np.full_like(cut, 128.0), Light())[0]
    rows = np.stack([luma, hue, np.float32(0.5) * (cut[..., 2] - cut[..., 0])])
    second = rows[:, :, 2:] - 2 * rows[:, :, 1:-1] + rows[:, :, :-2]
    found = 1.4826 * np.median(np.abs(second), axis=(1, 2)) / np.sqrt(6.0)
    # in a dark picture every grey level counts for more of a hue, and what is no noise but errs like it is less
    dim = float(np.clip(float(np.median(cut)) / USUAL_LEVEL, 0.3, 1.0))
    least = (LEAST_NOISE[0] * dim, LEAST_NOISE[1] / dim, LEAST_NOISE[2] * dim)
    return max(float(found[0]), least[0]), max(float(found[1]), least[1]), max(float(found[2]), least[2])


USUAL_LEVEL = 110.0
LEAST_NOISE = (1.2, 1.2, 1.0)
"""Grey levels of luma, hue and chroma at the usual level: hues are stored at half the picture's resolution and rounded; grain and shading are
no noise but err like it."""
