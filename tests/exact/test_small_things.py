"""Small steps that only whole results rest on, each by its closed form or against a library.

Huber's loss (1964) against scipy's; a crown's height by Pythagoras; the bow from a neighbour's shape against the same bow from scratch.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import huber

from tests.bench.bowyer import stand, true_bow
from tests.exact.test_target import believed, described, woods
from tiller.mechanics.advice import plan
from tiller.mechanics.advice.planned import Showed
from tiller.mechanics.advice.thinning import Aim, Shop
from tiller.mechanics.forward import elastica
from tiller.mechanics.forward.chain import WholeBow
from tiller.mechanics.wood.layout import outline
from tiller.simulate.bowmaker import random_bow
from tiller.vision.rig.board import STRAY_SD, _robust_chi2


@pytest.mark.parametrize("size", [0.4, 2.9, 3.1, 12.0])
def test_a_stray_counts_by_its_distance_only(size: float) -> None:
    assert _robust_chi2(np.array([-size, size])) == pytest.approx(2 * 2 * huber(STRAY_SD, size))


def test_a_crown_is_as_high_as_its_radius_says() -> None:
    wood = SimpleNamespace(width_mm=np.array([24.0, 40.0]))
    height = Shop._crown_height(SimpleNamespace(crown=52.0), wood)  # type: ignore[arg-type]
    assert height == pytest.approx([52.0 - np.sqrt(52.0**2 - 12.0**2), 52.0 - 48.0])
    assert np.all(Shop._crown_height(SimpleNamespace(crown=None), wood) == 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("length", [800.0, 853.0, 868.4])
def test_an_outline_ends_at_the_nock(length: float) -> None:
    shape = outline("straight", length, 50.0, 42.0, 12.0)
    assert shape.s_mm[-1] == length
    assert np.all(np.diff(shape.s_mm) > 0)
    assert shape.width_mm[-1] == pytest.approx(12.0)


def test_the_heaviest_bow_whose_weak_spots_are_little_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its weak spots are over by more from 150 N on: halving finds that weight from below."""
    monkeypatch.setattr(plan, "_over", lambda _shop, state, _level: 0.05 if state > 150.0 else 0.01)
    shop = SimpleNamespace(for_weight=lambda weight, _string, _state: (weight, 0.0))
    found, _ = plan._all_even(shop, 1700.0, 200.0, 200.0)  # type: ignore[arg-type]
    assert 148.0 < found <= 150.0


def _neighbours(stiffer: float) -> tuple[WholeBow, float, elastica.Solved, elastica.Solved]:
    """A bow with one limb so much stiffer, its string, the plain bow drawn, and itself drawn from scratch."""
    bow = true_bow(random_bow(np.random.default_rng(14), "near", (), string_kind="braced"))
    string, _ = elastica.brace(bow, 150.0)
    draws = np.linspace(220.0, 580.0, 6)
    start = elastica.solve_draws(bow, string, draws)
    other = replace(bow, left=replace(bow.left, ei_nmm2=stiffer * bow.left.ei_nmm2))
    cold = elastica.solve_draws(other, string, draws)
    return other, string, start, cold


@pytest.mark.parametrize("stiffer", [0.99, 1.03])
def test_a_neighbour_s_shape_leads_to_the_same_bow(monkeypatch: pytest.MonkeyPatch, stiffer: float) -> None:
    """And alone: nothing is solved from scratch where it leads there."""
    other, string, start, cold = _neighbours(stiffer)

    def never(*_: object) -> None:
        pytest.fail("the neighbour's shape did not lead there")

    monkeypatch.setattr(elastica, "_newton", never)
    warm = elastica.solve_draws(other, string, start.draw_mm, start)
    assert warm.force_n == pytest.approx(cold.force_n, rel=1e-5)
    assert np.max(np.abs(warm.angle - cold.angle)) < 1e-5


@pytest.mark.parametrize("stiffer", [0.9, 1.3])
def test_where_a_neighbour_is_too_far_it_is_solved_anew(stiffer: float) -> None:
    other, string, start, cold = _neighbours(stiffer)
    warm = elastica.solve_draws(other, string, start.draw_mm, start)
    assert warm.force_n == pytest.approx(cold.force_n, rel=1e-6)


def test_a_limb_is_chalked_in_zones_of_about_60_mm() -> None:
    bow = random_bow(np.random.default_rng(15), "zones", (), string_kind="long")
    bow = replace(bow, weight_n=0.8 * stand(bow).weight_n)
    belief = believed(bow)
    aim = Aim(bow.draw_mm, bow.weight_n, bow.brace_mm, 0.02)
    made = plan.make_plan(
        belief,
        woods(bow, belief, described(bow)),
        bow.left.crown_radius_mm,
        aim,
        Showed(1.0, True, bow.draw_mm),
    )
    lengths = [z.to_mm - z.from_mm for z in made.zones]
    assert len(lengths) > 10
    assert np.mean(lengths) == pytest.approx(plan.ZONE_MM, rel=0.05)
