"""The second view drawn: the picture with the string, both edges and the handle's middle, and below it how far string and limbs are to the side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES
from tiller.mechanics.space.tracking import Alignment
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import AIM, INK, LEFT, METRIC, RIGHT, WEAK, Units

Image = NDArray[np.uint8]
Array = NDArray[np.float64]
AROUND = 0.04
"""The picture is cut to the bow, with so much of its width about it."""


@dataclass(frozen=True, kw_only=True)
class Sighted:
    """A picture and what was seen in it, px: both edges (2, k, 2), the string's ends (2, 2); NaN where not seen. ``turned``: the left limb lies right."""

    image: Image
    edges_px: Array
    string_px: Array
    turned: bool = False


def drawn(sight: Sighted) -> Image:
    """The picture with the lines in it, cut to the bow, (h, w, 3) BGR."""
    image = sight.image.copy()
    wide = image.shape[1]
    thick = max(1, round(wide / 1400))
    for k, name in enumerate(("right limb", "left limb") if sight.turned else ("left limb", "right limb")):
        ends = sight.edges_px[0][np.all(np.isfinite(sight.edges_px[0]), axis=1)]
        if len(ends):
            x, y = ends[0 if k == 0 else -1]
            size = wide / 1900
            place = (int(min(x, wide - 190 * size)), int(y - 26 * size))
            cv2.putText(
                image, name, place, cv2.FONT_HERSHEY_SIMPLEX, size, (40, 40, 40), max(1, round(2 * size)), cv2.LINE_AA
            )
    seen = sight.edges_px[np.all(np.isfinite(sight.edges_px), axis=2)]
    for edge in sight.edges_px:
        for point in edge[np.all(np.isfinite(edge), axis=1)]:
            cv2.circle(image, (round(point[0]), round(point[1])), thick, (60, 140, 0), -1, cv2.LINE_AA)
    if np.all(np.isfinite(sight.string_px)):
        a, b = np.round(sight.string_px).astype(int).tolist()
        cv2.line(image, tuple(a), tuple(b), (20, 110, 230), thick, cv2.LINE_AA)
    if len(seen) == 0:
        return image
    low, high = seen.min(axis=0), seen.max(axis=0)
    room = AROUND * wide
    x0, y0 = (int(max(v - room, 0)) for v in low)
    x1, y1 = int(min(high[0] + room, wide)), int(min(high[1] + room, image.shape[0]))
    return np.ascontiguousarray(image[y0:y1, x0:x1])


def alignment_plot(sight: Sighted, alignment: Alignment, bow: Bow, sentence: str, units: Units = METRIC) -> bytes:
    """As PNG."""
    picture = drawn(sight)
    high, wide = picture.shape[:2]
    figure = new_figure(10.0, 6.2)
    tall = min(0.36, 0.94 * 10.0 / 6.2 * high / wide)
    top = figure.add_axes((0.03, 0.88 - tall, 0.94, tall))
    top.imshow(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), aspect="equal")
    top.set_axis_off()
    low = figure.add_axes((0.09, 0.11, 0.88, 0.88 - tall - 0.2))
    dress(low)
    largest = 5.0
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        limb = alignment.limbs[side]
        x = side.sign * np.array([units.length_value(float(s)) for s in limb.s_mm])
        y = np.array([units.length_value(float(v)) for v in limb.bend_mm])
        sd = np.array([units.length_value(float(v)) for v in limb.sd_mm])
        upper = ", upper" if side == bow.upper_limb else ""
        low.fill_between(x, y - sd, y + sd, color=colour, alpha=0.25, linewidth=0)
        low.plot(x, y, color=colour, label=f"{side} limb{upper}, 1 sd")
        largest = max(largest, float(np.nanmax(np.abs(limb.bend_mm))) + 2.0)
    ends = [side.sign * alignment.limbs[side].s_mm[-1] for side in SIDES]
    nocks = [alignment.limbs[side].nock_mm + alignment.limbs[side].groove_mm for side in SIDES]
    low.plot(
        [units.length_value(float(v)) for v in ends],
        [units.length_value(float(v)) for v in nocks],
        color=WEAK,
        label="string",
    )
    low.errorbar(
        [0.0],
        [units.length_value(alignment.offset_mm)],
        yerr=[2 * units.length_value(alignment.offset_sd_mm)],
        color=WEAK,
        marker="o",
        capsize=4,
        label="string at the handle, 2 sd",
    )
    low.axhline(0.0, color=AIM, linewidth=0.8)
    most = units.length_value(largest)
    low.set_ylim(-most, most)
    low.set_xlabel(
        f"along the bow from the middle of the handle [{units.length_unit}] (left limb | right limb)", color=INK
    )
    low.set_ylabel(f"to the right [{units.length_unit}]", color=INK)
    low.legend(fontsize=8, framealpha=1.0, edgecolor="none", loc="lower left", ncols=4)
    sentence = sentence[0].upper() + sentence[1:]
    lines = _broken(sentence, 112)
    for k, line in enumerate(lines[:3]):
        figure.text(0.03, 0.962 - 0.031 * k, line, color=INK, fontsize=9.5)
    return png(figure)


def _broken(text: str, width: int) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if len(line) + len(word) + 1 > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line]
