"""Twist from the side view on rendered pulls: at the nock, against what was rendered; and where it begins.

Bow and rack carry the errors of tape, caliper and calibration, limbs are twisted by up to 8 degrees, beginning anywhere in their inner 60 %.

    python -m tests.bench.twist [--bows 40]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from tiller.bow.sides import SIDES
from tiller.measure.recording import read_recording
from tiller.measure.tracing import limb_twist, look_at
from tiller.mechanics.fit.twist import Twist
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.record import Plan, write_recording
from tiller.simulate.render import Setting

MOST_DEG = 8.0


def twisted(seed: int, folder: Path) -> list[tuple[float, float, Twist]]:
    """Of both limbs: twist at the nock, degrees, where it begins, mm, and what the pull's pictures say."""
    rng = np.random.default_rng(900 + seed)
    bow = random_bow(rng)
    turns = (float(rng.uniform(-MOST_DEG, MOST_DEG)), float(rng.uniform(-MOST_DEG, MOST_DEG)))
    begins = (float(rng.uniform(0.1, 0.6)), float(rng.uniform(0.1, 0.6)))
    write_recording(
        folder, bow, Plan(pictures=10, seed=900 + seed, quality=88), Setting(twist_deg=turns, twist_from=begins)
    )
    sight = look_at(read_recording(folder))
    return [
        (turns[side.index], begins[side.index] * bow.limb(str(side)).length_mm, limb_twist(sight, side))
        for side in SIDES
    ]


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bows", type=int, default=40)
    given = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as home:
        for seed in range(given.bows):
            for true, begins, found in twisted(seed, Path(home) / f"{seed}"):
                rest, drawn = np.rad2deg([found.rest_rad, found.drawn_rad])
                sds = np.rad2deg([found.rest_sd_rad, found.drawn_sd_rad])
                off = np.array([rest, drawn]) - true
                rows.append([*off, *sds, found.from_mm - begins, found.from_sd_mm])
                print(
                    f"{seed:3d} true {true:+5.1f} from {begins:3.0f}: at rest {rest:+5.1f} ± {sds[0]:.1f}, drawn {drawn:+5.1f} ± {sds[1]:.1f},"
                    f" from {found.from_mm:3.0f} ± {found.from_sd_mm:.0f}",
                    flush=True,
                )
    table = np.array(rows)
    for k, what in enumerate(("at rest", "drawn")):
        off, sd = table[:, k], table[:, 2 + k]
        print(
            f"{what}: {np.sqrt(np.nanmean(off**2)):.2f} degrees rms, median sd {np.nanmedian(sd):.2f},"
            f" {100 * np.nanmean(np.abs(off) <= 2 * sd):.0f} % within 2 sd"
        )
    sure = np.isfinite(table[:, 4])
    print(
        f"where it begins ({np.count_nonzero(sure)} limbs): {np.sqrt(np.mean(table[sure, 4] ** 2)):.0f} mm rms,"
        f" {100 * np.mean(np.abs(table[sure, 4]) <= 2 * table[sure, 5]):.0f} % within 2 sd"
    )


if __name__ == "__main__":
    main()
