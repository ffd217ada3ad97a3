"""What is taken where nothing is given: units, light or dark, camera and scale. One file in the shop's folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tiller.bow.tomlcheck import Table, load_toml
from tiller.bow.tomlwrite import toml
from tiller.files import write_whole
from tiller.paths import data_folder

UNITS, LOOKS = ("metric", "inch"), ("light", "dark")


@dataclass(frozen=True)
class Settings:
    """The shop's settings; camera and scale as on the command line, '' where none is set."""

    units: str = "metric"
    look: str = "light"
    camera: str = ""
    scale: str = ""


def settings_file() -> Path:
    """Where they are kept."""
    return data_folder() / "settings.toml"


def read_settings() -> Settings:
    """The shop's settings, the usual ones where there is no file.

    Raises:
        FileFault, KeyFault: the file cannot be read, or a key of it is wrong.
    """
    path = settings_file()
    if not path.is_file():
        return Settings()
    table = Table(str(path), "", load_toml(path))
    usual = Settings()
    return Settings(
        table.text("units", allowed=UNITS) if table.has("units") else usual.units,
        table.text("look", allowed=LOOKS) if table.has("look") else usual.look,
        table.label("camera"),
        table.label("scale"),
    )


def write_settings(settings: Settings) -> None:
    """Keeps them.

    Raises:
        FileFault: the file cannot be written.
    """
    table = {"units": settings.units, "look": settings.look}
    table |= {name: value for name, value in (("camera", settings.camera), ("scale", settings.scale)) if value}
    write_whole(settings_file(), toml(table).encode())
