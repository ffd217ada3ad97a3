"""Courses of tillering with the map's errors as real pictures show them: ``python -m tests.bench.course [--bows N]``.

The errors of the stiffness along the limb are those of the independent rig's recordings (``../shared/recordings``): each is measured, what it says
is held against its truth, and the error of a limb chosen at random, its sign too, is laid on the true bow that is tillered here, with the
covariance that was stated with it. A share of an error's variance stays with the bow (``carry.LASTING``), the rest is new with each pull.
Earlier pulls of a bow count (COURSE_CARRY=0: only the newest). Nothing is rendered, so that many bows can be run; ``tests.bench.bowyer`` renders them.

A quarter of the bows are even when roughed out and only too heavy, a quarter is crooked, a quarter has 2 to 4 faults, a quarter both. The hand errs by
20 % and 0.02 mm a layer, its ends by 6 mm. The true bow's weight and strain come from the forward model, which is tested against OpenSees.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from tests.bench.bowyer import Standing, flattest, stand, true_bow
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES
from tiller.mechanics.advice.carry import LASTING, Shown, came_off, carried, level_kept
from tiller.mechanics.advice.history import FIRST_STROKE_MM, STROKE_PRIOR_SD
from tiller.mechanics.advice.layers import strokes
from tiller.mechanics.advice.plan import make_plan
from tiller.mechanics.advice.planned import Band, Plan, Showed
from tiller.mechanics.advice.thinning import Aim, LimbWood
from tiller.mechanics.forward.belief import FADE_GIVE, FADE_GIVE_SD, BowBelief, LimbBelief, bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.simulate.bowmaker import BowTruth, LimbTruth, random_bow

Array = np.ndarray
SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "recordings"
MOST_PASSES = 10
LEVEL_SD = 0.015
WEIGHT_SD = 0.005
"""How far the weight at the target was off in the shared recordings, rms (``tests.bench.pictures``)."""
HAND = float(os.environ.get("COURSE_HAND", "1"))
"""How much of the hand's error is made: 0 is an exact hand."""
MAP = float(os.environ.get("COURSE_MAP", "1"))
"""How much of the map's error is made, likewise."""
CARRY = os.environ.get("COURSE_CARRY", "1") != "0"
"""Whether earlier pulls of the bow count."""
KINDS = ("even", "crooked", "faults", "crooked and faults")
LIMITS = {
    "even bows, first pass": 0.013,
    "even bows, end": 0.012,
    "spotted bows, first pass over before": 0.5,
    "spotted bows, end": 0.015,
    "weight off, worst": 0.015,
    "weight under, worst": 0.03,
    "largest stretch, rms": 0.04,
    "largest stretch, worst": 0.06,
    "passes, median": 6,
    "passes, worst": 9,
}


BETWEEN = {"said over true": (0.9, 1.1), "held by the 80 % band": (0.75, 0.85)}


@dataclass(frozen=True)
class Errors:
    """Error of log EI of one measured limb, by its place as a share of the limb, and what was stated of it."""

    share: Array
    error: Array
    cov: Array


@cache
def errors() -> tuple[Errors, ...]:
    """The errors of all limbs of the shared recordings, level taken out."""
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording

    out = []
    for folder in sorted(p for p in SHARED.iterdir() if p.is_dir()):
        measured = measure(read_recording(folder))
        truth = json.loads((folder / "truth.json").read_text())["limbs"]
        for side, belief in zip(SIDES, (measured.belief.left, measured.belief.right), strict=True):
            true = np.interp(belief.s_mm, truth[side]["s_mm"], np.log(np.array(truth[side]["EI_n_m2"]) * 1e6))
            seen = np.isfinite(measured.result.limb(side).strain)
            off = np.where(seen, belief.log_ei - true, 0.0)
            out.append(Errors(belief.s_mm / truth[side]["length_mm"], off - np.median(off[seen]), belief.cov))
    return tuple(out)


def evened(bow: BowTruth, rounds: int = 5) -> BowTruth:
    """The bow thinned and thickened until both limbs are strained alike everywhere at its draw, by the forward model."""
    for _ in range(rounds):
        now = stand(bow)
        level = float(np.median(np.concatenate([e[w] for e, w in zip(now.strain, now.working, strict=True)])))
        limbs = {}
        for k, side in enumerate(SIDES):
            limb = bow.limb(side)
            inside = np.flatnonzero(now.working[k])
            share = np.ones(len(limb.s_mm))
            share[inside] = np.sqrt(np.clip(now.strain[k][inside] / level, 0.7, 1.4))
            share[: inside[0]] = 1 + (share[inside[0]] - 1) * np.clip((limb.s_mm[: inside[0]] - 55) / 40, 0, 1)
            share[inside[-1] :] = share[inside[-1]]
            limbs[side] = replace(limb, thickness_mm=limb.thickness_mm * share)
        bow = replace(bow, left=limbs["left"], right=limbs["right"])
    return bow


def roughed(seed: int) -> BowTruth:
    """A bow that is too heavy: even, crooked, with faults, or both, in turn. Its limbs would be too thick by 6 to 11 % if they were even."""
    rng = np.random.default_rng(7000 + seed)
    kind = KINDS[seed % len(KINDS)]
    crook = float(rng.uniform(0.6, 1.0)) if "crooked" in kind else 0.2
    bow = evened(random_bow(rng, f"course{seed:02d}", (), crook_per_m=crook, string_kind="long"))
    bow = replace(bow, weight_n=round(stand(bow).weight_n / (1 + float(rng.uniform(0.06, 0.11))) ** 3))
    limbs = {}
    for side in SIDES:
        limb = bow.limb(side)
        share = np.ones(len(limb.s_mm))
        for _ in range(int(rng.integers(1, 3)) if "faults" in kind else 0):
            size = float(rng.uniform(0.04, 0.09)) * float(rng.choice([1, 1, -0.6]))
            centre, wide = rng.uniform(0.2, 0.75) * limb.length_mm, rng.uniform(70, 150)
            share += size * np.exp(-0.5 * ((limb.s_mm - centre) / (0.45 * wide)) ** 2)
        limbs[side] = replace(limb, thickness_mm=limb.thickness_mm * share)
    return replace(bow, left=limbs["left"], right=limbs["right"])


def believed(
    bow: BowTruth, lasting: dict[str, Array], rng: np.random.Generator, doubt: float, gap: float = 0.0
) -> BowBelief:
    """What a pull would leave of the bow: its true stiffness with an error of the shared recordings'.

    Args:
        lasting: the part of each limb's error that stays with the bow.
        doubt: how much larger errors and their stated sd are than at full draw.
        gap: log of the true weight over that of a belief without errors: the fades here are only like those of the belief.
    """
    whole = true_bow(bow)
    limbs = []
    level = rng.normal(0, WEIGHT_SD) if doubt else 0.0
    for side, chain in zip(SIDES, (whole.left, whole.right), strict=True):
        limb: LimbTruth = bow.limb(side)
        told = errors()[int(rng.integers(len(errors())))] if doubt else errors()[0]
        s = told.share * limb.length_mm
        new = told.error * float(rng.choice([-1.0, 1.0]))
        error = MAP * (np.sqrt(LASTING) * np.interp(s, limb.s_mm, lasting[side]) + np.sqrt(1.0 - LASTING) * new)
        log_ei = np.interp(s, limb.s_mm, np.log(limb.ei_n_m2 * 1e6)) + level + gap + doubt * error
        way = np.column_stack([np.cos(chain.rest_angle), np.sin(chain.rest_angle)]) * chain.step_mm
        line = np.vstack([chain.root_mm, chain.root_mm + np.cumsum(way, axis=0)])
        rest = np.column_stack([np.interp(s, chain.s_mm, line[:, k]) for k in (0, 1)])
        mass = np.interp(s, limb.s_mm, crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).area_mm2)
        limbs.append(
            LimbBelief(
                s_mm=s,
                log_ei=log_ei,
                cov=doubt**2 * told.cov,
                rest_mm=rest,
                mass_per_mm_kg=mass * bow.density_kg_m3 * 1e-9,
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
        level_sd=LEVEL_SD,
    )


def by_all_pulls(
    bow: BowTruth, seen: BowBelief, before: dict[str, list[tuple[LimbBelief, list[tuple[float, float, float]]]]]
) -> BowBelief:
    """What all pulls together leave of the bow."""
    limbs = []
    for side, limb in zip(SIDES, (seen.left, seen.right), strict=True):
        true = bow.limb(side)
        width, thick = (np.interp(limb.s_mm, true.s_mm, v) for v in (true.width_mm, true.thickness_mm))
        inertia = [crowned_section(width, thick + d, true.crown_radius_mm).second_moment_mm4 for d in (-0.1, 0.1)]
        slope = np.log(inertia[1] / inertia[0]) / 0.2
        told = [
            (
                Shown(np.interp(limb.s_mm, b.s_mm, b.log_ei), np.interp(limb.s_mm, b.s_mm, np.sqrt(np.diag(b.cov)))),
                came_off(limb.s_mm, taken, slope, STROKE_PRIOR_SD),
            )
            for b, taken in before[side]
        ]
        log_ei, cov = carried(limb.s_mm, told, limb.log_ei, limb.cov)
        more = level_kept(limb.log_ei, log_ei, (limb.nock_mm - limb.s_mm) ** 2)
        limbs.append(replace(limb, log_ei=log_ei + more, cov=cov))
    return replace(seen, left=limbs[0], right=limbs[1])


def lasting_errors(bow: BowTruth, rng: np.random.Generator) -> dict[str, Array]:
    out = {}
    for side in SIDES:
        told = errors()[int(rng.integers(len(errors())))]
        sign = float(rng.choice([-1.0, 1.0]))
        out[side] = np.interp(bow.limb(side).s_mm / bow.limb(side).length_mm, told.share, sign * told.error)
    return out


def wood(bow: BowTruth, belief: BowBelief) -> tuple[LimbWood, LimbWood]:
    out = []
    for side, told in zip(SIDES, (belief.left, belief.right), strict=True):
        limb = bow.limb(side)
        width, thick = (np.interp(told.s_mm, limb.s_mm, v) for v in (limb.width_mm, limb.thickness_mm))
        out.append(
            LimbWood(
                width_mm=width,
                thickness_mm=thick,
                from_mm=limb.bend_from_mm,
                to_mm=0.845 * limb.length_mm,
                leave=np.zeros(len(width), dtype=bool),
                strain_share=np.ones(len(width)),
            )
        )
    return out[0], out[1]


Taken = dict[str, list[tuple[float, float, float]]]


def by_hand(bow: BowTruth, plan: Plan, rng: np.random.Generator) -> tuple[BowTruth, int, Taken]:
    """The bow after the pass's layers, scraped by a hand that errs by 20 % and 0.02 mm a layer and by 6 mm at its ends; strokes made; what they are
    counted as."""
    limbs, made = {}, 0
    counted: Taken = {side: [] for side in SIDES}
    for side in SIDES:
        limb = bow.limb(side)
        thick = limb.thickness_mm.copy()
        laid = [z for z in plan.layers if z.limb == side]
        for z, count in zip(laid, strokes(laid, FIRST_STROKE_MM), strict=True):
            told = count * FIRST_STROKE_MM if count else z.depth_mm  # one light stroke
            depth = max(0.0, told * (1 + HAND * rng.normal(0, 0.2)) + HAND * rng.normal(0, 0.02))
            low, high = z.from_mm + HAND * rng.normal(0, 6), z.to_mm + HAND * rng.normal(0, 6)
            cut = np.clip((limb.s_mm - low + 8) / 16, 0, 1) * np.clip((high + 8 - limb.s_mm) / 16, 0, 1)
            thick = thick - depth * cut
            made += max(count, 1)
            counted[side].append((z.from_mm, z.to_mm, told))
        limbs[side] = replace(limb, thickness_mm=thick)
    return replace(bow, left=limbs["left"], right=limbs["right"]), made, counted


def largest_stretch(now: Standing, bow: BowTruth) -> float:
    """By how much the most strained 60 mm are strained over even."""
    level = float(np.median(np.concatenate([e[w] for e, w in zip(now.strain, now.working, strict=True)])))
    worst = 0.0
    for side, strain, working in zip(SIDES, now.strain, now.working, strict=True):
        step = float(np.median(np.diff(bow.limb(side).s_mm)))
        width = max(1, round(60.0 / step))
        inside = strain[working]
        worst = max(worst, float(np.max(np.convolve(inside, np.full(width, 1 / width), "valid"))) / level - 1)
    return worst


@dataclass(frozen=True)
class Course:
    """How one bow went: true unevenness before, after each pass; what was said of it before and after; weight in the end."""

    kind: str
    uneven: tuple[float, ...]
    told_now: tuple[Band, ...]
    told_after: tuple[Band, ...]
    off: float
    stretch: float
    done: bool


def run(seed: int) -> Course:
    rng = np.random.default_rng(9100 + seed)
    bow = roughed(seed)
    lasting = lasting_errors(bow, rng)
    now = stand(bow)
    uneven, told_now, told_after = [now.uneven], [], []
    done = False
    before: dict[str, list[tuple[LimbBelief, list[tuple[float, float, float]]]]] = {side: [] for side in SIDES}
    limit = 1.06 * float(np.median(np.concatenate([e[w] for e, w in zip(now.strain, now.working, strict=True)])))
    for turn in range(MOST_PASSES):
        seen = believed(bow, lasting, rng, 1.0, _gap(bow, now, rng))
        belief = by_all_pulls(bow, seen, before) if CARRY else seen
        aim = Aim(bow.draw_mm, bow.weight_n, bow.brace_mm, limit)
        plan = make_plan(
            belief,
            wood(bow, belief),
            bow.left.crown_radius_mm,
            aim,
            Showed(0.01 * bow.weight_n, True, bow.draw_mm),
        )
        told_now.append(plan.now)
        done = plan.done
        bow, made, taken = by_hand(bow, plan, rng)
        for side, limb in zip(SIDES, (seen.left, seen.right), strict=True):
            before[side].append((limb, taken[side]))
        if not made:
            break
        told_after.append(plan.after_pass)
        now = stand(bow)
        uneven.append(now.uneven)
        if os.environ.get("COURSE_TRACE"):
            print(
                f"  {seed} {turn}: true {now.weight_n / bow.weight_n - 1:+.3f} uneven {now.uneven:.3f}; said {plan.now.expected:.3f} -> {plan.after_pass.expected:.3f}"
                f" weight {plan.now_n / bow.weight_n - 1:+.3f}",
                flush=True,
            )
    return Course(
        KINDS[seed % len(KINDS)],
        tuple(uneven),
        tuple(told_now),
        tuple(told_after),
        now.weight_n / bow.weight_n - 1,
        largest_stretch(now, bow),
        done,
    )


def _gap(bow: BowTruth, now: Standing, rng: np.random.Generator) -> float:
    """What a belief without errors lacks of the true weight: its fades are only like the bow's, and a pull measures the force."""
    gap = 0.0
    none = {side: np.zeros(len(bow.limb(side).s_mm)) for side in SIDES}
    for _ in range(2):
        exact = bow_from(believed(bow, none, rng, 0.0, gap))
        string, _ = brace(exact, bow.brace_mm)
        force = solve_draws(exact, string, np.linspace(bow.brace_mm + 60, bow.draw_mm, 4)).force_n[-1]
        gap += float(np.log(now.weight_n / force))
    return gap


PASS_MM = 0.3
"""Depth of a pass of the baselines."""


def without(seed: int, by_eye: bool) -> float:
    """How uneven a bow ends without this program: all of both limbs taken down alike, or the flattest third of each drawn limb (its natural shape is not
    known), until the weight is met."""
    rng = np.random.default_rng(9500 + seed)
    bow = roughed(seed)
    for _ in range(30):
        now = stand(bow)
        if now.weight_n / bow.weight_n - 1 < 0.01:
            break
        limbs = {}
        for k, side in enumerate(SIDES):
            limb = bow.limb(side)
            places = flattest(limb, now.strain[k]) if by_eye else [(limb.bend_from_mm, limb.bend_to_mm)]
            thick = limb.thickness_mm.copy()
            for a, b in places:
                depth = PASS_MM * (1 + rng.normal(0, 0.2)) / (1 if by_eye else 3)
                low, high = a + rng.normal(0, 6), b + rng.normal(0, 6)
                thick -= depth * np.clip((limb.s_mm - low + 8) / 16, 0, 1) * np.clip((high + 8 - limb.s_mm) / 16, 0, 1)
            limbs[side] = replace(limb, thickness_mm=thick)
        bow = replace(bow, left=limbs["left"], right=limbs["right"])
    return stand(bow).uneven


def rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def held(pairs: list[tuple[Band, float]]) -> float:
    """Share of true values within the band that was said."""
    return float(np.mean([t.low <= u <= t.high for t, u in pairs]))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bows", type=int, default=48)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    if not SHARED.is_dir():
        print("The recordings of the independent rig do not lie beside this checkout (../shared/recordings).")
        return 2
    errors()
    with ProcessPoolExecutor(os.cpu_count() or 1) as pool:
        seeds = range(options.first, options.first + options.bows)
        courses = list(pool.map(run, seeds))
        eye, evenly = (list(pool.map(without, seeds, [way] * len(seeds))) for way in (True, False))
    figures: dict[str, float] = {}
    for kind in KINDS:
        these = [c for c in courses if c.kind == kind]
        print(
            f"{kind:20s} uneven {100 * rms([c.uneven[0] for c in these]):.1f} -> {100 * rms([c.uneven[min(1, len(c.uneven) - 1)] for c in these]):.1f} -> "
            f"{100 * rms([c.uneven[-1] for c in these]):.1f} % rms; weight off {100 * rms([c.off for c in these]):.1f} %, worst"
            f" {100 * max((c.off for c in these), key=abs):+.1f}; largest stretch {100 * rms([c.stretch for c in these]):.1f} %, worst"
            f" {100 * max(c.stretch for c in these):.1f}; passes {np.median([len(c.uneven) - 1 for c in these]):.0f}, most {max(len(c.uneven) - 1 for c in these)};"
            f" said to be done {sum(c.done for c in these)} of {len(these)}"
        )
    even = [c for c in courses if c.kind == "even"]
    spotted = [c for c in courses if "faults" in c.kind]
    figures["even bows, first pass"] = rms([c.uneven[min(1, len(c.uneven) - 1)] for c in even])
    figures["even bows, end"] = rms([c.uneven[-1] for c in even])
    figures["spotted bows, first pass over before"] = rms([c.uneven[min(1, len(c.uneven) - 1)] for c in spotted]) / rms(
        [c.uneven[0] for c in spotted]
    )
    figures["spotted bows, end"] = rms([c.uneven[-1] for c in spotted])
    figures["weight off, worst"] = max(abs(c.off) for c in courses)
    figures["weight under, worst"] = max(-c.off for c in courses)
    figures["largest stretch, rms"] = rms([c.stretch for c in courses])
    figures["largest stretch, worst"] = max(c.stretch for c in courses)
    figures["passes, median"] = float(np.median([len(c.uneven) - 1 for c in courses]))
    figures["passes, worst"] = float(max(len(c.uneven) - 1 for c in courses))
    now = [(t, u) for c in courses for t, u in zip(c.told_now, c.uneven, strict=False)]
    after = [(t, u) for c in courses for t, u in zip(c.told_after, c.uneven[1:], strict=True)]
    for what, pairs in (("now", now), ("after the pass", after)):
        ratio = [t.expected / u for t, u in pairs]
        print(
            f"said over true unevenness {what}: mean {np.mean(ratio):.2f}, median {np.median(ratio):.2f}; in its band {100 * held(pairs):.0f} %"
        )
    both = [*now, *after]
    figures["said over true"] = float(np.mean([t.expected for t, _ in both]) / np.mean([u for _, u in both]))
    figures["held by the 80 % band"] = held(both)
    broken = [f"{name}: {figures[name]:.3g}, at most {most:g}" for name, most in LIMITS.items() if figures[name] > most]
    broken += [
        f"{name}: {figures[name]:.3g}, {low:g} to {high:g}"
        for name, (low, high) in BETWEEN.items()
        if not low <= figures[name] <= high
    ]
    for name, value in figures.items():
        allowed = f"at most {LIMITS[name]:g}" if name in LIMITS else "{:g} to {:g}".format(*BETWEEN[name])
        print(f"{name}: {value:.3g} ({allowed})")
    ends = rms([c.uneven[-1] for c in courses])
    for name, others in (("by eye", eye), ("all of it taken down alike", evenly)):
        ratio = rms(others) / ends
        print(f"{name}: bows end uneven by {100 * rms(others):.1f} % rms, {ratio:.1f} times as much (at least 3)")
        if ratio < 3.0:
            broken.append(f"{name}: only {ratio:.2g} times as uneven, at least 3")
    for text in broken:
        print(f"BEYOND ITS LIMIT  {text}")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
