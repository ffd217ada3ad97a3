"""The live rack as a whole: a software rack's bytes and pixels in, recording, book and plan out."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tiller.bow.bowfile import parse_bow
from tiller.cli.entry import main
from tiller.live.headless import run
from tiller.live.opening import Wanted, session
from tiller.live.recorder import Options
from tiller.live.session import Rack
from tiller.live.stages import Happening
from tiller.measure.recording import read_recording
from tiller.records.book import Book
from tiller.report.style import Units
from tiller.simulate.bowmaker import Spot, random_bow
from tiller.simulate.live import Course
from tiller.simulate.serial import line_of
from tiller.sources.interfaces import Stage


def rack_of(tmp: Path, course: Course, **options: Any) -> tuple[Any, Rack]:
    import tomllib

    from tiller.bow.rigfile import parse_rig
    from tiller.sources.software_feed import SoftwareRack

    bow = random_bow(np.random.default_rng(41), "lively", (Spot("left", 430, 540, -0.08),), string_kind="long")
    software = SoftwareRack(bow, course, seed=3, rate_hz=20.0, waits=True)
    texts = (software.bow_toml, software.rig_toml)
    rack = Rack(
        parse_bow(tomllib.loads(texts[0])),
        parse_rig(tomllib.loads(texts[1])),
        texts,
        software.camera,
        software.scale,
        Options(home=tmp / "pulls", book=tmp / "book.sqlite3", watch=software.watch, **options),
    )
    return software, rack


def play(rack: Rack, until: Any, patience_s: float = 400.0, each: Any = lambda _: None) -> list[Any]:
    events = []
    end = time.monotonic() + patience_s
    number = -1
    while time.monotonic() < end:
        view = rack.next_view(number)
        number = view.number
        each(view)
        while not rack.events.empty():
            events.append(rack.events.get())
        if until(view, events):
            return events
    pytest.fail(
        f"it did not come to that: {[e.what.value for e in events]}, {rack.view().sentence}, {rack.view().notes}"
    )


@pytest.fixture(scope="module")
def pulled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Any, Rack, list[Any]]]:
    """One pull with the camera and the scale unplugged for a while in its midst."""
    tmp = tmp_path_factory.mktemp("live")
    software, rack = rack_of(tmp, Course(empty_s=4.0, rest_s=2.5, holds=6, hold_s=1.6, largest_mm=(290.0,)))
    unplugged = set()

    def each(view: Any) -> None:
        if len(view.points) >= 2 and "camera" not in unplugged:
            unplugged.add("camera")
            software.camera.unplug(0.8)
        if len(view.points) >= 4 and "scale" not in unplugged:
            unplugged.add("scale")
            software.scale.unplug(0.8)

    with software:
        rack.start()
        events = play(rack, lambda view, _: view.worked is not None, each=each)
        assert unplugged == {"camera", "scale"}
        yield tmp, software, rack, events
        rack.stop()


def test_stages_and_points(pulled: tuple[Path, Any, Rack, list[Any]]) -> None:
    what = [e.what for e in pulled[3]]
    assert what[0] is Happening.REST
    assert what.count(Happening.BEGAN) == 1
    assert what.count(Happening.ENDED) == 1
    assert what.count(Happening.POINT) >= 4


def test_a_cable_that_was_out_spoils_no_point(pulled: tuple[Path, Any, Rack, list[Any]]) -> None:
    _, software, rack, events = pulled
    assert rack.camera is not None
    assert rack.camera.state.losses >= 1
    assert rack.scale is not None
    assert rack.scale.state.losses >= 1  # more on a machine so busy that a cable seems to be out
    for event in (e for e in events if e.what is Happening.POINT and np.isfinite(e.draw_mm)):
        shape = software.shapes.at(event.draw_mm)
        if np.isfinite(event.force_n):  # within what wood gives in a hold and loses on the way down
            assert 0.92 * shape.force_n - 0.7 < event.force_n < 1.015 * shape.force_n + 0.7


def test_the_recording_measured_again_says_the_same(pulled: tuple[Path, Any, Rack, list[Any]], tmp_path: Path) -> None:
    _, _, rack, events = pulled
    worked = rack.view().worked
    assert worked is not None
    assert (
        main(
            [
                "measure",
                str(worked.recording),
                "--no-book",
                "--no-pictures",
                "--quiet",
                "--json",
                str(tmp_path / "r.json"),
            ]
        )
        == 0
    )
    told = json.loads((tmp_path / "r.json").read_text())
    marks = [(s, m.kind, m.from_mm, m.to_mm) for s in ("left", "right") for m in worked.result.limb(s).marks]  # type: ignore[arg-type]
    assert [(m["limb"], m["kind"], m["from_mm"], m["to_mm"]) for m in told["marks"]] == marks
    points = {round(e.t_s, 3): e for e in events if e.what is Happening.POINT and np.isfinite(e.draw_mm + e.force_n)}
    matched = 0
    for picture in worked.result.pictures:
        near = min(points, key=lambda t: abs(t - picture.t_s))
        if abs(near - picture.t_s) < 0.05:
            matched += 1
            assert points[near].draw_mm == pytest.approx(picture.draw_mm, abs=1.0)
            if picture.held:
                assert points[near].force_n == pytest.approx(picture.force_n, abs=0.5)
    assert matched >= 4


def test_recording_and_book(pulled: tuple[Path, Any, Rack, list[Any]]) -> None:
    tmp, _, rack, _ = pulled
    worked = rack.view().worked
    assert worked is not None
    recording = read_recording(worked.recording)
    assert not list(worked.recording.glob("unfinished"))
    assert {p.role for p in recording.pictures} == {"empty", "rest", "pull"}
    with Book(tmp / "book.sqlite3") as book:
        rows = book.pulls()
    assert [r.bow for r in rows] == ["lively"]
    assert rack.view().stop is not None
    assert rack.view().stop.draw_mm == worked.advice.stop.draw_mm  # type: ignore[union-attr]


def test_no_thread_is_left(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    software, rack = rack_of(tmp_path, Course(empty_s=4.0, largest_mm=(250.0,)))
    with software:
        rack.start()
        play(rack, lambda view, _: view.looked is not None and view.looked.ready, 30.0)
        rack.stop()
    time.sleep(0.2)
    left = [t.name for t in set(threading.enumerate()) - before]
    assert left == []


def test_a_replay_headless_as_json_lines(small_recording: Path, tmp_path: Path) -> None:
    wanted = Wanted(
        bow=None, replay=small_recording, speed=3.0, home=tmp_path / "pulls", book=tmp_path / "book.sqlite3"
    )
    out = io.StringIO()
    with session(wanted) as rack:
        assert run(rack, Units(), as_json=True, out=out, for_s=60.0) == 0
    lines = [json.loads(line) for line in out.getvalue().splitlines()]
    assert {"now", "event"} <= {line["kind"] for line in lines}
    assert "pull began" in [line["what"] for line in lines if line["kind"] == "event"]


def test_by_weight_alone(small_recording: Path, tmp_path: Path) -> None:
    """Without a camera: stages from the force, and nothing is known of the bend."""
    from tiller.setup.bow_files import text_of
    from tiller.sources.scales import ReplayedScale

    recording = read_recording(small_recording)
    begin = recording.force_lines[0][0]
    scale = ReplayedScale(recording, begin, 6.0)
    texts = (text_of(small_recording / "bow.toml"), text_of(small_recording / "rig.toml"))
    rack = Rack(recording.bow, recording.rig, texts, None, scale, Options(home=tmp_path / "pulls", book=None))
    rack.start()
    events = play(rack, lambda view, got: any(e.what is Happening.ENDED for e in got), 60.0)
    rack.stop()
    assert Happening.BEGAN in [e.what for e in events]
    assert np.isnan(rack.view().draw_mm)
    assert rack.view().worked is None


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["rack"], "Say which bow"),
        (["rack", "nosuchbow"], "tiller bow nosuchbow"),
        (["rack", "--replay", "nosuchfolder"], "does not exist"),
        (["rack", "--software", "--speed", "0"], "it must be from 0.1 to 50"),
    ],
)
def test_bad_input_is_one_sentence(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    assert main(arguments) == 2
    assert says in capsys.readouterr().err


def test_a_new_bow_by_the_form(tmp_path: Path) -> None:
    from tiller.setup.new_bow import form

    given = {
        "wood": "white ash",
        "upper": "right",
        "handle": "2",
        "string": "long",
        "string_length": "70",
        "draw_to_back": "25",
        "weight": "45",
        "brace": "6",
    }
    lines = []
    for field in form():
        if field.key in given:
            lines.append(given[field.key])
        elif field.key.endswith("length"):
            lines += ["nonsense", "34"]
        else:
            k = int(field.key[-1])
            lines.append(f"{1.8 - 0.35 * k:.2f}" if "width" in field.key else f"{0.62 - 0.07 * k:.2f}")
    env = {**__import__("os").environ, "TILLER_HOME": str(tmp_path)}
    command = [sys.executable, "-m", "tiller", "bow", "ash one", "--units", "inch"]
    done = subprocess.run(command, input="\n".join(lines) + "\n", capture_output=True, text=True, env=env, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "is no number" in done.stdout
    import tomllib

    bow = parse_bow(tomllib.loads((tmp_path / "bows" / "ash one" / "bow.toml").read_text()))
    assert bow.left.length_mm == pytest.approx(863.6)
    assert bow.target.draw_weight_n == pytest.approx(200.2, abs=0.1)
    assert bow.target.draw_length_mm == pytest.approx(
        23.25 * 25.4, abs=0.06
    )  # 25 in to the back, archery convention: 1 3/4 in less
    assert "that is 23.25 in from the pivot to the string" in done.stdout
    again = subprocess.run(command, input="", capture_output=True, text=True, env=env, check=False)
    assert again.returncode == 2
    assert "is there already" in again.stderr
    short = subprocess.run(
        [*command[:4], "other", "--units", "inch"],
        input="white ash\n",
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    assert short.returncode == 2
    assert not (tmp_path / "bows" / "other" / "bow.toml").exists()
    # what was answered is kept: Enter takes it again
    on_lines = ["", *lines[1:]]
    on = subprocess.run(
        [*command[:4], "other", "--units", "inch"],
        input="\n".join(on_lines) + "\n",
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    assert on.returncode == 0, on.stdout + on.stderr
    assert "answers to 1 of the questions" in on.stdout
    assert tomllib.loads((tmp_path / "bows" / "other" / "bow.toml").read_text())["wood"] == "white ash"
    assert not (tmp_path / "bows" / "other" / "answers.toml").exists()


def test_each_stage_has_a_word_of_its_own() -> None:
    assert len({s.value for s in Stage}) == len(Stage)


def test_a_rest_shape_that_cannot_be_taken_anew_is_said(small_recording: Path) -> None:
    from tiller.live.frame_analysis import Analyst
    from tiller.measure.recording import read_picture
    from tiller.sources.interfaces import Shot

    recording = read_recording(small_recording)
    analyst = Analyst(recording.bow, recording.rig)
    pictures = {role: read_picture(recording, recording.of_role(role)[0]) for role in ("empty", "rest")}
    t = 0.0
    for role in ("empty", "rest"):
        for _ in range(60):
            t += 1 / 30
            analyst.look(Shot(pictures[role], t, round(30 * t)))
    before = analyst.models
    assert before is not None
    assert [model.side for model in before] == ["left", "right"]
    analyst.take_rest(pictures["empty"])  # somebody stood before it: no bow to be seen
    assert "rest shape could not be taken anew" in analyst.remark()
    assert analyst.remark() == ""
    assert analyst.models is before
    analyst.take_rest(pictures["rest"])
    assert analyst.remark() == ""


def test_an_old_or_shifted_calibration_is_said_at_the_start(small_recording: Path, tmp_path: Path) -> None:
    from dataclasses import replace

    from tiller.live.stages import Seen
    from tiller.sources.scales import ReplayedScale

    recording = read_recording(small_recording)
    for off_n, calibrated, said in ((9.0, "", "off its calibration's"), (0.0, "2020-01-01", "days ago"), (0.0, "", "")):
        cell = replace(recording.rig.load_cell, calibrated=calibrated)
        rig = replace(recording.rig, load_cell=cell)
        recorded = replace(recording, rig=rig)
        scale = ReplayedScale(recorded, 0.0)
        rack = Rack(recording.bow, rig, ("", ""), None, scale, Options(home=tmp_path / "pulls", book=None))
        counts = round(cell.zero_counts + off_n * abs(cell.counts_per_newton))
        rack.weigher.feed(tuple((0.0125 * k, line_of("W", 12 * k, counts)) for k in range(100)))
        rack._mind(
            None, None, Seen(t_s=1e9, bow=True, still=True, draw_mm=float("nan"), force_n=0.0)
        )  # a turn of the analysis while nothing is drawn
        notes = " ".join(note.text for note in rack._notes)
        assert said in notes
        assert bool(notes) == bool(said)


def test_a_load_that_hangs_there_at_the_start_is_no_zero(small_recording: Path) -> None:
    from tiller.live.live_force import Weigher

    cell = read_recording(small_recording).rig.load_cell
    weigher = Weigher(cell)
    counts = round(cell.zero_counts + 100.0 * cell.counts_per_newton)
    weigher.feed(tuple((0.0125 * k, line_of("W", 12 * k, counts)) for k in range(100)))
    weigher.follow_zero()
    assert abs(weigher.doubt_n) == pytest.approx(100.0, abs=0.1)
    assert not np.isfinite(weigher.force_now()[1])
    weigher.zero()  # the bowyer says so
    assert weigher.force_now()[1] == pytest.approx(0.0, abs=0.1)
    assert weigher.doubt_n == 0.0


def test_the_force_of_a_moment(small_recording: Path) -> None:
    from tiller.live.live_force import Weigher

    cell = read_recording(small_recording).rig.load_cell
    weigher = Weigher(cell)
    assert np.isnan(weigher.force_at(1.0))
    zero = [cell.zero_counts] * 100
    rising = [cell.zero_counts + k * cell.counts_per_newton for k in range(100)]  # 1 N each reading
    lines = [(0.0125 * k, line_of("W", 12 * k, round(counts))) for k, counts in enumerate(zero)]
    weigher.feed(tuple(lines))
    weigher.zero()
    weigher.feed(
        tuple((1.25 + 0.0125 * k, line_of("W", 1250 + 12 * k, round(counts))) for k, counts in enumerate(rising))
    )
    newest_s, newest_n = weigher.force_now()
    assert weigher.force_at(newest_s + 1.0) == pytest.approx(newest_n)
    # readings are medians of three, each with the time of the last of them: one reading behind
    for k in (10.0, 20.5, 57.3):
        assert weigher.force_at(1.25 + 0.0125 * k) == pytest.approx(k - 1.0, abs=0.05)
