"""The load cell from known loads. Definitions and class table: ISO 376:2011 (from memory); normal gravity: Geodetic Reference
System 1980 (Moritz 2000), values at equator, 45 degrees and pole (from memory)."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell, read_rig
from tiller.cli.entry import main
from tiller.errors import ForceFault, SourceFault
from tiller.force.calibrate import CLASSES, Calibration, Load, calibrate, drifted, normal_gravity, weight_n
from tiller.force.line import crc8
from tiller.setup.capture import settled, steps_of
from tiller.sources.interfaces import Ended, Lines, now_s

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "rig.toml"


def test_normal_gravity() -> None:
    for degrees, wanted in ((0.0, 9.7803267715), (45.0, 9.806199203), (90.0, 9.8321863685)):  # GRS 1980
        assert normal_gravity(np.deg2rad(degrees)) == pytest.approx(wanted, abs=2e-9)
    # free-air gradient of the handbooks, 0.3086 mGal/m (from memory)
    fall = normal_gravity(np.deg2rad(45.0)) - normal_gravity(np.deg2rad(45.0), 1000.0)
    assert fall == pytest.approx(3.086e-3, rel=2e-3)
    # air takes 1.2 kg/m3 over 8000 kg/m3 off a mass: 0.015 % (OIML D 28, from memory)
    assert weight_n(10.0, 9.80665) == pytest.approx(98.0665 * (1 - 1.5e-4), rel=1e-9)


def cheap_cell(rng: np.random.Generator, series: int = 3, mass_sd: float = 0.0003) -> tuple[float, tuple[Load, ...]]:
    """True sensitivity and loads of a cheap cell: creep, hysteresis, a zero that wanders, noise, masses that are a little off."""
    counts = rng.choice([-1, 1]) * rng.uniform(3000, 9000)
    most = rng.uniform(150, 400)
    creep, hysteresis = rng.uniform(0.0, 0.0015), rng.uniform(0.0002, 0.001)
    noise, drift, warm = rng.uniform(0.001, 0.005), rng.normal(0, 0.3), rng.normal(0, 0.0002)
    wrong = 1 + rng.normal(0, mass_sd)
    zero = rng.uniform(-1e5, 1e5)
    crept, t = 0.0, 0.0
    loads = []
    for number, rising, force in steps_of(np.linspace(0.1, 1, 6) * most, series):
        t += 30.0
        crept += (creep * force - crept) * (1 - np.exp(-30 / 120.0))
        held_back = hysteresis * 4 * most * (force / most) * (1 - force / most) * (-0.5 if rising else 0.5)
        felt = force * wrong + crept + held_back + drift * t / 1500 + warm * force * rng.normal() + rng.normal(0, noise)
        loads.append(Load(number, rising, force, zero + counts * felt, abs(counts) * noise))
    return counts, tuple(loads)


def test_sensitivity_within_a_thousandth_and_its_sd_honest() -> None:
    off, share = [], []
    for seed in range(500):
        true, loads = cheap_cell(np.random.default_rng(seed))
        found = calibrate(loads, 0.0003)
        off.append(found.counts_per_newton / true - 1)
        share.append(off[-1] / found.sensitivity_sd)
    assert np.sqrt(np.mean(np.square(off))) < 0.0006
    assert np.percentile(np.abs(off), 95) < 0.001
    assert 0.92 <= np.mean(np.abs(share) < 2) <= 0.98
    assert abs(np.mean(off)) < 0.0005  # a load that hangs for half a minute has crept by some of it


def exact(
    levels: np.ndarray, cpn: float = 5000.0, series: int = 3, down: float = 0.0, spread: float = 0.0, curve: float = 0.0
) -> tuple[Load, ...]:
    """Loads whose figures are known by their definitions."""
    loads = []
    for number, rising, force in steps_of(levels.tolist(), series):
        share = (0.0 if rising else down) + spread * (number - 2) / 2
        loads.append(Load(number, rising, force, cpn * force * (1 + share) + curve * force**2 + 1000.0))
    return tuple(loads)


def test_figures_by_their_definitions_and_the_class() -> None:
    levels = np.array([25.0, 50, 100, 150, 200, 250])
    found = calibrate(exact(levels, down=0.0010, spread=0.0004), 0.0)
    # reversibility: (down - up) / up = 0.10 %, repeatability: (largest - least) / mean = 0.04 %
    assert found.reversibility[:-1] == pytest.approx(0.10, abs=1e-3)
    assert found.repeatability == pytest.approx(0.04, abs=1e-3)
    assert found.zero_percent == pytest.approx(0.0, abs=1e-9)
    assert found.best == "0.5"  # 00 asks for 0.025 % repeatability, 0.5 for 0.05
    assert (found.from_n, found.to_n) == (25.0, 250.0)
    assert calibrate(exact(levels), 0.0).best == "00"
    assert calibrate(exact(levels, spread=0.0015), 0.0).best == "2"
    assert calibrate(exact(levels, spread=0.0030), 0.0).best is None
    assert [row[0] for row in CLASSES] == ["00", "0.5", "1", "2"]
    # a class may hold from some load on only
    low = tuple(
        replace(o, counts=o.counts + (40.0 * (o.series - 2)) * (o.force_n == 25.0)) for o in exact(levels, down=0.0001)
    )
    partly = calibrate(low, 0.0)
    assert partly.best == "00"
    assert partly.from_n == 50.0


def test_a_quadratic_must_earn_its_place() -> None:
    levels = np.linspace(20, 300, 8)
    curved = calibrate(exact(levels, curve=0.05, spread=0.0001), 0.0)
    assert curved.counts_per_n2 == pytest.approx(0.05, rel=0.05)
    assert np.max(np.abs(curved.residual_n)) < 0.1
    cell = LoadCell(counts_per_newton=curved.counts_per_newton, zero_counts=0.0, counts_per_n2=curved.counts_per_n2)
    assert cell.newtons(np.array([5000.0 * 200 + 0.05 * 200**2])) == pytest.approx(200.0, rel=5e-4)
    straight = [calibrate(cheap_cell(np.random.default_rng(seed))[1], 0.0).counts_per_n2 != 0 for seed in range(100)]
    assert np.mean(straight) < 0.2


def test_a_creep_check_is_told_and_used() -> None:
    t = np.arange(0.0, 300.0, 0.0125)
    crept = 5000.0 * 250.0 * (1 + 0.0008 * (1 - np.exp(-t / 60.0)))
    levels = np.array([25.0, 50, 100, 150, 200, 250])
    found = calibrate(exact(levels), 0.0, (t, crept))
    # from the first half minute's middle to the last's
    assert found.creep_percent == pytest.approx(100 * 0.0008 * (np.exp(-15 / 60) - np.exp(-285 / 60)), abs=0.004)
    assert found.creep_minutes == pytest.approx(5.0, abs=0.01)
    with pytest.raises(ForceFault, match="some minutes"):
        calibrate(exact(levels), 0.0, (t[:500], crept[:500]))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda o: tuple(x for x in o if x.force_n < 110), "at least 5"),
        (lambda o: tuple(x for x in o if x.force_n > 0), "without a load"),
        (
            lambda o: (*o[:3], replace(o[3], counts=o[3].counts * 1.2), *o[4:]),
            r"series 1, 100.0 N on the way up, reads \+20",
        ),
        (lambda o: tuple(replace(x, counts=1000.0 + 0.001 * x.force_n) for x in o), "is the cell wired"),
        (lambda o: (*o[:2], o[3], o[2], *o[4:]), "do not rise"),
        (lambda o: (*o[:3], replace(o[3], counts=float("nan")), *o[4:]), "no number"),
    ],
)
def test_nonsense_is_refused_with_a_name(spoil: Any, said: str) -> None:
    with pytest.raises(ForceFault, match=said):
        calibrate(spoil(exact(np.array([25.0, 50, 100, 150, 200, 250]), spread=0.0002)), 0.0)


def test_one_mass_that_is_another_each_time_is_named() -> None:
    loads = exact(np.array([25.0, 50, 100, 150, 200, 250]), spread=0.0002)
    for level, share in ((100.0, 1.04), (250.0, 1.03)):
        wrong = tuple(replace(o, counts=1000 + (o.counts - 1000) * share) if o.force_n == level else o for o in loads)
        with pytest.raises(ForceFault, match=f"load of {level:.1f} N"):
            calibrate(wrong, 0.0)


def test_no_class_without_the_figures_that_make_it() -> None:
    levels = np.array([25.0, 50, 100, 150, 200, 250])
    one = calibrate(exact(levels, series=1), 0.0)
    assert one.best is None
    assert any("three series" in note.text for note in one.notes)
    unsure = calibrate(exact(levels), 0.003)
    assert unsure.best is None  # the masses are no surer than 0.3 %
    t = np.arange(0.0, 200.0, 0.0125)
    with pytest.raises(ForceFault, match="creeps"):
        calibrate(exact(levels), 0.0, (t, 1e6 * (1 + 0.01 * t / 200)))


def test_single_forces_lie_within_what_is_said_of_them() -> None:
    inside = []
    for seed in range(100):
        _, loads = cheap_cell(np.random.default_rng(seed))
        found = calibrate(loads, 0.0003)
        cell = LoadCell(counts_per_newton=found.counts_per_newton, zero_counts=0.0, counts_per_n2=found.counts_per_n2)
        zero = loads[0].counts
        for o in loads:
            if o.force_n > 0 and o.series == 1:
                read = float(cell.newtons(np.array(o.counts - zero)))
                sd = np.hypot(found.sensitivity_sd * o.force_n, found.force_sd_n)
                inside.append(abs(read - o.force_n) < 2 * sd)
    assert 0.88 < np.mean(inside) <= 1.0


def test_drift_is_told() -> None:
    cell = LoadCell(counts_per_newton=5000.0, zero_counts=1000.0, sensitivity_sd=0.001)
    shift, off, sds = drifted(cell, 1000.0 + 5000.0 * 2.0, 98.0, 98.5)
    assert shift == pytest.approx(2.0)
    assert off == pytest.approx(0.5 / 98.0)
    assert sds == pytest.approx(off / 0.001)


class HandScale:
    """A scale on which the test hangs what the last prompt asked for."""

    name = "the test's scale"

    def __init__(self, cpn: float = 6000.0, garbage: str = "") -> None:
        self.cpn, self.garbage = cpn, garbage
        self.load_n = 0.0
        self.rng = np.random.default_rng(3)
        self.ms = 0
        self.swing = 0.0
        self.greeting = False
        self.period_ms, self.pace_s = 1900.0, 0.002

    def open(self) -> None: ...

    def close(self) -> None: ...

    def write(self, text: str) -> None:
        self.greeting = text == "hello\n"

    def read(self) -> Lines | Ended:
        if self.greeting:
            self.greeting = False
            return ((now_s(), "H,rackcell,1.1,80,BE"),)
        threading.Event().wait(self.pace_s)
        self.ms += 12
        if self.garbage:
            return ((now_s(), self.garbage),)
        counts = round(
            40_000
            + self.cpn * (self.load_n + self.swing * np.sin(2 * np.pi * self.ms / self.period_ms))
            + self.rng.normal(0, 30)
        )
        body = f"W,{self.ms},{counts}"
        return ((now_s(), f"{body},{crc8(body.encode()):02X}"),)


def test_settled_readings_and_what_is_no_scale() -> None:
    told = settled(HandScale(), 0.0, 0.2)
    assert told.counts == pytest.approx(40_000, abs=40)
    for period_s, newton in ((0.7, 3.0), (1.0, 1.0), (1.3, 0.5), (2.0, 0.5)):  # at 80 readings a second of 12 ms each
        swinging = HandScale()
        swinging.swing, swinging.period_ms, swinging.pace_s = newton, 1000 * period_s, 0.012
        with pytest.raises(ForceFault, match="swings"):
            settled(swinging, 0.0, 2.0)
    for garbage, said in (
        ("\x81\x07\x1f\ufffd", "115200 baud"),
        ("temperature 21.5", "not a scale of ours"),
        ("E,SILENT,8E", "SILENT"),
        ("E,SATURATED,DB", "more than the converter"),
    ):
        with pytest.raises(SourceFault, match=said):
            settled(HandScale(garbage=garbage), 0.0, 0.2)


def test_the_whole_command_by_hand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Prompts, masses, rig.toml: the load cell's table is new, all others stand as they stood."""
    import tiller.setup.capture as calibrating
    import tiller.sources.scales as scales

    hand = HandScale()
    masses = [2.0, 5.0, 10.0, 15.0, 20.0]
    order = [f for _, _, f in steps_of([weight_n(m, normal_gravity(np.deg2rad(47.0), 400.0)) for m in masses], 2)]

    class Pressed(io.StringIO):
        def readline(self, *_: Any) -> str:  # Enter is pressed when the load hangs
            hand.load_n = order.pop(0) if order else 0.0
            return "\n"

    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(scales, "SerialScale", lambda _: hand)
    monkeypatch.setattr(calibrating, "SETTLE_S", 0.0)
    monkeypatch.setattr(calibrating, "READ_S", 0.1)
    monkeypatch.setattr(calibrating.settled, "__defaults__", (0.0, 0.1))
    monkeypatch.setattr("sys.stdin", Pressed())
    rig = tmp_path / "rig.toml"
    rig.write_text(EXAMPLE.read_text())
    given = [
        "calibrate",
        "scale",
        "--scale",
        "PORT",
        "--masses",
        "2,5,10,15,20",
        "--series",
        "2",
        "--latitude",
        "47",
        "--height",
        "400",
    ]
    assert main([*given, "--rig", str(rig), "--plot", str(tmp_path / "left.png"), "--cell", "bar 300 N"]) == 0
    out = capsys.readouterr().out
    assert "series 2 of 2, down: hang nothing" in out
    cell = read_rig(rig).load_cell
    assert cell.counts_per_newton == pytest.approx(6000.0, rel=5e-4)
    assert cell.cell == "bar 300 N"
    assert cell.firmware == "rackcell 1.1"
    assert cell.gravity == pytest.approx(normal_gravity(np.deg2rad(47.0), 400.0), abs=1e-5)
    noted = list((tmp_path / "home" / "calibration").glob("scale-*.csv"))
    assert len(noted) == 1
    again = tmp_path / "again.toml"
    again.write_text(EXAMPLE.read_text())
    assert main(["calibrate", "scale", "--readings", str(noted[0]), "--rig", str(again)]) == 0
    assert read_rig(again).load_cell.counts_per_newton == pytest.approx(cell.counts_per_newton, rel=1e-6)
    assert 0 < cell.sensitivity_sd < 0.002
    before, after = read_rig(EXAMPLE), read_rig(rig)
    assert after.fiducials == before.fiducials
    assert after.hook == before.hook
    assert (rig.parent / "rig.toml.before").read_text() == EXAMPLE.read_text()
    assert (tmp_path / "left.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(
    ("cpn", "zero", "code", "said"),
    [
        (6000.0, 0.0, 0, "as it was"),
        (6100.0, 0.0, 2, "drifted"),
        (-6000.0, 0.0, 2, "wrong way"),
        (6000.0, 200.0, 2, "overloaded"),
    ],
)
def test_the_check_at_the_start_of_a_session(
    cpn: float,
    zero: float,
    code: int,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    import tiller.setup.capture as calibrating
    import tiller.sources.scales as scales

    hand = HandScale(cpn)
    order = [zero, zero + weight_n(10.0, 9.80665)]

    class Pressed(io.StringIO):
        def readline(self, *_: Any) -> str:
            hand.load_n = order.pop(0)
            return "\n"

    monkeypatch.setattr(scales, "SerialScale", lambda _: hand)
    monkeypatch.setattr(calibrating.settled, "__defaults__", (0.0, 0.1))
    monkeypatch.setattr("sys.stdin", Pressed())
    rig = tmp_path / "rig.toml"
    rig.write_text(
        "[load_cell]\ncounts_per_newton = 6000.0\nzero_counts = 40000\nsensitivity_sd = 0.0008\nlargest_n = 300\n"
    )
    assert main(["calibrate", "check", "--scale", "PORT", "--mass", "10", "--rig", str(rig)]) == code
    assert said in capsys.readouterr().out


def csv_of(loads: tuple[Load, ...]) -> str:
    rows = [f"{o.series},{'up' if o.rising else 'down'},{o.force_n},{o.counts:.0f}" for o in loads]
    return "series,way,force_n,counts\n" + "\n".join(rows) + "\n"


def test_readings_from_a_file_and_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, rig = tmp_path / "loads.csv", tmp_path / "rig.toml"
    rig.write_text(EXAMPLE.read_text())
    file.write_text(csv_of(cheap_cell(np.random.default_rng(4))[1]))
    base = ["calibrate", "scale", "--rig", str(rig), "--readings"]
    assert main([*base, str(file)]) == 0
    assert "counts per newton" in capsys.readouterr().out
    untouched = rig.read_text()
    bad = {
        "series,way,force_n\n1,up,5\n": "no column 'counts'",
        "series,way,force_n,counts\n1,sideways,5,3\n": "line 2 is no load",
        "series,way,mass_kg,counts\n1,up,5,3\n": "--latitude",
    }
    for text, said in bad.items():
        file.write_text(text)
        assert main([*base, str(file)]) == 2
        assert said in capsys.readouterr().err
    assert main([*base, str(tmp_path / "none.csv")]) == 2
    assert main(["calibrate", "scale", "--scale", "/dev/no-such-port", "--forces", "10,20,30,40,50"]) == 2
    assert "cannot be opened" in capsys.readouterr().err
    assert rig.read_text() == untouched


def test_words_say_what_a_calibration_is_worth() -> None:
    from tiller.report.plots.calibration import scale_plot
    from tiller.report.text.calibration import scale_words

    found: Calibration = calibrate(cheap_cell(np.random.default_rng(1))[1], 0.0003)
    text = scale_words(found)
    assert "1 sd" in text
    assert "class" in text
    assert scale_plot(found)[:4] == b"\x89PNG"
