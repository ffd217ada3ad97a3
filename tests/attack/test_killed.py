"""Killed (as by a power cut) at each step of each way of writing: what was there is there, what is new is whole or absent, and doing it again works.

That a rename within a folder replaces a file in one step is POSIX.1-2017, ``rename()``; that a transaction is kept whole or not at all is SQLite's
"Atomic Commit In SQLite" (both from memory).
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.attack.test_hostile import book_of, dump
from tiller.records.book import Book
from tiller.records.safe import back_up, read_backup

MOST_STEPS = 80
SCRIPT = """
import os, signal, sys
from tiller import files
left = int(sys.argv[1])
def step(done):
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
files.step = step
from tiller.cli.entry import main
sys.exit(main(sys.argv[2:]))
"""

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no kill that cannot be caught")


@dataclass(frozen=True)
class Way:
    """Something that writes: its words, and what must hold whenever it was killed (told whether it ended)."""

    words: list[str]
    holds: Callable[[bool], None]


def run(step: int, words: list[str], home: Path) -> int:
    env = {**os.environ, "TILLER_HOME": str(home)}
    command = [sys.executable, "-P", "-c", SCRIPT, str(step), *words]
    return subprocess.run(command, env=env, capture_output=True, check=False).returncode


def killed_at_every_step(way: Way, home: Path) -> int:
    """Kills it at one step after the other until it ends by itself; returns at how many."""
    for step in range(MOST_STEPS):
        code = run(step, way.words, home)
        assert code in (0, -signal.SIGKILL)
        way.holds(code == 0)
        if code == 0:
            return step
    pytest.fail(f"not done after {MOST_STEPS} steps")


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop of two bows' files and a book."""
    home = tmp_path / "shop"
    book_of(home / "book.sqlite3")
    for name in ("hedge", "orchard"):
        (home / "bows" / name).mkdir(parents=True)
        (home / "bows" / name / "bow.toml").write_text(f'name = "{name}"\n')
    return home


def whole(path: Path) -> bool:
    """Whether there is a whole backup; what is there in part is no backup by its name."""
    if not path.exists():
        return False
    read_backup(path)
    return True


def test_backup(shop: Path, tmp_path: Path) -> None:
    target, before = tmp_path / "away" / "shop.zip", dump(shop / "book.sqlite3")

    def holds(ended: bool) -> None:
        assert dump(shop / "book.sqlite3") == before
        if whole(target):
            target.unlink()
        else:
            assert not ended

    assert killed_at_every_step(Way(["book", "backup", str(target)], holds), shop) >= 5


def test_restore(shop: Path, tmp_path: Path) -> None:
    backup, home = tmp_path / "shop.zip", tmp_path / "new"
    files = {f"bows/{n}/bow.toml": shop / "bows" / n / "bow.toml" for n in ("hedge", "orchard")}
    back_up(shop / "book.sqlite3", backup, files)
    packed = backup.read_bytes()

    def holds(ended: bool) -> None:
        assert backup.read_bytes() == packed
        book = home / "book.sqlite3"
        assert book.exists() or not ended
        if book.exists():  # the book comes last: with it everything is there
            assert dump(book) == dump(shop / "book.sqlite3")
            assert {p.relative_to(home).as_posix() for p in home.rglob("*.toml")} == set(files)
            book.unlink()  # so that it can be restored again
        for path in home.rglob("*.toml"):
            assert path.read_text() == files[path.relative_to(home).as_posix()].read_text()

    assert killed_at_every_step(Way(["book", "restore", str(backup)], holds), home) >= 4


def test_merge(shop: Path, tmp_path: Path) -> None:
    other = book_of(tmp_path / "theirs.sqlite3")
    with Book(shop / "book.sqlite3") as book, book.writing() as db:  # so that everything of theirs is new
        db.execute("UPDATE pulls SET fingerprint = 'own' || id")
    theirs, before = dump(other), dump(shop / "book.sqlite3")

    def pulls() -> int:
        with sqlite3.connect(shop / "book.sqlite3") as db:
            assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            return int(db.execute("SELECT COUNT(*) FROM pulls").fetchone()[0])

    def holds(ended: bool) -> None:
        assert dump(other) == theirs
        if pulls() == 3:
            assert not ended
            assert dump(shop / "book.sqlite3") == before
        else:
            assert pulls() == 6  # all of theirs, or none

    assert killed_at_every_step(Way(["book", "merge", str(other)], holds), shop) >= 5


def test_export(shop: Path, tmp_path: Path) -> None:
    folder, before = tmp_path / "out", dump(shop / "book.sqlite3")
    once: dict[str, bytes] = {}
    assert run(MOST_STEPS, ["book", "export", "--pull", "1", str(tmp_path / "whole")], shop) == 0
    for path in (tmp_path / "whole").rglob("*"):
        if path.is_file():
            once[path.relative_to(tmp_path / "whole").as_posix()] = path.read_bytes()
    assert len(once) >= 3

    def holds(ended: bool) -> None:
        assert dump(shop / "book.sqlite3") == before
        there = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}
        named = {name: path for name, path in there.items() if not path.name.startswith(".")}
        assert set(named) <= set(once)
        assert all(path.read_bytes() == once[name] for name, path in named.items())
        assert not ended or set(named) == set(once)

    assert killed_at_every_step(Way(["book", "export", "--pull", "1", str(folder)], holds), shop) >= 10


def test_a_whole_backup_is_no_zip_by_chance(shop: Path, tmp_path: Path) -> None:
    """The check itself: half a backup under its own name is found out."""
    target = tmp_path / "shop.zip"
    back_up(shop / "book.sqlite3", target, {})
    target.write_bytes(target.read_bytes()[: target.stat().st_size // 2])
    assert not zipfile.is_zipfile(target)
    with pytest.raises(Exception, match="no backup"):
        whole(target)
