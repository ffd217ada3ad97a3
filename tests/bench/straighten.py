"""Strings that run aside, corrected as proposed: by a bowyer whose hand errs, on bows that are crooked and twisted otherwise than the pictures tell.

The bow's truth is a chain in space of another fineness than the proposal's, with its own modulus along the limb; what a picture would show of it carries the
second view's scatter (``tests.bench.belly``). The chain is held against OpenSees' corotational beams in tests/published/test_space_beams.py.

    python -m tests.bench.straighten [--bows 24]
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow, parse_bow
from tiller.bow.sides import SIDES, Pair, Side, both
from tiller.measure.second_view.correction import correction_of
from tiller.mechanics.space.rod import Strung
from tiller.mechanics.space.track import Blank, Course, bent, edge_taken, nothing, strung_bow, turned
from tiller.mechanics.space.tracking import Alignment, Correction, NockTwist, Sideways, most_of
from tiller.simulate.bowmaker import BowTruth, random_bow
from tiller.simulate.record import Plan, toml_bow

Array = NDArray[np.float64]

SEGMENTS = 70
BRACE_MM = 150.0
STRING_SD_MM, NOCK_SD_MM = 0.3, 1.0
"""What the second view errs by (rendered pictures, both ways round)."""
STICKS_SD_RAD = float(np.deg2rad(0.45))
"""What winding sticks err by (rendered pictures)."""
ANGLE_SD, PLACE_SD_MM = 0.15, 12.0
"""How a hand bends: relative, and where."""
STAYS = (0.6, 0.95)
"""How much of a bend stays."""
ROUNDS = 3


@dataclass(frozen=True)
class Crooked:
    """A true bow and what is known of it."""

    made: BowTruth
    bow: Bow
    course: Course


def blank(made: BowTruth, side: Side, rng: np.random.Generator) -> Blank:
    """A true limb, crooked sideways and twisted."""
    limb = made.limb(str(side))
    s = np.linspace(made.handle_mm, limb.length_mm, SEGMENTS + 1)
    inner = s[:-1]
    free = inner > limb.bend_from_mm
    at, wide = rng.uniform(250, 650), rng.uniform(50, 130)
    shape = np.exp(-0.5 * ((inner - at) / wide) ** 2) * free
    lever = float(np.sum(shape * (limb.length_mm - inner)) * (s[1] - s[0]))
    modulus = np.interp(s, limb.s_mm, limb.modulus_gpa) * 1e3
    return Blank(
        s_mm=s,
        width_mm=np.interp(s, limb.s_mm, limb.width_mm),
        thickness_mm=np.interp(s, limb.s_mm, limb.thickness_mm),
        crown_mm=limb.crown_radius_mm,
        modulus_n_mm2=modulus,
        shear_n_mm2=modulus * rng.uniform(0.06, 0.13),
        draw_per_mm=-1e-3 * np.interp(inner, limb.s_mm, limb.rest_curvature_per_m),
        sideways_per_mm=rng.uniform(-14, 14) / lever * shape + rng.normal(0, 2e-6, SEGMENTS) * free,
        twist_per_mm=np.deg2rad(rng.uniform(-8, 8)) / (limb.length_mm - limb.bend_from_mm) * free,
        root_mm=np.array([made.handle_mm, 0.0, 0.0]),
        root_down_rad=0.0,
    )


def crooked(seed: int) -> Crooked:
    """One whose string is off by 4 to 12 mm."""
    rng = np.random.default_rng(9000 + seed)
    while True:
        made = random_bow(rng, string_kind="braced", spots=())
        limbs = [blank(made, side, rng) for side in SIDES]
        both_mm = made.left.length_mm + made.right.length_mm
        course = strung_bow(limbs[0], limbs[1], BRACE_MM, 0.972 * both_mm)
        if 4.0 <= abs(course.strung.offset_mm) <= 12.0:
            bow = parse_bow(tomllib.loads(toml_bow(replace(made, brace_mm=BRACE_MM), Plan(), rng)))
            return Crooked(made, bow, course)


def seen(bow: Bow, strung: Strung, course: Course, rng: np.random.Generator) -> Alignment:
    """What pictures would show."""
    limbs = {}
    for side, blank_ in zip(SIDES, (course.left, course.right), strict=True):
        points = strung.points_mm[side.index]
        s = np.arange(0.0, blank_.s_mm[-1], 10.0)
        tilt = rng.normal(0, NOCK_SD_MM / blank_.s_mm[-1])
        bend = np.interp(s, blank_.s_mm, points[:, 2], left=0.0) + tilt * s + rng.normal(0, 0.1, len(s))
        start, end, share = most_of(s, bend, bow.limb(side).working_from_mm)
        nan = np.full(len(s), np.nan)
        limbs[side] = Sideways(
            s_mm=s, bend_mm=bend, sd_mm=nan, width_mm=nan, nock_mm=float(bend[-1]), nock_sd_mm=NOCK_SD_MM, groove_mm=0.0, groove_sd_mm=0.4,
            from_mm=start, to_mm=end, share=share, at_rest_mm=nan,
        )  # fmt: skip
    return Alignment(
        offset_mm=strung.offset_mm + rng.normal(0, STRING_SD_MM),
        offset_sd_mm=STRING_SD_MM,
        at_fades_mm=Pair(0.0, 0.0),
        at_fades_sd_mm=Pair(1.0, 1.0),
        limbs=both(limbs),
        turned=True,
        pictures=2,
        notes=(),
        twist=both({side: _by_sticks(one, rng) for side, one in zip(SIDES, (course.left, course.right), strict=True)}),
    )


def _by_sticks(limb: Blank, rng: np.random.Generator) -> NockTwist:
    """What winding sticks would say of a limb."""
    step = float(limb.s_mm[1] - limb.s_mm[0])
    return NockTwist(float(limb.twist_per_mm.sum() * step + rng.normal(0, STICKS_SD_RAD)), STICKS_SD_RAD)


def carried_out(course: Course, asked: Correction, rng: np.random.Generator, wood: bool) -> Course:
    """The bow after a round, as an erring hand does it; its string as long as before."""
    limbs = {Side.LEFT: course.left, Side.RIGHT: course.right}
    if wood and asked.edge is not None:
        edge = asked.edge
        one = limbs[edge.limb]
        depth = edge.depth_mm * (1 + rng.normal(0, 0.15))
        taken = edge_taken(one, edge.right, depth, edge.from_mm, edge.to_mm)
        other = nothing(course.right if edge.limb is Side.LEFT else course.left)
        pair = (taken, other) if edge.limb is Side.LEFT else (other, taken)
        return replace(course, strung=course.after(*pair))
    for turn in asked.turn:
        one = limbs[turn.limb]
        back = turned(
            one, turn.angle_rad * rng.uniform(*STAYS) * (1 + rng.normal(0, ANGLE_SD)), turn.from_mm, turn.to_mm
        )
        limbs[turn.limb] = replace(one, twist_per_mm=one.twist_per_mm + back.turned_per_mm)
    for heat in asked.heat:
        one = limbs[heat.limb]
        angle = heat.angle_rad * rng.uniform(*STAYS) * (1 + rng.normal(0, ANGLE_SD))
        done = bent(one, angle, heat.at_mm + rng.normal(0, PLACE_SD_MM))
        limbs[heat.limb] = replace(one, sideways_per_mm=one.sideways_per_mm + done.bent_per_mm)
    return strung_bow(limbs[Side.LEFT], limbs[Side.RIGHT], BRACE_MM, course.string_mm)


@dataclass(frozen=True)
class Ended:
    """The string's true offset before and after each round; how much the string's pull, which stands for the weight, and the bend along the limbs
    (rms, both limbs' working parts) changed in all, as shares."""

    offsets_mm: tuple[float, ...]
    pull: float
    uneven: float


def straightened(seed: int) -> Ended:
    """One bow, until its string is within 2 mm as the pictures tell."""
    one = crooked(seed)
    rng = np.random.default_rng(seed)
    course = one.course
    out = [course.strung.offset_mm]
    for _ in range(ROUNDS):
        asked = correction_of(one.bow, seen(one.bow, course.strung, course, rng), BRACE_MM, kept=0.8)
        if not asked.heat and not asked.turn:
            break
        course = carried_out(course, asked, rng, wood=False)
        out.append(course.strung.offset_mm)
    before, after = one.course.strung, course.strung
    changes = []
    for k, limb in enumerate((one.made.left, one.made.right)):
        s = (one.course.left, one.course.right)[k].s_mm[:-1]
        inside = (s > limb.bend_from_mm) & (s < limb.bend_to_mm)
        changes.append((after.change_per_mm[k, inside, 1] / before.change_per_mm[k, inside, 1]) - 1.0)
    both_limbs = np.concatenate(changes)
    return Ended(tuple(out), after.pull_n / before.pull_n - 1.0, float(np.std(both_limbs)))


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bows", type=int, default=24)
    given = parser.parse_args()
    ends, rounds, pulls, unevens = [], [], [], []
    for seed in range(given.bows):
        one = straightened(seed)
        ends.append(one.offsets_mm[-1])
        rounds.append(len(one.offsets_mm) - 1)
        pulls.append(one.pull)
        unevens.append(one.uneven)
        print(f"{seed:3d}  " + "  ".join(f"{v:+6.2f}" for v in one.offsets_mm), flush=True)
    print(
        f"within 2 mm: {np.count_nonzero(np.abs(ends) <= 2.0)} of {len(ends)}, worst {np.max(np.abs(ends)):.2f} mm, rounds {np.mean(rounds):.1f} (most {max(rounds)});"
        f" pull changed by at most {100 * np.max(np.abs(pulls)):.2f} %, bend along the limbs by {100 * np.max(unevens):.2f} % rms"
    )


if __name__ == "__main__":
    main()
