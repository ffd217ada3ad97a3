"""The serial line protocol of the rack's scale.

    W,<ms>,<counts>,<crc8>            one reading
    H,<name>,<version>,<rate>,<crc8>  greeting at boot
    E,<code>,<crc8>                   trouble

CRC-8 with polynomial 0x07, initial value 0, not reflected, over the characters before the last comma, as two
hex digits (the CRC-8/SMBUS of the usual catalogues: check value 0xF4 over "123456789").
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

COUNTS_LIMIT = 2**23
"""The converter has 24 bits, two's complement; its two end values mean that it is saturated."""
MS_LIMIT = 2**32
LONGEST_LINE = 80


class Reason(Enum):
    """Why a line was not used."""

    EMPTY = "empty line"
    CUT = "cut line"
    CHECKSUM = "wrong checksum"
    GARBLED = "garbled line"
    SATURATED = "converter saturated"
    DOUBLED = "doubled line"
    SPIKE = "spike"


@dataclass(frozen=True)
class Reading:
    """One reading: the board's clock in ms (wraps at 2^32) and raw counts."""

    ms: int
    counts: int


@dataclass(frozen=True)
class Hello:
    """The board's greeting: its name, firmware version and readings a second."""

    name: str
    version: str
    rate_hz: float


@dataclass(frozen=True)
class Trouble:
    """The board says that something is wrong."""

    code: str


@dataclass(frozen=True)
class Rejected:
    """A line that was not used, and why."""

    reason: Reason


Line = Reading | Hello | Trouble | Rejected


def _table() -> bytes:
    out = bytearray()
    for value in range(256):
        crc = value
        for _ in range(8):
            crc = ((crc << 1) ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
        out.append(crc)
    return bytes(out)


_CRC = _table()


def crc8(data: bytes) -> int:
    """CRC-8, polynomial 0x07, initial value 0."""
    crc = 0
    for byte in data:
        crc = _CRC[crc ^ byte]
    return crc


def parse_line(raw: bytes | str) -> Line:
    """What one line says. Never raises: whatever cannot be used comes back as ``Rejected``."""
    data = raw.encode("utf-8", "replace") if isinstance(raw, str) else bytes(raw)
    data = data.strip(b"\r\n \t\0")
    if not data:
        return Rejected(Reason.EMPTY)
    if len(data) > LONGEST_LINE or not data.isascii():
        return Rejected(Reason.GARBLED)
    body, comma, tail = data.rpartition(b",")
    if not comma or len(tail) != 2:
        return Rejected(Reason.CUT)
    try:
        checksum = int(tail.decode("ascii"), 16) if tail.isalnum() else -1
    except ValueError:
        checksum = -1
    if checksum != crc8(body):
        return Rejected(Reason.CHECKSUM)
    fields = body.decode("ascii").split(",")
    kind = fields[0]
    if kind == "W" and len(fields) == 3:
        return _reading(fields[1], fields[2])
    if kind == "H" and len(fields) == 4:
        try:
            return Hello(fields[1], fields[2], float(fields[3]))
        except ValueError:
            return Rejected(Reason.GARBLED)
    if kind == "E" and len(fields) == 2:
        return Trouble(fields[1])
    return Rejected(Reason.GARBLED)


def _reading(ms_text: str, counts_text: str) -> Line:
    if not ms_text.isdigit() or not counts_text.removeprefix("-").isdigit():
        return Rejected(Reason.GARBLED)
    ms, counts = int(ms_text), int(counts_text)
    if ms >= MS_LIMIT:
        return Rejected(Reason.GARBLED)
    if counts >= COUNTS_LIMIT - 1 or counts <= -COUNTS_LIMIT:
        return Rejected(Reason.SATURATED)
    return Reading(ms, counts)
