"""One recording of an independent rig (finite-element mechanics, ray-traced pictures), thinned to eleven pictures, against its truth: a clone of
this source alone is judged by it too."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tiller.bow.sides import SIDES
from tiller.measure.followup.advice import advise
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import Recording, read_recording

FOLDER = Path(__file__).parents[1] / "data" / "orderly_rack"


@pytest.fixture(scope="module")
def recording() -> Recording:
    return read_recording(FOLDER)


@pytest.fixture(scope="module")
def measured(recording: Recording) -> Measured:
    return measure(recording)


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return dict(json.loads((FOLDER / "truth.json").read_text()))


def _along(truth: dict[str, Any], side: str, name: str, s_mm: np.ndarray) -> np.ndarray:
    limb = truth["limbs"][side]
    return np.interp(s_mm, limb["s_mm"], limb[name])


def _working(truth: dict[str, Any], side: str, s_mm: np.ndarray) -> np.ndarray:
    limb = truth["limbs"][side]
    return (s_mm >= limb["bend_from_mm"] + 6) & (s_mm <= 0.9 * limb["length_mm"])


def test_draw_and_force(measured: Measured, truth: dict[str, Any]) -> None:
    true = {f["file"]: f for f in truth["frames"]}
    pictures = measured.result.pictures
    assert len(pictures) == 9
    off = [p.draw_mm - true[p.file]["draw_mm"] for p in pictures]
    assert np.sqrt(np.mean(np.square(off))) < 1.0
    up = [p for p in pictures if p.branch == "up"]
    for p in up:
        assert p.force_n == pytest.approx(true[p.file]["force_n"], rel=0.01, abs=0.5)
    assert measured.result.lag_s == pytest.approx(truth["force_clock_offset_s"], abs=3 * measured.result.lag_sd_s)


def test_bend_and_stiffness(measured: Measured, truth: dict[str, Any]) -> None:
    for side in SIDES:
        limb = measured.result.limb(side)
        inside = _working(truth, side, limb.s_mm) & np.isfinite(limb.bend_per_m)
        bend = _along(truth, side, "bend_per_m", limb.s_mm)
        off = (limb.bend_per_m - bend)[inside]
        assert np.sqrt(np.mean(off**2)) < 0.045 * np.mean(bend[inside])
        assert np.mean(np.abs(off) < 2 * limb.bend_sd[inside]) > 0.85
        ei = limb.stiffness_n_m2 / _along(truth, side, "EI_n_m2", limb.s_mm)
        zones = [ei[inside & (limb.s_mm >= a) & (limb.s_mm < a + 100)] for a in np.arange(110, 650, 100)]
        assert np.median([abs(np.mean(z) - 1) for z in zones]) < 0.02


def test_strain_and_its_sd(measured: Measured, truth: dict[str, Any]) -> None:
    """Surface strain: bend, and the distance of the back from the neutral axis, together."""
    z = []
    for side in SIDES:
        limb = measured.result.limb(side)
        inside = _working(truth, side, limb.s_mm) & np.isfinite(limb.strain)
        true = _along(truth, side, "surface_strain", limb.s_mm)
        assert np.all(limb.strain[inside] > 0)  # the back is stretched
        assert np.mean(limb.strain[inside] / true[inside]) == pytest.approx(1.0, abs=0.03)
        z += list(((limb.strain - true) / limb.strain_sd)[inside])
    assert np.mean(np.abs(z) < 2) > 0.85
    assert np.sqrt(np.mean(np.square(z))) > 0.3  # nor many times too wide


def test_the_spot_and_no_other(measured: Measured, truth: dict[str, Any]) -> None:
    marks = [(side, m) for side in SIDES for m in measured.result.limb(side).marks]
    (spot,) = truth["spots"]
    assert len(marks) == 1
    side, mark = marks[0]
    assert (side, mark.kind) == (spot["limb"], spot["kind"])
    assert mark.from_mm < spot["to_mm"]
    assert mark.to_mm > spot["from_mm"]


def test_the_forecast(measured: Measured, recording: Recording, truth: dict[str, Any]) -> None:
    ahead = advise(measured, recording.bow).forecast
    assert ahead is not None
    assert ahead.weight_n == pytest.approx(truth["forecast"]["braced_weight_n"], abs=3 * ahead.weight_sd_n)
    assert ahead.weight_sd_n < 0.02 * ahead.weight_n


def test_without_a_scale_the_bend_is_as_sure(measured: Measured, tmp_path: Path) -> None:
    """The force is free then, and the stiffness goes with it: what both err by alike is no error of the bend."""
    import shutil

    folder = tmp_path / "unweighed"
    shutil.copytree(FOLDER, folder)
    (folder / "force.csv").unlink()
    free = measure(read_recording(folder))
    assert np.nanmedian(free.fit.factor_sd[~np.isnan(free.fit.factor_sd)]) > 0.0
    for side in SIDES:
        with_force, without = measured.result.limb(side), free.result.limb(side)
        middle = (without.s_mm > 200) & (without.s_mm < 650) & np.isfinite(without.bend_sd)
        assert np.median(without.bend_sd[middle] / without.bend_per_m[middle]) < 0.05
        assert np.median(without.bend_sd[middle] / with_force.bend_sd[middle]) < 2.0
