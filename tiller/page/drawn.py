"""What the page shows of a moment: the picture with the bend on it as JPEG, and the figures as JSON. Pure: a view in, bytes out."""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES
from tiller.live.view import View
from tiller.report.style import LEFT, RIGHT, Units, rgb
from tiller.sources.interfaces import Stage, now_s

WIDE = 960
QUALITY = 75


def picture_of(view: View) -> bytes | None:
    """The picture at most ``WIDE`` pixels wide, both limbs' lines and the string's seat on it; None without a camera."""
    if view.image is None:
        return None
    high, wide = view.image.shape[:2]
    share = min(1.0, WIDE / wide)
    size = round(wide * share), round(high * share)
    small = np.asarray(cv2.resize(view.image, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        line = view.lines_px.get(side)
        if line is None or len(line) < 2:
            continue
        hidden = view.looked.hidden.get(side) if view.looked is not None else None
        _lines(small, share * np.asarray(line, dtype=float), hidden, rgb(colour)[::-1])
    if view.hook_px is not None and np.all(np.isfinite(view.hook_px)):
        x, y = (round(share * v) for v in view.hook_px)
        cv2.circle(small, (x, y), 5, (255, 255, 255), 2, cv2.LINE_AA)
    good, data = cv2.imencode(".jpg", small, (cv2.IMWRITE_JPEG_QUALITY, QUALITY))
    return data.tobytes() if good else None


def _lines(
    image: NDArray[np.uint8], points: NDArray[np.float64], hidden: NDArray[np.bool_] | None, colour: tuple[int, ...]
) -> None:
    seen = np.all(np.isfinite(points), axis=1)
    if hidden is not None and len(hidden) == len(points):
        seen &= ~hidden
    ends = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    runs = [
        np.round(points[a:b]).astype(np.int32).reshape(-1, 1, 2) for a, b in zip(ends[::2], ends[1::2], strict=True)
    ]
    cv2.polylines(image, runs, False, (255, 255, 255), 5, cv2.LINE_AA)
    cv2.polylines(image, runs, False, colour, 3, cv2.LINE_AA)


def figures_of(view: View, units: Units) -> bytes:
    """Stage, sentence, draw, weight and stop in the units, as JSON, null where one is not known; and how old that is, s."""
    stop = view.limits.draw_mm
    words = {
        "number": view.number,
        "stage": view.stage.value,
        "sentence": units.words(view.sentence),
        "draw": units.length(view.draw_mm) if math.isfinite(view.draw_mm) else None,
        "weight": units.force(view.force_n) if math.isfinite(view.force_n) else None,
        "stop": units.length(stop) if math.isfinite(stop) else None,
        "age": max(0.0, now_s() - view.made_s),
        "alarm": view.stage is Stage.BEYOND or bool(view.alarm),
    }
    return json.dumps(words).encode()
