"""Wood before the rack by question and answer, as the shop's window asks: a log's end by touch, a modulus by taps and by a load; the same by command."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.bench.logend import rings_hit, touches
from tests.bench.tap import tapped
from tests.shop.test_phone import SHIPPED
from tests.shop.test_stave_page import Scripted
from tests.wood.test_modulus import write_sound
from tiller.bow.stavefile import read_stave
from tiller.cli.entry import main
from tiller.errors import TillerError
from tiller.records.book import Book
from tiller.records.wood.findings import findings_of
from tiller.report.style import Units
from tiller.setup.guided.talk import run
from tiller.setup.wood.jobs import ring_touched, wood_job
from tiller.setup.wood.log import Asked, knots_of, read_log
from tiller.simulate.wood.logend import LogTruth, paint_log, random_log


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> tuple[LogTruth, Path]:
    truth = random_log(1)
    path = tmp_path_factory.mktemp("log") / "end.jpg"
    cv2.imwrite(str(path), paint_log(truth))
    return truth, path


def test_a_log_is_read_touched_up_and_split(log: tuple[LogTruth, Path], home: Path) -> None:
    truth, path = log
    pith, edge = touches(truth, np.random.default_rng(0))
    book = home / "book.sqlite3"
    with Book(book):
        pass
    typed = (
        "x", "m", "l", str(home / "none.jpg"), str(path), "9999 1", f"{pith[0]} {pith[1]}", *(f"{x} {y}" for x, y in edge[:4]), "", *(f"{x} {y}" for x, y in edge[4:]), "",
        "", "", "700 700", "", "5", "3", "", "brook ash", "white ash", "by the mill", "2026-03-01",
    )  # fmt: skip
    talk = Scripted(typed, True)
    run(wood_job(home, book, "", Units()), talk).join(200.0)
    assert talk.moment.good, talk.moment.fault
    assert not talk.typed
    assert [f[:30] for f in talk.faults] == [
        "'x' is none of L, M, B, F, P, R: type"[:30], "choose a stave in the list fir", f"{home / 'none.jpg'}"[:30], "that is outside of the picture",
        "'5' is none of 2, 3, 4, 6, 8: ", "the tree needs a name: type on",
    ]  # fmt: skip
    assert "Begun: brook ash 1" in talk.moment.sentence
    stave = read_stave(home / "bows" / "brook ash 1" / "stave.toml")
    assert (stave.tree, stave.place, stave.wood) == ("brook ash", "by the mill", "white ash")
    assert stave.log_diameter_mm == pytest.approx(2 * np.sqrt(float(np.mean(truth.rim**2))), abs=2.0)
    assert stave.back_radius_mm == stave.crown_radius_mm
    assert stave.crown_radius_mm is not None
    with Book(book) as shop:
        (row,) = findings_of(shop, "brook ash")
    assert row.kind == "log end"
    assert (home / row.picture).is_file()
    assert any("Rings beyond the core" in line for line in talk.moment.found)


def test_touching_up_takes_rings_away_and_adds_them(log: tuple[LogTruth, Path]) -> None:
    truth, path = log
    pith, edge = touches(truth, np.random.default_rng(0))
    image = np.asarray(cv2.imread(str(path)), dtype=np.uint8)
    read = read_log(image, Asked(pith_px=pith, edge_px=edge, rays_rad=(2.2,)), None)
    ray = read.end.rays[0]

    def place(radius: float) -> np.ndarray:
        way = np.array([np.cos(ray.angle_rad), np.sin(ray.angle_rad)])
        return read.end.face.pixels((read.end.rim.pith_mm + radius * way)[None])[0]

    fewer = ring_touched(read, place(ray.rings.ends_mm[5]))
    assert len(fewer.end.rays[0].rings.ends_mm) == len(ray.rings.ends_mm) - 1
    back = ring_touched(fewer, place(ray.rings.ends_mm[5]))
    assert back.end.rays[0].rings.ends_mm == pytest.approx(ray.rings.ends_mm, abs=0.3)
    # whoever looks can bring the count to the true one
    done = read
    for end in truth.ends_mm(2.2)[:-1]:
        if end > 6.0 and float(np.min(np.abs(done.end.rays[0].rings.ends_mm - end))) > 0.9:
            done = ring_touched(done, place(end))
    hit, all_, _ = rings_hit(truth, done.end.rim.pith_mm, 2.2, done.end.rays[0].rings.ends_mm, 1.2)
    assert hit == all_


def test_the_same_by_command(
    log: tuple[LogTruth, Path], home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    truth, path = log
    pith, edge = touches(truth, np.random.default_rng(0))
    words = [
        "log",
        str(path),
        "--pith",
        f"{pith[0]:.0f},{pith[1]:.0f}",
        "--edge",
        *(f"{x:.0f},{y:.0f}" for x, y in edge),
    ]
    drawn = tmp_path / "drawn.png"
    assert main([*words, "--flaw", "knot:40:30", "--drawn", str(drawn)]) == 0
    said = capsys.readouterr().out
    assert "across under the bark" in said
    assert "In 4:" in said
    assert "local rules" in said
    assert not (home / "bows").exists()
    picture = cv2.imread(str(drawn))
    assert picture is not None
    assert max(picture.shape) == 1600
    assert main([*words, "--split", "3", "--tree", "hill oak", "--wood", "white oak", "--felled", "2026-02-01"]) == 0
    assert read_stave(home / "bows" / "hill oak 1" / "stave.toml").tree == "hill oak"
    capsys.readouterr()
    for bad, says in (
        (["--split", "3"], "go together"),
        (["--split", "3", "--tree", "hill oak", "--wood", "white oak"], "already"),
        (["--width", "900"], "makes sense"),
        (["--rig", str(SHIPPED / "rig.toml")], "another size"),
        (["--flaw", "branch:3"], "is no flaw"),
    ):
        assert main([*words, *bad]) == 2
        assert says in capsys.readouterr().err
    # what may say no comes first: nothing is left of a try that failed
    junk = tmp_path / "junk.sqlite3"
    junk.write_bytes(b"no book at all" * 100)
    tree = ["--split", "3", "--tree", "lost oak", "--wood", "white oak", "--book", str(junk)]
    assert main([*words, *tree]) == 2
    assert not list((home / "bows").glob("lost*"))
    assert main(["log", str(path), "--pith", "1,1", "--edge", "2,2", "2,9000"]) == 2
    assert "is no place in a picture" in capsys.readouterr().err


def test_flaws_as_they_are_typed() -> None:
    knot, check = knots_of(["knot:90:30", "check:-10"])
    assert (knot.kind, knot.half_mm, knot.angle_rad) == ("knot", 15.0, pytest.approx(np.pi / 2))
    assert (check.kind, check.half_mm) == ("check", 0.0)
    for bad in ("knot", "knot:x", "knot:10:900", "twig:3"):
        with pytest.raises(TillerError, match="is no flaw"):
            knots_of([bad])


def test_a_modulus_by_taps_and_by_a_load(home: Path, tmp_path: Path) -> None:
    assert main(["stave", "dry ford", "--wood", "white oak"]) == 0
    one = tapped(2)
    sound = write_sound(tmp_path / "taps.wav", one.sound)
    sizes = ", ".join(
        f"{s:.0f}:{w:.1f}x{t:.1f}" for s, w, t in zip(one.bar.s_mm, one.bar.width_mm, one.bar.thickness_mm, strict=True)
    )
    file = home / "bows" / "dry ford" / "stave.toml"
    talk = Scripted(
        ("m", "0:4", sizes, "q", "", "99", f"{one.bar.mass_kg:.3f}", str(tmp_path / "no.wav"), str(sound)), True
    )
    run(wood_job(home, home / "book.sqlite3", "dry ford", Units()), talk).join(60.0)
    assert talk.moment.good, talk.moment.fault
    assert len(talk.faults) == 4
    by_taps = read_stave(file).modulus
    assert by_taps is not None
    assert by_taps.gpa == pytest.approx(one.modulus_gpa, rel=0.06)
    talk = Scripted(("b", "600", "30", "10", "2", "0.1", "2.9"), True)
    run(wood_job(home, home / "book.sqlite3", "dry ford", Units()), talk).join(60.0)
    assert talk.moment.good, talk.moment.fault
    by_load = read_stave(file).modulus
    assert by_load is not None
    assert by_load.gpa == pytest.approx(12.2, abs=0.2)
    assert "GPa" in talk.moment.sentence


def test_the_bow_s_place_by_question_and_answer(home: Path) -> None:
    assert main(["stave", "dry ford", "--wood", "white oak"]) == 0
    typed = (
        "p",
        "0:-34",
        "0:-34:32:0, 900:-20:46:14, 1860:-40:28:-8",
        "9:9",
        "700:10:12",
        "880",
        "45",
        "80",
        "12",
        "7",
        "1",
    )
    talk = Scripted(typed, True)
    run(wood_job(home, home / "book.sqlite3", "dry ford", Units()), talk).join(60.0)
    assert talk.moment.good, talk.moment.fault
    assert len(talk.faults) == 4
    assert "Taken over" in talk.moment.sentence
    assert len(read_stave(home / "bows" / "dry ford" / "stave.toml").features) == 1
    short = Scripted(("p", "0:-34:32, 600:-20:46, 1200:-40:28", "", "880", "45", "12"), True)
    run(wood_job(home, home / "book.sqlite3", "dry ford", Units()), short).join(60.0)
    assert "No bow of that size fits" in short.moment.sentence
