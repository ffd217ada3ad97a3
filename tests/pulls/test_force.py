"""Force from raw lines: wrap, reset, doubles, drop-outs, spikes, sign, zero, lag. Truth is the line generator's own."""

import numpy as np
import pytest

from tiller.bow.rigfile import LoadCell
from tiller.errors import ForceFault
from tiller.force.cell import force_at, to_newton
from tiller.force.lag import find_lag
from tiller.force.log import read_log
from tiller.simulate.serial import TrueCell, line_of, stream

HOLDS = np.arange(40.0, 100.0, 4.0)


def true_force(t: float) -> float:
    """Zero to 30 s, then a staircase: 2 s of motion, 2 s of hold, 12 N a step; let down at 100 s."""
    if t < 30 or t > 104:
        return 0.0
    if t > 100:
        return 180.0 * (104 - t) / 4
    step, into = divmod(t - 38.0, 4.0)
    return max(0.0, 12.0 * (step + min(1.0, into / 2.0)))


def pull(
    faults: tuple[str, ...] = (), lag: float = 0.12, rate: float = 80.0, seed: int = 3, drift: float = 0.6
) -> tuple[list[tuple[float, str]], TrueCell]:
    cell = TrueCell(counts_per_newton=5000.0, zero_counts=-31000.0, drift_n=drift, noise_n=0.2, rate_hz=rate, lag_s=lag)
    return stream(true_force, 0.0, 112.0, cell, faults, np.random.default_rng(seed)), cell


RIG_CELL = LoadCell(counts_per_newton=5000.0, zero_counts=-30000.0)
FAULTS = [
    (),
    ("garbled", "cut"),
    ("doubled",),
    ("wrap",),
    ("reset",),
    ("spike",),
    ("dropout",),
    ("trouble",),
    ("garbled", "doubled", "spike", "reset", "wrap"),
]


@pytest.mark.parametrize("rate", [80.0, 10.0])
@pytest.mark.parametrize("faults", FAULTS, ids="+".join)
def test_force_at_holds_is_right_whatever_the_line_does(faults: tuple[str, ...], rate: float) -> None:
    lines, _ = pull(faults, rate=rate)
    log = read_log(lines)
    series = to_newton(log, RIG_CELL, (2.0, 28.0))
    at = force_at(series, HOLDS + 0.12 + 1.2)
    truth = np.array([true_force(t + 1.2) for t in HOLDS])
    gap = np.abs(at.force_n - truth)
    seen = np.isfinite(gap)
    assert np.count_nonzero(~seen) <= (1 if "dropout" in faults else 0)
    assert np.all(gap[seen] < 0.005 * truth[seen] + 0.5)
    assert np.all(at.held[seen])


def test_every_reject_is_counted_by_reason() -> None:
    clean, _ = pull()
    lines = list(clean)
    lines.insert(500, (lines[499][0], lines[499][1]))
    lines.insert(700, (lines[699][0], lines[699][1][:-1]))
    lines.insert(900, (lines[899][0], lines[899][1].replace(",", ";", 1)))
    lines.insert(1000, (lines[999][0], ""))
    lines.insert(1100, (lines[1099][0], line_of("E", "adc")))
    log = read_log(lines)
    assert log.rejected == {"doubled line": 1, "cut line": 1, "wrong checksum": 1, "empty line": 1}
    assert log.troubles == {"adc": 1}
    assert len(log.t_s) == len(read_log(clean).t_s)


def test_reset_and_gap_are_said() -> None:
    assert read_log(pull(("reset",))[0]).resets == 1
    assert read_log(pull(("wrap",))[0]).resets == 0
    gaps = read_log(pull(("dropout",))[0]).gaps
    assert len(gaps) == 1
    assert gaps[0][1] - gaps[0][0] == pytest.approx(1.6, abs=0.2)


def test_reversed_sign_is_noticed_and_turned() -> None:
    series = to_newton(read_log(pull(("reversed",))[0]), RIG_CELL, (2.0, 28.0))
    assert series.reversed_sign
    assert float(np.max(series.force_n)) == pytest.approx(186.0, abs=8.0)
    assert not to_newton(read_log(pull()[0]), RIG_CELL, (2.0, 28.0)).reversed_sign


def test_zero_comes_from_the_slack_string_and_its_wander_is_taken_out() -> None:
    series = to_newton(read_log(pull(drift=2.0)[0]), RIG_CELL, (2.0, 28.0))
    assert series.drift_n == pytest.approx(2.0 * (110 - 15) / 112, abs=0.3)
    late = force_at(series, np.array([97.0 + 0.12]))
    assert late.force_n[0] == pytest.approx(true_force(97.0), abs=0.8)


def test_a_moving_rope_at_ten_readings_a_second() -> None:
    cell = TrueCell(counts_per_newton=5000.0, zero_counts=0.0, drift_n=0.0, noise_n=0.02, rate_hz=10.0, lag_s=0.0)
    lines = stream(
        lambda t: 0.0 if t < 30 else min(180.0, 100.0 * (t - 30)), 0.0, 40.0, cell, (), np.random.default_rng(2)
    )
    series = to_newton(read_log(lines), LoadCell(counts_per_newton=5000.0, zero_counts=0.0), (2.0, 28.0))
    for moment in np.arange(30.7, 31.2, 0.03):
        at = force_at(series, np.array([moment]))
        assert at.force_n[0] == pytest.approx(100.0 * (moment - 30), abs=4 * at.sd_n[0])
        assert not at.held[0]


def test_faults_in_words() -> None:
    with pytest.raises(ForceFault, match="log is empty"):
        read_log([])
    with pytest.raises(ForceFault, match=r"All 2 lines .* rejected \(2 x cut line\)"):
        read_log([(0.0, "W,1,2"), (1.0, "noise")])
    with pytest.raises(ForceFault, match="shows no pull"):
        flat = [(0.0125 * k, line_of("W", int(12.5 * k), 1000 + k % 3)) for k in range(2000)]
        to_newton(read_log(flat), RIG_CELL, (0.0, 5.0))
    with pytest.raises(ForceFault, match="while the string was slack"):
        to_newton(read_log([line for line in pull()[0] if line[0] > 60.0]), RIG_CELL, (2.0, 5.0))


def test_lag_of_pictures_in_motion_is_found_with_an_honest_sd() -> None:
    # pictures while the rope moves: force as a straight function of draw, 0.3 N per mm, 60 mm a second
    z = []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        lag = float(rng.uniform(0.0, 0.25))

        def moving(t: float) -> float:
            return 0.0 if t < 30 else 18.0 * (t - 30) if t < 40 else max(0.0, 180.0 - 40 * (t - 40))

        cell = TrueCell(counts_per_newton=5000.0, zero_counts=0.0, drift_n=0.0, noise_n=0.1, rate_hz=80.0, lag_s=lag)
        series = to_newton(
            read_log(stream(moving, 0.0, 50.0, cell, (), rng)),
            LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
            (2.0, 28.0),
        )
        t = np.sort(rng.uniform(30.5, 39.5, 16))
        jitter = rng.normal(0, 0.3, 16)
        found = find_lag(series, t, 100.0 + 60.0 * (t - 30) + jitter, 0.3)
        z.append((found.lag_s - lag) / found.sd_s)
    # a lag shifts a straight force-draw line by a constant, which a smooth curve takes up: the prior must carry it, and say so
    assert np.sqrt(np.mean(np.square(z))) < 1.6


def test_lag_at_steady_holds_is_not_made_up() -> None:
    series = to_newton(read_log(pull()[0]), RIG_CELL, (2.0, 28.0))
    found = find_lag(series, HOLDS + 1.2, 100.0 + 25.0 * np.arange(len(HOLDS)))
    assert not found.from_data
    assert found.sd_s > 0.05


def test_a_picture_beside_a_hole_in_the_log_says_nothing_about_the_lag() -> None:
    def drawn(t: float) -> float:  # by fits and starts: a lag shows
        steps, rest = divmod(t - 30, 1.0)
        return 60.0 * (steps + min(rest / 0.4, 1.0))

    def moving(t: float) -> float:
        return 0.0 if t < 30 else 0.3 * drawn(t)

    cell = TrueCell(counts_per_newton=5000.0, zero_counts=0.0, drift_n=0.0, noise_n=0.1, rate_hz=80.0, lag_s=0.2)
    lines = stream(moving, 0.0, 41.0, cell, (), np.random.default_rng(3))
    t = np.linspace(30.5, 39.7, 24)
    draw = np.array([100.0 + drawn(x) for x in t])
    series = to_newton(read_log(lines), LoadCell(counts_per_newton=5000.0, zero_counts=0.0), (2.0, 28.0))
    assert find_lag(series, t, draw, 0.3).lag_s == pytest.approx(0.2, abs=0.03)
    assert find_lag(series, t, draw, 0.3).lag_s != find_lag(series, t[:12], draw[:12], 0.3).lag_s
    # with the later pictures' readings gone the others alone decide; with few nothing is made up
    held = [line for line in lines if line[0] < 35.2]
    part = to_newton(read_log(held), LoadCell(counts_per_newton=5000.0, zero_counts=0.0), (2.0, 28.0))
    told = t + 0.9 < 35.1
    assert find_lag(part, t, draw, 0.3) == find_lag(part, t[told], draw[told], 0.3)
    few = to_newton(
        read_log([line for line in lines if line[0] < 33.0]),
        LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
        (2.0, 28.0),
    )
    assert not find_lag(few, t, draw, 0.3).from_data


def test_a_log_that_ends_at_a_light_load_is_said_and_not_taken_for_drift() -> None:
    cell = TrueCell(counts_per_newton=5000.0, zero_counts=0.0, drift_n=0.0, noise_n=0.1, rate_hz=80.0, lag_s=0.0)

    def left_hanging(t: float) -> float:
        return 0.0 if t < 30 else 150.0 if t < 40 else 9.0

    series = to_newton(
        read_log(stream(left_hanging, 0.0, 50.0, cell, (), np.random.default_rng(4))),
        LoadCell(counts_per_newton=5000.0, zero_counts=0.0),
        (2.0, 28.0),
    )
    assert series.drift_n == 0.0
    assert series.end_n == pytest.approx(9.0, abs=0.3)
    assert np.isnan(to_newton(read_log(pull()[0]), RIG_CELL, (2.0, 28.0)).end_n)
