"""Cramer-Rao bound for the curvature of a parabola through n evenly spaced points over the length L:
sd = sigma / L^2 sqrt(720 (n-1)^3 / (n (n+1) (n+2) (n-2))) exactly (least squares on 1, x, x^2); values of
sd L^2 / sigma as tabled: n = 21: 5.34133, 51: 3.61492, 101: 2.61800, 201: 1.87397.
"""

import numpy as np
import pytest

from tiller.mechanics.fit.curvature import bend_from_places, change_of_place

TABLE = {21: 5.34133, 51: 3.61492, 101: 2.61800, 201: 1.87397}


def bound(n: int, length: float, sigma: float) -> float:
    return sigma / length**2 * np.sqrt(720 * (n - 1) ** 3 / (n * (n + 1) * (n + 2) * (n - 2)))


@pytest.mark.parametrize(("n", "value"), TABLE.items())
def test_formula_gives_the_table(n: int, value: float) -> None:
    assert bound(n, 1.0, 1.0) == pytest.approx(value, abs=6e-6)


@pytest.mark.parametrize("n", [21, 51, 101])
def test_stated_sd_is_the_bound_where_nothing_but_a_parabola_is_there(n: int) -> None:
    s = np.linspace(0.0, 250.0, n)
    profile = bend_from_places(s, -0.5 * s**2 / 800.0, np.full(n, 0.3))
    assert profile.strength_per_mm == 0.0
    assert profile.sd_per_mm == pytest.approx(bound(n, 250.0, 0.3), rel=0.02)
    assert profile.bend_per_mm == pytest.approx(1 / 800.0, rel=0.02)


def test_actual_scatter_is_within_one_and_a_half_of_the_bound() -> None:
    n, sigma = 101, 0.3
    s = np.linspace(0.0, 250.0, n)
    found, stated = [], []
    for seed in range(300):
        noise = np.random.default_rng(seed).normal(0, sigma, n)
        profile = bend_from_places(s, -0.5 * s**2 / 800.0 + noise, np.full(n, sigma))
        found.append(profile.bend_per_mm[n // 2])
        stated.append(profile.sd_per_mm[n // 2])
    limit = bound(n, 250.0, sigma)
    actual = float(np.std(np.array(found) - 1 / 800.0))
    assert limit * 0.9 < actual < 1.5 * limit
    assert 0.8 * actual < np.mean(stated) < 1.6 * actual


def test_a_stretch_of_other_bend_is_found_and_its_band_holds_it() -> None:
    s = np.arange(0.0, 700.0, 5.0)
    truth = 1e-3 + 2.5e-4 * np.exp(-0.5 * ((s - 350) / 60.0) ** 2)
    place = -np.cumsum(np.concatenate([[0.0], np.cumsum(truth)[:-1] * 5.0])) * 5.0
    inside = []
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0, 0.08, len(s))
        profile = bend_from_places(s, place + noise, np.full(len(s), 0.08))
        inside.append(np.abs(profile.bend_per_mm - truth)[8:-8] < profile.sd_per_mm[8:-8])
        assert np.argmax(profile.bend_per_mm[20:-20]) * 5 + 100 == pytest.approx(350, abs=60)
    assert 0.55 < np.mean(inside) < 0.85


def test_natural_crook_is_no_bend_and_unseen_places_have_no_vote() -> None:
    s = np.arange(110.0, 800.0, 5.0)
    angle = 0.03 * np.sin(s / 60.0)
    rest = np.column_stack([np.cumsum(np.cos(angle)) * 5, np.cumsum(np.sin(angle)) * 5])
    drawn_angle = angle - (s - 110.0) / 900.0
    drawn = np.column_stack([np.cumsum(np.cos(drawn_angle)) * 5, np.cumsum(np.sin(drawn_angle)) * 5])
    change = change_of_place(s, rest, drawn, np.zeros(len(s)))
    change[40:60] = np.nan
    profile = bend_from_places(s, change, np.full(len(s), 0.05))
    assert profile.bend_per_mm == pytest.approx(1 / 900.0, rel=0.03)
    assert np.isnan(bend_from_places(s, np.full(len(s), np.nan), np.full(len(s), 0.1)).mean_per_mm)
