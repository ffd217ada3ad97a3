"""Where things are written and what may be read: whole or not at all, never over an input, nothing that never ends; a book that may only be read.

The limits are this project's own; that a file is there whole or not at all is asked of the disk itself, made to be full here.
"""

from __future__ import annotations

import ast
import errno
import hashlib
import os
import shutil
import sqlite3
import struct
import tomllib
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import tiller.cli.entry
from tests.attack.fifo import make_fifo
from tiller.bow.tomlwrite import toml
from tiller.cli.entry import main
from tiller.errors import BookFault, FileFault
from tiller.files import write_whole
from tiller.measure.recording import hash_files, read_picture, read_recording
from tiller.records import book as books
from tiller.records.book import Book
from tiller.setup.new_bow import bow_text, form, write_bow

ROOT = Path(__file__).parents[2]
STREAMS = {
    "tiller/output.py": "the null device",
    "tiller/start.py": "the null device; whether the log can be added to",
    "tiller/setup/capture.py": "loads are added to, one by one",
    "tiller/live/recorder.py": "a recording grows while it is taken",
    "tiller/live/opening.py": "a lock, without content",
    "tiller/sources/software_feed.py": "what the child process is told, in a temporary file of its own",
    "tiller/live/sound.py": "tones in a temporary folder of their own",
    "tiller/records/safe.py": "copies in a temporary folder of their own",
    "tiller/simulate/record.py": "a folder that was not there before",
    "tiller/cli/walk.py": "the demo's own folder",
    "tiller/cli/entry.py": "a log is added to",
    "tiller/window/shop/file_page.py": "changes are added to, one by one",
}


def writes(call: ast.Call) -> bool:
    """Whether a call writes a file by another way than the whole-or-not-at-all writer."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if name in ("write_text", "write_bytes", "imwrite", "NamedTemporaryFile"):
        return True
    if name != "open":
        return False
    told = [a.value for a in (*call.args, *(k.value for k in call.keywords)) if isinstance(a, ast.Constant)]
    return any(isinstance(t, str) and len(t) <= 3 and set(t) & set("wax+") and set(t) <= set("rwaxbt+") for t in told)


def test_every_file_is_written_by_the_one_writer() -> None:
    found = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "tiller").rglob("*.py")
        if any(isinstance(node, ast.Call) and writes(node) for node in ast.walk(ast.parse(path.read_text())))
    }
    assert found - STREAMS.keys() == set()
    assert STREAMS.keys() - found == set(), "these write nothing any more: take them off the list"


def test_a_disk_that_is_full_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert main(["targets", str(tmp_path / "sheets")]) == 2
    assert list((tmp_path / "sheets").iterdir()) == []
    with pytest.raises(FileFault, match="free some space"):
        write_bow(tmp_path / "oak" / "bow.toml", "name = 'oak'\n")
    assert list((tmp_path / "oak").iterdir()) == []


def test_a_new_file_is_never_written_over_another(tmp_path: Path) -> None:
    path = tmp_path / "bow.toml"
    write_whole(path, b"old", new=True)
    with pytest.raises(FileFault, match="there already"):
        write_whole(path, b"new", new=True)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["bow.toml"]
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize(
    "words",
    [
        ["measure", "{rec}", "--no-book", "--json", "{rec}/bow.toml"],
        ["measure", "{rec}", "--no-book", "--json", "{rec}/result.json"],
        ["measure", "{rec}", "--no-book", "--pictures", "{rec}"],
        ["measure", "{rec}", "--no-book", "--pictures", "{rec}/frames"],
        ["plan", "{rec}", "--strip", "{rec}/strip.pdf"],
        ["forecast", "{bow}", "--picture", "{bow}"],
        ["targets", "{rec}"],
        ["layout", "--length", "800", "--weight", "200", "--draw", "500", "--template", "{bow}"],
        ["stave", "{bow}", "--wood", "white ash"],
        ["forecast", "{bow}", "--picture", "{notes}"],
        ["template", "{bow}", "{bow}"],
        ["layout", "--wood", "yew", "--length", "800", "--weight", "200", "--draw", "500", "--template", "{notes}"],
    ],
)
def test_nothing_is_written_over_an_input_or_into_a_recording(
    words: list[str], small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, bow = tmp_path / "pull", tmp_path / "bow.toml"
    shutil.copytree(small_recording, folder)
    shutil.copy(folder / "bow.toml", bow)
    notes = tmp_path / "notes.md"
    notes.write_text("seasoned since spring")
    before = {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file() and home not in p.parents}
    assert main([word.format(rec=folder, bow=bow, notes=notes) for word in words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "choose" in said or "give" in said
    after = {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file() and home not in p.parents}
    assert after == before


def test_force_writes_where_it_was_told(small_recording: Path, tmp_path: Path, home: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    assert main(["targets", str(folder / "sheets"), "--force"]) == 0
    assert list((folder / "sheets").glob("*.pdf"))


def png_that_claims(width: int, height: int) -> bytes:
    """A small PNG whose header claims that size, all of one grey (PNG specification, ISO/IEC 15948, clause 11)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    packer = zlib.compressobj(9)
    row = bytes(1 + width)
    rows = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize("spoil", ["fifo", "folder", "claims"])
def test_a_picture_that_never_ends_or_unpacks_to_gigabytes_is_refused(
    spoil: str, small_recording: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    recording = read_recording(folder)
    picture = recording.of_role("pull")[0]
    path = folder / picture.file
    path.unlink()
    if spoil == "fifo":
        make_fifo(path)
    elif spoil == "folder":
        path.mkdir()
    else:
        path.write_bytes(png_that_claims(30_000, 30_000))
        assert path.stat().st_size < 2_000_000
    with pytest.raises(FileFault, match="picture"):
        read_picture(recording, picture)
    hashed = hash_files(recording)[picture.file]
    assert hashed == ("unreadable" if spoil != "claims" else hashlib.sha256(path.read_bytes()).hexdigest())


def test_the_size_that_a_camera_gives_is_read(small_recording: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    recording = read_recording(folder)
    picture = recording.of_role("pull")[0]
    (folder / picture.file).write_bytes(png_that_claims(3840, 2160))
    assert read_picture(recording, picture).shape == (2160, 3840, 3)


@pytest.mark.parametrize("name", ["force.csv", "frames.csv"])
def test_a_table_that_never_ends_is_refused(
    name: str, small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    path = folder / name
    path.unlink()
    with path.open("wb") as file:  # a hole: it takes no room on the disk
        file.truncate(500_000_000)
    assert main(["measure", str(folder), "--no-book", "--no-pictures"]) == 2
    assert "500 MB" in capsys.readouterr().err
    path.unlink()
    make_fifo(path)
    assert main(["measure", str(folder), "--no-book", "--no-pictures"]) == 2


@given(st.text())
def test_any_text_comes_back_from_toml(text: str) -> None:
    """Read back by Python's own ``tomllib``."""
    assert tomllib.loads(toml({"a": text})) == {"a": text}


def test_a_name_beyond_the_basic_plane_does_not_lose_the_form() -> None:
    name = "ash \N{DECIDUOUS TREE}"
    answers: dict[str, str | float] = {}
    for field in form():
        answers[field.key] = field.usual if field.kind == "text" else float(field.usual or (field.low + field.high) / 2)
    answers |= {
        "left_length": 850.0,
        "right_length": 850.0,
        "string_length": 1750.0,
        "draw_to_back": 644.0,
        "brace": 150.0,
    }
    for side in ("left", "right"):
        for k, (wide, thick) in enumerate(((40.0, 16.0), (38.0, 15.0), (30.0, 13.0), (16.0, 11.0))):
            answers |= {f"{side}_width{k}": wide, f"{side}_thick{k}": thick}
    text, bow = bow_text(name, answers)
    assert bow.name == name
    assert tomllib.loads(text)["name"] == name


@pytest.fixture
def shop_book(small_recording: Path, home: Path) -> Path:
    assert main(["measure", str(small_recording), "--no-pictures", "--quiet"]) == 0
    return next(home.rglob("*.sqlite3"))


def test_a_book_that_may_only_be_read_is_listed_and_backed_up(
    shop_book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(books, "may_write", lambda _: False)
    before = {p.name: p.read_bytes() for p in shop_book.parent.iterdir() if p.is_file()}
    assert main(["book", "list"]) == 0
    assert main(["book", "backup", str(tmp_path / "kept.zip")]) == 0
    assert (tmp_path / "kept.zip").is_file()
    capsys.readouterr()
    with Book(shop_book) as book, pytest.raises(BookFault, match="may be read but not written"):
        book.set_fate(book.bows()[0].name, "whole")
    assert {p.name: p.read_bytes() for p in shop_book.parent.iterdir() if p.is_file()} == before


def test_a_read_only_book_with_an_unfinished_log_is_not_read_without_it(
    shop_book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop_book.with_name(shop_book.name + "-wal").write_bytes(b"x")
    monkeypatch.setattr(books, "may_write", lambda _: False)
    with pytest.raises(BookFault, match="copy both"), Book(shop_book):
        pass


def test_a_sound_book_is_told_from_a_damaged_one(shop_book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Damage as SQLite's own ``integrity_check`` sees it."""
    assert main(["book", "check"]) == 0
    assert "is sound: 1 bow(s), 1 pull(s)" in capsys.readouterr().out
    db = sqlite3.connect(shop_book)
    size = int(db.execute("PRAGMA page_size").fetchone()[0])
    page = int(db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'profiles'").fetchone()[0])
    db.close()
    raw = bytearray(shop_book.read_bytes())
    rng = np.random.default_rng(3)
    raw[(page - 1) * size : page * size] = rng.bytes(size)
    shop_book.write_bytes(raw)
    assert main(["book", "check"]) == 2
    said = capsys.readouterr().err
    assert "tiller book restore" in said
    assert "damaged" in said


def test_ctrl_c_before_the_work_begins(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(tiller.cli.entry, "build_parser", stop)
    assert main(["book", "list"]) == 130
    assert "stopped" in capsys.readouterr().err
