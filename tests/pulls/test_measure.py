"""The whole measurement, on recordings of the rack in software (truth known) and of an independent rig."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tiller.cli.entry import main
from tiller.measure.pipeline import measure
from tiller.measure.recording import read_recording
from tiller.report.data import result_json
from tiller.simulate.bowmaker import Spot, random_bow
from tiller.simulate.record import Plan, make_even, write_recording
from tiller.simulate.render import Setting


def zone_errors(truth: dict[str, Any], result: dict[str, Any]) -> tuple[list[float], list[float]]:
    """Relative bend errors by point and stiffness errors on 100 mm zones, middle 80 % of each limb."""
    bend, stiffness = [], []
    for side in ("left", "right"):
        t, r = truth["limbs"][side], result["limbs"][side]
        s = np.array(t["s_mm"])
        low, high = max(0.1 * t["length_mm"], t["bend_from_mm"] + 6), 0.9 * t["length_mm"]
        inside = (s >= low) & (s <= high)
        seen = np.array([v is not None for v in r["bend_per_m"]])
        at = np.array(r["s_mm"])[seen]
        ours = np.interp(s, at, np.array(r["bend_per_m"], dtype=float)[seen])
        true_bend = np.array(t["bend_per_m"])
        bend += list((ours - true_bend)[inside] / np.mean(true_bend[inside]))
        ei = np.interp(s, at, np.array(r["stiffness_n_m2"], dtype=float)[seen]) / np.array(t["EI_n_m2"])
        for start in np.arange(low, high - 100, 100):
            zone = (s >= start) & (s < start + 100)
            stiffness.append(abs(float(np.mean(ei[zone])) - 1))
    return bend, stiffness


CASES = [
    ("plain", {}, Setting(), (Spot("left", 400, 500, -0.07),), ()),
    (
        "grid",
        {},
        Setting(board="grid", light=0.8, noise=2.0),
        (Spot("right", 330, 440, 0.075),),
        ("garbled", "spike", "reset"),
    ),
    ("even, crooked, a knot", {"crook_per_m": 0.8, "knots": 1}, Setting(), (), ("doubled", "wrap")),
    (
        "clutter, dim, noisy",
        {},
        Setting(board="clutter", light=0.6, noise=3.0, motion_px=1.5),
        (Spot("left", 300, 410, 0.08),),
        ("reversed",),
    ),
]


@pytest.mark.parametrize(("name", "wish", "setting", "spots", "faults"), CASES, ids=[c[0] for c in CASES])
def test_simulated_pull(
    tmp_path: Path, name: str, wish: dict[str, Any], setting: Setting, spots: tuple[Spot, ...], faults: tuple[str, ...]
) -> None:
    seed = 100 + [c[0] for c in CASES].index(name)
    bow = random_bow(np.random.default_rng(seed), "bow", spots, string_kind="long", **wish)
    bow = make_even(bow, 520.0)
    truth = write_recording(tmp_path / "pull", bow, Plan(largest_mm=520.0, seed=seed, faults=faults), setting)
    result = result_json(measure(read_recording(tmp_path / "pull")).result)
    draws = {f["file"]: f for f in truth["frames"]}
    gap = [f["draw_mm"] - draws[f["file"]]["draw_mm"] for f in result["frames"]]
    assert np.sqrt(np.mean(np.square(gap))) < 1.5
    for f in result["frames"]:
        assert f["force_n"] == pytest.approx(draws[f["file"]]["force_n"], rel=0.005, abs=0.5)
    bend, stiffness = zone_errors(truth, result)
    hard = "clutter" in name
    assert np.sqrt(np.mean(np.square(bend))) < (0.09 if hard else 0.06)
    assert np.median(stiffness) < 0.04
    assert np.percentile(stiffness, 90) < 0.10
    for spot in spots:
        hits = [
            m
            for m in result["marks"]
            if m["limb"] == spot.limb
            and m["kind"] == spot.kind
            and abs(0.5 * (m["from_mm"] + m["to_mm"] - spot.from_mm - spot.to_mm)) <= 40
        ]
        assert hits, result["marks"]
    if not hard:
        assert len(result["marks"]) == len(spots)
    assert result["hysteresis"] == pytest.approx(truth["hysteresis"], abs=0.015)
    if "reversed" in faults:
        assert any(note["code"] == "scale.sign-turned" for note in result["notes"])


def test_stated_bands_hold_over_simulated_pulls(tmp_path: Path) -> None:
    """The margins as shipped, real pixels: plain, grid, dim and noisy, and a camera that smears."""
    settings = (
        Setting(),
        Setting(board="grid", noise=2.0),
        Setting(light=0.6, noise=3.0),
        Setting(blur_px=0.9, motion_px=1.5),
    )
    bend, stiffness = [], []
    for seed, setting in enumerate(settings, start=300):
        bow = make_even(random_bow(np.random.default_rng(seed), "bow", knots=seed % 2), 500.0)
        truth = write_recording(tmp_path / str(seed), bow, Plan(largest_mm=500.0, seed=seed, pictures=12), setting)
        result = measure(read_recording(tmp_path / str(seed))).result
        for side in ("left", "right"):
            t, limb = truth["limbs"][side], result.limb(side)
            low, high = max(0.1 * t["length_mm"], t["bend_from_mm"] + 6), 0.9 * t["length_mm"]
            inside = (limb.s_mm >= low) & (limb.s_mm <= high) & np.isfinite(limb.bend_per_m)
            true_bend = np.interp(limb.s_mm, t["s_mm"], t["bend_per_m"])
            true_ei = np.interp(limb.s_mm, t["s_mm"], t["EI_n_m2"])
            bend += list(((limb.bend_per_m - true_bend) / limb.bend_sd)[inside])
            stiffness += list(((limb.stiffness_n_m2 - true_ei) / limb.stiffness_sd)[inside])
    for z in (np.abs(bend), np.abs(stiffness)):
        # the margins are set on the independent rig's recordings (below: 69 and 95 %); on our own renderer, which is no judge, 54 and 85 % were found
        assert 0.48 < np.mean(z < 1) < 0.85, (np.mean(z < 1), np.mean(z < 2))
        assert 0.80 < np.mean(z < 2) < 0.995, (np.mean(z < 1), np.mean(z < 2))


def test_following_sees_what_measuring_sees(small_recording: Path) -> None:
    from tiller.measure.recording import read_picture
    from tiller.measure.tracing import look_at
    from tiller.vision.limbs.follow import Followed, follow, known_at_rest, onto
    from tiller.vision.limbs.pull import stand

    recording = read_recording(small_recording)
    sight = look_at(recording)
    rest = read_picture(recording, recording.of_role("rest")[0])
    known = known_at_rest(recording.bow, stand(sight.scene, rest).frame, sight.models)
    models = known.coarse
    assert len(models["left"].s_mm) == len(models["right"].s_mm)
    for seen in [s for s in sight.seen if s.picture.role == "pull"][1:6]:
        before = {
            side: onto(trace.points_mm + 0.8 * trace.normal_mm, sight.models[side], models[side])
            for side, trace in seen.shape.limbs.items()
        }
        image = read_picture(recording, seen.picture)
        shape, _ = follow(sight.scene, image, known, Followed(before, seen.shape.hook_px))
        assert shape.hook is not None
        assert seen.shape.hook is not None
        assert shape.hook.seat_mm == pytest.approx(seen.shape.hook.seat_mm, abs=0.05)
        for side, trace in shape.limbs.items():
            full = seen.shape.limbs[side]
            places = onto(full.points_mm + full.offset_mm[:, None] * full.normal_mm, sight.models[side], models[side])
            gap = np.sum((trace.points_mm - places) * trace.normal_mm, axis=1)
            assert np.sqrt(np.nanmean(gap[:-2] ** 2)) < 0.45  # the last 20 mm are half guessed in both
            assert trace.seen > 0.9


def test_a_hidden_stretch_has_no_value_and_says_so(tmp_path: Path) -> None:
    bow = make_even(random_bow(np.random.default_rng(9), "bow", (), string_kind="long"), 480.0)
    plan = Plan(largest_mm=480.0, pictures=10, seed=9, occluder=(430.0, -25.0, 45.0))
    write_recording(tmp_path / "pull", bow, plan)
    result = measure(read_recording(tmp_path / "pull")).result
    hidden = (result.right.s_mm > 440) & (result.right.s_mm < 460)
    assert np.all(~np.isfinite(result.right.bend_per_m[hidden]))
    assert np.all(np.isfinite(result.left.bend_per_m[(result.left.s_mm > 200) & (result.left.s_mm < 700)]))


@pytest.mark.shared
def test_the_independent_rigs_recordings(shared: Path, tmp_path: Path, home: Path) -> None:
    for folder in sorted((shared / "recordings").iterdir()):
        if folder.is_dir():
            assert (
                main(
                    [
                        "measure",
                        str(folder),
                        "--json",
                        str(tmp_path / f"{folder.name}.json"),
                        "--no-pictures",
                        "--quiet",
                    ]
                )
                == 0
            )
    out = subprocess.run(
        [
            sys.executable,
            str(shared / "score.py"),
            str(tmp_path),
            "--truth",
            str(shared / "recordings"),
            "--json",
            str(tmp_path / "score.json"),
        ],
        check=True,
        capture_output=True,
        text=True,
    )
    score = json.loads((tmp_path / "score.json").read_text())
    total, rows = score["total"], score["rows"]
    assert total["results_missing"] == 0, out.stdout
    seen, there = (int(n) for n in total["frames"].split("/"))
    assert seen >= 0.9 * there
    for name, row in rows.items():
        hard = name in ("dev_webcam", "dev_leaves")
        # what stands behind these limbs shifts their edges: sampled 0.01 px off they come out at 3.4 to 4.6 %, as with OpenCV 4.14 against 5.0
        shifted = name in ("dev_shadow", "dev_dressed")
        assert row["draw"] < (2.5 if hard else 1.5), out.stdout
        assert row["bend"] < (7.0 if hard else 5.0 if shifted else 4.2), out.stdout
        assert abs(row["weight_z"]) < 3.0
        assert row["bend_2sd"] > 85
    assert total["force_pct"] < 0.5
    assert total["ei_med_pct"] < 3
    assert total["ei_p90_pct"] < 8
    assert total["missed"] <= 1
    assert total["false"] == 0
    for kind in ("bend_cov", "ei_cov"):
        assert 62 <= total[kind][0] <= 79
        assert 92 <= total[kind][1] <= 98
    easy = [rows[name] for name in ("dev_braced_grid", "dev_hinge_plain")]
    assert np.mean([row["bend"] for row in easy]) < 3.3  # 3.2 before shops' pictures were minded


@pytest.mark.shared
def test_a_recording_is_left_untouched(shared: Path, home: Path) -> None:
    folder = shared / "recordings" / "dev_hinge_plain"
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    assert main(["measure", str(folder), "--quiet"]) == 0
    assert {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == before


def test_some_bad_pictures_and_a_hole_in_the_force_are_left_out_and_said(small_recording: Path, tmp_path: Path) -> None:
    folder = tmp_path / "hurt"
    shutil.copytree(small_recording, folder)
    frames = sorted((folder / "frames").iterdir())
    frames[6].write_bytes(frames[6].read_bytes()[:20_000])
    frames[8].unlink()
    lines = (folder / "force.csv").read_text().splitlines()
    start, end = int(0.45 * len(lines)), int(0.5 * len(lines))
    (folder / "force.csv").write_text("\n".join(lines[:start] + lines[end:]))
    result = measure(read_recording(folder)).result
    text = "\n".join(result.left_out)
    assert f"{frames[6].name} is cut off" in text
    assert f"{frames[8].name} is missing" in text
    assert "no reading from" in text
    assert len(result.pictures) == 10


@pytest.mark.parametrize("hysteresis", [0.02, 0.10])
def test_hysteresis_is_measured_and_a_rest_picture_after_the_pull_does_no_harm(
    tmp_path: Path, hysteresis: float
) -> None:
    import csv

    bow = random_bow(np.random.default_rng(12), "bow", (), string_kind="long")
    truth = write_recording(tmp_path / "pull", bow, Plan(largest_mm=480.0, pictures=9, seed=12, hysteresis=hysteresis))
    with (tmp_path / "pull" / "frames.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    shutil.copy(tmp_path / "pull" / rows[2][0], tmp_path / "pull" / "frames" / "900_rest.jpg")
    rows.append(["frames/900_rest.jpg", f"{float(rows[-1][1]) + 9.0:.4f}", "rest"])
    with (tmp_path / "pull" / "frames.csv").open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    result = measure(read_recording(tmp_path / "pull")).result
    assert result.hysteresis == pytest.approx(hysteresis, abs=0.015)
    forces = {f["file"]: f.get("force_n") for f in truth["frames"]}
    for p in result.pictures:
        assert p.force_n == pytest.approx(forces[p.file], rel=0.005, abs=0.5)


def test_a_bow_that_bends_through_its_handle(tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The wood between the limbs' first stations, hidden by the cradle: its stiffness is a result, and the forecast goes by it."""
    from tiller.simulate.bowmaker import random_bow, through_handle
    from tiller.simulate.record import Plan, make_even, write_recording
    from tiller.simulate.shoot import Shooter

    bow = through_handle(random_bow(np.random.default_rng(31), "through", (), string_kind="braced"))
    bow = make_even(bow, 560.0, 2)
    bow = replace(bow, weight_n=0.9 * Shooter(bow).at(bow.draw_mm).force_n)
    write_recording(tmp_path / "rec", bow, Plan(largest_mm=540.0, pictures=12, seed=31))
    assert main(["measure", str(tmp_path / "rec"), "--no-pictures", "--json", str(tmp_path / "a.json")]) == 0
    said = capsys.readouterr().out
    told = json.loads((tmp_path / "a.json").read_text())
    handle = told["handle"]
    assert (handle["from_mm"], handle["to_mm"]) == (-60.0, 60.0)
    hidden = np.linspace(0.0, 60.0, 61)
    stiff = [np.interp(hidden, limb.s_mm, limb.ei_n_m2) for limb in (bow.left, bow.right)]
    true = float(np.mean([1 / np.mean(1 / ei) for ei in stiff]))
    assert handle["stiffness_n_m2"] == pytest.approx(true, abs=2.5 * handle["stiffness_sd"])
    assert handle["stiffness_sd"] < 0.1 * true
    assert "Handle, 60 mm left to 60 mm right of the pivot" in said
    # without the scatter of the load cell the forecast is within its sd
    braced = told["forecast"]
    assert braced["braced_weight_n"] == pytest.approx(Shooter(bow).at(bow.draw_mm).force_n, abs=3 * braced["sd_n"])
    # a cradle that is narrower, as the rig's file may say, shows more of the limbs
    rig = tmp_path / "rec" / "rig.toml"
    rig.write_text("cradle_half_mm = 30\n" + rig.read_text())
    assert main(["measure", str(tmp_path / "rec"), "--no-pictures", "--json", str(tmp_path / "b.json")]) == 0
    nearer = json.loads((tmp_path / "b.json").read_text())
    assert nearer["limbs"]["left"]["s_mm"][0] == 40.0
    assert nearer["handle"]["stiffness_n_m2"] == pytest.approx(true, abs=2.5 * nearer["handle"]["stiffness_sd"])
    limb = nearer["limbs"]["left"]
    near = np.array(limb["s_mm"]) <= 100.0
    off = np.array(limb["stiffness_n_m2"])[near] - np.interp(
        np.array(limb["s_mm"])[near], bow.left.s_mm, bow.left.ei_n_m2
    )
    assert np.all(np.abs(off) < 3.0 * np.array(limb["stiffness_sd"])[near])
