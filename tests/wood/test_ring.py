"""Rings that are cut on a back: rendered backs by grazing light with known lines and islands; what is no such picture; by command and at the shop's question."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.shop.test_stave_page import Scripted
from tiller.cli.entry import main
from tiller.errors import VisionFault
from tiller.records.book import Book
from tiller.records.wood.findings import findings_of
from tiller.report.style import Units
from tiller.report.text.wood import ring_words
from tiller.setup.guided.talk import run
from tiller.setup.wood.jobs import wood_job
from tiller.simulate.wood.back import paint_back
from tiller.vision.stave.ringlines import RingLines, ring_lines


@pytest.mark.parametrize("seed", range(6))
def test_lines_are_where_rings_are_cut(seed: int) -> None:
    back = paint_back(seed, bulge=seed % 2 == 0)
    seen = ring_lines(back.image)
    grown = cv2.dilate(seen.mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    near = cv2.dilate(back.lines.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    assert np.mean(grown[back.lines]) > 0.95
    assert np.mean(near[seen.mask]) > 0.9
    if back.bulge_px is None:
        assert not seen.islands
    else:
        x, y = back.bulge_px
        assert any(i.x <= x <= i.x + i.width and i.y <= y <= i.y + i.height for i in seen.islands)


def test_a_plain_back_has_no_line_and_is_not_called_whole() -> None:
    rng = np.random.default_rng(0)
    fibres = cv2.GaussianBlur(rng.normal(0, 1, (400, 1200)).astype(np.float32), (0, 0), sigmaX=25, sigmaY=0.8) * 60
    plain = np.clip(170 + fibres[..., None] + rng.normal(0, 3, (400, 1200, 3)), 0, 255).astype(np.uint8)
    seen = ring_lines(plain)
    assert np.mean(seen.mask) < 0.01
    none = ring_words(RingLines(np.zeros((2, 2), dtype=bool), (), 0))
    assert "says nothing of the back being one ring" in none[0]
    assert any("not called whole" in line for line in ring_words(ring_lines(paint_back(0, True).image)))


def test_pictures_that_show_no_back() -> None:
    with pytest.raises(VisionFault, match="too small"):
        ring_lines(np.full((100, 200, 3), 128, np.uint8))
    with pytest.raises(VisionFault, match="too dark"):
        ring_lines(np.full((400, 800, 3), 3, np.uint8))
    with pytest.raises(VisionFault, match="too light"):
        ring_lines(np.full((400, 800, 3), 252, np.uint8))


def test_by_command_and_by_question(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stave", "dry ford", "--wood", "white oak"]) == 0
    with Book(home / "book.sqlite3"):
        pass
    picture, drawn = tmp_path / "back.png", tmp_path / "drawn.png"
    cv2.imwrite(str(picture), paint_back(0, True).image)
    assert main(["ring", str(picture), "--drawn", str(drawn), "--stave", "dry ford"]) == 0
    assert "framed" in capsys.readouterr().out
    assert drawn.is_file()
    talk = Scripted(("r", str(tmp_path), str(picture)), True)
    run(wood_job(home, home / "book.sqlite3", "dry ford", Units()), talk).join(60.0)
    assert talk.moment.good, talk.moment.fault
    assert "a folder" in talk.faults[0]
    assert talk.moment.picture is not None
    with Book(home / "book.sqlite3") as shop:
        rows = findings_of(shop, "dry ford")
    assert [row.kind for row in rows] == ["ring", "ring"]
    assert rows[0].figures[1].value >= 1.0
    assert main(["ring", str(picture), "--drawn", str(drawn), "--stave", "nobody"]) == 2
    assert "begins one" in capsys.readouterr().err
