"""What was measured, drawn on the photograph it was measured in."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from tiller.bow.bowfile import SIDES, Side
from tiller.bow.units import archery_draw_mm
from tiller.errors import FileFault
from tiller.mechanics.fit.results import PullResult
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


def outline(photo: Image, lines_mm: Mapping[Side, Array], view: View, plane_z_mm: float) -> Image:
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
    nocks_mm: Mapping[Side, Array],
    units: Units = METRIC,
) -> Image:
    """The photograph with centreline, marks, limb positions, nocks, hook, draw and weight.

    Args:
        photo: blue green red; the picture of the largest draw.
        hook_mm: the string's seat; nocks_mm: each limb's nock, rack x, y.

    Returns:
        blue green red, same size.
    """
    scale = photo.shape[1] / 1920.0
    canvas = photo.copy()

    def pixels(points: Array) -> NDArray[np.int32]:
        return np.round(view.plane_to_pixels(points, plane_z_mm) * 16).astype(np.int32)

    def line(points: Array, colour: str, thick: int) -> None:
        cv2.polylines(canvas, [pixels(points)], False, rgb(colour)[::-1], thick, cv2.LINE_AA, 4)

    labels: list[tuple[tuple[float, float], str, str, str]] = []
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        limb = result.limb(side)
        seen = np.isfinite(limb.bend_per_m)
        normal = np.gradient(limb.drawn_mm, axis=0)
        normal = np.column_stack([-normal[:, 1], normal[:, 0]]) * (-1.0 if side == "left" else 1.0)
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        for mark in limb.marks:
            inside = (limb.s_mm >= mark.from_mm - 3) & (limb.s_mm <= mark.to_mm + 3)
            if np.count_nonzero(inside) < 2:
                continue
            _hatched(
                canvas,
                pixels(limb.drawn_mm[inside] + 15 * normal[inside]),
                pixels(limb.drawn_mm[inside] - 15 * normal[inside]),
                mark.kind,
                scale,
            )
            middle = (
                limb.drawn_mm[inside][np.count_nonzero(inside) // 2]
                + 92 * normal[inside][np.count_nonzero(inside) // 2]
            )
            x, y = view.plane_to_pixels(middle, plane_z_mm)[0]
            labels.append(((x, y), f"{mark.kind} {100 * mark.departure:+.0f} %", COLOUR[mark.kind], "big"))
        line(limb.drawn_mm, PAPER, max(2, int(5 * scale)))
        for part in np.split(np.arange(len(seen)), np.flatnonzero(np.diff(seen.astype(int))) + 1):
            if seen[part[0]] and len(part) > 1:
                line(limb.drawn_mm[part], colour, max(1, int(2.4 * scale)))
        for number in range(1, int(limb.s_mm[-1] // units.tick_mm) + 1):
            s = number * units.tick_mm
            if s < limb.s_mm[0]:
                continue
            at = np.array([np.interp(s, limb.s_mm, limb.drawn_mm[:, k]) for k in (0, 1)])
            n = np.array([np.interp(s, limb.s_mm, normal[:, k]) for k in (0, 1)])
            line(np.vstack([at - 9 * n, at + 9 * n]), INK, max(1, int(2 * scale)))
            x, y = view.plane_to_pixels(at + 26 * n, plane_z_mm)[0]
            labels.append(((x, y), units.tick(number), INK, "small"))
        x, y = view.plane_to_pixels(nocks_mm[side], plane_z_mm)[0]
        cv2.circle(canvas, (round(x), round(y)), int(9 * scale), rgb(PAPER)[::-1], int(4 * scale) + 1, cv2.LINE_AA)
        cv2.circle(canvas, (round(x), round(y)), int(9 * scale), rgb(colour)[::-1], int(2 * scale) + 1, cv2.LINE_AA)
    hook = np.array(hook_mm)
    for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
        line(np.vstack([hook - 16 * way, hook + 16 * way]), PAPER, max(3, int(5 * scale)))
        line(np.vstack([hook - 16 * way, hook + 16 * way]), INK, max(1, int(2 * scale)))
    picture = PillowImage.fromarray(cv2.cvtColor(canvas, cv2.COLOR_BGR2RGB))
    draw = ImageDraw.Draw(picture, "RGBA")
    fonts = {"small": _font(max(10, int(15 * scale))), "big": _font(max(12, int(24 * scale)), bold=True)}
    for place, text, colour, size in labels:
        _boxed(draw, place, text, fonts[size], colour)
    top = result.pictures[result.largest]
    x, y = view.plane_to_pixels(hook, plane_z_mm)[0]
    lines = f"draw {draw_and_force(top, units)}"
    _boxed(draw, (x + 40 * scale, y - 10 * scale), lines, _font(max(16, int(34 * scale)), bold=True), INK, "ls")
    _boxed(
        draw,
        (x + 40 * scale, y + 30 * scale),
        f"pivot to string; {units.length(archery_draw_mm(top.draw_mm))} to the back, by the archery convention",
        _font(max(10, int(17 * scale))),
        INK,
        "ls",
    )
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
