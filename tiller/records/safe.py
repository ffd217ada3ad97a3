"""The book kept safe: one-file backup that is read back before it is called good, restore, and the merge of two books.

A backup is a ZIP with the book as SQLite made it, the shop's own files (bows, rig), and ``manifest.json`` that names every
member with its SHA-256, the schema and what the book holds.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
import time
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import IO, Any

from tiller import __version__
from tiller import files as filing
from tiller.errors import BookFault, FileFault
from tiller.files import blocks, check_regular, write_whole
from tiller.records.book import APPLICATION_ID, ELSEWHERE, FATES, Book
from tiller.records.foreign import check_file, check_schema, checked, columns, limit_steps, open_foreign
from tiller.records.migrations import MIGRATIONS

BOOK = "book.sqlite3"
MANIFEST = "manifest.json"
FORMAT = 1
COUNTED = ("bows", "sessions", "pulls", "results", "scrapings", "events", "alignments", "findings")


@dataclass(frozen=True)
class Kept:
    """What a backup holds: rows by table, members with their hashes, the schema it was written with, and when."""

    rows: dict[str, int]
    members: dict[str, str]
    schema: int
    made_at: str


@dataclass(frozen=True)
class Merged:
    """What a merge did: pulls and results that came in, pulls that were there already, and what to know."""

    pulls: int
    results: int
    known: int
    notes: tuple[str, ...]


def _hash(stream: IO[bytes]) -> str:
    digest = sha256()
    for part in blocks(stream):
        digest.update(part)
    return digest.hexdigest()


def _unpack(archive: zipfile.ZipFile, name: str, place: Path) -> None:
    """Writes one member to a file of a temporary folder of our own, in parts."""
    with archive.open(name) as source, place.open("wb") as target:
        for part in blocks(source):
            target.write(part)


def _rows(db: sqlite3.Connection) -> dict[str, int]:
    names = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return {t: int(db.execute(f"SELECT COUNT(*) FROM {t}").fetchone()[0]) for t in COUNTED if t in names}  # noqa: S608  (names of our own tables and columns only)


@contextmanager
def _read_only(path: Path) -> Iterator[sqlite3.Connection]:
    db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    try:
        yield db
    finally:
        db.close()


def back_up(book: Path, target: Path, files: dict[str, Path]) -> Kept:
    """Writes a backup and reads it back.

    Args:
        files: further members by their name in the backup.

    Raises:
        BookFault: the book cannot be read, the backup cannot be written, or did not read back as it was written.
    """
    if not book.is_file():
        msg = f"There is no book at {book}: nothing to back up."
        raise BookFault(msg)
    if target.exists():
        msg = f"{target} is there already: a backup never writes over a file; choose another name."
        raise BookFault(msg)
    part: Path | None = None
    try:
        with tempfile.TemporaryDirectory(prefix="tiller-backup-") as folder:
            copy = Path(folder) / BOOK
            # opening brings an older one up to date, and refuses what is no book
            with Book(book) as source, contextlib.closing(sqlite3.connect(copy)) as db:
                source.db.backup(db)
                db.execute("PRAGMA journal_mode = DELETE")
                rows = _rows(db)
                schema = int(db.execute("PRAGMA user_version").fetchone()[0])
            filing.step("book copied")
            members = {BOOK: copy, **dict(sorted(files.items()))}
            hashes = {}
            for name, path in members.items():
                with path.open("rb") as stream:
                    hashes[name] = _hash(stream)
            kept = Kept(
                rows,
                hashes,
                schema,
                datetime.now(UTC).isoformat(timespec="seconds"),
            )
            target.parent.mkdir(parents=True, exist_ok=True)
            handle, made = tempfile.mkstemp(
                dir=target.parent, prefix=f".{target.name}."
            )  # a name that nobody else has, private
            os.close(handle)
            part = Path(made)
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
                for name, path in members.items():
                    archive.write(path, name)
                filing.step("backup without its manifest")
                archive.writestr(MANIFEST, json.dumps(_manifest(kept), indent=1))
            filing.step("backup packed")
            with part.open("rb") as file:
                os.fsync(file.fileno())
            if read_backup(part) != kept:
                msg = f"{target} did not read back as it was written: the disk may be failing; the backup was not kept."
                raise BookFault(msg)
            filing.step("backup read back")
            filing.put_new(part, target)
            filing.step("backup in place")
    except (OSError, sqlite3.Error, zipfile.BadZipFile) as err:
        msg = f"The backup {target} could not be written ({getattr(err, 'strerror', None) or err}): check disk and permissions."
        raise BookFault(msg) from err
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    return kept


def _manifest(kept: Kept) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "program": __version__,
        "schema": kept.schema,
        "made_at": kept.made_at,
        "rows": kept.rows,
        "members": kept.members,
    }


LARGEST_BACKUP, LARGEST_MEMBER, MOST_MEMBERS = 2_000_000_000, 2_000_000_000, 2_000
LARGEST_MANIFEST, LARGEST_FILE = 1_000_000, 1_000_000
"""A hundred bytes a member; a bow's file has some thousand."""
_NAME = r"(?!\.)[^/\\\x00-\x1f\x7f]{1,120}"
MAY_BE_THERE = re.compile(rf"rig\.toml(\.before)?|bows/{_NAME}/{_NAME}\.toml")
"""What a backup may put into the data folder: the rig's file, and each bow's and stave's. Nothing that begins with a dot, no mark of a running pull."""


def _check_members(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuses an archive that would unpack to more than any shop has.

    Raises:
        BookFault: it would.
    """
    sizes = [member.file_size for member in archive.infolist()]
    if len(sizes) > MOST_MEMBERS or sum(sizes) > LARGEST_MEMBER:
        msg = f"{path} would unpack to {len(sizes)} files of {sum(sizes) / 1e6:.0f} MB: that is no shop's backup; nothing was changed."
        raise BookFault(msg)


def read_backup(path: Path) -> Kept:
    """Reads a backup as a whole: every member's hash, and the book in it as SQLite sees it.

    Raises:
        BookFault: it is no backup, is damaged, or comes of a newer version.
    """
    try:
        check_regular(path, LARGEST_BACKUP)
        with zipfile.ZipFile(path) as archive:
            _check_members(path, archive)
            if archive.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
                msg = f"{path} is no backup of a book: its list of files has {archive.getinfo(MANIFEST).file_size / 1e6:.0f} MB; nothing was changed."
                raise BookFault(msg)
            manifest = json.loads(archive.read(MANIFEST))
            if BOOK not in manifest["members"]:
                msg = f"{path} is no backup of a book: there is no book in it; nothing was changed."
                raise BookFault(msg)
            if int(manifest["format"]) > FORMAT or int(manifest["schema"]) > len(MIGRATIONS):
                msg = f"{path} was made by a newer version of this program ({manifest.get('program', 'unknown')}): install that one to read it; nothing was changed."
                raise BookFault(msg)
            for name, wanted in manifest["members"].items():
                with archive.open(name) as stream:
                    found = _hash(stream)
                if found != wanted:
                    msg = f"{path} is damaged: '{name}' is not what was written; use another backup."
                    raise BookFault(msg)
            with tempfile.TemporaryDirectory(prefix="tiller-backup-") as folder:
                book = Path(folder) / BOOK
                _unpack(archive, BOOK, book)
                with _read_only(book) as db:
                    sound = db.execute("PRAGMA integrity_check").fetchone()[0]
                    rows = _rows(db)
    except FileNotFoundError:
        msg = f"There is no file {path}."
        raise BookFault(msg) from None
    except (
        OSError,
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,  # a way of packing that this program does not use
        RuntimeError,  # encrypted
        RecursionError,
        LookupError,
        ValueError,
        TypeError,
        AttributeError,
        sqlite3.Error,
    ) as err:
        msg = f"{path} is no backup of a book, or is damaged ({err}): use another one; nothing was changed."
        raise BookFault(msg) from err
    if sound != "ok" or rows != manifest["rows"]:
        msg = f"{path} is damaged: the book in it is not whole ({sound}); use another backup."
        raise BookFault(msg)
    return Kept(rows, dict(manifest["members"]), int(manifest["schema"]), str(manifest["made_at"]))


def restore(path: Path, book: Path, home: Path) -> tuple[Kept, tuple[str, ...]]:
    """Puts a backup in place where there is no book yet, or an empty one; the shop's own files only where none are.

    The files go first and each as a whole, the book last: what failed half-way can be done again.

    Returns:
        The backup, and the names of its files that were left out because others of that name are there.

    Raises:
        BookFault: the backup cannot be read, there is a book with pulls, or the disk refuses.
    """
    kept = read_backup(path)
    if book.is_file():
        with Book(book) as there:
            if there.pulls():
                msg = (
                    f"{book} holds pulls already: a backup is restored into an empty book only; 'tiller book merge {path}' puts its pulls"
                    " into this one. Nothing was changed."
                )
                raise BookFault(msg)
    left: list[str] = []
    _check_rows(path)
    try:
        with zipfile.ZipFile(path) as archive:
            for name in kept.members:
                if name == BOOK:
                    continue
                place = (home / name).resolve()
                if not MAY_BE_THERE.fullmatch(name) or home.resolve() not in place.parents:
                    left.append(name)
                    continue
                if archive.getinfo(name).file_size > LARGEST_FILE:
                    left.append(name)
                    continue
                data = archive.read(name)
                if place.exists():
                    left += [name] if place.read_bytes() != data else []
                    continue
                write_whole(place, data)
            for old in (book.with_name(book.name + "-wal"), book.with_name(book.name + "-shm")):
                old.unlink(missing_ok=True)
            with archive.open(BOOK) as stream:
                write_whole(book, blocks(stream))
            filing.step("all restored")
    except (OSError, FileFault) as err:
        why = getattr(err.__cause__ or err, "strerror", None) or err
        msg = f"The backup could not be put in place ({why}): check disk and permissions, then restore it again; the backup itself is as it was."
        raise BookFault(msg) from err
    with Book(book):
        pass
    return kept, tuple(left)


def _check_rows(path: Path) -> None:
    """Refuses a backup whose book holds what no book holds: a backup, too, may come from somebody else.

    Raises:
        BookFault: what is strange.
    """
    with tempfile.TemporaryDirectory(prefix="tiller-backup-") as folder:
        copy, empty = Path(folder) / BOOK, Path(folder) / "empty.sqlite3"
        with zipfile.ZipFile(path) as archive:
            _unpack(archive, BOOK, copy)
        try:
            with contextlib.closing(open_foreign(copy)) as source:
                _no_programs(source, str(path))
            with Book(copy) as theirs, Book(empty) as ours:
                limit_steps(theirs.db)
                check_schema(theirs.db, ours.db, str(path))
                rows = _Theirs(theirs, ours.db, str(path))
                for (table,) in ours.db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                    if not str(table).startswith("sqlite_"):
                        rows.rows(str(table))
        except sqlite3.Error as err:
            msg = f"{path} holds what does not fit into a book ({err}); nothing was changed."
            raise BookFault(msg) from err


def _no_programs(source: sqlite3.Connection, name: str) -> None:
    """Refuses views and triggers.

    Raises:
        BookFault: there are some.
    """
    strange = source.execute("SELECT COUNT(*) FROM sqlite_master WHERE type IN ('view', 'trigger')").fetchone()[0]
    if strange:
        msg = f"{name} holds views or triggers, which no book has: it was not written by this program alone; nothing was changed."
        raise BookFault(msg)


def merge(book: Path, other: Path) -> Merged:
    """Puts the pulls of another book, or of a backup of one, into this one, in one transaction; the other one is only read.

    A pull is known by its pictures and force: one that both hold comes in once, with the results that this one lacks. A bow of the
    same name, wood, modulus and crown is the same bow; another one of that name comes in under a name of its own.

    Raises:
        BookFault: one of them cannot be read; nothing was changed.
    """
    if not other.is_file():
        msg = f"There is no book at {other}."
        raise BookFault(msg)
    shown_as = str(other)
    book.parent.mkdir(parents=True, exist_ok=True)
    _sweep(book.parent)
    with tempfile.TemporaryDirectory(prefix=MERGING, dir=book.parent) as folder:
        copy = Path(folder) / BOOK
        check_file(other)
        if zipfile.is_zipfile(other):
            read_backup(other)
            with zipfile.ZipFile(other) as archive:
                _unpack(archive, BOOK, Path(folder) / "kept.sqlite3")
            other = Path(folder) / "kept.sqlite3"
        try:
            with contextlib.closing(open_foreign(other)) as source, contextlib.closing(sqlite3.connect(copy)) as db:
                if source.execute("PRAGMA application_id").fetchone()[0] not in (0, APPLICATION_ID):
                    msg = f"{shown_as} is a database of another program, no book; nothing was changed."
                    raise BookFault(msg)
                if source.execute("PRAGMA user_version").fetchone()[0] > len(MIGRATIONS):
                    msg = f"{shown_as} was written by a newer version of this program: use that one to merge it; nothing was changed."
                    raise BookFault(msg)
                _no_programs(source, shown_as)
                if source.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                    msg = f"{shown_as} is damaged: merge a backup of it instead; nothing was changed."
                    raise BookFault(msg)
                source.backup(db)
            filing.step("other book copied")
        except sqlite3.Error as err:
            msg = f"{shown_as} cannot be read as a book ({err}); nothing was changed."
            raise BookFault(msg) from err
        try:
            with Book(copy) as theirs, Book(book) as ours, ours.writing() as db:
                limit_steps(theirs.db)
                check_schema(theirs.db, db, shown_as)
                merged = _merge(db, _Theirs(theirs, db, shown_as))
                filing.step("all merged, not yet kept")
            filing.step("merge kept")
            return merged
        except sqlite3.Error as err:
            msg = f"{shown_as} holds what does not fit into a book ({err}); nothing was changed."
            raise BookFault(msg) from err


MERGING = ".merging-"
OLD_S = 3600.0
"""What a merge that was killed left behind is swept away by the next one after so long."""


def _sweep(folder: Path) -> None:
    for left in folder.glob(f"{MERGING}*"):
        with contextlib.suppress(OSError):
            if left.is_dir() and not left.is_symlink() and time.time() - left.stat().st_mtime > OLD_S:
                shutil.rmtree(left, ignore_errors=True)


class _Theirs:
    """The other book's rows, each checked before it is handed out."""

    def __init__(self, book: Book, ours: sqlite3.Connection, name: str) -> None:
        self._book, self._ours, self._name = book, ours, name

    def rows(self, table: str, where: str = "", given: tuple[object, ...] = ()) -> list[dict[str, Any]]:
        """All rows of one of our tables, or those that fit."""
        own = columns(self._ours, table)
        found = self._book.rows(f"SELECT {', '.join(own)} FROM {table} {where}", given)  # noqa: S608  (names of our own tables and columns only)
        return [checked(row, table, own, self._name) for row in found]


def _merge(db: sqlite3.Connection, theirs: _Theirs) -> Merged:
    bows, differences, always = _bows(db, theirs)
    differing: dict[int, str] = {}
    pulls = results = known = 0
    sessions = {row["id"]: row for row in theirs.rows("sessions")}
    for pull in theirs.rows("pulls", "ORDER BY taken_at, id"):
        if pull["session_id"] not in sessions or sessions[pull["session_id"]]["bow_id"] not in bows:
            continue  # a pull of no bow
        pull |= {key: sessions[pull["session_id"]][key] for key in ("day", "bow_id")}
        there = db.execute("SELECT id FROM pulls WHERE fingerprint = ?", (pull["fingerprint"],)).fetchone()
        if there is None:
            bow = bows[pull["bow_id"]]
            if pull["bow_id"] in differences:
                differing[pull["bow_id"]] = differences[pull["bow_id"]]
            db.execute("INSERT OR IGNORE INTO sessions (bow_id, day) VALUES (?, ?)", (bow, pull["day"]))
            session = db.execute("SELECT id FROM sessions WHERE bow_id = ? AND day = ?", (bow, pull["day"])).fetchone()[
                0
            ]
            pull_id = db.execute(
                "INSERT INTO pulls (session_id, fingerprint, recording, folder, taken_at) VALUES (?, ?, ?, ?, ?)",
                (session, pull["fingerprint"], pull["recording"], _here(pull["folder"]), pull["taken_at"]),
            ).lastrowid
            _copy(db, theirs, "files", "pull_id", pull["id"], pull_id)
            pulls += 1
        else:
            pull_id = there[0]
            known += 1
        for row in _lacking(db, theirs, "scrapings", "pull_id", pull["id"], pull_id):
            _insert(db, "scrapings", "pull_id", pull_id, row)
        for result in _lacking(db, theirs, "results", "pull_id", pull["id"], pull_id):
            new = _insert(db, "results", "pull_id", pull_id, result)
            for table in ("force_draw", "profiles", "marks", "advice", "rest", "twists"):
                _copy(db, theirs, table, "result_id", result["id"], new)
            results += 1
        filing.step("one pull merged")
    for their_bow, bow_id in bows.items():
        for row in _lacking(db, theirs, "events", "bow_id", their_bow, bow_id):
            _insert(db, "events", "bow_id", bow_id, row)
        for row in _lacking(db, theirs, "alignments", "bow_id", their_bow, bow_id):
            _insert(db, "alignments", "bow_id", bow_id, row)
    for stave in sorted({row["stave"] for row in theirs.rows("findings")}):
        for row in _lacking(db, theirs, "findings", "stave", stave, stave):
            _insert(db, "findings", "stave", stave, row)
    return Merged(pulls, results, known, (*always, *differing.values()))


def _here(folder: str) -> str:
    """The folder of a recording of theirs where it lies on this machine too; a path of another machine is not followed."""
    if folder.startswith(("//", "\\\\")) or not Path(folder).is_absolute():
        return ELSEWHERE
    try:
        return folder if Path(folder).is_dir() else ELSEWHERE
    except OSError:
        return ELSEWHERE


def _lacking(
    db: sqlite3.Connection, theirs: _Theirs, table: str, owner: str, their_id: int | str, our_id: int | str | None
) -> list[dict[str, Any]]:
    """Rows of theirs that ours lack, by all that they say; of rows that are alike as many as are missing. ``owner``: the column that says whose they are."""
    rows = theirs.rows(table, f"WHERE {owner} = ? ORDER BY id", (their_id,))
    if not rows:
        return []
    names = [k for k in rows[0] if k not in ("id", owner)]
    ours = Counter(db.execute(f"SELECT {', '.join(names)} FROM {table} WHERE {owner} = ?", (our_id,)).fetchall())  # noqa: S608  (names of our own tables and columns only)
    out = []
    for row in rows:
        key = tuple(row[k] for k in names)
        if ours[key] > 0:
            ours[key] -= 1
        else:
            out.append(row)
    return out


def _insert(db: sqlite3.Connection, table: str, owner: str, our_id: int | None, row: dict[str, Any]) -> int:
    names = [k for k in row if k not in ("id", owner)]
    made = db.execute(
        f"INSERT INTO {table} ({owner}, {', '.join(names)}) VALUES (?{', ?' * len(names)})",  # noqa: S608  (names of our own tables and columns only)
        (our_id, *(row[k] for k in names)),
    )
    return int(made.lastrowid or 0)


ITSELF = ("modulus_gpa", "crown_radius_mm")
"""What a bow is known by beside name and wood, where both books know it; moisture, features and target change while it is made."""
MOST_NAMED = 4


def _described(text: str) -> dict[str, Any] | None:
    try:
        table = json.loads(text)
    except ValueError:
        return None
    return table if isinstance(table, dict) else None


def _same(ours: str, theirs: str) -> bool:
    """Whether two descriptions may be of one bow: a size that only one of them knows does not make it another."""
    a, b = _described(ours), _described(theirs)
    if a is None or b is None:
        return ours == theirs
    return all(a.get(k) == b.get(k) or a.get(k) is None or b.get(k) is None for k in ITSELF)


def _both(ours: str, theirs: str) -> tuple[str, list[str]]:
    """Our description with what it lacks out of theirs, and in words where both say something else."""
    a, b = _described(ours), _described(theirs)
    if a is None or b is None:
        return ours, []
    differ: list[str] = []

    def join(one: dict[str, Any], other: dict[str, Any], path: str) -> dict[str, Any]:
        out = dict(one)
        for key, value in other.items():
            name = f"{path}{key.replace('_', ' ')}"
            if one.get(key) in (None, [], {}):
                out[key] = value
            elif isinstance(one[key], dict) and isinstance(value, dict):
                out[key] = join(one[key], value, f"{name} ")
            elif value not in (None, [], {}, one[key]):
                differ.append(f"{name} {_short(one[key])} here and {_short(value)} there")
        return out

    return json.dumps(join(a, b, "")), differ


def _short(value: object) -> str:
    text = f"{value:g}" if isinstance(value, int | float) else str(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _bows(db: sqlite3.Connection, theirs: _Theirs) -> tuple[dict[int, int], dict[int, str], list[str]]:
    """Their bows' numbers as ours, and what is to be reported of some where a pull comes in; what is not here yet is added."""
    out: dict[int, int] = {}
    differences: dict[int, str] = {}
    always: list[str] = []
    # a bow without a pull says nothing that could be merged
    for bow in theirs.rows("bows", "WHERE id IN (SELECT bow_id FROM sessions) ORDER BY id"):
        name, number = bow["name"], 1
        while True:
            row = db.execute("SELECT id, description, wood, fate FROM bows WHERE name = ?", (name,)).fetchone()
            if row is None or (row[2] == bow["wood"] and _same(row[1], bow["description"])):
                break
            number += 1
            name = f"{bow['name']} ({number})"
        if number > 1:
            differences[bow["id"]] = (
                f"the bow '{bow['name']}' is described otherwise in both books: the other one's pulls are kept under '{name}'; nothing was lost. Give it that name in its bow.toml before it is drawn again."
            )
        if row is None:
            new = db.execute(
                "INSERT INTO bows (name, wood, description, created_at, fate) VALUES (?, ?, ?, ?, ?)",
                (name, bow["wood"], bow["description"], bow["created_at"], bow["fate"]),
            ).lastrowid
            out[bow["id"]] = int(new or 0)
            continue
        out[bow["id"]] = row[0]
        if bow["fate"] and bow["fate"] != row[3]:
            if not row[3] or row[3] == FATES[0]:  # the worse of both counts
                db.execute("UPDATE bows SET fate = ? WHERE id = ?", (bow["fate"], row[0]))
            if not row[3]:
                always.append(f"the other book says what became of the bow '{name}': {bow['fate']}.")
            else:
                always.append(
                    f"the bow '{name}' is '{row[3]}' in this book and '{bow['fate']}' in the other: the worse of both is kept."
                )
        joined, differ = _both(row[1], bow["description"])
        db.execute("UPDATE bows SET description = ? WHERE id = ?", (joined, row[0]))
        if differ:
            more = f" and {len(differ) - MOST_NAMED} more" if len(differ) > MOST_NAMED else ""
            always.append(
                f"the bow '{name}' is described otherwise in both books: {'; '.join(differ[:MOST_NAMED])}{more}. It is taken as the same bow and this"
                " book's stand; write down what is to stay of the other's."
            )
    return out, differences, always


def _copy(db: sqlite3.Connection, theirs: _Theirs, table: str, key: str, old: int, new: int | None) -> None:
    for row in theirs.rows(table, f"WHERE {key} = ?", (old,)):
        names = [name for name in row if name != "id"]
        db.execute(
            f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})",  # noqa: S608  (names of our own tables and columns only)
            tuple(new if k == key else row[k] for k in names),
        )
