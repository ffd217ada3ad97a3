"""The shop as a sheet: what there is, what is next for each, and the one that is chosen with its photograph."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tiller.report.style import Units
from tiller.shop.overview import ORDER, Item, Page
from tiller.window.canvas import Sketch
from tiller.window.look import Look, faded
from tiller.window.pull_sheet import Box

ROWS = 9
"""So many rows of the list are seen at once."""
ACTIONS: tuple[tuple[str, str], ...] = (
    ("Enter", "goes on with it"),
    ("D", "a phone's pictures"),
    ("Y", "its string's track"),
    ("E", "its file"),
    ("N", "new bow"),
    ("F", "new bow, few measures"),
    ("G", "new stave"),
    ("W", "log, modulus, place"),
    ("P", "its sheet"),
    ("S", "strip for the limb"),
    ("O", "template"),
    ("A", "its pull again"),
    ("R", "set up the rack"),
    ("T", "rack in software"),
    ("X", "export"),
    ("B", "backup"),
    ("U", "units"),
    ("L", "light or dark"),
    ("Q", "quit"),
)
EMPTY = (
    ("The shop is empty.", ""),
    ("T", "looks at the rack in software: a bow, a camera and a scale of its own, nothing of it is real."),
    ("N", "asks for what must be known of a new bow; F for few measures, enough for a first answer."),
    ("D", "measures a phone's pictures of a bow on any tillering tree, with printed sheets (R, then P) near it."),
    ("G", "begins a stave that dries: its wood, its days, what it weighs."),
    (
        "W",
        "reads a log's sawn end in a picture with a printed sheet: diameter, rings, and how to split it into staves.",
    ),
    ("B", "puts a backup of a shop in place."),
    ("R", "sets up the rack: prints its sheets, then camera, lens, rack, scale and check, step by step."),
)


@dataclass(frozen=True, kw_only=True)
class PullOfBow:
    """Which of a bow's pulls is shown: its number in the book, the how-manieth of how many it is, its day; whether it is the newest.

    ``track``: the second view is shown instead, behind the newest pull.
    """

    pull_id: int
    number: int
    count: int
    day: str
    newest: bool = True
    track: bool = False


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What the sheet shows.

    Attributes:
        items: of the shop; chosen: which of them.
        lines: what else is reported of the chosen one, in words; page: its course and list, None without a pull.
        pull: whose photograph and report it is, None without.
        aspect: width over height of that photograph, 0 without one.
        camera, scale: what is used at the rack, in words; message: the last answer.
    """

    items: tuple[Item, ...]
    chosen: int
    lines: tuple[str, ...]
    page: Page | None
    aspect: float
    camera: str
    scale: str
    message: str
    pull: PullOfBow | None = None


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
    foot = Box(edge, high - 3.5 * size, wide - 2 * edge, 3.2 * size)
    body = Box(edge, top, wide - 2 * edge, foot.y - top - 1.5 * size)
    if shown.items:
        left = Box(body.x, body.y, 0.44 * body.width, body.height)
        _rows(sheet, shown, units, look, left)
        right = Box(left.x + left.width + edge, body.y, body.width - left.width - edge, body.height)
        _chosen(sheet, shown, units, look, right)
    else:
        _empty(sheet, look, body)
    if shown.message:
        sheet.cut(edge, foot.y - 1.2 * size, units.words(shown.message), 0.8 * size, wide - 2 * edge, look.weak)
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
        sheet.cut(inner, y + 0.16 * tall, item.name, size, 0.62 * box.width, look.ink)
        about = ", ".join(part for part in (item.wood, item.state, item.day) if part)
        sheet.cut(
            box.x + box.width - 0.02 * box.width,
            y + 0.2 * tall,
            about,
            0.68 * size,
            0.33 * box.width,
            look.soft,
            "right",
        )
        sheet.cut(inner, y + 0.56 * tall, units.words(item.next_step), 0.78 * size, 0.94 * box.width, look.ink)
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


GRAVE = ("STOP", "OVERSTRAINED")
"""How the sentences begin that never give way to others."""


def _chosen(sheet: Sketch, shown: Shown, units: Units, look: Look, box: Box) -> None:
    item = shown.items[shown.chosen]
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    edge = 0.02 * box.width
    size = 0.036 * box.height
    x, y, most = box.x + edge, box.y + edge, box.width - 2 * edge
    taken = _which_pull(sheet, shown.pull, look, Box(x, y, most, 1.8 * size)) if shown.pull is not None else 0.0
    sheet.cut(x, y, item.name, 1.5 * size, most - taken, look.ink)
    y += 2.0 * size
    about = ", ".join(
        part
        for part in (
            item.wood,
            f"{item.pulls} {'pull' if item.pulls == 1 else 'pulls'}" if item.pulls else "",
            item.figures,
        )
        if part
    )
    sheet.cut(x, y, units.words(about), size, most, look.soft)
    y += 1.7 * size
    sheet.text(x, y, "NEXT", 0.8 * size, look.soft)
    y = sheet.wrapped(x, y + 1.1 * size, units.words(item.next_step) + ".", 1.15 * size, most, look.ink, 7) + 0.5 * size
    page = shown.page
    earlier = shown.pull is not None and not shown.pull.newest
    # what must be looked at before anything is scraped comes first, whatever else has no room
    grave = tuple(t for t in page.warned if t.startswith(GRAVE)) if page is not None else ()
    for text in grave:
        y = sheet.wrapped(x, y, units.words(text), 0.8 * size, most, look.weak, 6) + 0.3 * size
    end = box.y + box.height - edge
    below = end - (0.27 * box.height if page is not None and len(page.course) > 1 else 0.0)
    across = tall = 0.0
    if shown.aspect:
        tall = max(0.0, min(0.56 * most / shown.aspect, below - y - 3.5 * size))
        across = tall * shown.aspect + edge
        sheet.image(x, y, tall * shown.aspect, tall)
    after = y
    room = Box(x + across, y, most - across, below - y - 1.2 * size)
    if earlier:  # what it said stands beside its photograph; what is to be scraped now is not of it
        after = _said(sheet, shown.lines, look, room, size)
    elif page is not None and page.layers:
        # beside the photograph where there is one
        after = _list(sheet, page, units, look, room, size)
    y = max(after, y + tall + 0.6 * size if shown.aspect else y)
    first = tuple(units.words(t) for t in page.warned if t not in grave) if page is not None else ()
    newest = tuple(f"By the newest pull: {text}" for text in first)
    for line in newest if earlier else (*first, *shown.lines):
        rows = min(3, sheet.rows(line, 0.72 * size, most))
        if y + 0.95 * size * (rows + 1) > below - 0.4 * size:
            if y + 0.95 * size > below - 0.4 * size:
                break
            sheet.text(
                x,
                y,
                "… and more: its sheet (P) has all notes, 'tiller plan' the plan" if page is not None else "… and more",
                0.72 * size,
                look.soft,
            )
            break
        y = sheet.wrapped(x, y, line, 0.72 * size, most, look.ink, 3) + 0.2 * size
    if page is not None and len(page.course) > 1:
        _courses(sheet, page, units, look, Box(x, below, most, end - below))


def _courses(sheet: Sketch, page: Page, units: Units, look: Look, box: Box) -> None:
    """Weight, unevenness and set over the pulls, beside each other."""
    gap = 0.03 * box.width
    each = (box.width - 2 * gap) / 3
    weight, uneven, taken = (Box(box.x + k * (each + gap), box.y, each, box.height) for k in range(3))
    force, length = f"weight at the target [{units.force_unit}]", f"set [{units.length_unit}]"
    weights = tuple(p.weight_n for p in page.course)
    _course(sheet, weights, page.target_n, force, units.force_value, look, weight)
    _course(sheet, tuple(100 * p.uneven for p in page.course), 0.0, "uneven [%]", float, look, uneven)
    _course(sheet, tuple(p.set_mm for p in page.course), 0.0, length, units.length_value, look, taken)


def _which_pull(sheet: Sketch, pull: PullOfBow, look: Look, box: Box) -> float:
    """Which pull is shown, with the keys to the one before and after it, at the right end of a line; the width that it takes."""
    size, across = 0.4 * box.height, 0.8 * box.height
    text = f"pull {pull.pull_id} of {pull.day}: {pull.number} of {pull.count}"
    if pull.track:
        text = f"its string's track, {pull.day}"
    wide = min(sheet.measure(text, size), 0.5 * box.width - 2 * across)
    left = box.x + box.width - wide - 2 * across - size
    for x, key, sign, more in (
        (left, "Left", "<", pull.number > 1),
        (box.x + box.width - across, "Right", ">", pull.number < pull.count),
    ):
        sheet.area(x, box.y, across, across, look.rule, 4.0)
        middle, colour = x + 0.5 * across, look.ink if more else faded(look.soft, 90)
        sheet.text(middle, box.y + 0.2 * across, sign, 0.6 * across, colour, "middle")
        sheet.press(x, box.y, across, across, key)
    sheet.fitted(left + across + 0.5 * size, box.y + 0.5 * (across - size), text, size, wide, look.soft)
    return wide + 2 * across + 2 * size


def _said(sheet: Sketch, lines: tuple[str, ...], look: Look, box: Box, size: float) -> float:
    """What a pull said, as much of it as there is room for; where the next line may begin."""
    y, small = box.y, 0.72 * size
    for line in lines:
        rows = sheet.rows(line, small, box.width)
        if y + 0.95 * size * (rows + 1) > box.y + box.height:
            sheet.text(box.x, y, "…", small, look.soft)
            return y + size
        y = sheet.wrapped(box.x, y, line, small, box.width, look.ink, rows) + 0.2 * size
    return y


def _list(sheet: Sketch, page: Page, units: Units, look: Look, box: Box, size: float) -> float:
    """The last list to scrape, struck out where strokes were made since; where the next line may begin."""
    over = any(text.startswith(GRAVE[1]) for text in page.warned)
    now = "WHEN A WAY OUT IS CHOSEN, SCRAPE, in this order" if over else "TO SCRAPE, in this order"
    head = now if page.held else "WAS TO BE SCRAPED, before the last strokes"
    sheet.fitted(box.x, box.y, head, 0.8 * size, box.width, look.soft)
    y = box.y + 1.3 * size
    for text in page.layers:
        if y > box.y + box.height - size:
            sheet.text(box.x, y, "...", 0.8 * size, look.soft)
            y += size
            break
        line = units.words(text)
        fit = min(0.85 * size, 0.85 * size * box.width / max(sheet.measure(line, 0.85 * size), 1.0))
        sheet.text(box.x, y, line, fit, look.ink if page.held else look.soft)
        if not page.held:
            middle = y + 0.55 * fit
            sheet.line([(box.x, middle), (box.x + sheet.measure(line, fit), middle)], look.soft, 1.5)
        y += 1.15 * size
    return y + 0.4 * size


def _course(
    sheet: Sketch,
    values: tuple[float, ...],
    wanted: float,
    title: str,
    shown_as: Callable[[float], float],
    look: Look,
    box: Box,
) -> None:
    """One figure over the pulls, with what is wanted as a thin line; the largest and the newest value are written."""
    size = 0.1 * box.height
    sheet.fitted(box.x, box.y, title, size, box.width, look.soft)
    known = [(k, v) for k, v in enumerate(values) if np.isfinite(v)]
    left, top, wide, tall = box.x + 2.4 * size, box.y + 1.9 * size, box.width - 5.2 * size, box.height - 3.6 * size
    sheet.line([(left, top + tall), (left + wide, top + tall)], look.rule, 1.0)
    sheet.fitted(
        left + 0.5 * wide, top + tall + 0.3 * size, "pull by pull, to the newest", 0.8 * size, wide, look.soft, "middle"
    )
    if not known:
        sheet.text(left, top + 0.3 * tall, "not known from these pulls", 0.9 * size, look.soft)
        return
    ends = [v for _, v in known] + ([wanted] if np.isfinite(wanted) and wanted > 0 else [])
    low, high = (min(0.0, *ends), max(ends)) if min(ends) < 0.5 * max(ends) else (0.9 * min(ends), max(ends))
    span = max(high - low, 1e-9)

    def at(k: int, v: float) -> tuple[float, float]:
        return left + wide * k / max(1, len(values) - 1), top + tall * (1.0 - (v - low) / span)

    if np.isfinite(wanted) and wanted > 0:
        y = at(0, wanted)[1]
        sheet.line([(left, y), (left + wide, y)], look.aim, 1.0)
    for v in (low, high):
        sheet.text(left - 0.4 * size, at(0, v)[1] - 0.5 * size, f"{shown_as(v):.3g}", 0.8 * size, look.soft, "right")
    sheet.line([(left, top), (left, top + tall)], look.rule, 1.0)
    sheet.line([at(k, v) for k, v in known], look.left, 2.5)
    for k, v in known:
        sheet.dot(*at(k, v), 0.03 * box.height, look.left)
    last = known[-1]
    x, y = at(*last)
    sheet.text(x + 0.4 * size, y - 0.5 * size, f"{shown_as(last[1]):.3g}", size, look.ink)


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
    """Keys and what they do, in two rows, as places to be pressed."""
    half = (len(ACTIONS) + 1) // 2
    rows = (ACTIONS[:half], ACTIONS[half:])
    wide = max(sum(sheet.measure(f"{key} {name}", 1.0) + 1.7 for key, name in row) for row in rows)
    size = min(0.22 * box.height, box.width / wide)
    for k, row in enumerate(rows):
        x, y = box.x, box.y + 0.5 * k * box.height
        for key, name in row:
            text = f"{key} {name}"
            across = sheet.measure(text, size) + 1.1 * size
            sheet.area(x, y, across, 2.0 * size, look.panel, 4.0)
            sheet.text(x + 0.55 * size, y + 0.45 * size, text, size, look.ink)
            sheet.press(x, y, across, 2.0 * size, key)
            x += across + 0.5 * size


__all__ = ["ACTIONS", "ORDER", "Shown", "draw_shop"]
