"""Another draw weight is wanted: found by touches or arrow keys, a pound or five newtons at a time; nothing is typed at the rack."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tiller.bow.target import Target
from tiller.bow.units import N_PER_LBF
from tiller.report.style import Units
from tiller.setup.stringing import WantedWeight
from tiller.window.canvas import Sketch
from tiller.window.look import Look
from tiller.window.pull_sheet import Box

LEAST_N, MOST_N = 20.0, 1000.0
"""What a bow's file takes."""


@dataclass(frozen=True)
class Wish:
    """A weight that is about to be wanted, N, and the draw that it is meant for, from the pivot."""

    weight_n: float
    draw_mm: float

    def turned(self, steps: int, units: Units) -> Wish:
        """So many whole pounds, or five newtons, more."""
        step = 5.0 if units.metric else N_PER_LBF
        weight = step * (round(self.weight_n / step) + steps)
        return replace(self, weight_n=weight) if LEAST_N <= weight <= MOST_N else self

    @property
    def wanted(self) -> WantedWeight:
        """What is ordered of the rack."""
        return WantedWeight(self.weight_n)


def wish_of(target: Target) -> Wish:
    """As the bow's file has it."""
    return Wish(target.draw_weight_n, target.draw_length_mm)


def draw_wish(sheet: Sketch, wish: Wish, units: Units, look: Look, box: Box) -> None:
    """The weight, what makes it more or less, and what keeps it."""
    size = 0.06 * box.height
    title = "DRAW WEIGHT WANTED"
    value = f"{units.force(wish.weight_n)} at {units.length(wish.draw_mm)} from the pivot"
    rows = (
        ("Up", "up   more"),
        ("Down", "down   less"),
        ("Enter", "Enter   keep it in the bow's file"),
    )
    wide = max(sheet.measure(text, size) for text in (title, value, *(text for _, text in rows))) + 2 * size
    tall = 10.8 * size
    left, top = box.x + 0.5 * (box.width - wide), box.y + 0.5 * (box.height - tall)
    sheet.area(left - 3, top - 3, wide + 6, tall + 6, look.rule, 8.0)
    sheet.area(left, top, wide, tall, look.panel, 6.0)
    y = top + 0.6 * size
    sheet.text(left + size, y, title, 0.8 * size, look.soft)
    y += 1.3 * size
    sheet.text(left + size, y, value, size, look.ink)
    y += 2.0 * size
    for key, text in rows:
        sheet.area(left + 0.6 * size, y - 0.25 * size, wide - 1.2 * size, 1.5 * size, look.rule, 4.0)
        sheet.text(left + size, y, text, size, look.ink)
        sheet.press(left, y - 0.3 * size, wide, 1.6 * size, f"wish:{key}")
        y += 1.7 * size
    sheet.text(left + size, y, "any other key: as before", 0.8 * size, look.soft)
    sheet.press(left, y - 0.3 * size, wide, 1.4 * size, "wish:")
