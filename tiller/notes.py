"""What the program says of a measurement, a plan or a piece of wood: notes. Each has a code and a level, for programs, and a sentence, for people.

Lengths and forces in the sentence are quantities (``tiller.quantity``): they are put into the reader's units where the note is shown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from tiller.quantity import Quantity, plain, quantities

UNCODED = "kept.uncoded"
"""The code of a sentence out of a book that kept no codes."""


class Level(StrEnum):
    """How much a note matters."""

    INFO = "info"
    """Worth knowing; nothing is to be done about it."""
    CAUTION = "caution"
    """Figures are less sure for it, or there is something to look at."""
    STOP = "stop"
    """To be settled before the bow is drawn further or wood comes off."""


@dataclass(frozen=True)
class Note:
    """One thing to know.

    Attributes:
        code: what it is, 'area.subject': it stays the same when the sentence is put better.
        level: how much it matters.
        text: the sentence, with marked quantities.
    """

    code: str
    level: Level
    text: str

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The lengths and forces in it, in the order of the sentence."""
        return quantities(self.text)

    def in_metric(self) -> Note:
        """The note with its lengths in mm and its forces in N."""
        return replace(self, text=plain(self.text))

    def of(self, whose: str) -> Note:
        """The note, saying whose it is: 'the stave: ...'."""
        return replace(self, text=f"{whose}: {self.text}")


def info(code: str, text: str) -> Note:
    """A note that is worth knowing."""
    return Note(code, Level.INFO, text)


def caution(code: str, text: str) -> Note:
    """A note of something to look at."""
    return Note(code, Level.CAUTION, text)


def halt(code: str, text: str) -> Note:
    """A note of something to be settled first."""
    return Note(code, Level.STOP, text)


def written(note: Note) -> dict[str, str]:
    """The note as JSON."""
    return {"code": note.code, "level": note.level.value, "text": note.text}


def read(kept: object) -> Note | None:
    """A note out of JSON, or out of a book that kept sentences only; None of what is neither."""
    if isinstance(kept, str):
        return info(UNCODED, kept)
    if not isinstance(kept, dict) or not isinstance(kept.get("text"), str):
        return None
    code, level = kept.get("code"), kept.get("level")
    known = level in Level.__members__.values()
    return Note(code if isinstance(code, str) else UNCODED, Level(str(level)) if known else Level.INFO, kept["text"])
