"""Edges of synthetic profiles: place, and sd against the Cramer-Rao bound of one row across a Gaussian edge,
sd = (noise / step) sqrt(2 blur sqrt(pi)) px (derived from the Fisher information of an edge sampled at whole px).
"""

import numpy as np
import pytest
from scipy.special import ndtr

from tiller.vision.limbs.edges import HALF_WINDOW_PX, EdgeSearch, fit_edges
from tiller.vision.limbs.limb import window_of

TAU = np.arange(-HALF_WINDOW_PX, HALF_WINDOW_PX + 1, dtype=float)
BLUR = (0.8, 1.4)


def profiles(
    n: int, place: float, noise: float, seed: int, shade: float = 1.0, strip: float = 0.0, grid: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    behind = np.full((n, len(TAU)), 190.0)
    if grid:
        behind[:, 9:11] = 90.0
    tint = np.full((n, len(TAU)), 3.0)
    out = []
    for k, (inside, sliver, outside) in enumerate(((140.0, 80.0, shade * behind), (30.0, 18.0, shade * tint))):
        g = ndtr((TAU - place) / BLUR[k])
        gs = ndtr((TAU - place + strip) / BLUR[k])
        out.append(outside * g + sliver * (gs - g) + inside * (1 - gs) + rng.normal(0, noise, (n, len(TAU))))
    return np.stack(out).astype(np.float32), np.stack([behind, tint]).astype(np.float32)


# with a sliver of 2.5 px Gauss-Newton alone finds the right side of it from within about a pixel; the scan below from farther
@pytest.mark.parametrize(
    ("place", "strip"), [(-1.6, 0.0), (-0.4, 0.0), (0.3, 0.0), (1.7, 0.0), (-0.8, 2.5), (0.0, 2.5), (0.9, 2.5)]
)
def test_place(place: float, strip: float) -> None:
    picture, empty = profiles(64, place, 0.5, 1, strip=strip)
    fit = fit_edges(picture, empty, np.full(64, strip), BLUR, (1.0, 1.0), EdgeSearch(rounds=4))
    assert np.mean(fit.tau_px) == pytest.approx(place, abs=0.03)


def test_shade_and_grid_lines_behind_do_not_move_it() -> None:
    clean, empty = profiles(64, 0.4, 0.5, 1, shade=0.6, grid=True)
    fit = fit_edges(clean, empty, np.zeros(64), BLUR, (1.0, 1.0), EdgeSearch(rounds=4))
    assert np.mean(fit.tau_px) == pytest.approx(0.4, abs=0.05)


def test_scatter_stated_and_bound() -> None:
    noise = 2.0
    picture, empty = profiles(2000, 0.2, noise, 3)
    fit = fit_edges(picture, empty, np.zeros(2000), BLUR, (noise, noise), EdgeSearch(rounds=4, smooth=11, parts=2))
    actual = float(np.std(fit.tau_px))
    information = sum(
        (step / noise) ** 2 / (2 * blur * np.sqrt(np.pi)) for step, blur in ((50.0, BLUR[0]), (27.0, BLUR[1]))
    )
    limit = 1 / np.sqrt(information)
    assert limit * 0.9 < actual < 1.5 * limit
    assert 0.7 * actual < np.median(fit.sd_px) < 1.3 * actual


def test_a_dark_sliver_has_two_sides_and_the_scan_finds_the_right_one() -> None:
    n = 40
    back, empty_back = profiles(n, 1.5, 1.0, 4)
    belly, empty_belly = profiles(n, -1.5, 1.0, 5, strip=2.5)
    fit = fit_edges(
        np.concatenate([back, belly], axis=1),
        np.concatenate([empty_back, empty_belly], axis=1),
        np.concatenate([np.zeros(n), np.full(n, 2.5)]),
        BLUR,
        (1.0, 1.0),
        EdgeSearch(smooth=11, parts=2, scan_px=(-3.6, -2.4, -1.2, 0.0, 1.2, 2.4, 3.6)),
    )
    assert np.median(fit.tau_px[:n]) == pytest.approx(1.5, abs=0.1)
    assert np.median(fit.tau_px[n:]) == pytest.approx(-1.5, abs=0.1)


def test_nothing_there_is_not_made_up() -> None:
    rng = np.random.default_rng(6)
    empty = np.stack([np.full((32, 15), 120.0), np.full((32, 15), 4.0)]).astype(np.float32)
    picture = (empty + rng.normal(0, 1.0, empty.shape)).astype(np.float32)
    fit = fit_edges(picture, empty, np.zeros(32), BLUR, (1.0, 1.0))
    assert np.nanmedian(fit.step) < 4.0 or np.all(~np.isfinite(fit.tau_px))


def test_a_length_is_averaged_over_as_many_stations_as_it_holds() -> None:
    assert [window_of(55.0, spacing_mm) for spacing_mm in (2.5, 5.0, 10.0, 20.0)] == [23, 11, 5, 5]
    assert window_of(120.0, 5.0) == 25
