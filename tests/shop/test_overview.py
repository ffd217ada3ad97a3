"""The shop: staves and bows with what is next for each, by command and as a sheet of the window, at every size."""

from __future__ import annotations

import json
import shutil
import sqlite3
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.cli.entry import main
from tiller.errors import KeyFault
from tiller.quantity import mm, plain
from tiller.records.book import Book
from tiller.report.style import Units
from tiller.setup.settings import Settings, read_settings, settings_file, write_settings
from tiller.shop.overview import Item, Page, Passed, bow_lines, page_of, shop_items
from tiller.sources.found import Found
from tiller.window import look
from tiller.window.canvas import Sketch
from tiller.window.shop.chosen import Chosen, chosen_of, turned
from tiller.window.shop.sheet import ACTIONS, PullOfBow, Shown, draw_shop

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "bow.toml"
OLD = Path(__file__).parent / "old"
SIZES = ((1280, 720), (1600, 900), (1920, 1080), (2560, 1440), (3840, 2160), (1280, 800))


@pytest.fixture
def shop(home: Path, small_recording: Path) -> Path:
    """A bow that was pulled, one that was not, and a stave."""
    assert main(["measure", str(small_recording), "--no-pictures", "--quiet"]) == 0
    for name in ("small_bow", "new bow"):
        (home / "bows" / name).mkdir(parents=True)
        shutil.copy(EXAMPLE if name == "new bow" else small_recording / "bow.toml", home / "bows" / name / "bow.toml")
    weighed = ["--weigh", "2026-03-01=3.2", "--weigh", "2026-04-01=2.9", "--weigh", "2026-05-01=2.8"]
    assert main(["stave", "orchard", "--wood", "white ash", "--felled", "2026-02-01", *weighed]) == 0
    return home


def items(home: Path) -> dict[str, Item]:
    return {i.name: i for i in shop_items(home, home / "book.sqlite3", date(2026, 6, 1))}


def test_each_has_its_next_step(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = items(shop)
    assert list(found) == ["small_bow", "new bow", "orchard"]  # in work first, then what is to begin, then what dries
    bow = found["small_bow"]
    assert (bow.state, bow.pulls) == ("in work", 1)
    assert "mm at most" in plain(bow.next_step)
    assert " N at " in plain(bow.figures)
    assert found["new bow"].state == "to begin"
    assert "its first pull on the long string, to" in plain(found["new bow"].next_step)
    assert found["orchard"].state == "drying"
    assert "weigh it" in found["orchard"].next_step or "ready" in found["orchard"].next_step
    # strokes, then what became of it
    with Book(shop / "book.sqlite3") as book:
        book.add_scraping(bow.newest or 0, 14, 14)
    assert "14 strokes were scraped since" in items(shop)["small_bow"].next_step
    page = page_of(shop / "book.sqlite3", "small_bow")
    assert page is not None
    assert not page.held
    assert main(["book", "fate", "small_bow", "chrysals"]) == 0
    aside = items(shop)["small_bow"]
    assert aside.state == "put aside"
    assert "do not draw it" in aside.next_step
    assert main(["book", "fate", "small_bow", ""]) == 2  # an empty word takes nothing back
    assert items(shop)["small_bow"].state == "put aside"
    assert main(["book", "fate", "small_bow", "forget"]) == 0
    assert items(shop)["small_bow"].state == "in work"  # as if nothing had been noted
    capsys.readouterr()
    assert main(["book", "fate", "small_bow", "whole"]) == 0
    assert "by its last pull it is not done" in capsys.readouterr().out
    assert items(shop)["small_bow"].state == "finished"
    assert "by its last pull it was not done" in items(shop)["small_bow"].next_step
    assert page_of(shop / "book.sqlite3", "no such bow") is None


def test_any_pull_of_a_bow_is_shown_with_its_own_photograph(shop: Path, small_recording: Path, tmp_path: Path) -> None:
    later = tmp_path / "later"
    shutil.copytree(small_recording, later)
    force = later / "force.csv"
    lines = force.read_text().splitlines(keepends=True)
    force.write_text("".join(lines[:-1]))  # another pull by what it holds
    assert main(["measure", str(later), "--quiet"]) == 0
    book = shop / "book.sqlite3"
    item = items(shop)["small_bow"]
    newest = chosen_of(item, book, Units())
    assert newest.at == PullOfBow(
        pull_id=item.newest or 0, number=2, count=2, day=newest.pull.day if newest.pull else ""
    )
    assert newest.aspect > 1.0
    assert newest.lines
    assert turned(newest, 1, book, Units()) is newest  # there is none after it
    first = turned(newest, -1, book, Units())
    assert first.at is not None
    assert first.pull is not None
    assert (first.at.number, first.at.count) == (1, 2)
    assert Path(first.pull.folder).name == small_recording.name
    assert (first.photo, first.aspect) == (None, 0.0)  # it was measured without pictures
    assert first.page is newest.page  # the list to scrape stays that of the newest
    assert turned(first, -1, book, Units()) is first
    assert turned(first, 1, book, Units()).pull == newest.pull
    assert first.lines[0] == f"Pull {first.at.pull_id}, of {first.pull.day}, said:"
    assert not newest.lines[0].endswith("said:")
    # behind the newest pull stands the second view, where one is kept
    assert item.file is not None
    cv2.imwrite(str(item.file.parent / "track.png"), np.full((60, 120, 3), 128, np.uint8))
    (item.file.parent / "track.txt").write_text("The string crosses the handle.\n")
    with_track = chosen_of(item, book, Units())
    assert with_track.at is not None
    assert (with_track.at.number, with_track.at.count, with_track.at.newest) == (2, 3, True)
    track = turned(with_track, 1, book, Units())
    assert track.at is not None
    assert (track.at.number, track.at.track, track.at.newest) == (3, True, False)
    assert track.lines == ("The string crosses the handle.",)
    assert track.aspect == 2.0
    assert turned(track, 1, book, Units()) is track
    before = turned(track, -1, book, Units())
    assert (before.at, before.tracked) == (with_track.at, False)
    assert chosen_of(item, book, Units(), track).at == with_track.at  # read anew it is the newest pull's again
    (item.file.parent / "track.png").unlink()
    # read anew (other units, the book was written): the one that is looked at stays, but the newest gives way to a newer one
    assert chosen_of(item, book, Units(metric=False), first).at == first.at
    assert chosen_of(item, book, Units(), newest).at == newest.at
    book.unlink()
    lost = turned(newest, -1, book, Units())
    assert lost.fault
    assert lost.pull is newest.pull
    stave = chosen_of(items(shop)["orchard"], book, Units())
    assert stave.lines
    assert stave.at is None
    assert turned(Chosen(), -1, book, Units()) == Chosen()


def test_what_is_done_and_what_is_lacking(shop: Path) -> None:
    db = sqlite3.connect(shop / "book.sqlite3")
    told = json.loads(db.execute("SELECT data FROM advice").fetchone()[0])

    def with_advice(**change: object) -> Item:
        db.execute("UPDATE advice SET data = ?", (json.dumps(told | change),))
        db.commit()
        return items(shop)["small_bow"]

    layer = {"limb": "left", "from_mm": 120.0, "to_mm": 400.0, "depth_mm": 0.31}
    sound = {"plan_summary": (told["plan_summary"] or {}) | {"largest_strain": 0.006}, "working_strain": 0.0075}
    assert "scrape 2 layers by its list, then pull again" in with_advice(layers=[layer, layer], **sound).next_step
    page = page_of(shop / "book.sqlite3", "small_bow")
    assert page is not None
    assert page.held
    assert [plain(text) for text in page.layers] == ["left limb, 120 to 400 mm from the pivot: 0.31 mm"] * 2
    assert page.target_n > 0
    assert len(page.course) == 1
    strained = with_advice(**sound | {"layers": [layer], "working_strain": 0.005})
    assert "before scraping" in strained.next_step
    assert "scrape 1" not in strained.next_step
    with_advice(
        layers=[layer],
        working_strain=0.006,
        plan_summary=(told["plan_summary"] or {}) | {"largest_strain": 0.0075},
        advice_said=["Look at the left fade."],
    )
    page = page_of(shop / "book.sqlite3", "small_bow")
    assert page is not None
    assert any(text.startswith("OVERSTRAINED at the target in the end: 0.75 %, 0.60 %") for text in page.warned)
    assert page.warned[-1] == "Look at the left fade."
    ways = {"code": "plan.overstrained", "level": "stop", "text": "0.75 %: a draw of 334 mm would keep it under."}
    with_advice(layers=[layer], advice_notes=[ways])
    page = page_of(shop / "book.sqlite3", "small_bow")
    assert page is not None
    assert any(
        t.startswith("OVERSTRAINED: 0.75 %: a draw of 334 mm") for t in page.warned
    )  # the ways out are on the page
    assert ways["text"] not in page.warned
    done = with_advice(missing=[], layers=[], advice_notes=[])
    assert done.state == "finished"
    lacking = {"size": 540.0, "limb": None, "from_mm": None, "to_mm": None}
    assert "a braced pull" in with_advice(layers=[], missing=[{"what": "braced", **lacking}]).next_step
    assert "pull again" in with_advice(layers=[], missing=[{"what": "draw", **lacking}]).next_step
    assert with_advice(plan_summary=None, forecast=None, missing=None, layers=None, stop=None).state == "in work"
    with_advice(layers=[layer], advice_said=["Look at the left fade."])
    # of a bow that is put aside nothing is to be scraped
    assert main(["book", "fate", "small_bow", "cracked"]) == 0
    page = page_of(shop / "book.sqlite3", "small_bow")
    assert page is not None
    assert (page.layers, page.warned) == ((), ())
    db.close()


def test_old_books_and_broken_files_have_their_place(home: Path) -> None:
    home.mkdir()
    for k, text in enumerate(("name = 3", "nonsense")):
        folder = home / "bows" / f"broken {k}"
        folder.mkdir(parents=True)
        (folder / ("bow.toml" if k else "stave.toml")).write_text(text)
    for version in range(1, 7):
        book = home / f"v{version}.sqlite3"
        db = sqlite3.connect(book)
        db.executescript((OLD / f"book_v{version}.sql").read_text())
        db.close()
        found = {i.name: i for i in shop_items(home, book, date(2026, 6, 1))}
        assert found["hedge bow"].state == "in work"
        assert all("cannot be read" in found[f"broken {k}"].next_step for k in (0, 1))


def test_in_words_and_in_inches(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    capsys.readouterr()
    assert main(["shop"]) == 0
    metric = capsys.readouterr().out
    assert "small_bow: in work" in metric
    assert " mm at most" in metric
    # tiller by itself, without a display
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert main([]) == 0
    assert capsys.readouterr().out == metric
    write_settings(Settings(units="inch"))
    assert main(["shop"]) == 0
    inch = capsys.readouterr().out
    assert " in at most" in inch
    assert " mm" not in inch
    assert main(["shop", "--units", "metric"]) == 0
    assert capsys.readouterr().out == metric


def test_an_empty_shop_leads(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shop"]) == 0
    out = capsys.readouterr().out
    for word in ("tiller demo", "tiller stave", "tiller bow", "tiller calibrate"):
        assert word in out
    assert not home.exists()  # looking writes nothing


def test_settings_are_kept_and_checked(home: Path) -> None:
    assert read_settings() == Settings()
    kept = Settings("inch", "dark", "http://phone.local/video", "/dev/ttyUSB1")
    write_settings(kept)
    assert read_settings() == kept
    settings_file().write_text('units = "cubits"\n')
    with pytest.raises(KeyFault, match="units"):
        read_settings()
    assert main(["shop"]) == 2


def test_sources_are_listed(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from tiller.sources import found

    monkeypatch.setattr(found, "cameras_found", lambda: (Found("2", "a webcam"),))
    monkeypatch.setattr(found, "scales_found", lambda: ())
    assert main(["sources"]) == 0
    out = capsys.readouterr().out
    assert "--camera 2  a webcam" in out
    assert "No serial port is found" in out
    assert Found("0", "0").words == "0"


def a_page() -> Page:
    nan = float("nan")
    course = tuple(
        Passed(
            pull_id=k,
            weight_n=240.0 - 9 * k,
            weight_sd_n=2.0,
            uneven=nan if k < 2 else 0.05 - 0.002 * k,
            set_mm=0.4 * k,
        )
        for k in range(16)
    )
    return Page(
        newest={},
        course=course,
        target_n=120.0,
        layers=("left limb, 110 mm to 800 mm from the pivot: 0.25 mm",) * 14,
        held=False,
    )


LONG = "the long yew bow for the tall customer who wants it before midsummer and asked for two inches more"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("count", [0, 1, 200])
def test_nothing_is_cut_off_and_rows_lie_apart(size: tuple[int, int], count: int) -> None:
    states = ("in work", "to begin", "drying", "finished", "put aside")
    shown = Shown(
        items=tuple(
            Item(
                name=LONG,
                wood="eastern hophornbeam",
                state=states[k % 5],
                day="2026-11-27",
                pulls=40,
                newest=1,
                figures="212 N",
                next_step=LONG,
            )
            for k in range(count)
        ),
        chosen=min(150, max(0, count - 1)),
        lines=(f"Note: {LONG}; {LONG}.",) * 12,
        page=a_page() if count else None,
        pull=PullOfBow(pull_id=10_411, number=9_999, count=10_000, day="2026-11-27") if count else None,
        aspect=16 / 9 if count else 0.0,
        camera="0 (a camera with a long name by its maker)",
        scale="/dev/ttyUSB0 (USB serial)",
        message=f"{LONG}: its bow.toml is not in the shop's folder.",
    )
    for units, colours in ((Units(), look.LIGHT), (Units(metric=False), look.DARK)):
        sheet = Sketch(*size)
        draw_shop(sheet, shown, units, colours)
        for text in sheet.placed:
            assert text.x >= -1, text
            assert text.x + text.width <= size[0] + 1, text
            assert text.y >= 0, text
            assert text.y + text.height <= size[1] + 1, text
        for k, a in enumerate(sheet.placed):
            for b in sheet.placed[k + 1 :]:
                apart = (
                    a.x + a.width <= b.x + 1
                    or b.x + b.width <= a.x + 1
                    or a.y + a.height <= b.y + 1
                    or b.y + b.height <= a.y + 1
                )
                assert apart, (a, b)
        keys = [p.key for p in sheet.presses]
        assert len(set(keys)) == len(keys)
        assert {key for key, _ in ACTIONS} <= set(keys)
        if count:
            assert f"#{shown.chosen}" in keys


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("aspect", [0.0, 16 / 9])
@pytest.mark.parametrize("pulls", [1, 3])
def test_what_is_grave_never_gives_way(size: tuple[int, int], aspect: float, pulls: int) -> None:
    page = a_page()
    grave = ("STOP: do not draw beyond 500 mm", "OVERSTRAINED at the target in the end: 0.80 %, 0.70 % is trusted")
    item = Item(name="hedge", wood="ash", state="in work", day="", pulls=3, newest=1, figures="", next_step=LONG)
    for layers in range(0, 25, 3):
        crowded = replace(
            page,
            course=page.course[:1] * pulls,
            layers=(f"left limb, {mm(110)} to {mm(240)} from the pivot: {mm(0.04, 2)}",) * layers,
            warned=(*grave, LONG),
            held=True,
        )
        shown = Shown(
            items=(item,), chosen=0, lines=(LONG,) * 8, page=crowded, aspect=aspect, camera="", scale="", message=""
        )
        sheet = Sketch(*size)
        draw_shop(sheet, shown, Units(), look.LIGHT)
        texts = [t.text for t in sheet.placed]
        for text in grave:
            assert any(t.startswith(text.split(":")[0][:12]) for t in texts), (layers, text)
        assert all(t.y + t.height <= size[1] + 1 for t in sheet.placed)
        heads = [t for t in texts if "SCRAPE" in t]
        assert not any(t.startswith("TO SCRAPE") for t in heads)
        assert bool(heads) == bool(layers)


def test_what_an_earlier_pull_said_stands_with_its_photograph() -> None:
    item = Item(
        name="hedge", wood="ash", state="in work", day="", pulls=3, newest=3, figures="", next_step="pull again"
    )
    page = replace(a_page(), layers=("left limb: 0.25 mm",), held=True, warned=("noted of the newest",))
    for number, wanted in ((3, ["noted of the newest", "STIFF"]), (2, ["STIFF", "By the newest pull: noted of"])):
        shown = Shown(
            items=(item,),
            chosen=0,
            lines=("STIFF left limb",),
            page=page,
            pull=PullOfBow(pull_id=number, number=number, count=3, day="2026-11-27", newest=number == 3),
            aspect=0.0,
            camera="",
            scale="",
            message="",
        )
        sheet = Sketch(1280, 720)
        draw_shop(sheet, shown, Units(), look.LIGHT)
        texts = [t.text for t in sheet.placed]
        at = [next(k for k, text in enumerate(texts) if text.startswith(head)) for head in wanted]
        assert at == sorted(at)
        assert any("SCRAPE" in text for text in texts) == (number == 3)  # it is scraped by the newest alone


def test_a_bow_s_file_in_words() -> None:
    from tiller.bow.bowfile import read_bow

    said = [plain(text) for text in bow_lines(read_bow(EXAMPLE))]
    assert any(text.startswith("limbs of 8") for text in said)
    assert any("wanted: " in text and " N at " in text for text in said)


@pytest.mark.parametrize(
    "change",
    [
        {"layers": [{}]},
        {"layers": [{"limb": "left", "from_mm": None, "to_mm": 3.0, "depth_mm": 0.1}]},
        {"layers": 3.0},
        {"forecast": {"braced_weight_n": [1]}},
        {"stop": {"draw_mm": [1]}},
        {"plan_summary": {"uneven_now": {"a": 1}}},
        {"set": [{"limb": "left"}], "missing": [{}]},
    ],
)
def test_a_book_from_anywhere_breaks_no_shop(home: Path, change: dict[str, object]) -> None:
    home.mkdir()
    path = home / "book.sqlite3"
    db = sqlite3.connect(path)
    db.executescript((OLD / "book_v6.sql").read_text())
    db.execute("UPDATE advice SET data = ?", (json.dumps(change),))
    db.execute("UPDATE bows SET name = '/etc' WHERE id = 2")
    db.commit()
    db.close()
    found = {i.name: i for i in shop_items(home, path, date(2026, 6, 1))}
    assert found["hedge bow"].next_step
    assert found["/etc"].file is None
    page = page_of(path, "hedge bow")
    assert page is not None
    sheet = Sketch(1280, 720)
    shown = Shown(
        items=tuple(found.values()), chosen=0, lines=(), page=page, aspect=0.0, camera="none", scale="none", message=""
    )
    draw_shop(sheet, shown, Units(), look.LIGHT)
