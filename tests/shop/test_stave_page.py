"""A stave in the window: begun, weighed, its days noted by a guided job; what is no answer is asked again, and nothing wrong is written."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tiller.bow.stavefile import read_stave
from tiller.bow.units import kg_from_lb
from tiller.errors import TillerError
from tiller.quantity import plain
from tiller.setup.field import Field
from tiller.setup.guided.staves import day_of, stave_job, step_of, write_stave
from tiller.setup.guided.talk import Left, Talk, run

TODAY = date.today()


class Scripted(Talk):
    """A talk whose answers stand already; what was asked and what was refused is kept."""

    def __init__(self, typed: tuple[str, ...], metric: bool) -> None:
        super().__init__(metric)
        self.typed = list(typed)
        self.asked: list[str] = []
        self.faults: list[str] = []

    def ask_as(self, field: Field, read: Callable[[str], Any], sentence: str = "") -> Any:
        self.show(question=field, fault="", sentence=sentence)
        while True:
            self.asked.append(field.key)
            try:
                value = read(self.typed.pop(0))
            except TillerError as err:
                self.faults.append(plain(err.marked))
                continue
            self.show(question=None)
            return value


def job(home: Path, *typed: str, name: str = "", metric: bool = True, taken: frozenset[str] = frozenset()) -> Scripted:
    """The job with these answers; all of them are taken, unless it ends with a fault."""
    talk = Scripted(typed, metric)
    run(stave_job(home, name, taken), talk).join(60.0)
    assert talk.moment.ended
    assert bool(talk.typed) != talk.moment.good, talk.moment.fault
    return talk


def test_a_stave_is_begun_weighed_and_its_days_are_noted(home: Path) -> None:
    felled = TODAY - timedelta(days=40)
    split = TODAY - timedelta(days=39)
    typed = ("orchard ash", "white ash", str(felled), "160", f"split {split}", "Ends sealed", "", "3,25")
    moment = job(home, *typed).moment
    assert moment.picture is None  # one weigh-in is no curve
    stave = read_stave(home / "bows" / "orchard ash" / "stave.toml")
    assert (stave.name, stave.wood, stave.log_diameter_mm) == ("orchard ash", "white ash", 160.0)
    assert stave.dates == {"felled": felled, "split": split, "ends_sealed": TODAY}
    assert [(w.on, w.mass_kg) for w in stave.weighings] == [(TODAY, 3.25)]
    assert any("1 weigh-in, last 3.250 kg" in line for line in moment.found), moment.found
    # again on the same day: in its place; in pounds
    job(home, "", "7 lb", name="orchard ash", metric=False)
    again = read_stave(home / "bows" / "orchard ash" / "stave.toml").weighings
    assert [w.on for w in again] == [TODAY]
    assert again[0].mass_kg == pytest.approx(kg_from_lb(7.0), abs=1e-3)
    path = home / "bows" / "orchard ash" / "stave.toml"
    write_stave(path, "orchard ash", {"weighings": [{"on": TODAY - timedelta(days=9), "mass_kg": 3.3}]})
    picture = job(home, "", "", name="orchard ash").moment.picture  # nothing new: it is looked at
    assert picture is not None
    assert picture.ndim == 3
    assert len(np.unique(picture)) > 8


def test_all_but_name_and_wood_may_be_left_out(home: Path) -> None:
    moment = job(home, "hedge", "osage", "", "", "", "").moment
    assert moment.picture is None
    told = tomllib.loads((home / "bows" / "hedge" / "stave.toml").read_text())
    assert told == {"name": "hedge", "wood": "osage"}


def test_what_is_no_answer_is_asked_again_and_not_written(home: Path) -> None:
    path = home / "bows" / "elm" / "stave.toml"
    far = TODAY + timedelta(days=2)
    talk = job(
        home, "a/b", "", "elm", "white ahs", "elm", "last winter", str(far), "", "9", "160", "", "heavy", "61", "2.5"
    )
    assert talk.asked == [*["name"] * 3, *["wood"] * 2, *["felled"] * 3, *["log"] * 2, "step", *["mass"] * 3]
    assert len(talk.faults) == 8
    assert "is white ash meant?" in talk.faults[2]
    assert f"{far} lies after today" in talk.faults[4]
    assert read_stave(path).weighings[0].mass_kg == 2.5
    early = TODAY - timedelta(days=3)
    write_stave(path, "elm", {"felled": early, "weighings": [{"on": early, "mass_kg": 2.6}]})
    before = path.read_bytes()
    # a split before the felling, a word that is no step, a slip of the point: refused, and the file stays as it was
    talk = job(home, f"split {early - timedelta(days=1)}", "sawn", "", "25", "", name="elm")
    assert path.read_bytes() == before
    said = [word in fault for word, fault in zip(("felling", "none of", "point"), talk.faults, strict=True)]
    assert said == [True] * 3
    # a name that is taken, in the shop or only in its book
    talk = job(home, "elm", "Hedge", "other", "sapwood", "", "", "", "", taken=frozenset({"hedge"}))
    assert talk.asked[:4] == ["name", "name", "name", "wood"]
    broken = home / "bows" / "broken" / "stave.toml"
    broken.parent.mkdir()
    broken.write_text("wood = 3\n")
    wrong = job(home, "2.0", name="broken").moment
    assert not wrong.good
    assert "name" in wrong.fault
    assert broken.read_text() == "wood = 3\n"


def test_a_day_on_record_is_not_replaced_without_a_word(home: Path) -> None:
    path = home / "bows" / "elm" / "stave.toml"
    then, now = TODAY - timedelta(days=30), TODAY - timedelta(days=2)
    write_stave(path, "elm", {"wood": "elm", "split": then})
    talk = job(home, "split", f"split {now}", "", "", name="elm")
    assert f"as of {then}" in talk.faults[0]
    assert read_stave(path).dates["split"] == now


def test_what_was_taken_off_is_no_slip_of_the_point(home: Path) -> None:
    path = home / "bows" / "elm" / "stave.toml"
    week = TODAY - timedelta(days=7)
    write_stave(path, "elm", {"wood": "elm", "weighings": [{"on": week, "mass_kg": 6.0}]})
    assert "point" in job(home, "", "1.9", "", name="elm").faults[0]
    assert not job(home, "roughed out", "", "1.9", name="elm").faults
    assert "point" in job(home, "", "7.9", "", name="elm").faults[0]  # and nothing came onto it
    assert [w.mass_kg for w in read_stave(path).weighings] == [6.0, 1.9]


def test_what_was_answered_is_kept_when_it_is_left(home: Path) -> None:
    class LeftThere(Scripted):
        def ask_as(self, field: Field, read: Callable[[str], Any], sentence: str = "") -> Any:
            if field.key == "log":
                raise Left
            return super().ask_as(field, read, sentence)

    talk = LeftThere(("elm", "elm", str(TODAY)), True)
    run(stave_job(home), talk).join(60.0)
    assert talk.moment.ended
    stave = read_stave(home / "bows" / "elm" / "stave.toml")
    assert (stave.wood, stave.dates) == ("elm", {"felled": TODAY})


def test_days_and_steps_as_they_are_typed() -> None:
    today = date(2026, 5, 20)
    assert step_of("Split", today) == ("split", today)
    assert step_of("ends-sealed 2026-05-01", today) == ("ends_sealed", date(2026, 5, 1))
    assert step_of("roughed out  2026-05-20", today) == ("roughed_out", today)
    assert day_of(" 2026-05-20 ", today) == today
    for wrong in ("sawn", "splits", "split tomorrow", "split 2026-05-21", "bark"):
        with pytest.raises(TillerError):
            step_of(wrong, today)
    for wrong in ("", "2026-13-01", "2026-05-21"):
        with pytest.raises(TillerError):
            day_of(wrong, today)


def test_what_was_counted_and_found_is_told_in_a_few_words(home: Path) -> None:
    path = home / "bows" / "elm" / "stave.toml"
    write_stave(path, "elm", {"wood": "American elm"})
    typed = (
        "rings 14",
        "Ring 0.1 in",
        "chased ring",
        "air 18C 55%",
        "offcut 52,1 44.8 2.43",
        "wanted 9",
        "left knot 310-340",
        "right cut ring 12-13 in",
        "rings 4000",
        "left knot 310-",
        "",
        "",
    )
    talk = job(home, *typed, name="elm")
    stave = read_stave(path)
    assert (stave.rings, stave.ring_mm, stave.back, stave.wanted_moisture) == (
        14,
        pytest.approx(2.54),
        "chased ring",
        9,
    )
    assert (stave.temperature_c, stave.humidity) == (18.0, pytest.approx(0.55))
    assert stave.offcut is not None
    assert stave.offcut.moisture == pytest.approx(100 * (52.1 - 44.8) / 44.8)  # by its definition: water over dry wood
    places = [(str(f.limb), f.feature.kind, f.feature.from_mm, f.feature.to_mm) for f in stave.features]
    assert places == [("left", "knot", 310.0, 340.0), ("right", "cut ring", pytest.approx(304.8), pytest.approx(330.2))]
    assert "1 to 1000 rings" in talk.faults[0]
    assert "none of" in talk.faults[1]
    # in inches where those are shown
    job(home, "left check 2 - 3", "", "", name="elm", metric=False)
    assert [f.feature.from_mm for f in read_stave(path).features if f.feature.kind == "check"] == [pytest.approx(50.8)]
