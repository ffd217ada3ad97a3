"""A log's end drawn: the picture with rim, pith, rings along their rays, checks, and the staves that a way to split it gives."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.wood.split import Splitting
from tiller.vision.stave.logend import LogEnd

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

LONGEST_PX = 1600
RIM, RING, SPLIT, STAVE, CHECK = (60, 200, 60), (230, 90, 30), (30, 110, 240), (250, 250, 250), (40, 40, 220)


def log_end_picture(image: Image, end: LogEnd, way: Splitting | None, width_mm: float) -> Image:
    """The picture, at most ``LONGEST_PX`` long, with what was found (h, w, 3) BGR."""
    share = min(1.0, LONGEST_PX / max(image.shape[:2]))
    small = cv2.resize(image, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    out = np.asarray(small, dtype=np.uint8)
    thick = max(1, round(max(out.shape[:2]) / 800))

    def px(points_mm: Array) -> NDArray[np.int32]:
        return np.asarray(np.round(end.face.pixels(points_mm) * share), dtype=np.int32)

    rim, pith = end.rim, end.rim.pith_mm
    cv2.polylines(out, [px(rim.points_mm())], True, RIM, thick, cv2.LINE_AA)
    for ray in end.rays:
        way_ = np.array([np.cos(ray.angle_rad), np.sin(ray.angle_rad)])
        across = np.array([-way_[1], way_[0]])
        for r in ray.rings.ends_mm:
            a, b = px(pith + r * way_ + np.array([[-2.0], [2.0]]) * across)
            cv2.line(out, tuple(int(v) for v in a), tuple(int(v) for v in b), RING, thick, cv2.LINE_AA)
    for angle in end.checks_rad:
        way_ = np.array([np.cos(angle), np.sin(angle)])
        a, b = px(pith + np.array([[0.9], [1.04]]) * float(rim.radius_mm(angle)[0]) * way_)
        cv2.line(out, tuple(int(v) for v in a), tuple(int(v) for v in b), CHECK, 3 * thick, cv2.LINE_AA)
    if way is not None:
        _staves(out, end, way, width_mm, px, thick)
    x, y = (int(v) for v in px(pith[None])[0])
    cv2.drawMarker(out, (x, y), CHECK, cv2.MARKER_CROSS, 12 * thick, thick, cv2.LINE_AA)
    return np.asarray(out, dtype=np.uint8)


def _staves(out: Image, end: LogEnd, way: Splitting, width_mm: float, px, thick: int) -> None:  # type: ignore[no-untyped-def]
    rim, pith = end.rim, end.rim.pith_mm
    number = 0
    for part in way.parts:
        split = np.array([np.cos(part.from_rad), np.sin(part.from_rad)])
        a, b = px(pith + np.array([[0.0], [1.03]]) * float(rim.radius_mm(part.from_rad)[0]) * split)
        cv2.line(out, tuple(int(v) for v in a), tuple(int(v) for v in b), SPLIT, thick, cv2.LINE_AA)
        if not part.clear:
            continue
        number += 1
        mid = np.array([np.cos(part.middle_rad), np.sin(part.middle_rad)])
        side = np.array([-mid[1], mid[0]])
        half = np.arcsin(np.clip(0.5 * width_mm / float(rim.radius_mm(part.middle_rad)[0]), 0.0, 1.0))
        least = float(np.min(rim.radius_mm(part.middle_rad + np.linspace(-half, half, 9))))
        outer = float(np.sqrt(max(least**2 - (0.5 * width_mm) ** 2, 0.0)))
        corners = np.array(
            [
                pith + (outer - d) * mid + w * 0.5 * width_mm * side
                for w, d in ((-1, 0.0), (1, 0.0), (1, part.depth_mm), (-1, part.depth_mm))
            ]
        )
        cv2.polylines(out, [px(corners)], True, STAVE, thick, cv2.LINE_AA)
        x, y = (int(v) for v in px((pith + (outer - 0.5 * part.depth_mm) * mid)[None])[0])
        size = 0.9 * max(out.shape[:2]) / 1600
        cv2.putText(
            out,
            str(number),
            (x - round(10 * size), y + round(12 * size)),
            cv2.FONT_HERSHEY_SIMPLEX,
            size * 1.6,
            (0, 0, 0),
            5 * thick,
            cv2.LINE_AA,
        )
        cv2.putText(
            out,
            str(number),
            (x - round(10 * size), y + round(12 * size)),
            cv2.FONT_HERSHEY_SIMPLEX,
            size * 1.6,
            STAVE,
            2 * thick,
            cv2.LINE_AA,
        )
