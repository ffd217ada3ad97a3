"""From the lines of a pull to a clean series of readings: one clock, no doubles, no spikes, all rejects counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tiller.errors import ForceFault
from tiller.force.line import MS_LIMIT, Hello, Reading, Reason, Rejected, Trouble, parse_line

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class ForceLog:
    """Readings of a pull.

    Attributes:
        t_s: (n,) time on the host's clock, freed of the jitter of arrival by the board's own clock.
        counts: (n,) raw counts.
        rejected: how many lines were not used, by reason.
        troubles: trouble codes that the board sent, with how often.
        resets: how often the board began anew.
        rate_hz: readings a second, median.
        gaps: stretches of more than 1 s without a reading, (start, end).
        hello: the board's last greeting.
    """

    t_s: Array
    counts: Array
    rejected: dict[str, int]
    troubles: dict[str, int]
    resets: int
    rate_hz: float
    gaps: tuple[tuple[float, float], ...]
    hello: Hello | None


RESET_BACK_MS = 2_000
"""The board's clock going back by more than this is a reset or a wrap; by less, a late or doubled line."""


@dataclass(kw_only=True)
class _Taken:
    """What the lines of a pull hold, as they are read one after the other; an era is what lies between two resets of the board."""

    rejected: Counter[str] = field(default_factory=Counter)
    troubles: Counter[str] = field(default_factory=Counter)
    host_s: list[float] = field(default_factory=list)
    board_s: list[float] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    era_of: list[int] = field(default_factory=list)
    era: int = 0
    wraps: int = 0
    resets: int = 0
    last_ms: int = -1
    greeted: bool = False
    hello: Hello | None = None
    total: int = 0

    def line(self, arrived_s: float, raw: str) -> None:
        """Takes one line."""
        self.total += 1
        if not np.isfinite(arrived_s):
            self.rejected[Reason.GARBLED.value] += 1
            return
        line = parse_line(raw)
        if isinstance(line, Reading):
            self._reading(arrived_s, line)
        elif isinstance(line, Hello):
            self.hello, self.greeted = line, bool(self.host_s)
        elif isinstance(line, Trouble):
            self.troubles[line.code] += 1
        elif isinstance(line, Rejected):
            self.rejected[line.reason.value] += 1

    def _reading(self, arrived_s: float, line: Reading) -> None:
        if self.last_ms >= 0:
            step = line.ms - self.last_ms
            back = step < -RESET_BACK_MS
            if back and not self.greeted and self.last_ms > MS_LIMIT - 60_000 and line.ms < 60_000:
                self.wraps += 1
            elif back or (self.greeted and step < 0):
                self.era, self.wraps, self.resets = self.era + 1, 0, self.resets + 1
            elif step <= 0:
                self.rejected[Reason.DOUBLED.value] += 1
                return
        self.greeted = False
        self.last_ms = line.ms
        self.host_s.append(arrived_s)
        self.board_s.append((line.ms + self.wraps * MS_LIMIT) * 1e-3)
        self.counts.append(line.counts)
        self.era_of.append(self.era)

    def refuse_nothing(self) -> None:
        """Refuses a log without a usable reading.

        Raises:
            ForceFault: no line at all, or not one of them usable.
        """
        if self.total == 0:
            msg = "The force log is empty: check that the scale was plugged in and sending, and record the pull again."
            raise ForceFault(msg)
        if not self.host_s:
            most = ", ".join(f"{n} x {why}" for why, n in self.rejected.most_common(3)) or "no reading among them"
            msg = f"All {self.total} lines of the force log were rejected ({most}): check cable, baud rate and firmware, and record the pull again."
            raise ForceFault(msg)


def read_log(lines: Iterable[tuple[float, str]]) -> ForceLog:
    """Cleans the lines of one pull.

    Args:
        lines: (host time in s, raw line) in order of arrival.

    Raises:
        ForceFault: no line at all, or not one of them usable.
    """
    taken = _Taken()
    for arrived, raw in lines:
        taken.line(arrived, raw)
    taken.refuse_nothing()
    rejected = taken.rejected
    t_host, t_board = np.array(taken.host_s), np.array(taken.board_s)
    value, era_of = np.array(taken.counts, dtype=float), np.array(taken.era_of)
    t: Array = t_host.copy()
    for number in range(taken.era + 1):
        part = era_of == number
        if np.count_nonzero(part) >= 5:
            t[part] = _steady(t_host[part], t_board[part])
    order = np.argsort(t, kind="stable")
    t, value = t[order], value[order]
    good = ~_spikes(value)
    spikes = int(np.count_nonzero(~good))
    if spikes:
        rejected[Reason.SPIKE.value] += spikes
    t, value = t[good], value[good]
    apart = np.diff(t)
    rate = 1.0 / float(np.median(apart)) if len(apart) and np.median(apart) > 0 else 0.0
    holes = np.flatnonzero(apart > 1.0)
    return ForceLog(
        t_s=t,
        counts=value,
        rejected=dict(rejected),
        troubles=dict(taken.troubles),
        resets=taken.resets,
        rate_hz=rate,
        gaps=tuple((float(t[i]), float(t[i + 1])) for i in holes),
        hello=taken.hello,
    )


def _steady(host: Array, board: Array) -> Array:
    """Host times by the board's clock: offset and drift by a robust line through (board, host)."""
    x = board - board[0]
    y = host - host[0]
    slope, offset = 1.0, float(np.median(y - x))
    if x[-1] > 20.0:
        for _ in range(4):
            left = y - slope * x - offset
            scale = 1.4826 * float(np.median(np.abs(left - np.median(left)))) + 1e-4
            weight = 1.0 / (1.0 + (left / (2 * scale)) ** 2)
            mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
            slope = float(np.sum(weight * (x - mean_x) * (y - mean_y)) / np.sum(weight * (x - mean_x) ** 2))
            slope = float(np.clip(slope, 0.99, 1.01))
            offset = float(mean_y - slope * mean_x)
    out = slope * x + offset
    # a board whose clock leaps without a reset would put readings seconds off: believe the host there
    return np.asarray(np.where(np.abs(out - y) > 0.5, y, out) + host[0], dtype=float)


def _spikes(counts: Array) -> NDArray[np.bool_]:
    """Readings far from both neighbourhoods: a deviation from the median of five beyond what the rest shows."""
    if len(counts) < 5:
        return np.zeros(len(counts), dtype=bool)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(counts, 3, mode="reflect"), 7)
    middle = np.median(windows, axis=1)
    away = np.abs(counts - middle)
    noise = 1.4826 * float(np.median(away)) + 1.0
    # slopes during a pull make the median lag: allow the local spread of the window as well
    local = 1.4826 * np.median(np.abs(windows - middle[:, None]), axis=1)
    return np.asarray(away > 8.0 * noise + 6.0 * local, dtype=bool)
