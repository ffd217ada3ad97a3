"""A bow's file as a sheet: all that stands in it, the value that is changed, and what was changed before."""

from __future__ import annotations

from tiller.report.style import Units
from tiller.setup.bow_values import AWAY
from tiller.window.canvas import Sketch
from tiller.window.look import Look
from tiller.window.pull_sheet import Box
from tiller.window.shop.file_page import FilePage
from tiller.window.shop.setup_sheet import draw_keys

ROWS = 17
"""So many rows are seen at once, heads included."""
KEYS = (
    ("Up", "the value before"),
    ("Down", "the next value"),
    ("Enter", "takes what is typed"),
    ("Escape", "back to the shop"),
)


def file_field_box(width: float, height: float) -> Box:
    """Where a value is typed."""
    return Box(0.58 * width, 0.24 * height, 0.3 * width, 0.07 * height)


def draw_file(sheet: Sketch, page: FilePage, units: Units, look: Look) -> None:
    """Draws it over the whole window."""
    wide, high = sheet.width, sheet.height
    edge, size = 0.018 * high, 0.03 * high
    sheet.cut(edge, 0.6 * edge, f"{page.name}: what stands in its file", 1.3 * size, 0.9 * wide, look.ink)
    body = Box(edge, edge + 2.0 * size, 0.53 * wide, high - edge - 6.0 * size)
    _rows(sheet, page, units, look, body)
    _value(sheet, page, units, look, Box(0.58 * wide, body.y, 0.4 * wide, body.height))
    draw_keys(sheet, KEYS, look, Box(edge, high - 2.6 * size, wide - 2 * edge, 2.2 * size))


def _rows(sheet: Sketch, page: FilePage, units: Units, look: Look, box: Box) -> None:
    tall = box.height / ROWS
    size = 0.62 * tall
    lines: list[int | str] = []
    for k, value in enumerate(page.values):
        if k == 0 or value.section != page.values[k - 1].section:
            lines.append(value.section)
        lines.append(k)
    at = lines.index(page.at)
    first = min(max(0, at - ROWS // 2), max(0, len(lines) - ROWS))
    for row, line in enumerate(lines[first : first + ROWS]):
        y = box.y + row * tall
        if isinstance(line, str):
            sheet.cut(box.x, y + 0.25 * tall, line, size, 0.9 * box.width, look.soft)
            sheet.line([(box.x, y + 0.97 * tall), (box.x + box.width, y + 0.97 * tall)], look.rule, 1.5)
            continue
        value = page.values[line]
        sheet.area(box.x, y, box.width, tall - 3, look.rule if line == page.at else look.panel, 3.0)
        shown = value.shown(units)
        across = sheet.measure(shown, size)
        sheet.cut(box.x + 0.02 * box.width, y + 0.16 * tall, value.label, size, 0.94 * box.width - across, look.ink)
        colour = look.ink if value.now is not None else look.soft
        sheet.text(box.x + 0.98 * box.width, y + 0.16 * tall, shown, size, colour, "right")
        sheet.press(box.x, y, box.width, tall - 3, f"#{line}")
    if len(lines) > ROWS:
        share = ROWS / len(lines)
        sheet.area(
            box.x + box.width + 4, box.y + first / len(lines) * box.height, 4, share * box.height, look.soft, 2.0
        )


def _value(sheet: Sketch, page: FilePage, units: Units, look: Look, box: Box) -> None:
    size = 0.034 * sheet.height
    value, place = page.value, file_field_box(sheet.width, sheet.height)
    room = max(1, int((place.y - box.y - 0.3 * size) / (1.28 * size)))
    sheet.block(box.x, box.y, f"{value.section}: {value.label}", size, box.width, look.ink, room)
    unit = value.field.unit(units.metric)
    if unit:
        sheet.text(place.x + place.width + 0.3 * size, place.y + 0.35 * size, unit, size, look.ink)
    y = place.y + place.height + 0.5 * size
    if value.path[-1] != "+":
        sheet.fitted(box.x, y, f"now {value.shown(units)}", 0.8 * size, box.width, look.soft)
        y += 1.2 * size
    if value.field.choices:
        words = f"one of {', '.join(value.field.choices)}"
        y = sheet.wrapped(box.x, y, words, 0.75 * size, box.width, look.soft, 3) + 0.2 * size
    if value.optional and value.now is not None:
        sheet.fitted(box.x, y, f"{AWAY} takes it away", 0.75 * size, box.width, look.soft)
        y += 1.2 * size
    if page.fault:
        y = sheet.wrapped(box.x, y, units.words(page.fault), 0.8 * size, box.width, look.weak, 4) + 0.3 * size
    elif page.message:
        y = sheet.wrapped(box.x, y, units.words(page.message), 0.8 * size, box.width, look.good, 3) + 0.3 * size
    y = max(y + 0.4 * size, box.y + 0.55 * box.height)
    sheet.text(box.x, y, "what was changed" if page.changes else "nothing was changed here yet", 0.8 * size, look.soft)
    y += 1.3 * size
    small = 0.66 * size
    for change in reversed(page.changes):
        if y > box.y + box.height - 1.2 * small:
            break
        text = f"{change.when}  {change.what}: {change.before} -> {change.after}"
        sheet.cut(box.x, y, text, small, box.width, look.ink)
        y += 1.3 * small
