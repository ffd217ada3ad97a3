"""Scales: a serial port or what stands for one, and a recording played again."""

from __future__ import annotations

import errno
import math
import os
import sys
from typing import Any

import serial
from serial.tools import list_ports

from tiller.errors import SourceFault
from tiller.measure.recording import Recording
from tiller.sources.cameras import wait
from tiller.sources.interfaces import ENDED, Ended, LineCutter, Lines, now_s

BAUD = 115200
WAIT_S = 0.05


class SerialScale:
    """A scale on a serial port: a port's name, ``socket://host:port`` or whatever else pyserial opens.

    A board with a USB-serial chip starts anew when its port is opened, one with USB of its own is silent until DTR is on:
    DTR stays on and the greeting is waited for by whoever reads.
    """

    def __init__(self, where: str, baud: int = BAUD) -> None:
        self.where, self.baud = where, baud
        self._known: tuple[int | None, int | None, str | None] | None = None
        self._port: Any = None  # what pyserial's handlers share beyond their base class is not in its types
        self._cutter = LineCutter()

    @property
    def name(self) -> str:
        return f"scale on {self.where}"

    def open(self) -> None:
        self.close()
        ports = [self.where, *self._alike()]
        fault: Exception | None = None
        for port in ports:
            try:
                self._port = serial.serial_for_url(port, self.baud, timeout=WAIT_S, exclusive=True)
            except (serial.SerialException, OSError, ValueError) as err:
                fault = fault or err
                continue
            self._cutter = LineCutter()
            self._remember(port)
            return
        raise SourceFault(self._words(fault)) from fault

    def _remember(self, port: str) -> None:
        for info in list_ports.comports():
            if info.device == port:
                self._known = (info.vid, info.pid, info.serial_number)

    def _alike(self) -> list[str]:
        """Ports on which the board that was there before may be now."""
        if self._known is None or self._known[0] is None:
            return []
        return [
            p.device
            for p in list_ports.comports()
            if (p.vid, p.pid, p.serial_number) == self._known and p.device != self.where
        ]

    def _words(self, fault: Exception | None) -> str:
        number = getattr(fault, "errno", None)
        if number == errno.EACCES:
            return f"{self.name} may not be opened: add yourself to the group that owns serial ports (often 'dialout') and log in again."
        # where the system tells it by a text alone, a port that is taken is one that access is denied to
        taken = sys.platform == "win32" and "PermissionError" in str(fault)
        if taken or number in (errno.EBUSY, errno.EAGAIN):
            return f"{self.name} is in use by another program: close that one."
        return f"{self.name} cannot be opened ({os.strerror(number) if isinstance(number, int) else fault}): is the board plugged in, and is that its port?"

    def read(self) -> Lines | Ended:
        if self._port is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        try:
            data = self._port.read(max(1, self._port.in_waiting))
        except (serial.SerialException, OSError, TypeError) as err:  # pyserial raises TypeError where a port vanishes
            msg = f"{self.name} was lost: check its cable."
            raise SourceFault(msg) from err
        return self._cutter.feed(data, now_s()) if data else ()

    def write(self, text: str) -> None:
        """Sends a command (``hello``, ``rate 80``; hardware/firmware/PROTOCOL.md).

        Raises:
            SourceFault: the scale was lost.
        """
        try:
            self._port.write(text.encode("ascii"))
        except (serial.SerialException, OSError, AttributeError) as err:
            msg = f"{self.name} was lost: check its cable."
            raise SourceFault(msg) from err

    def close(self) -> None:
        if self._port is not None:
            port, self._port = self._port, None
            try:
                port.close()
            except (serial.SerialException, OSError):
                return


class ReplayedScale:
    """A recording's lines at their own times, or ``speed`` times as fast."""

    def __init__(self, recording: Recording, begin_s: float, speed: float = 1.0) -> None:
        self.recording, self.begin_s, self.speed = recording, begin_s, speed
        # a row whose time cannot be read is due never
        self._lines = tuple((t, line) for t, line in recording.force_lines or () if math.isfinite(t))
        self._start: float | None = None
        self._at = 0

    @property
    def name(self) -> str:
        return f"recording {self.recording.name}"

    def open(self) -> None:
        self._start, self._at = now_s(), 0

    def read(self) -> Lines | Ended:
        if self._start is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        lines = self._lines
        if self._at >= len(lines):
            return ENDED
        wait(now_s() + WAIT_S / 5)
        out = []
        t = now_s()
        while self._at < len(lines) and self._start + (lines[self._at][0] - self.begin_s) / self.speed <= t:
            out.append((t, lines[self._at][1]))
            self._at += 1
        return tuple(out)

    def close(self) -> None:
        self._start = None
