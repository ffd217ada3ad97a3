"""The best place of a bow among staves at random, against an exhaustive search on a fine grid.

python -m tests.bench.place [--staves 200]
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.ndimage import gaussian_filter1d

from tiller.mechanics.wood.place import FaceOf, Knot, Shape, placements, tried

SHAPE = Shape(
    s_mm=np.array([0.0, 60.0, 110.0, 400.0, 860.0]),
    width_mm=np.array([30.0, 30.0, 44.0, 42.0, 13.0]),
    low_length_mm=860.0,
    high_length_mm=860.0,
)


def stave(seed: int) -> FaceOf:
    """One at random: 1.75 to 2 m long, crooked by some cm, with up to nine knots."""
    rng = np.random.default_rng(seed)
    length = rng.uniform(1760, 2000)
    x = np.arange(0.0, length + 1, 20.0)
    x[-1] = length
    bend = gaussian_filter1d(rng.normal(0, 1, len(x) + 60), rng.uniform(9, 18))[30:-30]
    bend = rng.uniform(0, 35) * (bend - bend.mean()) / (np.ptp(bend) + 1e-9) + rng.uniform(-8, 8) * np.sin(
        np.pi * x / length
    )
    half = rng.uniform(26, 45) + gaussian_filter1d(rng.normal(0, 6, len(x)), 4)
    knots = tuple(
        Knot(float(a), float(np.interp(a, x, bend) + rng.uniform(-0.9, 0.9) * 30), float(rng.uniform(4, 22)))
        for a in rng.uniform(40, length - 40, rng.integers(0, 10))
    )
    return FaceOf(x_mm=x, low_mm=bend - half, high_mm=bend + half, grain_mm=bend, knots=knots)


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--staves", type=int, default=200)
    given = parser.parse_args()
    over, seconds, none, wrong = [], [], 0, 0
    for seed in range(given.staves):
        face = stave(seed)
        start = time.perf_counter()
        found = placements(face, SHAPE)
        seconds.append(time.perf_counter() - start)
        _grid, cost = tried(face, SHAPE, 4.0, 1.0, tuple(np.linspace(0, 1, 11)), tuple(np.arange(-40.0, 41.0, 10.0)))
        lies = cost[:, 4] <= 0.0
        if not found or not np.any(lies):
            none += 1
            wrong += bool(found) != bool(np.any(lies))
            continue
        best = float(cost[lies, -1].min())
        over.append((found[0].cost - best) / max(best, 1.0))
        if over[-1] > 0.02:
            print(seed, f"{100 * over[-1]:+.1f} %: {found[0].cost:.2f} against {best:.2f}", flush=True)
    print(
        f"{len(over)} staves with a place ({none} without, {wrong} of them told otherwise): cost over the exhaustive search's {100 * np.mean(over):+.2f} %, worst"
        f" {100 * np.max(over):+.2f} %, {100 * np.mean(np.array(over) <= 0.02):.0f} % within 2 %; {np.median(seconds):.2f} s each, at most {np.max(seconds):.2f}"
    )


if __name__ == "__main__":
    main()
