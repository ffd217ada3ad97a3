"""The shop's book: one SQLite file with bows, sessions at the rack, pulls and what was measured.

WAL journal, foreign keys, explicit transactions; a crash at any moment leaves the last finished
entry. A recording that is measured again adds a result to its pull, not a second pull; a pull is
known by the hashes of its files. Derived numbers carry the version of the program that made them.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from time import sleep
from typing import Any

import numpy as np

from tiller import __version__
from tiller.bow.sides import SIDES
from tiller.errors import BookFault
from tiller.mechanics.fit.results import PullResult
from tiller.notes import caution
from tiller.records.migrations import MIGRATIONS, Migration, fingerprint_of
from tiller.records.shapes import KeptNotes, advice_of, notes_json, notes_of
from tiller.records.stored_advice import StoredAdvice, StoredComparison, read, written
from tiller.records.stored_pull import StoredPull, stored_pull

FATES = ("whole", "broken", "cracked", "chrysals")
"""What may become of a bow; the first one is that nothing did."""
ELSEWHERE = "(in another shop)"
"""In place of the folder of a recording that came with another book and does not lie on this machine."""


@dataclass(frozen=True, kw_only=True)
class PullRow:
    """A pull as listed: its newest result; ``force_there_n`` is NaN where it was made without a scale."""

    pull_id: int
    bow: str
    day: str
    recording: str
    results: int
    largest_draw_mm: float
    force_there_n: float
    marks: int
    wood: str = ""


@dataclass(frozen=True, kw_only=True)
class BowRow:
    """A bow as listed; ``fate``: '' where nobody said what became of it; ``description``: see ``stored_pull.description``."""

    name: str
    wood: str
    created_at: str
    fate: str
    description: str
    pulls: int


def stamp_of(book: Path) -> tuple[int, ...]:
    """When the book's files were written last, and how large they are."""
    out: list[int] = []
    for path in (book, book.with_name(book.name + "-wal")):
        with contextlib.suppress(OSError):
            about = path.stat()
            out += [about.st_mtime_ns, about.st_size]
    return tuple(out)


APPLICATION_ID = int.from_bytes(b"tlrb")
"""Stands in the file's header, so that tools can tell a book from other SQLite files."""

ON_NETWORK = caution(
    "book.on-network",
    "the book lies on a network drive, where locks cannot be trusted: two programs that write to it together may damage it. Keep it on this computer's own"
    " disk; backups of it may go there.",
)
BRING_BACK = (
    "move it away and bring back the newest backup with 'tiller book restore FILE';"
    " pulls made since then come back with 'tiller measure RECORDING'"
)

WAIT_S, ASK_AGAIN_S = 5.0, 0.02
"""How long another program's writing is waited for."""


def may_write(path: Path) -> bool:
    """Whether a book that is there may be written: its file, and beside it, where SQLite keeps its log."""
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


@dataclass(frozen=True)
class PullSource:
    """Where a pull comes from: its bow's wood and description, the recording's folder, hashes of its files by name, when it was taken."""

    wood: str
    description: str
    folder: Path
    hashes: Mapping[str, str]
    taken_at: datetime


class Book:
    """The shop's book. ``open`` it with a ``with`` statement."""

    def __init__(self, path: Path, migrations: tuple[Migration, ...] = MIGRATIONS) -> None:
        self.path = Path(path)
        self.migrations = migrations
        self._db: sqlite3.Connection | None = None

    def __enter__(self) -> Book:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def open(self) -> None:
        """Opens the file, makes it where it is missing, brings an older one up to date. One that may not be written is opened for reading.

        Raises:
            BookFault: it cannot be opened, is no book, or was written by a newer program.
        """
        db: sqlite3.Connection | None = None
        try:
            if self.path.is_file() and not may_write(self.path):
                db = self._for_reading()
                self._db = db
                return
            self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(self.path, timeout=WAIT_S, isolation_level=None)
            self._check_ours(db)
            if self._journal(db) != "wal":
                msg = f"The book {self.path} lies on a drive that cannot keep it safe (no write-ahead log): put it on a local drive."
                raise BookFault(msg)
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = FULL")
            self._db = db
            self._bring_up_to_date()
        except sqlite3.DatabaseError as err:
            if err.sqlite_errorname == "SQLITE_NOTADB":
                msg = f"{self.path} is no book (no SQLite file): give the book's own file with --book; nothing was changed."
                raise BookFault(msg) from err
            raise self._fault("cannot be opened", err) from err
        except (sqlite3.Error, OSError) as err:
            raise self._fault("cannot be opened", err) from err
        finally:
            if self._db is None and db is not None:
                db.close()

    def _for_reading(self) -> sqlite3.Connection:
        """The file as it stands: SQLite wants to write beside a book even to read it, so the address says that nobody changes it."""
        log = self.path.with_name(self.path.name + "-wal")
        if log.exists() and log.stat().st_size:
            msg = (
                f"The book {self.path} may not be written, and what was written last still lies in {log.name} next to it: copy both to a folder"
                " that you may write in and give the copy with --book."
            )
            raise BookFault(msg)
        db = sqlite3.connect(
            f"{self.path.resolve().as_uri()}?mode=ro&immutable=1", uri=True, timeout=WAIT_S, isolation_level=None
        )
        try:
            self._check_ours(db)
            if int(db.execute("PRAGMA user_version").fetchone()[0]) != len(self.migrations):
                msg = f"The book {self.path} is of an older program and may not be written, so it cannot be brought up to date: copy it to a folder that you may write in and give the copy with --book."
                raise BookFault(msg)
        except BaseException:
            db.close()
            raise
        return db

    def _check_ours(self, db: sqlite3.Connection) -> None:
        own = int(db.execute("PRAGMA application_id").fetchone()[0])
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if own not in (0, APPLICATION_ID) or (own == 0 and tables and "pulls" not in tables):
            msg = f"{self.path} is another program's database, no book: give another file with --book; nothing was changed."
            raise BookFault(msg)
        if version > len(self.migrations):
            msg = (
                f"The book {self.path} was written by a newer program (its version is {version}, this program knows {len(self.migrations)}):"
                " install the newer program; nothing was changed."
            )
            raise BookFault(msg)

    def _journal(self, db: sqlite3.Connection) -> str:
        """Turns the file to the write-ahead log. Where another program has the file at that moment SQLite refuses, of some locks at
        once, whatever its busy timeout (waiting with the read lock held could block both for ever): so it is asked again."""
        db.execute("PRAGMA busy_timeout = 0")
        try:
            for left in reversed(range(round(WAIT_S / ASK_AGAIN_S))):
                try:
                    return str(db.execute("PRAGMA journal_mode = WAL").fetchone()[0])
                except sqlite3.OperationalError as err:
                    if not left or not err.sqlite_errorname.startswith("SQLITE_BUSY"):
                        raise
                    sleep(ASK_AGAIN_S)
        finally:
            db.execute(f"PRAGMA busy_timeout = {round(1000 * WAIT_S)}")
        msg = "no try at all"
        raise sqlite3.OperationalError(msg)

    def _bring_up_to_date(self) -> None:
        db = self.db
        if int(db.execute("PRAGMA user_version").fetchone()[0]) == len(self.migrations):
            return
        name = "first look"
        try:
            with self.writing() as change:
                # read again now that nobody else can write: two programs may open a new book at once
                version = int(change.execute("PRAGMA user_version").fetchone()[0])
                for number in range(version, len(self.migrations)):
                    name, step = self.migrations[number]
                    step(change)
                    change.execute(f"PRAGMA user_version = {number + 1}")
                change.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        except sqlite3.Error as err:
            self.close()
            raise self._fault(f"cannot be brought up to date ({name})", err) from err

    def close(self) -> None:
        """Closes the file."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def _fault(self, what: str, err: Exception) -> BookFault:
        if getattr(err, "sqlite_errorname", "").startswith("SQLITE_BUSY"):
            hint = "another program has it open: let that one end, then try again; the book keeps what it had"
        elif getattr(err, "sqlite_errorname", "").startswith("SQLITE_READONLY"):
            hint = "it may be read but not written: change its permissions, or give another one with --book"
        elif getattr(err, "sqlite_errorname", "").startswith("SQLITE_CORRUPT"):
            hint = f"the file is damaged: {BRING_BACK}"
        else:
            hint = "check that the place is there, that you may write there and that the disk is not full; the book keeps what it had"
        return BookFault(f"The book {self.path} {what}: {err}; {hint}.")

    @property
    def db(self) -> sqlite3.Connection:
        """The open connection."""
        if self._db is None:
            msg = f"The book {self.path} is closed."
            raise BookFault(msg)
        return self._db

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction: all of what is written within it, or nothing."""
        db = self.db
        db.execute("BEGIN IMMEDIATE")
        try:
            yield db
        except BaseException:
            if db.in_transaction:  # a full disk makes SQLite roll back by itself
                db.execute("ROLLBACK")
            raise
        db.execute("COMMIT")

    def add(
        self,
        result: PullResult,
        source: PullSource,
        advice: StoredAdvice | None = None,
        comparison: StoredComparison | None = None,
    ) -> tuple[int, int, bool]:
        """Writes a measured pull: all of it or nothing.

        Returns:
            pull id, result id, whether the pull is new.

        Raises:
            BookFault: it cannot be written; the book is as it was.
        """
        fingerprint = fingerprint_of(source.hashes)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        try:
            with self.writing() as db:
                found = db.execute(
                    "SELECT p.id, s.bow_id FROM pulls p JOIN sessions s ON s.id = p.session_id WHERE p.fingerprint = ?",
                    (fingerprint,),
                ).fetchone()
                # a pull that is known stays with its bow, under whatever name the book keeps that
                bow_id = int(found[1]) if found is not None else self._bow_of(db, result.bow, source, now)
                db.execute(
                    "UPDATE bows SET wood = ?, description = ? WHERE id = ?",
                    (source.wood, source.description, bow_id),
                )
                pull_id = int(found[0]) if found is not None else self._add_pull(db, bow_id, result.recording, source)
                result_id = self._add_result(db, pull_id, result, now)
                self._add_details(db, result_id, result)
                if advice is not None or comparison is not None:
                    text = json.dumps(written(advice, comparison))
                    db.execute("INSERT INTO advice VALUES (?, ?)", (result_id, text))
        except sqlite3.Error as err:
            raise self._fault("could not be written, so this pull is not in it", err) from err
        return pull_id, result_id, found is None

    @staticmethod
    def _bow_of(db: sqlite3.Connection, name: str, source: PullSource, now: str) -> int:
        """The bow of that name, written down where it is new."""
        db.execute(
            "INSERT INTO bows (name, wood, description, created_at) VALUES (?, ?, ?, ?) ON CONFLICT (name) DO NOTHING",
            (name, source.wood, source.description, now),
        )
        return int(db.execute("SELECT id FROM bows WHERE name = ?", (name,)).fetchone()[0])

    @staticmethod
    def _add_pull(db: sqlite3.Connection, bow_id: int, recording: str, source: PullSource) -> int:
        """A pull that is new: its day's session, itself, its files."""
        day = source.taken_at.date().isoformat()
        db.execute("INSERT INTO sessions (bow_id, day) VALUES (?, ?) ON CONFLICT DO NOTHING", (bow_id, day))
        session = db.execute("SELECT id FROM sessions WHERE bow_id = ? AND day = ?", (bow_id, day)).fetchone()[0]
        cursor = db.execute(
            "INSERT INTO pulls (session_id, fingerprint, recording, folder, taken_at) VALUES (?, ?, ?, ?, ?)",
            (
                session,
                fingerprint_of(source.hashes),
                recording,
                str(source.folder),
                source.taken_at.isoformat(timespec="seconds"),
            ),
        )
        pull_id = int(cursor.lastrowid or 0)
        db.executemany(
            "INSERT INTO files VALUES (?, ?, ?)", [(pull_id, k, v) for k, v in sorted(source.hashes.items())]
        )
        return pull_id

    @staticmethod
    def _add_result(db: sqlite3.Connection, pull_id: int, result: PullResult, now: str) -> int:
        top = result.pictures[result.largest]
        # a clock that was wrong once must not keep a later result behind an earlier one
        last = db.execute("SELECT MAX(made_at) FROM results WHERE pull_id = ?", (pull_id,)).fetchone()[0]
        cursor = db.execute(
            "INSERT INTO results (pull_id, made_at, program, largest_draw_mm, force_there_n, lag_s, lag_sd_s, hysteresis, balance, balance_sd, notes, weighed, string_kind)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                pull_id,
                max(now, last or now),
                __version__,
                top.draw_mm,
                top.force_n if result.weighed else 0.0,
                result.lag_s if result.weighed else 0.0,
                result.lag_sd_s if result.weighed else 0.0,
                _number(result.hysteresis),
                _number(result.balance),
                _number(result.balance_sd),
                notes_json(KeptNotes(result.notes, result.left_out)),
                int(result.weighed),
                result.string_kind,
            ),
        )
        return int(cursor.lastrowid or 0)

    @staticmethod
    def _add_details(db: sqlite3.Connection, result_id: int, result: PullResult) -> None:
        db.executemany(
            "INSERT INTO force_draw VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    result_id,
                    k,
                    p.file,
                    p.branch,
                    p.t_s,
                    _number(p.draw_mm),
                    _number(p.draw_sd_mm),
                    _number(p.force_n),
                    _number(p.force_sd_n),
                    int(p.held),
                )
                for k, p in enumerate(result.pictures)
            ],
        )
        for side in SIDES:
            limb = result.limb(side)
            columns = (
                limb.s_mm,
                limb.bend_per_m,
                limb.bend_sd,
                limb.stiffness_n_m2,
                limb.stiffness_sd,
                limb.strain,
                limb.strain_sd,
                limb.departure,
                limb.departure_sd,
            )
            db.executemany(
                "INSERT INTO profiles VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(result_id, side, k, *(_number(v) for v in row)) for k, row in enumerate(zip(*columns, strict=True))],
            )
            db.executemany(
                "INSERT INTO rest VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (result_id, side, k, float(s), float(x), float(y))
                    for k, (s, (x, y)) in enumerate(zip(limb.s_mm, limb.rest_mm, strict=True))
                ],
            )
            twist = limb.twist
            if np.isfinite(twist.rest_rad):
                db.execute(
                    "INSERT INTO twists VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        result_id,
                        side,
                        twist.rest_rad,
                        twist.rest_sd_rad,
                        twist.drawn_rad,
                        twist.drawn_sd_rad,
                        _number(twist.from_mm),
                        _number(twist.from_sd_mm),
                    ),
                )
            db.executemany(
                "INSERT INTO marks VALUES (?, ?, ?, ?, ?, ?, ?)",
                [(result_id, side, m.from_mm, m.to_mm, m.kind, m.departure, m.sd) for m in limb.marks],
            )

    def rows(self, query: str, values: tuple[Any, ...] = ()) -> list[dict[str, Any]]:
        """What a query reads, row by row by column.

        Raises:
            BookFault: it cannot be read.
        """
        try:
            cursor = self.db.execute(query, values)
            names = [c[0] for c in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
        except (sqlite3.Error, OverflowError) as err:
            raise self._fault("cannot be read", err) from err

    def pulls(self, bow: str | None = None) -> list[PullRow]:
        """All pulls, oldest first, each with its newest result."""
        query = (
            "WITH ranked AS (SELECT pull_id, id, COUNT(*) OVER (PARTITION BY pull_id) AS many,"  # noqa: S608  (names of our own tables and columns only)
            " ROW_NUMBER() OVER (PARTITION BY pull_id ORDER BY made_at DESC, id DESC) AS place FROM results),"
            " newest AS (SELECT pull_id, id, many FROM ranked WHERE place = 1),"
            " counted AS (SELECT result_id, COUNT(*) AS many FROM marks GROUP BY result_id)"
            " SELECT p.id, b.name, s.day, p.recording, n.many, r.largest_draw_mm, CASE WHEN r.weighed THEN r.force_there_n END, COALESCE(c.many, 0), b.wood"
            " FROM pulls p JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id JOIN newest n ON n.pull_id = p.id"
            " JOIN results r ON r.id = n.id LEFT JOIN counted c ON c.result_id = n.id"
            f"{' WHERE b.name = ?' if bow is not None else ''} ORDER BY p.taken_at, p.id"
        )
        try:
            found = self.db.execute(query, () if bow is None else (bow,)).fetchall()
        except sqlite3.Error as err:
            raise self._fault("cannot be read", err) from err
        names = [f.name for f in fields(PullRow)]
        rows = (dict(zip(names, row, strict=True)) for row in found)
        return [PullRow(**{**row, "force_there_n": _force(row["force_there_n"])}) for row in rows]

    def earlier(self, bow: str, hashes: Mapping[str, str], taken_at: datetime) -> list[StoredPull]:
        """The bow's pulls that were taken before the pull with these files, oldest first, in full.

        Where the book holds that pull under another name (after a merge), it is that bow's pulls.
        """
        fingerprint = fingerprint_of(hashes)
        kept = self.rows(
            "SELECT b.name FROM pulls p JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id WHERE p.fingerprint = ?",
            (fingerprint,),
        )
        bow = str(kept[0]["name"]) if kept else bow
        rows = self.rows(
            "SELECT p.id FROM pulls p JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id WHERE b.name = ?"
            " AND p.fingerprint <> ? AND p.taken_at <= COALESCE((SELECT taken_at FROM pulls WHERE fingerprint = ?), ?)"
            " ORDER BY p.taken_at, p.id",
            (bow, fingerprint, fingerprint, taken_at.isoformat(timespec="seconds")),
        )
        return [self.pull(int(row["id"])) for row in rows]

    def bows(self) -> list[BowRow]:
        """All bows, by name."""
        rows = self.rows(
            "SELECT b.name, b.wood, b.created_at, b.fate, b.description, COUNT(p.id) AS pulls FROM bows b LEFT JOIN sessions s ON s.bow_id = b.id"
            " LEFT JOIN pulls p ON p.session_id = s.id GROUP BY b.id ORDER BY b.name"
        )
        return [BowRow(**row) for row in rows]

    def fate(self, bow: str) -> str:
        """What became of a bow; "" where nobody said, or the book has no such bow."""
        found = self.rows("SELECT fate FROM bows WHERE name = ?", (bow,))
        return str(found[0]["fate"]) if found else ""

    def set_fate(self, bow: str, fate: str) -> None:
        """Notes what became of a bow, one of ``FATES``; '' takes the note back.

        Raises:
            BookFault: there is no such bow or fate, or the book cannot be written.
        """
        if fate and fate not in FATES:
            msg = f"'{fate}' is not known as what became of a bow: give one of {', '.join(FATES)}; 'forget' takes the note back."
            raise BookFault(msg)
        try:
            with self.writing() as db:
                if not db.execute("UPDATE bows SET fate = ? WHERE name = ?", (fate, bow)).rowcount:
                    msg = f"The book has no bow '{bow}': 'tiller book list' shows the bows that it has."
                    raise BookFault(msg)
        except sqlite3.Error as err:
            raise self._fault("could not be written", err) from err

    def add_scraping(self, pull_id: int, strokes: int, planned_strokes: int) -> None:
        """Notes that wood came off after a pull.

        Raises:
            BookFault: it cannot be written.
        """
        now = datetime.now(UTC).isoformat(timespec="seconds")
        try:
            with self.writing() as db:
                db.execute(
                    "INSERT INTO scrapings (pull_id, strokes, planned_strokes, at) VALUES (?, ?, ?, ?)",
                    (pull_id, strokes, planned_strokes, now),
                )
        except sqlite3.Error as err:
            raise self._fault("could not be written, so this scraping is not in it", err) from err

    def pull(self, pull_id: int) -> StoredPull:
        """A pull with its newest result and all its details.

        Raises:
            BookFault: there is no such pull.
        """
        return stored_pull(self._pull_rows(pull_id))

    def pull_json(self, pull_id: int) -> str:
        """The same as JSON, as its tables hold it, without the recording's folder; sentences keep their marked quantities.

        Raises:
            BookFault: there is no such pull.
        """
        row = self._pull_rows(pull_id)
        del row["folder"]  # where the recording lies on this machine is nobody else's business
        row["notes"] = json.loads(notes_json(notes_of(row["notes"])))
        advice = advice_of(row["advice"]) if row["advice"] is not None else None
        row["advice"] = written(*read(advice)) if advice is not None else None
        return json.dumps(row)

    def _pull_rows(self, pull_id: int) -> dict[str, Any]:
        heads = self.rows(
            "SELECT p.id AS pull_id, b.name AS bow, b.wood, s.day, p.recording, p.folder, p.taken_at, r.id AS result_id, r.made_at, r.program,"
            " r.largest_draw_mm, CASE WHEN r.weighed THEN r.force_there_n END AS force_there_n, CASE WHEN r.weighed THEN r.lag_s END AS lag_s,"
            " CASE WHEN r.weighed THEN r.lag_sd_s END AS lag_sd_s, r.hysteresis, r.balance, r.balance_sd, r.notes, r.string_kind"
            " FROM pulls p JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id JOIN results r ON r.pull_id = p.id"
            " WHERE p.id = ? ORDER BY r.made_at DESC, r.id DESC LIMIT 1",
            (pull_id,),
        )
        if not heads:
            known = [row.pull_id for row in self.pulls()]
            span = f"pulls {min(known)} to {max(known)}" if known else "no pull at all"
            msg = f"The book {self.path} has no pull {pull_id}; it holds {span}: 'tiller book list' shows them."
            raise BookFault(msg)
        out = heads[0]
        key = (out["result_id"],)
        out["force_draw"] = self.rows("SELECT * FROM force_draw WHERE result_id = ? ORDER BY number", key)
        out["profiles"] = {
            side: self.rows(
                "SELECT * FROM profiles WHERE result_id = ? AND limb = ? ORDER BY number", (out["result_id"], side)
            )
            for side in SIDES
        }
        out["marks"] = self.rows(
            "SELECT limb, from_mm, to_mm, kind, departure, sd FROM marks WHERE result_id = ? ORDER BY limb, from_mm",
            key,
        )
        out["rest"] = {
            side: self.rows(
                "SELECT s_mm, x_mm, y_mm FROM rest WHERE result_id = ? AND limb = ? ORDER BY number",
                (out["result_id"], side),
            )
            for side in SIDES
        }
        found = self.rows("SELECT data FROM advice WHERE result_id = ?", key)
        out["advice"] = found[0]["data"] if found else None
        out["scrapings"] = self.rows(
            "SELECT strokes, planned_strokes, at FROM scrapings WHERE pull_id = ? ORDER BY id", (pull_id,)
        )
        out["files"] = self.rows("SELECT name, sha256 FROM files WHERE pull_id = ? ORDER BY name", (pull_id,))
        return out


def mark_of(hashes: Mapping[str, str]) -> str:
    """A short mark of a pull, from what it is known by: its pictures' folder carries it."""
    return fingerprint_of(hashes)[:8]


def _force(kept: Any) -> Any:
    return float("nan") if kept is None else kept


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
