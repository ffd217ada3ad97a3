"""The MicroPython firmware under CPython, with a stand-in for ``machine``: pins, interrupts, clock, watchdog, and an HX711 on them."""

from __future__ import annotations

import csv
import importlib.util
import itertools
import sys
import time
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tiller.force.line import Hello, Reading, Trouble, parse_line

ROOT = Path(__file__).parents[2]
MAIN = ROOT / "hardware" / "firmware" / "rp2040" / "main.py"
GOLDEN = ROOT / "hardware" / "firmware" / "golden.csv"
TICKS = 2**30
"""MicroPython's ticks wrap there on this port (its documentation: an implementation's own period)."""


class Bench:
    """Time, converter and interrupts; time goes on by what is done."""

    def __init__(self, start_ms: int = 0, rate_hz: int = 80) -> None:
        self.us = 1000 * start_ms
        self.rate_hz = rate_hz
        self.pins: dict[int, int] = {}
        self.interrupts_off = 0
        self.converted = 0
        self.due_us = self.us + 50_000
        self.value, self.pulses, self.ready, self.powered = 0, 0, False, True
        self.rose_us = 0
        self.longest_high_us = 0
        self.unguarded = 0
        self.silent = False
        self.counts: Any = lambda k: 1000 * k
        self.restarts = 0

    def go(self, us: int) -> None:
        self.us += us
        while self.powered and not self.silent and self.us >= self.due_us:
            self.value = self.counts(self.converted) & 0xFFFFFF
            self.converted += 1
            self.ready, self.pulses = True, 0
            self.due_us += 1_000_000 // self.rate_hz

    def data(self) -> int:
        if not self.powered or (not self.ready and self.pulses == 0):
            return 1
        if 1 <= self.pulses <= 24:
            return (self.value >> (24 - self.pulses)) & 1
        return 0 if self.ready and self.pulses == 0 else 1

    def clock(self, level: int) -> None:
        if level:
            self.rose_us = self.us
            if self.ready:
                self.unguarded += self.interrupts_off == 0
                self.pulses += 1
        else:
            high = self.us - self.rose_us
            if high > 60:
                self.restarts += 1
                self.ready, self.pulses = False, 0
                self.due_us = self.us + 50_000
            elif self.ready:
                self.longest_high_us = max(self.longest_high_us, high)
            if self.pulses >= 25:
                self.ready, self.pulses = False, 0


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    bench = Bench()

    class Pin:
        IN, OUT, PULL_UP = 0, 1, 2

        def __init__(self, number: int, mode: int, pull: int | None = None, value: int | None = None) -> None:
            self.number = number
            if value is not None:
                bench.pins[number] = value

        def value(self, level: int | None = None) -> int | None:
            bench.go(2)
            if level is None:
                return bench.data() if self.number == 2 else bench.pins.get(self.number, 0)
            if self.number == 3:
                bench.clock(int(level))
            elif self.number == 4:
                bench.rate_hz = 80 if level else 10
            bench.pins[self.number] = int(level)
            return None

    def disable() -> int:
        bench.interrupts_off += 1
        return bench.interrupts_off - 1

    def enable(state: int) -> None:
        bench.interrupts_off = state

    machine = types.ModuleType("machine")
    machine.__dict__.update(
        Pin=Pin, disable_irq=disable, enable_irq=enable, WDT_RESET=3, reset_cause=lambda: 1, WDT=lambda timeout: None
    )
    monkeypatch.setitem(sys.modules, "machine", machine)
    half = TICKS // 2
    monkeypatch.setattr(time, "ticks_ms", lambda: bench.us // 1000 % TICKS, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda a, b: (a - b + half) % TICKS - half, raising=False)
    monkeypatch.setattr(time, "ticks_add", lambda a, b: (a + b) % TICKS, raising=False)
    monkeypatch.setattr(time, "sleep_us", bench.go, raising=False)
    return bench


def firmware() -> Any:
    spec = importlib.util.spec_from_file_location("scale_firmware", MAIN)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(bench: Bench, scale: Any, turns: int, step_us: int = 300) -> None:
    for _ in range(turns):
        scale.turn()
        bench.go(step_us)


def test_readings_none_lost_and_every_pulse_guarded(bench: Bench) -> None:
    out: list[str] = []
    module = firmware()
    bench.counts = lambda k: (k * 7919) % 16_000_001 - 8_000_000
    scale = module.Scale(module.Converter(), out.append)
    run(bench, scale, 50_000)
    lines = [parse_line(text) for text in out]
    assert isinstance(lines[0], Hello)
    readings = [line for line in lines if isinstance(line, Reading)]
    assert len(lines) == len(readings) + 1
    assert len(readings) > 1000
    assert [r.counts for r in readings] == [bench.counts(k) for k in range(len(readings))]
    assert bench.converted - len(readings) <= 1
    assert bench.unguarded == 0
    assert 0 < bench.longest_high_us < 60


def test_silence_saturation_watchdog_and_commands(bench: Bench) -> None:
    out: list[str] = []
    module = firmware()
    scale = module.Scale(module.Converter(), out.append, was_watchdog=True)
    assert [parse_line(t) for t in out[1:]] == [Trouble("WATCHDOG")]
    run(bench, scale, 3000)
    bench.silent = True
    begun = bench.restarts
    out.clear()
    run(bench, scale, 9000)
    assert [parse_line(t) for t in out].count(Trouble("SILENT")) in (2, 3)
    assert bench.restarts - begun >= 3
    bench.silent = False
    bench.due_us = bench.us
    bench.counts = lambda k: 0x7FFFFF
    out.clear()
    run(bench, scale, 3000)
    assert set(out) == {module.line("E", "SATURATED")}
    bench.counts = lambda k: k
    out.clear()
    scale.listen("hello\r\nrate 10\nmake coffee\n" + "x" * 60 + "\n")
    assert [parse_line(t) for t in out] == [
        Hello("rackcell", "1.1", 80.0),
        Hello("rackcell", "1.1", 10.0),
        Trouble("COMMAND"),
        Trouble("COMMAND"),
    ]
    assert bench.rate_hz == 10


def test_the_boards_ticks_wrap_but_its_clock_goes_on(bench: Bench) -> None:
    out: list[str] = []
    bench.us = 1000 * (TICKS - 2000)
    bench.due_us = bench.us + 50_000
    module = firmware()
    scale = module.Scale(module.Converter(), out.append)
    run(bench, scale, 20_000)
    ms = [line.ms for line in map(parse_line, out) if isinstance(line, Reading)]
    assert ms[-1] > 6000
    assert all(0 < b - a < 20 for a, b in itertools.pairwise(ms))
    scale.ms = scale.heard_ms = 2**32 - 1000  # and the line's own clock wraps at 2^32
    out.clear()
    run(bench, scale, 10_000)
    ms = [line.ms for line in map(parse_line, out) if isinstance(line, Reading)]
    assert sum(b < a for a, b in itertools.pairwise(ms)) == 1
    assert not [t for t in out if t.startswith("E")]


def test_golden_lines(bench: Bench) -> None:
    module = firmware()
    with GOLDEN.open(newline="") as file:
        for row in csv.DictReader(file):
            parts = [row[k] for k in ("kind", "a", "b", "c") if row[k]]
            assert module.line(*parts) == row["line"] + "\n"


def test_the_parser_reads_the_golden_lines_and_no_neighbour_of_them() -> None:
    with GOLDEN.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        line = parse_line(row["line"])
        if row["kind"] == "W":
            assert line == Reading(int(row["a"]), int(row["b"]))
        elif row["kind"] == "H":
            assert line == Hello(row["a"], row["b"], float(row["c"]))
        else:
            assert line == Trouble(row["a"])
        for k in range(len(row["line"])):  # CRC-8 sees every single wrong bit, so every changed character in its span
            for bit in range(7):
                text = row["line"][:k] + chr(ord(row["line"][k]) ^ 1 << bit) + row["line"][k + 1 :]
                changed = parse_line(text)
                assert not isinstance(changed, Reading | Hello | Trouble) or text.upper() == row["line"].upper(), text
