"""Setting up the rack as a sheet: five cards, and the guided job of one of them with its picture, question and result."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.report.style import Units
from tiller.setup.guided.cards import Card
from tiller.setup.guided.talk import Moment
from tiller.window.canvas import Colour, Sketch
from tiller.window.look import Look, faded
from tiller.window.pull_sheet import Box
from tiller.window.shop.form_sheet import draw_woods

TOUCH = "@"
"""The key of a press on the picture where a place in it is asked for."""
STATES = {"not done": "not done", "works": "works", "good": "good", "due": "due again", "wrong": "see to it"}
CARD_ACTIONS = (
    ("Enter", "begin"),
    ("Up", "up"),
    ("Down", "down"),
    ("C", "next camera"),
    ("A", "camera by its address"),
    ("V", "next scale"),
    ("P", "print the sheets"),
    ("Escape", "back to the shop"),
)


@dataclass(frozen=True, kw_only=True)
class SetupShown:
    """What the sheet shows: its title; the cards and which is chosen; camera and scale in words; the last answer; the job's moment, None without a job; its
    picture's width over height, 0 without one, and its size, px; what stands in the field."""

    title: str
    cards: tuple[Card, ...]
    chosen: int
    camera: str
    scale: str
    message: str
    moment: Moment | None
    aspect: float
    size_px: tuple[int, int]
    typed: str = ""


def setup_field_box(width: float, height: float, pictured: bool = True) -> Box:
    """Where an answer is typed: beside the picture, where there is one."""
    if not pictured:
        return Box(0.04 * width, 0.24 * height, 0.5 * width, 0.065 * height)
    return Box(0.69 * width, 0.36 * height, 0.24 * width, 0.065 * height)


def draw_rack_setup(sheet: Sketch, shown: SetupShown, units: Units, look: Look) -> None:
    """Draws it over the whole window."""
    wide, high = sheet.width, sheet.height
    edge, size = 0.018 * high, 0.03 * high
    card = shown.cards[shown.chosen]
    title = shown.title or ("Set up the rack" if shown.moment is None else f"Set up the rack: {card.name}")
    sheet.cut(edge, 0.6 * edge, title, 1.3 * size, 0.36 * wide, look.ink)
    about = f"camera: {shown.camera}    scale: {shown.scale}"
    sheet.fitted(wide - edge, 0.9 * edge, about, 0.75 * size, 0.6 * wide, look.soft, "right")
    body = Box(edge, edge + 2.0 * size, wide - 2 * edge, high - edge - 6.0 * size)
    if shown.moment is None:
        _cards(sheet, shown, units, look, body)
        draw_keys(sheet, CARD_ACTIONS, look, Box(edge, high - 2.6 * size, wide - 2 * edge, 2.2 * size))
    else:
        _job(sheet, shown, shown.moment, units, look, body)
        draw_keys(sheet, _job_keys(shown), look, Box(edge, high - 2.6 * size, wide - 2 * edge, 2.2 * size))
    if shown.message:
        sheet.cut(edge, high - 3.8 * size, units.words(shown.message), 0.8 * size, wide - 2 * edge, look.weak)


def _job_keys(shown: SetupShown) -> tuple[tuple[str, str], ...]:
    """Keys and what they do while a card is worked on."""
    moment = shown.moment
    if shown.title:
        return _only_keys(moment)
    if moment is None or moment.ended:
        return (("Enter", "the next card"), ("Escape", "back to the cards"))
    if moment.question is not None:
        return (("Enter", "answers"), ("Escape", "leaves it; the rack's file stays as it is"))
    if shown.cards[shown.chosen].name == "camera":
        return (("Enter", "it stands well"), ("Escape", "back to the cards"))
    return (("Escape", "leaves it; the rack's file stays as it is"),)


OR_ENTER = ("sit", "edge", "right", "low", "high", "grain", "sides")
"""Questions that a touch answers and Enter as well."""


def _only_keys(moment: Moment | None) -> tuple[tuple[str, str], ...]:
    """Likewise of a job without cards."""
    if moment is None or moment.ended:
        return (("Escape", "back to the shop"),)
    if moment.question is None:
        return (("Escape", "leaves it"),)
    if moment.question.key == "source" or moment.question.kind == "picture":
        return (("Browse", "choose a file"), ("Enter", "takes what is typed"), ("Escape", "leaves it"))
    if moment.question.kind == "touch" and moment.question.key not in OR_ENTER:
        return (("Escape", "leaves it"),)
    return (("Enter", "answers"), ("Escape", "leaves it"))


def _colour(state: str, look: Look) -> Colour:
    return {"good": look.good, "works": look.left, "due": look.weak, "wrong": look.alarm}.get(state, look.aim)


def _cards(sheet: Sketch, shown: SetupShown, units: Units, look: Look, box: Box) -> None:
    tall = box.height / len(shown.cards)
    size = 0.19 * tall
    for k, card in enumerate(shown.cards):
        y = box.y + k * tall
        colour = _colour(card.state, look)
        sheet.area(box.x, y, box.width, tall - 6, look.rule if k == shown.chosen else look.panel, 4.0)
        sheet.area(box.x, y, 0.006 * box.width, tall - 6, colour, 2.0)
        x = box.x + 0.02 * box.width
        sheet.text(x, y + 0.14 * tall, card.name, 1.3 * size, look.ink)
        sheet.text(x, y + 0.58 * tall, STATES[card.state], size, colour)
        middle, most = box.x + 0.16 * box.width, 0.57 * box.width
        figure = units.words(card.figure) if card.figure else card.what
        sheet.block(middle, y + 0.14 * tall, figure, size, most, look.ink, 1 if card.fault or card.figure else 2)
        below = units.words(card.fault) if card.fault else card.what if card.figure else ""
        if below:
            sheet.block(middle, y + 0.5 * tall, below, 0.82 * size, most, look.weak if card.fault else look.soft, 2)
        days = [f"done {card.day}"] if card.day else []
        days += [f"again {card.again}"] if card.again else []
        for row, text in enumerate(days):
            right = box.x + box.width - 0.02 * box.width
            sheet.fitted(right, y + (0.2 + 0.32 * row) * tall, text, 0.85 * size, 0.22 * box.width, look.soft, "right")
        sheet.press(box.x, y, box.width, tall - 6, f"#{k}")


def _job(sheet: Sketch, shown: SetupShown, moment: Moment, units: Units, look: Look, box: Box) -> None:
    size = (0.03 if shown.aspect else 0.038) * sheet.height
    if shown.aspect:
        _picture(sheet, shown, moment, look, Box(box.x, box.y, 0.66 * box.width, box.height))
    place = setup_field_box(sheet.width, sheet.height, bool(shown.aspect))
    x = place.x
    most = box.x + box.width - x
    y = box.y
    if moment.wanted:
        sheet.text(x, y, f"{moment.taken} of {moment.wanted}", 1.2 * size, look.ink)
        y += 1.4 * size
        sheet.area(x, y, most, 0.35 * size, look.rule, 2.0)
        share = min(1.0, moment.taken / moment.wanted)
        if share > 0:
            sheet.area(x, y, share * most, 0.35 * size, look.good, 2.0)
        y += 0.9 * size
    if moment.question is not None:
        field = moment.question
        room = max(1, int((place.y - y - 0.3 * size) / (1.28 * size)))
        sheet.block(x, y, field.question, size, most, look.ink, room)
        unit = field.unit(units.metric)
        if unit:
            sheet.text(place.x + place.width + 0.3 * size, place.y + 0.3 * size, unit, size, look.ink)
        y = place.y + place.height + 0.6 * size
        usual = field.usual_shown(units.metric)
        if field.kind in ("enter", "touch"):
            usual = ""
        if usual:
            sheet.fitted(x, y, f"Enter alone takes {usual} {unit}".strip(), 0.75 * size, most, look.soft)
            y += 1.2 * size
        if field.key == "wood" and shown.typed.strip() and not moment.fault:
            draw_woods(sheet, shown.typed, look, Box(x, y, place.width, 1.3 * size))
    if moment.fault:
        y = sheet.wrapped(x, y, units.words(moment.fault), 0.85 * size, most, look.weak, 6) + 0.3 * size
    if moment.sentence:
        colour = look.good if moment.ended and moment.good else look.ink
        y = sheet.wrapped(x, y, units.words(moment.sentence), 0.85 * size, most, colour, 6) + 0.5 * size
    if moment.ended and not moment.sentence and not moment.fault:
        left = "It was left." if shown.title else "It was left; the rack's file is as it was."
        y = sheet.wrapped(x, y, left, 0.85 * size, most, look.ink, 2) + 0.5 * size
    small = 0.7 * size
    for line in moment.found:
        if y > box.y + box.height - 1.3 * small:
            break
        y = sheet.block(x, y, units.words(line), small, most, look.soft, 3) + 0.15 * small


def _picture(sheet: Sketch, shown: SetupShown, moment: Moment, look: Look, box: Box) -> None:
    wide = min(box.width, box.height * shown.aspect)
    tall = wide / shown.aspect
    sheet.image(box.x, box.y, wide, tall)
    if moment.question is not None and moment.question.kind == "touch":
        sheet.press(box.x, box.y, wide, tall, TOUCH)
    share = wide / max(shown.size_px[0], 1)
    size = 0.022 * sheet.height
    if moment.fields is not None:
        rows, columns = moment.fields.shape
        for row in range(rows):
            for column in range(columns):
                if moment.fields[row, column] > 0:
                    continue
                w, h = wide / columns, tall / rows
                sheet.area(box.x + column * w + 1, box.y + row * h + 1, w - 2, h - 2, faded(look.weak, 70))
    for dot in moment.dots:
        x, y = box.x + share * dot.x, box.y + share * dot.y
        sheet.dot(x, y, 0.25 * size, look.good)
        if not dot.text:
            continue
        across = sheet.measure(dot.text, size) + 0.5 * size
        sheet.area(x + 0.8 * size, y - 2.0 * size, across, 1.3 * size, faded(look.panel, 220), 3.0)
        sheet.text(x + 1.05 * size, y - 1.9 * size, dot.text, size, look.ink)
    if moment.tape is not None:
        ends = [(box.x + share * d.x, box.y + share * d.y) for d in moment.tape]
        sheet.line(ends, look.weak, 4.0)
        for (x, y), dot in zip(ends, moment.tape, strict=True):
            sheet.dot(x, y, 0.6 * size, look.weak)
            sheet.area(x - size, y - 2.6 * size, 2 * size, 1.6 * size, faded(look.panel, 220), 3.0)
            sheet.text(x, y - 2.4 * size, dot.text, 1.2 * size, look.ink, "middle")
    if moment.fields is not None and (moment.fields == 0).any():
        text = "shaded: no corner was seen there yet"
        sheet.text(box.x, box.y + tall + 0.4 * size, text, 0.9 * size, look.soft)


def draw_keys(sheet: Sketch, keys: tuple[tuple[str, str], ...], look: Look, box: Box) -> None:
    """Keys and what they do, as places to be pressed."""
    wide = sum(sheet.measure(f"{key} {what}", 1.0) + 1.7 for key, what in keys)
    size = min(0.42 * box.height, box.width / wide)
    x = box.x
    for key, what in keys:
        text = f"{key} {what}"
        across = sheet.measure(text, size) + 1.1 * size
        sheet.area(x, box.y, across, 2.0 * size, look.panel, 4.0)
        sheet.text(x + 0.55 * size, box.y + 0.45 * size, text, size, look.ink)
        sheet.press(x, box.y, across, 2.0 * size, key)
        x += across + 0.5 * size
