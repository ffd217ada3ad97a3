"""The shop as a sheet: what there is, what is next for each, and the one that is chosen with its photograph."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.report.style import Units
from tiller.shop.overview import ORDER, Item
from tiller.window.canvas import Sketch
from tiller.window.look import Look, faded
from tiller.window.pull_sheet import Box

ROWS = 9
"""So many rows of the list are seen at once."""
ACTIONS: tuple[tuple[str, str], ...] = (
    ("Enter", "at the rack"),
    ("P", "its sheet"),
    ("T", "rack in software"),
    ("C", "camera"),
    ("V", "scale"),
    ("U", "units"),
    ("L", "light or dark"),
    ("Q", "quit"),
)
EMPTY = (
    ("The shop is empty.", ""),
    ("T", "looks at the rack in software: a bow, a camera and a scale of its own, nothing of it is real."),
    ("A new bow", "is asked for by 'tiller bow NAME', a stave is kept by 'tiller stave NAME'."),
    ("A rack", "is made to measure by 'tiller targets' and 'tiller calibrate': hardware/ and calibration/ say how."),
)


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What the sheet shows.

    Attributes:
        items: of the shop; chosen: which of them.
        lines: what else is said of the chosen one, in words.
        aspect: width over height of its photograph, 0 without one.
        camera, scale: what is used at the rack, in words; message: the last answer.
    """

    items: tuple[Item, ...]
    chosen: int
    lines: tuple[str, ...]
    aspect: float
    camera: str
    scale: str
    message: str


def draw_shop(sheet: Sketch, shown: Shown, units: Units, look: Look) -> None:
    """Draws it over the whole window; rows and actions may be pressed."""
    wide, high = sheet.width, sheet.height
    edge, size = 0.018 * high, 0.03 * high
    sheet.text(edge, 0.6 * edge, "The shop", 1.3 * size, look.ink)
    sheet.fitted(
        wide - edge,
        0.9 * edge,
        f"camera: {shown.camera}    scale: {shown.scale}",
        0.75 * size,
        0.7 * wide,
        look.soft,
        "right",
    )
    top = edge + 2.0 * size
    foot = Box(edge, high - 2.6 * size, wide - 2 * edge, 2.2 * size)
    body = Box(edge, top, wide - 2 * edge, foot.y - top - edge)
    if shown.items:
        left = Box(body.x, body.y, 0.44 * body.width, body.height)
        _rows(sheet, shown, units, look, left)
        right = Box(left.x + left.width + edge, body.y, body.width - left.width - edge, body.height)
        _chosen(sheet, shown, units, look, right)
    else:
        _empty(sheet, look, body)
    if shown.message:
        sheet.fitted(edge, foot.y - 1.1 * size, units.words(shown.message), 0.8 * size, wide - 2 * edge, look.weak)
    _foot(sheet, look, foot)


def _rows(sheet: Sketch, shown: Shown, units: Units, look: Look, box: Box) -> None:
    tall = box.height / ROWS
    size = 0.3 * tall
    first = min(max(0, shown.chosen - ROWS // 2), max(0, len(shown.items) - ROWS))
    for k, item in enumerate(shown.items[first : first + ROWS]):
        y = box.y + k * tall
        lit = first + k == shown.chosen
        sheet.area(box.x, y, box.width, tall - 4, look.rule if lit else look.panel, 4.0)
        mark = {"in work": look.left, "to begin": look.right, "drying": look.aim, "finished": look.good}.get(
            item.state, look.alarm
        )
        sheet.area(box.x, y, 0.012 * box.width, tall - 4, mark, 2.0)
        inner = box.x + 0.03 * box.width
        sheet.fitted(inner, y + 0.16 * tall, item.name, size, 0.62 * box.width, look.ink)
        about = ", ".join(part for part in (item.wood, item.state, item.day) if part)
        sheet.fitted(
            box.x + box.width - 0.02 * box.width,
            y + 0.2 * tall,
            about,
            0.68 * size,
            0.33 * box.width,
            look.soft,
            "right",
        )
        sheet.fitted(inner, y + 0.56 * tall, units.words(item.next_step), 0.78 * size, 0.94 * box.width, look.ink)
        sheet.press(box.x, y, box.width, tall - 4, f"#{first + k}")
    if len(shown.items) > ROWS:
        share = ROWS / len(shown.items)
        sheet.area(
            box.x + box.width + 2,
            box.y + first / len(shown.items) * box.height,
            4,
            share * box.height,
            faded(look.soft, 160),
            2.0,
        )


def _chosen(sheet: Sketch, shown: Shown, units: Units, look: Look, box: Box) -> None:
    item = shown.items[shown.chosen]
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    edge = 0.02 * box.width
    size = 0.036 * box.height
    x, y, most = box.x + edge, box.y + edge, box.width - 2 * edge
    sheet.fitted(x, y, item.name, 1.5 * size, most, look.ink)
    y += 2.0 * size
    about = ", ".join(part for part in (item.wood, f"{item.pulls} pulls" if item.pulls else "", item.figures) if part)
    sheet.fitted(x, y, units.words(about), size, most, look.soft)
    y += 1.7 * size
    sheet.text(x, y, "NEXT", 0.8 * size, look.soft)
    y = sheet.wrapped(x, y + 1.1 * size, units.words(item.next_step) + ".", 1.15 * size, most, look.ink, 3) + 0.5 * size
    if shown.aspect:
        tall = min(most / shown.aspect, 0.42 * box.height)
        sheet.image(x, y, tall * shown.aspect, tall)
        y += tall + 0.8 * size
    for line in shown.lines:
        if y > box.y + box.height - 1.6 * size:
            break
        sheet.fitted(x, y, line, 0.72 * size, most, look.ink)
        y += 1.05 * size


def _empty(sheet: Sketch, look: Look, box: Box) -> None:
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    size = 0.05 * box.height
    x, y = box.x + 0.05 * box.width, box.y + 0.12 * box.height
    for head, text in EMPTY:
        sheet.text(x, y, head, size, look.ink)
        if text:
            sheet.fitted(x + 0.16 * box.width, y + 0.1 * size, text, 0.8 * size, 0.76 * box.width, look.soft)
        y += 2.2 * size


def _foot(sheet: Sketch, look: Look, box: Box) -> None:
    wide = sum(sheet.measure(f"{key} {name}", 1.0) + 1.7 for key, name in ACTIONS)
    size = min(0.5 * box.height, box.width / wide)
    x = box.x
    for key, name in ACTIONS:
        text = f"{key} {name}"
        across = sheet.measure(text, size) + 1.1 * size
        sheet.area(x, box.y, across, 2.0 * size, look.panel, 4.0)
        sheet.text(x + 0.55 * size, box.y + 0.45 * size, text, size, look.ink)
        sheet.press(x, box.y, across, 2.0 * size, key)
        x += across + 0.5 * size


__all__ = ["ACTIONS", "ORDER", "Shown", "draw_shop"]
