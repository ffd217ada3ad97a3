"""Speed, as ratios measured in one run: ``python -m tests.bench [--quick]``.

Prints each figure, what it must reach and the ratio to a general-purpose routine on the same data.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]


def median_ms(work: Callable[[], object], times: int) -> float:
    work()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spent.append(1e3 * (time.perf_counter() - start))
    return float(np.median(spent))


def command(*words: str) -> tuple[float, float]:
    """Wall seconds and peak megabytes of ``tiller WORDS`` in a process of its own."""
    code = (
        "import sys, resource; from tiller.cli import main; code = main(sys.argv[1:]);"
        "print('PEAK', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss); sys.exit(code)"
    )
    start = time.perf_counter()
    out = subprocess.run([sys.executable, "-c", code, *words], check=True, capture_output=True, text=True, cwd=ROOT)
    wall = time.perf_counter() - start
    return wall, float(out.stdout.rsplit("PEAK", 1)[1]) / 1024


def main(quick: bool) -> int:
    cv2.setNumThreads(1)
    from dataclasses import replace

    from scipy.interpolate import make_smoothing_spline

    from tiller.mechanics.curvature import bend_from_places
    from tiller.rack.measure import look_at
    from tiller.rack.recording import read_picture, read_recording
    from tiller.simulate.bowmaker import Spot, random_bow
    from tiller.simulate.record import Plan, scenery_for, write_recording
    from tiller.simulate.render import Painter, Setting
    from tiller.simulate.shoot import Shooter
    from tiller.vision.pull import see_hook, see_limb

    work = Path(tempfile.mkdtemp(prefix="tiller-bench-"))
    os.environ["TILLER_HOME"] = str(work / "home")
    bow = random_bow(np.random.default_rng(8), "bench", (Spot("left", 380, 480, -0.07),), string_kind="long")
    write_recording(work / "pull", bow, Plan(largest_mm=520.0, pictures=20, seed=8))
    recording = read_recording(work / "pull")
    sight = look_at(recording)
    seen = [s for s in sight.seen if s.picture.role == "pull"]
    image = read_picture(recording, seen[12].picture)
    scene, models, shape = sight.scene, sight.models, seen[12].shape

    def follow() -> object:
        hook = see_hook(scene, image, shape.hook_px)
        return hook, [
            see_limb(scene, image, models[side], shape.limbs[side].points_mm, 0.5) for side in ("left", "right")
        ]

    track = median_ms(follow, 15 if quick else 60)
    blur = median_ms(lambda: cv2.GaussianBlur(image, (5, 5), 0), 20)
    print(f"picture to centreline while tracking, 1920x1080, one thread: {track:.1f} ms (at most 12)")
    print(f"  ratio to cv2.GaussianBlur 5x5 of the same picture ({blur:.1f} ms): {track / blur:.2f}")
    from skimage.measure import find_contours

    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    contours = median_ms(lambda: find_contours(grey, 128), 2 if quick else 5)
    print(f"  ratio to scikit-image's find_contours on it ({contours:.0f} ms): {track / contours:.3f}")
    s = np.arange(112.0, 840.0, 5.0)
    place = -0.5 * s**2 / 900 + np.random.default_rng(1).normal(0, 0.1, len(s))
    ours = median_ms(lambda: bend_from_places(s, place, np.full(len(s), 0.1)), 10)
    spline = median_ms(lambda: make_smoothing_spline(s, place).derivative(2)(s), 10)
    print(
        f"bend of one limb: {ours:.1f} ms; ratio to scipy's make_smoothing_spline ({spline:.1f} ms): {ours / spline:.2f}"
    )
    scenery = scenery_for(Plan(seed=8), Setting(), np.random.default_rng(8))
    painter = Painter(scenery, bow, 1)
    drawn = Shooter(bow).at(400.0)
    paint = median_ms(lambda: painter.picture(drawn, drawn.hook_mm), 5 if quick else 15)
    print(f"software rack: {1e3 / paint:.0f} pictures of 1920x1080 a second (at least 20)")
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "tiller", "--help"], check=True, capture_output=True, cwd=ROOT)
    print(f"tiller --help: {time.perf_counter() - start:.2f} s (at most 0.25)")
    wall, peak = command("measure", str(work / "pull"), "--json", str(work / "r.json"), "--quiet")
    print(
        f"tiller measure, 26 pictures, whole command: {wall:.2f} s (at most 4), peak memory {peak:.0f} MB (at most 500)"
    )
    if not quick:
        base = (wall, peak)
        for more in (40, 80):
            write_recording(work / f"pull{more}", bow, replace(Plan(largest_mm=520.0, seed=8), pictures=more))
            wall, peak = command("measure", str(work / f"pull{more}"), "--quiet", "--no-pictures")
            print(
                f"  {more + 6} pictures: {wall:.2f} s, {peak:.0f} MB (26 pictures: {base[0]:.2f} s, {base[1]:.0f} MB)"
            )
    print(f"(this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB)")
    return 0


if __name__ == "__main__":
    sys.exit(main("--quick" in sys.argv))
