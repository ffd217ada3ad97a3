"""Which cameras and serial ports this machine has, without opening any."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

MOST_CAMERAS = 10


@dataclass(frozen=True)
class Found:
    """Something that may be a camera or a scale: how it is given on the command line, what the system calls it, and whether it is plugged in
    from outside (a port that is built in may have nothing on it)."""

    where: str
    name: str
    plugged: bool = True

    @property
    def words(self) -> str:
        """Both together."""
        return f"{self.where} ({self.name})" if self.name and self.name != self.where else self.where


def scales_found() -> tuple[Found, ...]:
    """Serial ports that a board may be on: those of USB first, built-in ones left out where there are any."""
    ports = sorted(list_ports.comports(), key=lambda p: (p.vid is None, p.device))
    usb = [p for p in ports if p.vid is not None]
    return tuple(
        Found(p.device, p.description if p.description not in (None, "n/a") else "", p.vid is not None)
        for p in usb or ports
    )


def cameras_found() -> tuple[Found, ...]:
    """Cameras by the number that opens them. Where the system names none without opening them, only the first is listed."""
    if not sys.platform.startswith("linux"):
        return (Found("0", "the system's first camera"),)
    out = []
    for number in range(MOST_CAMERAS):
        folder = Path(f"/sys/class/video4linux/video{number}")
        try:
            # a camera has more than one node; pictures come from the first
            if (folder / "index").read_text().strip() != "0":
                continue
            name = (folder / "name").read_text().strip()
        except OSError:
            continue
        out.append(Found(str(number), name))
    return tuple(out)
