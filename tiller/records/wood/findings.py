"""What was found of a log or a stave: its kind, when, its figures, and the picture or recording it was read from."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np

from tiller.errors import BookFault
from tiller.records.book import Book

KINDS = ("log end", "split", "modulus", "face", "place", "ring")


@dataclass(frozen=True)
class Figure:
    """One figure of it, with its unit in the name (``diameter_mm``), and its sd; NaN where none is known."""

    name: str
    value: float
    sd: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One row. ``kind``: one of ``KINDS``; ``figures``; ``picture``: where what it was read from lies, '' where nothing was kept."""

    stave: str
    kind: str
    at: datetime
    figures: tuple[Figure, ...]
    picture: str = ""


def keep_finding(book: Book, finding: Finding) -> None:
    """Puts it into the book.

    Raises:
        BookFault: it cannot be written.
    """
    rows = [
        {k: (v if not isinstance(v, float) or np.isfinite(v) else None) for k, v in asdict(f).items()}
        for f in finding.figures
    ]
    try:
        with book.writing() as db:
            db.execute(
                "INSERT INTO findings (stave, kind, at, figures, picture) VALUES (?, ?, ?, ?, ?)",
                (
                    finding.stave,
                    finding.kind,
                    finding.at.isoformat(timespec="seconds"),
                    json.dumps(rows),
                    finding.picture,
                ),
            )
    except sqlite3.Error as err:
        msg = f"The book {book.path} could not be written ({err}); what was found of '{finding.stave}' is not in it."
        raise BookFault(msg) from err


def findings_of(book: Book, stave: str = "") -> tuple[Finding, ...]:
    """What the book holds of a stave, or of all, oldest first; a row that says nothing is left out."""
    where, given = ("WHERE stave = ?", (stave,)) if stave else ("", ())
    out = []
    for row in book.rows(f"SELECT stave, kind, at, figures, picture FROM findings {where} ORDER BY at, id", given):  # noqa: S608  (no text of others)
        try:
            at = datetime.fromisoformat(row["at"]).replace(tzinfo=None)
            data = json.loads(row["figures"])
        except ValueError:
            continue
        if row["kind"] not in KINDS or not isinstance(data, list):
            continue
        figures = tuple(f for f in (_figure(one) for one in data) if f is not None)
        out.append(Finding(stave=row["stave"], kind=row["kind"], at=at, figures=figures, picture=row["picture"]))
    return tuple(out)


def _figure(one: Any) -> Figure | None:
    if not isinstance(one, dict) or not isinstance(one.get("name"), str):
        return None
    value, sd = (float(v) if isinstance(v, int | float) else float("nan") for v in (one.get("value"), one.get("sd")))
    return Figure(one["name"], value, sd)
