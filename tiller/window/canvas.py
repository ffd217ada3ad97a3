"""A sheet to draw on: texts, lines and areas in window pixels, drawn anew each time; and where a mouse may press.

``Canvas`` draws with Dear PyGui. ``Sketch`` only notes what would be drawn, so that a layout can be checked without a window.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Colour = tuple[int, int, int, int]
Point = tuple[float, float]


@dataclass(frozen=True)
class Press:
    """A place where the mouse may press, and the key that does the same."""

    x: float
    y: float
    width: float
    height: float
    key: str


@dataclass(frozen=True)
class Placed:
    """A text as it was placed: its box in pixels."""

    text: str
    x: float
    y: float
    width: float
    height: float


def font_file() -> Path | None:
    """A font that comes with the plotting library; None where it is not found."""
    spec = importlib.util.find_spec("matplotlib")
    for place in (spec.submodule_search_locations or []) if spec is not None else []:
        path = Path(place) / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
        if path.is_file():
            return path
    return None


class Sketch:
    """Notes what is drawn; widths of letters are taken as a share of the size."""

    WIDTH = 0.6

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.placed: list[Placed] = []
        self.presses: list[Press] = []
        self.shapes = 0

    def begin(self, width: float, height: float) -> None:
        """Starts a new sheet."""
        self.width, self.height = width, height
        self.placed, self.presses, self.shapes = [], [], 0

    def measure(self, text: str, size: float) -> float:
        """Width of a text in pixels."""
        return self.WIDTH * size * len(text)

    def text(self, x: float, y: float, text: str, size: float, colour: Colour, anchor: str = "left") -> float:
        """Writes a text with its upper left (or middle, or right) at a place; returns its width."""
        wide = self.measure(text, size)
        left = x - {"left": 0.0, "middle": 0.5, "right": 1.0}[anchor] * wide
        self.placed.append(Placed(text, left, y, wide, size))
        self._text(left, y, text, size, colour)
        return wide

    def fitted(
        self, x: float, y: float, text: str, size: float, most: float, colour: Colour, anchor: str = "left"
    ) -> None:
        """Writes a text smaller where it would be wider than ``most``."""
        wide = self.measure(text, size)
        self.text(x, y, text, size if wide <= most else max(8.0, size * most / wide), colour, anchor)

    def cut(
        self, x: float, y: float, text: str, size: float, most: float, colour: Colour, anchor: str = "left"
    ) -> None:
        """Writes a text in one line no wider than ``most``: down to three quarters of the size, then with its end left away."""
        small = max(8.0, 0.75 * size)
        if self.measure(text, small) > most:
            while len(text) > 1 and self.measure(f"{text}…", small) > most:
                text = text[:-1]
            text += "…"
        self.fitted(x, y, text, size, most, colour, anchor)

    def wrapped(self, x: float, y: float, text: str, size: float, most: float, colour: Colour, lines: int = 3) -> float:
        """Writes a text over several lines; returns where the next would begin."""
        rest = text.split()
        for number in range(lines):
            line = ""
            while rest and self.measure(f"{line} {rest[0]}".strip(), size) <= most:
                line = f"{line} {rest.pop(0)}".strip()
            if not line and rest:
                line = rest.pop(0)
            if number == lines - 1 and rest:
                line = f"{line} {' '.join(rest)}"
                while len(line) > 1 and self.measure(f"{line}…", size) > most:
                    line = line[:-1]
                line += "…"
                rest = []
            if line:
                self.text(x, y, line, size, colour)
                y += 1.28 * size
            if not rest:
                break
        return y

    def block(self, x: float, y: float, text: str, size: float, most: float, colour: Colour, lines: int) -> float:
        """Writes a whole text over so many lines, smaller where it takes more; returns where the next would begin."""
        while size > 8.0 and self.rows(text, size, most) > lines:
            size *= 0.94
        return self.wrapped(x, y, text, size, most, colour, lines)

    def rows(self, text: str, size: float, most: float) -> int:
        """How many lines a text takes."""
        count, line = 1, ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and self.measure(longer, size) > most:
                count, line = count + 1, word
            else:
                line = longer
        return count

    def press(self, x: float, y: float, width: float, height: float, key: str) -> None:
        """Says that the mouse may press there."""
        self.presses.append(Press(x, y, width, height, key))

    def line(self, points: Sequence[Point], colour: Colour, thick: float = 1.0) -> None:
        """A line through points, ``thick`` in 1080ths of the window's height (at least 1 px)."""
        self.shapes += 1
        if len(points) >= 2:
            self._line(points, colour, max(1.0, thick * self.height / 1080))

    def area(self, x: float, y: float, width: float, height: float, fill: Colour, rounding: float = 0.0) -> None:
        """A filled rectangle."""
        self.shapes += 1
        self._area(x, y, width, height, fill, rounding)

    def polygon(self, points: Sequence[Point], fill: Colour) -> None:
        """A filled polygon."""
        self.shapes += 1
        if len(points) >= 3:
            self._polygon(points, fill)

    def dot(self, x: float, y: float, radius: float, colour: Colour) -> None:
        """A filled circle."""
        self.shapes += 1
        self._dot(x, y, radius, colour)

    def image(self, x: float, y: float, width: float, height: float) -> None:
        """The picture."""
        self.shapes += 1
        self._image(x, y, width, height)

    def _text(self, x: float, y: float, text: str, size: float, colour: Colour) -> None:
        return

    def _line(self, points: Sequence[Point], colour: Colour, thick: float) -> None:
        return

    def _area(self, x: float, y: float, width: float, height: float, fill: Colour, rounding: float) -> None:
        return

    def _polygon(self, points: Sequence[Point], fill: Colour) -> None:
        return

    def _dot(self, x: float, y: float, radius: float, colour: Colour) -> None:
        return

    def _image(self, x: float, y: float, width: float, height: float) -> None:
        return


@dataclass
class _Fonts:
    by_size: dict[int, Any] = field(default_factory=dict)


class Canvas(Sketch):
    """Draws in a Dear PyGui layer."""

    STEPS = (12, 14, 16, 18, 20, 24, 28, 32, 40, 48, 64, 80, 100, 128, 160, 200, 250)

    def __init__(self, gui: Any, layer: int | str, texture: int | str) -> None:
        super().__init__(100.0, 100.0)
        self.gui, self.layer, self.texture = gui, layer, texture
        self._fonts = _Fonts()
        self._path = font_file()
        self._widths: dict[str, float] = {}
        self._registry = gui.add_font_registry()
        self._measuring = self._font(40)

    def begin(self, width: float, height: float) -> None:
        """Starts a new sheet: what was drawn is gone."""
        super().begin(width, height)
        self.gui.delete_item(self.layer, children_only=True)

    def measure(self, text: str, size: float) -> float:
        """Width of a text in pixels."""
        known = self._widths.get(text)
        if known is None:
            box = self.gui.get_text_size(text, font=self._measuring) if self._measuring else None
            if not box or not box[0]:
                return super().measure(text, size)
            known = float(box[0]) / 40.0
            if len(self._widths) > 4000:
                self._widths.clear()
            self._widths[text] = known
        return known * size

    def _font(self, size: float) -> Any:
        if self._path is None:
            return None
        step = next((s for s in self.STEPS if s >= size), self.STEPS[-1])
        if step not in self._fonts.by_size:
            self._fonts.by_size[step] = self.gui.add_font(str(self._path), step, parent=self._registry)
        return self._fonts.by_size[step]

    def font(self, size: float) -> Any:
        """The library's font of about that size, for its own widgets; None where none was found."""
        return self._font(size)

    def _text(self, x: float, y: float, text: str, size: float, colour: Colour) -> None:
        item = self.gui.draw_text((x, y), text, size=size, color=colour, parent=self.layer)
        font = self._font(size)
        if font is not None:
            self.gui.bind_item_font(item, font)

    def _line(self, points: Sequence[Point], colour: Colour, thick: float) -> None:
        self.gui.draw_polyline([list(p) for p in points], color=colour, thickness=thick, parent=self.layer)

    def _area(self, x: float, y: float, width: float, height: float, fill: Colour, rounding: float) -> None:
        self.gui.draw_rectangle(
            (x, y), (x + width, y + height), color=fill, fill=fill, rounding=rounding, thickness=0, parent=self.layer
        )

    def _polygon(self, points: Sequence[Point], fill: Colour) -> None:
        # strips of quads would do for any shape; ours are bands, so a quad between neighbours is enough
        half = len(points) // 2
        upper, lower = points[:half], list(reversed(points[half:]))
        if upper[0][0] > upper[-1][0]:  # the library softens the edges between quads that run the other way
            upper, lower = upper[::-1], lower[::-1]
        for k in range(min(len(upper), len(lower)) - 1):
            self.gui.draw_quad(
                upper[k],
                upper[k + 1],
                lower[k + 1],
                lower[k],
                color=(0, 0, 0, 0),
                fill=fill,
                thickness=0,
                parent=self.layer,
            )

    def _dot(self, x: float, y: float, radius: float, colour: Colour) -> None:
        self.gui.draw_circle((x, y), radius, color=colour, fill=colour, parent=self.layer)

    def _image(self, x: float, y: float, width: float, height: float) -> None:
        self.gui.draw_image(self.texture, (x, y), (x + width, y + height), parent=self.layer)


def names_of_keys(gui: Any, letters: str, named: Mapping[str, str]) -> dict[int, str]:
    """The window library's numbers of keys and our names for them.

    Args:
        letters: letters and digits, each by itself; named: the library's names without their beginning, such as Spacebar, and ours.
    """
    both = {**{letter: letter for letter in letters}, **named}
    return {int(getattr(gui, f"mvKey_{theirs}")): ours for theirs, ours in both.items()}


def ask_for_file(gui: Any, chosen: Callable[[Path], None]) -> Callable[[], bool]:
    """Opens the window library's own file dialog; ``chosen`` gets the file. What is given back closes it, and says whether it was open."""

    def take(_: object, about: Mapping[str, Any]) -> None:
        chosen(Path(str(about.get("file_path_name", ""))))

    width, height = int(gui.get_viewport_client_width()), int(gui.get_viewport_client_height())
    with gui.file_dialog(callback=take, width=int(0.6 * width), height=int(0.7 * height), modal=True) as dialog:
        gui.add_file_extension(".*")

    def close() -> bool:
        shown = bool(gui.does_item_exist(dialog) and gui.is_item_shown(dialog))
        if shown:
            gui.delete_item(dialog)
        return shown

    return close
