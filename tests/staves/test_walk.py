"""The walk from the log to the sheet, by the commands themselves; its outcome is held against the true bow of the software rack."""

from __future__ import annotations

import os
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.bow.bowfile import read_bow
from tiller.cli.entry import main
from tiller.cli.walk import DRAW_MM, NAME, WEIGHT_N
from tiller.records.book import Book


def test_the_whole_walk(tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = os.environ["TILLER_HOME"]
    assert main(["demo", "--whole", "--folder", str(tmp_path / "walk")]) == 0
    assert os.environ["TILLER_HOME"] == before
    said = capsys.readouterr().out
    for word in (
        "$ tiller stave",
        "$ tiller layout",
        "$ tiller report",
        "$ tiller book taught",
        "scraped:",
        "as foreseen",
    ):
        assert word in said
    assert "beyond this stop" not in said  # no pull went where the tool had said not to go
    place = tmp_path / "walk" / "whole-1"
    pictures = sorted((place / "six").iterdir())
    assert [p.name[:2] for p in pictures] == [f"{k}-" for k in range(1, 7)]
    for path in pictures:
        image = cv2.imread(str(path))
        assert image is not None, path
        assert float(np.std(image)) > 10.0, path
    assert (place / "template.pdf").read_bytes()[:5] == b"%PDF-"
    assert (place / f"{NAME}.pdf").read_bytes()[:5] == b"%PDF-"
    with Book(place / "book.sqlite3") as book:
        pulls = [book.pull(row.pull_id) for row in book.pulls(NAME)]
    assert 5 <= len(pulls) <= 15
    assert sum(p.strokes for p in pulls) > 50
    assert pulls[-1].largest_draw_mm > 0.95 * DRAW_MM
    # what the stave knows has come to the rack: crown, moisture, the knot that is left alone
    bow = read_bow(Path(pulls[-1].folder) / "bow.toml")
    assert bow.crown_radius_mm == pytest.approx(150.0)
    found = re.search(r"moisture ([0-9.]+) ± ([0-9.]+) %", said)
    assert found is not None
    assert bow.moisture_percent == pytest.approx(
        float(found[1]) + float(found[2]), abs=0.11
    )  # to the wet side by its sd
    assert [f.kind for f in bow.left.features] == ["knot"]
    assert any("knot" in a.reason for a in pulls[0].advice.leave_alone or ())
    found = re.search(r"this bow weighs ([0-9.]+) N", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(WEIGHT_N, rel=0.04)  # the worst that a bow tillered by the tool may be off
    # told and true: the last forecast against the true bow, which it never saw
    ahead = pulls[-1].advice.forecast
    assert ahead is not None
    assert ahead.braced_weight_n == pytest.approx(float(found[1]), rel=0.01)
