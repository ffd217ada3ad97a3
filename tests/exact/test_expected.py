"""Where the limbs are expected by geometry: the string keeps its length, a bow at rest is at rest, and the forward model of
unlike limbs (itself held against OpenSees in tests/published) stays within the reach that is searched.
"""

import numpy as np
import pytest

from tiller.bow.sides import SIDES
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.record import Plan, toml_bow
from tiller.simulate.shoot import Shooter
from tiller.vision.limbs.expected import UNSEEN_MM, Bending, expected, reach_of
from tiller.vision.limbs.limb import blank_model


def bending(seed: int, string: str):
    import tomllib
    from dataclasses import replace

    from tiller.bow.bowfile import parse_bow

    rng = np.random.default_rng(seed)
    true = random_bow(rng, "bow", string_kind=string)
    bow = parse_bow(tomllib.loads(toml_bow(true, Plan(), rng)))
    shooter = Shooter(true)
    rest = shooter.rest()
    models = {}
    for side in SIDES:
        model = blank_model(bow, side)
        line = getattr(rest, f"{side}_mm")
        at = [np.interp(model.s_mm, true.limb(side).s_mm, line[:, k]) for k in (0, 1)]
        models[side] = replace(model, rest_mm=np.column_stack(at))
    return true, shooter, Bending.of(bow, models), models


@pytest.mark.parametrize(("seed", "string"), [(1, "long"), (2, "long"), (3, "braced"), (4, "braced")])
def test_within_reach_of_the_true_shapes_and_the_string_keeps_its_length(seed: int, string: str) -> None:
    true, shooter, table, models = bending(seed, string)
    shown = []
    for draw in np.linspace(shooter.taut_draw() + 5.0, 0.85 * true.draw_mm, 6):
        shape = shooter.at(float(draw))
        hook = (float(shape.hook_mm[0]), float(shape.hook_mm[1]))
        first, then = table.at(hook), expected(table, shown, hook)
        lines = {}
        for side in SIDES:
            line = getattr(shape, f"{side}_mm")
            lines[side] = np.column_stack(
                [np.interp(models[side].s_mm, true.limb(side).s_mm, line[:, k]) for k in (0, 1)]
            )
            assert np.max(np.linalg.norm(first[side] - lines[side], axis=1)) < UNSEEN_MM
            if len(shown) > 1:
                assert np.max(np.linalg.norm(then[side] - lines[side], axis=1)) < reach_of(shown, hook) + 3.0
            assert np.linalg.norm(np.diff(first[side], axis=0), axis=1) == pytest.approx(
                np.diff(models[side].s_mm), rel=2e-3
            )
        shown.append((hook, lines))


def test_a_slack_string_leaves_the_bow_at_rest_and_no_draw_is_too_far() -> None:
    _, _, table, models = bending(5, "long")
    for side in SIDES:
        assert table.at((0.0, -20.0))[side] == pytest.approx(models[side].rest_mm, abs=0.5)
        assert np.all(np.isfinite(table.at((0.0, -5000.0))[side]))


def test_where_a_limb_is_thin_it_is_expected_to_bend_more() -> None:
    """Even strain: a curvature that goes as one over the thickness."""
    import tomllib
    from dataclasses import replace

    from tiller.bow.bowfile import parse_bow

    true = random_bow(np.random.default_rng(6), "bow", string_kind="long")
    bow = parse_bow(tomllib.loads(toml_bow(true, Plan(), np.random.default_rng(6))))
    models = {}
    for side in SIDES:
        model = blank_model(bow, side)
        thick = np.where(model.s_mm < 400.0, 16.0, 8.0)
        models[side] = replace(model, thickness_mm=thick)
    lines = Bending.of(bow, models).lines["right"]
    s = models["right"].s_mm
    step = np.diff(lines[-1], axis=0)
    turned = -np.diff(np.arctan2(step[:, 1], step[:, 0]))
    at = s[1:-1]
    inner, outer = (at > 250) & (at < 390), (at > 410) & (at < 550)
    assert np.median(turned[outer]) / np.median(turned[inner]) == pytest.approx(2.0, rel=0.02)
