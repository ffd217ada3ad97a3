"""Setting up the rack step by step, as the window does it: each guided job with answers as they would be typed, its camera a video of rendered boards
with known truth, its scale a board on a pseudo-terminal. Lens, rack and load cell come out as they were made.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.calibrate import test_board, test_lens
from tests.calibrate.paint import Camera
from tests.calibrate.staged import HungScale, video
from tests.display import on_display
from tiller.bow.rigfile import read_cell, read_rig
from tiller.bow.units import KG_PER_LB
from tiller.errors import SourceFault, TillerError
from tiller.force.calibrate import normal_gravity, weight_n
from tiller.quantity import plain
from tiller.report.style import Units
from tiller.setup.field import Field
from tiller.setup.guided import weights
from tiller.setup.guided.cards import NAMES, cards_of, usual_lath_mm
from tiller.setup.guided.choice import TILE, choose_camera
from tiller.setup.guided.pictures import lens_job, rack_job, tape_pairs
from tiller.setup.guided.sees import edge_px, oblique_deg, what_it_sees
from tiller.setup.guided.talk import Moment, Talk, run
from tiller.setup.guided.weights import check_job, greeted, masses_kg, scale_job
from tiller.sources.found import Found
from tiller.window.canvas import Sketch
from tiller.window.look import DARK, LIGHT
from tiller.window.shop.setup_sheet import SetupShown, draw_rack_setup

TODAY = date(2026, 11, 27)
WAIT_S = 180.0
LATITUDE_DEG = 47.0


@dataclass(frozen=True)
class Stage:
    """Videos and what is true of them."""

    lens: Path
    rack: Path
    check: Path
    centres_mm: dict[int, np.ndarray]
    pictures: list[np.ndarray]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Stage:
    folder = tmp_path_factory.mktemp("stage")
    camera = Camera(test_board.MATRIX, test_board.DISTORTION, test_board.SIZE)
    sheet = test_lens.board_sheet()
    poses = test_lens.poses(22, np.random.default_rng(12))
    truth, sheets = test_board.rack(np.random.default_rng(9))
    rack = test_board.pictures(camera, sheets, 9)
    return Stage(
        video(folder / "lens.avi", [camera.shoot(pose, [sheet], seed=k) for k, pose in enumerate(poses)]),
        video(folder / "rack.avi", rack),
        video(folder / "check.avi", [rack[0]]),
        truth,
        rack,
    )


def driven(job: Callable[[Talk], None], answer: Callable[[Field], str], metric: bool = True) -> Moment:
    """The job's last moment, each question answered as it comes; one that is refused is a failure."""
    talk = Talk(metric)
    thread = run(job, talk)
    asked: Field | None = None
    until = time.monotonic() + WAIT_S
    while not talk.moment.ended:
        assert time.monotonic() < until, talk.moment
        question = talk.moment.question
        if question is not None and question is not asked:
            asked = question
            talk.answer(answer(question))
        assert not (question is asked and talk.moment.fault), talk.moment.fault
        time.sleep(0.002)
    thread.join(10.0)
    assert not thread.is_alive()
    return talk.moment


def tape_of(stage: Stage, question: str) -> float:
    a, b = (int(n) for n in re.findall(r"fiducial (\d+)", question))
    return float(np.linalg.norm(stage.centres_mm[a] - stage.centres_mm[b]))


@pytest.fixture(scope="module")
def measured(stage: Stage, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig's file in which lens and rack were found by their jobs."""
    folder = tmp_path_factory.mktemp("measured")
    rig = folder / "rig.toml"
    typed: list[str] = []

    def answer(field: Field) -> str:
        given = {"bar": "", "apart": "1500", "up": "", "thick": "20"}.get(field.key, "")
        if field.key == "tape":
            given = f"{tape_of(stage, field.question):.1f}"
        typed.append(given)
        return given

    lens = driven(lens_job(str(stage.lens), rig, TODAY.isoformat()), answer)
    assert lens.good, lens.fault
    assert lens.taken == lens.wanted == 18
    rack = driven(rack_job(str(stage.rack), rig, folder / "pictures", TODAY.isoformat()), answer)
    assert rack.good, rack.fault
    assert sum(1 for given in typed if given) == 4  # lath, its thickness, two tapes; the rest is Enter
    return rig


def test_lens_and_rack_come_out_as_they_were_made(stage: Stage, measured: Path) -> None:
    found = read_rig(measured)
    true = test_board.MATRIX
    assert found.lens.matrix[0, 0] == pytest.approx(true[0, 0], rel=0.005)
    assert found.lens.matrix[:2, 2] == pytest.approx(true[:2, 2], abs=6.0)
    assert found.bow_plane_z_mm == pytest.approx(test_board.PLANE_MM, abs=1.5)
    between = [np.linalg.norm(np.subtract(a.centre_mm, b.centre_mm)) for a in found.fiducials for b in found.fiducials]
    truth = stage.centres_mm
    wanted = [np.linalg.norm(truth[a.id] - truth[b.id]) for a in found.fiducials for b in found.fiducials]
    assert (
        np.sqrt(np.mean(np.square(np.subtract(between, wanted)))) < 1.5
    )  # two tapes of half a millimetre, and the lath


def test_the_check_sees_the_lath_and_one_that_is_another(stage: Stage, measured: Path, tmp_path: Path) -> None:
    rig = Path(shutil.copy(measured, tmp_path / "rig.toml"))
    lath = {"apart": "", "thick": "20"}
    good = driven(check_job(str(stage.check), "", rig, TODAY.isoformat(), 1500.0), lambda field: lath[field.key])
    assert good.good
    assert "good" in good.found[0]
    assert usual_lath_mm(rig) == 1500.0
    half = cards_of(rig, "0", TODAY)[4]
    assert half.state == "works"
    assert "other half" in half.figure
    lath["apart"] = "1490"
    off = driven(check_job(str(stage.check), "", rig, TODAY.isoformat(), 1500.0), lambda field: lath[field.key])
    assert "off" in off.found[0]
    assert cards_of(rig, "0", TODAY)[4].state == "wrong"


class Hand:
    """Hangs what a question asks for."""

    def __init__(self, metric: bool = True) -> None:
        self.load_n, self.metric, self.asked = 0.0, metric, ""
        self.gravity = normal_gravity(np.deg2rad(LATITUDE_DEG))

    def __call__(self, field: Field) -> str:
        self.asked += f"{field.question}\n"
        if field.kind == "enter":
            mass = re.search(r"[Hh]ang ([\d.]+) (kg|lb)", field.question)
            if mass:
                kg = float(mass.group(1)) * (1.0 if mass.group(2) == "kg" else KG_PER_LB)
                self.load_n = weight_n(kg, self.gravity)
            elif "ang nothing" in field.question:
                self.load_n = 0.0
            return ""
        loads = "2, 5, 10, 15, 20" if self.metric else "5 10 20 30 40"
        return {"latitude": f"{LATITUDE_DEG:g}", "series": "quick", "masses": loads, "mass": "10"}[field.key]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings of a fifth of a second each; the pseudo-terminal's load is there at once."""
    from tiller.setup.capture import settled

    monkeypatch.setattr(weights, "settled", lambda scale: settled(scale, 0.15, 0.4))


@pytest.mark.parametrize("metric", [True, False])
@pytest.mark.usefixtures("quick")
def test_the_scale_is_found_by_its_greeting_and_calibrated(tmp_path: Path, metric: bool) -> None:
    hand = Hand(metric)
    scale = HungScale(lambda: hand.load_n)
    rig, used = tmp_path / "rig.toml", []
    try:
        ports = (str(tmp_path / "no-port"), scale.where)
        job = scale_job(ports, rig, tmp_path / "kept" / "scale.csv", TODAY.isoformat(), used.append)
        last = driven(job, hand, metric)
        assert last.good, last.fault
        assert used == [scale.where]
        cell = read_cell(rig)
        assert cell.counts_per_newton == pytest.approx(6000.0, rel=0.002)
        assert 0.001 <= cell.sensitivity_sd < 0.01  # one series only: said as less sure
        assert cell.calibrated == TODAY.isoformat()
        assert len((tmp_path / "kept" / "scale.csv").read_text().splitlines()) == 12
        assert last.taken == last.wanted == 11
        card = cards_of(rig, "", TODAY)[3]
        assert card.state in ("good", "works")
        again = driven(check_job("", scale.where, rig, TODAY.isoformat(), float("nan")), hand, metric)
        assert "as it was calibrated" in again.found[-1]
        hand.gravity *= 1.02  # as a cell would read that has drifted by 2 %
        drifted = driven(check_job("", scale.where, rig, TODAY.isoformat(), float("nan")), hand, metric)
        assert "drifted" in drifted.found[-1]
        assert cards_of(rig, "", TODAY)[4].state == "wrong"
    finally:
        scale.close()


def test_no_scale_says_what_each_port_did(tmp_path: Path) -> None:
    with pytest.raises(SourceFault, match="no serial port is found"):
        greeted((), lambda _: None)
    with pytest.raises(SourceFault, match="cannot be opened"):
        greeted((str(tmp_path / "none"),), lambda _: None)


def test_masses_as_they_are_typed() -> None:
    assert masses_kg("2, 5, 10, 15, 20", metric=True) == (2.0, 5.0, 10.0, 15.0, 20.0)
    assert masses_kg("20 15 10 5 2 kg", metric=False) == (2.0, 5.0, 10.0, 15.0, 20.0)
    assert masses_kg("2,5; 5; 10; 15; 20", metric=True)[0] == 2.5
    # the pound is 0.45359237 kg by definition (international yard and pound, 1959)
    assert masses_kg("10, 20, 30, 40, 50", metric=False)[0] == pytest.approx(4.5359237)
    assert masses_kg("2kg, 5kg, 10kg, 15kg, 20kg", metric=False) == (2.0, 5.0, 10.0, 15.0, 20.0)
    assert masses_kg("1 1/2, 5, 10, 15, 20", metric=True)[0] == 1.5
    for wrong in (
        "2 kg, 5 lb, 10, 15, 20",
        "",
        "2, 5, 10",
        "2, 5, 10, 15, ten",
        "2, 2, 5, 10, 15",
        "-2, 5, 10, 15, 20",
        "10, 11, 12, 13, 14",
        "1/0, 2",
    ):
        with pytest.raises(TillerError):
            masses_kg(wrong, metric=True)


def test_answers_that_are_none_are_asked_again_and_a_job_can_be_left(stage: Stage, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    talk = Talk()
    thread = run(lens_job(str(stage.lens), rig, TODAY.isoformat()), talk)

    def waits(check: Callable[[Moment], bool]) -> None:
        until = time.monotonic() + WAIT_S
        while not check(talk.moment):
            assert time.monotonic() < until, talk.moment
            time.sleep(0.005)

    waits(lambda m: m.question is not None)
    for typed, said in (("abc", "no number"), ("97", "another scale"), ("900", "is not within")):
        talk.answer(typed)
        waits(lambda m, said=said: said in m.fault)  # type: ignore[misc]
    talk.answer("100")
    waits(lambda m: m.picture is not None)
    talk.leave()
    thread.join(30.0)
    assert not thread.is_alive()
    assert talk.moment.ended
    assert not talk.moment.good
    assert not rig.exists()
    first = driven(rack_job(str(stage.rack), rig, tmp_path / "p", TODAY.isoformat()), lambda _: "")
    assert "lens comes first" in first.fault
    gone = driven(lens_job(str(tmp_path / "none.avi"), rig, TODAY.isoformat()), lambda _: "")
    assert "is no camera" in gone.fault
    text = tmp_path / "text.avi"
    text.write_text("no video")
    assert "cannot be played" in driven(lens_job(str(text), rig, TODAY.isoformat()), lambda _: "").fault


def test_a_slip_of_the_tape_does_not_cost_the_pictures(stage: Stage, measured: Path, tmp_path: Path) -> None:
    rig = Path(shutil.copy(measured, tmp_path / "rig.toml"))
    slips = iter((25.0, 0.0))
    usual: list[str] = []

    def answer(field: Field) -> str:
        if field.key == "tape":
            usual.append(field.usual)
            if len(usual) <= 2:
                return f"{tape_of(stage, field.question) + next(slips):.1f}"
            return f"{tape_of(stage, field.question):.1f}"
        return {"apart": "1500"}.get(field.key, "")

    last = driven(rack_job(str(stage.rack), rig, tmp_path / "pictures", TODAY.isoformat()), answer)
    assert last.good, last.fault
    assert len(usual) == 4
    assert usual[:2] == ["", ""]
    assert all(float(text) > 0 for text in usual[2:])  # what was typed before is offered
    assert read_rig(rig).bow_plane_z_mm == pytest.approx(test_board.PLANE_MM, abs=1.5)


def test_a_lens_found_anew_makes_the_rack_due_and_a_lost_camera_is_said(measured: Path, tmp_path: Path) -> None:
    from tiller.bow.rigfile import Lens
    from tiller.setup.rig_writer import put_lens

    rig = Path(shutil.copy(measured, tmp_path / "rig.toml"))
    assert cards_of(rig, "0", TODAY)[2].state in ("good", "works")
    old = read_rig(rig).lens
    put_lens(rig, Lens((1280, 720), old.matrix * [[2 / 3], [2 / 3], [1.0]], old.distortion), TODAY.isoformat(), 0.3)
    rack = cards_of(rig, "0", TODAY)[2]
    assert rack.state == "wrong"
    assert "another lens" in rack.fault
    assert cards_of(rig, "0 (not found now)", TODAY, camera_there=False)[0].state == "wrong"
    text = measured.read_text()
    assert "hook_found = true" in text
    rig.write_text(text.replace("hook_found = true", "hook_found = false"))
    assert "hook was not found" in cards_of(rig, "0", TODAY)[2].fault


def test_each_camera_shows_its_picture_and_the_touched_one_is_used(stage: Stage, tmp_path: Path) -> None:
    """Two videos for cameras, and one that is none: the rack's picture stands in the second field, and a touch there takes it."""
    cameras = (
        Found(str(stage.lens), "desk"),
        Found(str(tmp_path / "none.avi"), "gone"),
        Found(str(stage.check), "rack"),
    )
    used: list[str] = []
    shown: list[Moment] = []
    talk = Talk()
    thread = run(choose_camera(cameras, cameras[0].where, used.append), talk)

    def wait_for(there: Callable[[Moment], bool]) -> Moment:
        until = time.monotonic() + WAIT_S
        while not there(talk.moment):
            assert time.monotonic() < until, talk.moment
            time.sleep(0.01)
        shown.append(talk.moment)
        return talk.moment

    moment = wait_for(lambda m: m.question is not None)
    sheet = moment.picture
    assert sheet is not None
    assert [d.text for d in moment.dots] == ["1 desk", "2 gone", "3 rack"]
    assert "used now" in moment.found[0]
    assert "none.avi" in moment.found[1]
    # the tile is the camera's picture, made smaller; the video begins with its negative
    small = cv2.resize(255 - stage.pictures[0], TILE, interpolation=cv2.INTER_AREA).reshape(TILE[1], TILE[0], -1)
    tile = sheet[TILE[1] :, : TILE[0]]
    alike = np.corrcoef(tile.mean(axis=2).ravel(), small.mean(axis=2).ravel())[0, 1]
    assert alike > 0.9
    assert np.ptp(sheet[: TILE[1], TILE[0] :]) == 0  # none: grey
    talk.answer(f"{1.5 * TILE[0]} {0.5 * TILE[1]}")  # the one that gives no picture
    assert "gives no picture" in plain(wait_for(lambda m: bool(m.fault)).fault)
    talk.answer(f"{1.5 * TILE[0]} {1.5 * TILE[1]}")  # beside them
    wait_for(lambda m: "no camera's picture there" in m.fault)
    talk.answer(f"{0.5 * TILE[0]} {1.5 * TILE[1]}")
    thread.join(WAIT_S)
    assert talk.moment.ended
    assert used == [str(stage.check)]
    again = Talk()
    thread = run(choose_camera(cameras[:1] + cameras[2:], cameras[0].where, used.append), again)
    while again.moment.question is None:
        time.sleep(0.01)
    again.answer("")  # Enter: as it is
    thread.join(WAIT_S)
    assert used == [str(stage.check)]


def test_what_was_pressed_before_a_question_is_no_answer_to_it() -> None:
    talk = Talk()
    talk._moment = Moment(question=Field(key="x", question="x", kind="enter"))
    talk.answer("")
    talk.answer("")
    seen: list[str] = []

    def job(one: Talk) -> None:
        seen.append(str(one.ask(Field(key="w", question="A word", kind="text"))))

    thread = run(job, talk)
    until = time.monotonic() + WAIT_S
    while talk.moment.question is None or talk.moment.question.key != "w":
        assert time.monotonic() < until
    time.sleep(0.05)
    assert not talk.moment.fault
    talk.answer("word")
    thread.join(10.0)
    assert seen == ["word"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_the_program_ends_the_job_and_is_said() -> None:
    talk = Talk()

    def job(_: Talk) -> None:
        raise ZeroDivisionError

    run(job, talk).join(10.0)
    assert "fault of the program" in talk.moment.fault
    assert talk.moment.ended
    assert not talk.moment.good


def test_the_tapes_lie_across_each_other() -> None:
    square = {
        ("DICT_APRILTAG_36h11", k): np.array([[x, y]] * 4) + np.array([[0, 0], [9, 0], [9, 9], [0, 9]])
        for k, (x, y) in enumerate(((0.0, 0.0), (1000.0, 0.0), (1000.0, 500.0), (0.0, 500.0)))
    }
    first, second = tape_pairs([square])
    ways = [square[b][0] - square[a][0] for a, b in (first, second)]
    assert np.linalg.norm(ways[0]) == pytest.approx(np.hypot(1000, 500))
    cosine = abs(ways[0] @ ways[1]) / np.linalg.norm(ways[0]) / np.linalg.norm(ways[1])
    assert cosine < 0.71


def test_what_the_camera_sees(stage: Stage) -> None:
    picture = cv2.cvtColor(stage.pictures[0], cv2.COLOR_GRAY2BGR)
    good = what_it_sees(picture)
    assert good.hints == ()
    assert {d.text for d in good.dots} >= {"0", "1", "2", "3", "4", "5", "20"}
    dark = what_it_sees((picture * 0.2).astype(np.uint8))
    assert any("dark" in h for h in dark.hints)
    assert any(
        "burnt out" in h for h in what_it_sees(np.clip(picture.astype(int) + 130, 0, 255).astype(np.uint8)).hints
    )
    assert any("blurred" in h for h in what_it_sees(cv2.GaussianBlur(picture, (0, 0), 3.0)).hints)
    assert any("no fiducial" in h for h in what_it_sees(np.full_like(picture, 128)).hints)
    from tiller.setup.guided.keep import KEYS
    from tiller.vision.rig.board import find_markers

    corner = int(min(quad[:, 0].min() for quad in find_markers(stage.pictures[0], KEYS).values()))
    assert any("rim" in h for h in what_it_sees(np.ascontiguousarray(picture[:, corner - 4 :])).hints)


def test_blur_and_angle_by_their_definitions() -> None:
    """A square blurred by a Gaussian of known sd; a square seen by a parallel projection at a known angle (cosine)."""
    base = np.full((400, 400), 220, dtype=np.uint8)
    base[100:300, 100:300] = 30
    quad = np.array([[99.5, 99.5], [299.5, 99.5], [299.5, 299.5], [99.5, 299.5]])
    for sd in (2.0, 4.0):
        assert edge_px(cv2.GaussianBlur(base, (0, 0), sd), quad) == pytest.approx(sd, rel=0.1)
    for degrees in (20.0, 50.0):
        flat = quad * np.array([np.cos(np.deg2rad(degrees)), 1.0])
        turn = np.deg2rad(33.0)
        turned = flat @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        assert oblique_deg(turned) == pytest.approx(degrees, abs=0.5)


def test_cards_say_what_is_done_and_when_again(measured: Path, tmp_path: Path) -> None:
    none = cards_of(tmp_path / "rig.toml", "", TODAY)
    assert tuple(c.name for c in none) == NAMES
    assert {c.state for c in none} == {"not done"}
    cards = {c.name: c for c in cards_of(measured, "0", TODAY)}
    assert cards["lens"].state in ("good", "works")
    assert cards["rack"].state in ("good", "works")
    assert cards["lens"].again == (TODAY + timedelta(days=365)).isoformat()
    assert "before the board" in plain(cards["rack"].figure)
    assert cards["scale"].state == "not done"
    later = {c.name: c for c in cards_of(measured, "0", TODAY + timedelta(days=200))}
    assert later["rack"].state == "due"
    assert later["lens"].state in ("good", "works")
    broken = tmp_path / "broken.toml"
    broken.write_text("camera = [[")
    assert {c.state for c in cards_of(broken, "0", TODAY)[1:]} == {"wrong"}
    assert all("not valid TOML" in c.fault for c in cards_of(broken, "0", TODAY)[1:])


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (2560, 1440), (3840, 2160)])
@pytest.mark.parametrize("metric", [True, False])
def test_nothing_runs_out_of_the_sheet(stage: Stage, measured: Path, size: tuple[int, int], metric: bool) -> None:
    cards = cards_of(measured, "2 (a camera with a name that goes on and on)", TODAY)
    picture = cv2.cvtColor(stage.pictures[0], cv2.COLOR_GRAY2BGR)
    asks = Field(
        key="tape",
        question="Tape from the middle of fiducial 0 to the middle of fiducial 4",
        kind="mm",
        low=50,
        high=20_000,
    )
    sees = what_it_sees(picture)
    moments = (
        None,
        Moment(
            sentence="Hold the lens board where the bow will be. " * 3,
            picture=picture,
            fields=np.zeros((4, 6), dtype=int),
            taken=3,
            wanted=18,
        ),
        Moment(
            picture=picture,
            dots=sees.dots,
            tape=sees.dots[:2],
            question=asks,
            fault="no number of millimetres: 'abc'. " * 2,
            found=("a line " * 20,) * 30,
        ),  # type: ignore[arg-type]
        Moment(ended=True, good=True, sentence="kept.", found=("a line",) * 5),
        Moment(ended=True, fault="the camera was lost: check its cable. " * 4),
    )
    for moment in moments:
        sheet = Sketch(*size)
        shown = SetupShown(
            title="",
            cards=cards,
            chosen=1,
            camera="2 (a camera with a name that goes on and on and on)",
            scale="/dev/ttyUSB0 (a converter with a long name)",
            message="the last answer",
            moment=moment,
            aspect=16 / 9 if moment is not None and moment.picture is not None else 0.0,
            size_px=(1920, 1080),
        )
        draw_rack_setup(sheet, shown, Units(metric), DARK if metric else LIGHT)
        for text in sheet.placed:
            assert text.x >= -1, text
            assert text.x + text.width <= size[0] + 1, text
            assert text.y >= 0, text
            assert text.y + text.height <= size[1] + 1, text


WHOLE = """
import json, re, sys, time
from pathlib import Path
from tests.shop.test_rack_setup import Hand, Stage, tape_of
from tests.calibrate.staged import HungScale
import numpy as np
from tiller.setup.guided import weights
from tiller.setup.capture import settled
from tiller.setup.settings import Settings
from tiller.window.shop.app import ShopApp
weights.settled = lambda scale: settled(scale, 0.15, 0.4)
home, stage = Path(sys.argv[1]), json.loads(sys.argv[2])
told = Stage(Path(stage["lens"]), Path(stage["rack"]), Path(stage["check"]), {int(k): np.array(v) for k, v in stage["centres"].items()}, [])
hand = Hand()
scale = HungScale(lambda: hand.load_n)
app = ShopApp(home, home / "book.sqlite3", Settings(scale=scale.where), (1280, 720))
typed, shots = [], Path(sys.argv[3])

def until(check):
    end = time.monotonic() + 240
    while not check():
        assert time.monotonic() < end, (app._setup.moment if app._setup else None, app.message)
        app.frame()

def answers():
    asked = None
    page = app._setup
    while not page.moment.ended:
        question = page.moment.question
        if question is not None and question is not asked:
            asked = question
            text = {"bar": "", "apart": "", "up": "", "thick": ""}.get(question.key)
            if question.key == "tape":
                text = f"{tape_of(told, question.question):.1f}"
            if text is None:
                text = hand(question)
            typed.extend(re.findall(r"[\\d.]+", text))
            app.frame()
            if question.key == "tape" or (question.key == "masses"): app.frame(); app.shoot(shots / f"{question.key}.png")
            app.press("=" + text if question.kind != "enter" else "Enter")
        app.frame()
        if page.moment.taken == 9 and not (shots / "lens.png").exists(): app.shoot(shots / "lens.png")
    print(page.moment.good, page.moment.fault)

for _ in range(3): app.frame()
app.press("R"); app.frame(); app.frame(); app.shoot(shots / "none.png")
page = app._setup
app.press("A"); until(lambda: page.typing); app.press("=" + str(told.check))
until(lambda: page.moment.picture is not None and page.moment.dots); app.frame(); app.shoot(shots / "camera.png")
app.press("Enter")
for card, where in (("lens", told.lens), ("rack", told.rack), ("scale", None), ("check", told.check)):
    if where is not None: app._use_camera(str(where)); app.frame(); page.refresh()
    assert page.cards[page.at].name == card, (page.at, card)
    app.press("Enter"); answers(); app.press("Enter")
app.frame(); app.frame(); app.shoot(shots / "done.png")
print(len(typed), [c.state for c in page.cards])
app.press("Escape"); app.frame(); print(app._setup is None)
app.close(); scale.close()
"""


def test_from_an_empty_home_to_a_rack_that_measures_by_keys_alone(stage: Stage, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    told = {
        "lens": str(stage.lens),
        "rack": str(stage.rack),
        "check": str(stage.check),
        "centres": {k: v.tolist() for k, v in stage.centres_mm.items()},
    }
    shots = Path(os.environ.get("SETUP_SHOTS", str(tmp_path)))
    said = on_display(WHOLE, str(home), json.dumps(told), str(shots), home=home, patience_s=600.0).splitlines()
    assert said[:4] == ["True "] * 4
    count, states = said[4].split(" ", 1)
    assert int(count) <= 12  # with a bow's eighteen some thirty
    assert "not done" not in states
    assert "wrong" not in states
    assert said[5] == "True"
    rig = read_rig(home / "rig.toml")
    assert rig.load_cell is not None
    assert rig.load_cell.counts_per_newton == pytest.approx(6000.0, rel=0.002)
    assert rig.bow_plane_z_mm == pytest.approx(test_board.PLANE_MM, abs=1.5)
    assert cv2.imread(str(shots / "done.png")) is not None
