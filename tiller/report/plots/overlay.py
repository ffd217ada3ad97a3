"""What was measured, drawn on the photograph it was measured in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.units import archery_draw_mm
from tiller.errors import FileFault
from tiller.mechanics.fit.results import LimbResult, PullResult
from tiller.report.style import COLOUR, INK, LEFT, METRIC, PAPER, RIGHT, Units, draw_and_force, rgb
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]
Image = NDArray[np.uint8]


def _font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(_fonts() / name), size)


@cache
def _fonts() -> Path:
    """Where the plotting library's fonts are; loading it for that alone would take longer than the drawing."""
    found = find_spec("matplotlib")
    if found is None or not found.submodule_search_locations:
        msg = "matplotlib, which brings the fonts, is not installed: install tiller anew."
        raise FileFault(msg)
    return Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


def _boxed(
    draw: ImageDraw.ImageDraw,
    at: tuple[float, float],
    text: str,
    font: ImageFont.FreeTypeFont,
    colour: str,
    anchor: str = "mm",
) -> None:
    """Text on a slip of paper, kept inside the picture."""
    left, top, right, bottom = draw.textbbox((0, 0), text, font=font, anchor=anchor)
    width, height = draw.im.size
    x = min(max(at[0], 6 - left), width - 6 - right)
    y = min(max(at[1], 6 - top), height - 6 - bottom)
    draw.rounded_rectangle(
        (x + left - 6, y + top - 4, x + right + 6, y + bottom + 4), radius=5, fill=(*rgb(PAPER), 222)
    )
    draw.text((x, y), text, font=font, fill=(*rgb(colour), 255), anchor=anchor)


def outline(photo: Image, lines_mm: Pair[Array], view: View, plane_z_mm: float) -> Image:
    """The photograph (blue green red) with both limbs' centrelines, (n, 2) in the rack's plane."""
    scale = photo.shape[1] / 1920.0
    canvas = photo.copy()
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        points = [np.round(view.plane_to_pixels(lines_mm[side], plane_z_mm) * 16).astype(np.int32)]
        cv2.polylines(canvas, points, False, rgb(PAPER)[::-1], max(2, int(9 * scale)), cv2.LINE_AA, 4)
        cv2.polylines(canvas, points, False, rgb(colour)[::-1], max(1, int(5 * scale)), cv2.LINE_AA, 4)
    return canvas


def overlay(
    photo: Image,
    result: PullResult,
    view: View,
    plane_z_mm: float,
    hook_mm: tuple[float, float],
    nocks_mm: Pair[Array],
    units: Units = METRIC,
) -> Image:
    """The photograph with centreline, marks, limb positions, nocks, hook, draw and weight.

    Args:
        photo: blue green red; the picture of the largest draw.
        hook_mm: the string's seat; nocks_mm: each limb's nock, rack x, y.

    Returns:
        blue green red, same size.
    """
    drawing = _Drawing(photo.copy(), view, plane_z_mm, photo.shape[1] / 1920.0, [])
    for side in SIDES:
        drawing.limb(result.limb(side), units)
        drawing.nock(nocks_mm[side], side)
    hook = np.array(hook_mm)
    drawing.hook(hook)
    return drawing.labelled(result, hook, units)


@dataclass(frozen=True)
class _Label:
    at_px: tuple[float, float]
    text: str
    colour: str
    big: bool


@dataclass(frozen=True)
class _Drawing:
    """A photograph that is drawn on, blue green red, in the rack's millimetres; ``scale``: to a picture 1920 px wide."""

    canvas: Image
    view: View
    plane_z_mm: float
    scale: float
    labels: list[_Label]

    def _thick(self, width: float, least: int = 1) -> int:
        return max(least, int(width * self.scale))

    def _pixels(self, points: Array) -> NDArray[np.int32]:
        return np.round(self.view.plane_to_pixels(points, self.plane_z_mm) * 16).astype(np.int32)

    def _at(self, point: Array) -> tuple[float, float]:
        x, y = self.view.plane_to_pixels(point, self.plane_z_mm)[0]
        return float(x), float(y)

    def _line(self, points: Array, colour: str, thick: int) -> None:
        cv2.polylines(self.canvas, [self._pixels(points)], False, rgb(colour)[::-1], thick, cv2.LINE_AA, 4)

    def limb(self, limb: LimbResult, units: Units) -> None:
        """Its marks, the line where it was measured, and its scale."""
        normal = np.gradient(limb.drawn_mm, axis=0)
        normal = np.column_stack([-normal[:, 1], normal[:, 0]]) * limb.side.sign
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        self._marks(limb, normal)
        self._line(limb.drawn_mm, PAPER, self._thick(5, 2))
        seen = np.isfinite(limb.bend_per_m)
        for part in np.split(np.arange(len(seen)), np.flatnonzero(np.diff(seen.astype(int))) + 1):
            if seen[part[0]] and len(part) > 1:
                self._line(limb.drawn_mm[part], LEFT if limb.side == "left" else RIGHT, self._thick(2.4))
        self._ticks(limb, normal, units)

    def _marks(self, limb: LimbResult, normal: Array) -> None:
        for mark in limb.marks:
            inside = (limb.s_mm >= mark.from_mm - 3) & (limb.s_mm <= mark.to_mm + 3)
            if np.count_nonzero(inside) < 2:
                continue
            line, out = limb.drawn_mm[inside], normal[inside]
            upper, lower = self._pixels(line + 15 * out), self._pixels(line - 15 * out)
            _hatched(self.canvas, upper, lower, mark.kind, self.scale)
            middle = np.count_nonzero(inside) // 2
            words = f"{mark.kind} {100 * mark.departure:+.0f} %"
            self.labels.append(_Label(self._at(line[middle] + 92 * out[middle]), words, COLOUR[mark.kind], True))

    def _ticks(self, limb: LimbResult, normal: Array, units: Units) -> None:
        for number in range(1, int(limb.s_mm[-1] // units.tick_mm) + 1):
            s = number * units.tick_mm
            if s < limb.s_mm[0]:
                continue
            at = np.array([np.interp(s, limb.s_mm, limb.drawn_mm[:, k]) for k in (0, 1)])
            n = np.array([np.interp(s, limb.s_mm, normal[:, k]) for k in (0, 1)])
            self._line(np.vstack([at - 9 * n, at + 9 * n]), INK, self._thick(2))
            self.labels.append(_Label(self._at(at + 26 * n), units.tick(number), INK, False))

    def nock(self, nock_mm: Array, side: Side) -> None:
        """A ring about it."""
        x, y = self._at(nock_mm)
        for colour, width in ((PAPER, 4), (LEFT if side == "left" else RIGHT, 2)):
            thick = int(width * self.scale) + 1
            cv2.circle(self.canvas, (round(x), round(y)), int(9 * self.scale), rgb(colour)[::-1], thick, cv2.LINE_AA)

    def hook(self, hook_mm: Array) -> None:
        """A cross where the string sits."""
        for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
            ends = np.vstack([hook_mm - 16 * way, hook_mm + 16 * way])
            self._line(ends, PAPER, self._thick(5, 3))
            self._line(ends, INK, self._thick(2))

    def labelled(self, result: PullResult, hook_mm: Array, units: Units) -> Image:
        """The picture with all its words."""
        scale = self.scale
        picture = PillowImage.fromarray(cv2.cvtColor(self.canvas, cv2.COLOR_BGR2RGB))
        draw = ImageDraw.Draw(picture, "RGBA")
        small, big = _font(self._thick(15, 10)), _font(self._thick(24, 12), bold=True)
        for label in self.labels:
            _boxed(draw, label.at_px, label.text, big if label.big else small, label.colour)
        top = result.pictures[result.largest]
        x, y = self._at(hook_mm)
        words = f"draw {draw_and_force(top, units)}"
        _boxed(draw, (x + 40 * scale, y - 10 * scale), words, _font(self._thick(34, 16), bold=True), INK, "ls")
        words = f"pivot to string; {units.length(archery_draw_mm(top.draw_mm))} to the back, by the archery convention"
        _boxed(draw, (x + 40 * scale, y + 30 * scale), words, _font(self._thick(17, 10)), INK, "ls")
        return np.asarray(cv2.cvtColor(np.asarray(picture), cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _hatched(canvas: Image, upper: NDArray[np.int32], lower: NDArray[np.int32], kind: str, scale: float) -> None:
    """A band along the limb: outlined, hatched with strokes (stiff) or dots (weak)."""
    colour = rgb(COLOUR[kind])[::-1]
    outline = np.vstack([upper, lower[::-1]])
    soft = canvas.copy()
    cv2.fillPoly(soft, [outline], colour, cv2.LINE_AA, 4)
    cv2.addWeighted(soft, 0.35, canvas, 0.65, 0, dst=canvas)
    cv2.polylines(canvas, [outline], True, colour, max(1, int(2 * scale)), cv2.LINE_AA, 4)
    for k in range(0, len(upper) - 1, 2):
        if kind == "stiff":
            cv2.line(
                canvas,
                tuple(int(v) for v in lower[k]),
                tuple(int(v) for v in upper[k + 1]),
                colour,
                max(1, int(2 * scale)),
                cv2.LINE_AA,
                4,
            )
        else:
            for share in (0.2, 0.8):
                spot = lower[k] + share * (upper[k] - lower[k])
                cv2.circle(canvas, tuple(int(v) for v in spot), int(3 * scale * 16), colour, -1, cv2.LINE_AA, 4)
