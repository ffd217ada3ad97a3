"""Where a limb is looked for: of two lines that show alike the one is taken that begins where it is expected; and by which hue wood is told from wall.

The best connected path through a table is held against one found by trying all of them.
"""

from __future__ import annotations

from itertools import pairwise, product
from types import SimpleNamespace

import numpy as np
import pytest

from tiller.vision.limbs import pull
from tiller.vision.limbs.seek import _best_path

ACROSS = np.arange(-20.0, 21.0, 1.0)


@pytest.mark.parametrize("start", [-12.0, 12.0])
def test_of_two_lines_alike_the_expected_one(start: float) -> None:
    gain = np.zeros((30, len(ACROSS)))
    gain[:, [8, 32]] = 5.0  # at -12 and at +12
    path = _best_path(gain, ACROSS, 4.0, start)
    assert np.all(ACROSS[path] == start)


def test_a_line_a_little_off_the_expected_start_beats_a_fainter_one_there() -> None:
    gain = np.zeros((30, len(ACROSS)))
    gain[:, 26], gain[:, 20] = 5.0, 4.0  # at +6 and at 0: 1.8 for the way, 29 for what shows
    assert np.all(ACROSS[_best_path(gain, ACROSS, 4.0, 0.0)] == 6.0)
    # nowhere is expected: what shows decides alone
    gain[:, 2] = 5.2
    assert np.all(ACROSS[_best_path(gain, ACROSS, 4.0, None)] == -18.0)


@pytest.mark.parametrize("seed", range(6))
def test_it_is_the_best_of_all_paths(seed: int) -> None:
    rng = np.random.default_rng(seed)
    across = np.arange(-3.0, 4.0)
    gain = rng.uniform(0, 1.0, (4, len(across)))
    found = _best_path(gain, across, 4.0, 1.0)

    def worth(path: tuple[int, ...]) -> float:
        leaning = sum(0.35 * 0.25 * (b - a) ** 2 for a, b in pairwise(path))
        return float(sum(gain[i, p] for i, p in enumerate(path)) - leaning - 0.05 * (across[path[0]] - 1.0) ** 2)

    every = [p for p in product(range(len(across)), repeat=4) if all(abs(a - b) <= 5 for a, b in pairwise(p))]
    assert worth(tuple(int(k) for k in found)) == pytest.approx(max(worth(p) for p in every))


def _hue_of(monkeypatch: pytest.MonkeyPatch, blue: float, red: float) -> tuple[float, float]:
    """The direction that is taken where the wood differs from the wall by so much log hue."""
    row = np.full(20, 1.0)
    monkeypatch.setattr(pull, "beyond_light", lambda *_: (row, blue * row, red * row))
    rest = SimpleNamespace(
        view=SimpleNamespace(plane_to_pixels=lambda points, _: points),
        plane_z_mm=0.0,
        now=lambda points: points,
        behind=lambda points: points,
        light=None,
        look=SimpleNamespace(toward=(-np.sqrt(0.5), np.sqrt(0.5))),
    )
    return pull._toward(rest, (SimpleNamespace(rest_mm=np.zeros((20, 2))),))  # type: ignore[arg-type, dict-item]


def test_wood_is_told_by_red_over_blue_where_that_shows_most_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = (-np.sqrt(0.5), np.sqrt(0.5))
    assert _hue_of(monkeypatch, -0.2, 0.2) == usual
    assert _hue_of(monkeypatch, -0.3, 0.0) == usual
    # neither blue nor red over the other: straight from wall to wood
    assert _hue_of(monkeypatch, 0.3, 0.3) == pytest.approx((np.sqrt(0.5), np.sqrt(0.5)))
    assert _hue_of(monkeypatch, -0.3, -0.28) == pytest.approx(np.array([-0.3, -0.28]) / np.hypot(0.3, 0.28))
    # too little to say in which direction, whatever it is
    assert _hue_of(monkeypatch, 0.01, 0.01) == usual
