"""Moisture and shrinkage of wood. Wood Handbook FPL-GTR-282: equilibrium moisture Table 4-2 and eq. 4-5 (the equation after Simpson 1998,
FPL-RN-0268), shrinkage eq. 4-7 with Table 4-3. The table's values were read in a web reprint."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tiller.bow.stavefile import parse_stave
from tiller.bow.wood.moisture import equilibrium
from tiller.bow.wood.shrinkage import SHRINKAGE, shrunk
from tiller.bow.wood.woods import WOODS
from tiller.mechanics.wood.drying import fit_drying, ready
from tiller.mechanics.wood.season import season_of

TEMPERATURES_F = (40, 50, 60, 70, 80)
TABLE_4_2 = {
    20: (4.6, 4.6, 4.6, 4.5, 4.4),
    30: (6.3, 6.3, 6.2, 6.2, 6.1),
    40: (7.9, 7.9, 7.8, 7.7, 7.6),
    50: (9.5, 9.5, 9.4, 9.2, 9.1),
    60: (11.3, 11.2, 11.1, 11.0, 10.8),
    65: (12.3, 12.3, 12.1, 12.0, 11.7),
    70: (13.5, 13.4, 13.3, 13.1, 12.9),
    80: (16.5, 16.4, 16.2, 16.0, 15.7),
    90: (21.0, 20.9, 20.7, 20.5, 20.2),
}


def test_equilibrium_moisture_table() -> None:
    for humidity, row in TABLE_4_2.items():
        for fahrenheit, wanted in zip(TEMPERATURES_F, row, strict=True):
            told = equilibrium((fahrenheit - 32) / 1.8, humidity / 100)
            assert told == pytest.approx(wanted, abs=0.11), (humidity, fahrenheit)  # 0.06 and the table's rounding
    assert equilibrium(20.0, 0.65) == pytest.approx(11.996, abs=0.001)
    for c, h in ((-5.0, 0.5), (20.0, 0.99), (20.0, 0.01), (90.0, 0.5)):
        with pytest.raises(ValueError, match="equilibrium moisture is known"):
            equilibrium(c, h)


def test_shrinkage() -> None:
    radial, tangential = SHRINKAGE["white ash"].radial, SHRINKAGE["white ash"].tangential
    assert (radial, tangential) == (4.9, 7.8)  # Table 4-3
    # a few more of that table, one of each kind
    for name, row in {
        "pignut hickory": (7.2, 11.5, 17.9),
        "overcup oak": (5.3, 12.7, 16.0),
        "yellow birch": (7.3, 9.5, 16.8),
        "common persimmon": (7.9, 11.2, 19.1),
        "eastern redcedar": (3.1, 4.7, 7.8),
    }.items():
        told = SHRINKAGE[name]
        assert (told.radial, told.tangential, told.volume) == row
    assert set(SHRINKAGE) <= {wood.name for wood in WOODS}
    # a slip of the pen shows: wood shrinks more along the rings, and by about both together in volume
    for name, told in SHRINKAGE.items():
        assert told.radial < told.tangential, name
        assert 0.85 < told.volume / (told.radial + told.tangential) < 1.32, name
    assert shrunk(radial, 0.0) == pytest.approx(4.9)
    assert shrunk(tangential, 12.0) == pytest.approx(7.8 * 18 / 30)  # eq. 4-7
    assert shrunk(radial, 30.0) == 0.0
    with pytest.raises(ValueError, match="does not hold"):
        shrunk(radial, 45.0)


LEVEL, LOST = 2.2, 0.9


def bar_left(
    days: np.ndarray, resistance: float, slowest_days: float, steepness: float = 0.0, cells: int = 60
) -> np.ndarray:
    """What a square bar that dries from 60 to 11 % still has to lose: the diffusion equation by scipy's BDF on a grid of its own.

    Wet wood up to fibre saturation (28 %) lets water through exp(steepness) times as easily for each unit of moisture; from that on
    as easily as at saturation. Nothing of the fitted curves is in it.
    """
    wet, dry, saturated, h = 0.60, 0.11, 0.28, 1.0 / cells
    first = brentq(lambda b: b * np.sin(b) - resistance * np.cos(b), 1e-9, 0.5 * np.pi)

    def change(_: float, u: np.ndarray) -> np.ndarray:
        ease = np.exp(steepness * (np.minimum(u, saturated) - dry))
        flow = np.zeros(cells + 1)
        flow[1:-1] = 0.5 * (ease[1:] + ease[:-1]) * np.diff(u) / h**2
        flow[-1] = -(u[-1] - dry) / (h * (1 / resistance + 0.5 * h / ease[-1]))
        return np.diff(flow)

    tau = days / (2 * slowest_days * first**2)
    found = solve_ivp(
        change, (0.0, float(tau[-1])), np.full(cells, wet), method="BDF", t_eval=tau, rtol=1e-7, atol=1e-9
    )
    return np.asarray(((found.y.mean(axis=0) - dry) / (wet - dry)) ** 2, dtype=float)


@pytest.mark.parametrize(
    ("resistance", "steepness", "weeks"),
    [(1e3, 0.0, 16), (5.0, 0.0, 20), (1.0, 0.0, 26), (1e3, 5.0, 12), (3.0, 5.0, 16), (3.0, 8.0, 16), (3.0, 12.0, 20)],
)
def test_the_drying_curve_and_when_it_is_ready_over_seeds(resistance: float, steepness: float, weeks: int) -> None:
    """Level, day and their bands hold at least as often as they say, whatever holds the water back.

    One exponential was off by 7 sd and more here, curves of constant diffusivity by as much where dry wood is slower than wet.
    """
    level, day = [], []
    wanted = LEVEL * 1.03
    days = np.arange(weeks + 1) * 7.0
    far = np.arange(0.0, 1500.0, 1.0)
    course = LEVEL + LOST * bar_left(far, resistance, 60.0, steepness)
    mass = np.interp(days, far, course)
    true = float(far[np.argmax(course <= wanted)])
    for seed in range(30):
        curve = fit_drying(days, mass + np.random.default_rng(seed).normal(0, 0.003, len(days)))
        assert curve is not None
        level.append((curve.level_kg - LEVEL) / curve.level_sd_kg)
        soon = ready(curve, wanted)
        assert soon.early_days <= soon.days <= soon.late_days
        day.append(soon.early_days <= true <= soon.late_days)
    assert (
        -1.6 < np.mean(level) < 0.7
    )  # where the form is not told it errs to the wet side, which makes the bowyer wait
    assert np.mean(np.abs(level) < 2) >= 0.88
    assert np.mean(day) >= 0.68


def test_weigh_ins_that_tell_no_curve() -> None:
    days = np.arange(17) * 7.0
    mass = LEVEL + LOST * bar_left(days, 5.0, 60.0) + np.random.default_rng(1).normal(0, 0.003, 17)
    assert fit_drying(days[:3], mass[:3]) is None
    assert fit_drying(days, np.full(len(days), 2.2)) is None
    early = fit_drying(days[:5], mass[:5])  # no level in sight: none is told, or with a wide sd
    assert early is None or early.level_sd_kg > 0.05
    whole = fit_drying(days, mass)
    assert whole is not None
    assert ready(whole, 2.0).days == np.inf
    sure, unsure = (
        ready(whole, 2.3),
        ready(whole, 2.3 * (1 + 0.02 * np.random.default_rng(2).normal(size=len(whole.levels_kg)))),
    )
    assert unsure.late_days - unsure.early_days > 2 * (
        sure.late_days - sure.early_days
    )  # what is not known of the mass goes into the day


@pytest.mark.parametrize("how", ["by the level", "known", "oven"])
@pytest.mark.parametrize(("resistance", "steepness"), [(3.0, 0.0), (1000.0, 0.0), (3.0, 3.0)])
def test_the_day_that_a_stave_is_told_to_be_ready(how: str, resistance: float, steepness: float) -> None:
    """Through the stave's own file, by all three methods: the band holds the true day of simulated bars, and is no endless one."""
    dry, shop, weeks = 2.2 / 1.11, 11.0, 16
    humidity = brentq(lambda h: equilibrium(18.0, h) - shop, 0.3, 0.9)
    days, far = np.arange(weeks + 1) * 7.0, np.arange(0.0, 1500.0)
    course = dry * 1.11 + (dry * 1.60 - dry * 1.11) * bar_left(far, resistance, 60.0, steepness)
    true_day = float(far[np.argmax(course <= dry * 1.14)])
    held, widths = [], []
    for seed in range(12):
        noisy = np.interp(days, far, course) + np.random.default_rng(seed).normal(0, 0.003, len(days))
        text = 'name = "x"\nwood = "white ash"\nwanted_moisture = 14\n' + (
            f"dry_mass_kg = {dry:.4f}\n" if how == "known" else ""
        )
        text += f"[shop]\ntemperature_c = 18\nhumidity_percent = {100 * humidity:.2f}\n"
        if how == "oven":
            text += f"[offcut]\non = 2025-01-01\nwet_g = 160.0\ndry_g = 100.0\nstave_kg = {noisy[0]:.3f}\n"
        for day, kg in zip(days, noisy, strict=True):
            text += f"[[weighings]]\non = {date(2025, 1, 1) + timedelta(days=int(day))}\nmass_kg = {kg:.3f}\n"
        season = season_of(parse_stave(tomllib.loads(text)))
        if season.ready is None:  # told to be not told yet
            assert how == "by the level"
            continue
        assert how in season.how
        held.append(season.ready.early_days <= true_day <= season.ready.late_days)
        widths.append(season.ready.late_days - season.ready.early_days)
    assert len(held) >= 6
    assert np.mean(held) >= 0.66, held
    assert np.median(widths) < 1.3 * true_day
