"""Weights by the scale alone. What hangs on the scale is known, so the holds are held against it; the mean swing of a sine by its integral."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell, read_rig_for_weight
from tiller.cli.entry import main
from tiller.errors import ForceFault, KeyFault
from tiller.force.line import crc8
from tiller.setup import weighing
from tiller.setup.capture import settled
from tiller.setup.weighing import Hold, steady, weigh
from tiller.sources.interfaces import Ended, Lines, now_s

CELL = LoadCell(6000.0, 40_000.0, sensitivity_sd=0.001, largest_n=150.0)
ONLY_SCALE = "[load_cell]\ncounts_per_newton = 6000.0\nzero_counts = 40000\nsensitivity_sd = 0.001\nlargest_n = 150\n"
EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "rig.toml"


class PulledScale:
    """A scale that is pulled by hand: steps of (readings, newton at the end, shake in N), a straight line between two."""

    name = "the test's scale"

    def __init__(self, steps: list[tuple[int, float, float]], sign: float = 1.0) -> None:
        self.forces = [0.0] * 400
        rng = np.random.default_rng(5)
        for count, end, shake in steps:
            line = np.linspace(self.forces[-1], end, count)
            self.forces += list(line + shake * np.sin(np.arange(count) / 25.0) + 0.02 * rng.normal(size=count))
        self.at, self.sign = 0, sign

    def open(self) -> None: ...

    def close(self) -> None: ...

    def write(self, text: str) -> None: ...

    def read(self) -> Lines | Ended:
        threading.Event().wait(0.002)
        force = self.sign * self.forces[min(self.at, len(self.forces) - 1)]
        self.at += 1
        body = f"W,{12 * self.at},{round(40_000 + 6000 * force)}"
        return ((now_s(), f"{body},{crc8(body.encode()):02X}"),)


HOLDS = [(300, 40.0, 0.0), (700, 40.0, 0.2), (400, 90.0, 0.0), (700, 90.0, 0.3), (400, 160.0, 0.0), (900, 160.0, 0.3)]
DOWN = [(200, 0.0, 0.0), (4000, 0.0, 0.0)]


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weighing, "HOLD_S", 0.4)
    monkeypatch.setattr(weighing, "BLOCK_S", 0.08)
    monkeypatch.setattr(settled, "__defaults__", (0.0, 0.3))


def test_each_hold_is_found_and_nothing_between() -> None:
    told: list[tuple[float, Hold | None]] = []
    holds = weigh(PulledScale([*HOLDS, *DOWN]), CELL, (250.0, 300.0, 350.0), lambda d, h: told.append((d, h)), 60.0)
    assert [h.draw_mm for h in holds] == [250.0, 300.0, 350.0]
    for hold, true in zip(holds, (40.0, 90.0, 160.0), strict=True):
        assert hold.force_n == pytest.approx(true, abs=max(3 * hold.sd_n, 0.05))
        assert 0.001 * true <= hold.sd_n < 0.02 * true
    assert told[0] == (250.0, None)
    assert [d for d, _ in told[1:3]] == [300.0, 350.0]
    assert np.isnan(told[3][0])


def test_let_down_before_the_last_and_a_wrong_way() -> None:
    holds = weigh(PulledScale([*HOLDS[:4], *DOWN]), CELL, (250.0, 300.0, 350.0), lambda *_: None, 60.0)
    assert len(holds) == 2
    with pytest.raises(ForceFault, match="wrong way"):
        weigh(PulledScale(HOLDS, sign=-1.0), CELL, (250.0,), lambda *_: None, 60.0)


def test_what_is_a_hold() -> None:
    t = np.arange(0.0, 2.0, 0.0125)
    middle, sd, wander = steady(t, np.full(len(t), 80.0)) or (0.0, 1.0, 1.0)
    assert (middle, sd, wander) == (80.0, 0.0, 0.0)
    # a pull that goes on at 10 N/s is none; a tremor that is quick against the means is one
    assert steady(t, 80.0 + 10.0 * t) is None
    quick = steady(t, 80.0 + 3.0 * np.sin(2 * np.pi * t / (weighing.BLOCK_S / 2)))
    assert quick is not None
    assert quick[0] == pytest.approx(80.0, abs=0.3)
    # a slow sway of 5 % either way is none
    assert steady(t, 80.0 * (1 + 0.05 * np.sin(2 * np.pi * t / 2.0))) is None


def test_the_command_needs_no_more_than_the_scale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    (tmp_path / "rig.toml").write_text(ONLY_SCALE)
    monkeypatch.setattr("tiller.sources.scales.SerialScale", lambda _: PulledScale([*HOLDS, *DOWN]))
    table = tmp_path / "out" / "weights.csv"
    table.parent.mkdir()
    assert main(["weigh", "--scale", "PORT", "--at", "10in,300,35cm", "--csv", str(table)]) == 0
    out = capsys.readouterr().out
    assert "eye protection" in out
    assert "254 mm: 40" in out
    assert "over the 150" in out
    rows = [[float(v) for v in line.split(",")] for line in table.read_text().splitlines()[1:]]
    assert [row[0] for row in rows] == [254.0, 300.0, 350.0]
    assert [row[1] for row in rows] == pytest.approx([40.0, 90.0, 160.0], abs=1.5)
    for wrong, why in (("300,250", "that rise"), ("20", "50 to 1200"), ("three", "no length"), ("300,,", "no length")):
        assert main(["weigh", "--scale", "PORT", "--at", wrong]) == 2
        assert why in capsys.readouterr().err
    monkeypatch.setattr("tiller.sources.scales.SerialScale", lambda _: PulledScale([(4000, 0.0, 0.0)]))
    assert main(["weigh", "--scale", "PORT", "--at", "300", "--for", "5"]) == 2
    assert "felt no pull" in capsys.readouterr().err


def test_a_rig_with_a_scale_only_works_by_weight(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(ONLY_SCALE)
    rig = read_rig_for_weight(path)
    assert rig.load_cell == replace(CELL, gravity=9.80665)  # what is not told there is the standard one
    assert rig.fiducials == ()
    # where more is in the file it is checked
    path.write_text(ONLY_SCALE + "bow_plane_z_mm = 40\n[camera]\nimage_size = [1, 1]\n")
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
