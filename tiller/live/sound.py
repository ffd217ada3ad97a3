"""Tones: a short one for a point, an insistent one beyond the stop, a falling one where the force fell suddenly.

Played by whatever the system has for a WAV file and does not fail; on a terminal its bell rings too.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

import numpy as np

from tiller.live.stages import Event, Happening
from tiller.output import control
from tiller.sources.interfaces import Stage

RATE_HZ = 22_050
AGAIN_S = 0.7
"""Beyond the stop the tone comes again this often."""
TONES: dict[str, tuple[tuple[float, float], ...]] = {
    "point": ((880.0, 0.09),),
    "beyond": ((1320.0, 0.14), (0.0, 0.05), (1320.0, 0.14)),
    "lost": ((700.0, 0.2), (500.0, 0.2), (350.0, 0.35)),
}
"""Pitch in Hz (0: silence) and length in s, one after the other."""
PLAYERS = (("paplay",), ("pw-play",), ("aplay", "-q"), ("afplay",))


def tone(name: str) -> bytes:
    """A tone as a WAV file, mono, 16 bit."""
    parts = []
    for pitch, length in TONES[name]:
        t = np.arange(int(RATE_HZ * length)) / RATE_HZ
        edge = np.clip(np.minimum(t, length - t) / 0.008, 0.0, 1.0)  # no click at the ends
        parts.append(0.5 * edge * np.sin(2 * np.pi * pitch * t))
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes((32767 * np.concatenate(parts)).astype("<i2").tobytes())
    return out.getvalue()


class Sounds:
    """Minds what is to be heard. ``bell``: a terminal whose bell is rung too."""

    def __init__(self, bell: TextIO | None = None) -> None:
        self._bell = bell if bell is not None and bell.isatty() else None
        self._players = [p for p in PLAYERS if shutil.which(p[0])]
        self._playing: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._last = 0.0
        self.played: list[str] = []

    @property
    def silent(self) -> bool:
        """Whether nothing here can play a tone."""
        self._ask_player()
        return sys.platform != "win32" and not self._players and self._bell is None

    def _ask_player(self) -> None:
        """A player that ended with a fault plays nothing: the next one is taken."""
        if self._playing is not None and self._playing.poll():
            self._players = self._players[1:]
        if self._playing is not None and self._playing.poll() is not None:
            self._playing = None

    def mind(self, stage: Stage, events: Sequence[Event], broken: bool = False) -> None:
        """Plays what the stage and the events ask for; ``broken``: the program cannot watch the bow any more, let down."""
        for event in events:
            if event.what is Happening.LOST:
                self.play("lost")
            elif event.what is Happening.POINT:
                self.play("point")
        if (stage is Stage.BEYOND or broken) and time.monotonic() - self._last > AGAIN_S:
            self._last = time.monotonic()
            self.play("beyond")

    def play(self, name: str) -> None:
        """Plays a tone and does not wait for its end."""
        self.played = [*self.played[-20:], name]
        if sys.platform == "win32":
            import winsound

            winsound.PlaySound(str(self._file(name)), winsound.SND_FILENAME | winsound.SND_ASYNC)
            return
        if self._bell is not None:  # always: who works over ssh does not hear the far machine's tone
            control(self._bell, "\a")
        self._ask_player()
        if self._players and not os.environ.get("TILLER_SILENT"):
            try:
                self._playing = subprocess.Popen(  # noqa: S603  (words of our own, no shell)
                    [*self._players[0], str(self._file(name))], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                )
            except OSError:
                self._players = self._players[1:]

    def close(self) -> None:
        """Takes the tones' files away."""
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _file(self, name: str) -> Path:
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="tiller-tones-")
        path = Path(self._folder.name) / f"{name}.wav"
        if not path.is_file():
            path.write_bytes(tone(name))
        return path
