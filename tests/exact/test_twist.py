"""Twist of a limb from its outline: the model's own closed form, made and undone."""

import numpy as np
import pytest

from tiller.mechanics.fit.twist import Twist, find_twist

S = np.arange(120.0, 850.0, 5.0)
WIDTH = np.interp(S, [120, 450, 850], [44.0, 42.0, 13.0])
CROWN = 70.0
U = (S - 120.0) / (S[-1] - 120.0)
PHI = (np.linspace(0.05, 0.07, len(S)), np.linspace(0.05, 0.16, len(S)))


def stands_out(phi: np.ndarray) -> np.ndarray:
    """The outline's extent over the thickness: the section of a crowned limb, turned, its highest and lowest point by sampling the crown's circle."""
    out = []
    for width, angle in zip(WIDTH, phi, strict=True):
        across = np.linspace(-0.5 * width, 0.5 * width, 2001)
        height = np.sqrt(CROWN**2 - across**2) - CROWN
        back = np.max(height * np.cos(angle) + across * np.sin(angle))
        belly = np.max(across * np.sin(angle))
        out.append(back + belly)
    return np.array(out)


def outline(twist_deg: tuple[float, float], bias: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    rough = np.interp(S, S[::12], rng.normal(0, noise, len(S[::12])))
    out = []
    for degrees, phi in zip(twist_deg, PHI, strict=True):
        turn = np.deg2rad(degrees) * U
        out.append(bias * (1 + 0.3 * U) + rough + stands_out(phi + turn) - stands_out(phi))
    return out[0], out[1]


@pytest.mark.parametrize("twist_deg", [(4.0, 5.0), (-5.0, -6.0), (8.0, 8.0), (0.0, 0.0)])
def test_the_twist_and_its_sign(twist_deg: tuple[float, float]) -> None:
    for bias in (-0.2, 0.2):
        found = find_twist(S, WIDTH, CROWN, outline(twist_deg, bias, 0.05, 1), PHI, 120.0)
        _must_be(found, twist_deg)


def _must_be(found: Twist, twist_deg: tuple[float, float]) -> None:
    for got, true in zip((found.rest_rad, found.drawn_rad), twist_deg, strict=True):
        assert np.rad2deg(got) == pytest.approx(true, abs=2.5)
        if abs(true) >= 4.0:
            assert np.sign(got) == np.sign(true)
    if abs(twist_deg[1]) >= 8.0:
        assert found.sure
    if twist_deg == (0.0, 0.0):
        assert not found.sure


def test_the_stated_sd_holds_over_rough_outlines() -> None:
    z = []
    for seed in range(60):
        true = float(np.random.default_rng(seed).uniform(-7, 7))
        found = find_twist(S, WIDTH, CROWN, outline((true, true), 0.5, 0.25, seed), PHI, 120.0)
        z.append((np.rad2deg(found.drawn_rad) - true) / np.rad2deg(found.drawn_sd_rad))
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_too_little_seen_tells_nothing() -> None:
    hidden = np.full(len(S), np.nan)
    hidden[:8] = 0.1
    assert np.isnan(find_twist(S, WIDTH, CROWN, (hidden, hidden), PHI, 120.0).rest_rad)
