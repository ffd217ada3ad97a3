"""A place on a limb, touched in the live picture, and what can be said of it: a knot, a check, heat. For hands that are full of dust: two touches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tiller.bow.sides import SIDES, Pair, Side
from tiller.live.view import View
from tiller.report.style import Units
from tiller.window.canvas import Sketch
from tiller.window.look import Look
from tiller.window.pull_sheet import Box

NEAR_SHARE = 0.05
"""So near to a limb's line, as a share of the picture's height, a touch is of it."""
FEATURE_HALF_MM, HEAT_HALF_MM = 15.0, 50.0
"""How far a knot, and warmth, reach to either side of what was touched, where nothing else is said (common practice, no source)."""
CHOICES = (
    ("1", "a knot", "knot"),
    ("2", "a check", "check"),
    ("3", "a ring cut through", "cut ring"),
    ("4", "warmed and bent here", "warmed"),
    ("5", "toasted here", "toasted"),
)
"""Key, words, and what is noted: a feature of the wood, or an event of the book."""
HEAT = ("warmed", "toasted")


@dataclass(frozen=True)
class LimbPlace:
    """A place on a limb: along the back from the pivot."""

    side: Side
    s_mm: float

    def reach(self, what: str, length_mm: float) -> tuple[float, float]:
        """From where to where along the limb it is noted, mm."""
        half = HEAT_HALF_MM if what in HEAT else FEATURE_HALF_MM
        low = min(max(0.0, self.s_mm - half), length_mm - 2 * half)
        return round(low), round(low + 2 * half)


STEP_MM = 10.0
"""An arrow key goes so far along the bow."""


def moved(place: LimbPlace, step: int, lengths_mm: Pair[float]) -> LimbPlace:
    """So many steps further to the right along the bow, from one limb's nock to the other's."""
    x = place.side.sign * place.s_mm + STEP_MM * step
    x = float(np.clip(x, -lengths_mm.left, lengths_mm.right))
    return LimbPlace(Side("left" if x < 0 else "right"), abs(x))


def place_at(view: View, frame: tuple[int, int], box: Box, x: float, y: float) -> LimbPlace | None:
    """The place that a touch at x, y of the window means; None where no limb is near.

    Args:
        frame: size of the camera's picture; box: where it is shown.
    """
    if not (box.x <= x <= box.x + box.width and box.y <= y <= box.y + box.height):
        return None
    scale = box.width / frame[0]
    at = np.array([(x - box.x) / scale, (y - box.y) / scale])
    best, found = NEAR_SHARE * frame[1], None
    for side in SIDES:
        line, stations = view.lines_px.get(side), view.stations_mm.get(side)
        if line is None or stations is None or len(line) != len(stations) or len(line) < 2:
            continue
        away = np.linalg.norm(np.asarray(line, dtype=float) - at, axis=1)
        away = np.where(np.isfinite(away), away, np.inf)
        k = int(np.argmin(away))
        if away[k] < best:
            best, found = float(away[k]), LimbPlace(side, float(stations[k]))
    return found


def draw_ring(sheet: Sketch, place: LimbPlace, view: View, frame: tuple[int, int], look: Look, box: Box) -> None:
    """A ring about the place in the live picture; nothing where that limb is not seen."""
    line, stations = view.lines_px.get(place.side), view.stations_mm.get(place.side)
    if line is None or stations is None or len(line) != len(stations) or len(line) < 2:
        return
    scale = box.width / frame[0]
    x, y = (float(v) for v in np.asarray(line, dtype=float)[int(np.argmin(np.abs(stations - place.s_mm)))])
    if not np.isfinite(x + y):
        return
    turn = np.linspace(0, 2 * np.pi, 25)
    radius = 0.03 * box.height
    ring = [
        (box.x + scale * x + radius * float(np.cos(a)), box.y + scale * y + radius * float(np.sin(a))) for a in turn
    ]
    sheet.line(ring, (0, 0, 0, 150), 6.0)
    sheet.line(ring, look.good, 3.0)


def draw_place(sheet: Sketch, place: LimbPlace, units: Units, look: Look, box: Box) -> None:
    """What can be noted of the place, each to be touched or pressed."""
    size = 0.06 * box.height
    lines = [f"{key}  {words}" for key, words, _ in CHOICES]
    last = ("arrows: along the bow", "any other key: nothing")
    title = f"{place.side} limb, {units.length(place.s_mm)} from the pivot"
    wide = max(sheet.measure(text, size) for text in (*lines, title, *last)) + 2 * size
    tall = (len(lines) + 3.2) * 1.7 * size
    left = box.x + (0.04 * box.width if place.side == "right" else 0.96 * box.width - wide)
    top = box.y + 0.5 * (box.height - tall)
    sheet.area(left - 3, top - 3, wide + 6, tall + 6, look.rule, 8.0)
    sheet.area(left, top, wide, tall, look.panel, 6.0)
    y = top + 0.6 * size
    sheet.text(left + size, y, title, size, look.ink)
    y += 1.9 * size
    for (key, _, _), text in zip(CHOICES, lines, strict=True):
        sheet.text(left + size, y, text, size, look.ink)
        sheet.press(left, y - 0.3 * size, wide, 1.6 * size, f"place:{key}")
        y += 1.7 * size
    for text in last:
        sheet.text(left + size, y, text, 0.8 * size, look.soft)
        y += 1.1 * size
    sheet.press(left, y - 2.4 * size, wide, 2.4 * size, "place:")
