"""The second view on rendered bows: string's offset at the handle, sideways bend at the nocks, against what was rendered.

The bow's file, the lens and the brace height carry the errors of tape, caliper and calibration. Each bow is taken twice, turned end for end between.

    python -m tests.bench.belly [--bows 60]
"""

from __future__ import annotations

import argparse
import time
import tomllib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow, parse_bow
from tiller.bow.rigfile import Lens
from tiller.bow.sides import SIDES
from tiller.errors import VisionFault
from tiller.measure.second_view.alignment import Pictured, aligned
from tiller.measure.second_view.lying import fades_of, lying_of, places_of
from tiller.mechanics.space.tracking import Alignment
from tiller.report.sheets.targets import RACK, RACK_DICTIONARY, lens_board_points
from tiller.simulate.belly import GRIP_MM, BellyScene, braced_shape, offset_mm, paint, random_belly
from tiller.simulate.bowmaker import BowTruth, random_bow
from tiller.simulate.record import Plan, toml_bow
from tiller.simulate.shoot import TrueShape
from tiller.vision.belly.look import SeenBelly, find_wall, look
from tiller.vision.rig.board import Key

SIDES_MM: dict[Key, float] = {(RACK_DICTIONARY, sheet.marker): sheet.side_mm for sheet in RACK}


RELAID_DEG = 0.12


@dataclass(frozen=True)
class Case:
    """A bow before a wall, and what a bowyer knows of it."""

    scene: BellyScene
    bow: Bow
    lens: Lens
    brace_mm: float
    grip_mm: float


def bow_of(seed: int) -> tuple[BowTruth, TrueShape]:
    """A braced bow and its shape."""
    made = random_bow(np.random.default_rng(seed), string_kind="braced")
    return made, braced_shape(made)


def case_of(seed: int, made: BowTruth, shape: TrueShape) -> Case:
    """One at random, its measures with errors."""
    rng = np.random.default_rng(7000 + seed)
    scene = random_belly(rng, made, shape)
    bow = parse_bow(tomllib.loads(toml_bow(made, Plan(), rng)))
    camera = scene.camera
    focal = camera.focal[0] * (1 + rng.normal(0, 0.001))
    centre = [c + rng.normal(0, 2.0) for c in camera.centre]
    matrix = np.array([[focal, 0.0, centre[0]], [0.0, focal, centre[1]], [0.0, 0.0, 1.0]])
    distortion = np.array(camera.distortion) + rng.normal(0, 1, 5) * [0.002, 0.01, 1e-4, 1e-4, 0.0]
    return Case(
        scene,
        bow,
        Lens(camera.size, matrix, distortion),
        shape.draw_mm + rng.normal(0, 2.0),
        GRIP_MM + rng.normal(0, 0.2),
    )


def seen_in(case: Case, image: NDArray[np.uint8], turned: bool) -> SeenBelly:
    """What a picture of it shows."""
    lying = lying_of(case.bow, True, case.brace_mm, case.grip_mm)
    fades = fades_of(case.bow)
    wall = find_wall(image, case.lens, SIDES_MM, lens_board_points()[0])
    return look(image, wall, lying.turned() if turned else lying, True, fades[::-1] if turned else fades)


def measured(case: Case, seed: int, ways: tuple[bool, ...] = (False, True)) -> Alignment:
    """The bow as its pictures show it."""
    taken = []
    for turned in ways:
        # a bow that was turned does not lie quite alike again
        again = float(np.deg2rad(RELAID_DEG) * np.random.default_rng(seed).normal()) if turned else 0.0
        image = paint(replace(case.scene, turned=turned, tilt_rad=case.scene.tilt_rad + again), seed + 500 * turned)
        taken.append(Pictured(f"{turned}", seen_in(case, image, turned), turned))
    lying = lying_of(case.bow, True, case.brace_mm, case.grip_mm)
    return aligned(taken, [], case.bow.upper_limb, places_of(case.bow, lying))


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bows", type=int, default=60)
    given = parser.parse_args()
    rows, slow, refused = [], [], 0
    for seed in range(given.bows):
        if seed % 5 == 0:
            made, shape = bow_of(300 + seed)
        case = case_of(seed, made, shape)
        true = offset_mm(case.scene)
        start = time.perf_counter()
        try:
            one = measured(case, seed, (False,))
            slow.append(time.perf_counter() - start)
            both = measured(case, seed)
        except VisionFault as err:
            refused += 1
            print(seed, f"refused: {str(err)[:60]}; string off by {true:.1f} mm", flush=True)
            continue
        nocks = [
            (both.limbs[side].nock_mm - truth.bend_mm[-1], both.limbs[side].nock_sd_mm)
            for side, truth in zip(SIDES, (case.scene.left, case.scene.right), strict=True)
        ]
        rows.append(
            [
                both.offset_mm - true,
                both.offset_sd_mm,
                one.offset_mm - true,
                one.offset_sd_mm,
                *nocks[0],
                *nocks[1],
                *(
                    v
                    for side in SIDES
                    for v in (
                        both.limbs[side].groove_mm - case.scene.groove_mm[side.index],
                        both.limbs[side].groove_sd_mm,
                    )
                ),
            ]
        )
        if any(abs(rows[-1][k]) > 2.5 * rows[-1][k + 1] for k in (0, 4, 6)):
            print(seed, np.round(rows[-1], 2), flush=True)
    table = np.array(rows)
    for name, error, sd in (
        ("string, both ways round", table[:, 0], table[:, 1]),
        ("string, one picture", table[:, 2], table[:, 3]),
        ("nock, sideways", table[:, [4, 6]].ravel(), table[:, [5, 7]].ravel()),
        ("string off the limb's middle at the nock", table[:, [8, 10]].ravel(), table[:, [9, 11]].ravel()),
    ):
        told = np.isfinite(error)
        print(f"{name}: told {np.count_nonzero(told)} of {len(error)}")
        error, sd = error[told], sd[told]
        print(
            f"{name}: rms {np.sqrt(np.mean(error**2)):.2f} mm, stated {np.sqrt(np.mean(sd**2)):.2f}, within 1 and 2 sd"
            f" {100 * np.mean(np.abs(error) < sd):.0f} and {100 * np.mean(np.abs(error) < 2 * sd):.0f} %"
        )
    print(f"refused: {refused} of {given.bows}")
    print(f"a picture painted and looked at: {np.median(slow):.1f} s")


if __name__ == "__main__":
    main()
