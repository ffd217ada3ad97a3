"""The guided job of the second view: pictures of the strung bow from its belly, turned end for end between, a few measures, and what they say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from tiller.bow.sides import SIDES, Pair
from tiller.errors import SourceFault, TillerError
from tiller.measure.second_view.whole import Known, Shot, Shots, one_picture, read_pictures
from tiller.records.alignments import HAND_SHOCKS
from tiller.report.style import Units
from tiller.setup.field import Field
from tiller.setup.guided.pictures import opened
from tiller.setup.guided.talk import Talk, Watched
from tiller.setup.second_view.do import keep_for_page, look_and_keep
from tiller.sources.interfaces import Ended

SOURCE = Field(
    key="source",
    question="Folder with the pictures of the strung bow from its belly, or one picture; 'camera' takes them now",
    kind="text",
)
UNSTRUNG = Field(
    key="unstrung",
    question="A picture of the bow unstrung, lying the first way round (Enter alone: none)",
    kind="picture",
)
ALONG = Pair(
    *(
        Field(
            key=f"along {side}",
            question=f"A picture along the {side} limb from beyond its nock, winding sticks on it (Enter alone: none)",
            kind="picture",
        )
        for side in SIDES
    )
)
SHOCK = Field(
    key="shock", question="Hand shock when it was shot: none, some or hard (Enter alone: not shot yet)", kind="text"
)
TAKEN = Field(
    key="taken",
    question="What was that? s strung, t strung and turned, a again (Enter alone: it was the last one, strung or turned as before)",
    kind="text",
)
TURNED = Field(
    key="turned",
    question="After which picture was the bow turned end for end? Its number (Enter alone: it was not)",
    kind="text",
)
GRIP = Field(
    key="grip",
    question="How wide is the handle at its middle? (Enter alone: as it is seen)",
    kind="mm",
    low=12.0,
    high=80.0,
)
BRACE = Field(
    key="brace",
    question="The brace height as it is (Enter alone: as the bow's file wants it)",
    kind="mm",
    low=60.0,
    high=300.0,
)
SETTLE = 8
"""A camera's light is right after so many pictures (common practice, no source)."""
HOW = (
    "The bow lies with its back against a wall, left limb to the left in the picture (at the top of an upright one), the camera straight before its handle; two printed rack fiducials or more"
    " on the same wall, some above and some below it. Then it is turned end for end and taken again; camera and sheets stay."
)


STICKS = (
    "Twist: the bow unstrung, one printed winding stick pressed across the belly at the handle, one at the nock; the camera some 60 cm beyond the nock and 30 cm above"
    " it, so that both show whole."
)


def belly_job(bow_file: Path, home: Path, book: Path, units: Units, where: str = "") -> Callable[[Talk], None]:
    """The job.

    Args:
        home: the shop's folder, whose rig.toml knows the camera where the pictures are its own.
        where: the shop's camera, '' where none is chosen.
    """

    def job(talk: Talk) -> None:
        def read(text: str) -> Shots | None:
            return None if text.strip().casefold() == "camera" and where else Shots(strung=_read(text))

        shots = talk.ask_as(SOURCE, read, HOW)
        if shots is None:
            shots = _by_camera(talk, where)
        else:
            names = tuple(f"{k + 1}  {shot.name}" for k, shot in enumerate(shots.strung))
            talk.show(found=names, picture=shots.strung[0].image)
            many = len(shots.strung)
            first = many if many == 1 else talk.ask_as(TURNED, lambda text: _count(text, many))
            shots = Shots(strung=shots.strung[:first], turned=shots.strung[first:])
        unstrung = talk.ask_as(UNSTRUNG, lambda text: _read(text) if text.strip() else ())
        along = [
            talk.ask_as(field, lambda text: one_picture(Path(_path(text))) if text.strip() else None, STICKS)
            for field in ALONG
        ]
        shots = replace(shots, unstrung=unstrung, along=Pair(along[0], along[1]))
        shock = talk.ask_as(SHOCK, _shock)
        grip = talk.ask_as(GRIP, lambda text: float(GRIP.read(text, talk.metric)) if text.strip() else float("nan"))
        brace = talk.ask_as(BRACE, lambda text: float(BRACE.read(text, talk.metric)) if text.strip() else float("nan"))
        talk.show(sentence="the pictures are looked at ...", found=())
        rig = home / "rig.toml"
        looked = look_and_keep(
            bow_file,
            shots,
            Known(brace_mm=brace, grip_mm=grip),
            rig if rig.is_file() else None,
            book,
            hand_shock=shock,
        )
        keep_for_page(bow_file, home, looked, units)
        drawn = cv2.imdecode(np.frombuffer(looked.picture(units), np.uint8), cv2.IMREAD_COLOR)
        lines = tuple(line for line in looked.words(units).splitlines()[2:] if line)
        if not looked.kept:
            lines = (*lines, "It is not in the book, which has no pull of this bow yet.")
        sentence = looked.sentence(units)
        talk.show(
            sentence=sentence[0].upper() + sentence[1:],
            found=lines,
            picture=np.asarray(drawn, dtype=np.uint8) if drawn is not None else None,
        )

    return job


def _path(text: str) -> str:
    """A path as it was typed, or put there by the dialog."""
    return str(Path(text.strip().strip('"')).expanduser())


def _shock(text: str) -> str:
    """Hand shock as it was felt; '' for nothing typed.

    Raises:
        TillerError: it is none of the three words.
    """
    word = text.strip().casefold()
    if word and word not in HAND_SHOCKS:
        msg = f"'{text}' is none of {', '.join(HAND_SHOCKS)}: type one of them, or Enter alone."
        raise TillerError(msg)
    return word


def _kind(text: str) -> str:
    """What a taken picture is.

    Raises:
        TillerError: it is none of the letters.
    """
    letter = text.strip().casefold()
    if letter not in ("", "s", "t", "a"):
        msg = f"'{text}' is none of s, t, a: type one of them, or Enter alone after the last picture."
        raise TillerError(msg)
    return letter


def _by_camera(talk: Talk, where: str) -> Shots:
    """Pictures by the shop's camera, one for each Enter.

    Raises:
        SourceFault: it gives none.
    """
    strung: list[Shot] = []
    turned: list[Shot] = []
    last = "s"
    while True:
        talk.enter("Enter takes a picture", "Lay the bow, step out of the picture.")
        talk.say(f"the camera '{where}' is opened ...")
        camera, _ = opened(where)
        watched = Watched(camera, talk)
        watched.open()
        try:
            for _ in range(SETTLE):  # exposure settles
                shot = watched.read()
                if isinstance(shot, Ended):
                    msg = f"'{where}' has no more pictures: choose another camera in the rack's set-up."
                    raise SourceFault(msg)
                image = np.array(shot.image)
        finally:
            watched.close()
        kind = talk.ask_as(TAKEN, _kind, f"{len(strung)} strung and {len(turned)} turned so far.")
        if kind == "a":
            continue
        last = kind or last
        mine = strung if last == "s" else turned
        mine.append(Shot(f"{'strung' if last == 's' else 'turned'} {len(mine) + 1}", image))
        if not kind:
            return Shots(strung=tuple(strung), turned=tuple(turned))


def _read(text: str) -> tuple[Shot, ...]:
    """The pictures of what was typed.

    Raises:
        TillerError: nothing was typed, or there is no picture.
    """
    if not text.strip():
        msg = "type the folder or the picture, or choose it with 'choose a file'."
        raise TillerError(msg)
    return read_pictures([Path(_path(text))])


def _count(text: str, most: int) -> int:
    """So many pictures show the bow the first way round.

    Raises:
        TillerError: it is no such number.
    """
    if not text.strip():
        return most
    if not text.strip().isdecimal() or not 1 <= int(text) < most:
        msg = f"'{text}' is no number from 1 to {most - 1}: type the last picture before the bow was turned, or Enter alone."
        raise TillerError(msg)
    return int(text)
