"""What the shop's window reads of files and sources: which were changed, what stands in them, which camera and scale come next."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

from tiller.bow.bowfile import read_bow
from tiller.bow.rigfile import read_cell
from tiller.bow.stavefile import read_stave
from tiller.errors import TillerError
from tiller.report.style import Units
from tiller.report.text.stave import CAUTIONS, stave_words
from tiller.setup.settings import Settings, write_settings
from tiller.shop.overview import Item, bow_lines
from tiller.sources.cameras import ADDRESS
from tiller.sources.found import Found, cameras_found, scales_found
from tiller.window.shop.setup_page import Sources


def stamp_of(home: Path, book: Path) -> tuple[tuple[str, int, int], ...]:
    """Which files of the shop there are, how large, and when each was written last."""
    out = []
    log = book.with_name(book.name + "-wal")
    for path in (book, log, *sorted((home / "bows").glob("*/*.toml"))):
        try:
            about = path.stat()
        except OSError:
            continue
        out.append((str(path), about.st_size, about.st_mtime_ns))
    return tuple(out)


def of_files(item: Item, units: Units) -> tuple[str, ...]:
    """What stands in the files of a bow or a stave that was not pulled yet; why not, where they cannot be read."""
    try:
        if item.file is not None:
            return tuple(units.words(text) for text in bow_lines(read_bow(item.file)))
        if item.stave is not None:
            lines = stave_words(read_stave(item.stave), units=units, today=date.today()).splitlines()
            return tuple(text for text in lines[1:] if text and text not in CAUTIONS)
    except TillerError as err:
        return (units.words(err.marked),)
    return ()


NONE = "none"
"""In the settings: work without one."""


def following(now: str, found: tuple[Found, ...]) -> str:
    """The next of what was found; after the last one none, and then again by itself ('')."""
    places = ["", *(f.where for f in found), NONE]
    return places[(places.index(now) + 1) % len(places)] if now in places else places[0]


def named(where: str, found: tuple[Found, ...]) -> str:
    """What is used, in words: a file by its name, an address as it is, anything else that is not found now as such."""
    if not where:
        return "none"
    words = next((f.words for f in found if f.where == where), "")
    if words:
        return words
    if Path(where).is_file():
        return Path(where).name
    return where if ADDRESS.match(where) else f"{where} (not found now)"


class Uses:
    """Which camera and scale are used, and the settings that say so; each change is kept.

    Args:
        home: the shop's folder.
    """

    def __init__(self, settings: Settings, home: Path) -> None:
        self.settings, self.home = settings, home
        self.cameras: tuple[Found, ...] = ()
        self.scales: tuple[Found, ...] = ()
        self.look()

    def look(self) -> None:
        """Looks what is plugged in now."""
        self.cameras, self.scales = cameras_found(), scales_found()

    @property
    def camera(self) -> str:
        """The camera that is used: the one that was chosen, else the first that is found; '' for none."""
        chosen = self.settings.camera
        return "" if chosen == NONE else chosen or (self.cameras[0].where if self.cameras else "")

    @property
    def scale(self) -> str:
        """The scale that is used, likewise; by itself only a USB port is taken, and only where the rig's file knows a load cell."""
        chosen = self.settings.scale
        if chosen:
            return "" if chosen == NONE else chosen
        usb = [f.where for f in self.scales if f.plugged]
        return usb[0] if usb and self._weighs() else ""

    def _weighs(self) -> bool:
        try:
            read_cell(self.home / "rig.toml")
        except TillerError:
            return False
        return True

    @property
    def camera_words(self) -> str:
        """The camera in words."""
        return named(self.camera, self.cameras)

    @property
    def scale_words(self) -> str:
        """The scale in words."""
        return named(self.scale, self.scales)

    def sources(self) -> Sources:
        """Both, for setting the rack up."""
        camera = self.camera
        return Sources(
            camera=camera,
            camera_words=self.camera_words if camera else "",
            camera_there=camera in {f.where for f in self.cameras} or not camera.isdigit(),
            scale=self.scale,
            ports=tuple(f.where for f in self.scales),
            cameras=self.cameras,
        )

    def keep(self, **changes: str) -> None:
        """Keeps other settings.

        Raises:
            FileFault: they cannot be written; they hold for now.
        """
        self.settings = replace(self.settings, **changes)
        write_settings(self.settings)

    def turn(self, key: str) -> None:
        """What U, L, C and V do: the other units, the other look, the next camera, the next scale.

        Raises:
            FileFault: see ``keep``.
        """
        now = self.settings
        if key == "U":
            self.keep(units="inch" if now.units == "metric" else "metric")
        elif key == "L":
            self.keep(look="dark" if now.look == "light" else "light")
        elif key == "C":
            self.cameras = cameras_found()
            self.keep(camera=following(now.camera, self.cameras))
        else:
            self.scales = scales_found()
            self.keep(scale=following(now.scale, self.scales))


KEYS = {
    "Up": "Up",
    "Down": "Down",
    "Left": "Left",
    "Right": "Right",
    "Return": "Enter",
    "NumPadEnter": "Enter",
    "Spacebar": "Enter",
    "Next": "Down",
    "Prior": "Up",
    "Escape": "Escape",
}
"""Keys beside letters, and what they are called here."""
