"""What a camera and a scale are to the rack: open, read, close; the time stamp is taken on arrival.

Making one touches no hardware. ``read`` waits for what comes next, at most ``PATIENCE_S``; a source that was lost
raises ``SourceFault`` and may be opened again. One that has nothing more to give says so by ``ENDED``.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from enum import Enum
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tiller.notes import Note

Image = NDArray[np.uint8]
PATIENCE_S = 2.0


def now_s() -> float:
    """The host's monotonic clock."""
    return time.monotonic()


@dataclass(frozen=True)
class Shot:
    """A picture with the time of its arrival and its number since the source was opened."""

    image: Image
    t_s: float
    number: int


class Stage(Enum):
    """Where in a pull the bow is, in one word or two; a rack in software waits for what its screen says."""

    NO_BOW = "no bow"
    RESTING = "resting"
    PULLING = "pulling"
    HOLDING = "holding"
    BEYOND = "beyond the stop"
    LETTING_DOWN = "letting down"
    DONE = "done"


class Ended:
    """A source that has nothing more to give."""


ENDED: Final = Ended()

Lines = tuple[tuple[float, str], ...]
"""Lines of a scale, each with the time of its arrival."""


class Camera(Protocol):
    """Pictures, one after the other."""

    @property
    def name(self) -> str:
        """What the user calls it."""
        ...

    @property
    def may_repeat(self) -> bool:
        """Whether pictures that are the same to the last bit are in order: files and streams; a sensor has noise."""
        ...

    @property
    def remarks(self) -> tuple[Note, ...]:
        """What the user should know of how it was opened."""
        ...

    def open(self) -> None:
        """Opens it (anew).

        Raises:
            SourceFault: it is not there, not allowed, or gives pictures of another kind; says what to do.
        """
        ...

    def read(self) -> Shot | Ended:
        """The next picture.

        Raises:
            SourceFault: the camera was lost.
        """
        ...

    def close(self) -> None:
        """Lets go of it; may be called at any time, more than once."""
        ...


class Scale(Protocol):
    """Lines of the line protocol, as they come."""

    @property
    def name(self) -> str:
        """What the user calls it."""
        ...

    def open(self) -> None:
        """Opens it (anew).

        Raises:
            SourceFault: it is not there or not allowed; says what to do.
        """
        ...

    def read(self) -> Lines | Ended:
        """Whole lines that came since the last call; empty where none came for a moment.

        Raises:
            SourceFault: the scale was lost.
        """
        ...

    def close(self) -> None:
        """Lets go of it; may be called at any time, more than once."""
        ...


class LineCutter:
    """Cuts a stream of bytes into lines, each stamped with the time when its end came."""

    LONGEST = 4096

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes, t_s: float) -> Lines:
        """Lines that are whole with this."""
        self._rest += data
        if len(self._rest) > self.LONGEST and b"\n" not in self._rest:  # no line of ours is that long
            self._rest = self._rest[-80:]
        *whole, self._rest = self._rest.split(b"\n")
        return tuple((t_s, line.decode("ascii", "replace").strip("\r\0")) for line in whole if line.strip())
