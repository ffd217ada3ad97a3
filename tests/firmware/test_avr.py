"""The real AVR binary on a board in software (simavr), its serial line read by ``tiller`` through pyserial.

simavr executes the instructions, timers, UART and watchdog of the ATmega328P; ``board.c`` stands for the HX711 on its pins.
"""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell
from tiller.force.cell import to_newton
from tiller.force.line import Hello, Line, Reading, Trouble, parse_line
from tiller.force.log import read_log
from tiller.sources.interfaces import Ended
from tiller.sources.scales import SerialScale

ROOT = Path(__file__).parents[2]
AVR = ROOT / "hardware" / "firmware" / "avr"
GOLDEN = ROOT / "hardware" / "firmware" / "golden.csv"
NEAR_WRAP = 4_294_960_000


def counts(k: int) -> int:
    """What the board's converter reads at conversion k: the rule of board.c."""
    return (k * 7919) % 16_000_001 - 8_000_000


@dataclass(frozen=True)
class Built:
    """Paths of what was built: the firmware, the same with test commands and a clock about to wrap, and the board."""

    plain: Path
    testing: Path
    board: Path


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    lacking = [tool for tool in ("avr-g++", "make", "gcc") if shutil.which(tool) is None]
    if not lacking and not any(Path(p).exists() for p in ("/usr/include/simavr", "/usr/local/include/simavr")):
        lacking = ["simavr's headers (libsimavr-dev)"]
    if lacking:
        what = f"the firmware cannot be built and run here: {', '.join(lacking)} missing"
        if os.environ.get("TILLER_NO_SKIPS"):
            pytest.fail(what)
        pytest.skip(what)
    out = tmp_path_factory.mktemp("firmware")
    defines = f"-DTILLER_TEST -DMS_AT_BOOT={NEAR_WRAP}UL -DWATCHDOG=WDTO_250MS"
    for folder, given in (("plain", ""), ("testing", defines)):
        subprocess.run(
            ["make", "-s", "-C", str(AVR), f"OUT={out / folder}", f"DEFINES={given}"], check=True, capture_output=True
        )
    board = out / "board"
    source = str(Path(__file__).with_name("board.c"))
    subprocess.run(
        ["gcc", "-O2", "-Wall", "-Wextra", "-Werror", source, "-o", str(board), "-lsimavr", "-lelf", "-lutil"],
        check=True,
        capture_output=True,
    )
    return Built(out / "plain" / "tiller_scale.elf", out / "testing" / "tiller_scale.elf", board)


@dataclass
class Session:
    """A board that runs, and what came of it."""

    process: subprocess.Popen[str]
    scale: SerialScale
    raw: list[str] = field(default_factory=list)
    told: dict[str, int] = field(default_factory=dict)

    @property
    def lines(self) -> list[Line]:
        return [parse_line(text) for text in self.raw]

    @property
    def readings(self) -> list[Reading]:
        return [line for line in self.lines if isinstance(line, Reading)]

    @property
    def troubles(self) -> list[str]:
        return [line.code for line in self.lines if isinstance(line, Trouble)]

    def send(self, text: str) -> None:
        self.scale.write(text)

    def listen(self, enough: int = 10**9, quiet_s: float = 1.0, patience_s: float = 400.0) -> None:
        """Reads until so many lines are there, or nothing comes any more."""
        begun = last = time.monotonic()
        while len(self.raw) < enough and time.monotonic() - last < quiet_s and time.monotonic() - begun < patience_s:
            batch = self.scale.read()
            assert not isinstance(batch, Ended)
            if batch:
                last = time.monotonic()
                self.raw += [text for _, text in batch]


@contextmanager
def running(built: Built, elf: Path, samples: int, **settings: int) -> Iterator[Session]:
    given = [f"{key}={value}" for key, value in settings.items()]
    process = subprocess.Popen(
        [str(built.board), str(elf), str(samples), *given], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        port = next(line[5:].strip() for line in process.stdout if line.startswith("port="))
        session = Session(process, SerialScale(port))
        session.scale.open()
        process.stdin.write("\n")
        process.stdin.flush()
        yield session
        process.stdin.write("\n")
        process.stdin.close()
        session.told = {
            key: int(value)
            for key, _, value in (line.strip().partition("=") for line in process.stdout)
            if value.lstrip("-").isdigit()
        }
        session.scale.close()
        assert process.wait(60.0) == 0
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def test_ten_thousand_samples_none_lost_from_counts_to_newtons(built: Built) -> None:
    with running(built, built.plain, 10_000) as board:
        board.listen(10_001, 5.0)
    first = board.lines[0]
    assert isinstance(first, Hello)
    assert (first.name, first.rate_hz) == ("rackcell", 80.0)
    assert all(isinstance(line, Reading | Hello) for line in board.lines)
    assert [r.counts for r in board.readings] == [counts(k) for k in range(10_000)]
    steps = np.diff([r.ms for r in board.readings])
    assert set(steps.tolist()) <= {12, 13}  # 80 a second by a clock of 1 ms
    assert board.readings[-1].ms - board.readings[0].ms == pytest.approx(9_999 * 12.5, abs=2)
    assert board.told["read_out"] == board.told["converted"] == 10_000
    for fault in ("cut_short", "wrong_pulses", "overwritten", "short_pulses", "many_pulses"):
        assert board.told[fault] == 0, fault
    # a slow sweep as newtons, through the code that measures
    cell = LoadCell(counts_per_newton=20_000.0, zero_counts=-8_000_000.0)
    slow = [r for r in board.readings if r.counts < -7_000_000 and r.ms < 2000]
    lines = [(0.001 * r.ms, text) for r, text in zip(board.readings, board.raw[1:], strict=True) if r in slow]
    series = to_newton(read_log(lines), cell, (0.0, 0.2))
    wanted = (np.array([r.counts for r in slow]) - slow[0].counts) / cell.counts_per_newton
    assert len(series.force_n) > 100
    assert np.diff(series.force_n) == pytest.approx(np.diff(wanted)[: len(series.force_n) - 1], abs=1e-6)


def test_a_clock_that_wraps(built: Built) -> None:
    with running(built, built.testing, 1000) as board:
        board.listen(1001, 3.0)
    ms = np.array([r.ms for r in board.readings])
    assert len(ms) == 1000
    assert ms[0] > NEAR_WRAP
    assert ms[-1] < 10_000
    assert np.count_nonzero(np.diff(ms) < 0) == 1
    assert set((np.diff(ms) % 2**32).tolist()) <= {12, 13}
    log = read_log([(10.0 + 0.0125 * k, text) for k, text in enumerate(board.raw[1:])])
    assert len(log.counts) == 1000


def test_a_converter_that_falls_silent_is_told_and_started_anew(built: Built) -> None:
    with running(built, built.plain, 400, silent_from=2000, silent_to=4500) as board:
        board.listen(10**9, 2.0)
    assert board.troubles.count("SILENT") in (1, 2, 3)  # once a second at most
    assert board.told["powered_down"] >= 3
    assert [r.counts for r in board.readings] == [counts(k) for k in range(400)]
    assert max(np.diff([r.ms for r in board.readings])) > 2000


def test_a_converter_whose_rate_is_tied_low_works_at_ten_a_second(built: Built) -> None:
    with running(built, built.plain, 60, rate_wired=0) as board:
        board.listen(10**9, 2.0)
    assert [r.counts for r in board.readings] == [counts(k) for k in range(60)]
    assert board.troubles == []
    assert [line.rate_hz for line in board.lines if isinstance(line, Hello)] == [
        80.0,
        10.0,
    ]  # what is asked for, what comes


def test_a_line_that_stays_low_is_no_reading(built: Built) -> None:
    with running(built, built.plain, 10_000, stuck_low=1, limit_ms=5000) as board:
        board.listen(10**9, 2.0)
    assert board.readings == []
    assert set(board.troubles) == {"SILENT"}


def test_the_end_of_the_range_is_told_and_not_sent(built: Built) -> None:
    with running(built, built.plain, 200, saturate_at=50) as board:
        board.listen(10**9, 2.0)
    assert board.troubles == ["SATURATED"]
    assert [r.counts for r in board.readings] == [counts(k) for k in range(200) if k != 50]


def test_a_reset_in_the_midst(built: Built) -> None:
    with running(built, built.plain, 300, reset_at=2000) as board:
        board.listen(10**9, 2.0)
    hellos = [k for k, line in enumerate(board.lines) if isinstance(line, Hello)]
    assert len(hellos) == 2
    assert board.troubles == []
    ms = [r.ms for r in board.readings]
    assert np.count_nonzero(np.diff(ms) < 0) == 1  # the clock begins anew
    assert len(board.readings) >= 290  # what was being converted is lost, and what came while it settled


def test_a_hang_ends_in_the_watchdog(built: Built) -> None:
    with running(built, built.testing, 700, speed=3) as board:
        board.listen(20, 3.0)
        board.send("hang\n")
        for _ in range(1000):  # the simulator is slow while the chip does not sleep
            board.listen(len(board.raw) + 1, 40.0)
            if board.troubles:
                break
        board.listen(10**9, 3.0)
    assert board.troubles == ["WATCHDOG"]
    assert sum(isinstance(line, Hello) for line in board.lines) == 2
    at = board.lines.index(next(line for line in board.lines if isinstance(line, Trouble)))
    assert isinstance(board.lines[at - 1], Hello)
    assert any(isinstance(line, Reading) for line in board.lines[at:])


def test_commands(built: Built) -> None:
    with running(built, built.plain, 130, speed=4) as board:
        board.listen(20, 3.0)
        board.send("hello\n")
        board.send("make coffee\n")
        board.send("x" * 60 + "\n")
        board.listen(60, 3.0)
        board.send("rate 10\n")
        board.listen(10**9, 3.0)
    hellos = [line for line in board.lines if isinstance(line, Hello)]
    assert [h.rate_hz for h in hellos] == [80.0, 80.0, 10.0]
    assert board.troubles == ["COMMAND", "COMMAND"]
    steps = np.diff([r.ms for r in board.readings])
    assert {int(s) for s in steps[-40:]} <= {99, 100, 101}
    assert [r.counts for r in board.readings] == [counts(k) for k in range(130)]


def test_golden_lines_from_the_board_itself(built: Built) -> None:
    with GOLDEN.open(newline="") as file:
        rows = list(csv.DictReader(file))
    with running(built, built.testing, 300, speed=2) as board:
        board.listen(10, 3.0)
        for row in rows:
            if row["kind"] == "W":
                board.send(f"W {row['a']} {row['b']}\n")
            elif row["kind"] == "H":
                board.send(f"rate {row['c']}\n")
            elif row["a"] == "COMMAND":
                board.send("nothing of that kind\n")
            time.sleep(0.05)
        board.send("rate 80\n")
        board.listen(10**9, 2.0)
    came = set(board.raw)
    for row in rows:
        if row["kind"] in "WH" or row["a"] == "COMMAND":
            assert row["line"] in came, row
