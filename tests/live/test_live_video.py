"""An independent rig's live session, picture by picture without a clock: when the bow is known, what draw is shown, where the overlay lies.

The overlay is held against the rig's own camera and centrelines, in the picture, so that errors of tape and caliper in rig.toml do not count: they
shift line and limb alike.
"""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.bow.bowfile import parse_bow
from tiller.bow.rigfile import parse_rig
from tiller.bow.sides import SIDES
from tiller.live.frame_analysis import Analyst
from tiller.sources.interfaces import Shot

OFF_MM = 3.0


def sessions(shared: Path) -> list[Path]:
    found = sorted(p for p in (shared / "live").iterdir() if (p / "video.mp4").is_file())
    assert found
    return found


@pytest.mark.shared
def test_the_session_as_its_camera_sees_it(shared: Path) -> None:
    for folder in sessions(shared):
        truth = json.loads((folder / "truth.json").read_text())
        with (folder / "frames.csv").open(newline="") as file:
            times = [float(row["t_s"]) for row in csv.DictReader(file)]
        bow = parse_bow(tomllib.loads((folder / "bow.toml").read_text()))
        analyst = Analyst(bow, parse_rig(tomllib.loads((folder / "rig.toml").read_text())))
        camera = truth["camera_true"]
        matrix, lens = np.array(camera["K"], dtype=float), np.array(camera["dist"])
        turn, place = cv2.Rodrigues(np.array(camera["R"]))[0], np.array(camera["t"])
        mm_per_px = place[2] / matrix[0, 0]

        def pixels(line: np.ndarray, plane: float, *pose: np.ndarray) -> np.ndarray:
            solid = np.column_stack([line, np.full(len(line), plane)]).reshape(-1, 1, 3)
            return cv2.projectPoints(solid, *pose)[0].reshape(-1, 2)

        film = cv2.VideoCapture(str(folder / "video.mp4"))
        known_s, laid_s, off, gaps, shown = np.nan, np.nan, [], [], 0
        for number, (t, frame) in enumerate(zip(times, truth["frames"], strict=True)):
            _, image = film.read()
            looked = analyst.look(Shot(np.asarray(image, dtype=np.uint8), t, number))
            there = bool(frame["centreline"])
            laid_s = t if there and np.isnan(laid_s) else laid_s
            known_s = t if analyst.models and np.isnan(known_s) else known_s
            assert there or not looked.lines
            if looked.lines:
                shown += 1
                for side in SIDES:
                    c = frame["centreline"][side]
                    line = np.column_stack([c["x_mm"], c["y_mm"]]) if isinstance(c, dict) else np.array(c)
                    true = pixels(line, truth["bow_plane_z_true_mm"], turn, place, matrix, lens)
                    fine = np.column_stack(
                        [np.interp(np.arange(0, len(true) - 1, 0.1), np.arange(len(true)), true[:, k]) for k in (0, 1)]
                    )
                    mine = analyst.to_pixels(looked.lines[side][~looked.hidden[side]])
                    off += list(mm_per_px * np.linalg.norm(mine[:, None] - fine[None], axis=2).min(axis=1))
            if frame["phase"] == "hold" and np.isfinite(looked.draw_mm):
                gaps.append(looked.draw_mm - frame["draw_mm"])
        assert known_s - laid_s < 3.0
        assert shown > 0.95 * sum(1 for t in times if t > known_s)
        assert np.sqrt(np.mean(np.square(gaps))) < 1.0
        assert len(gaps) > 0.9 * sum(1 for f in truth["frames"] if f["phase"] == "hold")
        assert np.mean(np.array(off) > OFF_MM) < 0.01
