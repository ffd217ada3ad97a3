"""Early tillering with the camera alone: the bend and its marks without a force, against the truth and an independent rig."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.pulls.test_measure import zone_errors
from tiller.cli.entry import main
from tiller.measure.followup.advice import UNTRIED_FORCE_SD, advise
from tiller.measure.pipeline import measure
from tiller.measure.recording import read_recording
from tiller.records.book import Book
from tiller.report.data import result_json
from tiller.simulate.bowmaker import Spot, random_bow
from tiller.simulate.record import Plan, make_even, write_recording
from tiller.simulate.render import Setting


def without_scale(recording: Path, to: Path) -> Path:
    shutil.copytree(recording, to)
    (to / "force.csv").unlink()
    return to


def test_bend_marks_and_bands_against_the_truth(tmp_path: Path) -> None:
    settings = (
        (Setting(), (Spot("left", 400, 500, -0.08),)),
        (Setting(board="grid", noise=2.0), (Spot("right", 330, 440, 0.085),)),
        (Setting(light=0.7, blur_px=0.8), ()),
    )
    errors, bands, strains = [], [], []
    for seed, (setting, spots) in enumerate(settings, start=700):
        bow = make_even(random_bow(np.random.default_rng(seed), "bow", spots, string_kind="long"), 480.0)
        folder = tmp_path / str(seed)
        truth = write_recording(folder, bow, Plan(largest_mm=480.0, seed=seed, pictures=14), setting)
        (folder / "force.csv").unlink()
        measured = measure(read_recording(folder))
        assert not measured.result.weighed
        told = result_json(measured.result)
        for row in told["limbs"].values():
            assert set(row["stiffness_n_m2"]) == {None}  # what no scale told is not made up
            assert row["implied_modulus_gpa"] is None
            row["stiffness_n_m2"] = [1.0] * len(row["s_mm"])  # only so that zone_errors may read it
        assert told["lag_s"] is None
        assert {f["force_n"] for f in told["frames"]} == {None}
        errors += zone_errors(truth, told)[0]
        assert len(told["marks"]) == len(spots), told["marks"]
        for spot, mark in zip(spots, told["marks"], strict=True):
            assert (mark["limb"], mark["kind"]) == (spot.limb, spot.kind)
            assert abs(0.5 * (mark["from_mm"] + mark["to_mm"] - spot.from_mm - spot.to_mm)) <= 40
        for side in ("left", "right"):
            t, limb = truth["limbs"][side], measured.result.limb(side)
            inside = (limb.s_mm >= t["bend_from_mm"] + 6) & (limb.s_mm <= 0.9 * t["length_mm"])
            inside &= np.isfinite(limb.bend_per_m)
            bend = np.interp(limb.s_mm, t["s_mm"], t["bend_per_m"])
            strain = bend * 0.5e-3 * np.interp(limb.s_mm, t["s_mm"], bow.limb(side).thickness_mm)
            bands += list((np.abs(limb.bend_per_m - bend) / limb.bend_sd)[inside])
            strains += list((limb.strain / strain - 1)[inside])
    assert np.sqrt(np.mean(np.square(errors))) < 0.055
    assert 0.55 <= np.mean(np.array(bands) < 1) <= 0.92
    assert np.mean(np.array(bands) < 2) >= 0.85
    assert abs(np.median(strains)) < 0.08  # half the thickness: a crowned back is nearer to or farther from the axis


def test_what_it_cannot_tell_is_said(
    small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = without_scale(small_recording, tmp_path / "pull")
    assert main(["measure", str(folder), "--json", str(tmp_path / "out.json"), "--pictures", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "without a scale" in said
    assert "are unknown" in said
    assert "PLAN      none" in said
    assert "nan" not in said
    assert {p.name for p in tmp_path.glob("*.png")} == {"limbs.png", "forecast.png"}  # no force over draw
    told = json.loads((tmp_path / "out.json").read_text())
    assert told["plan"] is None
    # what calipers and a table say of the weight, and as wide as before any pull
    forecast = told["forecast"]
    assert forecast["sd_n"] == pytest.approx(UNTRIED_FORCE_SD * forecast["braced_weight_n"])
    assert told["stop"]["draw_mm"] > 0
    with Book(home / "book.sqlite3") as book:
        (row,) = book.pulls()
        assert np.isnan(row.force_there_n)
        pull = book.pull(row.pull_id)
    assert np.all(np.isnan([pull.force_there_n, pull.lag_s, pull.hysteresis]))
    assert not pull.weighed
    for command in (["book", "show", "1"], ["book", "list"], ["report", "small_bow", "--out", str(tmp_path)]):
        assert main(command) == 0, command
        assert "nan" not in capsys.readouterr().out.lower()
    assert main(["plan", "small_bow"]) == 2
    assert "There is no plan" in capsys.readouterr().err


def test_the_stop_hangs_on_bend_not_on_the_unknown_level(small_recording: Path, tmp_path: Path) -> None:
    """The strain met at each draw is the same, whatever modulus the file guesses; only the weight's limit moves."""
    limits = []
    for modulus in ("8.0", "14.0"):
        folder = without_scale(small_recording, tmp_path / modulus)
        text = (folder / "bow.toml").read_text()
        (folder / "bow.toml").write_text(f"modulus_gpa = {modulus}\n" + text)
        recording = read_recording(folder)
        stop = advise(measure(recording), recording.bow).stop
        assert stop is not None
        limits.append(stop.limits_mm)
    strain, weight = ([limit[name] for limit in limits] for name in ("working strain", "target weight"))
    assert strain[1] == pytest.approx(strain[0], rel=0.03)
    assert weight[1] < 0.9 * (weight[0] if np.isfinite(weight[0]) else limits[0]["target draw"])


def test_a_log_without_a_calibration_is_no_force(
    small_recording: Path, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pull"
    shutil.copytree(small_recording, folder)
    text = (folder / "rig.toml").read_text()
    (folder / "rig.toml").write_text(text[: text.index("[load_cell]")])
    assert main(["measure", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "no [load_cell]" in said
    assert said.count("\n") == 1
    (folder / "force.csv").unlink()
    assert main(["measure", str(folder), "--no-pictures", "--quiet"]) == 0


@pytest.mark.shared
def test_the_independent_rigs_recordings_without_their_force(shared: Path, tmp_path: Path) -> None:
    for folder in sorted((shared / "recordings").iterdir()):
        if folder.is_dir():
            result = measure(read_recording(without_scale(folder, tmp_path / "r" / folder.name))).result
            (tmp_path / f"{folder.name}.json").write_text(json.dumps(result_json(result)))
    score = [sys.executable, str(shared / "score.py"), str(tmp_path), "--truth", str(shared / "recordings")]
    out = subprocess.run([*score, "--json", str(tmp_path / "s.json")], check=True, capture_output=True, text=True)
    total = json.loads((tmp_path / "s.json").read_text())["total"]
    assert total["bend_pct"] < 4.0, out.stdout
    assert total["missed"] <= 1
    assert total["false"] == 0
    assert total["bend_cov"][0] >= 60
    assert total["bend_cov"][1] >= 90
