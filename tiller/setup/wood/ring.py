"""What was seen of a back's rings, kept in the shop's book."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from tiller.records.book import Book
from tiller.records.wood.findings import Figure, Finding, keep_finding
from tiller.vision.stave.ringlines import RingLines


def keep_ring(book: Path, stave: str, seen: RingLines, at: datetime, picture: str = "") -> None:
    """Puts the numbers into the book, where there is one.

    Raises:
        BookFault: it cannot be written.
    """
    if not book.is_file():
        return
    figures = (Figure("lines", float(seen.lines)), Figure("closed", float(len(seen.islands))))
    with Book(book) as shop:
        keep_finding(shop, Finding(stave=stave, kind="ring", at=at, figures=figures, picture=picture))
