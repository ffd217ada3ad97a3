"""Sheets to print, true to scale: the board for the lens, the rack's fiducials, the hook's, and those for measuring the rack.

Every sheet carries a 100 mm check bar both ways; the PDF asks the viewer not to scale it, and the bars show whether it obeyed.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor, black
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from tiller.report.sheets.paper import CHECK_MM, PAPERS_MM
from tiller.report.style import INK

LENS_DICTIONARY, RACK_DICTIONARY = "DICT_5X5_50", "DICT_APRILTAG_36h11"
LENS_SQUARES = (9, 6)
LENS_SQUARE_MM, LENS_MARKER_MM = 27.0, 20.0


@dataclass(frozen=True)
class Sheet:
    """One fiducial to a page: its id, side, and what it is for."""

    marker: int
    side_mm: float
    title: str
    text: str


RACK = tuple(
    Sheet(
        k,
        100.0,
        f"rack fiducial {k}",
        "Glue it flat on the board behind the bow, anywhere clear of bow, string and hook; only two or three distances between middles are taped.",
    )
    for k in range(6)
)
HOOK = (
    Sheet(20, 60.0, "hook fiducial", "Glue it on a stiff flat plate that is fixed to the hook and faces the camera."),
)
SEAT = (
    Sheet(
        21,
        40.0,
        "string seat (for calibrating only)",
        "Hang it in the hook so that its middle is where the string will lie, flat to the camera.",
    ),
)
STICK = tuple(
    Sheet(
        k,
        60.0,
        f"stick, {'left' if k == 30 else 'right'} end (for calibrating only)",
        "Glue it on the front of a straight, flat lath some 80 mm wide and 1.6 m long; measure the distance of both middles and their height over its lower edge.",
    )
    for k in (30, 31)
)


WINDING = ((40, 41, "handle"), (42, 43, "nock"))
"""Fiducials of the winding sticks, left and right, and where each lies."""
WINDING_MARKER_MM, WINDING_APART_MM = 40.0, 120.0


def modules(dictionary: str, marker: int) -> NDArray[np.bool_]:
    """Black modules of a marker, its black border included, row by row from the top."""
    found = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    side = int(found.markerSize) + 2
    return np.asarray(cv2.aruco.generateImageMarker(found, marker, side, borderBits=1)) < 128


def _marker(canvas: Canvas, dictionary: str, marker: int, left: float, bottom: float, side: float) -> None:
    """A marker with its lower left corner there; mm."""
    cells = modules(dictionary, marker)
    step = side / len(cells)
    canvas.setFillColor(black)
    for row, line in enumerate(cells):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(int)))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            below = 0.02 if row + 1 < len(cells) and cells[row + 1][a:b].all() else 0.0  # no hairline between rows
            y = bottom + side - (row + 1) * step
            canvas.rect(
                (left + a * step) * mm, (y - below) * mm, (b - a) * step * mm, (step + below) * mm, stroke=0, fill=1
            )


def _check_bars(canvas: Canvas, wide: float, high: float) -> None:
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(HexColor(INK))
    canvas.setLineWidth(0.4)
    y = 6.0
    x = 0.5 * wide - 0.5 * CHECK_MM
    canvas.line(x * mm, y * mm, (x + CHECK_MM) * mm, y * mm)
    for k in range(11):
        tall = 2.4 if k % 5 == 0 else 1.3
        canvas.line((x + 10 * k) * mm, y * mm, (x + 10 * k) * mm, (y + tall) * mm)
    canvas.setFont("Helvetica", 7)
    canvas.drawString((x + CHECK_MM + 2) * mm, (y - 1) * mm, "must be 100 mm (3.94 in)")
    x, y = 6.0, 0.5 * high - 0.5 * CHECK_MM
    canvas.line(x * mm, y * mm, x * mm, (y + CHECK_MM) * mm)
    for k in range(11):
        tall = 2.4 if k % 5 == 0 else 1.3
        canvas.line(x * mm, (y + 10 * k) * mm, (x + tall) * mm, (y + 10 * k) * mm)
    canvas.saveState()
    canvas.translate((x - 1.0) * mm, (y + CHECK_MM + 2) * mm)
    canvas.rotate(90)
    canvas.drawString(0, 0, "must be 100 mm")
    canvas.restoreState()


def _canvas(title: str, paper: str) -> tuple[Canvas, io.BytesIO, float, float]:
    if paper not in PAPERS_MM:
        msg = f"'{paper}' is no paper that is known: use one of {', '.join(PAPERS_MM)}"
        raise ValueError(msg)
    wide, high = PAPERS_MM[paper]
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(wide * mm, high * mm), invariant=1)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setTitle(title)
    return canvas, out, wide, high


def lens_board_points() -> tuple[cv2.aruco.CharucoBoard, float]:
    """The lens board as the picture library knows it, and the height of its chessboard, mm."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, LENS_DICTIONARY))
    board = cv2.aruco.CharucoBoard(LENS_SQUARES, LENS_SQUARE_MM, LENS_MARKER_MM, dictionary)
    return board, LENS_SQUARES[1] * LENS_SQUARE_MM


def lens_sheet(paper: str = "a4") -> bytes:
    """The board for the lens, as PDF."""
    canvas, out, wide, high = _canvas("lens board", paper)
    board, tall = lens_board_points()
    across = LENS_SQUARES[0] * LENS_SQUARE_MM
    left, bottom = 0.5 * (wide - across), 0.5 * (high - tall) - 2.0
    corners = [np.asarray(c, dtype=float).reshape(4, 3) for c in board.getObjPoints()]
    white = {(int(c[:, 0].mean() / LENS_SQUARE_MM), int(c[:, 1].mean() / LENS_SQUARE_MM)) for c in corners}
    canvas.setFillColor(black)
    for column in range(LENS_SQUARES[0]):
        for row in range(LENS_SQUARES[1]):
            if (column, row) not in white:
                x, y = left + column * LENS_SQUARE_MM, bottom + tall - (row + 1) * LENS_SQUARE_MM
                canvas.rect(x * mm, y * mm, LENS_SQUARE_MM * mm, LENS_SQUARE_MM * mm, stroke=0, fill=1)
    for marker, c in zip(np.ravel(board.getIds()), corners, strict=True):
        x, y = left + float(c[:, 0].min()), bottom + tall - float(c[:, 1].max())
        _marker(canvas, LENS_DICTIONARY, int(marker), x, y, LENS_MARKER_MM)
    canvas.setFillColor(HexColor(INK))
    canvas.setFont("Helvetica", 8)
    text = f"Lens board, squares of {LENS_SQUARE_MM:.0f} mm. Print at 100 %, measure both bars, glue it flat on stiff board or glass."
    canvas.drawCentredString(0.5 * wide * mm, (high - 12) * mm, text)
    _check_bars(canvas, wide, high)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def fiducial_sheets(sheets: tuple[Sheet, ...], paper: str = "a4") -> bytes:
    """A page for each fiducial, as PDF."""
    canvas, out, wide, high = _canvas(sheets[0].title, paper)
    for sheet in sheets:
        left, bottom = 0.5 * (wide - sheet.side_mm), 0.5 * (high - sheet.side_mm)
        _marker(canvas, RACK_DICTIONARY, sheet.marker, left, bottom, sheet.side_mm)
        canvas.setStrokeColor(HexColor(INK))
        canvas.setLineWidth(0.3)
        margin = max(10.0, sheet.side_mm / 8)  # the white rim that a marker needs
        canvas.setDash(2, 2)
        canvas.rect(
            (left - margin) * mm,
            (bottom - margin) * mm,
            (sheet.side_mm + 2 * margin) * mm,
            (sheet.side_mm + 2 * margin) * mm,
        )
        canvas.setDash()
        for x, y in ((0.5 * wide, bottom - margin), (0.5 * wide, bottom + sheet.side_mm + margin)):
            canvas.line(x * mm, (y - 2) * mm, x * mm, (y + 2) * mm)
        for x, y in ((left - margin, 0.5 * high), (left + sheet.side_mm + margin, 0.5 * high)):
            canvas.line((x - 2) * mm, y * mm, (x + 2) * mm, y * mm)
        # what stays on it when it is cut out: number, which way is up, its middles
        canvas.setFillColor(HexColor(INK))
        canvas.setFont("Helvetica", 6)
        name = sheet.title.split(" (")[0]
        canvas.drawString(
            (left + 1) * mm, (bottom + sheet.side_mm + margin - 3.2) * mm, f"id {sheet.marker}  ^ up  {name}"
        )
        for x, y in ((0.5 * wide, bottom - margin + 1.2), (0.5 * wide, bottom + sheet.side_mm + margin - 1.2)):
            canvas.line(x * mm, (y - 1.2) * mm, x * mm, (y + 1.2) * mm)
        for x, y in ((left - margin + 1.2, 0.5 * high), (left + sheet.side_mm + margin - 1.2, 0.5 * high)):
            canvas.line((x - 1.2) * mm, y * mm, (x + 1.2) * mm, y * mm)
        canvas.setFont("Helvetica-Bold", 12)
        canvas.drawCentredString(
            0.5 * wide * mm,
            (high - 16) * mm,
            f"{sheet.title}: id {sheet.marker}, side {sheet.side_mm:.0f} mm, this edge up",
        )
        canvas.setFont("Helvetica", 8.5)
        canvas.drawCentredString(0.5 * wide * mm, (high - 22) * mm, sheet.text)
        canvas.drawCentredString(
            0.5 * wide * mm, 15 * mm, "Print at 100 %, measure both bars; leave the white rim up to the dashed line."
        )
        _check_bars(canvas, wide, high)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def winding_sheet(paper: str = "a4") -> bytes:
    """The strips for two winding sticks, as PDF."""
    canvas, out, wide, high = _canvas("winding sticks", paper)
    side, rim = WINDING_MARKER_MM, 9.0
    long, deep = WINDING_APART_MM + side + 2 * rim, side + 2 * rim
    left = 0.5 * (wide - long)
    for k, (one, other, place) in enumerate(WINDING):
        bottom = high - 34.0 - (k + 1) * (deep + 10.0)
        canvas.setStrokeColor(HexColor(INK))
        canvas.setLineWidth(0.3)
        canvas.setDash(2, 2)
        canvas.rect(left * mm, bottom * mm, long * mm, deep * mm)
        canvas.setDash()
        for marker, x in ((one, left + rim), (other, left + rim + WINDING_APART_MM)):
            _marker(canvas, RACK_DICTIONARY, marker, x, bottom + rim, side)
        canvas.setFillColor(HexColor(INK))
        canvas.setFont("Helvetica-Bold", 12)
        canvas.drawCentredString(0.5 * wide * mm, (bottom + 0.5 * deep + 2) * mm, f"at the {place}")
        canvas.setFont("Helvetica", 7)
        canvas.drawCentredString(0.5 * wide * mm, (bottom + 0.5 * deep - 4) * mm, "this edge on the belly")
        canvas.drawCentredString(0.5 * wide * mm, (bottom + 0.5 * deep - 8) * mm, "v")
        canvas.setFont("Helvetica", 6)
        canvas.drawString((left + 1.5) * mm, (bottom + deep - 3.2) * mm, f"ids {one}, {other}  ^ up")
    canvas.setFont("Helvetica-Bold", 12)
    canvas.drawCentredString(0.5 * wide * mm, (high - 16) * mm, "winding sticks")
    canvas.setFont("Helvetica", 8.5)
    for k, line in enumerate(
        (
            "Glue each strip on the face of a straight lath, lower edges flush. Press one across the belly at the handle,",
            "one at the nock, and take the picture from beyond the nock, along the limb, the belly up.",
        )
    ):
        canvas.drawCentredString(0.5 * wide * mm, (high - 22 - 4 * k) * mm, line)
    canvas.drawCentredString(0.5 * wide * mm, 15 * mm, "Print at 100 %, measure both bars.")
    _check_bars(canvas, wide, high)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


SHEETS: dict[str, tuple[Sheet, ...] | Callable[[str], bytes]] = {
    "lens-board": lens_sheet,
    "rack-fiducials": RACK,
    "hook": HOOK,
    "calibration-aids": (*SEAT, *STICK),
    "winding-sticks": winding_sheet,
}
"""Files that ``tiller targets`` writes, without ``.pdf``."""


def sheet_pdf(name: str, paper: str) -> bytes:
    """A sheet by its file's name."""
    sheets = SHEETS[name]
    return fiducial_sheets(sheets, paper) if isinstance(sheets, tuple) else sheets(paper)
