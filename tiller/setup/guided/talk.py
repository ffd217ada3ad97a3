"""How a guided job and whoever shows it speak with each other: the job runs in a thread of its own, publishes a frozen ``Moment`` and waits for answers."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiller.errors import TillerError
from tiller.notes import Note
from tiller.setup.field import Field
from tiller.sources.interfaces import Camera, Ended, Image, Shot


@dataclass(frozen=True)
class Dot:
    """A place in the picture, px, with what is written at it."""

    x: float
    y: float
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class Moment:
    """What a job shows.

    Attributes:
        sentence: what is to be done or was seen last, with marked quantities.
        picture: the camera's, or None; dots: places in it; tape: two places in it that a distance is asked between.
        fields: corners in each field of the picture (rows, columns), None where that is no matter.
        taken, wanted: pictures or loads so far, and in all; 0 wanted where nothing is counted.
        question: what is asked now, None where nothing is; fault: what is wrong with the last answer.
        found: what came out, in lines; ended: the job is over; good: it came to its end and what was found is kept.
    """

    sentence: str = ""
    picture: Image | None = None
    dots: tuple[Dot, ...] = ()
    tape: tuple[Dot, Dot] | None = None
    fields: NDArray[np.int_] | None = None
    taken: int = 0
    wanted: int = 0
    question: Field | None = None
    fault: str = ""
    found: tuple[str, ...] = ()
    ended: bool = False
    good: bool = False


class Left(Exception):
    """The job was left by whoever is at the keys."""


class Talk:
    """One job's talk. ``moment``, ``answer`` and ``leave`` are for whoever shows it, the rest for the job."""

    def __init__(self, metric: bool = True) -> None:
        self.metric = metric
        self._moment = Moment()
        self._answers: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._left = threading.Event()

    # -- whoever shows it ----------------------------------------------------------------------------------------------

    @property
    def moment(self) -> Moment:
        """What is to be shown now."""
        return self._moment

    def answer(self, text: str) -> None:
        """What was typed, '' for Enter alone; without a question it is forgotten."""
        if self._moment.question is not None:
            self._answers.put(text)

    def leave(self) -> None:
        """The job ends as soon as it looks up; nothing more is written by it."""
        self._left.set()
        self._answers.put(None)

    # -- the job -------------------------------------------------------------------------------------------------------

    def show(self, **changes: Any) -> None:
        """Shows something else; what is not named stays.

        Raises:
            Left: the job was left.
        """
        if self._left.is_set():
            raise Left
        self._moment = replace(self._moment, **changes)

    def say(self, sentence: str) -> None:
        """Shows another sentence."""
        self.show(sentence=sentence)

    def ask(self, field: Field, sentence: str = "") -> str | float:
        """Asks until there is an answer.

        Raises:
            Left: the job was left.
        """
        value: str | float = self.ask_as(field, lambda text: field.read(text, self.metric), sentence)
        return value

    def ask_as(self, field: Field, read: Callable[[str], Any], sentence: str = "") -> Any:
        """Asks until ``read`` makes something of the answer: a ``TillerError`` of it is shown, and asked again.

        Raises:
            Left: the job was left.
        """
        while not self._answers.empty():  # what was pressed before the question is no answer to it
            self._answers.get_nowait()
        self.show(question=field, fault="", sentence=sentence)
        while True:
            text = self._answers.get()
            if text is None or self._left.is_set():
                raise Left
            try:
                value = read(text)
            except TillerError as err:
                self.show(fault=err.marked)
                continue
            self.show(question=None, fault="")
            return value

    def number(self, field: Field, sentence: str = "") -> float:
        """Asks for a number.

        Raises:
            Left: the job was left.
        """
        return float(self.ask(field, sentence))

    def enter(self, question: str, sentence: str = "") -> None:
        """Waits for Enter.

        Raises:
            Left: the job was left.
        """
        self.ask(Field(key="enter", question=question, kind="enter"), sentence)


class Watched:
    """A camera whose pictures are shown as they come; it stops as soon as the job is left."""

    def __init__(self, camera: Camera, talk: Talk, mark: Callable[[Image], tuple[Dot, ...]] | None = None) -> None:
        self.camera, self.talk, self.mark = camera, talk, mark

    @property
    def name(self) -> str:
        """The camera's."""
        return self.camera.name

    @property
    def may_repeat(self) -> bool:
        """The camera's."""
        return self.camera.may_repeat

    @property
    def remarks(self) -> tuple[Note, ...]:
        """The camera's."""
        return self.camera.remarks

    def open(self) -> None:
        """Opens it; see ``Camera``."""
        self.camera.open()

    def read(self) -> Shot | Ended:
        """The next picture, shown; see ``Camera``.

        Raises:
            Left: the job was left.
        """
        shot = self.camera.read()
        if not isinstance(shot, Ended):
            dots = self.mark(shot.image) if self.mark is not None else self.talk.moment.dots
            self.talk.show(picture=shot.image, dots=dots)
        return shot

    def close(self) -> None:
        """Closes it."""
        self.camera.close()


def run(job: Callable[[Talk], None], talk: Talk) -> threading.Thread:
    """Runs a job in a thread; how it ended is in its last moment."""

    def whole() -> None:
        try:
            job(talk)
        except Left:
            end = replace(talk.moment, ended=True, question=None)
        except TillerError as err:
            end = replace(talk.moment, ended=True, question=None, fault=err.marked, sentence="")
        except Exception as err:
            fault = f"a fault of the program itself ({type(err).__name__}: {err}): nothing was kept by it; begin again, and report it."
            talk._moment = replace(talk.moment, ended=True, question=None, fault=fault, sentence="")  # noqa: SLF001
            raise
        else:
            end = replace(talk.moment, ended=True, question=None, good=True)
        talk._moment = end  # noqa: SLF001  (show would say again that it was left)

    thread = threading.Thread(target=whole, name="set-up", daemon=True)
    thread.start()
    return thread
