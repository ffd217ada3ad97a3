"""A book of somebody else, looked at before anything of it comes in: only tables and columns that this program knows, only values of their
kind and within what is usual, no views and no triggers. Everything else is refused in one sentence, and nothing was changed.
"""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path
from typing import Any

from tiller.errors import BookFault
from tiller.files import check_regular
from tiller.quantity import BRACKETS
from tiller.records.shapes import fits_advice, fits_description, fits_figures, fits_notes
from tiller.records.strictjson import strict_json

LARGEST_BOOK = 2_000_000_000
"""Ten thousand pulls take some 300 MB."""
MOST_STEPS = 2_000_000_000
"""SQLite's own steps that looking through such a book may take; a query that was made to run for ever takes more."""
LONGEST_NAME, LONGEST_DESCRIPTION, LONGEST_TEXT = 400, 100_000, 5_000_000
LARGEST_NUMBER = 1e12
NAMES = frozenset(
    {
        "name",
        "wood",
        "recording",
        "fate",
        "limb",
        "kind",
        "branch",
        "string_kind",
        "program",
        "day",
        "made_at",
        "taken_at",
        "folder",
    }
)
"""Text columns that are shown in one line."""
STRICT_JSON = frozenset({"description", "notes", "data", "figures"})


def check_file(path: Path) -> None:
    """Refuses a file that is no closed SQLite file of a sensible size.

    Raises:
        BookFault: what it is instead.
    """
    check_regular(path, LARGEST_BOOK)
    log = path.with_name(path.name + "-wal")
    old = path.with_name(path.name + "-journal")
    if any(beside.exists() and beside.stat().st_size > 0 for beside in (log, old)):
        msg = f"{path} is open in another program, or was not closed: close it there, or list it once ('tiller book list --book {path}'); nothing was changed."
        raise BookFault(msg)


def open_foreign(path: Path) -> sqlite3.Connection:
    """The file, read only and as it lies there: nothing is written beside it, nothing in it is run.

    Raises:
        sqlite3.Error: it is no SQLite file.
    """
    db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    limit_steps(db)
    return db


def limit_steps(db: sqlite3.Connection) -> None:
    """Whatever is asked of it ends, with an ``sqlite3.Error``; and nothing in its schema is run."""
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA cell_size_check = ON")
    left = [MOST_STEPS // 100_000]

    def tick() -> int:
        left[0] -= 1
        return int(left[0] < 0)

    db.set_progress_handler(tick, 100_000)


def columns(db: sqlite3.Connection, table: str) -> dict[str, tuple[str, bool]]:
    """Declared type and whether it must be given, by column, of one of our own tables."""
    return {row[1]: (str(row[2]).upper(), bool(row[3])) for row in db.execute(f"PRAGMA table_xinfo({table})")}


def check_schema(theirs: sqlite3.Connection, ours: sqlite3.Connection, name: str) -> None:
    """Refuses views, triggers, and tables or columns that a book does not have.

    Args:
        theirs: brought up to this program's version; ours: a book of this program; name: of the file, for the message.

    Raises:
        BookFault: what is strange.
    """
    known = {row[0] for row in ours.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for kind, thing in theirs.execute("SELECT type, name FROM sqlite_master").fetchall():
        if kind not in ("table", "index") or (kind == "table" and thing not in known):
            msg = f"{name} holds a {kind} that no book has: it was not written by this program alone; nothing was changed."
            raise BookFault(msg)
    for table in known:
        if set(columns(theirs, table)) != set(columns(ours, table)):
            msg = f"{name} has other columns in '{table}' than a book has: it was not written by this program alone; nothing was changed."
            raise BookFault(msg)


def checked(row: dict[str, Any], table: str, own: dict[str, tuple[str, bool]], name: str) -> dict[str, Any]:
    """A row of theirs, its columns in our order, every value of its column's kind.

    Raises:
        BookFault: one is not.
    """
    out: dict[str, Any] = {}
    for column, (kind, needed) in own.items():
        value = row.get(column)
        if not _fits(column, value, kind, needed):
            msg = f"{name}: '{column}' in '{table}' holds what no book holds there; nothing was changed."
            raise BookFault(msg)
        out[column] = value
    return out


def _fits(column: str, value: object, kind: str, needed: bool) -> bool:
    if value is None:
        return not needed
    if kind == "INTEGER":
        return isinstance(value, int) and abs(value) < 2**53
    if kind == "REAL":
        return isinstance(value, int | float) and math.isfinite(value) and abs(value) < LARGEST_NUMBER
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        return False
    if column in NAMES:
        return len(value) <= LONGEST_NAME and value.isprintable() and not BRACKETS & set(value)
    if column in STRICT_JSON:
        if column == "description" and len(value) > LONGEST_DESCRIPTION:
            return False
        return _is_strict(column, value) or (column == "description" and value.isprintable() and not _is_json(value))
    return "\0" not in value


def _is_strict(column: str, text: str) -> bool:
    try:
        value = strict_json(text)
    except ValueError:
        return False
    return {"description": fits_description, "notes": fits_notes, "data": fits_advice, "figures": fits_figures}[column](
        value
    )


def _is_json(text: str) -> bool:
    """Whether a careless reader would take it for JSON; a description may also be a plain word."""
    try:
        json.loads(text)
    except (ValueError, RecursionError):
        return text.lstrip()[:1] in ("{", "[")
    return True
