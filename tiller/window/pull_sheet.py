"""The sheet that is shown while the bow is pulled: the picture with the bend on it, the strip of strain, numerals, curve."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Side
from tiller.live.stages import DRAWN
from tiller.live.view import View
from tiller.report.style import Units
from tiller.sources.interfaces import Stage
from tiller.window.canvas import Point, Sketch
from tiller.window.look import Look, Style, faded

Array = NDArray[np.float64]

NUMERAL = 0.118
"""Size of the numerals' font over the window's height; the figures themselves are 0.62 of that: over 7 %."""
SHOWN_STRAIN = 0.0008
"""With less bend than this the strip would show noise."""
STRIP_REACH = 0.35
"""The strip shows strain from 35 % under to 35 % over even."""


@dataclass(frozen=True)
class Box:
    """A rectangle in window pixels."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Places:
    """Where the parts of the sheet are."""

    head: Box
    picture: Box
    strip: Box
    side: Box
    foot: Box


def places(width: float, height: float, aspect: float) -> Places:
    """The parts for a window of that size and a picture of that width over height."""
    gap = 0.012 * height
    head, foot = 0.095 * height, 0.06 * height
    side = max(0.27 * width, min(0.36 * width, 0.52 * height))
    room = Box(gap, head + gap, width - side - 3 * gap, height - head - foot - 3 * gap)
    strip = 0.2 * room.height
    tall = min(room.height - strip - gap, room.width / aspect)
    wide = tall * aspect
    picture = Box(room.x + 0.5 * (room.width - wide), room.y, wide, tall)
    return Places(
        Box(gap, gap, width - 2 * gap, head - gap),
        picture,
        Box(picture.x, room.y + tall + gap, wide, room.height - tall - gap),
        Box(width - side - gap, head + gap, side, height - head - foot - 3 * gap),
        Box(gap, height - foot - gap, width - 2 * gap, foot),
    )


LEAST_LABEL = 0.02
"""Labels on the picture are no smaller than this share of the window's height."""


def draw(sheet: Sketch, view: View, bow: Bow, style: Style, at: Places, frame: tuple[int, int]) -> None:
    """Draws the sheet. ``frame``: width and height of the camera's picture in its own pixels."""
    draw_head(sheet, view, style, at.head)
    draw_picture(sheet, view, bow, style, at.picture, frame)
    _strip(sheet, view, bow, style, at.strip, at.picture, frame)
    _numerals(sheet, view, style, at.side)


def alarmed(view: View) -> bool:
    """Whether the head is the alarm's."""
    return view.stage is Stage.BEYOND or bool(view.alarm)


def draw_head(sheet: Sketch, view: View, style: Style, box: Box) -> None:
    """The state in a word or two and the next step in a sentence."""
    units, look = style.units, style.look
    alarm = alarmed(view)
    if alarm:
        sheet.area(box.x, box.y, box.width, box.height, look.alarm, 6.0)
    ink = look.on_alarm if alarm else look.ink
    word = view.stage.value.upper()
    size = 0.62 * box.height
    wide = sheet.text(box.x + 0.2 * size, box.y + 0.16 * box.height, word, size, ink)
    left = box.x + 0.9 * size + wide
    sentence, most = units.words(view.sentence), box.x + box.width - left - 0.2 * size
    colour = ink if alarm else look.soft
    if sheet.measure(sentence, 0.4 * box.height) <= most:
        sheet.text(left, box.y + 0.3 * box.height, sentence, 0.4 * box.height, colour)
    elif alarm:  # read from three metres away: nothing else stands in the head then
        sheet.block(left, box.y + 0.08 * box.height, sentence, 0.37 * box.height, most, colour, 2)
    else:
        sheet.block(
            left, box.y + 0.29 * box.height, sentence, 0.31 * box.height, most, look.ink, 2
        )  # as much as that is trouble


def crowded(sheet: Sketch, view: View, units: Units, box: Box) -> bool:
    """Whether the head has no room for a note beside its sentence."""
    size = 0.62 * box.height
    left = 0.9 * size + sheet.measure(view.stage.value.upper(), size)
    return alarmed(view) and sheet.measure(units.words(view.sentence), 0.4 * box.height) > box.width - left - 0.2 * size


def draw_picture(sheet: Sketch, view: View, bow: Bow, style: Style, box: Box, frame: tuple[int, int]) -> None:
    """The picture with the bend drawn on it, marks, what is to be scraped, knots and the like, and the hook."""
    look = style.look
    if view.image is None:
        sheet.area(box.x, box.y, box.width, box.height, look.panel)
        size = 0.05 * box.height
        sheet.text(box.x + 0.5 * box.width, box.y + 0.45 * box.height, "no picture", size, look.soft, "middle")
        return
    sheet.image(box.x, box.y, box.width, box.height)
    scale = box.width / frame[0]

    def place(px: float, py: float) -> Point:
        return (box.x + scale * px, box.y + scale * py)

    for side, colour in zip(SIDES, (look.left, look.right), strict=True):
        line = view.lines_px.get(side)
        if line is None or len(line) < 2:
            continue
        for points in _seen_runs(view, side, line):
            run = [place(float(x), float(y)) for x, y in points]
            sheet.line(run, (0, 0, 0, 150), 7.0)
            sheet.line(run, colour, 4.5)
        drawn = _Drawn(side, view.stations_mm.get(side, np.empty(0)), line, place, box)
        _marks(sheet, view, look, drawn)
        _zones(sheet, view, look, drawn)
        _features(sheet, bow, look, drawn)
    if view.hook_px is not None:
        x, y = place(*view.hook_px)
        radius = 0.012 * box.height
        sheet.dot(x, y, radius, (0, 0, 0, 160))
        sheet.dot(x, y, 0.7 * radius, look.weak)


def _seen_runs(view: View, side: Side, line: Array) -> list[Array]:
    """The stretches (k, 2) of a limb's line that are seen: what is a guess is not drawn."""
    hidden = (view.looked.hidden if view.looked is not None else {}).get(side)
    shown = np.isfinite(line[:, 0]) & (True if hidden is None or len(hidden) != len(line) else ~hidden)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], shown, [False]]).astype(int)))
    runs = [line[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [np.vstack([run[:-1:2], run[-1:]]) for run in runs if len(run) > 1]


@dataclass(frozen=True)
class _Drawn:
    """A limb in the picture.

    Attributes:
        s_mm: (n,) its stations; line_px: (n, 2) where they are, pixels of the camera.
        place: from those to the window; box: the picture's.
    """

    side: Side
    s_mm: Array
    line_px: Array
    place: Callable[[float, float], Point]
    box: Box


def _marks(sheet: Sketch, view: View, look: Look, drawn: _Drawn) -> None:
    """Stretches that the last measured pull found stiff or weak, beside the limb in the picture."""
    if view.worked is None:
        return
    limb = view.worked.result.limb(drawn.side)
    s, line, place, box = drawn.s_mm, drawn.line_px, drawn.place, drawn.box
    if len(s) != len(line):
        return
    for mark in limb.marks:
        inside = (s >= mark.from_mm) & (s <= mark.to_mm)
        if np.count_nonzero(inside) < 2:
            continue
        colour = look.stiff if mark.kind == "stiff" else look.weak
        points = [place(float(x), float(y)) for x, y in line[inside]]
        above = [(x, y - 0.045 * box.height) for x, y in points]
        sheet.line(above, (0, 0, 0, 150), 9.0)
        sheet.line(above, colour, 5.5)
        x, y = above[len(above) // 2]
        size = max(0.036 * box.height, LEAST_LABEL * sheet.height)
        wide = sheet.measure(mark.kind, size)
        sheet.area(x - 0.5 * wide - 4, y - 1.5 * size, wide + 8, 1.25 * size, faded(look.panel, 215), 3.0)
        sheet.text(x, y - 1.45 * size, mark.kind, size, colour, "middle")


def _features(sheet: Sketch, bow: Bow, look: Look, drawn: _Drawn) -> None:
    """Knots and the like, by the bow's file, on the limb in the picture."""
    s, line, box = drawn.s_mm, drawn.line_px, drawn.box
    if len(s) != len(line):
        return
    size = max(0.026 * box.height, 0.8 * LEAST_LABEL * sheet.height)
    for feature in bow.limb(drawn.side).features:
        middle = 0.5 * (feature.from_mm + feature.to_mm)
        if not s[0] <= middle <= s[-1]:
            continue
        x, y = drawn.place(*(float(np.interp(middle, s, line[:, k])) for k in (0, 1)))
        sheet.dot(x, y, 0.4 * size, look.panel)
        sheet.dot(x, y, 0.25 * size, look.ink)
        wide = sheet.measure(feature.kind, size)
        sheet.area(x - 0.5 * wide - 3, y + 0.5 * size, wide + 6, 1.25 * size, faded(look.panel, 215), 3.0)
        sheet.text(x, y + 0.55 * size, feature.kind, size, look.ink, "middle")


def _zones(sheet: Sketch, view: View, look: Look, drawn: _Drawn) -> None:
    """What is to be scraped, under the limb in the picture, once the string is down: number and stretch."""
    plan = view.worked.advice.plan if view.worked is not None and view.plan_holds else None
    s, line, place, box = drawn.s_mm, drawn.line_px, drawn.place, drawn.box
    if plan is None or view.stage in DRAWN or len(s) != len(line):
        return
    size = max(0.032 * box.height, LEAST_LABEL * sheet.height)
    for row, layer in enumerate(o for o in plan.layers if o.limb == drawn.side):
        inside = (s >= layer.from_mm) & (s <= layer.to_mm)
        if np.count_nonzero(inside) < 2:
            continue
        under = 0.05 * box.height + 1.1 * size * row
        points = [(x, y + under) for x, y in (place(float(a), float(b)) for a, b in line[inside])]
        sheet.line(points, (0, 0, 0, 150), 9.0)
        sheet.line(points, look.aim, 5.5)
        x, y = points[len(points) // 2]
        sheet.dot(x, y, 0.62 * size, look.panel)
        sheet.text(x, y - 0.5 * size, f"{row + 1}", 0.9 * size, look.ink, "middle")


def _strip(sheet: Sketch, view: View, bow: Bow, style: Style, box: Box, picture: Box, frame: tuple[int, int]) -> None:
    """Strain along both limbs against the even level, under the picture and aligned with it."""
    look = style.look
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    size = max(11.0, 0.105 * box.height)
    middle = box.y + 0.54 * box.height
    reach = 0.36 * box.height
    profiles = view.profiles
    levels = {side: float(np.median(p.strain[p.working])) for side, p in profiles.items() if np.any(p.working)}
    level = float(np.mean(list(levels.values()))) if levels else 0.0
    if (
        bow.target.tiller_mm is None and bow.target.hand is None
    ):  # else one limb is wanted to be strained more than the other
        levels = dict.fromkeys(levels, level)
    for share, text in ((STRIP_REACH, "+35 %"), (0.0, "as wanted"), (-STRIP_REACH, "-35 %")):
        at = middle - reach * share / STRIP_REACH
        colour = look.aim if share == 0 else look.rule
        sheet.line([(box.x, at), (box.x + box.width, at)], colour, 2.0 if share == 0 else 1.0)
        sheet.text(box.x + box.width - 6, at - 1.1 * size, text, size, look.soft, "right")
    words = (
        f"strain over the wanted one ({100 * level:.2f} %)" if level >= SHOWN_STRAIN else "strain over the wanted one"
    )
    sheet.text(box.x + 8, box.y + 4, words, size, look.soft)
    scale = picture.width / frame[0]
    if level < SHOWN_STRAIN or (view.stage not in DRAWN and view.worked is None):
        sheet.text(
            box.x + 0.5 * box.width,
            middle - 1.3 * size,
            "shown when the bow is bent further",
            1.1 * size,
            look.soft,
            "middle",
        )
        return
    for side in SIDES:
        profile, line = profiles.get(side), view.lines_px.get(side)
        if profile is None or line is None or len(line) != len(profile.s_mm):
            continue
        colour = look.left if side == "left" else look.right
        good = profile.working & np.isfinite(profile.strain) & np.isfinite(line[:, 0])
        x: Array = picture.x + scale * line[good, 0]
        over: Array = np.clip(profile.strain[good] / level - 1.0, -STRIP_REACH, STRIP_REACH)
        band: Array = np.clip(2 * profile.sd[good] / level, 0.0, 2 * STRIP_REACH)
        if not len(x) or float(np.median(band)) > STRIP_REACH:
            words = "not yet distinct from noise"
            sheet.text(
                0.5 * float(line[0, 0] + line[-1, 0]) * scale + picture.x,
                middle - 1.3 * size,
                words,
                size,
                look.soft,
                "middle",
            )
            continue
        y: Array = middle - reach * over / STRIP_REACH
        off: Array = reach * band / STRIP_REACH
        upper = [(float(a), float(max(b - c, box.y + 1.5 * size))) for a, b, c in zip(x, y, off, strict=True)]
        lower = [(float(a), float(min(b + c, box.y + box.height - 2))) for a, b, c in zip(x, y, off, strict=True)]
        sheet.polygon([*upper[::3], *reversed(lower[::3])], faded(colour, 70))
        sheet.line([(float(a), float(b)) for a, b in zip(x, y, strict=True)], colour, 3.0)
        if len(x):
            sheet.text(float(np.mean(x)), box.y + 4, f"{side} limb", size, colour, "middle")
        for mark in view.worked.result.limb(side).marks if view.worked is not None else ():
            inside = (profile.s_mm >= mark.from_mm) & (profile.s_mm <= mark.to_mm) & np.isfinite(line[:, 0])
            if np.count_nonzero(inside) < 2:
                continue
            a, b = sorted(float(picture.x + scale * line[k, 0]) for k in np.flatnonzero(inside)[[0, -1]])
            kind = look.stiff if mark.kind == "stiff" else look.weak
            sheet.area(a, box.y + box.height - 6, b - a, 5, kind)
            sheet.text(0.5 * (a + b), box.y + box.height - 7 - 1.15 * size, mark.kind, size, kind, "middle")


def _numerals(sheet: Sketch, view: View, style: Style, box: Box) -> None:
    """Draw, weight, stop; below them the curve."""
    units, look = style.units, style.look
    size = NUMERAL * sheet.height
    label = 0.026 * sheet.height
    y = box.y
    digits = 0 if units.metric else 1

    def numeral(value: float) -> str:
        return (
            f"{round(value, digits) + 0.0:.{digits}f}" if np.isfinite(value) else "--"
        )  # + 0.0: no minus before a zero

    draw, force = numeral(units.length_value(view.draw_mm)), numeral(units.force_value(view.force_n))
    alarm = view.stage is Stage.BEYOND
    for name, value, unit in (
        ("draw, pivot to string", draw, units.length_unit),
        ("weight on the rope", force, units.force_unit),
    ):
        sheet.text(box.x, y, name, label, look.soft)
        wide = sheet.text(box.x, y + 0.9 * label, value, size, look.alarm if alarm else look.ink)
        sheet.text(box.x + wide + 0.12 * size, y + 0.9 * label + 0.5 * size, unit, 0.4 * size, look.soft)
        y += 1.1 * label + 1.06 * size
    sheet.text(box.x, y, "stop", label, look.soft)
    most = units.force(view.limits.force_n, 0)
    stop = units.length(view.limits.draw_mm) if view.camera is not None or view.scale is None else most
    wide = sheet.text(box.x, y + 1.0 * label, stop, 0.62 * size, look.weak)
    if stop != most:
        sheet.fitted(
            box.x + wide + 0.4 * label,
            y + 1.0 * label + 0.3 * size,
            f"or {most}",
            0.3 * size,
            box.width - wide - 0.5 * label,
            look.weak,
        )
    y += 1.2 * label + 0.66 * size
    reason = view.stop.reason if view.stop is not None else "no stop is known: less than half the draw"
    y = sheet.wrapped(box.x, y, units.words(reason), 0.85 * label, box.width, look.soft, 2)
    y += 0.4 * label
    counts = f"pull {view.pulls}   exercise pulls {view.exercises}   since scraping {view.since_scraped}"
    sheet.fitted(box.x, y, counts, 0.85 * label, box.width, look.soft)
    y += 1.5 * label
    room = box.y + box.height - y
    if room > 4 * label:
        curve(sheet, view, style, Box(box.x, y, box.width, room), label)


def curve(sheet: Sketch, view: View, style: Style, box: Box, label: float) -> None:
    """Force over draw: this pull, the last one behind it, the points, the stop."""
    units, look = style.units, style.look
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    left, top = box.x + 2.6 * label, box.y + 0.8 * label
    wide, tall = box.width - 3.4 * label, box.height - 2.6 * label
    lines = [p for p in (view.track, view.before, view.points) if len(p)]
    most_mm = max(
        [view.limits.draw_mm if np.isfinite(view.limits.draw_mm) else 0.0, *(float(np.max(p[:, 0])) for p in lines)]
    )
    most_n = max([20.0, *(float(np.max(p[:, 1])) for p in lines)])
    x_step, y_step = nice_step(units.length_value(most_mm)), nice_step(units.force_value(most_n))
    x_top = x_step * np.ceil(1.04 * units.length_value(most_mm) / x_step)
    y_top = y_step * np.ceil(1.04 * units.force_value(most_n) / y_step)

    def place(mm: float, n: float) -> Point:
        return (
            left + wide * units.length_value(float(mm)) / float(x_top),
            top + tall * (1 - units.force_value(float(n)) / float(y_top)),
        )

    small = 0.72 * label
    for k in range(round(y_top / y_step) + 1):
        y = top + tall * (1 - k * y_step / y_top)
        sheet.line([(left, y), (left + wide, y)], look.rule, 1.0)
        sheet.text(left - 4, y - 0.6 * small, f"{k * y_step:g}", small, look.soft, "right")
    for k in range(round(x_top / x_step) + 1):
        x = left + wide * k * x_step / float(x_top)
        sheet.text(x, top + tall + 3, f"{k * x_step:g}" if k else f"0 {units.length_unit}", small, look.soft, "middle")
    sheet.text(left + 4, top + 2, units.force_unit, small, look.soft)
    if np.isfinite(view.limits.draw_mm):
        x, _ = place(view.limits.draw_mm, 0.0)
        sheet.line([(x, top), (x, top + tall)], look.weak, 2.0)
        sheet.text(x - 3, top + 2, "stop", small, look.weak, "right")
    for track, colour, thick in ((view.before, look.rule, 3.0), (view.track, look.ink, 3.0)):
        if len(track) > 1:
            step = max(1, len(track) // 160)
            sheet.line([place(mm, n) for mm, n in track[::step]], colour, thick)
    for mm, n in view.points:
        if np.isfinite(mm) and np.isfinite(n):
            sheet.dot(*place(mm, n), 0.22 * label, look.ink)
    if np.isfinite(view.draw_mm) and np.isfinite(view.force_n) and view.stage in DRAWN:
        sheet.dot(*place(view.draw_mm, max(view.force_n, 0.0)), 0.3 * label, look.weak)


def nice_step(most: float) -> float:
    """A round step that divides an axis into three to six parts."""
    rough = max(most, 1e-6) / 4
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(s * power for s in (1, 2, 5, 10) if s * power >= rough))
