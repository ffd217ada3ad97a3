"""Force as it comes: lines to newton with a zero that is kept while the string is slack.

The record keeps every raw line and is read again by ``force.log``; here is what the screen and the stages need immediately.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from dataclasses import dataclass
from itertools import islice

import numpy as np

from tiller.bow.rigfile import LoadCell
from tiller.force.cell import FAR_N
from tiller.force.line import Hello, Reading, Reason, Rejected, Trouble, parse_line
from tiller.sources.interfaces import Lines

ZERO_S = 1.0
SPIKE_N = 60.0
"""A reading this far from both its neighbours is a spike (common practice, no source)."""
QUIET_N = 2.5
WRONG_WAY_N = -8.0
KEPT_S = 30.0


@dataclass(frozen=True, kw_only=True)
class Weighed:
    """The scale now.

    Attributes:
        t_s: arrival of the last reading; NaN before the first. force_n: NaN where there is none or no zero yet.
        noise_n: sd of one reading over the last seconds.
        rate_hz: readings a second.
        rejected: lines that were not used, by reason.
        trouble: the board's last complaint; hello: its greeting.
        reversed_sign: it read backwards and was turned round.
    """

    t_s: float
    force_n: float
    noise_n: float
    rate_hz: float
    rejected: dict[str, int]
    trouble: str | None
    hello: Hello | None
    reversed_sign: bool


class Weigher:
    """Turns lines into force; may be fed by one thread and asked by another."""

    def __init__(self, cell: LoadCell) -> None:
        self.cell = cell
        self._lock = threading.Lock()
        self._zero: float | None = None
        self.doubt_n = 0.0
        self.shift_n = float("nan")
        self._sign = 1.0
        self._last: deque[tuple[float, float]] = deque(maxlen=3)
        self._kept: deque[tuple[float, float]] = deque()
        self._bare: deque[float] = deque(maxlen=160)
        self._raw: deque[tuple[float, str]] = deque(maxlen=20_000)
        self._rejected: Counter[str] = Counter()
        self._trouble: str | None = None
        self._hello: Hello | None = None

    def feed(self, lines: Lines) -> None:
        """Takes lines in."""
        with self._lock:
            for t, raw in lines:
                self._raw.append((t, raw))
                self._take(t, raw)

    def _take(self, t: float, raw: str) -> None:
        line = parse_line(raw)
        if isinstance(line, Reading):
            self._trouble = None
            self._last.append((t, float(line.counts)))
            self._bare.append(float(line.counts))
            if len(self._last) == 3:
                values = [c for _, c in self._last]
                middle = sorted(values)[1]
                if abs(values[1] - middle) > SPIKE_N * abs(self.cell.counts_per_newton):
                    self._rejected[Reason.SPIKE.value] += 1
                self._kept.append((t, middle))
                while self._kept and self._kept[0][0] < t - KEPT_S:
                    self._kept.popleft()
        elif isinstance(line, Hello):
            self._hello = line
            self._last.clear()
        elif isinstance(line, Trouble):
            self._trouble = line.code
        elif isinstance(line, Rejected):
            self._rejected[line.reason.value] += 1

    def _since(self, from_s: float) -> list[float]:
        newest = list(islice(reversed(self._kept), 400))
        return [c for t, c in newest if t >= from_s]

    def zero(self) -> bool:
        """Takes what the scale reads now, over the last second, as no load; False where it read nothing."""
        with self._lock:
            if not self._kept:
                return False
            recent = self._since(self._kept[-1][0] - ZERO_S)
            if self._zero is None:  # against the calibration: said once in a session
                zero = float(np.median(recent))
                self.shift_n = (zero - self.cell.zero_counts) / abs(self.cell.counts_per_newton)
            self._zero = float(np.median(recent))
            self.doubt_n = 0.0
            return True

    def follow_zero(self) -> None:
        """While the string is slack: lets the zero follow the cell's wandering, if it reads next to nothing."""
        weighed = self.now()
        if self._zero is None:
            with self._lock:
                if not self._kept:
                    return
                recent = self._since(self._kept[-1][0] - ZERO_S)
                far = (float(np.median(recent)) - self.cell.zero_counts) / abs(self.cell.counts_per_newton)
            self.doubt_n = far if abs(far) > FAR_N else 0.0
            if self.doubt_n == 0.0:
                self.zero()
        elif abs(weighed.force_n) < QUIET_N:
            with self._lock:
                recent = self._since(self._kept[-1][0] - ZERO_S)
                self._zero += 0.1 * (float(np.median(recent)) - self._zero)

    def turn_round(self) -> bool:
        """Turns the sign round where the force runs the wrong way; whether it was."""
        if not self.now().force_n < WRONG_WAY_N:
            return False
        self._sign = -self._sign
        return True

    def now(self) -> Weighed:
        """The scale now."""
        with self._lock:
            last = self._kept[-1] if self._kept else None
            scale = abs(self.cell.counts_per_newton)
            force = noise = rate = float("nan")
            if last is not None:
                recent = self._since(last[0] - 2.0)
                bare = np.array(self._bare)
                if self._zero is not None:
                    force = self._sign * float(self.cell.newtons(np.array(last[1] - self._zero)))
                if len(bare) > 4:
                    steps = np.diff(bare)
                    noise = float(1.4826 * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2.0) / scale)
                    rate = len(recent) / 2.0
            return Weighed(
                t_s=last[0] if last else float("nan"),
                force_n=force,
                noise_n=noise,
                rate_hz=rate,
                rejected=dict(self._rejected),
                trouble=self._trouble,
                hello=self._hello,
                reversed_sign=self._sign < 0,
            )

    def rate_hz(self) -> float:
        """Readings a second lately, at least 1."""
        with self._lock:
            newest = list(islice(reversed(self._kept), 12))
            span = newest[0][0] - newest[-1][0] if len(newest) > 2 else 0.0
            return max((len(newest) - 1) / span, 1.0) if span > 0 else 10.0

    def force_now(self) -> tuple[float, float]:
        """Time and force of the last reading; NaN where there is none. Cheaper than ``now``."""
        with self._lock:
            if not self._kept:
                return float("nan"), float("nan")
            t, counts = self._kept[-1]
            if self._zero is None:
                return t, float("nan")
            return t, self._sign * float(self.cell.newtons(np.array(counts - self._zero)))

    def force_at(self, t_s: float) -> float:
        """Force by the readings about that moment, N; the last one where it lies after all, NaN where nothing is kept."""
        with self._lock:
            if not self._kept or self._zero is None:
                return float("nan")
            after = counts = self._kept[-1]
            for reading in reversed(self._kept):
                counts = reading
                if reading[0] <= t_s:
                    break
                after = reading
            (t0, before), (t1, later) = counts, after
            share = min(max((t_s - t0) / (t1 - t0), 0.0), 1.0) if t1 > t0 else 0.0
            level = before + share * (later - before)
            return self._sign * float(self.cell.newtons(np.array(level - self._zero)))

    def raw_since(self, from_s: float) -> tuple[Lines, float]:
        """Raw lines later than that, and the time of the last one."""
        with self._lock:
            out = []
            for t, raw in reversed(self._raw):
                if t <= from_s:
                    break
                out.append((t, raw))
            out.reverse()
            return tuple(out), (out[-1][0] if out else from_s)
