"""A bow's file in the shop: where it is, and what it says together with the stave's beside it."""

from __future__ import annotations

import shlex
from datetime import date
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import Bow, parse_bow, read_bow
from tiller.errors import BookFault, FileFault
from tiller.notes import Note, caution
from tiller.paths import data_folder


def bow_file(name: str) -> Path:
    """Where the shop keeps a bow's file."""
    return data_folder() / "bows" / name / "bow.toml"


def find_bow(text: str) -> Path:
    """The bow.toml that a path or a bow's name stands for.

    Raises:
        BookFault: there is none; says how to make one.
    """
    path = Path(text)
    if path.is_dir():
        path = path / "bow.toml"
    if path.suffix == ".toml" or path.is_file():
        return path
    if bow_file(text).is_file():
        return bow_file(text)
    msg = f"There is no bow '{text}' yet: 'tiller bow {shlex.quote(text)}' asks for what must be known of it."
    if "/" not in text:
        msg += " For a bow that came with another shop's book, copy its bow.toml here first."
    raise BookFault(msg)


def text_of(path: Path) -> str:
    """The file's text.

    Raises:
        FileFault: it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        msg = f"{path} cannot be read ({getattr(err, 'strerror', None) or err})."
        raise FileFault(msg) from err


def with_stave(bow_path: Path, bow: Bow) -> tuple[str, tuple[Note, ...]]:
    """A bow's file with what the stave's beside it knows and it does not say, which goes into each recording; and what to know of it.

    The moisture is that of ``Season.limit_moisture``: to the wet side where it is not sure.

    Raises:
        FileFault, KeyFault: the stave's file is wrong.
    """
    from tiller.bow.stavefile import onto_bow, read_stave
    from tiller.mechanics.wood.season import season_of

    text, beside = text_of(bow_path), bow_path.with_name("stave.toml")
    if not beside.is_file():
        return text, ()
    stave = read_stave(beside)
    season = season_of(stave, date.today())
    other = (
        ()
        if stave.wood.casefold() == bow.wood.casefold()
        else (
            caution(
                "wood.two-files",
                f"{bow_path.name} says {bow.wood}, the stave's file {stave.wood}: the bow's counts; correct the one that is wrong.",
            ),
        )
    )
    moisture = season.limit_moisture if np.isfinite(season.limit_moisture) else None
    try:
        return onto_bow(text, bow, stave, moisture), (*other, *season.notes)
    except ValueError as err:
        msg = f"{beside}: {err}"
        raise FileFault(msg) from err


def bow_with_stave(bow_path: Path) -> tuple[Bow, tuple[Note, ...]]:
    """The bow of a file, with what the stave's file beside it knows, and what to know of it; see ``with_stave``.

    Raises:
        FileFault, KeyFault: one of the files is missing or wrong.
    """
    import tomllib

    text, notes = with_stave(bow_path, read_bow(bow_path))
    return parse_bow(tomllib.loads(text), str(bow_path)), notes
