"""What is acted on of a measured departure: nothing of what is no larger than the map's error, nearly all of what is many times as large.

The shrinkage is James and Stein's (1961), its positive part (Efron and Morris 1973), both from memory: a departure d known to sd keeps 1 - c sd^2 / d^2 of
itself, by hand below. That it loses less than the map as it stands where nothing is there, and hardly more where much is, is checked by chance draws.
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.advice.evidence import CAUTION, EVEN_SD, SECTION_SD, Doubt, believed, shown_further

S = np.arange(110.0, 740.0, 5.0)
WORK = np.ones(len(S), dtype=bool)
SD, REACH_MM = 0.02, 40.0
COV = SD**2 * np.exp(-0.5 * ((S[:, None] - S[None, :]) / REACH_MM) ** 2)


def acted(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    told = believed((S, S), (left, right), (COV, COV), (WORK, WORK))
    return told[0].departure, told[1].departure, told[0].sd


def errors(rng: np.random.Generator) -> np.ndarray:
    return np.linalg.cholesky(COV + 1e-10 * np.eye(len(S))) @ rng.normal(size=len(S))


def bump(size: float, at: float = 400.0, wide: float = 50.0) -> np.ndarray:
    return size * np.exp(-0.5 * ((S - at) / wide) ** 2)


def test_an_even_map_stays_even() -> None:
    left, right, sd = acted(np.zeros(len(S)), np.zeros(len(S)))
    assert np.all(left == 0)
    assert np.all(right == 0)
    assert np.all(sd >= 0.9 * EVEN_SD)


def test_a_large_departure_is_acted_on_nearly_whole_and_with_its_sign() -> None:
    for size in (0.2, -0.2):
        left, right, _ = acted(bump(size), np.zeros(len(S)))
        at = int(np.argmin(np.abs(S - 400.0)))
        assert 0.7 < left[at] / size < 1.0  # averaged over a scraper's stretch, and a little cautious
        assert abs(left[0]) < 0.03
        assert np.all(np.abs(right) < 0.03)


def test_the_share_of_a_flat_stretch_is_the_formula_s() -> None:
    """A square wave, 300 mm long, so that its own average is itself: 1 - c (sd^2 + section^2) / d^2, by hand."""
    wave = 0.12 * np.where(S < 425.0, 1.0, -1.0)
    left, _, _ = acted(wave, np.zeros(len(S)))
    at = int(np.argmin(np.abs(S - 250.0)))
    near = np.abs(S - S[at]) <= 30.0
    row = near / near.sum() - 1.0 / len(S)
    error = float(row @ COV @ row) + SECTION_SD**2
    local = wave[at] - float(np.mean(wave))
    assert left[at] == pytest.approx(local * (1 - CAUTION * error / local**2), rel=0.02)


def test_one_limb_against_the_other_is_well_known() -> None:
    left, right, _ = acted(np.full(len(S), 0.05), np.full(len(S), -0.05))
    assert np.all(left > 0.045)
    assert np.all(right < -0.045)


def test_less_is_carved_into_an_even_bow_than_its_map_would_have() -> None:
    rng = np.random.default_rng(3)
    carved, shown = [], []
    for _ in range(40):
        one, two = errors(rng), errors(rng)
        left, right, _ = acted(one, two)
        carved += [*left, *right]
        shown += [*one, *two]
    assert np.std(carved) < 0.4 * np.std(shown)


def test_a_spot_is_mostly_found_through_the_errors() -> None:
    rng = np.random.default_rng(4)
    kept = []
    for _ in range(40):
        left, _, _ = acted(bump(0.15) + errors(rng), errors(rng))
        kept.append(left[int(np.argmin(np.abs(S - 400.0)))] / 0.15)
    assert np.mean(kept) > 0.6


def test_the_band_holds_a_bow_of_known_chance_and_no_other() -> None:
    """Independent stations of equal sd, nothing acted on: the rms of n normal deviates is a chi distribution (scipy's), here with the bow's own scale."""
    from scipy.stats import chi

    n, sd = 60, 0.02
    doubt = Doubt(np.zeros((n, n)), sd**2 * np.eye(n), np.eye(n))
    mean, low, high = doubt.unevenness(np.zeros(n))
    assert mean == pytest.approx(sd * chi.mean(n) / np.sqrt(n), rel=0.07)  # 400 draws of a scale that scatters by half
    assert low < 0.7 * mean < 1.3 * mean < high  # far wider than chance alone, whose sd is 9 %
    off = np.tile([0.2, -0.2], n // 2)
    mean, low, high = doubt.unevenness(off)
    assert mean == pytest.approx(np.hypot(0.2, sd), rel=0.02)
    assert 0.19 < low < mean < high < 0.22


def test_a_further_pull_shows_by_how_much_more_it_bends() -> None:
    """By hand: twice the bend, half the map's part; the section's part stays."""
    part = 0.03
    now = float(np.hypot(SECTION_SD, part))
    assert shown_further(now, 350.0, 600.0, 100.0) == pytest.approx(np.hypot(SECTION_SD, 0.5 * part))
    assert shown_further(now, 350.0, 350.0, 100.0) == pytest.approx(now)
    assert shown_further(0.5 * SECTION_SD, 350.0, 600.0, 100.0) == pytest.approx(SECTION_SD)
