"""What ``[target]`` may say, and that marks and plan are held against it.

A bow that bends as it is wanted to is even; one that is strained alike is not, where another shape is wanted. Draw to the back: references of the
archery convention as in test_wood_handbook (AMO field publication FP-3, 2000: 1 3/4 in more than from the pivot).
"""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from tests.bench.bowyer import true_bow
from tiller.bow.bowfile import Bow, parse_bow
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.target import parse_target
from tiller.bow.tomlcheck import Table
from tiller.bow.units import archery_draw_mm
from tiller.errors import KeyFault
from tiller.measure.wanted import tiller_of, wanted_strain
from tiller.mechanics.advice.plan import make_plan
from tiller.mechanics.advice.planned import Showed
from tiller.mechanics.advice.thinning import Aim, LimbWood, Shop
from tiller.mechanics.forward.belief import FADE_GIVE, FADE_GIVE_SD, BowBelief, LimbBelief, bow_from
from tiller.mechanics.forward.elastica import solve_draws
from tiller.simulate.bowmaker import BowTruth, random_bow
from tiller.simulate.record import Plan, make_even, toml_bow

USUAL = {"draw_weight_n": 200.0, "brace_height_mm": 150.0}


def target(**keys: object) -> Table:
    return Table("bow.toml", "target", {**USUAL, **keys})


def test_a_draw_is_told_one_way_or_the_other() -> None:
    assert archery_draw_mm(parse_target(target(draw_length_mm=666.75)).draw_length_mm) == pytest.approx(28 * 25.4)
    assert parse_target(target(draw_to_back_mm=28 * 25.4)).draw_length_mm == pytest.approx(26.25 * 25.4)
    with pytest.raises(KeyFault, match="beside draw_to_back_mm"):
        parse_target(target(draw_length_mm=600.0, draw_to_back_mm=644.0))
    with pytest.raises(KeyFault, match="the key is missing"):
        parse_target(target())


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"tiller_mm": 30.0}, "from -20 to 20 mm"),
        ({"tiller_mm": 4.0, "hand": {"below_middle_mm": 30.0, "above_middle_mm": 20.0}}, "the one or the other"),
        ({"hand": {"below_middle_mm": 90.0}}, "below_middle_mm"),
        ({"shape": "round"}, '"circular"'),
        ({"outer_share": 0.3}, 'shape = "stiff-outer"'),
        ({"shape": "elliptical", "ellipse_ratio": 1.5}, "from 0.5 to 1"),
        ({"shape": "own"}, "a list of at least 2 tables"),
        ({"shape": "own", "curve": [{"share": 0.9, "strain": 1.0}, {"share": 0.2, "strain": 1.0}]}, "more than in the row"),
        ({"shape": "own", "curve": [{"share": 0.1, "strain": 1.0}, {"share": 0.5, "strain": 20.0}, {"share": 0.9, "strain": 1.0}]}, "times the curve's mean"),
        ({"shape": "own", "curve": [{"share": 0.1, "strain": 0.0}, {"share": 0.9, "strain": 0.0}]}, "a number from 1e-06"),
    ],
)  # fmt: skip
def test_what_cannot_be_wanted_is_one_sentence(keys: dict[str, object], says: str) -> None:
    with pytest.raises(KeyFault) as caught:
        parse_target(target(draw_length_mm=600.0, **keys))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_own_curve_counts_by_its_shape_alone() -> None:
    rows = [{"share": 0.1, "strain": 3.0}, {"share": 0.5, "strain": 3.0}, {"share": 0.9, "strain": 1.0}]
    points = parse_target(target(draw_length_mm=600.0, shape="own", curve=rows)).curve
    assert [p.strain / points[0].strain for p in points] == pytest.approx([1.0, 1.0, 1 / 3])
    # over their mean between the ends: 3 over the first half, from 3 to 1 over the second, 2.5 on the whole
    assert [p.strain for p in points] == pytest.approx([1.2, 1.2, 0.4])


@pytest.fixture(scope="module")
def even() -> BowTruth:
    """An even bow, too heavy by half."""
    bow = make_even(random_bow(np.random.default_rng(5), "wanted", (), string_kind="braced"), 560.0, 2)
    return replace(bow, weight_n=round(0.65 * float(_force(bow))))


def _force(bow: BowTruth) -> float:
    from tests.bench.bowyer import stand

    return stand(bow).weight_n


def described(bow: BowTruth, **keys: object) -> Bow:
    data = tomllib.loads(toml_bow(bow, Plan(measured_errors=False), np.random.default_rng(1)))
    data["target"] |= keys
    return parse_bow(data)


def believed(bow: BowTruth) -> BowBelief:
    whole = true_bow(bow)
    limbs = []
    for side, chain in zip(SIDES, (whole.left, whole.right), strict=True):
        limb = bow.limb(side)
        s = np.arange(112.0, limb.length_mm - 15.0, 5.0)
        way = np.column_stack([np.cos(chain.rest_angle), np.sin(chain.rest_angle)]) * chain.step_mm
        line = np.vstack([chain.root_mm, chain.root_mm + np.cumsum(way, axis=0)])
        rest = np.column_stack([np.interp(s, chain.s_mm, line[:, k]) for k in (0, 1)])
        log_ei = np.interp(s, limb.s_mm, np.log(limb.ei_n_m2 * 1e6))
        limbs.append(
            LimbBelief(
                s_mm=s,
                log_ei=log_ei,
                cov=1e-6 * np.eye(len(s)),
                rest_mm=rest,
                mass_per_mm_kg=np.full(len(s), 3e-4),
                handle_mm=50.0,
                nock_mm=limb.length_mm,
            )
        )
    return BowBelief(
        left=limbs[0],
        right=limbs[1],
        fade_give=FADE_GIVE,
        fade_give_sd=FADE_GIVE_SD,
        string_ea_n=whole.string_ea_n,
        level_sd=0.015,
    )


def woods(truth: BowTruth, belief: BowBelief, bow: Bow, ratio: float = 0.0) -> tuple[LimbWood, LimbWood]:
    out = []
    for side, told, more in zip(SIDES, (belief.left, belief.right), (0.5 * ratio, -0.5 * ratio), strict=True):
        limb = truth.limb(side)
        width, thick = (np.interp(told.s_mm, limb.s_mm, v) for v in (limb.width_mm, limb.thickness_mm))
        back = crowned_section(width, thick, limb.crown_radius_mm).to_back_mm
        wanted = wanted_strain(bow, side, told.s_mm, back) * np.exp(more)
        none = np.zeros(len(width), dtype=bool)
        out.append(
            LimbWood(
                width_mm=width,
                thickness_mm=thick,
                from_mm=bow.limb(side).working_from_mm,
                to_mm=bow.limb(side).working_to_mm,
                leave=none,
                strain_share=np.ones(len(width)),
                features=(),
                wanted=wanted,
            )
        )
    return out[0], out[1]


def thinned(truth: BowTruth, bow: Bow, ratio: float = 0.0) -> tuple[Shop, list[np.ndarray], float]:
    """The bow at its weight as the plan would have it: strain by limb where it works, and its weight."""
    belief = believed(truth)
    aim = Aim(truth.draw_mm, truth.weight_n, truth.brace_mm, 0.02)
    shop = Shop(belief, woods(truth, belief, bow, ratio), truth.left.crown_radius_mm, aim)
    none = (np.zeros(len(belief.left.s_mm)), np.zeros(len(belief.right.s_mm)))
    string = shop.string(none)
    first = solve_draws(bow_from(belief, segments=40), string, np.array([truth.draw_mm]))
    state, _ = shop.for_weight(truth.weight_n, string, shop.drawn(none, string, first))
    return shop, [state.strain[k][shop.working[k]] for k in (0, 1)], state.weight_n


def test_even_strain_is_even(even: BowTruth) -> None:
    _, strain, weight = thinned(even, described(even))
    both = np.concatenate(strain)
    assert weight == pytest.approx(even.weight_n, rel=1e-3)
    assert np.std(np.log(both)) < 0.01


def test_stiff_outer_limbs_are_strained_half_at_their_ends(even: BowTruth) -> None:
    bow = described(even, shape="stiff-outer", outer_share=0.4)
    light = replace(even, weight_n=round(0.35 * even.weight_n))  # there is wood enough for it
    _, strain, _ = thinned(light, bow)
    for part in strain:
        assert part[-1] / part[0] == pytest.approx(0.5, abs=0.03)
        assert part[len(part) // 3] / part[0] == pytest.approx(1.0, abs=0.02)


def test_a_shape_that_the_wood_cannot_give_is_said(even: BowTruth) -> None:
    """An even bow just over its weight has no wood for outer limbs that are strained half."""
    belief = believed(even)
    heavy = replace(even, weight_n=round(_force(even) / 1.03))
    bow = described(heavy, shape="stiff-outer", outer_share=0.4)
    aim = Aim(heavy.draw_mm, heavy.weight_n, heavy.brace_mm, 0.02)
    plan = make_plan(
        belief, woods(heavy, belief, bow), even.left.crown_radius_mm, aim, Showed(1.0, True, heavy.draw_mm)
    )
    assert plan.zones == ()
    assert any("nothing is proposed until you choose" in note.text for note in plan.notes)


def test_a_circular_tiller_bends_alike(even: BowTruth) -> None:
    """A circle's curvature is one everywhere: bend = strain over the distance to the back. Thinning changes that distance a little."""
    bow = described(even, shape="circular")
    belief = believed(even)
    shop, strain, _ = thinned(even, bow)
    for k, side in enumerate(SIDES):
        wood = shop.wood[k]
        back = crowned_section(wood.width_mm, wood.thickness_mm, even.limb(side).crown_radius_mm).to_back_mm
        bend = strain[k] / back[shop.working[k]]
        assert np.std(np.log(bend)) < 0.03
    assert np.std(np.log(strain[0])) > 0.05  # and so it is not strained alike
    assert len(belief.left.s_mm) == len(shop.wood[0].width_mm)


def test_an_even_bow_is_not_even_where_another_shape_is_wanted(even: BowTruth) -> None:
    belief = believed(even)
    aim = Aim(even.draw_mm, even.weight_n, even.brace_mm, 0.02)

    def uneven(**keys: object) -> float:
        bow = described(even, **keys)
        return make_plan(
            belief, woods(even, belief, bow), even.left.crown_radius_mm, aim, Showed(1.0, True, even.draw_mm)
        ).now.expected

    assert uneven(shape="stiff-outer") > uneven() + 0.05


@pytest.mark.parametrize("upper", ["left", "right"])
@pytest.mark.parametrize("wanted", [6.0, -4.0])
def test_a_wanted_tiller_is_what_the_plan_makes(even: BowTruth, upper: Side, wanted: float) -> None:
    """The upper limb is strained more by what ``tiller_of`` says, and the tiller at brace is then the wanted one."""
    from tiller.mechanics.advice.wanted import tiller_at_brace_mm

    belief = believed(even)
    bow = replace(described(even, tiller_mm=wanted), upper_limb=Side(upper))
    told = tiller_of(belief, bow, to_backs(even, belief))
    assert told.wanted_mm == wanted
    assert (told.left_over_right > 0) == ((wanted > 0) == (upper == "left"))
    shop, strain, _ = thinned(even, bow, told.left_over_right)
    level = [float(np.mean(np.log(part))) for part in strain]
    assert level[0] - level[1] == pytest.approx(told.left_over_right, abs=0.01)
    belief_then = [replace(b, log_ei=shop.log_ei(k, _removal(shop, even)[k])) for k, b in enumerate(shop.limbs)]
    then = bow_from(replace(belief, left=belief_then[0], right=belief_then[1]), segments=40)
    fades = Pair(bow.left.working_from_mm, bow.right.working_from_mm)
    left_less_right = tiller_at_brace_mm(then, even.brace_mm, fades)
    assert (left_less_right if upper == "left" else -left_less_right) == pytest.approx(wanted, abs=0.7)


def to_backs(even: BowTruth, belief: BowBelief) -> tuple[np.ndarray, np.ndarray]:
    left, right = (
        crowned_section(
            *(np.interp(told.s_mm, limb.s_mm, v) for v in (limb.width_mm, limb.thickness_mm)), limb.crown_radius_mm
        ).to_back_mm
        for limb, told in ((even.left, belief.left), (even.right, belief.right))
    )
    return left, right


def _removal(shop: Shop, even: BowTruth) -> tuple[np.ndarray, np.ndarray]:
    none = (np.zeros(len(shop.limbs[0].s_mm)), np.zeros(len(shop.limbs[1].s_mm)))
    string = shop.string(none)
    first = solve_draws(bow_from(shop.belief, segments=40), string, np.array([even.draw_mm]))
    return shop.for_weight(even.weight_n, string, shop.drawn(none, string, first))[0].removal
