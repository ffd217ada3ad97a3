"""The virtual bowyer: rough bows tillered to the end by the tool's word alone. ``python -m tests.bench.bowyer [--bows N]``.

A rough bow (random outline, modulus that wanders, crook, thickness faults of 3-10 %, knots) is pulled on the software
rack, photographed and weighed; measured; planned; scraped with a human's error (depth +-15 %, place +-8 mm, edges
blurred); measured again, until the tool says that it is done. Two baselines work on the same bows with
perfect sight: even removal everywhere until the weight is met, and by eye (scrape where the limb looks flattest).
Weights and strains of the true bow come from the forward model, which is tested against OpenSees. A pull never goes beyond
the tool's stop; the last ones go to it, or to 90 % of the draw.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import read_bow
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES
from tiller.mechanics.advice.history import FIRST_STROKE_MM
from tiller.mechanics.advice.layers import strokes
from tiller.mechanics.forward.chain import WholeBow, chain_of
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved
from tiller.simulate.bowmaker import BowTruth, LimbTruth, random_bow
from tiller.simulate.hand import scraped
from tiller.simulate.record import Plan as PullPlan
from tiller.simulate.record import make_even, write_recording
from tiller.simulate.render import Setting
from tiller.simulate.shoot import AXIS_MM, CRADLE_NMM

Array = np.ndarray
MOST_PASSES = 14
LIMITS = {
    "weight_rms": 0.02,
    "weight_worst": 0.04,
    "uneven_rms": 0.04,
    "passes_median": 6,
    "passes_worst": 9,
    "beyond": 0,
    "ruined": 0,
}


def true_bow(bow: BowTruth) -> WholeBow:
    """The true bow for the forward model."""
    limbs = []
    for side in SIDES:
        limb = bow.limb(side)
        theta = -np.concatenate(
            [
                [0.0],
                np.cumsum(
                    0.5e-3 * (limb.rest_curvature_per_m[1:] + limb.rest_curvature_per_m[:-1]) * np.diff(limb.s_mm)
                ),
            ]
        )
        inner = limb.s_mm <= bow.handle_mm
        theta = np.where(inner, 0.0, theta - np.interp(bow.handle_mm, limb.s_mm, theta))
        mid = 0.5 * (theta[1:] + theta[:-1])
        step = np.diff(limb.s_mm)
        line = np.vstack(
            [
                [0.0, AXIS_MM],
                np.array([0.0, AXIS_MM])
                + np.cumsum(np.column_stack([np.cos(mid), np.sin(mid)]) * step[:, None], axis=0),
            ]
        )
        area = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).area_mm2
        limbs.append(
            chain_of(
                limb.s_mm, line, limb.ei_n_m2 * 1e6, area * bow.density_kg_m3 * 1e-9, 80, bow.handle_mm, limb.length_mm
            )
        )
    return WholeBow(left=limbs[0], right=limbs[1], cradle_nmm=CRADLE_NMM)


@dataclass(frozen=True)
class Standing:
    """The true bow at its target: weight, strain by limb on its grid, working part."""

    weight_n: float
    strain: tuple[Array, Array]
    working: tuple[Array, Array]
    solved: Solved

    @property
    def uneven(self) -> float:
        logs = np.log(np.concatenate([e[w] for e, w in zip(self.strain, self.working, strict=True)]))
        return float(np.std(logs))


def stand(bow: BowTruth) -> Standing:
    """The true bow braced and drawn to its target."""
    whole = true_bow(bow)
    string, _ = brace(whole, bow.brace_mm)
    solved = solve_draws(whole, string, np.linspace(bow.brace_mm + 60, bow.draw_mm, 4))
    strain, working = [], []
    for k, (side, chain) in enumerate(zip(SIDES, (whole.left, whole.right), strict=True)):
        limb = bow.limb(side)
        bend = np.interp(limb.s_mm, chain.s_mm, solved.bend_per_mm[-1, k])
        section = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm)
        strain.append(bend * section.to_back_mm)
        working.append((limb.s_mm >= limb.bend_from_mm + 5) & (limb.s_mm <= 0.84 * limb.length_mm))
    return Standing(float(solved.force_n[-1]), (strain[0], strain[1]), (working[0], working[1]), solved)


def rough_bow(seed: int) -> BowTruth:
    """An evenly tillered bow of its target weight, roughed out too thick, with faults."""
    rng = np.random.default_rng(7000 + seed)
    bow = random_bow(
        rng,
        f"rough{seed:02d}",
        (),
        knots=int(rng.integers(0, 3)),
        crook_per_m=float(rng.uniform(0.2, 0.7)),
        string_kind="long",
    )
    bow = make_even(bow, bow.draw_mm, rounds=2)
    aim = stand(bow)
    bow = replace(bow, weight_n=round(aim.weight_n))
    limbs = {}
    thicker = float(rng.uniform(0.07, 0.12))
    for side in SIDES:
        limb = bow.limb(side)
        share = np.full(len(limb.s_mm), 1 + thicker + rng.normal(0, 0.01))
        for _ in range(int(rng.integers(2, 4))):
            size = float(rng.uniform(0.03, 0.10)) * float(rng.choice([1, 1, -0.6]))
            centre, wide = rng.uniform(0.15, 0.8) * limb.length_mm, rng.uniform(60, 160)
            share += size * np.exp(-0.5 * ((limb.s_mm - centre) / (0.45 * wide)) ** 2)
        working = (limb.s_mm >= limb.bend_from_mm - 20) & (limb.s_mm <= limb.bend_to_mm + 20)
        share = np.where(working, np.maximum(share, 1.005), 1.0 + 0.5 * thicker * (limb.s_mm > limb.bend_to_mm))
        limbs[side] = replace(limb, thickness_mm=limb.thickness_mm * share)
    return replace(bow, left=limbs["left"], right=limbs["right"])


@dataclass(frozen=True)
class Outcome:
    """How one bow ended."""

    off: float
    uneven: float
    passes: int
    beyond: int
    started: float
    seconds: float
    note: str = ""


def by_the_tool(seed: int) -> Outcome:
    from tiller.measure.followup.advice import advise, advise_from_file
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording

    begun = time.perf_counter()
    rng = np.random.default_rng(9000 + seed)
    bow = rough_bow(seed)
    started = stand(bow).weight_n / bow.weight_n - 1
    limit = 1.06 * float(
        np.median(np.concatenate([e[w] for e, w in zip(stand(_final(bow)).strain, stand(bow).working, strict=True)]))
    )
    setting = Setting(
        board=("plain", "grid", "clutter")[seed % 3], light=(1.0, 0.75)[seed % 2], noise=(1.5, 2.5)[seed % 2]
    )
    passes = beyond = 0
    note = ""
    last_draw = 0.0
    with tempfile.TemporaryDirectory(prefix="tiller-bowyer-") as folder:
        for turn in range(MOST_PASSES + 1):
            place = Path(folder) / f"pull{turn}"
            largest = 0.55 * bow.draw_mm if turn == 0 else last_draw
            if turn == 0:
                write_recording(place, bow, PullPlan(largest_mm=330.0, pictures=3, seed=seed), setting)
                _limit(place, limit)
                first = advise_from_file(read_bow(place / "bow.toml")).stop
                largest = min(largest, first.draw_mm if first is not None else 300.0)
                place = Path(folder) / "first"
            write_recording(place, bow, PullPlan(largest_mm=largest, pictures=12, seed=100 * seed + turn), setting)
            _limit(place, limit)
            beyond += _beyond(bow, largest, limit)
            recording = read_recording(place)
            measured = measure(recording)
            advice = advise(measured, recording.bow)
            if advice.stop is not None:
                last_draw = min(advice.stop.draw_mm, 0.9 * bow.draw_mm)
            plan = advice.plan
            if plan is None:
                note = "; ".join(note.text for note in advice.notes)
                if turn == 0:
                    continue
                break
            if os.environ.get("BOWYER_TRACE"):
                true = stand(bow)
                print(
                    f"  {seed} turn {turn} draw {largest:.0f} true {true.weight_n:.1f}/{bow.weight_n:.0f} uneven {100 * true.uneven:.1f}; told {plan.now_n:.1f},"
                    f" {100 * plan.now.expected:.1f}; after {plan.after_pass_n:.1f} {100 * plan.after_pass.expected:.1f}; final {plan.final_n:.1f}; deepest"
                    f" {max([z.pass_mm for z in plan.zones], default=0):.2f} {plan.done} {advice.stop and advice.stop.reason[:30]} {[note.code for note in plan.notes]}",
                    flush=True,
                )
            if plan.done:
                break
            zones = []
            for side in SIDES:
                laid = [z for z in plan.layers if z.limb == side]
                for z, count in zip(laid, strokes(laid, FIRST_STROKE_MM), strict=True):
                    if count:
                        zones.append((side, z.from_mm, z.to_mm, count * FIRST_STROKE_MM))
            if not zones:
                if largest < 0.8 * last_draw:
                    continue
                note = "nothing more to scrape: " + "; ".join(note.text for note in plan.notes)
                break
            bow = scraped(bow, zones, rng)
            passes += 1
    at_end = stand(bow)
    return Outcome(
        at_end.weight_n / bow.weight_n - 1, at_end.uneven, passes, beyond, started, time.perf_counter() - begun, note
    )


def _final(bow: BowTruth) -> BowTruth:
    return replace(
        bow,
        left=replace(bow.left, thickness_mm=bow.left.even_thickness_mm),
        right=replace(bow.right, thickness_mm=bow.right.even_thickness_mm),
    )


def _limit(folder: Path, strain: float) -> None:
    text = (folder / "bow.toml").read_text()
    (folder / "bow.toml").write_text(text.replace("[target]\n", f"[target]\nworking_strain = {strain:.5f}\n"))


def _beyond(bow: BowTruth, draw: float, limit: float) -> int:
    """1 where this pull went beyond the target weight or the working strain, by the true bow."""
    whole = true_bow(bow)
    try:
        solved = solve_draws(whole, bow.string_mm, np.array([draw]))
    except NoEquilibriumError:
        return 1
    strain = 0.0
    for k, (side, chain) in enumerate(zip(SIDES, (whole.left, whole.right), strict=True)):
        limb = bow.limb(side)
        inside = (limb.s_mm >= limb.bend_from_mm) & (limb.s_mm <= limb.bend_to_mm)
        section = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm)
        strain = max(
            strain,
            float(np.max((np.interp(limb.s_mm, chain.s_mm, solved.bend_per_mm[0, k]) * section.to_back_mm)[inside])),
        )
    return int(solved.force_n[0] > bow.weight_n or strain > limit)


def even_removal(seed: int) -> Outcome:
    """Baseline: the same depth everywhere until the weight is met, weight known exactly."""
    rng = np.random.default_rng(9000 + seed)
    bow = rough_bow(seed)
    started = stand(bow).weight_n / bow.weight_n - 1
    passes = 0
    for _ in range(MOST_PASSES):
        excess = stand(bow).weight_n / bow.weight_n - 1
        if excess < 0.01:
            break
        share = 1 - (1 + 0.65 * excess if excess > 0.03 else 1 + excess) ** (-1 / 3)
        depth = share * float(np.median(bow.left.thickness_mm[30:]))
        zones = [(side, bow.limb(side).bend_from_mm, bow.limb(side).bend_to_mm, depth) for side in SIDES]
        bow = scraped(bow, zones, rng)
        passes += 1
    end = stand(bow)
    return Outcome(end.weight_n / bow.weight_n - 1, end.uneven, passes, 0, started, 0.0)


def flattest(limb: LimbTruth, strain: Array) -> list[tuple[float, float]]:
    """From and to, mm, of the third of a drawn limb that looks flattest to an eye that does not know its natural shape; strain (n,) at the back."""
    section = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm)
    bend = strain / section.to_back_mm * 1e3 + limb.rest_curvature_per_m
    edges = np.linspace(limb.bend_from_mm, limb.bend_to_mm, 10)
    mean = [float(np.mean(bend[(limb.s_mm >= a) & (limb.s_mm < b)])) for a, b in pairwise(edges)]
    return [(float(edges[j]), float(edges[j + 1])) for j in np.argsort(mean)[:3]]


def by_eye(seed: int) -> Outcome:
    """Baseline: scrape the flattest third of each drawn limb (its natural shape not known), until the weight is met."""
    rng = np.random.default_rng(9000 + seed)
    bow = rough_bow(seed)
    started = stand(bow).weight_n / bow.weight_n - 1
    passes = 0
    for _ in range(MOST_PASSES):
        now = stand(bow)
        if now.weight_n / bow.weight_n - 1 < 0.01:
            break
        zones = []
        for k, side in enumerate(SIDES):
            zones += [(side, a, b, 0.3) for a, b in flattest(bow.limb(side), now.strain[k])]
        bow = scraped(bow, zones, rng)
        passes += 1
    end = stand(bow)
    return Outcome(end.weight_n / bow.weight_n - 1, end.uneven, passes, 0, started, 0.0)


def _say(name: str, outcomes: list[Outcome]) -> dict[str, float]:
    off = np.array([o.off for o in outcomes])
    figures = {
        "weight_rms": float(np.sqrt(np.mean(off**2))),
        "weight_worst": float(np.max(np.abs(off))),
        "uneven_rms": float(np.sqrt(np.mean([o.uneven**2 for o in outcomes]))),
        "passes_median": float(np.median([o.passes for o in outcomes])),
        "passes_worst": float(max(o.passes for o in outcomes)),
        "beyond": float(sum(o.beyond for o in outcomes)),
        "ruined": float(sum(o.off < -0.04 for o in outcomes)),
    }
    print(
        f"{name:14s} weight off {100 * figures['weight_rms']:.1f} % rms, worst {100 * figures['weight_worst']:.1f} %; strain uneven"
        f" {100 * figures['uneven_rms']:.1f} % rms; passes {figures['passes_median']:.0f} median, {figures['passes_worst']:.0f} worst;"
        f" pulls beyond {figures['beyond']:.0f}; ruined {figures['ruined']:.0f} of {len(outcomes)}"
    )
    return figures


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--bows", type=int, default=24)
    parser.add_argument("--first", type=int, default=0)
    count = parser.parse_args()
    seeds = list(range(count.first, count.first + count.bows))
    with ProcessPoolExecutor(os.cpu_count() or 1) as pool:
        tool = []
        for seed, o in zip(seeds, pool.map(by_the_tool, seeds), strict=True):
            print(
                f"bow {seed:2d}: started {100 * o.started:+.0f} %, ended {100 * o.off:+.1f} %, uneven {100 * o.uneven:.1f} %, {o.passes} passes,"
                f" {o.beyond} pulls beyond, {o.seconds:.0f} s {o.note[:110]}",
                flush=True,
            )
            tool.append(o)
        even = list(pool.map(even_removal, seeds))
        eye = list(pool.map(by_eye, seeds))
    figures = _say("by the tool", tool)
    _say("even removal", even)
    _say("by eye", eye)
    broken = [f"{name} {figures[name]:.3g}, at most {most:g}" for name, most in LIMITS.items() if figures[name] > most]
    for text in broken:
        print(f"BEYOND ITS LIMIT  {text}")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
