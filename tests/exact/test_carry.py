"""Stiffness carried from pull to pull, against a plain least-squares fit of all pulls together.

Aitken (1935): the best linear estimate from observations with a known covariance is generalised least squares; a Kalman filter (1960) gives the same, one
observation after the other. Both from memory; the batch solution here is numpy's.
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.advice.carry import (
    DEPTH_SD,
    END_SD_MM,
    LASTING,
    LEAST_DEPTH_SD_MM,
    OWN,
    CameOff,
    Shown,
    alike,
    came_off,
    carried,
    level_kept,
)

S = np.arange(110.0, 760.0, 10.0)
N = len(S)
SLOPE = np.full(N, 0.2)
LIKE = (1.0 - OWN) * alike(S, 1.0) + OWN * np.eye(N)
PASSES = ([(150.0, 600.0, 0.4)], [(200.0, 420.0, 0.25), (260.0, 340.0, 0.1)], [(450.0, 700.0, 0.15)])


def _offs(stroke_sd: float = 0.1) -> list[CameOff]:
    return [came_off(S, taken, SLOPE, stroke_sd) for taken in PASSES]


def _drawn(cov: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    values, vectors = np.linalg.eigh(cov)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal(len(values)))


def _pulls(
    sd: float, rng: np.random.Generator, lasting: float = LASTING
) -> tuple[np.ndarray, list[tuple[Shown, CameOff]], np.ndarray]:
    """True log EI in the end, the pulls before, and what the last one shows."""
    same = np.sqrt(lasting) * sd * _drawn(LIKE, rng)
    true, before = np.full(N, 16.0), []
    for off in _offs():
        seen = true + same + np.sqrt(1 - lasting) * sd * _drawn(LIKE, rng)
        before.append((Shown(seen, np.full(N, sd)), off))
        true = true + off.log_ei + _drawn(off.cov, rng)
    return true, before, true + same + np.sqrt(1 - lasting) * sd * _drawn(LIKE, rng)


def test_it_is_the_least_squares_of_all_pulls_together() -> None:
    sd = 0.02
    _, before, now = _pulls(sd, np.random.default_rng(3))
    found, cov = carried(S, before, now, sd**2 * LIKE)
    # every pull says the final stiffness, less what came off after it: y = x + e - (later changes' errors)
    noise = (1 - LASTING) * sd**2 * LIKE
    offs = _offs()
    said = [shown.log_ei + sum(off.log_ei for off in offs[k:]) for k, (shown, _) in enumerate(before)] + [now]
    count = len(said)
    whole = np.zeros((count * N, count * N))
    for i in range(count):
        for j in range(count):
            block = sum((off.cov for off in offs[max(i, j) :]), np.zeros((N, N)))
            whole[i * N : (i + 1) * N, j * N : (j + 1) * N] = block + (noise if i == j else 0.0)
    design = np.vstack([np.eye(N)] * count)
    inverse = np.linalg.inv(whole + 1e-12 * np.eye(count * N))
    batch_cov = np.linalg.inv(design.T @ inverse @ design)
    batch = batch_cov @ design.T @ inverse @ np.concatenate(said)
    assert np.max(np.abs(found - batch)) < 1e-4
    assert np.allclose(np.sqrt(np.diag(cov - LASTING * sd**2 * LIKE)), np.sqrt(np.diag(batch_cov)), rtol=1e-3)


def test_stated_and_actual_scatter_agree_and_are_less_than_one_pull_s() -> None:
    rng = np.random.default_rng(8)
    z, alone, together = [], [], []
    for _ in range(120):
        true, before, now = _pulls(0.02, rng)
        found, cov = carried(S, before, now, 0.02**2 * LIKE)
        z.append((found - true) / np.sqrt(np.diag(cov)))
        alone.append(now - true)
        together.append(found - true)
    away = np.abs(np.concatenate(z))
    assert 0.60 < np.mean(away < 1) < 0.78
    assert 0.91 < np.mean(away < 2) < 0.99
    assert np.std(together) < 0.93 * np.std(alone)


def test_wood_that_nobody_told_of_is_believed_from_the_newest_pull() -> None:
    rng = np.random.default_rng(5)
    _, before, now = _pulls(0.02, rng)
    secret = np.where(np.abs(S - 350.0) < 45.0, -0.15, 0.0)
    found, cov = carried(S, before, now + secret, 0.02**2 * LIKE)
    inside = np.abs(S - 350.0) < 30.0
    plain, _ = carried(S, before, now, 0.02**2 * LIKE)
    taken = float(np.mean((found - plain)[inside]))  # how much of it is believed
    # a box with sharp ends, where errors are taken to be smooth, is believed by a seventh too much: the bound allows a quarter
    assert -1.25 * 0.15 < taken < -0.8 * 0.15
    outside, sd = np.abs(S - 350.0) > 150.0, np.sqrt(np.diag(cov))
    assert np.mean(sd[inside]) > np.mean(sd[outside])  # and it is less sure there than elsewhere


def test_what_comes_off_makes_the_limb_softer_where_it_came_off() -> None:
    off = came_off(S, [(200.0, 400.0, 0.3)], SLOPE, 0.0)
    inside, far = (S > 215) & (S < 385), (S < 180) | (S > 420)
    assert off.log_ei[inside] == pytest.approx(-0.3 * 0.2)
    assert np.all(off.log_ei[far] == 0.0)
    missed = 0.2 * np.hypot(DEPTH_SD * 0.3, LEAST_DEPTH_SD_MM)
    assert np.sqrt(np.diag(off.cov))[inside] == pytest.approx(missed)
    edge = int(np.argmin(np.abs(S - 200.0)))
    assert off.cov[edge, edge] > (0.2 * 0.3 / 16.0 * END_SD_MM) ** 2
    twice = came_off(S, [(200.0, 400.0, 0.3)], SLOPE, 0.5)
    assert np.sqrt(np.diag(twice.cov))[inside] == pytest.approx(np.hypot(missed, 0.5 * 0.06))


def test_a_pull_that_shows_nothing_of_a_stretch_says_nothing_there() -> None:
    rng = np.random.default_rng(9)
    _, before, now = _pulls(0.02, rng)
    hidden = (S > 300) & (S < 500)
    blind = [
        (Shown(np.where(hidden, np.nan, shown.log_ei), np.where(hidden, np.nan, shown.sd)), off)
        for shown, off in before
    ]
    found, cov = carried(S, blind, now, 0.02**2 * LIKE)
    deep = (S > 380) & (S < 420)
    assert np.max(np.abs((found - now)[deep])) < 0.004
    sd = np.sqrt(np.diag(cov))
    assert np.mean(sd[deep]) > np.mean(sd[S > 600])
    alone, alone_cov = carried(S, [], now, 0.02**2 * LIKE)
    assert alone is now
    assert np.all(alone_cov == 0.02**2 * LIKE)


def test_the_newest_pull_says_how_stiff_a_limb_is_as_a_whole() -> None:
    weight = (870.0 - S) ** 2
    told = 16.0 + 0.05 * np.sin(S / 60.0)
    more = level_kept(np.full(N, 16.02), told, weight)
    assert np.sum(weight * np.exp(-(told + more))) == pytest.approx(np.sum(weight * np.exp(-16.02)))
