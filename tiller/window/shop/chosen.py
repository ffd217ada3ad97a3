"""What the shop's window shows of the chosen bow or stave: what is reported of it, and one of its pulls with its photograph."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np

from tiller.errors import TillerError
from tiller.measure.store import pictures_of
from tiller.records.book import Book
from tiller.records.stored_pull import StoredPull
from tiller.report.style import Units
from tiller.report.text.pull import kept_words
from tiller.setup.second_view.do import TRACK_PICTURE, TRACK_WORDS
from tiller.shop.overview import Item, Page, page_of
from tiller.window.shop.sheet import PullOfBow
from tiller.window.shop.state import of_files

REPORTED = ("STIFF", "WEAK", "As a whole", "No stretch", "Note:")
"""How the sentences of a pull begin that are shown here; what it said of both limbs is for the rack."""


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """What is shown.

    Attributes:
        lines: what is reported; page: the bow's, None without a pull.
        pull: the pull that is shown, the newest unless another was asked for; None without.
        photo: (h, w, 3) BGR, None without.
        track: the bow's folder where a second view is kept there, None without; tracked: it is shown instead of a pull.
        fault: what could not be read, with marked quantities; '' where all could.
    """

    lines: tuple[str, ...] = ()
    page: Page | None = None
    pull: StoredPull | None = None
    photo: np.ndarray | None = None
    track: Path | None = None
    tracked: bool = False
    fault: str = ""

    @property
    def aspect(self) -> float:
        """Width over height of the photograph, 0 without one."""
        return self.photo.shape[1] / self.photo.shape[0] if self.photo is not None else 0.0

    @property
    def at(self) -> PullOfBow | None:
        """Which pull of how many it is."""
        if self.pull is None or self.page is None:
            return None
        ids = self.page.ids
        number = ids.index(self.pull.pull_id) + 1 if self.pull.pull_id in ids else len(ids)
        count = len(ids) + (self.track is not None)
        if self.tracked and self.track is not None:
            day = datetime.fromtimestamp((self.track / TRACK_PICTURE).stat().st_mtime)
            return PullOfBow(
                pull_id=self.pull.pull_id, number=count, count=count, day=f"{day:%Y-%m-%d}", newest=False, track=True
            )
        return PullOfBow(
            pull_id=self.pull.pull_id, number=number, count=count, day=self.pull.day, newest=number == len(ids)
        )


def chosen_of(item: Item, book: Path, units: Units, before: Chosen | None = None) -> Chosen:
    """What is shown of a bow or a stave: its newest pull, or the earlier one that was looked at before."""
    if item.newest is None:
        return Chosen(lines=of_files(item, units))
    try:
        page = page_of(book, item.name)
    except TillerError as err:
        return Chosen(fault=err.marked)
    if page is None:
        return Chosen()
    folder = item.file.parent if item.file is not None else None
    track = folder if folder is not None and (folder / TRACK_PICTURE).is_file() else None
    newest = _shown(Chosen(page=page, track=track), page.newest, book, units)
    at = before.at if before is not None else None
    if at is None or at.newest or at.track or at.pull_id not in page.ids:
        return newest
    return turned(newest, page.ids.index(at.pull_id) + 1 - len(page.ids), book, units)


def turned(chosen: Chosen, step: int, book: Path, units: Units) -> Chosen:
    """The same bow with an earlier (step < 0) or later pull shown; as it was where there is none."""
    at, page = chosen.at, chosen.page
    if at is None or page is None:
        return chosen
    number = at.number + step
    if not 1 <= number <= at.count:
        return chosen
    if chosen.track is not None and number == at.count:
        return _track(chosen, chosen.track)
    if number == len(page.ids):
        return _shown(chosen, page.newest, book, units)
    try:
        with Book(book) as shop:
            pull = shop.pull(page.ids[number - 1])
    except TillerError as err:
        return replace(chosen, fault=err.marked)
    return _shown(chosen, pull, book, units)


def _track(chosen: Chosen, folder: Path) -> Chosen:
    """The second view as it was kept: its picture and what it said."""
    photo = cv2.imread(str(folder / TRACK_PICTURE))
    try:
        lines = (folder / TRACK_WORDS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        lines = []
    return replace(chosen, lines=tuple(lines), photo=photo, tracked=True, fault="")


def _shown(chosen: Chosen, pull: StoredPull, book: Path, units: Units) -> Chosen:
    lines = tuple(t for t in kept_words(pull, units).splitlines() if t.startswith(REPORTED))
    if chosen.page is not None and pull.pull_id != chosen.page.newest.pull_id:
        lines = (f"Pull {pull.pull_id}, of {pull.day}, said:", *lines)
    path = pictures_of(book.parent, pull.recording, dict(pull.files)) / "overlay.jpg"
    photo = cv2.imread(str(path)) if path.is_file() else None
    return replace(chosen, lines=lines, pull=pull, photo=photo, tracked=False, fault="")
