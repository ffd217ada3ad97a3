"""What a rack's set-up needs, without a rack: videos of a board and a lath that are held still, and a scale on a pseudo-terminal whose load is asked for.

Made for these tests; shares nothing with the code under test but the picture library's markers and the line protocol's checksum.
"""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

from tiller.force.line import crc8

HELD = 8
"""Pictures for which a pose is held."""


def video(path: Path, pictures: Sequence[np.ndarray], rate: float = 60.0, held: int = HELD) -> Path:
    """A video in which each picture is held, with a moved one before it."""
    size = pictures[0].shape[1], pictures[0].shape[0]
    out = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), rate, size)
    out.set(cv2.VIDEOWRITER_PROP_QUALITY, 97)
    assert out.isOpened()
    for picture in pictures:
        colour = picture if picture.ndim == 3 else cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
        out.write(np.ascontiguousarray(255 - colour))
        for _ in range(held):
            out.write(colour)
    out.release()
    return path


class HungScale:
    """A scale of ours on a pseudo-terminal: it greets, answers ``hello``, and weighs what ``load_n`` says."""

    def __init__(self, load_n: Callable[[], float], cpn: float = 6000.0) -> None:
        self.load_n, self.cpn = load_n, cpn
        self._master, slave = pty.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.where = os.ttyname(slave)
        os.set_blocking(self._master, False)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _send(self, body: str) -> None:
        try:
            os.write(self._master, f"{body},{crc8(body.encode()):02X}\n".encode())
        except BlockingIOError:
            return  # nobody reads

    def _run(self) -> None:
        rng = np.random.default_rng(5)
        begun = time.monotonic()
        while not self._over.wait(0.0125):
            try:
                if b"hello" in os.read(self._master, 1000):
                    self._send("H,rackcell,1.1,80")
            except OSError:
                pass
            ms = int(1000 * (time.monotonic() - begun))
            self._send(f"W,{ms},{round(40_000 + self.cpn * self.load_n() + rng.normal(0, 30))}")

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        os.close(self._master)
