"""A bow's sheet written where it is wanted, and shown by the system's own viewer."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tiller.errors import BookFault, FileFault
from tiller.files import write_whole
from tiller.measure.photos import photos_of
from tiller.records.alignments import alignments_of, track_words
from tiller.records.book import FATES, Book
from tiller.report.sheets.bow import limb_text, sheet_html, sheet_pdf
from tiller.report.style import Units


@dataclass(frozen=True)
class Written:
    """The sheet's files, the text for the limb, and what to know."""

    pdf: Path
    html: Path
    on_the_limb: str
    notes: tuple[str, ...]


def write_sheet(book: Path, bow: str, folder: Path, units: Units) -> Written:
    """Writes a bow's sheet as PDF and HTML, each whole or not at all.

    Raises:
        BookFault: the book has no pull of that bow; FileFault: it cannot be written.
    """
    with Book(book) as shop:
        rows = shop.pulls(bow)
        if not rows:
            msg = f"The book has no pull of '{bow}': 'tiller book list' shows the bows that it has."
            raise BookFault(msg)
        pulls = [shop.pull(r.pull_id) for r in rows]
        fate = shop.fate(bow)
        track = track_words(alignments_of(shop, bow))
    title = bow if fate in ("", FATES[0]) else f"{bow} - NOTED AS {fate.upper()}: DO NOT DRAW"
    photos, notes = photos_of(pulls, units)

    def png(image: np.ndarray) -> bytes:
        return bytes(cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR))[1].tobytes())

    stem = folder / "".join(c if c.isalnum() or c in "-_ " else "-" for c in bow)
    pdf, html = stem.with_suffix(".pdf"), stem.with_suffix(".html")
    write_whole(pdf, sheet_pdf(title, pulls, photos, units, track))
    write_whole(html, sheet_html(title, pulls, photos, png, units, track))
    return Written(pdf, html, limb_text(pulls, units), tuple(notes))


def open_in_viewer(path: Path) -> None:
    """Opens a file in the system's own viewer.

    Raises:
        FileFault: the system has none, or says no.
    """
    try:
        if sys.platform == "win32":
            os.startfile(path)  # noqa: S606  (a file that this program has just written)
        else:
            opener = "open" if sys.platform == "darwin" else "xdg-open"
            subprocess.Popen([opener, str(path)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # noqa: S603  (as above)
    except OSError as err:
        msg = f"{path} is written, but this system opens no viewer by itself ({err.strerror or err}): open it there."
        raise FileFault(msg) from err
