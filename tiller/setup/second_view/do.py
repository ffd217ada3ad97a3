"""Pictures of a bow from its belly measured, held against what the book has of it, and kept there; the same for the command and the window."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from tiller.bow.bowfile import Bow, read_bow
from tiller.bow.sides import Pair
from tiller.files import write_whole
from tiller.measure.second_view.whole import Known, SecondView, Shots, second_view
from tiller.mechanics.space.tracking import NO_TWIST, NockTwist
from tiller.records.alignments import (
    KeptAlignment,
    Stayed,
    alignments_of,
    held,
    keep_alignment,
    kept_of,
    kept_share,
    outline_twist,
    scrapings_of,
    stayed,
)
from tiller.records.book import Book
from tiller.records.events import events_of
from tiller.report.plots.alignment import Sighted, alignment_plot
from tiller.report.style import Units
from tiller.report.text.alignment import NOTE_IT, alignment_words, sentence, turned_words

TRACK_PICTURE, TRACK_WORDS = "track.png", "track.txt"
"""Beside a bow's file in the shop: the second view that was looked at last, for the bow's page."""


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What came of it: the bow, what was seen, what earlier heat left, whether it is in the book."""

    bow: Bow
    view: SecondView
    stayed: tuple[Stayed, ...]
    kept: bool
    reserve: float = 0.0
    hand_shock: str = ""
    twist_before: Pair[NockTwist] = NO_TWIST

    def words(self, units: Units) -> str:
        """All of it, in words."""
        view = self.view
        text = alignment_words(
            view.alignment, view.correction, self.bow, units, self.stayed, self.reserve, self.hand_shock
        )
        if not self.kept:  # a book that knows nothing of the bow takes no event of it
            text = "\n".join(line for line in text.splitlines() if NOTE_IT not in line)
        return "\n".join([text, *turned_words(self.twist_before, view.alignment.twist, self.bow)])

    def sentence(self, units: Units) -> str:
        """The one sentence."""
        return sentence(self.view.alignment, self.bow, units)

    def picture(self, units: Units) -> bytes:
        """The first picture and the curves, as PNG."""
        view = self.view
        sight = Sighted(
            image=view.first.image,
            edges_px=view.seen.edges_px,
            string_px=view.seen.string_px,
            turned=view.turned,
        )
        return alignment_plot(sight, view.alignment, self.bow, self.sentence(units), units)


def look_and_keep(
    bow_file: Path,
    shots: Shots,
    known: Known,
    rig: Path | None,
    book: Path | None,
    now: datetime | None = None,
    hand_shock: str = "",
) -> Looked:
    """Measures the pictures and puts what they show into the book, where it knows the bow. ``hand_shock``: as it was felt, '' where nobody said.

    Raises:
        VisionFault, TillerError: nothing could be measured; nothing is in the book then.
        BookFault: the book cannot be read or written.
    """
    bow = read_bow(bow_file)
    before: tuple[KeptAlignment, ...] = ()
    of_wood: tuple[Stayed, ...] = ()
    twist = known.twist
    moisture = float("nan") if bow.moisture_percent is None else bow.moisture_percent
    there = book is not None and book.is_file()
    if there and book is not None:
        with Book(book) as shop:
            before = alignments_of(shop, bow.name)
            twist = outline_twist(shop, bow.name, bow.upper_limb, events_of(shop, bow.name))
            for name in (row["name"] for row in shop.rows("SELECT name FROM bows WHERE wood = ?", (bow.wood,))):
                of_wood = (
                    *of_wood,
                    *stayed(alignments_of(shop, name), events_of(shop, name), scrapings_of(shop, name)),
                )
    view = second_view(bow, shots, replace(known, kept=kept_share(of_wood, moisture)[0], twist=twist), rig)
    at = now or datetime.now().replace(microsecond=0)
    row = kept_of(view.alignment, view.correction, at, bow.upper_limb, moisture, hand_shock)
    kept = False
    left: tuple[Stayed, ...] = ()
    was = NO_TWIST
    if there and book is not None:
        with Book(book) as shop:
            kept = keep_alignment(shop, bow.name, row)
            if before:
                warmed = [e for e in events_of(shop, bow.name) if e.kind == "warmed" and before[-1].at < e.at <= row.at]
                was = held(before[-1], bow.upper_limb).twist if warmed else NO_TWIST
                left = stayed((*before[-1:], row), events_of(shop, bow.name), scrapings_of(shop, bow.name))
    return Looked(
        bow=bow, view=view, stayed=left, kept=kept, reserve=known.reserve, hand_shock=hand_shock, twist_before=was
    )


def keep_for_page(bow_file: Path, home: Path, looked: Looked, units: Units) -> None:
    """Puts picture and words beside the bow's file, where that lies in the shop.

    Raises:
        FileFault: they cannot be written.
    """
    folder = bow_file.resolve().parent
    if folder.parent != (home / "bows").resolve():
        return
    write_whole(folder / TRACK_PICTURE, looked.picture(units))
    write_whole(folder / TRACK_WORDS, (looked.words(units) + "\n").encode())
