"""A paper strip true to scale to lay along each limb: zones to chalk, depths, what to leave alone.

Several pages that are glued end to end; each carries a 100 mm check bar both ways. The PDF asks the viewer
not to scale it; the bars show whether it obeyed.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Side
from tiller.bow.units import MM_PER_INCH
from tiller.mechanics.advice.layers import outside
from tiller.mechanics.advice.planned import Plan
from tiller.report.sheets.paper import CHECK_MM, PAPERS_MM
from tiller.report.style import INK, LEFT, RIGHT, WEAK, Units

MARGIN_MM = 14.0
OVERLAP_MM = 8.0
BAND_MM = 38.0


def plan_strip(plan: Plan, bow: Bow, units: Units, paper: str = "a4") -> bytes:
    """The strip as PDF, both limbs on each page.

    Args:
        paper: 'a4' or 'letter'.

    Raises:
        ValueError: another paper.
    """
    if paper not in PAPERS_MM:
        msg = f"'{paper}' is no paper that is known: use one of {', '.join(PAPERS_MM)}"
        raise ValueError(msg)
    wide, high = PAPERS_MM[paper]
    span = wide - 2 * MARGIN_MM - OVERLAP_MM
    pages = math.ceil(max(bow.limb(side).length_mm for side in SIDES) / span)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(wide * mm, high * mm), invariant=1)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setTitle(f"{bow.name}: strip for both limbs")
    for page in range(pages):
        start = page * span
        _head(canvas, plan, units, f"{bow.name}: strip {page + 1} of {pages}", high)
        for row, side in enumerate(SIDES):
            length = bow.limb(side).length_mm
            end = min(length, start + span + OVERLAP_MM)
            _band(
                canvas,
                plan,
                units,
                _Band(
                    side=side, length=length, start=start, end=end, glued=start + span, base=high - 82.0 - 62.0 * row
                ),
            )
        _check_bars(canvas, wide)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _head(canvas: Canvas, plan: Plan, units: Units, title: str, high: float) -> None:
    canvas.setFillColor(HexColor(INK))
    canvas.setFont("Helvetica-Bold", 13)
    canvas.drawString(MARGIN_MM * mm, (high - 16) * mm, title)
    canvas.setFont("Helvetica", 9)
    lines = (
        "Print at 100 %. Measure both check bars: each must be 100 mm (3.94 in). Lay the strip along the back, 0 at the pivot; carry the marks over to the belly; scrape there, 1 first.",
        f"This pass: from {units.force(plan.now_n)} to {units.force(plan.after_pass_n)} at the target draw. Exercise the bow, then measure again before the next pass."
        if any(z.pass_mm > 0 for z in plan.zones)
        else "NOTHING IS TO BE SCRAPED NOW.",
        "A bow can break without warning: eye protection, nobody in the plane of the limbs, pull by the rope from the side; look for cracks and chrysals.",
    )
    for k, line in enumerate(lines):
        canvas.drawString(MARGIN_MM * mm, (high - 22 - 4.6 * k) * mm, line)


@dataclass(frozen=True, kw_only=True)
class _Band:
    """A limb's band on one page, all in mm: from where to where along the limb, where it is glued on, and its lower rim on the paper."""

    side: Side
    length: float
    start: float
    end: float
    glued: float
    base: float

    def at(self, s_mm: float) -> float:
        """A place along the limb, in points across the paper."""
        return (MARGIN_MM + s_mm - self.start) * mm


def _band(canvas: Canvas, plan: Plan, units: Units, band: _Band) -> None:
    side, length, start, end, base, x = band.side, band.length, band.start, band.end, band.base, band.at
    colour = HexColor(LEFT if side == "left" else RIGHT)
    canvas.setFillColor(colour)
    canvas.setFont("Helvetica-Bold", 11)
    canvas.drawString(MARGIN_MM * mm, (base + BAND_MM + 3) * mm, f"{side} limb")
    if start >= length:
        canvas.setFont("Helvetica", 9)
        canvas.drawString((MARGIN_MM + 24) * mm, (base + BAND_MM + 3) * mm, "ends before this page")
        return
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.6)
    canvas.rect(x(start), base * mm, (end - start) * mm, BAND_MM * mm)
    _layers(canvas, plan, units, band)
    for gap in plan.left_alone:
        a, b = max(gap.from_mm, start), min(gap.to_mm, end)
        if gap.limb != side or b <= a:
            continue
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(x(a), base * mm, (b - a) * mm, BAND_MM * mm)
        canvas.clipPath(clip, stroke=1)
        canvas.setStrokeColor(HexColor(WEAK))
        canvas.setLineWidth(0.5)
        for k in range(-10, int((b - a) / 4) + 2):
            canvas.line(x(a + 4 * k), base * mm, x(a + 4 * k + BAND_MM), (base + BAND_MM) * mm)
            canvas.line(x(a + 4 * k + BAND_MM), base * mm, x(a + 4 * k), (base + BAND_MM) * mm)
        canvas.restoreState()
        canvas.setFillColor(HexColor("#ffffff"))
        label = "LEAVE ALONE"
        size = min(10.0, max(4.0, (b - a) * mm / (0.8 * len(label))))
        middle = 0.5 * (x(a) + x(b))
        canvas.rect(
            middle - 0.33 * len(label) * size, (base + 17) * mm, 0.66 * len(label) * size, 7 * mm, stroke=0, fill=1
        )
        canvas.setFillColor(HexColor(WEAK))
        canvas.setFont("Helvetica-Bold", size)
        canvas.drawCentredString(middle, (base + 19) * mm, label)
    _ruler(canvas, units, band)
    for edge in (start, band.glued):
        if edge <= 0 or edge > length:
            continue
        canvas.setDash(2, 2)
        canvas.setStrokeColor(HexColor(INK))
        canvas.line(x(edge), (base - 5) * mm, x(edge), (base + BAND_MM + 2) * mm)
        canvas.setDash()
        canvas.setFont("Helvetica", 7)
        canvas.setFillColor(HexColor(INK))
        canvas.drawCentredString(x(edge), (base - 7.5) * mm, "glue here" if edge > start else "lay on here")
    if start <= length <= band.glued + OVERLAP_MM:
        canvas.setFillColor(HexColor(INK))
        canvas.setFont("Helvetica-Bold", 9)
        _upright(canvas, x(length) - 3, base + 8, "nock")


def _upright(canvas: Canvas, x: float, y_mm: float, text: str) -> None:
    """Text that runs upward, at x in points and y in mm."""
    canvas.saveState()
    canvas.translate(x, y_mm * mm)
    canvas.rotate(90)
    canvas.drawString(0, 0, text)
    canvas.restoreState()


def _layers(canvas: Canvas, plan: Plan, units: Units, band: _Band) -> None:
    """The pass as brackets, one under the other: the first layer on top, in it the ones that lie in it."""
    side, start, end, base, at = band.side, band.start, band.end, band.base, band.at
    laid = [o for o in plan.layers if o.limb == side]
    if not laid:
        return
    depths = [len(outside(laid, k)) for k in range(len(laid))]
    row = min(6.5, (BAND_MM - 8.0) / (max(depths) + 1))
    canvas.setLineWidth(1.1)
    for number, (layer, level) in enumerate(zip(laid, depths, strict=True), 1):
        a, b = max(layer.from_mm, start), min(layer.to_mm, end)
        if b <= a:
            continue
        y = base + BAND_MM - 2.0 - row * (level + 0.5)
        canvas.setStrokeColor(HexColor(LEFT if side == "left" else RIGHT))
        canvas.line(at(a), y * mm, at(b), y * mm)
        for place, real in ((a, layer.from_mm), (b, layer.to_mm)):
            if place == real:
                canvas.line(at(place), (y - 0.42 * row) * mm, at(place), (y + 0.42 * row) * mm)
        text = f"{number}: {units.depth(layer.depth_mm)}"
        size = min(10.0, 2.2 * row)
        wide = 0.55 * size * len(text)
        if wide > at(b) - at(a) - 4:
            continue
        middle = 0.5 * (at(a) + at(b))
        canvas.setFillColor(HexColor("#ffffff"))
        canvas.rect(middle - 0.5 * wide - 2, (y - 0.4 * row) * mm, wide + 4, 0.8 * row * mm, stroke=0, fill=1)
        canvas.setFillColor(HexColor(LEFT if side == "left" else RIGHT))
        canvas.setFont("Helvetica-Bold", size)
        canvas.drawCentredString(middle, y * mm - 0.35 * size, text)


def _ruler(canvas: Canvas, units: Units, band: _Band) -> None:
    start, end, base, x = band.start, band.end, band.base, band.at
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(HexColor(INK))
    canvas.setFont("Helvetica", 7)
    canvas.setLineWidth(0.4)
    step = 10.0 if units.metric else 0.25 * MM_PER_INCH
    every = 5 if units.metric else 4
    for k in range(math.ceil(start / step), int(end / step) + 1):
        tall = 5.0 if k % every == 0 else 2.5
        canvas.line(x(k * step), base * mm, x(k * step), (base + tall) * mm)
        if k % every == 0:
            text = f"{k * step:.0f}" if units.metric else f"{k // every} in"
            canvas.drawCentredString(x(k * step), (base - 3.2) * mm, text)


def _check_bars(canvas: Canvas, wide: float) -> None:
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(HexColor(INK))
    canvas.setLineWidth(0.8)
    y, x0 = 12.0, MARGIN_MM
    canvas.line(x0 * mm, y * mm, (x0 + CHECK_MM) * mm, y * mm)
    for end in (x0, x0 + CHECK_MM):
        canvas.line(end * mm, (y - 3) * mm, end * mm, (y + 3) * mm)
    canvas.setFont("Helvetica", 8)
    canvas.drawString((x0 + 3) * mm, (y + 1.5) * mm, "check: 100 mm between the end strokes")
    right = wide - 8.0
    canvas.line(right * mm, y * mm, right * mm, (y + CHECK_MM) * mm)
    for end in (y, y + CHECK_MM):
        canvas.line((right - 3) * mm, end * mm, (right + 3) * mm, end * mm)
    canvas.saveState()
    canvas.translate((right - 1.5) * mm, (y + 30) * mm)
    canvas.rotate(90)
    canvas.drawString(0, 0, "check: 100 mm")
    canvas.restoreState()
