"""What was done to a bow beside scraping, kept in the book: toasted, warmed and bent, dried further."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime

from tiller.bow.sides import SIDES
from tiller.errors import BookFault
from tiller.quantity import mm, mm_span
from tiller.records.book import Book

KINDS = {"toasted": "toasted", "warmed": "warmed and bent", "dried": "dried further"}
"""What may be noted, and how it is worded."""
LONGEST_LIMB_MM = 1500.0
SHAPES = ("warmed",)
"""What changes the rest shape on purpose: set is counted from the first pull after it."""


@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that was done to a bow.

    Attributes:
        kind: one of ``KINDS``; at: when, local time.
        limb: '' where both limbs are meant; from_mm, to_mm: along it, None where all of it is meant.
    """

    kind: str
    at: datetime
    limb: str = ""
    from_mm: float | None = None
    to_mm: float | None = None

    @property
    def where(self) -> str:
        """The place in words, in mm; empty where the whole bow is meant."""
        if not self.limb:
            return ""
        return f"{self.limb} limb" + (
            "" if self.from_mm is None else f" {mm_span(self.from_mm, self.to_mm or self.from_mm)}"
        )


def events_json(event: Event) -> dict[str, str | float | None]:
    """An event's keys for the export."""
    return {
        "kind": event.kind,
        "at": event.at.isoformat(timespec="seconds"),
        "limb": event.limb or None,
        "from_mm": event.from_mm,
        "to_mm": event.to_mm,
    }


def events_of(book: Book, bow: str) -> tuple[Event, ...]:
    """What was done to a bow, oldest first; a row whose kind or time this program does not know is left out."""
    rows = book.rows(
        "SELECT e.kind, e.at, e.limb, e.from_mm, e.to_mm FROM events e JOIN bows b ON b.id = e.bow_id WHERE b.name = ? ORDER BY e.at, e.id",
        (bow,),
    )
    out = []
    for row in rows:
        try:
            at = datetime.fromisoformat(row["at"])
        except ValueError:
            continue
        if row["kind"] in KINDS and at.tzinfo is None:
            out.append(Event(kind=row["kind"], at=at, limb=row["limb"], from_mm=row["from_mm"], to_mm=row["to_mm"]))
    return tuple(out)


def forget_event(book: Book, bow: str) -> Event:
    """Takes what was noted last of a bow out of the book.

    Raises:
        BookFault: there is nothing, or the book cannot be written.
    """
    rows = book.rows(
        "SELECT e.id, e.kind, e.at, e.limb, e.from_mm, e.to_mm FROM events e JOIN bows b ON b.id = e.bow_id WHERE b.name = ? ORDER BY e.id DESC LIMIT 1",
        (bow,),
    )
    if not rows:
        msg = f"The book has nothing noted of '{bow}' that could be taken back."
        raise BookFault(msg)
    row = rows[0]
    try:
        at = datetime.fromisoformat(row["at"]).replace(tzinfo=None)
        with book.writing() as db:
            gone = db.execute("DELETE FROM events WHERE id = ?", (row["id"],)).rowcount
    except ValueError as err:
        msg = f"The book holds '{row['at']}' as the time of what was noted last of '{bow}', which is none: 'tiller book check' shows what else is wrong with it."
        raise BookFault(msg) from err
    except sqlite3.Error as err:
        msg = f"The book {book.path} could not be written ({err}); nothing was taken back."
        raise BookFault(msg) from err
    if gone != 1:
        msg = f"What was noted last of '{bow}' is gone from the book already."
        raise BookFault(msg)
    return Event(kind=row["kind"], at=at, limb=row["limb"], from_mm=row["from_mm"], to_mm=row["to_mm"])


def note_event(book: Book, bow: str, event: Event, now: datetime) -> None:
    """Notes what was done to a bow.

    Raises:
        BookFault: what is wrong with it, or the book cannot be written.
    """
    if event.kind not in KINDS:
        msg = f"'{event.kind}' is nothing that the book knows: give one of {', '.join(KINDS)}."
        raise BookFault(msg)
    if event.limb not in ("", *SIDES):
        msg = f"'{event.limb}' is no limb: give left or right, as the camera sees it."
        raise BookFault(msg)
    if (event.from_mm is None) != (event.to_mm is None) or (event.from_mm is not None and not event.limb):
        msg = "A stretch needs its limb and both its ends (--limb, --from and --to)."
        raise BookFault(msg)
    if event.from_mm is not None and event.to_mm is not None and not 0 <= event.from_mm < event.to_mm:
        msg = f"A stretch from {mm_span(event.from_mm, event.to_mm, None)} is none: the second place lies further out than the first, both from the pivot."
        raise BookFault(msg)
    if event.to_mm is not None and event.to_mm > LONGEST_LIMB_MM:
        msg = f"{mm(event.to_mm)} lies beyond any limb's nock: both places are from the pivot, along the back."
        raise BookFault(msg)
    if event.at > now:
        msg = f"{event.at:%Y-%m-%d %H:%M} is still to come: note it when it is done."
        raise BookFault(msg)
    found = book.rows("SELECT id FROM bows WHERE name = ?", (bow,))
    if not found:
        msg = f"The book has no bow '{bow}': 'tiller book list' shows the bows that it has."
        raise BookFault(msg)
    first = book.rows(
        "SELECT MIN(p.taken_at) AS first FROM pulls p JOIN sessions s ON s.id = p.session_id WHERE s.bow_id = ?",
        (found[0]["id"],),
    )[0]["first"]
    if first is None or event.at.isoformat(timespec="seconds") < first:
        msg = (
            f"The first pull of '{bow}' in the book is of {str(first)[:16].replace('T', ' ')}: what was done before it cannot be held against an earlier one."
            if first
            else f"The book has no pull of '{bow}' yet: what was done before the first one cannot be held against an earlier one."
        )
        raise BookFault(msg)
    try:
        with book.writing() as db:
            db.execute(
                "INSERT INTO events (bow_id, kind, at, limb, from_mm, to_mm) VALUES (?, ?, ?, ?, ?, ?)",
                (
                    found[0]["id"],
                    event.kind,
                    event.at.isoformat(timespec="seconds"),
                    event.limb,
                    event.from_mm,
                    event.to_mm,
                ),
            )
    except sqlite3.Error as err:
        msg = f"The book {book.path} could not be written ({err}); nothing was noted."
        raise BookFault(msg) from err
