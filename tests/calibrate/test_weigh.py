"""Weights by the scale alone. What hangs on the scale is known, so the holds are held against it; the mean swing of a sine by its integral."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell, read_rig_for_weight
from tiller.cli.entry import main
from tiller.errors import ForceFault, KeyFault
from tiller.force.line import crc8
from tiller.setup import weighing
from tiller.setup.weighing import Hold, odd_steps, steady, weigh
from tiller.sources.interfaces import ENDED, Ended, Lines

CELL = LoadCell(counts_per_newton=6000.0, zero_counts=40_000.0, sensitivity_sd=0.002, largest_n=150.0)
ONLY_SCALE = "[load_cell]\ncounts_per_newton = 6000.0\nzero_counts = 40000\nsensitivity_sd = 0.002\nlargest_n = 150\n"
EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "rig.toml"


class PulledScale:
    """A scale that is pulled by hand, on a clock of its own: steps of (seconds, newton at the end, shake in N), a straight line between two."""

    name = "the test's scale"
    PERIOD_S = 0.012
    ends: type[BaseException] | None = None

    def __init__(self, steps: list[tuple[float, float, float]], zero_n: float = 0.0, sign: float = 1.0) -> None:
        self.forces = [zero_n] * 700
        rng = np.random.default_rng(5)
        for seconds, end, shake in steps:
            count = round(seconds / self.PERIOD_S)
            line = np.linspace(self.forces[-1] if shake == 0 else end, end, count)
            tremor = shake * np.sin(2 * np.pi * 2.0 * np.arange(count) * self.PERIOD_S)
            self.forces += list(line + tremor + 0.02 * rng.normal(size=count))
        self.at, self.sign = 0, sign

    def now_s(self) -> float:
        return self.at * self.PERIOD_S

    def open(self) -> None: ...

    def close(self) -> None: ...

    def write(self, text: str) -> None: ...

    def read(self) -> Lines | Ended:
        if self.at >= len(self.forces) and self.ends is not None:
            raise self.ends
        if self.at >= len(self.forces) + 20_000:
            return ENDED
        force = self.sign * self.forces[min(self.at, len(self.forces) - 1)]
        self.at += 1
        body = f"W,{round(1000 * self.now_s())},{round(40_000 + 6000 * force)}"
        return ((self.now_s(), f"{body},{crc8(body.encode()):02X}"),)


HOLDS = [(4.0, 40.0, 0.0), (4.0, 40.0, 0.2), (4.0, 90.0, 0.0), (4.0, 90.0, 0.4), (4.0, 145.0, 0.0), (4.0, 145.0, 0.6)]
DOWN = [(2.0, 0.0, 0.0), (10.0, 0.0, 0.01)]
DRAWS = (250.0, 300.0, 350.0)


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> Callable[[PulledScale], PulledScale]:
    """Puts a scale on the clock that the program reads."""

    def use(scale: PulledScale) -> PulledScale:
        for module in ("capture", "weighing"):
            monkeypatch.setattr(f"tiller.setup.{module}.now_s", scale.now_s)
        monkeypatch.setattr("tiller.sources.scales.SerialScale", lambda _: scale)
        return scale

    return use


Use = Callable[[PulledScale], PulledScale]


def test_each_hold_is_found_and_nothing_between(hand: Use) -> None:
    told: list[tuple[float, Hold | None]] = []
    done = weigh(hand(PulledScale([*HOLDS, *DOWN])), CELL, DRAWS, lambda d, h: told.append((d, h)), 120.0)
    assert [h.draw_mm for h in done.holds] == list(DRAWS)
    for hold, true in zip(done.holds, (40.0, 90.0, 145.0), strict=True):
        assert hold.force_n == pytest.approx(true, abs=0.1)
        assert hold.sd_n > 0.002 * true
    assert told[0] == (250.0, None)
    assert [d for d, _ in told[1:3]] == [300.0, 350.0]
    assert np.isnan(told[3][0])
    assert abs(done.left_n) < 0.1
    assert odd_steps(done.holds) == ()


@pytest.mark.parametrize(("told", "taken"), [(0.02, 0.02), (0.0, 0.002)])
def test_the_cell_s_own_doubt_is_in_the_sd(hand: Use, told: float, taken: float) -> None:
    """Of a cell that nothing is told of it is 0.2 %, as everywhere."""
    quiet = [(0.012, 900.0, 0.0), (6.0, 900.0, 0.001), *DOWN]
    cell = replace(CELL, sensitivity_sd=told)
    done = weigh(hand(PulledScale(quiet)), cell, DRAWS, lambda *_: None, 120.0)
    assert done.holds[0].sd_n == pytest.approx(taken * 900.0, rel=0.05)


def test_a_slow_pull_is_no_hold_and_a_pause_is_pointed_at(hand: Use) -> None:
    # 80 to 130 N at 1.7 N a second: what is steady within a second is on the move all the same
    with pytest.raises(ForceFault, match="but no hold"):
        weigh(hand(PulledScale([(3.0, 80.0, 0.0), (30.0, 130.0, 0.0), *DOWN])), CELL, DRAWS, lambda *_: None, 120.0)
    # one long hold is one, however long
    long = [(4.0, 40.0, 0.0), (20.0, 40.0, 0.2), *DOWN]
    assert len(weigh(hand(PulledScale(long)), CELL, DRAWS, lambda *_: None, 120.0).holds) == 1
    # a pause at 50 N takes the place of the second draw: the rises of 0.2 and 0.8 N/mm do not fit each other
    paused = [*HOLDS[:2], (2.0, 50.0, 0.0), (4.0, 50.0, 0.2), (4.0, 90.0, 0.0), (4.0, 90.0, 0.2), *DOWN]
    done = weigh(hand(PulledScale(paused)), CELL, DRAWS, lambda *_: None, 120.0)
    assert [round(h.force_n) for h in done.holds] == [40, 50, 90]
    assert odd_steps(done.holds) == (1,)


def test_let_down_before_the_last_a_wrong_way_and_a_wrong_zero(hand: Use) -> None:
    scale = hand(PulledScale([*HOLDS[:4], *DOWN]))
    assert len(weigh(scale, CELL, DRAWS, lambda *_: None, 120.0).holds) == 2
    assert scale.now_s() < 40.0  # it does not wait for more
    with pytest.raises(ForceFault, match="wrong way"):
        weigh(hand(PulledScale(HOLDS, sign=-1.0)), CELL, DRAWS, lambda *_: None, 120.0)
    with pytest.raises(ForceFault, match="take off what hangs"):
        weigh(hand(PulledScale(HOLDS, zero_n=30.0)), CELL, DRAWS, lambda *_: None, 120.0)
    # 12 N hung there: too little to be sure of, but it shows once the string is down
    done = weigh(hand(PulledScale([*HOLDS, *DOWN], zero_n=12.0)), CELL, DRAWS, lambda *_: None, 120.0)
    assert done.left_n == pytest.approx(-12.0, abs=0.2)


def test_what_is_a_hold() -> None:
    t = np.arange(0.0, 2.0, 0.0125)
    middle, sd, wander = steady(t, np.full(len(t), 80.0)) or (0.0, 1.0, 1.0)
    assert (middle, sd, wander) == (80.0, 0.0, 0.0)
    # a sine of 2 Hz, averaged over 0.2 s, is left with sin(x)/x of its size, x = pi 2 0.2; ten even steps through it have the sd of half its
    # square times 10/9
    sway = steady(t, 80.0 + 0.6 * np.sin(2 * np.pi * 2.0 * t)) or (0.0, 0.0, 0.0)
    x = np.pi * 2.0 * weighing.BLOCK_S
    assert sway[1] == pytest.approx(0.6 * np.sin(x) / x * np.sqrt(0.5 * 10 / 9), rel=0.02)
    # a pull that goes on at 10 N/s is none; a tremor that is quick against the means is one
    assert steady(t, 80.0 + 10.0 * t) is None
    quick = steady(t, 80.0 + 3.0 * np.sin(2 * np.pi * t / (weighing.BLOCK_S / 2)))
    assert quick is not None
    assert quick[0] == pytest.approx(80.0, abs=0.3)
    # a slow sway of 5 % either way is none
    assert steady(t, 80.0 * (1 + 0.05 * np.sin(2 * np.pi * t / 2.0))) is None


def test_the_command_needs_no_more_than_the_scale(
    hand: Use, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    (tmp_path / "rig.toml").write_text(ONLY_SCALE)
    hand(PulledScale([*HOLDS, *DOWN]))
    table = tmp_path / "out" / "weights.csv"
    table.parent.mkdir()
    assert main(["weigh", "--scale", "PORT", "--at", "10in,300,35cm", "--csv", str(table)]) == 0
    out = capsys.readouterr().out
    assert "eye protection" in out
    assert "254 mm: 40" in out
    assert "?" not in out
    assert "CHECK" not in out
    rows = [[float(v) for v in line.split(",")] for line in table.read_text().splitlines()[1:]]
    assert [row[0] for row in rows] == [254.0, 300.0, 350.0]
    assert [row[1] for row in rows] == pytest.approx([40.0, 90.0, 145.0], abs=0.2)
    for wrong, why in (("300,250", "that rise"), ("20", "50 to 1200"), ("three", "no length"), ("300,,", "no length")):
        assert main(["weigh", "--scale", "PORT", "--at", wrong]) == 2
        assert why in capsys.readouterr().err
    # stopped on the way: what was weighed is kept
    table.unlink()
    hand(PulledScale(HOLDS[:4]))
    monkeypatch.setattr(PulledScale, "ends", KeyboardInterrupt)
    assert main(["weigh", "--scale", "PORT", "--at", "250,300,350", "--csv", str(table)]) == 130
    assert len(table.read_text().splitlines()) == 3
    monkeypatch.setattr(PulledScale, "ends", None)
    # a load that hung there at the zero
    table.unlink()
    hand(PulledScale([*HOLDS, *DOWN], zero_n=12.0))
    assert main(["weigh", "--scale", "PORT", "--at", "250,300,350", "--csv", str(table)]) == 2
    assert "weigh again" in capsys.readouterr().err
    assert not table.exists()
    hand(PulledScale([(100.0, 0.0, 0.01)]))
    assert main(["weigh", "--scale", "PORT", "--at", "300", "--for", "5"]) == 2
    assert "felt no pull" in capsys.readouterr().err


def test_a_rig_with_a_scale_only_works_by_weight(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(ONLY_SCALE)
    rig = read_rig_for_weight(path)
    assert rig.load_cell == replace(CELL, gravity=9.80665)  # what is not told there is the standard one
    assert rig.fiducials == ()
    # lens and scale without the board work by weight too; where all of it is in the file it is checked
    text = EXAMPLE.read_text()
    path.write_text(ONLY_SCALE + "[camera]\nimage_size = [1280, 720]\n")
    assert read_rig_for_weight(path).fiducials == ()
    path.write_text(text.replace("image_size", "image_sise"))
    with pytest.raises(KeyFault):
        read_rig_for_weight(path)
    assert read_rig_for_weight(EXAMPLE).fiducials
    path.write_text("cradle_half_mm = 50\n")
    with pytest.raises(KeyFault, match="load_cell"):
        read_rig_for_weight(path)


def test_what_a_rig_with_a_scale_only_lacks_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    bow = str(EXAMPLE.with_name("bow.toml"))
    for words in (["rack", bow, "--no-camera"], ["weigh", "--at", "300"]):
        assert main([*words, "--scale", "socket://127.0.0.1:9"]) == 2
        assert "'tiller calibrate scale' writes it" in capsys.readouterr().err
    (tmp_path / "rig.toml").write_text(ONLY_SCALE)
    assert main(["rack", bow, "--headless", "--for", "1"]) == 2
    assert "--no-camera works by weight alone" in capsys.readouterr().err
    (tmp_path / "rig.toml").write_text(ONLY_SCALE + "[camera]\nimage_size = [1280, 720]\n")
    assert main(["rack", bow, "--headless", "--for", "1"]) == 2
    assert "no fiducials and no hook yet: 'tiller calibrate board' writes that" in capsys.readouterr().err
