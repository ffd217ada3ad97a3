"""The other sheets: what to scrape, the shop's book, the set-up, the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES
from tiller.live.view import View
from tiller.mechanics.advice.layers import outside, strokes
from tiller.report.text.advice import missing_words
from tiller.window.canvas import Colour, Sketch
from tiller.window.look import Look, Style, faded
from tiller.window.pull_sheet import Box, draw_picture

CAUTIONS = (
    "A bow can break at any pull, without warning.",
    "Eye protection on. Nobody in the plane of the limbs; pull by the rope, from the side.",
    "Rope, pulley and load cell rated for at least twice the largest pull.",
    "Never let go of a drawn string: let it down, all the way.",
    "Look for cracks, lifted grain and chrysals yourself: no number replaces that look,",
    "nor local rules, nor a competent person's advice.",
)


def draw_cautions(sheet: Sketch, look: Look, box: Box) -> None:
    """The cautions, over everything."""
    sheet.area(box.x - 3, box.y - 3, box.width + 6, box.height + 6, look.alarm, 12.0)
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 10.0)
    size = min(0.075 * box.height, 0.030 * box.width)
    widest = max(sheet.measure(text, 1.0) for text in CAUTIONS)
    size = min(size, 0.9 * box.width / widest)
    y = box.y + 0.08 * box.height
    sheet.text(box.x + 0.05 * box.width, y, "BEFORE THE FIRST PULL", 1.3 * size, look.alarm)
    y += 2.4 * size
    for text in CAUTIONS:
        sheet.text(box.x + 0.05 * box.width, y, text, size, look.ink)
        y += 1.6 * size
    sheet.text(
        box.x + 0.05 * box.width,
        box.y + box.height - 2.0 * size,
        "any key or a touch: go on    C shows this again",
        0.85 * size,
        look.soft,
    )


def draw_plan(sheet: Sketch, view: View, bow: Bow, style: Style, box: Box, made: int, frame: tuple[int, int]) -> None:
    """After the string is down: what the pull showed, and where to scrape, on the picture and as bars. ``made``: strokes that were
    counted; ``frame``: size of the camera's picture."""
    units, look = style.units, style.look
    size = 0.030 * sheet.height
    if view.worked is None:
        text = "measuring ..." if view.busy else "No pull was measured in this session yet."
        sheet.text(box.x + 0.5 * box.width, box.y + 0.4 * box.height, text, 1.4 * size, look.soft, "middle")
        return
    if view.busy or not view.plan_holds:
        if view.busy:
            text = "the last pull is being measured ..."
        elif view.since_scraped == 0:
            text = "what was to be scraped was scraped: exercise the bow with short pulls, then pull again"
        else:
            text = "the bow's file was changed since, or the last pull could not be measured: pull again before anything is scraped"
        sheet.fitted(
            box.x + 0.5 * box.width, box.y + 0.4 * box.height, text, 1.4 * size, 0.9 * box.width, look.soft, "middle"
        )
        return
    worked = view.worked
    plan, ahead = worked.advice.plan, worked.advice.forecast
    half = 0.5 * box.width - 0.5 * size
    y = box.y
    if ahead is not None:
        words = f"braced, at {units.length(float(ahead.draw_mm[-1]))}: {units.force(ahead.weight_n)} ± {units.force(ahead.weight_sd_n)}"
        sheet.text(box.x, y, "FORECAST", 0.8 * size, look.soft)
        sheet.fitted(
            box.x,
            y + 0.95 * size,
            f"{words}   target {units.force(bow.target.draw_weight_n)}",
            1.15 * size,
            half,
            look.ink,
        )
    if plan is not None:
        sheet.text(box.x + half + size, y, "NOW, AFTER THIS PASS, IN THE END", 0.8 * size, look.soft)
        words = (
            f"{units.force(plan.now_n)} ({100 * plan.now.expected:.1f} % uneven)   {units.force(plan.after_pass_n)}"
            f" ({100 * plan.after_pass.expected:.1f} %)   {units.force(plan.final_n)}"
        )
        sheet.fitted(box.x + half + size, y + 0.95 * size, words, 1.15 * size, half, look.ink)
    y += 2.9 * size
    tall = 0.38 * box.height
    wide = min(tall * frame[0] / frame[1], 0.45 * box.width) if view.image is not None else 0.0
    if wide:
        draw_picture(sheet, view, bow, style, Box(box.x, y, wide, wide * frame[1] / frame[0]), frame)
        wide += 0.5 * size
    _layers(sheet, view, bow, style, Box(box.x + wide, y, box.width - wide, tall))
    y += tall + 0.5 * size
    _list(sheet, view, bow, style, Box(box.x, y, box.width, box.y + box.height - y - 2.6 * size), made)
    y = box.y + box.height - 2.3 * size
    notes = (*worked.advice.notes, *worked.comparison.notes)
    if notes:
        sheet.wrapped(box.x, y, units.words(notes[0].text), 0.85 * size, box.width, look.weak, 2)


def _layers(sheet: Sketch, view: View, bow: Bow, style: Style, box: Box) -> None:
    """Both limbs with the layers to take off, the stretches to leave, and the marks."""
    units, look = style.units, style.look
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 4.0)
    worked = view.worked
    if worked is None:
        return
    plan = worked.advice.plan
    size = max(11.0, 0.075 * box.height)
    reach = max(bow.limb(side).length_mm for side in SIDES) * 1.03
    middle, scale = box.x + 0.5 * box.width, 0.5 * box.width / reach
    top = box.y + 2.1 * size
    deepest = max([z.depth_mm for z in plan.zones], default=0.5) if plan is not None else 0.5
    tall = (box.y + box.height - top - 2.4 * size) / max(deepest, 0.05)
    sheet.text(middle, box.y + 3, "bars: this pass   lines: in all", 0.85 * size, look.soft, "middle")
    for side, colour in zip(SIDES, (look.left, look.right), strict=True):
        sign = side.sign
        limb = bow.limb(side)

        def x(s: float, sign: float = sign) -> float:
            return middle + sign * scale * s

        a, b = sorted((x(limb.working_from_mm), x(limb.working_to_mm)))
        sheet.area(a, top - 4, b - a, 4, colour)
        upper = " (upper)" if bow.upper_limb == side else ""
        end, anchor = (box.x + 8, "left") if side == "left" else (box.x + box.width - 8, "right")
        sheet.text(end, box.y + 3, f"{side} limb{upper}", 1.05 * size, colour, anchor)
        for mark in worked.result.limb(side).marks:
            c, d = sorted((x(mark.from_mm), x(mark.to_mm)))
            kind = look.stiff if mark.kind == "stiff" else look.weak
            sheet.area(c, top - 10, d - c, 6, kind)
            sheet.text(0.5 * (c + d), top - 10 - 1.05 * size, mark.kind, 0.8 * size, kind, "middle")
        if plan is None:
            continue
        for zone in (z for z in plan.zones if z.limb == side):
            c, d = sorted((x(zone.from_mm), x(zone.to_mm)))
            y = top + tall * zone.depth_mm
            sheet.line([(c, y), (d, y)], look.aim, 1.5)
        laid = [o for o in plan.layers if o.limb == side]
        for number, layer in enumerate(laid):
            c, d = sorted((x(layer.from_mm), x(layer.to_mm)))
            y = top + tall * sum(o.depth_mm for o in outside(laid, number))
            height = max(tall * layer.depth_mm - 1, 2)
            sheet.area(c + 1, y, d - c - 2, height, faded(colour, 200))
            if height > 0.9 * size:
                sheet.text(
                    0.5 * (c + d), y + 0.5 * (height - 0.85 * size), f"{number + 1}", 0.85 * size, look.panel, "middle"
                )
        for gap in (g for g in plan.left_alone if g.limb == side):
            c, d = sorted((x(gap.from_mm), x(gap.to_mm)))
            bottom = box.y + box.height - 2.2 * size
            sheet.area(c, top, d - c, bottom - top, faded(look.weak, 40))
            sheet.line([(c, top), (d, bottom)], faded(look.weak, 150), 1.5)
            sheet.line([(d, top), (c, bottom)], faded(look.weak, 150), 1.5)
            if d - c > sheet.measure("leave", 0.85 * size):
                sheet.text(0.5 * (c + d), bottom - 1.1 * size, "leave", 0.85 * size, look.weak, "middle")
    for s in np.arange(0.0, 0.96 * reach, units.tick_mm):
        for sign in (-1.0, 1.0):
            text = f"{units.length_value(s):.0f}"
            sheet.text(
                middle + sign * scale * s, box.y + box.height - 1.35 * size, text, 0.8 * size, look.soft, "middle"
            )
            if s == 0:
                break


def _list(sheet: Sketch, view: View, bow: Bow, style: Style, box: Box, made: int) -> None:
    """What to chalk, limb beside limb."""
    units, look = style.units, style.look
    worked = view.worked
    plan = worked.advice.plan if worked is not None else None
    size = 0.029 * sheet.height
    if worked is None or plan is None or not plan.layers:
        words = "nothing is to be scraped now" if plan is not None else "no plan from this pull"
        if plan is not None and plan.done:
            words = "the bow is done: weight and tiller are within what can be measured"
        elif plan is not None and plan.missing:
            words = f"nothing is to be scraped now; lacking: {missing_words(plan.missing[-1], units)}"
        sheet.text(box.x, box.y, words, 1.2 * size, look.ink)
        return
    head = f"SCRAPE THE BELLY, 1 FIRST (from the pivot; a stroke is {units.depth(worked.comparison.stroke_mm)})"
    sheet.fitted(box.x, box.y, head, 0.85 * size, 0.6 * box.width, look.soft)
    words = f"strokes made: {made}   up / down, then S"
    sheet.fitted(box.x + box.width, box.y, words, 0.85 * size, 0.38 * box.width, look.ink, "right")
    half = 0.5 * box.width
    longest = max(sum(o.limb == side for o in plan.layers) for side in SIDES)
    step = min(1.25 * size, (box.height - 1.4 * size) / max(longest, 1))
    for column, side in enumerate(SIDES):
        colour = look.left if side == "left" else look.right
        laid = [o for o in plan.layers if o.limb == side]
        for row, (o, count) in enumerate(zip(laid, strokes(laid, worked.comparison.stroke_mm), strict=True)):
            a, b = (f"{units.length_value(v):.{0 if units.metric else 1}f}" for v in (o.from_mm, o.to_mm))
            text = f"{row + 1}  {side}  {a} - {b} {units.length_unit}   {units.depth(o.depth_mm)}   {f'{count} stroke' + 's' * (count > 1) if count else 'light'}"
            sheet.fitted(
                box.x + column * half,
                box.y + 1.4 * size + row * step,
                text,
                min(size, 0.95 * step),
                half - size,
                colour,
            )


def draw_setup(
    sheet: Sketch,
    view: View,
    frame: tuple[int, int],
    wanted: tuple[int, ...],
    style: Style,
    places: tuple[Box, Box],
) -> None:
    """Camera and scale: what they show, what is missing and how to put it right; the fiducials that were found are ringed in the picture.

    ``frame``: width and height of the camera's picture in its own pixels; ``places``: of the picture and of the text.
    """
    (picture, box), units, look = places, style.units, style.look
    found, rms_mm = view.board.found, view.board.rms_mm
    sheet.area(picture.x, picture.y, picture.width, picture.height, look.panel)
    if view.image is not None:
        sheet.image(picture.x, picture.y, picture.width, picture.height)
        scale_px, radius = picture.width / frame[0], 0.055 * picture.height
        for marker, (px, py) in zip(found, view.board.places_px, strict=True):
            x, y = picture.x + scale_px * px, picture.y + scale_px * py
            ring = [
                (x + radius * float(np.cos(a)), y + radius * float(np.sin(a))) for a in np.linspace(0, 2 * np.pi, 33)
            ]
            sheet.line(ring, (0, 0, 0, 150), 7.0)
            sheet.line(ring, look.good, 4.0)
            label = 0.032 * picture.height
            wide = sheet.measure(f"{marker}", label)
            sheet.area(x - 0.5 * wide - 4, y + radius + 2, wide + 8, 1.25 * label, faded(look.panel, 215), 3.0)
            sheet.text(x, y + radius + 3, f"{marker}", label, look.ink, "middle")
    size = 0.027 * sheet.height
    y = box.y
    lines: list[tuple[str, bool]] = []
    camera, scale = view.camera, view.scale
    if camera is None:
        lines.append(("no camera: nothing is known of the bend; start with --camera", False))
    else:
        lines.append(
            (camera.text or f"camera: {camera.rate_hz:.0f} pictures a second, {camera.missed} missed", camera.good)
        )
    missing = [i for i in wanted if i not in found]
    if camera is not None and found:
        lines.append(
            (f"fiducials found: {', '.join(map(str, found))}; they fit rig.toml to {rms_mm:.1f} mm", rms_mm < 2.0)
        )
    if camera is not None and missing:
        lines.append(
            (f"fiducials missing: {', '.join(map(str, missing))}: uncover them, light them evenly", len(found) >= 3)
        )
    if scale is None:
        lines.append(("no scale: no weight; start with --scale PORT", False))
    else:
        lines.append((scale.text or f"scale: {view.weighed.rate_hz:.0f} readings a second", scale.good))
        if np.isfinite(view.weighed.force_n):
            words = f"reads {units.force(view.weighed.force_n, 2)}, noise {units.force(view.weighed.noise_n, 3)}"
            lines.append((words, bool(view.weighed.noise_n < 1.0)))
        bad = ", ".join(f"{n} x {why}" for why, n in view.weighed.rejected.items())
        if bad:
            lines.append((f"lines rejected: {bad}", True))
        if view.weighed.trouble:
            lines.append((f"the board says: {view.weighed.trouble}", False))
    for note in view.notes[-4:]:
        lines.append((units.words(note.text), True))
    for text, good in lines:
        sheet.dot(box.x + 0.4 * size, y + 0.6 * size, 0.28 * size, look.good if good else look.alarm)
        if not good:
            sheet.text(box.x + 0.4 * size, y + 0.02 * size, "!", 1.0 * size, look.on_alarm, "middle")
        y = sheet.wrapped(box.x + 1.3 * size, y, text, size, box.width - 1.4 * size, look.ink, 6) + 0.35 * size
        if y > box.y + box.height - size:
            break


@dataclass(frozen=True)
class PageCode:
    """The page for a second screen: its address, and that as a square code, row by row, True is dark."""

    address: str
    rows: Sequence[Sequence[bool]]


def draw_page_code(sheet: Sketch, code: PageCode, look: Look, box: Box) -> None:
    """The code to be read by a phone, over the picture, and what it is."""
    sheet.area(box.x, box.y, box.width, box.height, look.panel, 6.0)
    size = 0.05 * box.height
    count = len(code.rows)
    step = float(int(min(0.8 * box.height, 0.45 * box.width) / count))
    left, top = box.x + 0.04 * box.width, box.y + 0.5 * (box.height - step * count)
    sheet.area(left, top, step * count, step * count, PAGE_WHITE)
    for k, row in enumerate(code.rows):
        at = 0
        while at < count:
            if not row[at]:
                at += 1
                continue
            end = next((j for j in range(at, count) if not row[j]), count)
            sheet.area(left + at * step, top + k * step, (end - at) * step, step, PAGE_BLACK)
            at = end
    x = left + step * count + 0.04 * box.width
    most = box.x + box.width - x - 0.03 * box.width
    y = sheet.wrapped(x, top, "On a second screen", 1.3 * size, most, look.ink, 2) + 0.5 * size
    for text in (
        "A phone or tablet on the same network reads the code and shows this view, to look at only.",
        "It opens once, for one device; W switches it off.",
        "Whoever is on the same network may see the pictures: they are sent as they are.",
    ):
        y = sheet.wrapped(x, y, text, 0.85 * size, most, look.soft, 5) + 0.5 * size
    sheet.fitted(x, y, code.address, 0.7 * size, most, look.ink)


PAGE_WHITE: Colour = (255, 255, 255, 255)
PAGE_BLACK: Colour = (0, 0, 0, 255)
