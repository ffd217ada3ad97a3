"""The serial lines of a simulated scale, faults included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

WRAP = 2**32


def checksum(text: str) -> int:
    """CRC-8, polynomial x^8 + x^2 + x + 1, bit by bit."""
    register = 0
    for char in text.encode("ascii"):
        for bit in range(7, -1, -1):
            top = (register >> 7) & 1
            register = (register << 1) & 0xFF
            if top ^ ((char >> bit) & 1):
                register ^= 0x07
    return register


def line_of(*fields: object) -> str:
    """Fields as a protocol line with its checksum."""
    body = ",".join(str(f) for f in fields)
    return f"{body},{checksum(body):02x}"


FAULTS = ("garbled", "cut", "doubled", "dropout", "spike", "reset", "wrap", "reversed", "trouble")


@dataclass(frozen=True, kw_only=True)
class TrueCell:
    """A load cell as it really is.

    Attributes:
        counts_per_newton: sensitivity; zero_counts at no load; drift_n: wander of the zero over the pull.
        noise_n: sd of one reading; rate_hz readings a second; lag_s from the moment of a sample to its line's arrival.
    """

    counts_per_newton: float
    zero_counts: float
    drift_n: float
    noise_n: float
    rate_hz: float
    lag_s: float


def stream(
    force_at: Callable[[float], float],
    start_s: float,
    end_s: float,
    cell: TrueCell,
    faults: tuple[str, ...],
    rng: np.random.Generator,
) -> list[tuple[float, str]]:
    """(host time, line) of a pull.

    Args:
        force_at: true force (N) at a host time.
        faults: any of ``FAULTS``.
    """
    unknown = set(faults) - set(FAULTS)
    if unknown:
        msg = f"unknown serial fault '{sorted(unknown)[0]}': use any of {', '.join(FAULTS)}."
        raise ValueError(msg)
    sign = -1.0 if "reversed" in faults else 1.0
    span = end_s - start_s
    out: list[tuple[float, str]] = [(start_s, line_of("H", "rackcell", "1.0", int(cell.rate_hz)))]
    board = WRAP - int(300 * span) if "wrap" in faults else int(rng.integers(2_000, 2_000_000))
    reset_at = start_s + 0.55 * span if "reset" in faults else np.inf
    hole = (start_s + 0.62 * span, start_s + 0.62 * span + 1.6) if "dropout" in faults else (np.inf, np.inf)
    t = start_s + 0.2
    step = 1.0 / cell.rate_hz
    while t < end_s:
        if t >= reset_at:
            board, reset_at = 180, np.inf
            out.append((t + cell.lag_s, line_of("H", "rackcell", "1.0", int(cell.rate_hz))))
        drift = cell.drift_n * (t - start_s) / span
        counts = cell.zero_counts + sign * cell.counts_per_newton * (force_at(t) + drift + rng.normal(0, cell.noise_n))
        if "spike" in faults and rng.uniform() < 0.003:
            counts += rng.choice([-1, 1]) * cell.counts_per_newton * rng.uniform(20, 400)
        line = line_of("W", board % WRAP, int(round(counts)))
        arrival = t + cell.lag_s + abs(rng.normal(0, 0.002))
        chance = rng.uniform()
        if hole[0] <= t < hole[1]:
            line = ""
        elif "garbled" in faults and chance < 0.006:
            at = int(rng.integers(0, len(line)))
            line = line[:at] + chr(int(rng.integers(33, 126))) + line[at + 1 :]
        elif "cut" in faults and chance < 0.010:
            line = line[: int(rng.integers(1, len(line)))]
        elif "trouble" in faults and chance < 0.002:
            line = line_of("E", "adc")
        if line:
            out.append((arrival, line))
            if "doubled" in faults and rng.uniform() < 0.006:
                out.append((arrival, line))
        board += int(round(1000 * step)) + (int(rng.integers(0, 2)) if cell.rate_hz > 20 else 0)
        t += step * (1 + rng.normal(0, 0.002))
    return sorted(out, key=lambda item: item[0])
