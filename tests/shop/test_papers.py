"""What the shop's window makes beside itself: a sheet, a strip, a template, an export, a backup; each by the same functions and commands as on the command line."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from tests.shop.test_phone import SHIPPED
from tests.shop.test_stave_page import Scripted
from tiller.bow.bowfile import read_bow
from tiller.cli.entry import main
from tiller.records.book import Book
from tiller.report.style import Units
from tiller.setup.guided.restoring import restore_job
from tiller.setup.guided.talk import run
from tiller.shop.overview import Item
from tiller.window.shop import papers
from tiller.window.shop.papers import KINDS, Papers

PATIENCE_S = 180.0


def test_each_is_made_and_said(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    book, name = home / "book.sqlite3", read_bow(SHIPPED / "bow.toml").name
    shown: list[Path] = []
    monkeypatch.setattr(papers, "open_in_viewer", shown.append)
    said: list[str] = []
    made = Papers(home, book, said.append)
    bow = Item(name=name, wood="", state="in work", pulls=1, newest=1, file=SHIPPED / "bow.toml")
    for kind in KINDS.values():
        assert not made.make(kind, bow, Units())
        made.wait(PATIENCE_S)
        assert "is made ..." in said[-2], said
    assert [path.suffix for path in shown] == [".pdf", ".pdf", ".pdf"]
    assert all(path.read_bytes().startswith(b"%PDF") for path in shown)
    backup = next((home / "backups").iterdir())
    assert zipfile.is_zipfile(backup)
    assert str(backup) in said[-1]
    export = next((home / "exports").iterdir())
    assert any(path.suffix == ".csv" for path in export.rglob("*"))
    # and back, in a shop that has no pull yet: a wrong file is asked for again, and nothing is put in place before Enter
    other = home.parent / "other"
    (other / "sheets").mkdir(parents=True)
    wrong = home.parent / "wrong.zip"
    wrong.write_bytes(b"no zip")
    talk = Scripted((str(home / "none.zip"), str(wrong), f'"{backup}"', ""), True)
    run(restore_job(other / "book.sqlite3", other), talk).join(PATIENCE_S)
    assert talk.moment.good, talk.moment.fault
    assert talk.asked == ["source", "source", "source", "enter"]
    assert "holds 1 pull of 1 bow," in talk.moment.found[0]
    with Book(other / "book.sqlite3") as shop:
        assert [row.bow for row in shop.pulls()] == [name]
    again = Scripted((str(backup), ""), True)
    run(restore_job(other / "book.sqlite3", other), again).join(PATIENCE_S)
    assert not again.moment.good
    assert "holds pulls already" in again.moment.fault
    none = replace(bow, name="no such bow", file=None)
    assert "bow's file" in made.make("template", none, Units())
    assert "made of pulls" in made.make("sheet", replace(none, pulls=0), Units())
    assert not made.make("strip", none, Units())
    made.wait(PATIENCE_S)
    assert "no such bow" in said[-1]
    assert not any("no such bow" in path.name for path in (home / "sheets").iterdir())
