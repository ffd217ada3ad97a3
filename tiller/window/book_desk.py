"""What the rack's window has of the shop's book: its rows, the two pulls beside each other, their photographs; read in threads, so that the picture goes on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np

from tiller.bow.sides import Side
from tiller.errors import TillerError
from tiller.measure.store import pictures_of
from tiller.records.book import Book, PullRow, stamp_of
from tiller.records.events import KINDS, Event, note_event
from tiller.records.stored_pull import StoredPull
from tiller.window.book_sheet import Filter, Photograph


class BookDesk:
    """The book's rows and which of them are looked at.

    Args:
        book: the file, None where the rack keeps none; say: gets what could not be read; changed: called when something was read.
    """

    def __init__(self, book: Path | None, say: Callable[[str], None], changed: Callable[[], None]) -> None:
        self.book = book
        self._say, self._changed = say, changed
        self.chosen: list[int] = []
        self.marked: int | None = None
        self.rows: list[PullRow] = []
        self.pulls: list[StoredPull] = []
        self.photos: tuple[Photograph, ...] = ()
        self.only = Filter()
        self.turn = 0
        self._read: tuple[int, ...] = ()
        self._listed: list[PullRow] = []
        self._listed_of: tuple[list[PullRow], Filter] = ([], Filter())
        self._places: dict[int, int] = {}
        self._fetch: threading.Thread | None = None

    @property
    def listed(self) -> list[PullRow]:
        """The book's pulls that are listed: all, or those of one bow, wood or day."""
        if self._listed_of[0] is not self.rows or self._listed_of[1] != self.only:
            rows = [r for r in self.rows if self.only.lets(r)] if self.only.by else self.rows
            self._listed, self._listed_of = rows, (self.rows, self.only)
            self._places = {r.pull_id: k for k, r in enumerate(rows)}
        return self._listed

    @property
    def at(self) -> int | None:
        """Where among those the bar stands."""
        rows = self.listed
        return self._places.get(self.chosen[0]) if self.chosen and rows else None

    @property
    def photo(self) -> Photograph | None:
        """The photograph that is looked at; None where the curves are."""
        photos = self.photos  # another thread may replace them meanwhile
        return photos[self.turn - 1] if 0 < self.turn <= len(photos) else None

    def press(self, key: str) -> None:
        """What a key does: F filters, M keeps one for comparison, up and down choose, left and right turn to the photographs."""
        if key == "F":  # the chosen pull's bow alone, its wood, its day, or all again
            self.only = self.only.after(
                next((r for r in self.rows if self.chosen and r.pull_id == self.chosen[0]), None)
            )
        elif key == "M":
            self.marked = self.chosen[0] if self.chosen and self.chosen[0] != self.marked else None
            self.chosen = self.chosen[:1]
        elif key in ("Up", "Down"):
            self._choose(-1 if key == "Down" else 1)
        elif key in ("Left", "Right"):
            self.turn = (self.turn + (1 if key == "Right" else -1)) % (1 + len(self.photos))

    def _choose(self, step: int) -> None:
        rows = self.listed
        if not rows:
            return
        here = self.at
        at = here if here is not None else len(rows) - 1 - (step > 0)
        at = int(np.clip(at + step, 0, len(rows) - 1)) if self.chosen else len(rows) - 1
        bow = rows[at].bow
        last = next((k for k in range(at - 1, -1, -1) if rows[k].bow == bow), None)
        before = [rows[last].pull_id] if last is not None else []
        if self.marked is not None and any(r.pull_id == self.marked for r in self.rows):
            before = [self.marked] if self.marked != rows[at].pull_id else []
        self.chosen = [rows[at].pull_id, *before]

    def fetch(self) -> None:
        """Reads the book in a thread; nothing where that goes on already."""
        if self.book is None or not self.book.is_file() or (self._fetch is not None and self._fetch.is_alive()):
            return
        self._fetch = threading.Thread(target=self._get, args=(self.book,), name="book", daemon=True)
        self._fetch.start()

    def note(self, bow: str, kind: str, side: Side, span_mm: tuple[float, float]) -> threading.Thread | None:
        """Notes what was done to a bow at a place, in a thread: another program may hold the book; None where there is no book."""
        book = self.book
        if book is None or not book.is_file():
            self._say("nothing was noted: the book has no pull of this bow yet.")
            return None

        def work() -> None:
            now = datetime.now().replace(microsecond=0)
            event = Event(kind=kind, at=now, limb=str(side), from_mm=span_mm[0], to_mm=span_mm[1])
            try:
                with Book(book) as shop:
                    note_event(shop, bow, event, now)
            except TillerError as err:
                self._say(err.marked)
            else:
                self._say(f"noted: {KINDS[kind]}, {event.where}; the next pull shows what that changed.")

        thread = threading.Thread(target=work, name="heat", daemon=True)
        thread.start()
        return thread

    def _get(self, book: Path) -> None:
        try:
            with Book(book) as shop:
                while True:
                    stamp = stamp_of(book)
                    # thousands of rows are read again only where the book was written
                    rows = self.rows if stamp == self._read else shop.pulls()
                    self._read = stamp
                    wanted = list(self.chosen) or [r.pull_id for r in rows[-1:]]
                    pulls = [shop.pull(i) for i in wanted]
                    self.rows, self.pulls, self.photos = rows, pulls, photographs(pulls, book)
                    self.chosen = self.chosen or wanted
                    if self.chosen == wanted:  # else a key was pressed meanwhile: what is lit is what is shown
                        break
        except TillerError as err:
            self._say(err.marked)
        self._changed()


def photographs(pulls: list[StoredPull], book: Path) -> tuple[Photograph, ...]:
    """Those of the pulls that have one: the largest draw with both limbs' lines."""
    out = []
    for pull in pulls:
        path = pictures_of(book.parent, pull.recording, dict(pull.files)) / "overlay.jpg"
        image = cv2.imread(str(path)) if path.is_file() else None
        if image is not None:
            out.append(Photograph(pull.pull_id, np.asarray(image, dtype=np.uint8)))
    return tuple(out)
