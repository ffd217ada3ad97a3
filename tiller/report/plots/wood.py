"""Wood before the rack drawn: a log's end with rim, rings, checks and the staves that a way to split it gives; a stave's face with the bow in it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from matplotlib.patches import Ellipse
from numpy.typing import NDArray

from tiller.mechanics.wood.place import FaceOf, Placed, Shape
from tiller.mechanics.wood.split import Flaw, Splitting
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import AIM, INK, LEFT, METRIC, WEAK, Units
from tiller.vision.stave.logend import LogEnd
from tiller.vision.stave.ringlines import RingLines

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

LONGEST_PX = 1600
RIM, RING, SPLIT, STAVE, CHECK = (60, 200, 60), (230, 90, 30), (30, 110, 240), (250, 250, 250), (40, 40, 220)


def log_end_picture(
    image: Image, end: LogEnd, way: Splitting | None, stave_mm: tuple[float, float], flaws: Sequence[Flaw] = ()
) -> Image:
    """The picture, at most ``LONGEST_PX`` long, with what was found (h, w, 3) BGR.

    Args:
        stave_mm: width and depth of a stave. flaws: knots and checks; knots are drawn at the rim.
    """
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
        _staves(out, end, way, stave_mm, px, thick)
    for flaw in flaws:
        if flaw.kind != "knot":
            continue
        at_rim = float(rim.radius_mm(flaw.angle_rad)[0])
        half = flaw.half_mm / at_rim
        arc = flaw.angle_rad + np.linspace(-half, half, 9)
        points = pith + rim.radius_mm(arc)[:, None] * np.column_stack([np.cos(arc), np.sin(arc)])
        cv2.polylines(out, [px(points)], False, CHECK, 5 * thick, cv2.LINE_AA)
    x, y = (int(v) for v in px(pith[None])[0])
    cv2.drawMarker(out, (x, y), CHECK, cv2.MARKER_CROSS, 12 * thick, thick, cv2.LINE_AA)
    return np.asarray(out, dtype=np.uint8)


def _staves(out: Image, end: LogEnd, way: Splitting, stave_mm: tuple[float, float], px, thick: int) -> None:  # type: ignore[no-untyped-def]
    rim, pith = end.rim, end.rim.pith_mm
    width_mm, depth_mm = stave_mm
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
                for w, d in ((-1, 0.0), (1, 0.0), (1, depth_mm), (-1, depth_mm))
            ]
        )
        cv2.polylines(out, [px(corners)], True, STAVE, thick, cv2.LINE_AA)
        x, y = (int(v) for v in px((pith + (outer - 0.5 * depth_mm) * mid)[None])[0])
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


def place_plot(
    face: FaceOf, shape: Shape, places: Sequence[Placed], names: Sequence[str], units: Units = METRIC
) -> bytes:
    """A stave's face with the bow in it, one panel for each place, as PNG."""
    figure = new_figure(11.0, 1.1 + 1.9 * len(places))
    axes = figure.subplots(len(places), 1, squeeze=False)[:, 0]
    for ax, one, name in zip(axes, places, names, strict=True):
        dress(ax)
        x = units.length_value(1.0) * face.x_mm
        scale = units.length_value(1.0)
        ax.fill_between(x, scale * face.low_mm, scale * face.high_mm, color="#e6d3b0", lw=0, label="stave")
        ax.plot(x, scale * face.grain_mm, color="#a98b5d", lw=0.8, ls="--", label="grain")
        c = one.centre_mm
        length = np.where(c[:, 0] < one.x0_mm, one.x0_mm - c[0, 0], c[-1, 0] - one.x0_mm)
        half = 0.5 * np.interp(np.abs(c[:, 0] - one.x0_mm) / length * float(shape.s_mm[-1]), shape.s_mm, shape.width_mm)
        ax.fill_between(
            scale * c[:, 0],
            scale * (c[:, 1] - half),
            scale * (c[:, 1] + half),
            facecolor="none",
            edgecolor=LEFT,
            lw=1.2,
            label="bow",
        )
        ax.plot(scale * c[[0, -1], 0], scale * c[[0, -1], 1], color=AIM, lw=0.9, label="string's line")
        ax.plot([scale * one.x0_mm], [scale * one.y0_mm], "+", color=INK, ms=9, label="handle")
        for knot in face.knots:
            ax.add_patch(
                Ellipse(
                    (scale * knot.x_mm, scale * knot.y_mm),
                    scale * knot.wide_mm,
                    scale * knot.wide_mm,
                    color=WEAK if knot in one.spoiled else INK,
                    alpha=0.7,
                )
            )
        ax.set_title(f"{name}: cost {one.cost:.1f}", loc="left", fontsize=9, color=INK)
        ax.set_ylabel(f"across [{units.length_unit}]", fontsize=8)
    axes[-1].set_xlabel(f"along the stave [{units.length_unit}]", fontsize=8)
    axes[0].legend(loc="lower right", ncols=5, fontsize=7, frameon=False, bbox_to_anchor=(1.0, 1.0))
    figure.tight_layout()
    return png(figure)


def ring_picture(image: Image, seen: RingLines) -> Image:
    """The picture, at most ``LONGEST_PX`` long, with lines and frames in it (h, w, 3) BGR."""
    out = image.copy()
    out[seen.mask] = CHECK
    for one in seen.islands:
        cv2.rectangle(out, (one.x, one.y), (one.x + one.width, one.y + one.height), RING, max(2, image.shape[1] // 500))
    share = min(1.0, LONGEST_PX / max(image.shape[:2]))
    return np.asarray(cv2.resize(out, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), dtype=np.uint8)
