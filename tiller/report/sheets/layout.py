"""A bow laid out: the table for the bench, a picture, and a half-width template true to scale."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair
from tiller.bow.units import MM_PER_INCH
from tiller.mechanics.wood.layout import Layout
from tiller.mechanics.wood.place import Shape
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.sheets.paper import CHECK_MM, PAPERS_MM
from tiller.report.style import AIM, INK, LEFT, METRIC, RIGHT, Units

Array = NDArray[np.float64]
MARGIN_MM, OVERLAP_MM = 14.0, 8.0
OWN_MODULUS_SD = 0.05
"""Relative sd of a modulus that was measured on a piece of the same wood (common practice, no source)."""


def layout_words(laid: Layout, allowance: float, modulus_sd: float, units: Units = METRIC) -> str:
    """Widths and thicknesses by inch or every 50 mm: what to saw and plane to, and what it shall be in the end."""
    step = 50.0 if units.metric else 2 * MM_PER_INCH
    digits, fine = (1, 1) if units.metric else (2, 3)
    out = [
        f"{'from pivot':>12s} {'width':>9s} {'rough out to':>13s} {'in the end':>11s} {'strain':>8s}   [{units.length_unit}; both limbs alike]"
    ]
    for s in np.arange(0.0, float(laid.s_mm[-1]) + 1.0, step):
        w, t, e = (float(np.interp(s, laid.s_mm, v)) for v in (laid.width_mm, laid.thickness_mm, laid.strain))
        cells = [units.length_value(v) for v in (s, w, t * (1 + allowance), t)]
        out.append(
            f"{cells[0]:12.{0 if units.metric else 1}f} {cells[1]:9.{digits}f} {cells[2]:13.{fine}f} {cells[3]:11.{fine}f} {100 * e:7.2f}%"
        )
    spread = modulus_sd * laid.weight_n
    out.append(
        f"cut to 'in the end' it weighs {units.force(laid.weight_n)} ± {units.force(spread)} at full draw, as its own modulus is ({100 * modulus_sd:.0f} %"
        f" from piece to piece); tillered to its weight the strain is {100 * laid.level:.2f} ± {100 * laid.level * modulus_sd / 3:.2f} %, uneven by"
        f" {100 * laid.uneven:.1f} % rms; string {units.length(laid.string_mm)}"
    )
    # thicker by the allowance it pulls (1 + allowance)^3 as much: wood that is softer than that cannot reach the weight any more
    enough = float(ndtr((1 - (1 + allowance) ** -3) / modulus_sd))
    out.append(
        f"{100 * allowance:.0f} % of thickness are left for tillering: {100 * enough:.0f} of 100 such pieces of wood then reach the weight; the others are too soft."
        " Leave more, or measure a first piece of the same tree."
    )
    return "\n".join(out)


def layout_plot(laid: Layout, allowance: float, title: str, units: Units = METRIC) -> bytes:
    """Half width, thickness and strain along a limb, under a title."""
    figure = new_figure(9.0, 5.2)
    x = np.array([units.length_value(float(s)) for s in laid.s_mm])
    top = figure.add_axes((0.1, 0.56, 0.78, 0.34))
    dress(top)
    half = np.array([units.length_value(float(w)) for w in 0.5 * laid.width_mm])
    top.fill_between(x, -half, half, color=LEFT, alpha=0.25, linewidth=0)
    top.plot(x, half, color=LEFT)
    top.plot(x, -half, color=LEFT)
    top.set_ylabel(f"half width [{units.length_unit}]", color=INK)
    low = figure.add_axes((0.1, 0.12, 0.78, 0.34))
    dress(low)
    thick = np.array([units.length_value(float(t)) for t in laid.thickness_mm])
    low.plot(x, thick * (1 + allowance), color=AIM, linestyle="--", label="rough out to")
    low.plot(x, thick, color=LEFT, label="in the end")
    low.set_ylim(0, None)
    low.set_xlabel(f"from the pivot [{units.length_unit}]", color=INK)
    low.set_ylabel(f"thickness [{units.length_unit}]", color=INK)
    other = low.twinx()
    other.plot(x, 100 * laid.strain, color=RIGHT, label="strain")
    other.set_ylim(0, None)
    for side in ("top", "left", "bottom"):
        other.spines[side].set_visible(False)
    other.spines["right"].set_color(RIGHT)
    other.tick_params(colors=RIGHT, labelsize=9)
    other.set_ylabel("strain [%]", color=RIGHT)
    low.legend(frameon=False, fontsize=8, loc="lower left", ncols=2)
    figure.text(
        0.1,
        0.94,
        title,
        color=INK,
        fontsize=12,
        fontweight="bold",
    )
    return png(figure)


HALF_WORDS = (
    "Print at 100 %, measure both check bars: 100 mm. Cut along the curve; lay the straight edge on the stave's own centre line,",
    "section by section where the stave bends, and turn it over for the other half. 0 is the pivot, the middle of the handle.",
)
BENT_WORDS = (
    "Print at 100 %, measure both check bars: 100 mm. Join the sheets at their rulers; lay the straight line under one stretched from pivot to",
    "nock on the stave; the curve in the middle must lie on the stave's centre. Rulers run along the straight line; 0 is the pivot.",
)
MOST_OFF_MM = 60.0
"""So far from the straight the template's paper takes a stave's centre line."""


@dataclass(frozen=True)
class Edges:
    """What a template draws, all (n,) mm: x along the straight from the pivot, and what stands off it: centre line and both edges.

    Attributes:
        s_mm: along the centre line; lower_mm is the centre line itself where only half the width is drawn.
    """

    x_mm: Array
    s_mm: Array
    centre_mm: Array
    upper_xy: Array
    lower_xy: Array


def edges_along(s_mm: Array, width_mm: Array, centre: tuple[Array, Array] | None) -> Edges:
    """The limb's edges along a straight or bent centre line.

    Args:
        s_mm, width_mm: (k,) widths along the limb.
        centre: places (n,) along a line stretched from the pivot to the nock, and how far the stave's centre stands off it there,
            mm; between them a smooth curve without overshoot (scipy's PCHIP). None: straight, and half the width only.

    Raises:
        ValueError: places that do not rise, or a centre line farther off than the paper is wide.
    """
    length = float(s_mm[-1])
    if centre is None:
        x = np.append(np.arange(0.0, length, 2.0), length)
        half = 0.5 * np.interp(x, s_mm, width_mm)
        flat = np.zeros_like(x)
        return Edges(x, x, flat, np.column_stack([x, half]), np.column_stack([x, flat]))
    at, off = centre
    if len(at) < 2 or np.any(np.diff(at) <= 0) or at[0] > 0 or at[-1] < 0.98 * length:
        msg = "places along the centre line must rise from 0 to the nock, such as 0:0,300:6,600:-4,880:0"
        raise ValueError(msg)
    if float(np.max(np.abs(off))) > MOST_OFF_MM:
        msg = f"the centre line stands off by {np.max(np.abs(off)):.0f} mm, at most {MOST_OFF_MM:.0f} mm fit the paper: stretch the line otherwise"
        raise ValueError(msg)
    curve = PchipInterpolator(at, off, extrapolate=True)
    x = np.append(np.arange(0.0, length, 2.0), length)
    slope = np.asarray(curve(x, 1), dtype=float)
    steps = 0.5 * (np.hypot(1, slope[1:]) + np.hypot(1, slope[:-1])) * np.diff(x)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    inside = s <= length
    x, s, slope = x[inside], s[inside], slope[inside]
    line = np.column_stack([x, np.asarray(curve(x), dtype=float)])
    normal = np.column_stack([-slope, np.ones_like(slope)]) / np.hypot(1, slope)[:, None]
    half = 0.5 * np.interp(s, s_mm, width_mm)[:, None]
    upper, lower = line + half * normal, line - half * normal
    if np.any(np.diff(upper[:, 0]) <= 0) or np.any(np.diff(lower[:, 0]) <= 0):
        msg = "the centre line bends so sharply that the edges would cross: check its places and offsets"
        raise ValueError(msg)
    return Edges(x, s, line[:, 1], upper, lower)


def template(laid: Layout, name: str, paper: str = "a4", centre: tuple[Array, Array] | None = None) -> bytes:
    """Half the width of a limb true to scale, page after page; with ``centre`` both edges along the stave's own bent centre line.

    Raises:
        ValueError: no such paper, or as ``edges_along``.
    """
    out, canvas = _sheets(name, paper)
    what = "half width of a limb" if centre is None else "a limb along the stave's own centre line"
    _limb_pages(canvas, edges_along(laid.s_mm, laid.width_mm, centre), f"{name}: {what}", paper, centre is None)
    canvas.save()
    return out.getvalue()


def bow_template(bow: Bow, paper: str = "a4") -> bytes:
    """Half the width of both limbs of a bow, as its file has them, likewise: to lay its outline out on another stave, or to true it up.

    Raises:
        ValueError: no such paper.
    """
    out, canvas = _sheets(bow.name, paper)
    for side in SIDES:
        limb = bow.limb(side)
        s = np.append(np.arange(0.0, limb.length_mm, 5.0), limb.length_mm)
        shape = edges_along(s, np.asarray(limb.width_at(s), dtype=float), None)
        _limb_pages(
            canvas,
            shape,
            f"{bow.name}, {side} limb: half width (handle and fade as wide as the first station)",
            paper,
            True,
        )
    canvas.save()
    return out.getvalue()


def placed_template(
    shape: Shape, centres: Pair[tuple[Array, Array]], lengths_mm: Pair[float], name: str, paper: str = "a4"
) -> bytes:
    """Both limbs of a bow that was laid into a stave, their edges along its own centre line.

    Raises:
        ValueError: no such paper, or as ``edges_along``.
    """
    out, canvas = _sheets(name, paper)
    for side in SIDES:
        s = np.linspace(0.0, lengths_mm[side], len(shape.s_mm))
        edges = edges_along(s, shape.width_mm, centres[side])
        _limb_pages(canvas, edges, f"{name}: {side} limb along the stave's own centre line", paper, False)
    canvas.save()
    return out.getvalue()


def _sheets(name: str, paper: str) -> tuple[io.BytesIO, Canvas]:
    """An empty document that is printed true to scale.

    Raises:
        ValueError: no such paper.
    """
    if paper not in PAPERS_MM:
        msg = f"'{paper}' is no paper that is known: use one of {', '.join(PAPERS_MM)}"
        raise ValueError(msg)
    wide, high = PAPERS_MM[paper]
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(wide * mm, high * mm), invariant=1)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setTitle(f"{name}: template")
    return out, canvas


def _limb_pages(canvas: Canvas, shape: Edges, title: str, paper: str, straight: bool) -> None:
    """One limb, page after page."""
    wide, high = PAPERS_MM[paper]
    span = wide - 2 * MARGIN_MM - OVERLAP_MM
    length = float(shape.x_mm[-1])
    pages = math.ceil(length / span)
    lines = HALF_WORDS if straight else BENT_WORDS
    for page in range(pages):
        start = page * span
        end = min(length, start + span + OVERLAP_MM)
        base = 0.45 * high if straight else 0.5 * high
        canvas.setFillColor(HexColor(INK))
        canvas.setFont("Helvetica-Bold", 12)
        canvas.drawString(MARGIN_MM * mm, (high - 18) * mm, f"{title}, sheet {page + 1} of {pages}")
        canvas.setFont("Helvetica", 9)
        for row, text in enumerate(lines):
            canvas.drawString(MARGIN_MM * mm, (high - 25 - 4.6 * row) * mm, text)
        canvas.setStrokeColor(HexColor(INK))
        canvas.setLineWidth(0.6)
        canvas.line(MARGIN_MM * mm, base * mm, (MARGIN_MM + end - start) * mm, base * mm)
        canvas.saveState()
        frame = canvas.beginPath()
        frame.rect(MARGIN_MM * mm, 0, (end - start) * mm, high * mm)
        canvas.clipPath(frame, stroke=0)
        drawn = [(shape.upper_xy, LEFT, 1.0)]
        if not straight:
            drawn += [(shape.lower_xy, LEFT, 1.0), (np.column_stack([shape.x_mm, shape.centre_mm]), AIM, 0.6)]
        for points, colour, thick in drawn:
            near = points[(points[:, 0] >= start - 20) & (points[:, 0] <= end + 20)]
            line = canvas.beginPath()
            for number, (a, b) in enumerate(near.tolist()):
                (line.moveTo if number == 0 else line.lineTo)((MARGIN_MM + a - start) * mm, (base + b) * mm)
            canvas.setStrokeColor(HexColor(colour))
            canvas.setLineWidth(thick)
            canvas.drawPath(line)
        canvas.restoreState()
        canvas.setStrokeColor(HexColor(INK))
        canvas.setLineWidth(0.4)
        canvas.setFont("Helvetica", 7)
        ruler = base if straight else base - MOST_OFF_MM - 6.0  # clear of the edges
        canvas.line(MARGIN_MM * mm, ruler * mm, (MARGIN_MM + end - start) * mm, ruler * mm)
        for tick in np.arange(math.ceil(start / 10) * 10, end + 0.01, 10):
            at = MARGIN_MM + float(tick) - start
            tall = 4.0 if tick % 50 == 0 else 2.0
            canvas.line(at * mm, ruler * mm, at * mm, (ruler - tall) * mm)
            if tick % 50 == 0:
                canvas.drawCentredString(at * mm, (ruler - 8) * mm, f"{tick:.0f}")
        x = 0.5 * wide - 0.5 * CHECK_MM
        canvas.line(x * mm, 12 * mm, (x + CHECK_MM) * mm, 12 * mm)
        canvas.line(8 * mm, 40 * mm, 8 * mm, (40 + CHECK_MM) * mm)
        for k in (0.0, CHECK_MM):
            canvas.line((x + k) * mm, 10.5 * mm, (x + k) * mm, 13.5 * mm)
            canvas.line(6.5 * mm, (40 + k) * mm, 9.5 * mm, (40 + k) * mm)
        canvas.drawString((x + CHECK_MM + 2) * mm, 11 * mm, "must be 100 mm (3.94 in), as the upright one")
        canvas.showPage()
