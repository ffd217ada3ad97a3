"""The window: its layout as a sketch at every size, and the real one under a virtual display, its frame buffer looked at."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests import stored_pulls
from tests.display import on_display
from tiller.bow.bowfile import read_bow
from tiller.bow.rigfile import read_rig
from tiller.bow.sides import SIDES
from tiller.live.recorder import Options
from tiller.live.session import Rack
from tiller.live.view import BoardNow, View
from tiller.measure.recording import read_recording
from tiller.measure.store import Keeping
from tiller.measure.worker import Worked, work_up
from tiller.notes import caution
from tiller.records.book import PullRow
from tiller.report.style import Units
from tiller.sources.interfaces import Stage
from tiller.window import book_sheet, look, other_sheets, pull_sheet
from tiller.window.canvas import Sketch
from tiller.window.pull_sheet import Box

SIZES = ((1280, 720), (1600, 900), (1920, 1080), (2560, 1440), (3840, 2160), (1280, 800))


@pytest.fixture(scope="module")
def worked(small_recording: Path) -> Worked:
    return work_up(read_recording(small_recording), None, Keeping(book=None, plots=False))


@pytest.fixture(scope="module")
def view(small_recording: Path, worked: Worked, tmp_path_factory: pytest.TempPathFactory) -> View:
    """A view in the midst of a pull with everything on it."""
    bow, rig = read_bow(small_recording / "bow.toml"), read_rig(small_recording / "rig.toml")
    rack = Rack(bow, rig, ("", ""), None, None, Options(home=tmp_path_factory.mktemp("w"), book=None))
    base = rack.view()
    wide, high = rig.lens.image_size
    lines, profiles = {}, {}
    for side in SIDES:
        limb = worked.result.limb(side)
        sign = -1 if side == "left" else 1
        lines[side] = np.column_stack(
            [0.5 * wide + sign * limb.s_mm * 0.45 * wide / 900, np.full(len(limb.s_mm), 0.4 * high)]
        )
        from tiller.live.frame_analysis import Profile

        profiles[side] = Profile(
            limb.s_mm, np.full(len(limb.s_mm), 0.004), np.full(len(limb.s_mm), 0.0002), limb.s_mm > 120
        )
    track = np.column_stack([np.linspace(150, 432, 60), np.linspace(10, 188, 60)])
    return replace(
        base,
        number=7,
        image=np.zeros((high, wide, 3), dtype=np.uint8),
        stage=Stage.LETTING_DOWN,
        sentence="Let down slowly, all the way, and look for cracks.",
        draw_mm=1432.0,
        force_n=1188.0,
        stop=worked.advice.stop,
        lines_px=lines,
        hook_px=(0.5 * wide, 0.7 * high),
        profiles=profiles,
        track=track,
        before=track * 0.9,
        points=track[::15],
        worked=worked,
        plan_holds=True,
        stations_mm={side: worked.result.limb(side).s_mm for side in SIDES},
        notes=(caution("live.disk-slow", "the disk was slow: 12 pictures between holds were left out."),),
    )


def sketches(view: View, bow: Any, size: tuple[int, int], units: Units) -> dict[str, Sketch]:
    at = pull_sheet.places(*size, 16 / 9)
    body = Box(
        at.head.x, at.head.y + at.head.height, at.head.width, at.side.y + at.side.height - at.head.y - at.head.height
    )
    out = {}
    for name in ("pull", "scrape", "book", "set-up", "cautions"):
        sheet = Sketch(*size)
        if name == "pull":
            pull_sheet.draw(sheet, view, bow, look.Style(units, look.LIGHT), at, (1920, 1080))
        elif name == "scrape":
            other_sheets.draw_plan(sheet, view, bow, look.Style(units, look.DARK), body, 0, (1920, 1080))
        elif name == "book":
            rows = [
                PullRow(
                    pull_id=k,
                    bow="a bow with a long name",
                    day="2026-11-25",
                    recording="rec",
                    results=1,
                    largest_draw_mm=512.0,
                    force_there_n=201.0,
                    marks=2,
                )
                for k in range(40)
            ]
            limb = stored_pulls.limb(s_mm=np.arange(110.0, 790.0, 10.0), stiffness_n_m2=np.linspace(90.0, 20.0, 68))
            listed = book_sheet.Listed(
                rows=rows, chosen=[39], marked=1, pulls=[stored_pulls.pull(left=limb, right=limb)], at=39
            )
            book_sheet.draw_book(sheet, listed, look.Style(units, look.LIGHT), body)
        elif name == "set-up":
            seen = replace(view, board=BoardNow((0, 2, 3), 0.8, ((300.0, 200.0), (1700.0, 190.0), (330.0, 900.0))))
            other_sheets.draw_setup(
                sheet, seen, (1920, 1080), (0, 1, 2, 3), look.Style(units, look.DARK), (at.picture, at.side)
            )
            rings = {t.text for t in sheet.placed if t.text in ("0", "1", "2", "3")}
            assert rings == {"0", "2", "3"}  # those that were found are named in the picture
        else:
            other_sheets.draw_cautions(
                sheet, look.LIGHT, Box(0.14 * size[0], 0.16 * size[1], 0.72 * size[0], 0.66 * size[1])
            )
        out[name] = sheet
    return out


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("metric", [True, False])
def test_nothing_is_cut_off_at_any_size(view: View, small_recording: Path, size: tuple[int, int], metric: bool) -> None:
    bow = read_bow(small_recording / "bow.toml")
    for name, sheet in sketches(view, bow, size, Units(metric)).items():
        assert sheet.placed, name
        for text in sheet.placed:
            assert text.x >= -1, (name, text)
            assert text.x + text.width <= size[0] + 1, (name, text)
            assert text.y >= 0, (name, text)
            assert text.y + text.height <= size[1] + 1, (name, text)


@pytest.mark.parametrize("size", SIZES)
def test_numerals_can_be_read_at_three_metres(view: View, small_recording: Path, size: tuple[int, int]) -> None:
    sheet = sketches(view, read_bow(small_recording / "bow.toml"), size, Units())["pull"]
    for text in ("1432", "1188"):
        placed = next(t for t in sheet.placed if t.text == text)
        assert 0.62 * placed.height >= 0.07 * size[1]  # height of a figure over that of its font's line
    boxes = [t for t in sheet.placed if t.height > 0.05 * size[1]]
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            apart = (
                a.x + a.width <= b.x or b.x + b.width <= a.x or a.y + a.height <= b.y + 2 or b.y + b.height <= a.y + 2
            )
            assert apart, (a, b)


def test_the_colours_are_told_apart_by_lightness() -> None:
    for one in (look.LIGHT, look.DARK):

        def light(colour: tuple[int, int, int, int]) -> float:
            r, g, b = (c / 255 for c in colour[:3])
            linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (r, g, b)]
            return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

        def contrast(a: tuple[int, int, int, int], b: tuple[int, int, int, int]) -> float:
            high, low = sorted((light(a), light(b)), reverse=True)
            return (high + 0.05) / (low + 0.05)

        # WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1)
        for colour in (one.ink, one.soft):
            assert contrast(colour, one.paper) >= 4.5
        for colour in (one.left, one.right, one.stiff, one.alarm):
            assert contrast(colour, one.panel) >= 3.0
        assert contrast(one.on_alarm, one.alarm) >= 4.5


REAL = """
import sys, time
from dataclasses import replace
from pathlib import Path
from tiller.live.opening import Wanted, session
from tiller.sources.interfaces import Stage
from tiller.report.style import Units
from tiller.window.app import App
import dearpygui.dearpygui as gui
out = Path(sys.argv[1]); size = (int(sys.argv[2]), int(sys.argv[3]))
def keys(app):
    good = []
    def key(name, what):
        before = what(); app.press(name); good.append(f"{name}={what() != before}")
    app.press("3")  # a pull that began meanwhile has brought its own sheet
    key("1", lambda: app.sheet); key("2", lambda: app.sheet); key("Up", lambda: app.made); key("Down", lambda: app.made)
    key("Space", lambda: app.sheet); key("4", lambda: app.sheet); key("3", lambda: app.sheet)
    key("U", lambda: app.units.metric); key("L", lambda: app.look.name)
    time.sleep(0.5); key("F", lambda: app.desk.only); key("F", lambda: app.desk.only); key("M", lambda: app.desk.marked)
    key("Right", lambda: app.desk.turn); app.frame(); app.shoot(out / "photo.png"); app.press("Right"); app.press("1")
    view, app.rack.view = app.rack.view, lambda: replace(view(), stage=Stage.RESTING)  # the software rack pulls meanwhile
    key("T", lambda: app.wish); key("Up", lambda: app.wish.weight_n); app.frame(); app.shoot(out / "wish.png"); key("X", lambda: app.wish)
    key("P", lambda: app.place); key("Right", lambda: app.place); app.frame(); app.shoot(out / "place.png"); key("X", lambda: app.place)
    app.rack.view = view
    key("C", lambda: app.cautions); key("X", lambda: app.cautions)
    class Held:
        orders = []
    order, app.rack.order = app.rack.order, lambda name, value=0.0: Held.orders.append(name)
    for name in "EZSNK":
        key(name, lambda: len(Held.orders))
    app.rack.order = order
    return " ".join(good) + " " + ",".join(Held.orders)

def main():
    with session(Wanted(bow=None, software=True, home=out / "pulls", book=out / "book.sqlite3")) as rack:
        rack.start()
        app = App(rack, Units(), out / "book.sqlite3", size)
        shots = set()
        def each():
            view = rack.view()
            if "cautions" not in shots and view.image is not None:
                shots.add("cautions"); app.shoot(out / "cautions.png"); app.press("X")
            if "pull" not in shots and len(view.points) >= 3:
                shots.add("pull"); app.frame(); app.shoot(out / "pull.png")
            if view.worked is not None and "scrape" not in shots:
                shots.add("scrape")
                for key, name in (("2", "scrape"), ("4", "set-up"), ("L", "dark"), ("3", "book")):
                    app.press(key)
                    for _ in range(20):
                        app.frame(); time.sleep(0.01)
                    app.shoot(out / f"{name}.png")
                print("KEYS", keys(app))
                app.press("Q")
                if not app._closing:  # drawn: it asks once
                    app.press("Q")
        app.run(120.0, each)
        t = app.timing
        print("TIMING", t.frames_hz, t.shown_median_s, t.shown_worst_s, t.pictures)
        app.close()
if __name__ == "__main__":
    main()
"""


@pytest.mark.parametrize("size", [(1280, 720), (2560, 1440)])
def test_the_real_window(tmp_path: Path, size: tuple[int, int]) -> None:
    said = on_display(REAL, str(tmp_path), *map(str, size), home=tmp_path / "home", size=size)
    assert "TIMING" in said
    told = next(line for line in said.splitlines() if line.startswith("KEYS"))
    assert "=False" not in told, told
    assert told.endswith("empty,zero,scraped,scraped otherwise,looked"), told
    at = pull_sheet.places(*size, 16 / 9)
    for name in ("cautions", "pull", "scrape", "set-up", "dark", "book"):
        picture = cv2.imread(str(tmp_path / f"{name}.png"))
        assert picture is not None, name
        assert picture.shape[:2] == (size[1], size[0])
        assert float(np.std(picture)) > 12.0, f"{name} is empty"
        # nothing runs into the window's rim
        rim = np.concatenate([picture[:2].reshape(-1, 3), picture[:, :2].reshape(-1, 3)])
        assert np.max(np.ptp(rim.astype(int), axis=0)) < 12, name
    pull = cv2.imread(str(tmp_path / "pull.png"))
    assert pull is not None
    box = at.side
    numerals = pull[int(box.y) : int(box.y + 0.45 * box.height), int(box.x) : int(box.x + box.width)]
    dark = np.any(numerals.min(axis=2) < 90, axis=1)
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], dark.astype(int), [0]]))))[::2]
    assert np.sum(runs >= 0.07 * size[1]) >= 2  # draw and weight, each at least 7 % of the window high
    photo = pull[
        int(at.picture.y) : int(at.picture.y + at.picture.height),
        int(at.picture.x) : int(at.picture.x + at.picture.width),
    ]
    assert float(np.std(photo)) > 20.0
    teal = np.all(np.abs(photo.astype(int) - np.array(look.LIGHT.left[2::-1])) < 30, axis=2)
    assert np.count_nonzero(teal) > 0.0005 * teal.size  # the left limb's line is on the picture


def test_each_key_has_one_label() -> None:  # what they do: test_the_real_window
    from tiller.window import app

    keys = [key for key, _ in app.ACTIONS]
    assert len(set(keys)) == len(keys)
    assert set(app.SHEETS) <= set(keys)


def test_features_of_the_stave_stand_on_the_picture(view: View, small_recording: Path) -> None:
    from tiller.bow.bowfile import Feature

    bow = read_bow(small_recording / "bow.toml")
    knot = replace(bow, left=replace(bow.left, features=(Feature("knot", 300.0, 330.0, True, 1.0),)))
    at = pull_sheet.places(1600, 900, 16 / 9)
    for shown, wanted in ((bow, 0), (knot, 1)):
        sheet = Sketch(1600, 900)
        pull_sheet.draw(sheet, view, shown, look.Style(Units(), look.LIGHT), at, (1920, 1080))
        assert sum(t.text == "knot" for t in sheet.placed) == wanted


def test_the_book_is_listed_by_bow_wood_and_day() -> None:
    def row(number: int, bow: str, wood: str, day: str) -> PullRow:
        return PullRow(
            pull_id=number,
            bow=bow,
            day=day,
            recording="",
            results=1,
            largest_draw_mm=500.0,
            force_there_n=100.0,
            marks=0,
            wood=wood,
        )

    rows = [row(1, "a", "elm", "2026-05-01"), row(2, "b", "elm", "2026-05-02"), row(3, "c", "ash", "2026-05-02")]
    one, seen = book_sheet.Filter(), []
    for _ in range(5):
        seen.append((one.by, [r.pull_id for r in rows if one.lets(r)]))
        one = one.after(rows[1])
    assert seen == [("", [1, 2, 3]), ("bow", [2]), ("wood", [1, 2]), ("day", [2, 3]), ("", [1, 2, 3])]
    assert book_sheet.Filter("bow", "a").after(row(4, "a", "", "2026-05-03")) == book_sheet.Filter("day", "2026-05-03")
    assert book_sheet.Filter().after(None) == book_sheet.Filter()
