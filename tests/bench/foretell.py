"""Weight of the braced bow foretold from pulls to 60 % of the draw on a long string. ``python -m tests.bench.foretell [--bows N | --recordings]``.

The rough bows of the virtual bowyer, photographed and weighed by the software rack; the truth is the forward model on
the true bow, which is tested against OpenSees.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.bench.bowyer import rough_bow, stand
from tiller.simulate.record import Plan as PullPlan
from tiller.simulate.record import write_recording
from tiller.simulate.render import Setting

LIMITS = {"error_rms": (0.0, 0.03), "inside_1_sd": (0.55, 0.80)}


def foretold(seed: int, share: float) -> tuple[float, float]:
    """Relative error of the forecast and its stated relative sd."""
    from tiller.measure.followup.advice import advise
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording

    bow = rough_bow(seed)
    setting = Setting(board=("plain", "grid", "clutter")[seed % 3], light=(1.0, 0.75)[seed % 2])
    with tempfile.TemporaryDirectory(prefix="tiller-foretell-") as folder:
        place = Path(folder) / "pull"
        write_recording(place, bow, PullPlan(largest_mm=share * bow.draw_mm, pictures=12, seed=seed), setting)
        recording = read_recording(place)
        ahead = advise(measure(recording), recording.bow).forecast
    if ahead is None:
        return float("nan"), float("nan")
    return ahead.weight_n / stand(bow).weight_n - 1, ahead.weight_sd_n / ahead.weight_n


SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "recordings"


def cut_off(name: str, share: float) -> tuple[float, float]:
    """The same for a recording of the independent rig, of which only the pictures up to a share of the target draw are used."""
    from tiller.measure.followup.advice import advise
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording

    recording = read_recording(SHARED / name)
    truth = json.loads((SHARED / name / "truth.json").read_text())
    draws = {Path(f["file"]).name: f.get("draw_mm") or 0.0 for f in truth["frames"]}
    most = share * recording.bow.target.draw_length_mm
    kept = tuple(p for p in recording.pictures if p.role != "pull" or draws[Path(p.file).name] <= most)
    ahead = advise(measure(replace(recording, pictures=kept)), recording.bow).forecast
    if ahead is None:
        return float("nan"), float("nan")
    return ahead.weight_n / truth["forecast"]["braced_weight_n"] - 1, ahead.weight_sd_n / ahead.weight_n


def recordings() -> int:
    """Weights foretold by the independent rig's recordings, cut off at several draws."""
    if not SHARED.is_dir():
        print("The recordings of the independent rig do not lie beside this checkout (../shared/recordings).")
        return 2
    names = sorted(p.name for p in SHARED.iterdir() if p.is_dir())
    broken = False
    for share in (0.5, 0.6, 0.7, 0.8, 1.0):
        with ProcessPoolExecutor(os.cpu_count() or 1) as pool:
            told = np.array(list(pool.map(cut_off, names, [share] * len(names))))
        away = np.abs(told[:, 0] / told[:, 1])
        print(
            f"{100 * share:.0f} % of the draw: error {100 * np.sqrt(np.mean(told[:, 0] ** 2)):.2f} % rms, mean {100 * np.mean(told[:, 0]):+.2f} %, stated"
            f" {100 * np.median(told[:, 1]):.2f} %, largest {np.max(away):.1f} sd (at most 3)"
        )
        broken |= not np.max(away) <= 3.0
    return int(broken)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--recordings", action="store_true", help="the independent rig's recordings, cut off")
    parser.add_argument("--bows", type=int, default=48)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--share", type=float, default=0.6)
    given = parser.parse_args()
    if given.recordings:
        return recordings()
    seeds = range(given.first, given.first + given.bows)
    with ProcessPoolExecutor(os.cpu_count() or 1) as pool:
        told = np.array(list(pool.map(foretold, seeds, [given.share] * len(seeds))))
    error, sd = told[:, 0], told[:, 1]
    for seed, e, s in zip(seeds, error, sd, strict=True):
        print(f"bow {seed}: {100 * e:+.2f} % (stated sd {100 * s:.2f} %)")
    figures = {
        "error_rms": float(np.sqrt(np.mean(error**2))),
        "inside_1_sd": float(np.mean(np.abs(error) < sd)),
    }
    print(
        f"{len(seeds)} bows from {100 * given.share:.0f} % of the draw: error {100 * figures['error_rms']:.2f} % rms (at most 3),"
        f" mean {100 * np.mean(error):+.2f} %, inside 1 sd {100 * figures['inside_1_sd']:.0f} % (55-80), inside 2 sd {100 * np.mean(np.abs(error) < 2 * sd):.0f} %,"
        f" stated sd {100 * np.median(sd):.2f} %"
    )
    broken = [name for name, (low, high) in LIMITS.items() if not low <= figures[name] <= high]
    for name in broken:
        print(f"BEYOND ITS LIMIT  {name} {figures[name]:.3g}, {LIMITS[name][0]:g} to {LIMITS[name][1]:g}")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
