"""The log's end on rendered pictures: diameter, pith, rings, against what was rendered. A hand touches pith and edge with an error.

python -m tests.bench.logend [--logs 20]
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.mechanics.wood.logshape import LogShape, shape_of
from tiller.report.sheets.targets import RACK, RACK_DICTIONARY
from tiller.simulate.wood.logend import LogTruth, paint_log, random_log
from tiller.vision.stave.logend import CORE_MM, LogEnd, log_end
from tiller.vision.stave.plane import find_face

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

SIDES = {(RACK_DICTIONARY, sheet.marker): sheet.side_mm for sheet in RACK}
TOUCH_PX = 8.0
"""How far a hand is off in a picture of twelve million pixels."""
RAYS = (0.6, 2.2, 3.9, 5.4)


@dataclass(frozen=True)
class Case:
    """A log's end, its picture, and what is read in it."""

    log: LogTruth
    image: Image
    end: LogEnd
    shape: LogShape


def touches(log: LogTruth, rng: np.random.Generator, count: int = 8) -> tuple[Array, Array]:
    """Pith and edge as a hand touches them, px."""
    camera = log.camera
    pith = camera.project(np.append(log.pith_mm, 0.0)[None])[0] + rng.normal(0, TOUCH_PX / 2, 2)
    at = (np.arange(count) * 720 // count + rng.integers(0, 40, count)) % 720
    edge = camera.project(np.column_stack([log.points_mm[at], np.zeros(count)])) + rng.normal(0, TOUCH_PX, (count, 2))
    return pith, edge


def lens_of(log: LogTruth, off: float = 1.0) -> Lens:
    """The camera as it is calibrated."""
    c = log.camera
    matrix = np.array([[c.focal[0] * off, 0, c.centre[0]], [0, c.focal[1] * off, c.centre[1]], [0, 0, 1.0]])
    return Lens(c.size, matrix, np.array(c.distortion))


def case_of(seed: int, known: bool = True) -> Case:
    """One of them; ``known``: the lens is calibrated."""
    log = random_log(seed)
    image = paint_log(log)
    rng = np.random.default_rng(seed)
    face = find_face(image, SIDES, lens_of(log, 1.001) if known else None)
    pith, edge = touches(log, rng)
    end = log_end(image, face, pith, edge, RAYS)
    return Case(log, image, end, shape_of(end.rim, face.scale_sd, 30 if end.found else 8))


def rings_hit(log: LogTruth, pith_mm: Array, angle: float, found: Array, near_mm: float = 0.6) -> tuple[int, int, int]:
    """Rings that were found, all rings (beyond the core), and found ones that are none. The ray begins at the pith as it was touched."""
    points = pith_mm + np.asarray(found)[:, None] * np.array([np.cos(angle), np.sin(angle)]) - log.pith_mm
    own = np.array(
        [
            np.interp(np.hypot(*p), log.ends_mm(float(np.arctan2(p[1], p[0]))), np.arange(len(log.shares)))
            for p in points
        ]
    )
    true = log.ends_mm(angle)[:-1]
    widths = np.diff(np.append(true, log.ends_mm(angle)[-1]))
    inner = int(np.count_nonzero(true <= CORE_MM + 1.5))
    hit = 0
    for k in range(inner, len(true)):
        near = np.abs(own - k) * widths[k] if len(own) else np.array([9.0])
        hit += bool(float(np.min(near)) <= min(near_mm, 0.45 * widths[k]))
    false = sum(
        abs(v - round(v)) * widths[min(round(v), len(widths) - 1)] > near_mm for v in own if inner <= v <= len(true) - 1
    )
    return hit, len(true) - inner, false


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=20)
    given = parser.parse_args()
    for known in (True, False):
        diameter, z, pith, rings, checks, count = [], [], [], {True: [0, 0, 0], False: [0, 0, 0]}, [0, 0, 0], []
        for seed in range(given.logs):
            case = case_of(seed, known)
            p = case.log.points_mm
            area = 0.5 * float(np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]))
            true = 2 * np.sqrt(area / np.pi)
            diameter.append(case.shape.diameter_mm - true)
            z.append(diameter[-1] / case.shape.diameter_sd_mm)
            pith.append(float(np.linalg.norm(case.end.rim.pith_mm - case.log.pith_mm)))
            for ray in case.end.rays:
                hit = rings_hit(case.log, case.end.rim.pith_mm, ray.angle_rad, ray.rings.ends_mm)
                for k in range(3):
                    rings[case.log.porous][k] += hit[k]
                count.append((len(ray.rings.ends_mm) - hit[1]) / max(ray.rings.count_sd, 0.1))
            seen = [
                min(abs((a - c + np.pi) % (2 * np.pi) - np.pi) for a in case.end.checks_rad)
                if case.end.checks_rad
                else 9
                for c in case.log.checks_rad
            ]
            checks[0] += sum(v < 0.06 for v in seen)
            checks[1] += len(seen)
            checks[2] += max(len(case.end.checks_rad) - sum(v < 0.06 for v in seen), 0)
            if not case.end.found or abs(diameter[-1]) > 1.0:
                print(
                    seed,
                    f"diameter {diameter[-1]:+.1f} ± {case.shape.diameter_sd_mm:.1f}, rim found: {case.end.found}",
                    flush=True,
                )
        print(
            f"lens {'known' if known else 'not known'}: diameter {np.sqrt(np.mean(np.square(diameter))):.2f} mm rms (worst {np.max(np.abs(diameter)):.1f};"
            f" {100 * np.mean(np.abs(z) <= 2):.0f} % within 2 sd), pith {np.sqrt(np.mean(np.square(pith))):.2f} mm; rings found"
            + ", ".join(
                f" {100 * v[0] / max(v[1], 1):.0f} % of {v[1]} ({v[2]} false) {'ring-porous' if k else 'diffuse-porous'}"
                for k, v in rings.items()
            )
            + f"; count within 2 sd on {100 * np.mean(np.abs(count) <= 2):.0f} %; checks {checks[0]} of {checks[1]}, {checks[2]} false"
        )


if __name__ == "__main__":
    main()
