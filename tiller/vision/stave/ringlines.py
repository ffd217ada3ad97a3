"""Lines on a stave's back where growth rings are cut, in a picture taken by grazing light: dark late wood shows as thin dark lines.

A line is a place much darker than what lies to both its sides (the larger curvature of the smoothed picture, over the picture's own roughness), joined to others
along it (hysteresis), long enough. A line that closes upon itself is an island: a violated ring, or a knot that was left standing; only an eye can tell which.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.errors import VisionFault

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

WORK_PX = 1600
"""A picture is looked at at most so long."""
SCALES_PX = (1.6, 2.4, 3.6)
STRONG, FAINT = 4.5, 2.2
"""Times the picture's own roughness that a line begins with, and goes on with (common practice, no source)."""
DEEP, SHALLOW, ACROSS_PX = 7.0, 3.0, 17
"""And so much darker (CIE lightness) than what lies within so many pixels (common practice, no source)."""
LONG_SHARE = 0.05
"""A line is at least so long, as a share of the picture's length."""
SHORT_LOOP = 0.3
"""A line that closes upon itself may be so much shorter."""
LEAST_ISLAND_PX = 60.0
MOST_SHARE = 0.25
"""Where more than this of the picture is called a line, it is not a back by grazing light."""


@dataclass(frozen=True)
class Island:
    """A line that closes upon itself: its frame in the picture, px, (x, y, width, height)."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class RingLines:
    """What was seen.

    Attributes:
        mask: (h, w) bool, lines, in the picture's own size. islands: closed ones. lines: how many there are, islands among them.
    """

    mask: NDArray[np.bool_]
    islands: tuple[Island, ...]
    lines: int


def ring_lines(image: Image) -> RingLines:
    """The lines of a picture.

    Raises:
        VisionFault: the picture is too small, too dark or too light, or full of lines.
    """
    height, width = image.shape[:2]
    if max(height, width) < 300:
        msg = "the picture is too small for rings to be seen: take it from nearer, 1000 pixels or more along the back."
        raise VisionFault(msg)
    share = min(1.0, WORK_PX / max(height, width))
    small = cv2.resize(image, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    light = np.asarray(cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)[..., 0], dtype=np.float32)
    middle = float(np.median(light))
    if not 12.0 <= middle <= 92.0:
        msg = f"the picture is too {'dark' if middle < 12 else 'light'}: one lamp from the side, low over the back, and no flash."
        raise VisionFault(msg)
    ridge = np.max(np.stack([_ridge(light, scale) for scale in SCALES_PX]), axis=0)
    # how deep each place lies under what is beside it: fibres are shallow
    smooth = cv2.GaussianBlur(light, (0, 0), 1.2)
    deep = cv2.morphologyEx(
        smooth, cv2.MORPH_BLACKHAT, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (ACROSS_PX, ACROSS_PX))
    )
    strong, faint = ((ridge > level) & (deep > dark) for level, dark in ((STRONG, DEEP), (FAINT, SHALLOW)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(faint.astype(np.uint8), connectivity=8)
    long = LONG_SHARE * max(small.shape[:2])
    held = np.zeros(count, dtype=bool)
    held[np.unique(labels[strong])] = True
    reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    keep = held & (reach >= long)
    for k in np.flatnonzero(held & (reach < long) & (reach >= SHORT_LOOP * long)):
        keep[k] = k > 0 and _encloses(labels == k)
    keep[0] = False
    mask = keep[labels]
    if float(np.mean(mask)) > MOST_SHARE:
        msg = (
            "nearly all of the picture looks like lines: is it a back by grazing light, sharp, without a pattern on it?"
        )
        raise VisionFault(msg)
    islands = _islands(mask)
    whole = cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    grown = tuple(Island(*(round(v / share) for v in (i.x, i.y, i.width, i.height))) for i in islands)
    return RingLines(mask=whole, islands=grown, lines=int(np.count_nonzero(keep)))


def _ridge(light: NDArray[np.float32], scale: float) -> Array:
    """How much darker than both its sides each place is, over the picture's own roughness."""
    smooth = cv2.GaussianBlur(light, (0, 0), scale)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_64F, dx, dy, ksize=3) for dx, dy in ((2, 0), (0, 2), (1, 1)))
    larger = 0.5 * (xx + yy) + np.sqrt(0.25 * (xx - yy) ** 2 + xy**2)
    rough = 1.4826 * float(np.median(np.abs(larger - np.median(larger)))) + 1e-6
    return np.asarray((larger - np.median(larger)) / rough, dtype=float)


def _encloses(one: NDArray[np.bool_]) -> bool:
    """A line closes upon itself: there is more within it than it has itself."""
    contours, _ = cv2.findContours(one.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return bool(sum(cv2.contourArea(c) for c in contours) > 1.3 * np.count_nonzero(one))


def _islands(mask: NDArray[np.bool_]) -> list[Island]:
    """Frames of lines with a hole within them that is no mere gap in a thick line."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    contours, tree = cv2.findContours(closed, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    out = []
    for contour, (_, _, _, parent) in zip(contours, tree[0] if tree is not None else [], strict=True):
        if parent < 0 or cv2.contourArea(contour) < LEAST_ISLAND_PX:
            continue
        x, y, w, h = cv2.boundingRect(contour)
        if min(w, h) >= 5 and cv2.contourArea(contour) > 0.3 * w * h:
            out.append(Island(x - 4, y - 4, w + 8, h + 8))
    return out
