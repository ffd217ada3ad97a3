"""What the shop's window reads of files and sources: which were changed, what stands in them, which camera and scale come next."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from tiller.bow.bowfile import read_bow
from tiller.bow.stavefile import read_stave
from tiller.errors import TillerError
from tiller.report.style import Units
from tiller.report.text.stave import CAUTIONS, stave_words
from tiller.shop.overview import Item, bow_lines
from tiller.sources.cameras import ADDRESS
from tiller.sources.found import Found


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
