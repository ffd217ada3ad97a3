"""Printed sheets: rendered by poppler at 600 dpi, found by the picture library, measured. Paper: ISO 216, ANSI/ASME Y14.1."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.cli.entry import main
from tiller.report.sheets.targets import (
    CHECK_MM,
    LENS_SQUARE_MM,
    LENS_SQUARES,
    PAPERS_MM,
    RACK_DICTIONARY,
    SHEETS,
    lens_board_points,
    sheet_pdf,
)

MM_PER_PIXEL = 25.4 / 600


def pages(pdf: bytes, tmp: Path) -> list[np.ndarray]:
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not on this machine")
    file = tmp / "sheet.pdf"
    file.write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", "600", "-gray", str(file), str(tmp / "page")], check=True)
    return [cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for p in sorted(tmp.glob("page*.pgm"))]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", ["rack-fiducials", "hook", "calibration-aids"])
def test_fiducials_are_true_to_scale(tmp_path: Path, name: str, paper: str) -> None:
    pdf = sheet_pdf(name, paper)
    assert b"/PrintScaling /None" in pdf
    images = pages(pdf, tmp_path)
    sheets = SHEETS[name]
    assert sheets is not None
    assert len(images) == len(sheets)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, RACK_DICTIONARY)))
    for image, sheet in zip(images, sheets, strict=True):
        wide, high = PAPERS_MM[paper]
        assert image.shape[1] * MM_PER_PIXEL == pytest.approx(wide, abs=0.1)
        assert image.shape[0] * MM_PER_PIXEL == pytest.approx(high, abs=0.1)
        half = cv2.resize(image, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        corners, ids, _ = detector.detectMarkers(half)
        assert ids is not None
        assert np.ravel(ids).tolist() == [sheet.marker]
        rough = np.asarray(corners[0], dtype=np.float32).reshape(-1, 1, 2) * 4 + 1.5
        fine = cv2.cornerSubPix(
            image,
            np.ascontiguousarray(rough),
            (20, 20),
            (-1, -1),
            (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-3),
        ).reshape(4, 2)
        for k in range(4):
            side = float(np.linalg.norm(fine[k] - fine[(k + 1) % 4])) * MM_PER_PIXEL
            assert side == pytest.approx(sheet.side_mm, abs=0.05)
        assert fine[0][0] < fine[1][0]  # as it stands: its own top left is the page's
        assert fine[0][1] < fine[3][1]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_lens_board_and_its_bars(tmp_path: Path, paper: str) -> None:
    image = pages(sheet_pdf("lens-board", paper), tmp_path)[0]
    board, _ = lens_board_points()
    corners, ids, *_ = cv2.aruco.CharucoDetector(board).detectBoard(
        cv2.resize(image, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    )
    assert ids is not None
    assert len(ids) == (LENS_SQUARES[0] - 1) * (LENS_SQUARES[1] - 1)
    rough = np.asarray(corners, dtype=np.float32).reshape(-1, 1, 2) * 4 + 1.5
    fine = cv2.cornerSubPix(
        image,
        np.ascontiguousarray(rough),
        (30, 30),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-3),
    ).reshape(-1, 2)
    where = np.asarray(board.getChessboardCorners())[np.ravel(ids)][:, :2]
    gaps = np.linalg.norm(fine[1:] - fine[:-1], axis=1) * MM_PER_PIXEL
    wanted = np.linalg.norm(where[1:] - where[:-1], axis=1)
    assert gaps == pytest.approx(wanted, abs=0.05)
    assert LENS_SQUARE_MM in wanted.round(6)
    # the check bar along the lower edge: first and last tick
    low = image[-round(8 / MM_PER_PIXEL) : -round(6.2 / MM_PER_PIXEL)]
    ticks = np.flatnonzero(np.min(low, axis=0) < 120)
    middle = ticks[np.abs(ticks - image.shape[1] / 2) < 52 / MM_PER_PIXEL]
    assert (middle.max() - middle.min()) * MM_PER_PIXEL == pytest.approx(CHECK_MM, abs=0.3)


def test_the_command_writes_all_sheets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["targets", str(tmp_path / "sheets"), "--paper", "letter"]) == 0
    assert sorted(p.name for p in (tmp_path / "sheets").iterdir()) == sorted(f"{n}-letter.pdf" for n in SHEETS)
    assert "100 mm" in capsys.readouterr().out
    (tmp_path / "file").write_text("")
    assert main(["targets", str(tmp_path / "file" / "x")]) == 2
    with pytest.raises(ValueError, match="no paper"):
        sheet_pdf("hook", "a5")
