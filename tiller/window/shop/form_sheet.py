"""The form of a new bow as a sheet: one question at a time, a limb with the place that is meant, and what was answered."""

from __future__ import annotations

import numpy as np

from tiller.bow.wood.woods import find_wood, woods_like
from tiller.report.style import Units
from tiller.setup.asking import Asking
from tiller.setup.new_bow import station_places
from tiller.window.canvas import Sketch
from tiller.window.look import Look
from tiller.window.pull_sheet import Box

KEYS = (("Enter", "takes it"), ("Up", "the question before"), ("Escape", "leaves it; what was answered is kept"))


def field_box(width: float, height: float) -> Box:
    """Where the answer is typed."""
    return Box(0.05 * width, 0.26 * height, 0.4 * width, 0.075 * height)


def draw_form(sheet: Sketch, state: Asking, units: Units, look: Look, typed: str = "") -> None:
    """Draws it over the whole window; the field itself is the window library's, and ``typed`` is what stands in it."""
    wide, high = sheet.width, sheet.height
    size = 0.036 * high
    x, most = 0.05 * wide, 0.42 * wide
    title = f"New bow: {state.name}" if state.name else "New bow"
    sheet.cut(x, 0.04 * high, title, 1.3 * size, 0.6 * wide, look.ink)
    number = f"question {state.at + 1} of {state.count}" if state.at >= 0 else "first its name"
    sheet.text(wide - x, 0.05 * high, number, 0.7 * size, look.soft, "right")
    asked = state.asked
    sheet.block(x, 0.12 * high, asked.question, size, most, look.ink, 3)
    box = field_box(wide, high)
    sheet.text(box.x + box.width + 0.4 * size, box.y + 0.3 * size, state.unit, size, look.ink)
    y = box.y + box.height + 0.5 * size
    usual = asked.usual_shown(units.metric)
    if usual:
        sheet.fitted(
            x, y, f"Enter alone takes {usual}{f' {state.unit}' if state.unit else ''}", 0.7 * size, most, look.soft
        )
    y += 1.1 * size
    if state.unit:
        other = {"mm": "34 1/2 in", "in": "880 mm", "N": "45 lb", "lb": "200 N"}[state.unit]
        sheet.fitted(x, y, f"or with its own unit, such as {other}", 0.7 * size, most, look.soft)
    y += 1.4 * size
    if asked.key == "wood" and typed.strip() and not state.fault:
        draw_woods(sheet, typed, look, Box(x, y, most, 1.4 * size))
    elif state.follows and not state.fault:
        sheet.wrapped(x, y, units.words(state.follows), 0.75 * size, most, look.soft, 4)
    if state.fault:
        sheet.wrapped(x, y, units.words(state.fault), 0.8 * size, most, look.weak, 4)
    _limb(sheet, state, units, look, Box(0.52 * wide, 0.12 * high, 0.43 * wide, 0.42 * high))
    _answers(sheet, state, units, look, Box(0.52 * wide, 0.57 * high, 0.43 * wide, 0.32 * high))
    foot = high - 2.0 * size
    for key, what in KEYS:
        text = f"{key} {what}"
        across = sheet.measure(text, 0.8 * size) + size
        sheet.area(x, foot, across, 1.5 * size, look.panel, 4.0)
        sheet.text(x + 0.5 * size, foot + 0.3 * size, text, 0.8 * size, look.ink)
        sheet.press(x, foot, across, 1.5 * size, key)
        x += across + 0.5 * size


def draw_woods(sheet: Sketch, typed: str, look: Look, box: Box) -> None:
    """Woods whose names begin with what is typed; a touch takes one. ``box``: the first row, below it there may be more."""
    size, names = 0.5 * box.height, woods_like(typed)
    if not names and find_wood(typed) is None:
        sheet.fitted(box.x, box.y, "no wood of the table is called so", size, box.width, look.soft)
    x, y = box.x, box.y
    for name in names:
        across = sheet.measure(name, size) + size
        if x > box.x and x + across > box.x + box.width:
            x, y = box.x, y + 1.15 * box.height
        sheet.area(x, y, across, box.height, look.panel, 4.0)
        sheet.text(x + 0.5 * size, y + 0.4 * size, name, size, look.ink)
        sheet.press(x, y, across, box.height, f"={name}")
        x += across + 0.5 * size


def _limb(sheet: Sketch, state: Asking, units: Units, look: Look, box: Box) -> None:
    """One limb from above and from the side, with the places of its calipers; the one that is meant stands out."""
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    size = 0.06 * box.height
    key = state.asked.key
    side = "right" if key.startswith("right") else "left"
    left, right = box.x + 0.06 * box.width, box.x + 0.94 * box.width
    sheet.text(
        box.x + 0.02 * box.width,
        box.y + 0.03 * box.height,
        f"{side} limb, pivot on the left, nock on the right",
        size,
        look.soft,
    )
    at = np.linspace(0.0, 1.0, 21)
    for middle, half, what in (
        (box.y + 0.36 * box.height, 0.1 * box.height * np.where(at < 0.12, 0.7, 1.05 - 0.75 * at), "width"),
        (box.y + 0.74 * box.height, 0.045 * box.height * np.where(at < 0.12, 1.6, 1.05 - 0.5 * at), "thickness"),
    ):
        places = [(left + float(a) * (right - left), float(h)) for a, h in zip(at, half, strict=True)]
        upper = [(px, middle - h) for px, h in places]
        lower = [(px, middle + h) for px, h in reversed(places)]
        sheet.polygon([*upper, *lower], look.rule)
        sheet.text(left, middle + 0.13 * box.height, what, size, look.soft)
        length = float(state.answers.get(f"{side}_length", 880.0))
        handle = float(state.answers.get("handle", 50.0))
        for k, s in enumerate(station_places(length, handle)):
            px = left + s / length * (right - left)
            h = float(np.interp(s / length, at, half))
            name = "width" if what == "width" else "thick"
            meant = key == f"{side}_{name}{k}"
            colour = look.weak if meant else look.soft
            sheet.line([(px, middle - h - 4), (px, middle + h + 4)], colour, 4.0 if meant else 1.5)
            answer = state.answers.get(f"{side}_{name}{k}")
            label = (
                units.length(float(answer), 1 if units.metric else 2) if answer is not None else "?" if meant else ""
            )
            if label:
                sheet.text(
                    px,
                    middle - h - 1.6 * size,
                    label,
                    0.85 * size,
                    look.ink if answer is not None else look.weak,
                    "middle",
                )
    place = state.place_mm
    if np.isfinite(place):
        text = f"{units.length(place)} from the pivot, along the back"
        sheet.text(box.x + 0.98 * box.width, box.y + 0.91 * box.height, text, size, look.ink, "right")


def _answers(sheet: Sketch, state: Asking, units: Units, look: Look, box: Box) -> None:
    """The last answers, newest first."""
    size = 0.075 * box.height
    done = [f for f in state.fields[: max(0, state.at)] if f.key in state.answers]
    y = box.y
    for question in reversed(done[-9:]):
        value = state.answers[question.key]
        if question.kind == "text":
            shown = str(value)
        elif question.kind == "mm":
            shown = units.length(float(value), 1 if units.metric else 2)
        else:
            shown = units.force(float(value))
        wide = sheet.measure(shown, size)
        sheet.cut(box.x, y, question.question, size, box.width - wide - size, look.soft)
        sheet.text(box.x + box.width, y, shown, size, look.ink, "right")
        y += 1.4 * size
