"""The shop's book on the screen: its pulls, and any two of them beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES
from tiller.records.book import PullRow
from tiller.records.stored_pull import StoredPull
from tiller.window.canvas import Colour, Sketch
from tiller.window.look import Style, faded
from tiller.window.pull_sheet import Box, nice_step

Row = list[tuple[float, float]]


@dataclass(frozen=True)
class Filter:
    """Which pulls are listed: all ('' for ``by``), or those of one bow, wood or day."""

    by: Literal["", "bow", "wood", "day"] = ""
    value: str = ""

    def lets(self, row: PullRow) -> bool:
        """Whether a pull is listed."""
        return not self.by or getattr(row, self.by) == self.value

    def after(self, row: PullRow | None) -> Filter:
        """The next: the chosen pull's bow, its wood, its day, then all again; all without a chosen pull."""
        for by in FILTERS[FILTERS.index(self.by) + 1 :]:
            if row is not None and getattr(row, by):  # a book may know no wood
                return Filter(by, getattr(row, by))
        return Filter()


@dataclass(frozen=True)
class Photograph:
    """A pull's photograph: (h, w, 3) BGR."""

    pull_id: int
    image: NDArray[np.uint8]


FILTERS: tuple[Literal["", "bow", "wood", "day"], ...] = ("", "bow", "wood", "day")
"""In this order they follow each other."""


@dataclass(frozen=True, kw_only=True)
class Listed:
    """What the book's sheet shows.

    Attributes:
        rows: all pulls, oldest first; pulls: those that are shown in full.
        chosen: the pull that the bar stands on, and the one beside it; marked: the one that is kept beside all others.
        only: which pulls alone are listed.
        at: where the bar stands among the rows, None where it does not: thousands of rows are not looked through for each frame.
        photo: the photograph that is shown instead of the curves.
    """

    rows: Sequence[PullRow]
    chosen: Sequence[int]
    marked: int | None
    pulls: Sequence[StoredPull]
    only: Filter = Filter()
    at: int | None = None
    photo: Photograph | None = None


def draw_book(sheet: Sketch, listed: Listed, style: Style, box: Box) -> None:
    """The book: its pulls, newest first, and up to two that are set beside each other."""
    _list(sheet, listed, style, box)
    units, look = style.units, style.look
    size = 0.027 * sheet.height
    top = box.y + _listed_share(listed) * box.height
    gap = 0.012 * box.width
    lower = Box(box.x, top, 0.64 * box.width - gap, box.y + box.height - top)
    if listed.photo is not None:
        _photograph(sheet, listed.photo, style, Box(box.x, top, box.width, lower.height))
        return
    drawn = list(zip(listed.pulls, (look.ink, look.weak), strict=False))
    stiff = [(line, colour) for pull, colour in drawn for line in _stiffness(pull)]
    most = max([v for line, _ in stiff for _, v in line], default=1.0)
    reach = max([abs(s) for line, _ in stiff for s, _ in line], default=1.0)
    along = _Curves(
        lines=[([(s, units.stiffness_value(v)) for s, v in line], colour) for line, colour in stiff],
        span_mm=(-1.03 * reach, 1.03 * reach),
        most=units.stiffness_value(1.05 * most),
        unit=units.stiffness_unit,
        title="stiffness along the limbs (left limb | right limb)",
    )
    _plot(sheet, along, style, lower)
    curves = [(line, colour) for pull, colour in drawn for line in _force_draw(pull)]
    top_n = max([f for line, _ in curves for _, f in line], default=1.0)
    far = max([d for line, _ in curves for d, _ in line], default=1.0)
    right = Box(lower.x + lower.width + gap, top, box.width - lower.width - gap, lower.height)
    over_draw = _Curves(
        lines=[([(d, units.force_value(f)) for d, f in line], colour) for line, colour in curves],
        span_mm=(0.0, 1.03 * far),
        most=units.force_value(1.05 * top_n),
        unit=units.force_unit,
        title="force over draw",
    )
    _plot(sheet, over_draw, style, right)
    x = lower.x + lower.width - 0.02 * lower.width
    for pull, colour in reversed(drawn):
        x -= sheet.text(x, top + 0.3 * size, f"  pull {pull.pull_id}", 0.85 * size, colour, "right")


def _listed_share(listed: Listed) -> float:
    """How much of the height the list has: less beside a photograph."""
    return 0.5 if listed.photo is None else 0.3


def _photograph(sheet: Sketch, photo: Photograph, style: Style, box: Box) -> None:
    """A pull's photograph as large as there is room, and whose it is."""
    size = 0.027 * sheet.height
    high, wide = photo.image.shape[:2]
    scale = min(0.74 * box.width / wide, box.height / high)
    sheet.area(box.x, box.y, scale * wide, scale * high, style.look.panel)
    sheet.image(box.x, box.y, scale * wide, scale * high)
    x = box.x + scale * wide + size
    room = box.x + box.width - x
    y = sheet.wrapped(x, box.y, f"Pull {photo.pull_id} at its largest draw", size, room, style.look.ink, 3)
    sheet.wrapped(
        x, y + 0.5 * size, "left / right: the other pull's, and the curves", 0.85 * size, room, style.look.soft, 3
    )


COLUMNS = (
    (0.0, "pull"),
    (0.07, "bow"),
    (0.30, "day"),
    (0.42, "largest draw"),
    (0.57, "force there"),
    (0.70, "marks"),
)
"""Of the list: where each begins, as a share of its width, and its head."""


def _list(sheet: Sketch, listed: Listed, style: Style, box: Box) -> None:
    units, look = style.units, style.look
    size, wide = 0.027 * sheet.height, box.width
    after = listed.only.after(listed.rows[listed.at] if listed.at is not None and listed.rows else None).by
    keys = (
        "up / down: choose",
        f"F: {f'this {after} only' if after else 'all pulls'}",
        "M: keep for comparison",
        "left / right: photographs",
    )
    for k, text in enumerate(keys):
        sheet.fitted(box.x + wide, box.y + 1.3 * k * size, text, 0.85 * size, 0.18 * wide, look.soft, "right")
    for share, name in COLUMNS:
        sheet.text(box.x + share * wide, box.y, name, 0.85 * size, look.soft)
    y = box.y + 1.4 * size
    if not listed.rows:
        sheet.text(box.x, y, "no pull is in the book yet", size, look.soft)
    fit = max(1, int(((_listed_share(listed) - 0.05) * box.height - 1.4 * size) / (1.3 * size)))
    many = len(listed.rows)
    at = many - 1 - listed.at if listed.at is not None else 0  # from the newest
    first = max(0, min(at - fit // 2, many - fit))
    for row in (listed.rows[many - 1 - k] for k in range(first, min(first + fit, many))):
        picked = row.pull_id in listed.chosen
        if picked:
            sheet.area(box.x - 4, y - 2, wide * 0.8, 1.25 * size, faded(look.weak, 50), 3.0)
        if row.pull_id == listed.marked:
            sheet.text(box.x + 0.78 * wide, y, "M", size, look.ink)
        cells = (
            str(row.pull_id),
            row.bow[:22],
            row.day,
            units.length(row.largest_draw_mm),
            units.force(row.force_there_n),
            str(row.marks),
        )
        for (share, _), text in zip(COLUMNS, cells, strict=True):
            sheet.text(box.x + share * wide, y, text, size, look.ink if picked else look.soft)
        y += 1.3 * size


def _stiffness(pull: StoredPull) -> list[Row]:
    """Stiffness over the place along the bow, left limb to the left, line by line."""
    lines = []
    for side in SIDES:
        limb, sign = pull.limb(side), side.sign
        seen = np.isfinite(limb.stiffness_n_m2)
        line = [(sign * float(s), float(v)) for s, v in zip(limb.s_mm[seen], limb.stiffness_n_m2[seen], strict=True)]
        if len(line) > 1:
            lines.append(line[::2])
    return lines


def _force_draw(pull: StoredPull) -> list[Row]:
    """Force over draw of a pull's pictures, drawn and let down."""
    lines = []
    for branch in ("up", "down"):
        line = [
            (p.draw_mm, p.force_n)
            for p in pull.pictures
            if p.branch == branch and (branch == "up" or p.held) and np.isfinite(p.draw_mm) and np.isfinite(p.force_n)
        ]
        if len(line) > 1:
            lines.append(line)
    return lines


@dataclass(frozen=True)
class _Curves:
    """A small plot over lengths: its lines (mm, value in the unit that is shown), from where to where, and the largest value, from 0."""

    lines: Sequence[tuple[Row, Colour]]
    span_mm: tuple[float, float]
    most: float
    unit: str
    title: str


def _plot(sheet: Sketch, curves: _Curves, style: Style, box: Box) -> None:
    units, look = style.units, style.look
    lines, (low, high), most = curves.lines, curves.span_mm, curves.most
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    size = 0.026 * sheet.height
    if not lines:
        text = "up and down choose a pull; it shows here, with another to compare"
        middle = box.x + 0.5 * box.width
        sheet.fitted(middle, box.y + 0.45 * box.height, text, size, 0.9 * box.width, look.soft, "middle")
        return
    small = 0.75 * size
    step = nice_step(most)
    high_mark = sheet.measure(f"{step * int(most / step):g}", small)
    left, top = box.x + high_mark + 1.2 * size, box.y + 1.9 * size
    wide, tall = box.x + 0.98 * box.width - left, box.height - 3.7 * size
    for k in range(int(most / step) + 1):
        y = top + tall * (1 - k * step / most)
        sheet.line([(left, y), (left + wide, y)], look.rule, 1.0)
        sheet.text(left - 0.3 * size, y - 0.6 * small, f"{k * step:g}", small, look.soft, "right")
    for line, colour in lines:
        sheet.line(
            [(left + wide * (s - low) / (high - low), top + tall * (1 - max(v, 0.0) / most)) for s, v in line],
            colour,
            2.5,
        )
    title = f"{curves.title} [{curves.unit}, over {units.length_unit}]"
    sheet.fitted(box.x + 0.5 * size, box.y + 0.3 * size, title, 0.85 * size, 0.75 * box.width, look.soft)
    tick = units.tick_mm
    for k in range(int(np.ceil(low / tick)), int(high / tick) + 1):
        at = left + wide * (k * tick - low) / (high - low)
        text = f"{units.length_value(abs(k) * tick):.0f}"
        sheet.text(at, top + tall + 0.3 * size, text, small, look.soft, "middle")
