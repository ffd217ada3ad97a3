"""A stave's file: what is new put into it, and the guided job that begins one, weighs it and notes its days."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tiller.bow.bowfile import read_bow
from tiller.bow.stavefile import STEPS, Stave, onto_bow, parse_stave, read_stave
from tiller.bow.tomlcheck import LARGEST_TOML, load_toml
from tiller.bow.tomlwrite import toml, with_keys
from tiller.bow.wood.woods import find_wood, like_wood
from tiller.errors import FileFault, TillerError
from tiller.files import read_regular, write_whole
from tiller.mechanics.wood.season import season_of
from tiller.report.plots.drying import drying_plot
from tiller.report.style import Units
from tiller.report.text.stave import stave_words
from tiller.setup.field import Field
from tiller.setup.guided.stave_facts import EXAMPLES, fact_of
from tiller.setup.guided.talk import Talk
from tiller.setup.new_bow import name_fault

Place = tuple[str, str, float, float]
"""A feature: limb, kind, from and to, mm."""


def write_stave(
    path: Path, name: str, new: dict[str, Any], forget: Sequence[date] = (), gone: Sequence[Place] = ()
) -> None:
    """Puts what is new into a stave's file, which need not be there yet; nothing is written where that would make it wrong.

    Args:
        new: keys and tables as the file has them; forget: days of weigh-ins, and gone: features, to be taken away.

    Raises:
        FileFault, KeyFault: the file cannot be read or written, or would say something that cannot be.
        TillerError: what is to be taken away is not there; a feature lies beyond the limb of the bow beside it.
    """
    old = ""
    if path.exists():  # what is there must be a stave's file before anything is put into it
        parse_stave(load_toml(path), str(path), date.today())
        old = read_regular(path, LARGEST_TOML).decode("utf-8-sig")
    try:
        text = _together(old, new, name, forget, gone)
        _must_fit(path, parse_stave(tomllib.loads(text), str(path), date.today()))
    except tomllib.TOMLDecodeError as err:
        msg = f"{path} would be no TOML ({err}): nothing was written."
        raise FileFault(msg) from err
    write_whole(path, text.encode())


def _must_fit(path: Path, stave: Stave) -> None:
    """A feature must lie on the bow whose file is beside the stave's, if there is one.

    Raises:
        TillerError: one lies beyond a limb's nock, or the bow's file is wrong.
    """
    beside = path.with_name("bow.toml")
    if not beside.is_file():
        return
    try:
        onto_bow(beside.read_text(encoding="utf-8-sig"), read_bow(beside), stave, None)
    except ValueError as err:
        msg = f"{err} Nothing was written."
        raise TillerError(msg) from err


def _together(old: str, new: dict[str, Any], name: str, forget: Sequence[date], gone: Sequence[Place]) -> str:
    """A stave's file with what is new: single keys and tables in place of the old ones; weigh-ins by their day; features in place
    of those of their kind that they overlap. Remarks stay; those within what is written anew move to the top.

    Raises:
        TillerError: a weigh-in or a feature is to be forgotten that is not there.
        ValueError: the old text is no TOML.
    """
    had = tomllib.loads(old)
    text = old or toml({"name": name})
    new = dict(new)
    emptied = []
    if "weighings" in new or forget:
        rows = {row.get("on"): row for row in had.get("weighings", [])}
        for day in forget:
            if rows.pop(day, None) is None:
                msg = f"There is no weigh-in of {day} to forget; there are {', '.join(map(str, rows)) or 'none'}."
                raise TillerError(msg)
        rows |= {row["on"]: row for row in new.pop("weighings", [])}
        new |= {"weighings": [rows[day] for day in sorted(rows)]} if rows else {}
        emptied += [] if rows else ["weighings"]
    if "features" in new or gone:
        stands = [dict(f) for f in had.get("features", [])]
        for limb, kind, low, high in gone:
            left = [
                f
                for f in stands
                if (f.get("limb"), f.get("kind"), f.get("from_mm"), f.get("to_mm")) != (limb, kind, low, high)
            ]
            if len(left) == len(stands):
                there = ", ".join(
                    f"{f.get('limb')}:{f.get('kind')}:{f.get('from_mm'):g}-{f.get('to_mm'):g}" for f in stands
                )
                msg = f"There is no {limb}:{kind}:{low:g}-{high:g} to forget; there are {there or 'none'}."
                raise TillerError(msg)
            stands = left
        fresh = new.pop("features", [])
        for row in fresh:
            stands = [f for f in stands if not _overlap(f, row)]
        once = [f for k, f in enumerate(fresh) if f not in fresh[:k]]
        new |= {"features": [*stands, *once]} if stands or once else {}
        emptied += [] if stands or once else ["features"]
    return with_keys(text, new, emptied)


def _overlap(a: dict[str, Any], b: dict[str, Any]) -> bool:
    alike = (a.get("limb"), a.get("kind")) == (b["limb"], b["kind"])
    return alike and a.get("from_mm", 0) < b["to_mm"] and b["from_mm"] < a.get("to_mm", 0)


# -- the guided job ----------------------------------------------------------------------------------------------------

NAME = Field(
    key="name", question="What is the stave called? The bow that is made of it bears the same name.", kind="text"
)
WOOD = Field(key="wood", question="Its wood, by its name (such as hickory, osage, ash)", kind="text")
FELLED = Field(
    key="felled", question="The day on which the tree was felled, as 2026-03-14 (Enter alone: not known)", kind="text"
)
LOG = Field(
    key="log",
    question="The log's diameter under the bark, for the crown of the back (Enter alone: not known)",
    kind="mm",
    low=30,
    high=2000,
)
MASS = Field(key="mass", question="What does it weigh today? (Enter alone: not weighed)", kind="kg", low=0.05, high=60)
STEP = Field(
    key="step",
    question="What is new: felled, split, ends sealed, bark off, roughed out, with the day where it was not today"
    " (such as 'split 2026-03-14'), or what you counted and found; Enter alone: nothing more",
    kind="text",
)


def day_of(text: str, today: date) -> date:
    """A day as it is typed.

    Raises:
        TillerError: it is none, or lies after today.
    """
    try:
        on = date.fromisoformat(text.strip())
    except ValueError:
        msg = f"'{text}' is no day: type it as 2026-03-14, or Enter alone."
        raise TillerError(msg) from None
    if on > today:
        msg = f"{on} lies after today ({today}): type the day again, or Enter alone."
        raise TillerError(msg)
    return on


def step_of(text: str, today: date) -> tuple[str, date]:
    """Which step was taken, and when; today where no day is given.

    Raises:
        TillerError: it is none of them, or the day is none.
    """
    plain = " ".join(text.lower().replace("-", " ").replace("_", " ").split())
    for step in STEPS:
        words = step.replace("_", " ")
        if plain == words:
            return step, today
        if plain.startswith(words + " "):
            return step, day_of("-".join(plain[len(words) :].split()), today)
    msg = f"'{text}' is none of {', '.join(s.replace('_', ' ') for s in STEPS)}, nor as {EXAMPLES}: type one of them, or Enter alone."
    raise TillerError(msg)


def stave_job(home: Path, name: str = "", taken: frozenset[str] = frozenset()) -> Callable[[Talk], None]:
    """The job: a new stave where no name is given; weigh-in and days of one that is there.

    Args:
        home: the shop's folder; taken: names that are in use, in small letters.
    """

    def job(talk: Talk) -> None:
        today = date.today()
        called = name or _begin(talk, home, today, taken)
        path = home / "bows" / called / "stave.toml"
        _tell(talk, path, today)

        def weighed(text: str) -> None:
            if text.strip():
                mass = float(MASS.read(text, talk.metric))
                write_stave(path, called, {"weighings": [{"on": today, "mass_kg": round(mass, 4)}]})

        def happened(text: str) -> bool:
            fact = fact_of(text, talk.metric, today)
            if fact:
                write_stave(path, called, fact)
            elif text.strip():
                step, on = step_of(text, today)
                stands = read_stave(path).dates.get(step)
                if stands not in (None, on) and not any(c.isdigit() for c in text):
                    msg = f"it stands there as of {stands}: type it with its day to change that, or Enter alone."
                    raise TillerError(msg)
                write_stave(path, called, {step: on})
            return bool(text.strip())

        # what was taken off comes before the weight: it is no water
        while talk.ask_as(STEP, happened, f"What is typed is kept at once. Beside days: {EXAMPLES}."):
            _tell(talk, path, today)
        talk.ask_as(MASS, weighed, "Once a week, on the same scale: the weights show when it is dry.")
        _tell(talk, path, today)
        talk.show(
            sentence="It is written down. When it is roughed out and dry, N with the same name takes its measures and makes it a bow."
        )

    return job


def _begin(talk: Talk, home: Path, today: date, taken: frozenset[str]) -> str:
    """Asks for a new stave; each answer is kept as it comes. Its name."""

    def named(text: str) -> str:
        text = text.strip()
        fault = name_fault(text)
        folder = home / "bows" / text
        there = text.casefold() in taken or any((folder / file).is_file() for file in ("stave.toml", "bow.toml"))
        if not fault and there:
            fault = f"there is a stave or a bow called '{text}' already: choose another name."
        if fault:
            raise TillerError(fault)
        return text

    asked: list[str] = []

    def wood(text: str) -> str:
        named = str(WOOD.read(text, talk.metric))
        like = like_wood(named) if find_wood(named) is None else None
        if like and named not in asked:
            asked.append(named)
            msg = f"'{named}' is in no table; is {like} meant? Type that, or '{named}' again to keep it."
            raise TillerError(msg)
        return named

    called = str(talk.ask_as(NAME, named))
    path = home / "bows" / called / "stave.toml"
    write_stave(path, called, {"wood": talk.ask_as(WOOD, wood)})
    kept = "What is typed is kept at once."
    felled = talk.ask_as(FELLED, lambda text: day_of(text, today) if text.strip() else None, kept)
    if felled is not None:
        write_stave(path, called, {"felled": felled})
    log = talk.ask_as(LOG, lambda text: LOG.read(text, talk.metric) if text.strip() else None, kept)
    if log is not None:
        write_stave(path, called, {"log_diameter_mm": round(float(log), 1)})
    return called


def _tell(talk: Talk, path: Path, today: date) -> None:
    """Shows what is known of the stave, with its drying curve where it was weighed more than once."""
    stave = read_stave(path)
    lines = tuple(line for line in stave_words(stave, units=Units(talk.metric), today=today).splitlines() if line)
    season = season_of(stave, today)
    picture = None
    if len(season.days) > 1:
        drawn = cv2.imdecode(np.frombuffer(drying_plot(stave, season), np.uint8), cv2.IMREAD_COLOR)
        picture = np.asarray(drawn, dtype=np.uint8) if drawn is not None else None
    talk.show(found=lines, picture=picture)
