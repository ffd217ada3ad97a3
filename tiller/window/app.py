"""The window itself: one Dear PyGui viewport, its render loop in the main thread, keys and mouse, and which sheet is shown.

Everything is drawn from the rack's newest ``View``; what takes longer (the book) is fetched by a thread. The picture goes
through one texture of at most ``TEXTURE_WIDTH`` pixels that stays where it is.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import dearpygui.dearpygui as gui
import numpy as np

from tiller.bow.sides import SIDES, Pair, Side
from tiller.errors import TillerError
from tiller.live.session import Rack
from tiller.live.sound import Sounds
from tiller.live.stages import DRAWN, Happening
from tiller.live.view import BROKEN, View, planned_strokes
from tiller.notes import Note
from tiller.page.server import Page
from tiller.report.style import Units
from tiller.setup.stringing import found
from tiller.sources.interfaces import Stage
from tiller.window import book_sheet, other_sheets, pull_sheet
from tiller.window.book_desk import BookDesk
from tiller.window.book_sheet import Photograph
from tiller.window.canvas import Canvas, Press, names_of_keys
from tiller.window.limb_place import CHOICES, HEAT, LimbPlace, draw_place, draw_ring, moved, place_at
from tiller.window.look import DARK, LIGHT, Look, Style
from tiller.window.pull_sheet import Box
from tiller.window.wanted_weight import Wish, draw_wish, wish_of

TEXTURE_WIDTH = 960
SILENT = "no tone can be played on this system: watch the screen for the stop"
PATIENCE_S = 0.02
"""A frame waits for the next picture, but no longer than this: keys and mouse are heard all the same."""
LEAST_HZ, LATELY, SHORT_S = 30.5, 30, 0.006
"""Where the last so many frames came more slowly than this, the wait is short, as long as the machine keeps up."""


@dataclass(frozen=True)
class Timing:
    """How quick the window is: frames a second, and from a picture's arrival to its showing (s), median and 99th percentile."""

    frames_hz: float
    shown_median_s: float
    shown_worst_s: float
    pictures: int


ACTIONS: tuple[tuple[str, str], ...] = (
    ("1", "pull"),
    ("2", "scrape"),
    ("3", "book"),
    ("4", "set-up"),
    ("Space", "next"),
    ("U", "units"),
    ("L", "light or dark"),
    ("E", "empty rack"),
    ("Z", "zero"),
    ("S", "I scraped this"),
    ("N", "scraped otherwise"),
    ("T", "weight wanted"),
    ("P", "note a place"),
    ("B", "another string"),
    ("F", "filter"),
    ("M", "mark pull"),
    ("K", "checked, undamaged"),
    ("W", "second screen"),
    ("C", "cautions"),
    ("Q", "quit"),
)
"""Keys and what they do; Space goes from sheet to sheet (a foot pedal sends it)."""
ONLY_ON = {
    "E": "set-up",
    "Z": "set-up",
    "S": "pull scrape",
    "N": "pull scrape",
    "T": "pull scrape",
    "P": "pull",
    "B": "pull",
    "F": "book",
    "M": "book",
}
"""Where a key is shown, if not everywhere; it works where nothing else has it."""
ANY = "any"
"""A key or a touch that does nothing but take the cautions away."""
SHEETS = {"1": "pull", "2": "scrape", "3": "book", "4": "set-up"}


ORDERS = {"E": "empty", "Z": "zero", "S": "scraped", "N": "scraped otherwise", "B": "string", "K": "looked"}
"""What is ordered of the rack by a key."""
ORDERED = {
    "E": "take the bow off: the empty rack is photographed when nothing lies on it and the picture is still",
    "S": "",
    "N": "",
    "B": "",
}
"""What is shown once it is."""


class App:
    """The window. ``frame`` draws one frame; ``run`` draws until it is closed."""

    def __init__(
        self,
        rack: Rack,
        units: Units,
        book: Path | None,
        size: tuple[int, int] = (1600, 900),
        look: Look = LIGHT,
        sounds: Sounds | None = None,
    ) -> None:
        self.rack, self.units, self.book, self.look = rack, units, book, look
        self.sheet, self.cautions = "pull", True
        self.sounds = sounds or Sounds()
        self.desk = BookDesk(book, self._answer, self._anew)
        self.made = 0
        self._keys: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._presses: list[Press] = []
        self._shown = -1
        self._worked: object = None
        self._uploaded: object = None
        self._quitting = False
        self._noted: tuple[Note, ...] = ()
        self._delays: deque[float] = deque(maxlen=3000)
        self._frames: deque[float] = deque(maxlen=600)
        self._pictures = 0
        self._message = SILENT if self.sounds.silent else ""
        self._unread = False
        self._closing = False
        self.page: Page | None = None
        self.place: LimbPlace | None = None
        self.wish: Wish | None = None
        self._noting: threading.Thread | None = None
        self.pixels = np.zeros((1, 1, 4), dtype=np.float32)
        self.frame_size = rack.rig.lens.image_size
        self._build(size)

    # -- building ------------------------------------------------------------------------------------------------------

    def _build(self, size: tuple[int, int]) -> None:
        gui.create_context()
        wide, high = self.frame_size
        width = min(TEXTURE_WIDTH, wide)
        height = round(width * high / wide)
        self.pixels = np.zeros((height, width, 4), dtype=np.float32)
        self.pixels[:, :, 3] = 1.0
        with gui.texture_registry():
            texture = gui.add_raw_texture(width, height, self.pixels, format=gui.mvFormat_Float_rgba)
        gui.create_viewport(
            title=f"{self.rack.bow.name} at the rack",
            width=size[0],
            height=size[1],
            x_pos=20,
            y_pos=20,
            min_width=960,
            min_height=540,
            vsync=False,
        )
        gui.setup_dearpygui()
        # drawn on the viewport itself: a window of the library fills the whole picture once more, half of a frame's time
        # where there is no graphics card
        gui.set_viewport_clear_color(list(self.look.paper))
        layer = gui.add_viewport_drawlist(front=False)
        with gui.handler_registry():
            gui.add_key_press_handler(callback=self._on_key)
            gui.add_mouse_click_handler(button=0, callback=self._on_press)
        self._canvas = Canvas(gui, layer, texture)
        self._names = names_of_keys(gui, "ULEZSNTPBMFKCWQ12345", KEYS)
        gui.show_viewport()

    def _on_key(self, _: object, key: Any) -> None:
        name = self._names.get(int(key), "") or (
            ANY if self.cautions or self.place is not None or self.wish is not None else ""
        )
        if name:
            self._keys.put(name)

    def _on_press(self, *_: object) -> None:
        if self.cautions:
            self._keys.put(ANY)
            return
        x, y = gui.get_mouse_pos(local=False)
        for place in reversed(self._presses):  # what was drawn last lies on top
            if place.x <= x <= place.x + place.width and place.y <= y <= place.y + place.height:
                self._keys.put(place.key)
                return
        self._keys.put(f"at:{x:.1f} {y:.1f}")

    # -- keys ----------------------------------------------------------------------------------------------------------

    def press(self, key: str) -> None:
        """What a key does; for tests and pedals too."""
        if self.cautions:
            self.cautions = self._unread = False
            return
        if self.wish is not None or key.startswith("wish:"):
            self._of_wish(key.removeprefix("wish:"))
            self._shown = -1
            return
        if self.place is not None or key.startswith(("at:", "place:")):
            self._of_place(key)
            self._shown = -1
            return
        self._act(key)
        if self.sheet == "book":
            self.desk.fetch()
        self._shown = -1

    def _act(self, key: str) -> None:
        """What a key does that is no answer to what is shown over the picture."""
        quitting, self._quitting = self._quitting, False
        if key in SHEETS:
            self.sheet = SHEETS[key]
        elif key == "Space":
            names = list(SHEETS.values())
            self.sheet = names[(names.index(self.sheet) + 1) % len(names)]
        elif key == "U":
            self.units = Units(not self.units.metric)
        elif key == "L":
            self.look = DARK if self.look is LIGHT else LIGHT
            gui.set_viewport_clear_color(list(self.look.paper))
        elif key in ("C", "W"):
            self._show_more(key)
        elif key in ORDERS:
            self.rack.order(ORDERS[key], self.made if key == "S" else 0.0)
            self._message = ORDERED.get(key, self._message)
        elif key == "Q":
            self._closing = quitting or self.rack.view().stage not in DRAWN
            if not self._closing:
                self._quitting, self._message = True, "the bow is drawn: let it down; Q again quits all the same"
        elif self.sheet == "book":
            self.desk.press(key)
        elif key in ("T", "P"):
            self._ask(key)
        elif key in ("Up", "Down") and self.sheet == "scrape":
            self.made = max(0, self.made + (1 if key == "Up" else -1))

    def _ask(self, key: str) -> None:
        """Asks over the picture: which weight is wanted, or what there is on a limb."""
        if self.rack.view().stage in DRAWN:
            self._message = f"not while the bow is drawn: let it down, then {key}."
        elif key == "T":
            self.wish = wish_of(self.rack.bow.target)
        else:
            self.sheet = "pull"
            self.place = LimbPlace(Side.LEFT, round(0.5 * self.rack.bow.left.length_mm, -1))

    def _of_wish(self, key: str) -> None:
        """More, less, or this weight; anything else leaves it as it was."""
        wish, self.wish = self.wish, None
        if wish is None:
            return
        if key in ("Up", "Down"):
            self.wish = wish.turned(1 if key == "Up" else -1, self.units)
        elif key == "Enter" and wish.weight_n != self.rack.bow.target.draw_weight_n:
            self.rack.order("weight", wish.wanted)

    def _of_place(self, key: str) -> None:
        """A touch on a limb asks what is there; the next key or touch says it."""
        place, self.place = self.place, None
        view = self.rack.view()
        if place is not None and key in ALONG:
            lengths = Pair(*(self.rack.bow.limb(side).length_mm for side in SIDES))
            self.place = moved(place, ALONG[key], lengths)
            return
        if place is None:
            if key.startswith("at:") and self.sheet == "pull" and view.stage not in DRAWN:
                x, y = (float(part) for part in key[3:].split())
                width, height = float(gui.get_viewport_client_width()), float(gui.get_viewport_client_height())
                wide, high = self.frame_size
                box = pull_sheet.places(width, height, wide / high).picture
                self.place = place_at(view, self.frame_size, box, x, y)
            return
        what = next((w for k, _, w in CHOICES if k == key.removeprefix("place:")), "")
        if not what:
            return
        low, high_mm = place.reach(what, self.rack.bow.limb(place.side).length_mm)
        if what in HEAT:
            self._noting = self.desk.note(self.rack.bow.name, what, place.side, (low, high_mm)) or self._noting
        else:
            self.rack.order("feature", found(place.side, what, low, high_mm))

    def _show_more(self, key: str) -> None:
        """Shows the cautions again, or switches the page for another screen on or off."""
        if key == "C":
            self.cautions = True
            return
        if self.page is not None:
            page, self.page = self.page, None
            threading.Thread(
                target=page.close, name="page off", daemon=True
            ).start()  # a device may still wait for a picture
            self._message = "the second screen's page is off."
            return
        if self.rack.view().stage in DRAWN:
            self._message = "not while the bow is drawn: let it down, then W."
            return
        try:
            self.page = Page(self.rack.peek, lambda: self.units)
            self._message = ""
        except TillerError as err:
            self._message = err.marked

    # -- drawing -------------------------------------------------------------------------------------------------------

    def frame(self) -> None:
        """One frame: keys, sounds, the sheet if there is something new, and the render."""
        while True:
            try:
                self.press(self._keys.get_nowait())
            except queue.Empty:
                break
        view = self.rack.view()
        self._events(view)
        new = view.number != self._shown and view.image is not None
        self._draw(view)
        self._shown = view.number
        gui.render_dearpygui_frame()
        if new and np.isfinite(view.shot_s):
            self._delays.append(time.monotonic() - view.shot_s)
            self._pictures += 1
        self._frames.append(time.monotonic())

    def _events(self, view: View) -> None:
        happened = []
        while True:
            try:
                happened.append(self.rack.events.get_nowait())
            except queue.Empty:
                break
        for event in happened:
            if event.what is Happening.BEGAN:
                self._unread = self._unread or self.cautions  # they must not hide the stop: shown again after the pull
                self.sheet, self.cautions, self.place, self.wish = "pull", False, None, None
                self._message = SILENT if self.sounds.silent else ""
            elif event.what is Happening.ENDED and self._unread:
                self.cautions = True
        if view.worked is not None and view.worked is not self._worked:
            self._worked = view.worked
            self.made = planned_strokes(view.worked)
            if view.stage not in DRAWN:
                self.sheet = "scrape"
        self.sounds.mind(view.stage, happened, view.alarm == BROKEN)

    def _draw(self, view: View) -> None:
        width, height = float(gui.get_viewport_client_width()), float(gui.get_viewport_client_height())
        sheet = self._canvas
        sheet.begin(width, height)
        if view.image is not None and self.sheet in ("pull", "scrape", "set-up") and view.image is not self._uploaded:
            self._upload(view.image)
            self._uploaded = view.image
        photo = self.photo
        if photo is not None and photo is not self._uploaded:
            self._upload(photo.image)
            self._uploaded = photo
        draw_sheet(self, sheet, view)
        self._presses = sheet.presses

    def _upload(self, image: np.ndarray) -> None:
        high, wide = self.pixels.shape[:2]
        small = (
            image
            if image.shape[:2] == (high, wide)
            else cv2.resize(image, (wide, high), interpolation=cv2.INTER_LINEAR)
        )
        # with alpha, so that it goes into the texture in one run: a third of the time
        np.multiply(cv2.cvtColor(small, cv2.COLOR_BGR2RGBA), np.float32(1 / 255), out=self.pixels, casting="unsafe")

    @property
    def photo(self) -> Photograph | None:
        """The book's photograph that is shown in place of its curves."""
        return self.desk.photo if self.sheet == "book" else None

    def _answer(self, text: str) -> None:
        self._message = text

    def _anew(self) -> None:
        self._shown = -1

    @property
    def message(self) -> str:
        """The last answer to a key, or the rack's last note."""
        notes = self.rack.view().notes
        if notes != self._noted:  # a new note is more than an old answer
            self._noted, self._message = notes, ""
        return self._message or (notes[-1].text if notes else "") or (SILENT if self.sounds.silent else "")

    @property
    def timing(self) -> Timing:
        """How quick the window was lately."""
        span = self._frames[-1] - self._frames[0] if len(self._frames) > 1 else 0.0
        delays = np.array(self._delays) if self._delays else np.array([np.nan])
        return Timing(
            (len(self._frames) - 1) / span if span else 0.0,
            float(np.median(delays)),
            float(np.percentile(delays, 99)),
            self._pictures,
        )

    def run(self, for_s: float | None = None, each: Callable[[], None] = lambda: None) -> None:
        """Draws until the window is closed, or for so long."""
        begun = time.monotonic()
        while gui.is_dearpygui_running() and not self._closing:
            start = time.monotonic()
            if for_s is not None and start - begun > for_s:
                break
            self.rack.next_view(self._shown, self._patience())
            self.frame()
            each()
        if for_s is None and self._closing:
            self._wait_for_the_last()

    def _wait_for_the_last(self) -> None:
        """Shows that the last pull is being measured; Q again ends immediately, and it is measured at the next start."""
        self._closing = False
        self.sheet, self.cautions = "pull", False
        while gui.is_dearpygui_running() and not self._closing and self.rack.busy:
            self._message = (
                "the last pull is being measured, then it ends; Q again ends now (it is measured at the next start)"
            )
            self.rack.next_view(self._shown, PATIENCE_S)
            self.frame()
        self._closing = True

    def _patience(self) -> float:
        """How long the next frame may wait for a picture: hardly at all where frames have fallen behind lately."""
        behind = len(self._frames) > LATELY and self._frames[-1] - self._frames[-1 - LATELY] > LATELY / LEAST_HZ
        return SHORT_S if behind else PATIENCE_S

    def shoot(self, path: Path) -> None:
        """Writes what the window shows as a picture."""
        gui.output_frame_buffer(str(path))
        for _ in range(3):
            gui.render_dearpygui_frame()

    def close(self) -> None:
        """Takes the window away, and the page of a second screen with it."""
        if self.page is not None:
            self.page.close()
        if self._noting is not None:
            self._noting.join(5.0)
        self.sounds.close()
        gui.destroy_context()


def draw_sheet(app: App, sheet: Any, view: View) -> None:
    """Draws the sheet that is chosen, the line of keys below it, and the cautions over it."""
    wide, high = app.frame_size
    at = pull_sheet.places(sheet.width, sheet.height, wide / high)
    look, units, bow = app.look, app.units, app.rack.bow
    style = Style(units, look)
    frame = (wide, high)
    body = Box(
        at.head.x, at.head.y + at.head.height, at.head.width, at.side.y + at.side.height - at.head.y - at.head.height
    )
    if app.sheet == "pull":
        pull_sheet.draw(sheet, view, bow, style, at, frame)
    else:
        pull_sheet.draw_head(sheet, view, style, at.head)
        if app.sheet == "scrape":
            other_sheets.draw_plan(sheet, view, bow, style, body, app.made, frame)
        elif app.sheet == "book":
            book_sheet.draw_book(
                sheet,
                book_sheet.Listed(
                    rows=app.desk.listed,
                    chosen=app.desk.chosen,
                    marked=app.desk.marked,
                    pulls=app.desk.pulls,
                    only=app.desk.only,
                    at=app.desk.at,
                    photo=app.photo,
                ),
                style,
                body,
            )
        else:
            wanted = tuple(f.id for f in app.rack.rig.fiducials)
            other_sheets.draw_setup(sheet, view, frame, wanted, style, (at.picture, at.side))
    message = units.words(app.message)
    if message and not pull_sheet.crowded(sheet, view, units, at.head):
        sheet.fitted(
            at.head.x + at.head.width - 0.1 * at.head.height,
            at.head.y,
            message,
            0.27 * at.head.height,
            0.6 * at.head.width,
            look.on_alarm if pull_sheet.alarmed(view) else look.weak,
            "right",
        )
    _foot(app, sheet, at.foot)
    if app.page is not None and not app.page.used and view.stage not in DRAWN:
        box = Box(at.picture.x + 8, at.picture.y + 8, at.picture.width - 16, at.picture.height - 16)
        other_sheets.draw_page_code(sheet, other_sheets.PageCode(app.page.address, app.page.code.rows), look, box)
    if app.place is not None and view.stage not in DRAWN:
        draw_ring(sheet, app.place, view, frame, look, at.picture)
        draw_place(sheet, app.place, units, look, at.picture)
    if app.wish is not None and view.stage not in DRAWN:
        draw_wish(sheet, app.wish, units, look, at.picture)
    if app.cautions and view.stage is not Stage.BEYOND:  # over the picture: draw, weight and stop stay in sight
        box = Box(at.picture.x + 8, at.picture.y + 8, at.picture.width - 16, at.picture.height - 16)
        other_sheets.draw_cautions(sheet, look, box)


def _foot(app: App, sheet: Any, box: Box) -> None:
    alarm = bool(app.rack.view().alarm)
    shown = [(k, name) for k, name in ACTIONS if app.sheet in ONLY_ON.get(k, app.sheet) and (alarm or k != "K")]
    wide = sum(sheet.measure(f"{key} {name}", 1.0) + 1.3 for key, name in shown)
    size = min(0.42 * box.height, box.width / wide)
    x = box.x
    for key, name in shown:
        text = f"{key} {name}"
        wide = sheet.measure(text, size) + 0.9 * size
        chosen = SHEETS.get(key) == app.sheet
        sheet.area(x, box.y, wide, 1.9 * size, app.look.rule if chosen else app.look.panel, 4.0)
        sheet.text(x + 0.45 * size, box.y + 0.4 * size, text, size, app.look.ink)
        sheet.press(x, box.y, wide, 1.9 * size, key)
        x += wide + 0.4 * size


ALONG = {"Left": -1, "Right": 1, "Down": -10, "Up": 10}
"""Steps along the bow, to the right, by key."""
KEYS = {
    "Spacebar": "Space",
    "Up": "Up",
    "Down": "Down",
    "Left": "Left",
    "Right": "Right",
    "Return": "Enter",
    "NumPadEnter": "Enter",
    "Next": "Space",
}
"""Keys beside letters and digits, and what they are called here."""


def _sharp_on_windows() -> None:
    """Asks Windows for the screen's own pixels, which it else scales up."""
    if sys.platform == "win32":
        import contextlib
        import ctypes

        with contextlib.suppress(AttributeError, OSError):
            ctypes.windll.shcore.SetProcessDpiAwareness(2)


def show(
    rack: Rack,
    units: Units,
    book: Path | None,
    for_s: float | None = None,
    size: tuple[int, int] | None = None,
    look: Look = LIGHT,
) -> int:
    """Opens the window, as large as asked for, and runs the rack until it is closed; returns the exit code."""
    _sharp_on_windows()
    rack.start()
    app = App(rack, units, book, size or (1600, 900), look)
    try:
        app.run(for_s)
    except KeyboardInterrupt:
        pass
    finally:
        app.close()
    return 0
