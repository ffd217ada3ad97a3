"""The shop's book: what it keeps, what a crash leaves, what an older or newer file does."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import datetime
from pathlib import Path

import pytest

from tiller import files
from tiller.cli.entry import main
from tiller.errors import BookFault
from tiller.measure.pipeline import measure
from tiller.measure.recording import hash_files, read_recording
from tiller.measure.store import Keeping, pictures_of
from tiller.measure.worker import work_up
from tiller.records.book import Book, PullSource
from tiller.records.migrations import MIGRATIONS


def test_measured_twice_is_one_pull_with_two_results(
    small_recording: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in (1, 2):
        assert main(["measure", str(small_recording), "--no-pictures"]) == 0
    assert "measured again" in capsys.readouterr().out
    with Book(home / "book.sqlite3") as book:
        rows = book.pulls()
        assert [(r.results, r.recording) for r in rows] == [(2, "small")]
        pull = book.pull(rows[0].pull_id)
    assert dict(pull.files) == hash_files(read_recording(small_recording))
    assert len(pull.pictures) == 12
    # nobody tillered this bow: it may have others
    assert ("left", "weak") in [(side, mark.kind) for side, mark in pull.marks]


def test_list_show_and_export(
    small_recording: Path, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["book", "list"]) == 2
    assert "There is no book at" in capsys.readouterr().err
    assert not (home / "book.sqlite3").exists()
    main(["measure", str(small_recording), "--no-pictures", "--quiet"])
    assert main(["book", "list", "--units", "inch"]) == 0
    assert " lb" in capsys.readouterr().out
    assert main(["book", "show", "1"]) == 0
    assert "WEAK  left limb" in capsys.readouterr().out
    assert main(["book", "export", str(tmp_path / "out")]) == 0
    with (tmp_path / "out" / "pull-1" / "profiles.csv").open(newline="") as file:
        table = list(csv.reader(file))
    assert table[0][:4] == ["limb", "s [mm]", "bend [1/m]", "bend sd [1/m]"]
    assert len(table) > 250
    data = json.loads((tmp_path / "out" / "pull-1" / "pull.json").read_text())
    assert data["bow"] == "small_bow"
    assert main(["book", "show", "77"]) == 2
    assert "has no pull 77; it holds pulls 1 to 1" in capsys.readouterr().err


def test_an_export_holds_each_pull_s_own_pictures_and_the_shop_s_files(
    small_recording: Path, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two recordings of one name, as every shop has them sooner or later."""
    for k in (1, 2):
        folder = tmp_path / str(k) / "rec"
        shutil.copytree(small_recording, folder)
        lines = (folder / "force.csv").read_text().splitlines()
        (folder / "force.csv").write_text("\n".join(lines[:-k]) + "\n")
        assert main(["measure", str(folder), "--no-pictures", "--quiet"]) == 0
        if k == 1:
            drawn = pictures_of(home, "rec", hash_files(read_recording(folder)))
            drawn.mkdir(parents=True)
            (drawn / "overlay.jpg").write_bytes(b"the first one's")
    (home / "bows" / "small_bow").mkdir(parents=True)
    for name in ("bow.toml", "stave.toml"):
        (home / "bows" / "small_bow" / name).write_text("# own\n")
    assert main(["book", "fate", "small_bow", "chrysals"]) == 0
    capsys.readouterr()
    assert main(["book", "export", str(tmp_path / "out")]) == 0
    assert "of 1 of them no picture lies beside the book" in capsys.readouterr().out
    assert (tmp_path / "out" / "pull-1" / "pictures" / "overlay.jpg").read_bytes() == b"the first one's"
    assert not (tmp_path / "out" / "pull-2" / "pictures").exists()
    (bow,) = json.loads((tmp_path / "out" / "bows.json").read_text())["bows"]
    assert (bow["name"], bow["fate"], bow["pulls"]) == ("small_bow", "chrysals", 2)
    assert "target" in bow["description"]
    for name in ("bow.toml", "stave.toml"):
        assert (tmp_path / "out" / "shop" / "bows" / "small_bow" / name).read_text() == "# own\n"


def test_the_rack_s_pulls_have_a_photograph(small_recording: Path, home: Path) -> None:
    worked = work_up(
        read_recording(small_recording), None, Keeping(book=home / "book.sqlite3", plots=False, photograph=True)
    )
    (picture,) = worked.kept.pictures
    assert picture.name == "overlay.jpg"
    assert picture.stat().st_size > 20_000


def test_settings_of_the_file(home: Path) -> None:
    with Book(home / "book.sqlite3") as book:
        assert book.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert book.db.execute("PRAGMA foreign_keys").fetchone()[0] == 1
        assert book.db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
        with pytest.raises(sqlite3.IntegrityError):
            book.db.execute("INSERT INTO sessions (bow_id, day) VALUES (99, '2026-01-01')")


def test_an_older_book_is_brought_up_to_date_and_keeps_its_rows(home: Path) -> None:
    path = home / "book.sqlite3"
    with Book(path) as book:
        book.db.execute("INSERT INTO bows (name, wood, description, created_at) VALUES ('a', 'b', '{}', 'now')")

    def next_one(db: sqlite3.Connection) -> None:
        db.execute("ALTER TABLE bows ADD COLUMN remark TEXT NOT NULL DEFAULT ''")

    with Book(path, (*MIGRATIONS, ("remarks", next_one))) as book:
        assert book.db.execute("SELECT name, remark FROM bows").fetchall() == [("a", "")]
        assert book.db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS) + 1
    with pytest.raises(BookFault, match="written by a newer program"):
        Book(path).open()


def test_a_migration_that_fails_leaves_the_book_as_it_was(home: Path) -> None:
    path = home / "book.sqlite3"
    with Book(path):
        pass

    def broken(db: sqlite3.Connection) -> None:
        db.execute("CREATE TABLE half (id INTEGER)")
        db.execute("CREATE TABLE half (id INTEGER)")

    with pytest.raises(BookFault, match="cannot be brought up to date"):
        Book(path, (*MIGRATIONS, ("broken", broken))).open()
    with Book(path) as book:
        names = {r[0] for r in book.db.execute("SELECT name FROM sqlite_master")}
    assert "half" not in names


def test_a_file_that_is_no_book(home: Path) -> None:
    home.mkdir(parents=True)
    (home / "book.sqlite3").write_bytes(b"just some text, long enough to be read as a header of something" * 20)
    with pytest.raises(BookFault, match="is no book"):
        Book(home / "book.sqlite3").open()


def test_another_program_s_database_is_left_alone(home: Path) -> None:
    home.mkdir(parents=True)
    path = home / "other.sqlite3"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (id INTEGER)")
    other.close()
    before = path.read_bytes()
    with pytest.raises(BookFault, match="another program's database"):
        Book(path).open()
    assert path.read_bytes() == before
    assert sorted(p.name for p in home.iterdir()) == ["other.sqlite3"]


def test_the_file_says_whose_it_is(home: Path) -> None:
    with Book(home / "book.sqlite3"):
        pass
    assert (home / "book.sqlite3").read_bytes()[68:72] == b"tlrb"  # SQLite file format, offset 68: application id


def test_a_new_book_opened_by_several_at_once(home: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    def open_and_count(_: int) -> int:
        with Book(home / "book.sqlite3") as book:
            return int(book.db.execute("PRAGMA user_version").fetchone()[0])

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(open_and_count, range(8))) == [len(MIGRATIONS)] * 8


def test_a_book_that_another_program_is_making_is_waited_for(home: Path) -> None:
    """SQLite refuses the change to the write-ahead log at once, whatever its busy timeout."""
    home.mkdir(parents=True)
    path = home / "book.sqlite3"
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    bell = threading.Timer(0.3, other.execute, ["COMMIT"])
    bell.start()
    with Book(path) as book:
        assert not other.in_transaction
        assert book.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    bell.join()
    other.close()


@pytest.mark.parametrize("how", ["writes in it", "reads it"])
def test_a_book_that_another_program_never_lets_go(home: Path, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    """Said after the time that is waited for, not after many times of it: a reader's lock waits out SQLite's own timeout."""
    monkeypatch.setattr("tiller.records.book.WAIT_S", 0.5)
    home.mkdir(parents=True)
    path = home / "book.sqlite3"
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("CREATE TABLE pulls (id INTEGER)")
        other.execute("INSERT INTO pulls VALUES (1)")
        if how == "reads it":
            other.execute("BEGIN")
            other.execute("SELECT * FROM pulls").fetchone()
        else:
            other.execute("BEGIN IMMEDIATE")
        begun = time.monotonic()
        with pytest.raises(BookFault, match="another program has it open"):
            Book(path).open()
        assert time.monotonic() - begun < 4.0


WRITER = """
import sys, pickle
from pathlib import Path
from datetime import datetime
from tiller.records.book import Book, PullSource
result, path = pickle.loads(Path(sys.argv[1]).read_bytes()), Path(sys.argv[2])
with Book(path) as book:
    print("ready", flush=True)
    for k in range(100000):
        book.add(result, PullSource("ash", "{}", Path("x"), {"a": f"{sys.argv[3]}/{k}"}, datetime.now()))
"""


def test_kill_9_at_any_moment_leaves_a_readable_book(small_recording: Path, home: Path, tmp_path: Path) -> None:
    import pickle

    result = measure(read_recording(small_recording)).result
    (tmp_path / "result.pickle").write_bytes(pickle.dumps(result))
    path = home / "book.sqlite3"
    before = 0
    for round_ in range(12):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path / "result.pickle"), str(path), str(round_)],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
        )
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        time.sleep(0.02 + 0.013 * round_)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
        with Book(path) as book:
            assert book.db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            assert book.db.execute("PRAGMA foreign_key_check").fetchall() == []
            pulls = book.db.execute("SELECT COUNT(*) FROM pulls").fetchone()[0]
            details = book.db.execute("SELECT COUNT(DISTINCT result_id) FROM profiles").fetchone()[0]
            assert book.db.execute("SELECT COUNT(*) FROM results").fetchone()[0] == pulls == details
            assert pulls >= before
            before = pulls
    assert before > 0


def test_nothing_of_a_failed_entry_stays(small_recording: Path, home: Path) -> None:
    recording = read_recording(small_recording)
    result = measure(recording).result
    with Book(home / "book.sqlite3") as book:
        book.db.execute("CREATE TRIGGER no_marks BEFORE INSERT ON marks BEGIN SELECT RAISE(ABORT, 'no'); END")
        with pytest.raises(BookFault, match="this pull is not in it"):
            book.add(result, PullSource("ash", "{}", small_recording, hash_files(recording), datetime.now()))
        assert book.pulls() == []
        assert book.bows() == []


def test_a_pull_measured_again_stays_with_its_bow_and_changes_no_other(small_recording: Path, home: Path) -> None:
    """After a merge a bow may stand under another name than its file's: what is measured again goes there."""
    path = home / "book.sqlite3"
    recording = read_recording(small_recording)
    work_up(recording, None, Keeping(book=path, plots=False))
    name = recording.bow.name
    with Book(path) as book, book.writing() as db:
        db.execute("UPDATE bows SET name = ? WHERE name = ?", (f"{name} (2)", name))
        db.execute(
            "INSERT INTO bows (name, wood, description, created_at) VALUES (?, 'oak', '{}', '2026-01-01')", (name,)
        )
        db.execute("UPDATE results SET made_at = '2031-01-01T00:00:00+00:00'")  # a laptop whose clock was wrong
    kept = work_up(recording, None, Keeping(book=path, plots=False)).kept
    with Book(path) as book:
        assert {b.name: (b.wood, b.pulls) for b in book.bows()} == {
            name: ("oak", 0),
            f"{name} (2)": (recording.bow.wood, 1),
        }
        (row,) = book.pulls()
        assert row.results == 2
        assert book.pull(row.pull_id).result_id == kept.result_id  # the later one counts all the same


def test_a_bow_that_is_noted_as_cracked_is_not_sent_to_the_scraper(
    small_recording: Path, home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = read_recording(small_recording)
    work_up(recording, None, Keeping(book=home / "book.sqlite3", plots=False))
    name = recording.bow.name
    assert main(["book", "fate", name, "cracked"]) == 0
    for words in (
        ["plan", name],
        ["forecast", name],
        [
            "rack",
            str(small_recording / "bow.toml"),
            "--rig",
            str(small_recording / "rig.toml"),
            "--headless",
            "--for",
            "1",
            "--no-camera",
            "--scale",
            "socket://127.0.0.1:9",
        ],
    ):
        capsys.readouterr()
        assert main(words) == 2, words
        said = capsys.readouterr().err
        assert "cracked" in said, said
        assert "do not draw" in said
    assert main(["measure", str(small_recording), "--no-pictures"]) == 0
    told = capsys.readouterr().out
    assert "do not draw it" in told
    assert "SCRAPE NOW" not in told
    assert main(["report", name, "--out", str(tmp_path)]) == 0
    assert "NOTED AS CRACKED" in next(tmp_path.glob("*.html")).read_text()
    assert main(["book", "fate", name, "whole"]) == 0
    assert main(["forecast", name]) == 0


def test_a_book_on_a_network_drive_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mounts as Linux lists them: proc(5), /proc/[pid]/mountinfo."""
    here = str(tmp_path).replace(" ", "\\040")
    mounts = tmp_path / "mountinfo"
    monkeypatch.setattr(files, "MOUNTS", mounts)
    book = tmp_path / "book.sqlite3"
    with Book(book):
        pass
    for kind, remote in (("ext4", False), ("nfs4", True), ("cifs", True), ("fuse.sshfs", True), ("tmpfs", False)):
        mounts.write_text(
            f"36 35 98:0 / / rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n40 36 0:5 / {here} rw - {kind} there rw\n"
        )
        assert files.on_network(book) == remote
        capsys.readouterr()
        assert main(["book", "check", "--book", str(book)]) == 0
        assert ("network drive" in capsys.readouterr().out) == remote
    mounts.unlink()
    assert not files.on_network(book)  # where the system does not say
