"""Whether the shop's book is sound: its file, what its rows refer to, and the recordings it names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tiller.records.book import ELSEWHERE, Book


@dataclass(frozen=True)
class Soundness:
    """What a check of the book found.

    Attributes:
        bows, pulls: how many it holds.
        damage: what SQLite found wrong in the file, empty = nothing; dangling: rows that refer to one that is not there.
        gone: folders of recordings that are not where the book says.
    """

    bows: int
    pulls: int
    damage: tuple[str, ...]
    dangling: int
    gone: tuple[str, ...]


def check(book: Book) -> Soundness:
    """Looks for damage in the whole file, and for recordings that are gone.

    Raises:
        BookFault: the file is so damaged that it cannot be read.
    """
    found = [str(next(iter(row.values()))) for row in book.rows("PRAGMA integrity_check(20)")]
    folders = [str(row["folder"]) for row in book.rows("SELECT folder FROM pulls ORDER BY id")]
    return Soundness(
        bows=int(book.rows("SELECT COUNT(*) AS n FROM bows")[0]["n"]),
        pulls=len(folders),
        damage=tuple(text for text in found if text != "ok"),
        dangling=len(book.rows("PRAGMA foreign_key_check")),
        gone=tuple(folder for folder in folders if folder != ELSEWHERE and not Path(folder).is_dir()),
    )
