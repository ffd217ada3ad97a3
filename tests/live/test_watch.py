"""What must be said or go on at the rack whatever happens: a scale without a weight, a knocked camera, a book that is held, a dumb player."""

from __future__ import annotations

import contextlib
import io
import os
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell
from tiller.live import health, sound
from tiller.live.frame_analysis import OCCUPIED, Looked
from tiller.live.headless import run, view_json
from tiller.live.health import WEIGHTLESS_S, LastPicture, Watch
from tiller.live.live_force import Weigher
from tiller.live.measuring import Measuring
from tiller.live.recorder import Options, PullRecorder, PullUnderWay, unfinished
from tiller.live.session import Rack
from tiller.live.sound import Sounds
from tiller.live.stages import Event, Happening, Limits, Seen, State, after
from tiller.live.view import ALARM, stop_changed
from tiller.measure.recording import Recording, read_picture, read_recording
from tiller.records.book import Book
from tiller.report.style import Units
from tiller.simulate.serial import line_of
from tiller.sources.interfaces import Image, Shot, Stage, now_s

NAN = float("nan")


class Stills:
    """A camera that shows one picture at 30 a second until it is given another one."""

    def __init__(self, image: Image) -> None:
        self.image, self.name, self.remarks, self.may_repeat = image, "stills", (), True
        self._number = 0

    def open(self) -> None:
        self._number = 0

    def read(self) -> Shot:
        time.sleep(1 / 30)
        self._number += 1
        return Shot(self.image.copy(), now_s(), self._number)

    def close(self) -> None:
        """There is nothing to close."""


@contextlib.contextmanager
def rack_of_stills(
    recording: Recording, home: Path, role: str, start: bool = True
) -> Iterator[tuple[Rack, Callable[[str, float], None]]]:
    pictures = {r: read_picture(recording, recording.of_role(r)[0]) for r in ("empty", "rest")}
    pictures["shifted"] = np.roll(pictures["rest"], (4, 6), axis=(0, 1))
    pictures["far"] = np.roll(pictures["rest"], (30, 80), axis=(0, 1))
    pictures["empty shifted"] = np.roll(pictures["empty"], (4, 6), axis=(0, 1))
    camera = Stills(pictures[role])
    texts = tuple((recording.folder / name).read_text() for name in ("bow.toml", "rig.toml"))
    options = Options(home=home / "pulls", book=home / "book.sqlite3")
    rack = Rack(recording.bow, recording.rig, cast(tuple[str, str], texts), camera, None, options)

    def show(what: str, for_s: float) -> None:
        camera.image = pictures[what]
        time.sleep(for_s)

    if start:
        rack.start()
    try:
        yield rack, show
    finally:
        rack.stop()


def wait_for(what: Callable[[], bool], patience_s: float = 60.0) -> None:
    end = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < end
        time.sleep(0.05)


def until(rack: Rack, sentence: str, patience_s: float = 30.0) -> None:
    end = time.monotonic() + patience_s
    while sentence not in rack.view().sentence:
        assert time.monotonic() < end, rack.view().sentence
        time.sleep(0.05)


def test_a_bow_that_lies_there_and_a_camera_that_is_knocked(small_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(small_recording)
    with rack_of_stills(recording, tmp_path, "rest") as (rack, show):
        until(rack, OCCUPIED)
        show("empty", 0.0)
        until(rack, "Lay the bow in its cradle")
        show("rest", 0.0)
        until(rack, "Pull slowly")
        while not rack.events.empty():
            rack.events.get()
        # some pixels: where it stands is found anew, the work goes on, and the lines go with the picture
        wait_for(lambda: bool(rack.view().lines_px))
        before = rack.view()
        show("shifted", 0.0)
        wait_for(lambda: rack.view().number > before.number + 8 and bool(rack.view().lines_px))
        after = rack.view()
        assert "Pull slowly" in after.sentence
        for side, line in after.lines_px.items():
            moved = np.median(line - before.lines_px[side], axis=0)
            assert moved == pytest.approx((6.0, 4.0), abs=1.0)
        # another part of the wall is behind the bow: no way to go on
        show("far", 0.0)
        until(rack, "was knocked")
        told = set()
        for _ in range(30):
            told.add(rack.view().sentence)
            time.sleep(0.1)
        assert len(told) == 1  # it used to go to and fro with "Pull slowly"
        assert rack.events.empty()
        rack.order("empty")
        until(rack, OCCUPIED)


def test_an_empty_rack_seen_from_elsewhere_is_no_bow(small_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(small_recording)
    with rack_of_stills(recording, tmp_path, "empty") as (rack, show):
        until(rack, "Lay the bow in its cradle")
        show("rest", 0.0)
        until(rack, "Pull slowly")
        show("shifted", 1.0)
        show("empty shifted", 0.0)
        until(rack, "Lay the bow in its cradle")


@pytest.mark.parametrize("kind", ["trouble", "garbage", "nothing", "doubtful zero", "saturated"])
def test_a_scale_without_a_weight_is_said(kind: str) -> None:
    weigher = Weigher(LoadCell(counts_per_newton=5000.0, zero_counts=0.0))
    raw = {
        "trouble": [line_of("E", "no_converter")] * 20,
        "garbage": ["@@@", "W,1,x"] * 10,
        "nothing": [],
        "doubtful zero": [line_of("W", 100 * k, 400_000) for k in range(20)],
        "saturated": [line_of("W", 100 * k, 8_388_607) for k in range(20)],
    }[kind]
    weigher.feed(tuple((0.1 * k, text) for k, text in enumerate(raw)))
    weigher.follow_zero()
    scale = cast(Any, SimpleNamespace(state=SimpleNamespace(good=True, ended=False, text="")))
    watch = Watch(None, scale, weigher)
    for drawn in (False, True):
        assert watch.trouble(None, Seen(t_s=0.0, bow=True, still=False, draw_mm=200.0, force_n=NAN), drawn) == ""
        said = Units().words(
            watch.trouble(None, Seen(t_s=WEIGHTLESS_S + 0.1, bow=True, still=False, draw_mm=200.0, force_n=NAN), drawn)
        )
        assert "weight is unknown" in said
        assert {
            "trouble": "no converter",
            "garbage": "could not be used",
            "nothing": "sends no reading",
            "doubtful zero": "+80 N by rig.toml's zero",
            "saturated": "saturated",
        }[kind] in said
        assert (
            watch.trouble(None, Seen(t_s=WEIGHTLESS_S + 0.2, bow=True, still=False, draw_mm=200.0, force_n=0.0), drawn)
            == ""
        )


def test_a_hook_that_is_not_seen_is_said_within_a_second_of_a_drawn_bow() -> None:
    camera = cast(Any, SimpleNamespace(state=SimpleNamespace(good=True, ended=False, text="")))
    watch = Watch(camera, None, Weigher(None))
    said = {}
    for t_s in np.arange(0.0, 2.0, 0.1):
        seen = Seen(t_s=float(t_s), bow=True, still=False, draw_mm=NAN, force_n=NAN)
        said[round(float(t_s), 1)] = watch.trouble(None, seen, True)
    assert said[0.3] == ""
    assert "the stop is not watched" in said[1.0]
    assert watch.trouble(None, Seen(t_s=2.0, bow=True, still=False, draw_mm=NAN, force_n=NAN), False) == ""


def test_the_next_pull_waits_while_one_is_measured(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording, busy, shown = read_recording(small_recording), [True], []
    monkeypatch.setattr(Measuring, "busy", property(lambda _: busy[0]))
    with rack_of_stills(recording, tmp_path, "empty", start=False) as (rack, show):
        rack.options = replace(rack.options, watch=lambda _, stage: shown.append(stage))
        rack.start()
        until(rack, "Lay the bow in its cradle")
        show("rest", 0.0)
        until(rack, "Wait with the next pull")
        rack.order("scraped", 5)
        wait_for(lambda: any("press S again" in note.text for note in rack.view().notes))
        assert Stage.RESTING not in shown  # nobody at the software rack pulls yet
        busy[0] = False
        until(rack, "Pull slowly")
        wait_for(lambda: Stage.RESTING in shown)


def test_a_stop_that_comes_late_is_said_in_the_reader_s_units() -> None:
    note = stop_changed(Limits(254.0, 100.0))
    assert "no further than 254 mm" in note.in_metric().text
    assert "no further than 10.0 in" in Units(metric=False).words(note.text)


def test_a_book_that_another_program_holds_does_not_stop_the_picture(small_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(small_recording)
    with rack_of_stills(recording, tmp_path, "empty") as (rack, _):
        until(rack, "Lay the bow in its cradle")
        with Book(tmp_path / "book.sqlite3"):
            pass
        worked = SimpleNamespace(kept=SimpleNamespace(pull_id=1), advice=SimpleNamespace(plan=None))
        rack._worked, rack._since_scraped = cast(Any, worked), 1  # a pull that was measured
        with contextlib.closing(sqlite3.connect(tmp_path / "book.sqlite3", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            rack.order("scraped", 12)
            longest, number, begun = 0.0, -1, time.monotonic()
            last = begun
            while time.monotonic() - begun < 4.0:
                view = rack.next_view(number)
                if view.number != number:
                    longest, number, last = max(longest, time.monotonic() - last), view.number, time.monotonic()
            assert longest < 1.0
            assert any("noting the scraping" in note.text for note in rack.view().notes)
        end = time.monotonic() + 20.0
        while not any("not noted" in note.text or "scraped, 12" in note.text for note in rack.view().notes):
            assert time.monotonic() < end  # there is no pull 1: it is refused, and said
            time.sleep(0.1)


def states(readings: list[tuple[float, float]], still: bool = True) -> tuple[State, list[Happening]]:
    """What the stages make of draws at times, without a scale."""
    state, happened = State(), []
    for t_s, draw_mm in readings:
        state, events = after(state, Seen(t_s=t_s, bow=True, still=still, draw_mm=draw_mm, force_n=NAN), Limits(600.0))
        happened += [event.what for event in events]
    return state, happened


def test_without_a_scale_one_low_reading_is_no_rest_that_the_bow_rises_from() -> None:
    rest = [(k / 30, 40.0 if k == 20 else 150.0) for k in range(120)]
    state, happened = states(rest)
    assert state.stage is Stage.RESTING
    assert happened == [Happening.REST]


def test_the_least_draw_is_taken_anew_at_rest() -> None:
    state, _ = states([(k / 30, 150.0) for k in range(60)])
    state = after(
        State(stage=Stage.DONE, least_mm=150.0, seen_s=2.0),
        Seen(t_s=2.0, bow=True, still=True, draw_mm=175.0, force_n=NAN),
        Limits(),
    )[0]
    happened = []
    for k in range(1, 300):
        state, events = after(state, Seen(t_s=2.0 + k / 30, bow=True, still=True, draw_mm=175.0, force_n=0.0), Limits())
        happened += [event.what for event in events]
    assert happened == [Happening.REST]
    assert state.least_mm == 175.0


def test_a_player_that_fails_is_left_for_the_next_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, text in (("paplay", "exit 1"), ("aplay", f"touch {tmp_path}/played")):
        script = tmp_path / name
        script.write_text(f"#!/bin/sh\n{text}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setattr(sound, "PLAYERS", (("paplay",), ("aplay", "-q")))
    monkeypatch.delenv("TILLER_SILENT", raising=False)
    sounds = Sounds()
    for _ in range(40):
        sounds.play("beyond")
        time.sleep(0.1)
        if (tmp_path / "played").exists():
            break
    assert (tmp_path / "played").exists()
    assert not sounds.silent
    (tmp_path / "aplay").write_text("#!/bin/sh\nexit 1\n")
    for _ in range(40):
        sounds.play("beyond")
        time.sleep(0.1)
        if sounds.silent:
            break
    assert sounds.silent  # nothing plays: it is said, not believed to sound
    sounds.close()


def test_without_a_window_the_keys_are_lines(small_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(small_recording)
    read_end, write_end = os.pipe()
    out = io.StringIO()
    with rack_of_stills(recording, tmp_path, "empty", start=False) as (rack, _), ThreadPoolExecutor(1) as pool:
        rack._alarm = ALARM  # as after a sudden drop of the force
        running = pool.submit(run, rack, Units(), False, out, 30.0, read_end)
        try:
            until(rack, ALARM)
            os.write(write_end, b"k\n")
            until(rack, "Lay the bow in its cradle")
            os.write(write_end, b"c\nfoo\ns 12\ne\n")
            until(rack, "Lay the bow in its cradle")
        finally:
            os.write(write_end, b"q\n")
            assert running.result(20.0) == 0
            for end in (read_end, write_end):
                os.close(end)
    told = out.getvalue()
    assert told.count("without warning") == 2  # at the start, and by C
    assert "'FOO' is no key here" in told
    assert "nothing was noted" in told


def test_an_error_of_the_program_over_a_drawn_bow_alarms_and_goes_on_recording(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The window must not close while somebody holds the rope: an alarm, pictures go on into the pull's folder, then it ends."""

    recording = read_recording(small_recording)
    monkeypatch.setattr(health, "UNWEIGHED_S", 1.5)
    with rack_of_stills(recording, tmp_path, "empty") as (rack, show):
        until(rack, "Lay the bow in its cradle")
        show("rest", 1.0)
        until(rack, "Pull slowly")
        folder = tmp_path / "pulls" / "a pull"
        rack._pull.recorder = PullRecorder(folder, *rack._now.texts, weighed=False)
        rack._pull.recorder.start()

        def broken(_: Shot) -> None:
            msg = "nobody thought of that"
            raise RuntimeError(msg)

        monkeypatch.setattr(rack.analyst, "look", broken)
        until(rack, "Let down slowly")
        view = rack.view()
        assert "an error of its own" in view.alarm
        assert np.isnan(view.draw_mm)  # nothing old is shown as the present
        assert not view.lines_px
        before, number = len(list(folder.glob("frames/*"))), view.number
        assert rack.next_view(number, 2.0).number > number  # the picture goes on
        end = time.monotonic() + 30.0
        with pytest.raises(RuntimeError, match="nobody thought"):
            while time.monotonic() < end:
                rack.view()
                time.sleep(0.05)
    assert len(list(folder.glob("frames/*"))) > before + 3
    assert rack._pull.recorder is None
    assert not (folder / "unfinished").exists() or folder in unfinished(
        tmp_path
    )  # whole and let go of: settled, or for the next start


@pytest.mark.parametrize(
    ("readings", "most_s"),
    [
        ([(0.0, 150.0), (5.0, 150.0), (10.0, 0.0)], 10.0 + health.SLACK_S),  # loaded, then slack for a while
        ([(0.0, 0.0)], health.SLACK_S),
        ([(0.0, -150.0), (10.0, 0.0)], 10.0 + health.SLACK_S),  # reads backwards
        ([(0.0, NAN)], health.UNWEIGHED_S),  # a scale that has no zero tells no more than none
        ([(0.0, 150.0)], health.MOST_S),
    ],
)
def test_how_long_a_bow_may_still_be_drawn(readings: list[tuple[float, float]], most_s: float) -> None:
    drawn, ended = health.MaybeDrawn(100.0), float("inf")
    for t in np.arange(0.0, 200.0, 0.1):
        force = [f for at, f in readings if at <= t][-1]
        if not drawn.after(100.0 + float(t), force):
            ended = float(t)
            break
    assert ended == pytest.approx(most_s, abs=0.25)


def test_a_program_that_met_an_error_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TILLER_SILENT", "1")
    sounds = Sounds()
    sounds.mind(Stage.PULLING, ())
    assert sounds.played == []
    sounds.mind(Stage.PULLING, (), broken=True)
    assert sounds.played == ["beyond"]
    sounds.close()


def test_an_error_with_no_bow_drawn_ends_the_session(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = read_recording(small_recording)
    with rack_of_stills(recording, tmp_path, "empty") as (rack, _):
        until(rack, "Lay the bow in its cradle")

        def broken(_: Shot) -> None:
            msg = "nobody thought of that"
            raise RuntimeError(msg)

        monkeypatch.setattr(rack.analyst, "look", broken)
        end = time.monotonic() + 10.0
        with pytest.raises(RuntimeError, match="nobody thought"):
            while time.monotonic() < end:
                assert not rack.view().alarm
                time.sleep(0.02)


def test_a_bow_that_comes_to_rest_between_two_pictures_has_its_rest_picture(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow camera or machine: most turns have no picture, and what happens in one of those is of the last picture. The clock is the test's own."""
    recording = read_recording(small_recording)
    pictures = {role: read_picture(recording, recording.of_role(role)[0]) for role in ("empty", "rest")}
    with rack_of_stills(recording, tmp_path, "empty", start=False) as (rack, _):
        clock, turn, shows, shots = [100.0], [0], ["empty"], []

        def next_picture(_: float) -> Shot | None:
            clock[0] += 0.1
            turn[0] += 1
            if turn[0] % 7:
                return None
            shots.append(Shot(pictures[shows[0]].copy(), clock[0], turn[0]))
            return shots[-1]

        monkeypatch.setattr("tiller.live.session.now_s", lambda: clock[0])
        monkeypatch.setattr(rack, "camera", SimpleNamespace(next=next_picture, state=None, stop=lambda: None))
        monkeypatch.setattr(rack._watch, "camera", None)

        def turn_until(good: Callable[[], bool]) -> None:
            end = time.monotonic() + 120.0
            while not good():
                assert time.monotonic() < end, rack.view().sentence
                rack._turn()
                time.sleep(0.002)  # the bow is sought in a thread of its own

        turn_until(lambda: rack.analyst.scene is not None)
        shows[0] = "rest"
        turn_until(lambda: bool(rack.analyst.models) and turn[0] % 7 == 0)
        rack._state, rack._rests = State(), []  # as if it lay still from this picture on: STILL_S later there is none
        taken: list[Image] = []
        monkeypatch.setattr(rack.analyst, "take_rest", taken.append)
        turn_until(lambda: rack._state.stage is Stage.RESTING)
        assert turn[0] % 7, "it came with a picture: this tests nothing"
        assert rack._rests == [shots[-1]]
        assert taken[-1] is shots[-1].image
        view = replace(rack.view(), draw_mm=200.0)  # a draw that an older picture showed is no draw of now
        assert view.draw_s == shots[-1].t_s != view.shot_s
        assert view_json(view)["draw_mm"] is None
        assert view_json(replace(view, shot_s=view.draw_s))["draw_mm"] == 200.0
        rack._begin_pull(Event(Happening.BEGAN, clock[0], 30.0, NAN))
        recorder = rack._pull.recorder
        assert recorder is not None
        # a hold that is seen between two pictures is the last one's too, and kept once
        rack._happened(Event(Happening.POINT, clock[0], 200.0, NAN), shots[-1])
        rack._happened(Event(Happening.POINT, clock[0], 200.0, NAN), shots[-1])
        recorder.finish()
        roles = [row.split(",")[2] for row in (recorder.folder / "frames.csv").read_text().split()[1:]]
        assert roles == ["empty", "rest", "pull"]
        # a camera that is lost for long: what happens then is of no picture
        rack._pull.recorder = None
        monkeypatch.setattr(rack, "camera", SimpleNamespace(next=lambda _: None, state=None, stop=lambda: None))
        clock[0] += health.BETWEEN_S + 0.1
        rack._turn()
        assert rack._last.shot is None


def test_no_picture_of_a_drawn_bow_becomes_its_rest_shape() -> None:
    """The string comes down between two pictures, 1.2 s apart: what follows is no rest before there is a picture of it."""
    last, state, limits = LastPicture(), State(stage=Stage.RESTING, least_mm=160.0), Limits()
    seen_in: list[tuple[str, float]] = []
    looked_of = lambda draw: cast(Looked, SimpleNamespace(still=True, draw_mm=draw))  # noqa: E731
    picture_s = 0.0
    for k in range(200):
        t = 0.1 * k
        force = 0.0 if t < 2.0 else min(150.0, 100.0 * (t - 2.0)) if t < 8.5 else 0.0
        draw = 160.0 + 0.4 * force
        then = NAN
        if k % 12 == 0:
            last.looked(t, Shot(np.zeros((2, 2, 3), np.uint8), t, k), looked_of(draw), force, state)
            picture_s, then = t, draw
            seen = Seen(t_s=t, bow=True, still=True, draw_mm=then, force_n=force)
        else:
            last.no_picture(t)
            seen = Seen(t_s=t, bow=True, still=last.still, draw_mm=NAN, force_n=force)
        state, events = after(state, seen, limits)
        for event in events:
            if event.what is Happening.ENDED:
                last.forget()
            if event.what in (Happening.REST, Happening.ENDED, Happening.LOST):
                assert event.what is not Happening.REST or last.shot is not None
                seen_in.append((event.what.name, picture_s))
    assert [what for what, _ in seen_in] == ["LOST", "ENDED", "REST"]
    assert seen_in[-1][1] > 8.8  # a picture from after the let-down


def test_a_late_picture_of_a_drawn_bow_is_no_still_one() -> None:
    shot = Shot(np.zeros((2, 2, 3), np.uint8), 1.0, 1)
    lying = State(stage=Stage.DONE, least_mm=160.0)
    for still, draw, force, state, good in (
        (True, 161.0, 0.5, lying, True),
        (True, NAN, 0.5, lying, True),
        (False, 161.0, 0.5, lying, False),
        (True, 161.0, 150.0, lying, False),  # drawn by the force of its own time
        (True, 220.0, NAN, lying, False),  # or by what it shows, where there is no scale
        (True, NAN, 8.0, State(stage=Stage.LETTING_DOWN), True),  # a heavy rope at the end of a let-down
        (True, NAN, 8.0, State(stage=Stage.NO_BOW), False),
    ):
        last = LastPicture()
        last.looked(1.1, shot, cast(Looked, SimpleNamespace(still=still, draw_mm=draw)), force, state)
        assert last.still is good, (still, draw, force, state.stage)
        last.no_picture(1.1 + health.BETWEEN_S)
        assert (last.still, last.shot) == (False, None)


def test_a_slow_camera_is_no_lost_hook() -> None:
    looked = cast(Looked, SimpleNamespace(trouble=""))

    def said(period: int, hidden_from_s: float) -> list[float]:
        weigher = Weigher(LoadCell(counts_per_newton=1.0, zero_counts=0.0))
        watch, out = Watch(cast(Any, SimpleNamespace(state=None)), None, weigher), []
        for k in range(100):
            t = 0.1 * k
            shown = looked if k % period == 0 else None
            draw = 200.0 if shown is not None and t < hidden_from_s else NAN
            seen = Seen(t_s=t, bow=True, still=True, draw_mm=draw, force_n=50.0)
            if watch.trouble(shown, seen, True):
                out.append(t)
        return out

    assert said(5, 99.0) == said(8, 99.0) == []
    for period, shown_s in ((1, 4.9), (5, 4.5)):
        found = said(period, 5.0)
        assert found
        assert 0.59 < found[0] - shown_s < 0.85, found


def test_a_picture_that_was_not_taken_is_handed_in_again() -> None:
    taken: list[float] = []
    answers = iter((False, True, True))

    def picture(_: Image, t_s: float, role: str, must: bool) -> bool:
        taken.append(t_s)
        return next(answers)

    pull = PullUnderWay()
    pull.recorder = cast(PullRecorder, SimpleNamespace(picture=picture))
    one, other = (Shot(np.zeros((2, 2, 3), np.uint8), t, k) for k, t in enumerate((1.0, 2.0)))
    for shot in (one, one, one, None, other):
        pull.keep(shot, 50.0, must=False)
    assert taken == [1.0, 1.0, 2.0]
