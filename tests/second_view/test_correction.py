"""What is proposed for a string that runs aside: its direction, its limits, and that it comes true on crooked bows (tests.bench.straighten: 24 of them)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.straighten import BRACE_MM, Crooked, carried_out, crooked, seen, straightened
from tiller.bow.sides import Pair, Side
from tiller.measure.second_view.correction import MOST_BENT_RAD, MOST_TURNED_RAD, correction_of
from tiller.mechanics.space.track import bent, nothing, offset_per_mm, offset_per_rad, turned
from tiller.mechanics.space.tracking import NO_TWIST, WITHIN_MM, NockTwist, twist_by_both
from tiller.report.text.alignment import correction_words


@pytest.fixture(scope="module")
def one() -> Crooked:
    return crooked(0)


def test_in_few_rounds_it_is_within_two_millimetres() -> None:
    for seed in (0, 5):
        ended = straightened(seed)
        assert abs(ended.offsets_mm[0]) >= 4.0
        assert abs(ended.offsets_mm[-1]) <= WITHIN_MM
        assert len(ended.offsets_mm) <= 4
        assert abs(ended.pull) < 0.02
        assert (
            ended.uneven < 0.005
        )  # turning a twisted limb back changes its bend a little: by 0.37 % at most of 24 bows


def test_a_bend_moves_the_string_as_levers_say(one: Crooked) -> None:
    """A bend by a small angle moves its nock by the angle times what is left of the limb, the string by that times the other limb's share of the chord. The
    string presses the limb together lengthwise, which makes every crook grow, by less than half (a beam under P below its buckling load P*: 1 / (1 - P / P*))."""
    course = one.course
    x = course.strung.points_mm[:, -1, 0]
    for right in (False, True):
        blank = course.right if right else course.left
        at = 0.5 * blank.s_mm[-1]
        share = x[0] / x.sum() if right else x[1] / x.sum()
        levers = (blank.s_mm[-1] - at) * share
        assert 1.0 < offset_per_rad(course, right, at) / levers < 1.5
    # towards the side that is thinned
    span = (one.bow.left.working_from_mm, one.bow.left.working_to_mm)
    assert offset_per_mm(course, False, True, span) > 0
    assert offset_per_mm(course, False, False, span) < 0
    both = course.after(bent(course.left, 0.01, 400.0), bent(course.right, 0.01, 400.0))
    one_way = course.after(bent(course.left, 0.01, 400.0), nothing(course.right))
    assert both.offset_mm > one_way.offset_mm > course.strung.offset_mm


def test_what_is_proposed_keeps_to_its_limits(one: Crooked) -> None:
    rng = np.random.default_rng(1)
    shown = replace(seen(one.bow, one.course.strung, one.course, rng), twist=NO_TWIST)
    asked = correction_of(one.bow, shown, BRACE_MM)
    assert asked.heat
    assert all(abs(h.angle_rad) <= MOST_BENT_RAD + 1e-9 for h in asked.heat)
    assert all(np.sign(h.angle_rad) == -np.sign(shown.offset_mm) for h in asked.heat)
    for h in asked.heat:
        limb = one.bow.limb(h.limb)
        assert limb.working_from_mm < h.at_mm < 0.8 * limb.length_mm
    # what springs back is asked for on top
    more = correction_of(one.bow, shown, BRACE_MM, kept=0.8)
    assert more.heat[0].angle_rad == pytest.approx(asked.heat[0].angle_rad / 0.8)
    # the string's pull makes a crook grow: strung, the nock goes farther than on the form, to the same side
    assert 1.0 < more.heat[0].nock_mm / more.heat[0].form_mm < 1.6
    # a string that is in the middle as far as can be told is left alone
    for offset, sd, words in ((1.5, 0.2, ""), (5.0, 3.0, "cannot be told"), (1.0, 1.5, "cannot be told")):
        quiet = correction_of(one.bow, replace(shown, offset_mm=offset, offset_sd_mm=sd), BRACE_MM)
        assert not quiet.heat
        assert quiet.edge is None
        assert words in quiet.why_not
        assert bool(words) == bool(quiet.why_not)
    # a limb whose end is not seen may be the one that bends: nothing is guessed
    for side in Side:
        blind = replace(shown, limbs=shown.limbs.put(side, replace(shown.limbs[side], nock_mm=float("nan"))))
        assert "not seen" in correction_of(one.bow, blind, BRACE_MM).why_not
    vague = replace(shown, limbs=shown.limbs.each(lambda limb: replace(limb, nock_sd_mm=5.0)))
    assert "which limb bends" in correction_of(one.bow, vague, BRACE_MM).why_not
    # however much springs back, no place is bent more sharply than may be
    far = correction_of(one.bow, replace(shown, offset_mm=30.0 * float(np.sign(shown.offset_mm))), BRACE_MM, kept=0.5)
    assert max(abs(h.angle_rad) for h in far.heat) == pytest.approx(MOST_BENT_RAD)
    assert abs(far.after_mm) > WITHIN_MM


def test_wood_is_proposed_only_within_what_may_come_off(one: Crooked) -> None:
    rng = np.random.default_rng(1)
    shown = replace(
        seen(one.bow, one.course.strung, one.course, rng), offset_mm=2.6 * float(np.sign(one.course.strung.offset_mm))
    )
    none = correction_of(one.bow, shown, BRACE_MM, reserve=0.0)
    assert none.edge is None
    some = correction_of(one.bow, shown, BRACE_MM, reserve=0.2)
    assert some.edge is not None
    assert -0.2 < some.edge_weight < 0
    assert some.edge.right == (shown.offset_mm < 0)  # the limb bends to the side that is thinner: back to the middle
    after = carried_out(one.course, some, np.random.default_rng(2), wood=True)
    moved = after.strung.offset_mm - one.course.strung.offset_mm
    assert np.sign(moved) == -np.sign(shown.offset_mm)
    assert after.strung.pull_n / one.course.strung.pull_n - 1 == pytest.approx(some.edge_weight, abs=0.02)
    assert some.edge.limb in (Side.LEFT, Side.RIGHT)


def test_a_twisted_limb_is_turned_back_first(one: Crooked) -> None:
    """Turned to the right, a belly looks to the right (by the frames of the chain itself); what is proposed is the other way round."""
    course = one.course
    for right in (False, True):
        blank = course.right if right else course.left
        taken = turned(blank, 0.1, 200.0, 700.0)
        other = nothing(course.left if right else course.right)
        after = course.after(other, taken) if right else course.after(taken, other)
        k = int(right)
        belly = [-strung.frames[k, -1, 2, 0] for strung in (course.strung, after)]
        assert belly[1] - belly[0] == pytest.approx(0.1, abs=0.03)
        # only what is turned turns
        assert -after.frames[1 - k, -1, 2, 0] == pytest.approx(-course.strung.frames[1 - k, -1, 2, 0], abs=0.01)
    shown = seen(one.bow, course.strung, course, np.random.default_rng(2))
    six, little = NockTwist(float(np.deg2rad(6.0)), 0.008), NockTwist(float(np.deg2rad(2.0)), 0.003)
    asked = correction_of(one.bow, replace(shown, twist=Pair(six, little)), BRACE_MM, kept=0.8)
    (turn,) = asked.turn
    assert turn.limb is Side.LEFT
    assert np.rad2deg(turn.angle_rad) == pytest.approx(-6.0 / 0.8)
    assert one.bow.left.working_from_mm <= turn.from_mm < turn.to_mm < one.bow.left.length_mm
    assert abs(asked.after_mm) < WITHIN_MM
    late = correction_of(
        one.bow, replace(shown, twist=Pair(replace(six, from_mm=450.0), replace(six, sd_rad=0.05))), BRACE_MM
    )
    assert [u.from_mm for u in late.turn] == [450.0]  # the other one is not sure
    words = "\n".join(correction_words(asked, one.bow))
    assert "turn the" in words
    assert "7.5 degrees to the left" in words
    assert words.count("warmed --limb") == 1 + len(asked.heat)
    # however far it is turned, no more than may be at a time
    far = correction_of(one.bow, replace(shown, twist=Pair(NockTwist(0.5, 0.01), NockTwist())), BRACE_MM, kept=0.8)
    assert abs(far.turn[0].angle_rad) <= MOST_TURNED_RAD + 1e-9


def test_two_that_measured_a_twist_apart_count_by_their_sd() -> None:
    both = twist_by_both(NockTwist(0.06, 0.01), NockTwist(0.02, 0.02, 300.0))
    assert both.turn_rad == pytest.approx(0.052)
    assert both.sd_rad == pytest.approx(1 / np.sqrt(1e4 + 2.5e3))
    assert both.from_mm == 300.0
    assert twist_by_both(NockTwist(), NockTwist(0.02, 0.02)).turn_rad == 0.02
    assert not NockTwist().sure
    assert not NockTwist(0.04, 0.001).sure  # so little is left
    assert NockTwist(-0.06, 0.01).sure
