"""The image model, and the part of it that is light: what a change of light does to the picture of the empty rack.

What a picture is made of, from behind to before:

- **Behind** the bow stands the empty rack, seen from where the camera stands now (``frame``). Light changes from picture to
  picture: exposure and white balance alike everywhere, a shadow or the sun through leaves differently at each place, with edges as sharp
  as any. In the logarithm of the colours

      log now_c(x) = log empty_c(x) + shift_c + l(x) (1 + tint_c)

  with the local change of brightness l(x) free. ``shift`` is white balance; ``tint`` is there because a shadow is lit by sky and
  room, not by the lamp, and so has another hue. Both are the same over the whole picture and are found from it by a robust fit: the bow
  covers a few per cent. A shadow therefore changes brightness as much as it likes, but hue only as far as the tint says. What is left over of
  the hue no light can make: it is something that stands there.
- **The limb** has a colour of its own at each station (it may be dressed, its back another wood than its belly), under the
  same light.
- **Before** it may stand a string, a sleeve, a person: neither the one nor the other (``wood``).
- **The camera** blurs (found from the limb's own edges), adds noise (from the picture) and may stand elsewhere in each picture.

Hues are logarithms of blue and red over green. A hue's residual times the level is in grey levels, so that the picture's noise is its unit
and what is dark tells little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
Single = NDArray[np.float32]

LUMA = np.array([0.114, 0.587, 0.299], dtype=np.float32)
"""Rec. ITU-R BT.601 luma weights in blue, green, red order."""
FIT_STEP, FIT_ROUNDS = 2, 6
"""Every so many-th place along and down is used for the fit."""
BRIGHTER, DARKER, DARKER_GREY, BLACK = 0.3, 0.04, 0.4, 0.4
"""Weights of a change of brightness beside one of hue: shadows do not brighten, they darken as a matter of course, and never to black. Where the
wood has no hue of its own (grey wood on a grey wall, a camera without colours) what is darker is all there is to go by
(common practice, no source)."""
DARK = 4.0
"""Grey levels added before a logarithm: below some such level a camera's colours are noise."""
SMALL_PX = 160
"""The light is fitted on a picture made so wide: its noise is that much less, and some ten thousand places are enough."""
MOST_TINT = 0.4
"""No shadow's hue changes more than this for its depth: sky against sun is about 0.1-0.2 (common practice, no source)."""
UNEVEN = 0.08
"""Local change of brightness (log) from which the light counts as another pattern than in the picture of the empty rack."""


@dataclass(frozen=True)
class Light:
    """How the light of a picture differs from that of the empty rack's.

    Attributes:
        shift: blue's and red's change of log hue everywhere (white balance).
        tint: their change with the log of the local brightness.
        darker: what a darker place counts for (``DARKER``).
        gain: change of log brightness of most of the picture (exposure).
        uneven: robust spread of the local change of brightness (log); about 0 under the same light.
    """

    shift: tuple[float, float] = (0.0, 0.0)
    tint: tuple[float, float] = (0.0, 0.0)
    gain: float = 0.0
    uneven: float = 0.0
    darker: float = DARKER

    @property
    def any_shade(self) -> Light:
        """The same light for what turns in it: a limb that bends is lit from another side, its brightness says nothing."""
        return replace(self, uneven=1.0)


def hues(colours: Single) -> tuple[Single, Single, Single]:
    """Log brightness, and log of blue and of red over green, each (...), of colours (..., 3) in blue, green, red order."""
    logs = np.log(colours + np.float32(DARK))
    return logs @ LUMA, logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]


def shrink_of(image: Image) -> int:
    """By how much ``smaller`` makes a picture smaller."""
    return max(1, int(image.shape[1]) // SMALL_PX)


def smaller(image: Image) -> Single:
    """The picture some ``SMALL_PX`` wide, squares of pixels averaged to one."""
    by = shrink_of(image)
    size = (image.shape[1] // by, image.shape[0] // by)
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def find_light(now: Single, empty: Single) -> Light:
    """The light of a picture against the empty rack's, both (h, w, 3) and made ``smaller``.

    An iteratively reweighted line of the hue's change over the brightness' change, Cauchy weights; where brightness hardly changes
    anywhere its tint cannot be known, and is 0.
    """
    level, blue, red = hues(now[::FIT_STEP, ::FIT_STEP])
    level0, blue0, red0 = hues(empty[::FIT_STEP, ::FIT_STEP])
    x = (level - level0).ravel().astype(float)
    middle = float(np.median(x))
    spread = 1.4826 * float(np.median(np.abs(x - middle)))
    span = max(spread, 0.02)
    shift, tint = [], []
    for change in ((blue - blue0).ravel(), (red - red0).ravel()):
        weight = np.ones_like(x)
        a = b = 0.0
        for _ in range(FIT_ROUNDS):
            total = weight.sum()
            mx, my = float(weight @ x) / total, float(weight @ change) / total
            # a weak prior holds the slope at 0 where nothing tells it
            var = float(weight @ (x - mx) ** 2) + 1e-3 * total * span**2 + 1e-4 * total
            b = float(np.clip(float(weight @ ((x - mx) * (change - my))) / var, -MOST_TINT, MOST_TINT))
            a = my - b * mx
            left = change - a - b * x
            size = 1.4826 * float(np.median(np.abs(left))) + 1e-3
            weight = 1.0 / (1.0 + (left / (2.0 * size)) ** 2)
        shift.append(a)
        tint.append(b)
    return Light((shift[0], shift[1]), (tint[0], tint[1]), middle, spread)


DEEP = 1.0
"""A shadow this deep (log) is as deep as they are where people see to work: a third of the light comes from all around."""


def beyond_light(now: Single, before: Single, light: Light) -> tuple[Single, Single, Single]:
    """Change of log brightness (...), and of blue's and red's log hue beyond what the light explains, of colours (..., 3)."""
    level, blue, red = hues(now)
    level0, blue0, red0 = hues(before)
    change = level - level0
    off_blue = blue - blue0 - np.float32(light.shift[0]) - np.float32(light.tint[0]) * change
    off_red = red - red0 - np.float32(light.shift[1]) - np.float32(light.tint[1]) * change
    return change, off_blue, off_red


def strange(now: Single, before: Single, light: Light) -> Single:
    """How far colours (..., 3) are from what light is likely to make of ``before``, in grey levels (...).

    Hue beyond shift and tint counts in full, brightness as the weights above say: little, and less still where the light
    is another pattern than before.
    """
    change, off_blue, off_red = beyond_light(now, before, light)
    hue = np.mean(now, axis=-1) * np.hypot(off_blue, off_red)
    change = change - np.float32(light.gain)
    steady = np.float32(1.0 / (1.0 + (light.uneven / UNEVEN) ** 2))
    brighter, darker = np.maximum(change, 0.0), np.maximum(-change, 0.0)
    plain = steady * (BRIGHTER * brighter + np.float32(light.darker) * np.minimum(darker, DEEP)) + BLACK * np.maximum(
        darker - DEEP, 0.0
    )
    return np.asarray(hue + np.mean(before, axis=-1) * plain, dtype=np.float32)
