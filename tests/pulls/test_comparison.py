"""A pull beside the one before: what a pass did, set, tiller, energy lost, stacking; truth put in by the software rack."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import stored_pulls
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES
from tiller.cli.entry import main
from tiller.measure.followup.comparison import learned_stroke
from tiller.measure.followup.sets import LOCAL_CHANGE_SD, Past, _off_after, _shown_by, belief_by_all_pulls
from tiller.measure.pipeline import LEVEL_SD, Measured, measure
from tiller.measure.recording import read_recording
from tiller.mechanics.advice.carry import LASTING
from tiller.mechanics.advice.history import (
    LEVEL_CHANGE_SD,
    PassDone,
    Scraped,
    lost_share,
    pass_done,
    set_taken,
    stacking,
    tiller_difference_mm,
)
from tiller.mechanics.forward.belief import BowBelief
from tiller.records.stored_advice import StoredAdvice, StoredComparison, StoredLayer, StoredSetShown
from tiller.records.stored_pull import Scraping, StoredPull
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.record import Plan, make_even, write_recording
from tiller.simulate.shoot import Shooter


def test_a_pass_is_promised_and_checked_and_the_stroke_is_learned(
    tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bow = make_even(random_bow(np.random.default_rng(21), "passed", (), string_kind="long"), 480.0, 2)
    bow = replace(bow, weight_n=round(0.62 * Shooter(bow).at(480.0).force_n))
    write_recording(tmp_path / "one", bow, Plan(largest_mm=440.0, pictures=12, seed=21))
    assert (
        main(["measure", str(tmp_path / "one"), "--no-pictures", "--quiet", "--json", str(tmp_path / "one.json")]) == 0
    )
    first = json.loads((tmp_path / "one.json").read_text())
    assert first["passes_done"] == []
    assert first["stroke_mm"] == 0.05
    assert first["plan_summary"]["earlier_pulls"] == 0
    zones = [z for z in first["plan"] if z["pass_mm"] > 0]
    assert len(zones) > 6
    # the left limb loses half as much again as planned, the right one what was planned; the right one takes a set
    limbs = {}
    for side, share in (("left", 1.5), ("right", 1.0)):
        limb = bow.limb(side)
        off = np.zeros(len(limb.s_mm))
        for z in (z for z in zones if z["limb"] == side):
            off[(limb.s_mm >= z["from_mm"]) & (limb.s_mm <= z["to_mm"])] = share * z["pass_mm"]
        limbs[side] = replace(limb, thickness_mm=limb.thickness_mm - off)
    right = limbs["right"]
    kinked = right.rest_curvature_per_m + 0.25 * ((right.s_mm > 250) & (right.s_mm < 350))
    after = replace(bow, left=limbs["left"], right=replace(right, rest_curvature_per_m=kinked))
    assert main(["book", "event", "passed", "toasted", "--limb", "right", "--from", "200", "--to", "400"]) == 0
    write_recording(tmp_path / "two", after, Plan(largest_mm=440.0, pictures=12, seed=22))
    assert main(["measure", str(tmp_path / "two"), "--no-pictures", "--json", str(tmp_path / "two.json")]) == 0
    said = capsys.readouterr().out
    second = json.loads((tmp_path / "two.json").read_text())
    shares = {p["limb"]: (p["share"], p["sd"]) for p in second["passes_done"]}
    assert shares["left"][0] == pytest.approx(1.5, abs=0.3)
    assert shares["right"][0] == pytest.approx(1.0, abs=0.3)
    assert "the left limb got weaker than planned" in said
    assert "the right limb got weaker than planned" not in said
    assert second["promised_n"] == pytest.approx(first["plan_summary"]["weight_after_pass_n"])
    assert second["forecast"]["braced_weight_n"] < second["promised_n"]
    assert 0.05 < second["stroke_mm"] < 0.08
    assert learned_stroke(0.05, [PassDone("left", 0.5, 0.05), PassDone("right", 0.4, 0.05)]) == 0.05
    assert learned_stroke(0.05, [PassDone("left", 1.5, 2.0)]) == pytest.approx(0.05, rel=0.03)
    taken = {s["limb"]: s for s in second["set"]}
    rest = [Shooter(b).rest().right_mm[-1, 1] for b in (bow, after)]
    assert taken["right"]["nock_mm"] == pytest.approx(rest[0] - rest[1], abs=2.5)
    assert taken["right"]["where_mm"] == pytest.approx(300.0, abs=60.0)
    assert abs(taken["left"]["nock_mm"]) < 3.0
    assert "the right limb has taken a set" in said
    # the wood kept an eighth of its bend where the kink was put in, and nowhere else; no table's strain was reached
    drawn = first["limbs"]["right"]
    for z in second["set_by_place"]:
        share = max(0.0, min(z["to_mm"], 350) - max(z["from_mm"], 250)) / (z["to_mm"] - z["from_mm"])
        bend = float(np.interp(0.5 * (z["from_mm"] + z["to_mm"]), drawn["s_mm"], drawn["bend_per_m"]))
        put_in = 0.25 * share / bend if z["limb"] == "right" else 0.0
        assert z["kept"] == pytest.approx(put_in, abs=2 * z["kept_sd"]), z
        assert z["kept_sd"] < 0.2
    assert second["set_shown"]["limit"] is None
    (toasted,) = second["events_shown"]
    assert (toasted["what"], toasted["limb"], toasted["from_mm"]) == ("toasted", "right", 200.0)
    depth = np.mean([z["pass_mm"] for z in zones if z["limb"] == "right" and 200 <= z["from_mm"] <= 320])
    assert toasted["stiffer"] == pytest.approx(-3 * depth / 13.5, abs=0.06)
    assert toasted["nock_mm"] == pytest.approx(taken["right"]["nock_mm"], abs=1.0)
    assert "SINCE THEN toasted, right limb 200 mm to 400 mm" in said
    assert second["plan_summary"]["earlier_pulls"] == 1
    assert "the plan rests on this pull and on 1 earlier one of this bow" in said
    assert second["lost_share"] == pytest.approx(0.05, abs=0.03)


def test_share_of_a_pass_follows_the_section() -> None:
    s = np.arange(110.0, 800.0, 5.0)
    ei = 1e2 * (1 - s / 1200)
    thick, depth = 14.0, 0.6
    inside = (s >= 200) & (s <= 400)
    # a crowned section loses more than the cube: 42 mm wide, crown 90 mm
    both = crowned_section(42.0, np.array([thick, thick - depth]), 90.0).second_moment_mm4
    change = float(np.log(both[1] / both[0]))
    assert change < 3.05 * np.log(1 - depth / thick)
    after = np.where(inside, ei * np.exp(change), ei)
    zone = Scraped("left", 200.0, 400.0, depth, change)
    done = pass_done("left", s, ei, s, after, [zone])
    assert done.share == pytest.approx(1.0)
    assert 0 < done.sd < 0.3
    assert np.isnan(pass_done("right", s, ei, s, after, [zone]).share)


def test_set_of_a_limb_bent_in_one_place() -> None:
    s = np.arange(110.0, 840.0, 5.0)
    straight = np.column_stack([s, np.full_like(s, 20.0)])
    turn = -0.02 * np.clip((s - 300) / 60, 0, 1)
    bent = np.column_stack(
        [
            s[0] + np.concatenate([[0], np.cumsum(5.0 * np.cos(turn[1:]))]),
            20.0 + np.concatenate([[0], np.cumsum(5.0 * np.sin(turn[1:]))]),
        ]
    )
    taken = set_taken("left", s, straight, s, bent)
    assert taken.nock_mm == pytest.approx(20.0 - bent[-1, 1], abs=0.2)
    assert taken.where_mm == pytest.approx(330.0, abs=40.0)
    none = set_taken("left", s, straight, s, straight)
    assert none.nock_mm == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(none.where_mm)


def test_tiller_difference_by_hand() -> None:
    s = np.array([0.0, 100.0, 800.0])
    flat = np.array([[0.0, 0.0], [100.0, 0.0], [800.0, -200.0]])
    lower = np.array([[0.0, 0.0], [100.0, -5.0], [800.0, -200.0]])
    hook = np.array([[0.0, -200.0], [0.0, -200.0]])
    # the string lies level at y = -200: 200 mm below the upper limb's fade, 195 below the lower one's
    assert tiller_difference_mm(flat, lower, s, s, hook, (100.0, 100.0)) == pytest.approx(5.0)


def test_energy_lost_and_stacking_of_known_curves() -> None:
    draw = np.linspace(150.0, 600.0, 16)
    force = 0.3 * (draw - 150)
    down = draw[-4::-4]
    lost = lost_share(draw, force, down, 0.94 * 0.3 * (down - 150))
    assert 0.03 < lost < 0.06  # the let-down starts from the full force and is 6 % lower only from its first picture on
    assert stacking(draw, force) == pytest.approx(1.0)
    assert stacking(draw, (draw - 150.0) ** 2) == pytest.approx((450.0**2 - 375.0**2) / 75.0 / 450.0, rel=0.03)
    assert np.isnan(stacking(draw[:3], force[:3]))


def test_words_about_a_pass_need_their_evidence() -> None:
    """What is said of a pass by how well its share is known: 'nothing' only where half of it can be ruled out."""
    from tiller.measure.followup.comparison import _pass_words
    from tiller.mechanics.advice.history import nothing_off

    nan = float("nan")
    nothing = [PassDone("left", 0.05, 0.1), PassDone("right", 0.02, 0.15)]
    assert nothing_off(nothing)
    assert _pass_words(nothing, nan, nan) == []
    assert not nothing_off([])
    assert not nothing_off([PassDone("left", 0.05, 0.1), PassDone("right", 0.4, 0.1)])
    assert not nothing_off([PassDone("left", 0.1, 0.5), PassDone("right", 0.9, 0.4)])
    # wood did come off, and the pulls cannot tell how much: never 'nothing'
    vague = _pass_words([PassDone("left", 0.1, 0.5), PassDone("right", 0.9, 0.4)], nan, nan)
    assert all("cannot be determined" in note.text for note in vague)
    sure = _pass_words([PassDone("left", 0.8, 0.1), PassDone("right", 0.05, 0.1)], nan, nan)
    assert any("left limb 80" in note.text for note in sure)
    assert any("right limb 5" in note.text for note in sure)
    assert any("weaker than planned" in note.text for note in _pass_words([PassDone("left", 1.6, 0.1)], nan, nan))
    assert not any("weaker than planned" in note.text for note in _pass_words([PassDone("left", 1.3, 0.25)], nan, nan))


def test_a_set_may_lower_the_limit_and_never_raises_it(small_recording: Path) -> None:
    from tiller.bow.bowfile import read_bow
    from tiller.measure.followup.advice import strain_limit
    from tiller.mechanics.advice.yielding import SetShown

    bow = read_bow(small_recording / "bow.toml")
    usual, source = strain_limit(bow)

    def shown(limit: float) -> SetShown:
        return SetShown(
            zones=(), nocks_mm=20.0, nocks_sd_mm=2.0, strain=1.1 * usual, limit=limit, limit_sd=3e-4, odds=9.0
        )

    assert strain_limit(bow, shown(0.8 * usual)) == (0.8 * usual, "by the set that this bow took")
    assert strain_limit(bow, shown(1.2 * usual)) == (usual, source)
    assert strain_limit(bow, shown(float("nan"))) == (usual, source)
    own = replace(bow, target=replace(bow.target, working_strain=0.9 * usual))
    assert strain_limit(own, shown(0.8 * usual)) == (0.9 * usual, "set in bow.toml")


def test_a_limit_that_was_shown_stays(small_recording: Path) -> None:
    """Heat takes a set out of a limb; the wood bears no more for it."""
    from datetime import datetime

    from tiller.measure.followup.sets import Past, set_by_place
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording
    from tiller.records.events import Event

    recording = read_recording(small_recording)
    measured = measure(recording)
    pull = stored_pulls.pull(comparison=StoredComparison(set_shown=StoredSetShown(limit=0.0055, limit_sd=0.0004)))
    heat = Event(kind="warmed", at=datetime(2026, 3, 2))
    for events in ((), (heat,)):
        found = set_by_place(measured, recording.bow, Past([pull], events))
        assert found is not None
        assert (found.limit, found.limit_sd) == (0.0055, 0.0004)
    for untold in (StoredComparison(), StoredComparison(set_shown=StoredSetShown())):
        assert set_by_place(measured, recording.bow, Past([replace(pull, comparison=untold)], ())) is None


def _kept(measured: Measured, day: int, **more: Any) -> StoredPull:
    """A pull as the book hands it out, as far as its map is concerned."""
    limbs = {
        side: stored_pulls.limb_of(measured.result.limb(side), rest_s_mm=np.empty(0), rest_mm=np.empty((0, 2)))
        for side in SIDES
    }
    return stored_pulls.pull(taken_at=f"2026-05-{day:02d}T10:00:00", force_there_n=200.0, **limbs, **more)


def test_a_plan_rests_on_all_pulls_and_on_what_came_off(tmp_path: Path) -> None:
    bow = random_bow(np.random.default_rng(31), "again", (), string_kind="long")
    measured = []
    for seed in (31, 32):
        write_recording(tmp_path / str(seed), bow, Plan(largest_mm=480.0, pictures=10, seed=seed))
        measured.append(measure(read_recording(tmp_path / str(seed))))
    wood = read_recording(tmp_path / "31").bow
    first, now = measured

    def by(**more: Any) -> BowBelief:
        belief, earlier = belief_by_all_pulls(now, wood, Past((_kept(first, 3, **more),)))
        assert earlier == 1
        return belief

    still = by(advice=StoredAdvice(layers=(), plan=()))
    seen = np.isfinite(now.result.limb("left").strain)
    then, alone = (np.log(1e6 * m.result.limb("left").stiffness_n_m2[seen]) for m in measured)
    together = still.left.log_ei[seen]
    # between the two maps, and surer than either
    way = together - np.mean(together), then - np.mean(then), alone - np.mean(alone)
    toward = float((way[0] - way[2]) @ (way[1] - way[2]) / ((way[1] - way[2]) @ (way[1] - way[2])))
    assert 0.1 < toward < 0.6
    sd = [np.mean(np.sqrt(np.diag(b.left.cov))[seen]) for b in (still, now.belief)]
    # the new part of two maps weighed together, the earlier one after what may have changed in between; the lasting part stays
    var = sd[1] ** 2
    new = (1 - LASTING) * var
    then_sd2 = new + LEVEL_CHANGE_SD**2 + LOCAL_CHANGE_SD**2
    expected = np.sqrt(LASTING + 1 / (1 / new + 1 / then_sd2) / var)
    assert sd[0] / sd[1] == pytest.approx(expected, abs=0.015)
    assert expected < 0.97
    # what was scraped is reckoned with, as many strokes as were made: so much less is expected there
    layer = StoredLayer(limb="left", from_mm=250.0, to_mm=450.0, depth_mm=0.15)
    s, told = now.belief.left.s_mm, StoredAdvice(layers=(layer,), plan=())
    there = (s > 280) & (s < 420)
    made, half, untold = (
        _off_after(stored_pulls.pull(advice=told, scrapings=rows), "left", s, np.full(len(s), 0.2), ())
        for rows in (
            (Scraping(3, 3, ""),),
            (Scraping(1, 4, ""), Scraping(2, 2, "")),
            (),
        )
    )
    assert made.log_ei[there] == pytest.approx(-0.03)
    assert half.log_ei[there] == pytest.approx(-0.015)
    assert np.all(untold.log_ei[there] < 0)
    assert np.all(np.diag(untold.cov)[there] > np.diag(made.cov)[there])
    assert np.all(_off_after(stored_pulls.pull(advice=told), "right", s, np.full(len(s), 0.2), ()).log_ei == 0)
    both = by(advice=told, scrapings=(Scraping(3, 3, ""),))
    assert float(np.mean((both.left.log_ei - still.left.log_ei)[there])) < 0.0
    # nothing is known of a pull whose plan is not there, and nothing comes from one that was not weighed
    unplanned = by()
    assert np.max(np.abs(unplanned.left.log_ei - now.belief.left.log_ei)[seen]) < 0.35 * np.max(
        np.abs(still.left.log_ei - now.belief.left.log_ei)[seen]
    )
    assert belief_by_all_pulls(now, wood, Past((replace(_kept(first, 3), force_there_n=float("nan")),)))[1] == 0
    assert belief_by_all_pulls(now, wood, Past())[0] is now.belief


def test_what_an_earlier_pull_did_not_show_is_not_made_up(small_recording: Path) -> None:
    measured = measure(read_recording(small_recording))
    s = measured.belief.left.s_mm
    pull = _kept(measured, 3)
    whole = _shown_by(pull, "left", s)
    kept = pull.left
    unseen = (kept.s_mm >= 220) & (kept.s_mm <= 530)
    hollow = {name: np.where(unseen, np.nan, getattr(kept, name)) for name in ("stiffness_n_m2", "stiffness_sd")}
    some = _shown_by(stored_pulls.with_limb(pull, "left", **hollow), "left", s)
    hidden = (s >= 220) & (s <= 530)
    assert np.all(np.isnan(some.log_ei[hidden]))
    assert np.array_equal(some.log_ei[~hidden], whole.log_ei[~hidden], equal_nan=True)
    # the stored sd without the level's own part, which is alike everywhere
    seen = np.isfinite(whole.sd)
    limb = measured.result.limb("left")
    both = np.hypot(whole.sd, LEVEL_SD)[seen]
    assert both == pytest.approx((limb.stiffness_sd / limb.stiffness_n_m2)[seen], rel=1e-6)
    # a limb that was shortened since, and a pull without a scale, show nothing
    assert not np.any(np.isfinite(_shown_by(pull, "left", s - 10.0).log_ei))
    assert not np.any(np.isfinite(_shown_by(replace(pull, force_there_n=float("nan")), "left", s).log_ei))


def test_strokes_without_a_plan_may_have_been_anywhere() -> None:
    s, slope = np.arange(110.0, 800.0, 10.0), np.full(69, 0.2)
    none = stored_pulls.pull(advice=StoredAdvice(layers=(), plan=()))
    still = _off_after(none, "left", s, slope, ())
    some = _off_after(replace(none, scrapings=(Scraping(20, 0, ""),)), "left", s, slope, ())
    torn = _off_after(replace(none, advice=StoredAdvice(layers=(StoredLayer(limb="left"),))), "left", s, slope, ())
    level = np.full(len(s), 1.0 / len(s))
    apart = np.eye(len(s))[30] - level
    told, untold = (float(np.sqrt(apart @ off.cov @ apart)) for off in (still, some))
    assert 0.0 < told < 0.01
    assert untold > 0.05
    assert np.array_equal(torn.cov, some.cov)
