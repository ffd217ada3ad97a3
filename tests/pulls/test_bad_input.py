"""Bad input: one clear sentence (what, where, what to do), exit code 2, nothing half-written in the book."""

from __future__ import annotations

import csv
import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.cli.entry import main
from tiller.records.book import Book


def rows(folder: Path) -> list[list[str]]:
    with (folder / "frames.csv").open(newline="") as file:
        return list(csv.reader(file))


def write_rows(folder: Path, lines: list[list[str]]) -> None:
    with (folder / "frames.csv").open("w", newline="") as file:
        csv.writer(file).writerows(lines)


def first(folder: Path, role: str) -> Path:
    return folder / next(r[0] for r in rows(folder)[1:] if r[2] == role)


def without_role(role: str) -> Callable[[Path], None]:
    return lambda folder: write_rows(folder, [r for r in rows(folder) if r[2] != role])


def paint_over(folder: Path, keep: int) -> None:
    """Hides all but ``keep`` of the board's fiducials in every picture."""
    import tomllib

    from tiller.bow.rigfile import parse_rig
    from tiller.vision.limbs.pull import fiducials_of
    from tiller.vision.rig.board import find_markers

    rig = parse_rig(tomllib.loads((folder / "rig.toml").read_text()))
    ids = [f.id for f in rig.fiducials][keep:]
    for path in (folder / "frames").iterdir():
        image = cv2.imread(str(path))
        for (_, marker), corners in find_markers(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), fiducials_of(rig)).items():
            if marker in ids:
                x, y = corners.mean(axis=0)
                cv2.circle(image, (int(x), int(y)), 60, (180, 180, 180), -1)
        cv2.imwrite(str(path), image)


def shift_all(folder: Path) -> None:
    for path in (folder / "frames").iterdir():
        image = cv2.imread(str(path))
        cv2.imwrite(
            str(path),
            cv2.warpAffine(
                image, np.float32([[1, 0, 260], [0, 1, 0]]), image.shape[1::-1], borderMode=cv2.BORDER_REPLICATE
            ),
        )


def halve(folder: Path) -> None:
    for path in (folder / "frames").iterdir():
        cv2.imwrite(str(path), cv2.resize(cv2.imread(str(path)), None, fx=0.5, fy=0.5))


def backwards(folder: Path) -> None:
    lines = rows(folder)
    lines[6][1], lines[7][1] = lines[7][1], lines[6][1]
    write_rows(folder, lines)


def garble_force(folder: Path) -> None:
    path = folder / "force.csv"
    path.write_text(path.read_text().replace("W,", "V,"))


CASES: dict[str, tuple[Callable[[Path], object], str]] = {
    "no board in view": (lambda f: paint_over(f, 0), "No board in view"),
    "too few fiducials": (lambda f: paint_over(f, 1), "Too few fiducials"),
    "bow partly out of the picture": (shift_all, "partly out of the picture"),
    "empty frame missing": (without_role("empty"), "no picture of the empty rack"),
    "rest frame missing": (without_role("rest"), "no picture of the bow at rest"),
    "unreadable picture": (
        lambda f: first(f, "empty").write_bytes(b"no picture"),
        "No picture of the empty rack can be used.*no readable picture",
    ),
    "truncated picture": (lambda f: first(f, "empty").write_bytes(first(f, "empty").read_bytes()[:30_000]), "cut off"),
    "wrong image size for the lens": (halve, "640x360 pixels but the lens in rig.toml was calibrated at 1280x720"),
    "force log empty": (lambda f: (f / "force.csv").write_text("t_s,line\n"), "force log is empty"),
    "force log all rejected": (garble_force, "lines of the force log were rejected"),
    "picture times that run backwards": (backwards, "runs backwards"),
    "NaN in a station": (
        lambda f: (f / "bow.toml").write_text(
            re.sub(r"thickness_mm = [0-9.]+", "thickness_mm = nan", (f / "bow.toml").read_text(), count=1)
        ),
        r"bow.toml: key 'limbs.left.stations\[0\]",
    ),
    "no bow.toml": (lambda f: (f / "bow.toml").unlink(), "is no recording: bow.toml is missing"),
    "no pull": (without_role("pull"), "no picture of the pull"),
    "no time": (lambda f: write_rows(f, [rows(f)[0], ["frames/a.jpg", "soon", "empty"]]), "expected a time in seconds"),
    "unknown role": (lambda f: write_rows(f, [rows(f)[0], ["frames/a.jpg", "1.0", "nap"]]), "role is 'nap'"),
    "no columns": (lambda f: (f / "frames.csv").write_text("a,b\n"), "has no column 'file'"),
    "bow still on the rack in the empty picture": (
        lambda f: shutil.copy(first(f, "rest"), first(f, "empty")),
        "not found in the rest picture",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_one_clear_sentence(
    name: str, small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hurt, says = CASES[name]
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    hurt(folder)
    assert main(["measure", str(folder), "--json", str(tmp_path / "out.json")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert re.search(says, said.err), said.err
    assert said.err.startswith("tiller: ")
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err
    assert not (tmp_path / "out.json").exists()
    assert not (home / "book.sqlite3").exists()


@pytest.mark.parametrize(
    ("argument", "says"), [("nowhere", "does not exist"), ("file", "is a file"), ("folder", "is no recording")]
)
def test_a_folder_that_is_no_recording(
    argument: str, says: str, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    (tmp_path / "folder").mkdir()
    assert main(["measure", str(tmp_path / argument)]) == 2
    assert says in capsys.readouterr().err


def test_full_disk_while_saving(
    small_recording: Path,
    tmp_path: Path,
    home: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with Book(home / "book.sqlite3"):
        pass
    # the database may grow no further: SQLite's own way of a full disk
    original = Book.open

    def tight(self: Book) -> None:
        original(self)
        pages = self.db.execute("PRAGMA page_count").fetchone()[0]
        self.db.execute(f"PRAGMA max_page_count = {pages}")

    monkeypatch.setattr(Book, "open", tight)
    assert main(["measure", str(small_recording), "--no-pictures", "--quiet"]) == 2
    assert "database or disk is full" in capsys.readouterr().err
    monkeypatch.setattr(Book, "open", original)
    with Book(home / "book.sqlite3") as book:
        assert book.pulls() == []
        assert book.bows() == []


def test_full_disk_while_writing_files(
    small_recording: Path,
    tmp_path: Path,
    home: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import os

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert main(["measure", str(small_recording), "--json", str(tmp_path / "out.json"), "--no-pictures"]) == 2
    assert "No space left" in capsys.readouterr().err
    assert list(tmp_path.glob("*.json*")) == []
    assert (
        not (home / "book.sqlite3").exists()
        or sqlite3.connect(home / "book.sqlite3").execute("SELECT COUNT(*) FROM pulls").fetchone()[0] == 0
    )


def test_bad_pictures_of_every_kind_are_left_out_and_said(
    small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    lines = rows(folder)
    pulls = [k for k, r in enumerate(lines) if r[2] == "pull"]
    lines[pulls[2]][0] = "frames/a\0b.jpg"
    gone = lines[pulls[3]][0]
    (folder / gone).unlink()
    write_rows(folder, lines)
    # a header that claims a hundred thousand pixels each way
    huge = folder / lines[pulls[4]][0]
    huge.write_bytes(b"P6\n100000 100000\n255\n" + bytes(300))
    assert main(["measure", str(folder), "--no-pictures"]) == 0
    said = capsys.readouterr().out
    for text in (f"picture {gone} is missing", huge.name, "cannot be read"):
        assert text in said
    with Book(home / "book.sqlite3") as book:
        files = dict(book.pull(1).files)
    assert files[gone] == "missing"
    assert files["frames/a\0b.jpg"] == "unreadable"


def test_keys_that_nothing_reads_are_said(
    small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    text = (folder / "bow.toml").read_text()
    (folder / "bow.toml").write_text("crown_radious_mm = 80\nremark = 'mine'\n" + text)
    assert main(["measure", str(folder), "--no-pictures", "--no-book"]) == 0
    said = capsys.readouterr().out
    assert "bow.toml: crown_radious_mm (is crown_radius_mm meant?); bow.toml: remark." in said


@pytest.mark.parametrize("words", [["frob"], ["measure"], ["book", "show", "x"]])
def test_usage_errors_are_one_sentence(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("tiller: ")
    assert said.count("\n") == 1


def test_a_reader_that_goes_away_is_no_fault(small_recording: Path, home: Path) -> None:
    import subprocess
    import sys

    process = subprocess.Popen(
        [sys.executable, "-m", "tiller", "measure", str(small_recording), "--no-pictures", "--no-book"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait() == 0
    assert said == b""


def test_half_a_simulated_recording_is_never_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tiller.errors import FileFault
    from tiller.sources.software import Wish, make_recording

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tiller.simulate.record.toml_bow", full)
    with pytest.raises(FileFault, match="No space left"):
        make_recording(tmp_path / "made", Wish(pictures=3))
    assert list(tmp_path.iterdir()) == []


def test_the_log_s_odd_end_is_said(
    small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    from tiller.simulate.serial import line_of

    with (folder / "force.csv").open(newline="") as file:
        lines = list(csv.reader(file))
    readings = [row[1].split(",") for row in lines if row[1].startswith("W,")]
    counts = [int(r[2]) for r in readings]
    hanging = min(counts) + (max(counts) - min(counts)) // 15
    last_t, ms = float(lines[-1][0]), int(readings[-1][1])
    lines += [[f"{last_t + 0.0125 * k:.4f}", line_of("W", ms + int(12.5 * k), hanging)] for k in range(1, 400)]
    with (folder / "force.csv").open("w", newline="") as file:
        csv.writer(file).writerows(lines)
    assert main(["measure", str(folder), "--no-pictures", "--no-book"]) == 0
    assert "the log ends at a steady" in capsys.readouterr().out
