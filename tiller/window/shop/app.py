"""The window that ``tiller`` opens: the shop. The rack opens in a process and a window of its own (the window's library takes one to a process), and
the shop shows what it left when it is closed.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import dearpygui.dearpygui as gui
import numpy as np

from tiller.errors import TillerError
from tiller.report.style import Units
from tiller.setup.asking import Asking, answered, back
from tiller.setup.capture import PICTURES
from tiller.setup.guided.phone import phone_job
from tiller.setup.guided.restoring import restore_job
from tiller.setup.guided.staves import stave_job
from tiller.setup.guided.talk import Talk
from tiller.setup.new_bow import keep_answers, kept_answers, write_bow
from tiller.setup.second_view.job import belly_job
from tiller.setup.settings import Settings
from tiller.setup.wood.jobs import wood_job
from tiller.shop.overview import Item, shop_items
from tiller.window.canvas import Canvas, Press, ask_for_file, names_of_keys
from tiller.window.look import DARK, LIGHT, Look
from tiller.window.pull_sheet import Box
from tiller.window.shop.chosen import Chosen, chosen_of, turned
from tiller.window.shop.file_page import FilePage
from tiller.window.shop.file_sheet import draw_file, file_field_box
from tiller.window.shop.form_sheet import draw_form, field_box
from tiller.window.shop.papers import KINDS, Papers
from tiller.window.shop.rack_window import RackWindow
from tiller.window.shop.setup_page import OneJob, SetupPage
from tiller.window.shop.setup_sheet import TOUCH, SetupShown, draw_rack_setup, setup_field_box
from tiller.window.shop.sheet import Shown, draw_shop
from tiller.window.shop.state import KEYS, Uses, stamp_of

PHOTO = (960, 540)
FRAME_S = 1 / 30


class ShopApp:
    """The shop's window. ``run`` draws until it is closed."""

    def __init__(
        self, home: Path, book: Path, settings: Settings, size: tuple[int, int] = (1600, 900), message: str = ""
    ) -> None:
        self.home, self.book = home, book
        self.items: tuple[Item, ...] = ()
        self.at = 0
        self.message = message
        self._rack = RackWindow()
        self._chosen = Chosen()
        self._looked_s, self._stamp = time.monotonic(), stamp_of(home, book)
        self._asking: Asking | None = None
        self._file: FilePage | None = None
        self._setup: SetupPage | None = None
        self._asked: object = None
        self._seen: object = None
        self._enter_free = True
        self._close_dialog: Callable[[], bool] = lambda: False
        self._uploaded: object = None
        self._keys: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._presses: list[Press] = []
        self._closing = False
        self._papers = Papers(home, book, self._say)
        self.uses = Uses(settings, home)
        self.pixels = np.zeros((PHOTO[1], PHOTO[0], 4), dtype=np.float32)
        self._actions: dict[str, Callable[[], None]] = {
            "T": lambda: self._open_rack(["--software"]),
            **{key: partial(self._paper, key) for key in KINDS},
            "E": self._change,
            "A": self._again,
            "R": self._set_up,
            "D": self._pictures,
            "Y": partial(self._pictures, True),
            "G": self._stave,
            "W": self._wood,
        }
        self._build(size)
        self._refresh()

    @property
    def units(self) -> Units:
        """The chosen units."""
        return Units(self.uses.settings.units == "metric")

    def _build(self, size: tuple[int, int]) -> None:
        gui.create_context()
        self.pixels[:, :, 3] = 1.0
        with gui.texture_registry():
            texture = gui.add_raw_texture(*PHOTO, self.pixels, format=gui.mvFormat_Float_rgba)
        gui.create_viewport(
            title="The shop",
            width=size[0],
            height=size[1],
            x_pos=20,
            y_pos=20,
            min_width=960,
            min_height=540,
            vsync=True,
        )
        gui.setup_dearpygui()
        layer = gui.add_viewport_drawlist(front=False)
        with gui.handler_registry():
            gui.add_key_press_handler(callback=self._on_key)
            for key in (gui.mvKey_Return, gui.mvKey_NumPadEnter, gui.mvKey_Spacebar):
                gui.add_key_release_handler(key, callback=self._on_release)
            gui.add_mouse_click_handler(button=0, callback=self._on_press)
        self._canvas = Canvas(gui, layer, texture)
        self._names = names_of_keys(gui, "NFGEPSOXBTCVULQRADYW", KEYS)
        # the one field of the form: the library's own, so that every keyboard writes as it is used to
        with gui.theme() as theme, gui.theme_component(gui.mvAll):
            gui.add_theme_style(gui.mvStyleVar_WindowPadding, 0, 0)
            gui.add_theme_style(gui.mvStyleVar_WindowBorderSize, 0)
            gui.add_theme_style(gui.mvStyleVar_FramePadding, 8, 8)
            self._tints = {
                gui.add_theme_color(kind, [0, 0, 0, 255]): name
                for kind, name in (
                    (gui.mvThemeCol_FrameBg, "panel"),
                    (gui.mvThemeCol_Text, "ink"),
                    (gui.mvThemeCol_TextSelectedBg, "rule"),
                )
            }
        bare = {"no_title_bar": True, "no_resize": True, "no_move": True, "no_scrollbar": True, "no_background": True}
        with gui.window(show=False, **bare) as self._frame:
            self._field = gui.add_input_text(on_enter=True, callback=self._on_enter)
        gui.bind_item_theme(self._frame, theme)
        font = self._canvas.font(28)
        if font is not None:
            gui.bind_item_font(self._field, font)
        self._recolour()
        gui.show_viewport()

    def _recolour(self) -> None:
        look = DARK if self.uses.settings.look == "dark" else LIGHT
        gui.set_viewport_clear_color(list(look.paper))
        for item, name in self._tints.items():
            gui.set_value(item, list(getattr(look, name)))

    def _on_key(self, _: object, key: Any) -> None:
        name = self._names.get(int(key), "")
        # what is typed into the form's field is no key of ours, but for those that no answer has
        typing = self._asking is not None or self._file is not None or (self._setup is not None and self._setup.typing)
        if name == "Enter" and not self._enter_free:  # held down since the question before
            return
        if name and (not typing or name in ("Up", "Down", "Escape")):
            self._keys.put(name)

    def _on_release(self, *_: object) -> None:
        self._enter_free = True

    def _on_enter(self, _: object, text: Any) -> None:
        self._keys.put(f"={text}")

    def _on_press(self, *_: object) -> None:
        x, y = gui.get_mouse_pos(local=False)
        for place in self._presses:
            if place.x <= x <= place.x + place.width and place.y <= y <= place.y + place.height:
                at = f"{(x - place.x) / place.width:.6f} {(y - place.y) / place.height:.6f}"
                self._keys.put(f"{TOUCH}{at}" if place.key == TOUCH else place.key)
                return

    # -- what there is -------------------------------------------------------------------------------------------------

    def _refresh(self) -> None:
        try:
            self.items = shop_items(self.home, self.book, date.today())
        except TillerError as err:
            self.items, self.message = (), err.marked
        self.at = min(self.at, max(0, len(self.items) - 1))
        self._show_chosen()

    def _show_chosen(self) -> None:
        """Reads what is reported of the chosen one, and its photograph."""
        item = self.items[self.at] if self.items else None
        self._show(chosen_of(item, self.book, self.units, self._chosen) if item is not None else Chosen())

    def _show(self, chosen: Chosen) -> None:
        self._chosen = chosen
        self.message = chosen.fault or self.message
        if chosen.photo is not None:
            self._upload(chosen.photo)

    # -- keys ----------------------------------------------------------------------------------------------------------

    def press(self, key: str) -> None:
        """What a key or a press does ('=' and a text: an answer typed into the form); for tests too."""
        if self._asking is not None:
            self._answer(key)
            return
        if self._file is not None:
            self._in_file(self._file, key)
            return
        if self._setup is not None:
            self._in_setup(self._setup, key)
            return
        if key.startswith("#"):
            at = int(key[1:])
            if at == self.at:
                self._to_the_rack()
            else:
                self._go(at)
        elif key in ("Up", "Down") and self.items:
            self._go(int(np.clip(self.at + (1 if key == "Down" else -1), 0, len(self.items) - 1)))
        elif key in ("Left", "Right"):
            self._show(turned(self._chosen, 1 if key == "Right" else -1, self.book, self.units))
        elif key == "Enter":
            self._to_the_rack()
        elif key in ("N", "F"):
            self._asking, self.message = Asking(metric=self.units.metric, few=key == "F"), ""
            self._focus()
        elif key in ("U", "L", "C", "V"):
            self._set(key)
        elif key in self._actions:
            self._actions[key]()
        elif key == "Q":
            self._closing = True

    # -- the rack's set-up ---------------------------------------------------------------------------------------------

    def _in_setup(self, page: SetupPage, key: str) -> None:
        """What a key does while the rack is set up, or pictures are measured."""
        if key == "Browse":
            self._close_dialog = ask_for_file(gui, self._browsed)
            return
        if key == "Escape" and self._close_dialog():
            return
        if key in ("C", "V", "U", "L") and page.moment is None:
            self._set(key)
            page.units = self.units
            page.refresh()
        elif not page.press(key):
            self._setup = self._asked = None
            gui.configure_item(self._frame, show=False)
            self._refresh()

    def _set_up(self) -> None:
        self.uses.look()
        self._guide()

    def _pictures(self, belly: bool = False) -> None:
        """Measures a phone's pictures of the chosen bow, on the tree or from its belly."""
        item = self.items[self.at] if self.items else None
        if item is None or item.file is None or item.state == "unreadable":
            self.message = (
                "choose a bow whose file lies in the shop (N asks for a new one): its pictures are measured then."
            )
        elif belly:
            self._guide(
                f"Its string's track: {item.name}",
                belly_job(item.file, self.home, self.book, self.units, self.uses.camera),
            )
        else:
            self._guide(f"Measure pictures: {item.name}", phone_job(item.file, self.home, self.book, self.units))

    def _stave(self, name: str = "") -> None:
        """A new stave, or weigh-in and days of one that is there."""
        self._guide(
            f"Stave: {name}" if name else "New stave",
            stave_job(self.home, name, frozenset(i.name.casefold() for i in self.items)),
        )

    def _wood(self) -> None:
        item = self.items[self.at] if self.items else None
        name = item.name if item is not None and item.stave is not None else ""
        self._guide("Wood before the rack", wood_job(self.home, self.book, name, self.units))

    def _guide(self, title: str = "", job: Callable[[Talk], None] | None = None) -> None:
        self.message = ""
        only = OneJob(title, job) if job is not None else None
        self._setup = SetupPage(self.home, self.units, self.uses.sources, self._use_camera, self._use_scale, only)

    def _browsed(self, path: Path) -> None:
        """Answers with a chosen file; a picture stands for its folder, but where one picture is asked for."""
        folder = path.suffix.lower() in PICTURES and not (self._setup and self._setup.one_picture)
        self._keys.put(f"={path.parent if folder else path}")

    def _use_camera(self, where: str) -> None:
        """Keeps another camera; a job's thread asks for it, the window's does it."""
        self._keys.put(f"camera:{where}")

    def _use_scale(self, where: str) -> None:
        """Keeps another scale, likewise."""
        self._keys.put(f"scale:{where}")

    def _draw_setup(self, sheet: Canvas, page: SetupPage, look: Look) -> None:
        moment = page.moment
        picture = moment.picture if moment is not None else None
        if picture is not None and picture is not self._uploaded:
            self._upload(picture)
            self._uploaded = picture
        shown = SetupShown(
            title=page.title,
            cards=page.cards,
            chosen=page.at,
            camera=self.uses.camera_words,
            scale=self.uses.scale_words,
            message=page.message or self.message,
            moment=moment,
            aspect=picture.shape[1] / picture.shape[0] if picture is not None else 0.0,
            size_px=(picture.shape[1], picture.shape[0]) if picture is not None else (0, 0),
            typed=str(gui.get_value(self._field)) if page.typing else "",
        )
        draw_rack_setup(sheet, shown, self.units, look)
        question = moment.question if moment is not None and page.typing else None
        if question is not None:
            self._place_field(setup_field_box(sheet.width, sheet.height, picture is not None))
        asked = moment.question if moment is not None else None
        if asked is not self._asked:
            self._asked = asked
            self._enter_free = not any(gui.is_key_down(k) for k in (gui.mvKey_Return, gui.mvKey_NumPadEnter))
            if question is not None:
                self._focus()
            else:
                gui.configure_item(self._frame, show=False)
        elif question is not None and moment is not self._seen:  # refused: what was typed stays, and can be typed on
            gui.focus_item(self._field)
        self._seen = moment

    def _place_field(self, box: Box) -> None:
        gui.configure_item(self._frame, pos=(int(box.x), int(box.y)), width=int(box.width), height=int(box.height))
        gui.configure_item(self._field, width=int(box.width) - 2)

    def _upload(self, photo: np.ndarray) -> None:
        small = cv2.resize(photo, PHOTO, interpolation=cv2.INTER_AREA)
        np.multiply(cv2.cvtColor(small, cv2.COLOR_BGR2RGBA), np.float32(1 / 255), out=self.pixels, casting="unsafe")

    def _answer(self, key: str) -> None:
        """What a key does while a new bow is asked for."""
        state = self._asking
        if state is None:
            return
        if key == "Escape":
            self._asking = None
            gui.configure_item(self._frame, show=False)
            self._refresh()
            return
        if key == "Up":
            state = back(state)
        elif key.startswith("=") or key == "Enter":
            typed = key[1:] if key.startswith("=") else str(gui.get_value(self._field))
            named = bool(state.name)
            bows = self.home / "bows"
            taken = frozenset(p.parent.name for p in bows.glob("*/bow.toml")) if bows.is_dir() else frozenset[str]()
            state = answered(state, typed.strip(), taken)
            draft = bows / state.name / "answers.toml" if state.name else None
            try:
                if draft is not None and not named:
                    state = replace(state, given=kept_answers(draft))
                elif draft is not None and not state.fault and not state.text:
                    keep_answers(draft, {**state.given, **state.answers})
                if state.text:
                    self._write(bows / state.name / "bow.toml", state)
                    if draft is not None:
                        draft.unlink(missing_ok=True)
                    self._asking = None
                    gui.configure_item(self._frame, show=False)
                    self._refresh()
                    self._go_to(state.name)
                    return
            except (TillerError, OSError) as err:
                state = replace(
                    state, fault=err.marked if isinstance(err, TillerError) else f"it cannot be kept ({err})."
                )
        self._asking = state
        if state.fault:
            gui.focus_item(self._field)  # what was typed stays
        else:
            self._focus()

    def _change(self) -> None:
        """Shows what stands in the chosen bow's file, to be changed."""
        item = self.items[self.at] if self.items else None
        if item is None or item.file is None or item.state == "unreadable":
            self.message = "only a bow whose file lies in the shop can be changed."
            return
        try:
            self._file, self.message = FilePage(item.name, item.file, self.units), ""
        except TillerError as err:
            self.message = err.marked
            return
        self._focus()

    def _in_file(self, page: FilePage, key: str) -> None:
        """What a key does on that page."""
        chosen, typed = page.at, str(gui.get_value(self._field))
        if not page.press(key):
            self._file = None
            gui.configure_item(self._frame, show=False)
            self._refresh()
            self._go_to(page.name)
        elif page.at != chosen:
            if not key.startswith("="):
                page.left(typed)
            self._focus()
        else:
            gui.focus_item(self._field)

    def _write(self, path: Path, state: Asking) -> None:
        """Writes a new bow's file.

        Raises:
            FileFault: it cannot be written.
        """
        write_bow(path, state.text)
        self.message = f"'{state.name}' is written down."

    def _focus(self) -> None:
        """Empties the field and puts the cursor into it."""
        gui.set_value(self._field, "")
        gui.configure_item(self._frame, show=True)
        gui.focus_item(self._field)

    def _go_to(self, name: str) -> None:
        before = self.message
        for k, item in enumerate(self.items):
            if item.name == name:
                self._go(k)
        self.message = before

    def _go(self, at: int) -> None:
        self.at, self.message = at, ""
        self._show_chosen()

    def _to_the_rack(self) -> None:
        item = self.items[self.at] if self.items else None
        if item is None:
            self.message = "there is no bow yet: T looks at the rack in software."
        elif item.state in ("put aside", "unreadable"):
            self.message = f"{item.next_step}."
        elif item.file is None:
            draft = self.home / "bows" / item.name / "answers.toml"
            if item.state == "to begin" and draft.is_file():  # a form that was left
                given = kept_answers(draft)
                few = "left_width1" not in given and "string" in given
                self._asking = Asking(metric=self.units.metric, name=item.name, at=0, given=given, few=few)
                self._focus()
                return
            if item.stave is not None:
                self._stave(item.name)
                return
            self.message = "its bow.toml is not in the shop's folder: put it there under the bow's name."
        else:
            if not (self.home / "rig.toml").is_file():
                self.message = (
                    "the rack is not set up yet: R does that, step by step; D measures a phone's pictures without it."
                )
                return
            self.uses.look()
            camera, scale = self.uses.camera, self.uses.scale
            if not camera and not scale:
                self.message = "neither a camera nor a scale is found: plug one in, or choose one with C and V."
                return
            words = [str(item.file.resolve()), *(["--camera", camera] if camera else ["--no-camera"])]
            self._open_rack([*words, *(["--scale", scale] if scale else []), "--book", str(self.book.resolve())])

    def _again(self) -> None:
        """Plays the pull that is shown again at the rack, picture by picture."""
        folder = Path(self._chosen.pull.folder) if self._chosen.pull is not None else None
        if folder is None or not (folder / "frames.csv").is_file():
            self.message = "there is no recording of a pull to be played again."
        else:
            self._open_rack(["--replay", str(folder)])

    def _open_rack(self, words: list[str]) -> None:
        """Opens the rack's window in a process of its own."""
        self.message = self._rack.open(words, self.uses.settings.units)

    def _mind_book(self) -> None:
        """Reads the shop again where book or files changed, at most every ``LOOK_S``."""
        now = time.monotonic()
        if now - self._looked_s < LOOK_S or any((self._asking, self._file, self._setup)):
            return
        self._looked_s = now
        stamp = stamp_of(self.home, self.book)
        if stamp != self._stamp:
            self._stamp = stamp
            name = self.items[self.at].name if self.items else ""
            self._refresh()
            self._go_to(name)

    def _mind_rack(self) -> None:
        """Whether the rack's window was closed; then what it left is read, and what it said is shown."""
        said = self._rack.closed()
        if said is not None:
            self.message = said
            self._refresh()

    def _paper(self, key: str) -> None:
        """Makes a sheet, a strip, an export or a backup."""
        kind = KINDS[key]
        item = self.items[self.at] if self.items else None
        if kind == "backup" and not any(i.pulls for i in self.items):
            self._guide("Put a backup in place", restore_job(self.book, self.home))
            return
        self.message = self._papers.make(kind, item, self.units) or self.message

    def _say(self, text: str) -> None:
        self.message = text

    def _set(self, key: str) -> None:
        try:
            self.uses.turn(key)
        except TillerError as err:
            self.message = err.marked
        self._recolour()
        self._show_chosen()

    # -- drawing -------------------------------------------------------------------------------------------------------

    def frame(self) -> None:
        """One frame: keys, the sheet, the render."""
        while True:
            try:
                key = self._keys.get_nowait()
            except queue.Empty:
                break
            what, colon, where = key.partition(":")
            if colon and what in ("camera", "scale"):  # a job found out that it works
                self.uses.keep(**{what: where})
            else:
                self.press(key)
        self._mind_rack()
        self._mind_book()
        sheet = self._canvas
        sheet.begin(float(gui.get_viewport_client_width()), float(gui.get_viewport_client_height()))
        look = DARK if self.uses.settings.look == "dark" else LIGHT
        if self._asking is not None:
            draw_form(sheet, self._asking, Units(self._asking.metric), look, str(gui.get_value(self._field)))
            self._place_field(field_box(sheet.width, sheet.height))
            self._presses = sheet.presses
            gui.render_dearpygui_frame()
            return
        if self._file is not None:
            self._file.check(str(gui.get_value(self._field)))
            draw_file(sheet, self._file, self.units, look)
            self._place_field(file_field_box(sheet.width, sheet.height))
            self._presses = sheet.presses
            gui.render_dearpygui_frame()
            return
        if self._setup is not None:
            self._draw_setup(sheet, self._setup, look)
            self._presses = sheet.presses
            gui.render_dearpygui_frame()
            return
        shown = Shown(
            items=self.items,
            chosen=self.at,
            lines=self._chosen.lines,
            page=self._chosen.page,
            pull=self._chosen.at,
            aspect=self._chosen.aspect,
            camera=self.uses.camera_words,
            scale=self.uses.scale_words,
            message=self.message,
        )
        draw_shop(sheet, shown, self.units, look)
        self._presses = sheet.presses
        gui.render_dearpygui_frame()

    def run(self, each: Callable[[], None] = lambda: None) -> None:
        """Draws until it is closed; a rack that is open then goes on in its own window."""
        while gui.is_dearpygui_running() and not self._closing:
            self.frame()
            each()
            # the rack's picture goes first
            time.sleep(8 * FRAME_S if self._rack.is_open else FRAME_S)

    def shoot(self, path: Path) -> None:
        """Writes what the window shows as a picture."""
        gui.output_frame_buffer(str(path))
        for _ in range(3):
            gui.render_dearpygui_frame()

    def close(self) -> None:
        """Takes the window away; a job that sets the rack up is left."""
        if self._setup is not None:
            self._setup.leave(patience_s=5.0)
        gui.destroy_context()


LOOK_S = 1.5
