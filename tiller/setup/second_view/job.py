"""The guided job of the second view: pictures of the strung bow from its belly, turned end for end between, a few measures, and what they say."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tiller.errors import TillerError
from tiller.measure.second_view.whole import Known, Shot, Shots, read_pictures
from tiller.report.style import Units
from tiller.setup.field import Field
from tiller.setup.guided.talk import Talk
from tiller.setup.second_view.do import look_and_keep

SOURCE = Field(
    key="source", question="Folder with the pictures of the strung bow from its belly, or one picture", kind="text"
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
HOW = (
    "The bow lies with its back against a wall, left limb to the left in the picture (at the top of an upright one), the camera straight before its handle; two printed rack fiducials or more"
    " on the same wall, some above and some below it. Then it is turned end for end and taken again; camera and sheets stay."
)


def belly_job(bow_file: Path, home: Path, book: Path, units: Units) -> Callable[[Talk], None]:
    """The job.

    Args:
        home: the shop's folder, whose rig.toml knows the camera where the pictures are its own.
    """

    def job(talk: Talk) -> None:
        shots: tuple[Shot, ...] = talk.ask_as(SOURCE, _read, HOW)
        names = tuple(f"{k + 1}  {shot.name}" for k, shot in enumerate(shots))
        talk.show(found=names, picture=shots[0].image)
        first = len(shots) if len(shots) == 1 else talk.ask_as(TURNED, lambda text: _count(text, len(shots)))
        grip = talk.ask_as(GRIP, lambda text: float(GRIP.read(text, talk.metric)) if text.strip() else float("nan"))
        brace = talk.ask_as(BRACE, lambda text: float(BRACE.read(text, talk.metric)) if text.strip() else float("nan"))
        talk.show(sentence="the pictures are looked at ...", found=())
        rig = home / "rig.toml"
        looked = look_and_keep(
            bow_file,
            Shots(strung=shots[:first], turned=shots[first:]),
            Known(brace_mm=brace, grip_mm=grip),
            rig if rig.is_file() else None,
            book,
        )
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


def _read(text: str) -> tuple[Shot, ...]:
    """The pictures of what was typed.

    Raises:
        TillerError: nothing was typed, or there is no picture.
    """
    typed = text.strip().strip('"')
    if not typed:
        msg = "type the folder or the picture, or choose it with 'choose a file'."
        raise TillerError(msg)
    return read_pictures([Path(typed).expanduser()])


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
