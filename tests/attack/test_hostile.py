"""What somebody else may hand in, or a shop's bad luck: recordings, books, backups and names made to do harm. Each case is made here.

One sentence, exit code 2, nothing changed; never code of theirs run, never a file of ours lost.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.attack.fifo import make_fifo
from tiller.bow.bowfile import read_bow
from tiller.bow.tomlcheck import MOST_TABLES
from tiller.cli.entry import main
from tiller.errors import BookFault
from tiller.live.opening import last_stop
from tiller.live.stages import Happening, Limits, Seen, State, after
from tiller.records.book import Book
from tiller.records.migrations import MIGRATIONS
from tiller.records.safe import BOOK, COUNTED, MANIFEST, back_up, merge, restore
from tiller.sources.interfaces import Stage

OLD = Path(__file__).parents[1] / "shop" / "old"


def book_of(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    db = sqlite3.connect(path)
    db.executescript((OLD / f"book_v{len(MIGRATIONS)}.sql").read_text())
    db.close()
    return path


def dump(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    try:
        return list(db.iterdump())
    finally:
        db.close()


def test_no_code_of_the_current_folder_is_run(small_recording: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    mark = tmp_path / "ran"
    evil = f"open({str(mark)!r}, 'w').close()\nraise SystemExit(3)\n"
    for name in ("pickle", "json", "struct", "numpy", "matplotlib", "tiller", "contextlib", "signal"):
        (folder / f"{name}.py").write_text(evil)
    tiller = Path(sys.executable).with_name("tiller")
    command = [str(tiller)] if tiller.exists() else [sys.executable, "-P", "-m", "tiller"]
    env = {**os.environ, "TILLER_HOME": str(tmp_path / "home")}
    done = subprocess.run([*command, "measure", "."], cwd=folder, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert not mark.exists()


def evil_column(db: sqlite3.Connection) -> None:
    db.execute('ALTER TABLE scrapings ADD COLUMN "at) SELECT 1, 2, 3, 4; --" TEXT')


def evil_view(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE marks RENAME TO m")
    db.execute("CREATE VIEW marks AS SELECT * FROM m")


def evil_trigger(db: sqlite3.Connection) -> None:
    db.execute("CREATE TRIGGER t AFTER UPDATE ON bows BEGIN DELETE FROM pulls; END")


def evil_table(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE more (a)")


def set_value(statement: str, *values: object) -> Callable[[sqlite3.Connection], None]:
    return lambda db: db.execute(statement, values) and None


POISON = [
    evil_column,
    evil_view,
    evil_trigger,
    evil_table,
    set_value("UPDATE results SET largest_draw_mm = ?", float("inf")),
    set_value("UPDATE results SET largest_draw_mm = ?", "a word"),
    set_value("UPDATE results SET largest_draw_mm = ?", b"\x00\x01"),
    set_value("UPDATE results SET notes = ?", '{"said": NaN}'),
    set_value("UPDATE results SET notes = ?", "[" * 100_000),
    set_value("UPDATE advice SET data = ?", '{"stop": {"draw_mm": NaN}}'),
    set_value("UPDATE bows SET name = 'a' || char(27) || '[31m' WHERE id = 1"),
    set_value("UPDATE bows SET name = ? WHERE id = 1", "x" * 10_000),
    set_value("UPDATE pulls SET recording = ?", "a\nb"),
    set_value("UPDATE marks SET kind = ?", "\x1b]0;title\x07"),
    set_value("UPDATE force_draw SET number = ? WHERE number = 0", 2**60),
]


@pytest.mark.parametrize("poison", POISON)
@pytest.mark.parametrize("kind", ["book", "backup"])
def test_a_poisoned_book_is_refused_whole(
    poison: Callable[[sqlite3.Connection], None], kind: str, tmp_path: Path
) -> None:
    ours, theirs = book_of(tmp_path / "ours" / "book.sqlite3"), book_of(tmp_path / "theirs.sqlite3")
    with Book(ours) as shop, shop.writing() as db:  # so that everything of theirs is new
        db.execute("UPDATE pulls SET fingerprint = 'own' || id")
    db = sqlite3.connect(theirs)
    try:
        poison(db)
        db.commit()
    except sqlite3.Error:
        pytest.fail("the case itself cannot be made")
    finally:
        db.close()
    other = theirs
    if kind == "backup":
        data = theirs.read_bytes()
        other = tmp_path / "theirs.zip"
        from hashlib import sha256

        db = sqlite3.connect(theirs)
        rows = {t: db.execute(f"SELECT COUNT(*) FROM {t}").fetchone()[0] for t in COUNTED}
        db.close()
        with zipfile.ZipFile(other, "w") as archive:
            archive.writestr(BOOK, data)
            told = {"format": 1, "program": "0", "schema": len(MIGRATIONS), "made_at": "2026-01-01", "rows": rows}
            archive.writestr(MANIFEST, json.dumps(told | {"members": {BOOK: sha256(data).hexdigest()}}))
    before = dump(ours)
    with pytest.raises(BookFault) as fault:
        merge(ours, other)
    assert "nothing was changed" in str(fault.value)
    assert str(fault.value).isprintable()
    assert dump(ours) == before
    assert not list(ours.parent.glob(".merging-*"))


def test_a_sound_book_still_comes_in_and_its_name_is_said(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours" / "book.sqlite3", book_of(tmp_path / "theirs.sqlite3")
    assert merge(ours, theirs).pulls == 3
    with pytest.raises(BookFault, match=r"nothing\.sqlite3"):
        merge(ours, tmp_path / "nothing.sqlite3")
    (tmp_path / "text.sqlite3").write_text("no book")
    with pytest.raises(BookFault, match=r"text\.sqlite3"):  # not the name of a copy in a temporary folder
        merge(ours, tmp_path / "text.sqlite3")


def test_a_backup_writes_over_nothing(tmp_path: Path) -> None:
    book = book_of(tmp_path / "shop" / "book.sqlite3")
    precious = tmp_path / "precious"
    precious.write_text("mine")
    target = tmp_path / "away.zip"
    (tmp_path / "away.zip.part").symlink_to(precious)
    back_up(book, target, {})
    assert precious.read_text() == "mine"
    assert (tmp_path / "away.zip.part").is_symlink()
    assert target.stat().st_mode & 0o077 == 0
    with pytest.raises(BookFault, match="never writes over"):
        back_up(book, target, {})
    assert sorted(p.name for p in tmp_path.iterdir()) == ["away.zip", "away.zip.part", "precious", "shop"]


@pytest.mark.parametrize(
    "name",
    [
        ".bashrc",
        "../outside.toml",
        "in-use",
        "pulls/a/unfinished",
        "bows/.hidden/bow.toml",
        "bows/a/b/c.toml",
        "bows/a\x1b/bow.toml",
    ],
)
def test_restore_puts_only_what_belongs_there(name: str, tmp_path: Path) -> None:
    from hashlib import sha256

    book = book_of(tmp_path / "shop" / "book.sqlite3")
    good = tmp_path / "shop" / "bow.toml"
    good.write_text("x = 1\n")
    whole = tmp_path / "whole.zip"
    back_up(book, whole, {"bows/a/bow.toml": good})
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(bad, "w") as archive:
        told = json.loads(source.read(MANIFEST))
        for member in told["members"]:
            archive.writestr(member, source.read(member))
        told["members"][name] = sha256(b"evil").hexdigest()
        archive.writestr(name, b"evil")
        archive.writestr(MANIFEST, json.dumps(told))
    home = tmp_path / "new"
    _, left = restore(bad, home / "book.sqlite3", home)
    assert left == (name,)
    assert sorted(p.relative_to(home).as_posix() for p in home.rglob("*.toml")) == ["bows/a/bow.toml"]
    assert not (tmp_path / "outside.toml").exists()


@pytest.mark.parametrize("spoil", ["no book", "bomb", "not packed so", "wrong types", "cut"])
def test_an_odd_backup_is_one_sentence(
    spoil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], home: Path
) -> None:
    path = tmp_path / "odd.zip"
    book = book_of(tmp_path / "shop" / "book.sqlite3")
    back_up(book, tmp_path / "whole.zip", {})
    with zipfile.ZipFile(tmp_path / "whole.zip") as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        told = json.loads(source.read(MANIFEST))
        if spoil != "no book":
            archive.writestr(BOOK, source.read(BOOK))
        else:
            told["members"] = {}
        if spoil == "bomb":
            with archive.open("bows/a/bow.toml", "w", force_zip64=True) as member:
                for _ in range(2100):
                    member.write(bytes(1 << 20))
        if spoil == "wrong types":
            told = {"format": [], "schema": None, "members": 3, "rows": "x"}
        archive.writestr(MANIFEST, json.dumps(told))
    if spoil == "cut":
        path.write_bytes(path.read_bytes()[:-200])
    if spoil == "not packed so":
        raw = bytearray(path.read_bytes())
        at = raw.find(b"PK\x01\x02")
        raw[at + 10] = 99  # a method that nobody knows
        path.write_bytes(bytes(raw))
    assert main(["book", "restore", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "fault of the program" not in said


@pytest.mark.parametrize("draw", [float("nan"), None, "far", -5.0])
def test_a_stop_that_is_no_number_stops_nothing_and_is_not_taken(draw: object, tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite3")
    db = sqlite3.connect(path)
    data = json.dumps({"stop": {"draw_mm": draw, "reason": "x", "limits_mm": {}}})
    db.execute("UPDATE advice SET data = ?", (data,))
    name = db.execute("SELECT name FROM bows LIMIT 1").fetchone()[0]
    db.commit()
    db.close()
    assert (
        last_stop(
            path, replace(read_bow(Path(__file__).parents[2] / "calibration" / "example" / "bow.toml"), name=name)
        )
        is None
    )


def test_without_a_limit_any_pull_is_beyond_it() -> None:
    state, events = State(), []
    for k in range(40):
        state, new = after(
            state,
            Seen(t_s=k / 30, bow=True, still=True, draw_mm=100.0, force_n=0.0),
            Limits(float("nan"), float("nan")),
        )
        events += new
    for k in range(40, 60):
        state, new = after(
            state,
            Seen(t_s=k / 30, bow=True, still=False, draw_mm=100.0 + k, force_n=2.0 * (k - 39)),
            Limits(float("nan"), 100.0),
        )
        events += new
    assert Happening.BEYOND in [e.what for e in events]
    assert state.stage is Stage.BEYOND


@pytest.mark.parametrize("text", ["a\x1b[31mred", "a\x07", "two\nlines", "x" * 300])
def test_names_are_printable(
    text: str, small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    bow = (folder / "bow.toml").read_text()
    (folder / "bow.toml").write_text(bow.replace('name = "small_bow"', f"name = {json.dumps(text)}"))
    assert main(["measure", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "printable" in said
    assert said[:-1].isprintable()


@pytest.mark.parametrize("spoil", ["fifo", "huge", "deep", "digits", "stations", "folder"])
def test_a_toml_that_would_hang_or_fill_the_memory(
    spoil: str, small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    path = folder / "bow.toml"
    text = path.read_text()
    path.unlink()
    if spoil == "fifo":
        make_fifo(path)
    elif spoil == "folder":
        path.mkdir()
    else:
        path.write_text(
            {
                "huge": "# " + "x" * 2_000_000,
                "deep": "a = " + "[" * 20_000,
                "digits": "a = " + "9" * 5_000,
                "stations": text.replace(
                    "stations = [",
                    "stations = [" + "{ s_mm = 1, width_mm = 9, thickness_mm = 9 }," * (MOST_TABLES + 1),
                    1,
                ),
            }[spoil]
        )
    assert main(["measure", str(folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "fault of the program" not in said


def test_a_byte_order_mark_does_no_harm(small_recording: Path, tmp_path: Path) -> None:
    from tiller.measure.recording import read_recording

    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    for name in ("bow.toml", "rig.toml", "frames.csv", "force.csv"):
        (folder / name).write_bytes(b"\xef\xbb\xbf" + (folder / name).read_bytes())
    assert np.isfinite(read_recording(folder).bow.left.length_mm)


def test_a_bell_and_a_cleared_line_of_our_own_reach_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the cleaned stream; what is printed there beside them is cleaned all the same."""
    from tiller.live.sound import Sounds
    from tiller.output import clean_output, control

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TILLER_SILENT", "1")
    told = Terminal()
    monkeypatch.setattr(sys, "stdout", told)
    with clean_output():
        Sounds(sys.stdout).play("point")
        control(sys.stdout, "\r\x1b[K")
        print("a\x07\x1b[31m", end="")
    assert told.getvalue() == "\a\r\x1b[Ka??[31m"


def test_what_is_printed_holds_no_control_character(capsys: pytest.CaptureFixture[str]) -> None:
    from tiller.output import clean, clean_output

    assert clean("a\x1b[31mb\x07\udc80 ± é\n") == "a?[31mb?? ± é\n"
    assert clean("left \u202e30 mm\u2069") == "left ?30 mm?"
    with clean_output():
        print("x\x1b]0;title\x07y")
        print("z\x9b2J", file=sys.stderr)
    told = capsys.readouterr()
    assert told.out == "x?]0;title?y\n"
    assert told.err == "z?2J\n"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_that_lacks_letters(encoding: str, tmp_path: Path) -> None:
    env = {**os.environ, "TILLER_HOME": str(tmp_path), "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    command = [
        sys.executable,
        "-P",
        "-c",
        "from tiller.output import clean_output\nwith clean_output(): print('12 ± 1 鋼')",
    ]
    done = subprocess.run(command, env=env, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.decode(encoding).startswith("12 ")


def test_a_closed_output_is_no_fault(tmp_path: Path) -> None:
    env = {**os.environ, "TILLER_HOME": str(tmp_path)}
    script = "import sys; sys.stdout = None; from tiller.cli.entry import main; sys.exit(main(['book', 'list']))"
    done = subprocess.run([sys.executable, "-P", "-c", script], env=env, capture_output=True, text=True, check=False)
    assert "fault of the program" not in done.stderr
    assert done.returncode in (0, 2)


def test_an_empty_argument_is_not_the_shops_book(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    with pytest.raises(SystemExit) as end:
        main(["book", "list", "--book", ""])
    assert end.value.code == 2
    assert "empty" in capsys.readouterr().err


def test_a_recording_given_as_the_current_folder_has_a_name(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tiller.measure.recording import read_recording

    monkeypatch.chdir(small_recording)
    assert read_recording(Path()).name == small_recording.name


def test_dollars_in_a_name_are_no_mathematics(small_recording: Path, tmp_path: Path, home: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    bow = (folder / "bow.toml").read_text()
    (folder / "bow.toml").write_text(bow.replace('name = "small_bow"', 'name = "$\\\\frac{1}$ 鋼 bow"'))
    assert main(["measure", str(folder), "--no-book", "--pictures", str(tmp_path / "drawn")]) == 0
    assert len(list((tmp_path / "drawn").glob("*.png"))) >= 3
