"""Another string at the rack: it bends the bow more at the same draw, so the stop of the old one no longer holds; its length comes from the next pull's
pictures. The recording of the independent rig that is shipped has a known string; its file is given another one here.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.shop.test_phone import SHIPPED
from tiller.bow.bowfile import BowString, read_bow
from tiller.bow.rigfile import read_rig
from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.units import N_PER_LBF
from tiller.cli.entry import main
from tiller.errors import TillerError
from tiller.live.opening import last_stop
from tiller.live.recorder import Options
from tiller.live.session import Rack
from tiller.measure.followup.advice import advise, strain_limit
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import read_recording
from tiller.measure.restrung import MARK, restrung, string_of
from tiller.measure.worker import _answer
from tiller.mechanics.forward.belief import bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.stop import Bounds, Stop, braced_stop_mm
from tiller.report.style import Units
from tiller.setup.stringing import (
    BowNow,
    StopNow,
    WantedWeight,
    braced,
    found,
    is_shorter,
    keep_string,
    stop_on_new_string,
    stop_with,
    with_string,
    with_weight,
)
from tiller.window.canvas import Sketch
from tiller.window.limb_place import CHOICES, LimbPlace, draw_place, moved, place_at
from tiller.window.look import LIGHT
from tiller.window.pull_sheet import Box
from tiller.window.wanted_weight import draw_wish, wish_of


@pytest.fixture(scope="module")
def measured() -> Measured:
    return measure(read_recording(SHIPPED))


def test_on_a_braced_string_the_bow_is_not_strained_more_than_it_was(measured: Measured) -> None:
    """By the forward model, which is held against OpenSees elsewhere."""
    bow = read_bow(SHIPPED / "bow.toml")
    assert bow.string.kind == "long"
    stop = advise(measured, bow).stop
    assert stop is not None
    assert stop.braced_mm < stop.draw_mm - 50.0
    whole = bow_from(measured.belief)
    string_mm, _ = brace(whole, bow.target.brace_height_mm)
    draws = np.array([stop.braced_mm, stop.draw_mm])
    solved = solve_draws(whole, string_mm, draws)
    most = np.zeros(2)
    reached = 0.0
    for k, (side, belief, chain) in enumerate(
        zip(SIDES, (measured.belief.left, measured.belief.right), (whole.left, whole.right), strict=True)
    ):
        limb = measured.result.limb(side)
        low, high = bow.limb(side).working_from_mm, bow.limb(side).working_to_mm
        inside = (limb.s_mm >= low) & (limb.s_mm <= high) & np.isfinite(limb.strain)
        to_back = 1e3 * limb.strain / limb.bend_per_m
        for row in range(2):
            bend = np.interp(belief.s_mm, chain.s_mm, solved.bend_per_mm[row, k])
            strain = np.interp(limb.s_mm, belief.s_mm, bend) * to_back
            most[row] = max(most[row], float(np.max(strain[inside])))
        reached = max(reached, float(np.max(limb.strain[inside])))
    assert most[0] < reached  # two sd of the strain are kept free
    assert most[0] > 0.8 * reached
    assert most[1] > 1.05 * reached  # at the old stop it would be beyond


def test_the_string_by_the_pictures(measured: Measured, tmp_path: Path) -> None:
    true = read_bow(SHIPPED / "bow.toml").string
    found = string_of(measured)
    assert found is not None
    assert found.kind == "long"
    assert found.length_mm == pytest.approx(true.length_mm, abs=8.0)
    folder = tmp_path / "pull"
    shutil.copytree(SHIPPED, folder)
    text = (folder / "bow.toml").read_text()
    wrong = with_string(text, BowString("braced", 0.94 * true.length_mm))
    assert wrong != text
    (folder / "bow.toml").write_text(wrong)
    as_it_is = read_recording(folder)
    assert restrung(as_it_is) == (as_it_is, None)  # nobody said that another string is on
    (folder / MARK).touch()
    again, string = restrung(as_it_is)
    assert string is not None
    assert string.length_mm == pytest.approx(again.bow.string.length_mm, abs=0.06)
    assert again.bow.string.kind == "long"
    assert again.bow.string.length_mm == pytest.approx(true.length_mm, abs=8.0)
    assert not (folder / MARK).exists()
    assert replace(again.bow, string=true) == replace(as_it_is.bow, string=true)


def test_the_process_beside_the_rack_says_which_string_it_found(tmp_path: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(SHIPPED, folder)
    (folder / MARK).touch()
    worked = _answer(folder, None)
    assert not isinstance(worked, str), worked
    assert worked.string is not None
    assert worked.string.kind == "long"
    shutil.rmtree(folder / "frames")
    (folder / MARK).touch()
    assert isinstance(_answer(folder, None), str)
    assert (folder / MARK).exists()  # it is tried again


def test_which_string_is_shorter() -> None:
    long, shorter = BowString("long", 1760.0), BowString("long", 1740.0)
    assert is_shorter(shorter, long)
    assert not is_shorter(long, shorter)
    assert not is_shorter(BowString("long", 1757.0), long)
    assert is_shorter(BowString("braced", 1680.0), BowString("", float("nan")))
    assert not is_shorter(long, BowString("long", float("nan")))


def test_the_stop_on_an_unknown_string_is_never_further() -> None:
    bow = read_bow(SHIPPED / "bow.toml")
    known = stop_on_new_string(bow, Stop(480.0, "x", {}, 290.0))
    assert known.draw_mm == 290.0
    near = stop_on_new_string(bow, Stop(200.0, "x", {}, 290.0))
    assert near.draw_mm == 200.0
    assert stop_on_new_string(bow, Stop(480.0, "x", {})).draw_mm < 480.0
    # whatever the file says of the braced bow, a stop that was there is never passed
    for draw in (0.0, 100.0, 200.0, 270.0):
        assert stop_on_new_string(bow, Stop(draw, "x", {})).draw_mm <= draw
    # braced it may be too much at once, by the file alone: then it is not to be drawn, and that is said
    weak = replace(bow, target=replace(bow.target, working_strain=0.0021))
    forbidden = stop_on_new_string(weak, Stop(270.0, "x", {}))
    assert forbidden.draw_mm == 0.0
    assert "take it off" in forbidden.reason
    assert braced(bow).string.length_mm < bow.left.length_mm + bow.right.length_mm


def test_at_the_rack(tmp_path: Path) -> None:
    path = tmp_path / "bow.toml"
    shutil.copy(SHIPPED / "bow.toml", path)
    bow, rig = read_bow(path), read_rig(SHIPPED / "rig.toml")
    options = Options(home=tmp_path / "pulls", book=None, bow_file=path)
    rack = Rack(bow, rig, (path.read_text(), ""), None, None, options, Stop(480.0, "x", {}, 290.0))
    assert rack._limits().draw_mm == 480.0
    rack.order("string")
    rack._obey()
    assert rack._limits().draw_mm == 290.0
    assert rack._stop.new_string
    assert path.with_name(MARK).is_file()  # the next session knows it too
    assert any(note.code == "live.new-string" for note in rack._notes)
    rack._strung(BowString("braced", 1666.6))
    assert not rack._stop.new_string
    assert not path.with_name(MARK).exists()
    assert rack.bow.string == BowString("braced", 1666.6)
    assert read_bow(path).string == BowString("braced", 1666.6)
    assert read_bow(path.with_name("bow.toml.before")).string == bow.string
    assert "1666.6" in rack._now.texts[0]
    assert rack.analyst.bow.string.kind == "braced"
    assert rack._notes[-1].code == "live.bow-changed"
    rack._finder.shutdown()


def test_a_file_that_cannot_be_changed_is_said(tmp_path: Path) -> None:
    assert keep_string(None, BowString("long", 1700.0)).code == "live.bow-changed"
    assert keep_string(tmp_path / "none.toml", BowString("long", 1700.0)).code == "live.bow-not-changed"


def test_the_next_session_keeps_to_the_braced_stop_where_the_file_s_string_is_shorter(home: Path) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    book = home / "book.sqlite3"
    bow = read_bow(SHIPPED / "bow.toml")
    same = last_stop(book, bow)
    assert same is not None
    assert same.draw_mm > same.braced_mm
    other = last_stop(book, replace(bow, string=BowString("braced", 1660.0)))
    assert other is not None
    assert other.draw_mm == same.braced_mm
    longer = last_stop(book, replace(bow, string=BowString("long", bow.string.length_mm + 20.0)))
    assert longer is not None
    assert longer.draw_mm == same.draw_mm


def test_where_nobody_knows_the_old_string_s_length_the_stop_is_the_braced_one(home: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(SHIPPED, folder)
    assert main(["measure", str(folder), "--no-pictures", "--quiet"]) == 0
    book, bow = home / "book.sqlite3", read_bow(SHIPPED / "bow.toml")
    whole = last_stop(book, bow)
    shutil.rmtree(folder)
    assert whole is not None
    for string in (bow.string, BowString("long", bow.string.length_mm - 60.0)):  # by hand in the file
        lost = last_stop(book, replace(bow, string=string))
        assert lost is not None
        assert lost.draw_mm == whole.braced_mm < whole.draw_mm
        assert "recording" in lost.reason


def test_a_knot_that_is_found_at_the_rack(tmp_path: Path) -> None:
    path = tmp_path / "bow.toml"
    shutil.copy(SHIPPED / "bow.toml", path)
    bow, rig = read_bow(path), read_rig(SHIPPED / "rig.toml")
    options = Options(home=tmp_path / "pulls", book=None, bow_file=path)
    rack = Rack(bow, rig, (path.read_text(), ""), None, None, options, Stop(480.0, "x", {}, 290.0))
    rack.order("feature", found(Side("right"), "knot", 310.0, 340.0))
    rack._obey()
    for one in (rack.bow, read_bow(path), read_bow(path)):
        assert [(f.kind, f.from_mm, f.to_mm, f.leave_alone) for f in one.right.features] == [
            ("knot", 310.0, 340.0, True)
        ]
    assert "knot" in rack._now.texts[0]
    assert "knot on the right limb" in rack._notes[-1].text
    rack.order("feature", found(Side("left"), "knot", 310.0, 9000.0))
    rack._obey()
    assert rack._notes[-1].code == "live.change-refused"
    assert not rack.bow.left.features
    rack._finder.shutdown()


def test_a_touch_on_a_limb_means_its_nearest_place() -> None:
    from types import SimpleNamespace
    from typing import Any

    s = np.arange(0.0, 800.0, 10.0)
    lines = {
        side: np.column_stack([960 + sign * s, 400 + 0.0005 * s**2])
        for side, sign in ((Side("left"), -1), (Side("right"), 1))
    }
    view: Any = SimpleNamespace(lines_px=lines, stations_mm={side: s for side in lines})
    box = Box(100.0, 50.0, 960.0, 540.0)  # half the camera's size
    place = place_at(view, (1920, 1080), box, 100 + 0.5 * (960 + 312), 50 + 0.5 * (400 + 0.0005 * 312**2) + 4)
    assert place is not None
    assert place.side == "right"
    assert place.s_mm == pytest.approx(310.0, abs=10.0)
    assert place.reach("knot", 880.0) == (place.s_mm - 15, place.s_mm + 15)
    assert LimbPlace(Side("left"), 875.0).reach("toasted", 880.0) == (780, 880)
    assert place_at(view, (1920, 1080), box, 100 + 0.5 * 960, 50 + 500) is None  # on the wall
    assert place_at(view, (1920, 1080), box, 20.0, 20.0) is None  # beside the picture
    for metric in (True, False):
        sheet = Sketch(1280, 720)
        draw_place(sheet, place, Units(metric), LIGHT, box)
        assert {p.key for p in sheet.presses} == {*(f"place:{key}" for key, _, _ in CHOICES), "place:"}
        assert all(box.x <= t.x and t.x + t.width <= box.x + box.width for t in sheet.placed)


def test_braced_it_may_be_strained_more_than_it_was_or_too_much(measured: Measured) -> None:
    """The limits of ``braced_stop_mm``, from what was reached: more reached, further; nothing reached, two inches beyond brace; a wood that bears less
    than being braced takes, no draw at all."""
    bow = read_bow(SHIPPED / "bow.toml")
    brace_mm = bow.target.brace_height_mm
    s = (measured.belief.left.s_mm, measured.belief.right.s_mm)

    def bounds(strain: float) -> Bounds:
        return Bounds(
            target_draw_mm=bow.target.draw_length_mm,
            target_weight_n=2 * bow.target.draw_weight_n,
            working_strain=strain,
            to_surface_mm=Pair(np.full(len(s[0]), 6.0), np.full(len(s[1]), 6.0)),
            working=Pair((s[0] > 150) & (s[0] < 700), (s[1] > 150) & (s[1] < 700)),
            force_sd=0.02,
            strain_sd=Pair(np.full(len(s[0]), 0.02), np.full(len(s[1]), 0.02)),
        )

    stops = [braced_stop_mm(measured.belief, brace_mm, reached, bounds(0.02)) for reached in (0.0055, 0.006, 0.007)]
    assert stops[0] < stops[1] < stops[2]
    assert brace_mm < braced_stop_mm(measured.belief, brace_mm, float("nan"), bounds(0.02)) <= brace_mm + 50.0
    assert braced_stop_mm(measured.belief, brace_mm, 0.001, bounds(0.02)) <= brace_mm + 50.0
    assert braced_stop_mm(measured.belief, brace_mm, 0.006, bounds(0.001)) == 0.0


def test_a_pull_of_the_old_string_says_nothing_of_the_new_one(tmp_path: Path) -> None:
    bow = read_bow(SHIPPED / "bow.toml")
    now = StopNow(Stop(480.0, "x", {}, 290.0), new_string=False)
    old, new = tmp_path / "old", tmp_path / "new"
    now.pull_begins(old)
    now.another_string(bow)
    assert now.stop is not None
    assert now.stop.draw_mm == 290.0
    assert not now.is_of_now(old)  # so the rack takes neither stop nor string nor plan from it
    now.pull_begins(new)
    assert now.is_of_now(new)
    now.measured(Stop(520.0, "x", {}), strung=False)
    assert now.stop.draw_mm == 290.0  # its string was not found
    now.measured(Stop(300.0, "x", {}), strung=True)
    assert now.stop.draw_mm == 300.0
    assert now.is_of_now(tmp_path / "of another session")
    now.new_string = False
    now.measured(None, strung=False)
    assert now.stop.draw_mm == 0.0  # after a pull that gave none it is not drawn


def test_a_ring_cut_through_and_a_lower_limit_bring_the_stop_nearer() -> None:
    bow = read_bow(SHIPPED / "bow.toml")
    last = Stop(480.0, "x", {}, 290.0)
    assert stop_with(last, bow, bow) == last
    ring = replace(bow, left=replace(bow.left, features=(found(Side("left"), "cut ring", 200.0, 230.0).feature,)))
    nearer = stop_with(last, bow, ring)
    assert nearer is not None
    assert nearer.draw_mm == pytest.approx(0.8 * 480.0)
    assert nearer.braced_mm == pytest.approx(0.8 * 290.0)
    knot = replace(bow, left=replace(bow.left, features=(found(Side("left"), "knot", 200.0, 230.0).feature,)))
    assert stop_with(last, bow, knot) == last
    half = replace(bow, target=replace(bow.target, working_strain=0.5 * strain_limit(bow)[0]))
    lower = stop_with(last, bow, half)
    assert lower is not None
    assert lower.draw_mm == pytest.approx(240.0)
    assert stop_with(last, half, bow) == last  # it never gets longer so
    assert stop_with(None, bow, ring) is None


def test_a_string_that_the_pictures_do_not_show_is_not_made_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(SHIPPED, folder)
    (folder / MARK).touch()
    monkeypatch.setattr("tiller.measure.restrung.string_of", lambda _: None)
    said = _answer(folder, None)
    assert isinstance(said, str)
    assert "pull again" in said
    assert (folder / MARK).exists()


@pytest.mark.shared
def test_a_braced_string_is_told_from_a_long_one(shared: Path) -> None:
    for source in sorted(p for p in (shared / "recordings").iterdir() if p.is_dir()):
        if source.name not in ("dev_braced_grid", "dev_twist"):
            continue
        true = read_bow(source / "bow.toml").string
        string = string_of(measure(read_recording(source)))
        assert string is not None
        assert string.kind == true.kind, source.name
        assert string.length_mm == pytest.approx(true.length_mm, abs=8.0)


def test_the_next_session_begins_with_the_braced_stop_where_the_string_was_not_measured(home: Path) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    book, bow = home / "book.sqlite3", read_bow(SHIPPED / "bow.toml")
    same, unmeasured = last_stop(book, bow), last_stop(book, bow, unmeasured=True)
    assert same is not None
    assert unmeasured is not None
    assert unmeasured.draw_mm == same.braced_mm < same.draw_mm


def test_a_file_that_is_half_written_by_hand_is_said(tmp_path: Path) -> None:
    path = tmp_path / "bow.toml"
    path.write_text("limbs = [[")
    assert keep_string(path, BowString("long", 1700.0)).code == "live.bow-not-changed"
    assert path.read_text() == "limbs = [["


def test_another_weight_is_wanted_by_steps_and_stands_in_the_file(tmp_path: Path) -> None:
    bow = read_bow(SHIPPED / "bow.toml")
    wish = wish_of(bow.target)
    pounds = wish.turned(1, Units(metric=False)).weight_n / N_PER_LBF
    assert pounds == pytest.approx(round(pounds))  # whole pounds, as the trade says it
    assert 0 < pounds - bow.target.draw_weight_n / N_PER_LBF <= 1.5
    more = wish.turned(3, Units())
    assert more.weight_n % 5 == 0
    assert wish.turned(10_000, Units()) == wish  # no bow has it
    file = tmp_path / "bow.toml"
    shutil.copy(SHIPPED / "bow.toml", file)
    now = BowNow(bow, (file.read_text(), (SHIPPED / "rig.toml").read_text()), file)
    said = now.add(more.wanted)
    assert said.code == "live.bow-changed", said
    assert now.bow.target.draw_weight_n == read_bow(file).target.draw_weight_n == more.weight_n
    assert now.bow.target.draw_length_mm == bow.target.draw_length_mm
    assert now.add(WantedWeight(5.0)).code == "live.change-refused"
    assert read_bow(file).target.draw_weight_n == more.weight_n
    with pytest.raises(TillerError):
        with_weight(file.read_text(), 5000.0)
    sheet = Sketch(1280, 720)
    draw_wish(sheet, more, Units(), LIGHT, Box(0.0, 0.0, 800.0, 450.0))
    assert {p.key for p in sheet.presses} == {"wish:Up", "wish:Down", "wish:Enter", "wish:"}


def test_another_weight_leaves_a_pull_that_is_being_measured_its_say() -> None:
    """The wood is as it was: how far a pull says that the bow may be drawn counts, whatever weight is wanted since; a ring cut through takes it back."""
    bow = read_bow(SHIPPED / "bow.toml")
    folder = Path("rec1")
    lighter = replace(bow, target=replace(bow.target, draw_weight_n=bow.target.draw_weight_n - 20.0))
    now = StopNow(Stop(500.0, "before", {}), new_string=False)
    now.pull_begins(folder)
    now.other_file(bow, lighter)
    assert now.is_of_now(folder)
    now.measured(Stop(420.0, "measured", {}), strung=True)
    assert now.stop is not None
    assert now.stop.draw_mm == 420.0
    cut = replace(
        bow, left=replace(bow.left, features=(*bow.left.features, found(Side.LEFT, "cut ring", 300.0, 330.0).feature))
    )
    now.pull_begins(folder)
    now.other_file(bow, cut)
    assert not now.is_of_now(folder)


def test_arrow_keys_go_along_the_whole_bow() -> None:
    lengths = Pair(800.0, 780.0)
    place = LimbPlace(Side.LEFT, 20.0)
    for step, at in (
        (1, (Side.LEFT, 10.0)),
        (3, (Side.RIGHT, 10.0)),
        (-999, (Side.LEFT, 800.0)),
        (999, (Side.RIGHT, 780.0)),
    ):
        there = moved(place, step, lengths)
        assert (there.side, there.s_mm) == at
