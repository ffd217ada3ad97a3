"""Plots of a measured pull: strain along the limbs, force against draw. Fixed figure sizes, no pyplot."""

from __future__ import annotations

import io
import warnings

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM
from tiller.mechanics.fit.results import PullResult
from tiller.report.style import AIM, COLOUR, FAINT, HATCH, INK, LEFT, METRIC, PAPER, RIGHT, Units, draw_and_force

RC = {"font.size": 10.0}

matplotlib.rcParams["text.parse_math"] = False  # a name with dollar signs in it is a name
warnings.filterwarnings(
    "ignore", message=r"Glyph .* missing"
)  # such a letter is drawn as a box; a line on the terminal helps nobody


def new_figure(width_in: float, height_in: float) -> Figure:
    """A figure of fixed size on our paper."""
    figure = Figure(figsize=(width_in, height_in), dpi=110, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def dress(axes: Axes) -> None:
    """Our axes: no top and right line, faint grid."""
    axes.set_facecolor(PAPER)
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    for name in ("left", "bottom"):
        axes.spines[name].set_color(INK)
    axes.tick_params(colors=INK, labelsize=9)
    axes.grid(True, color=FAINT, linewidth=0.5, alpha=0.6)
    axes.set_axisbelow(True)


def png(figure: Figure) -> bytes:
    """The figure as PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", facecolor=PAPER, pil_kwargs={"compress_level": 1})
    return out.getvalue()


def limb_plot(result: PullResult, units: Units = METRIC) -> bytes:
    """Strain at the back along both limbs with its band, the aim, and the marks, as PNG.

    The left limb runs to the left of the pivot, the right one to the right, as the camera sees them.
    """
    figure = new_figure(11.0, 5.0)
    axes = figure.add_axes((0.075, 0.13, 0.905, 0.72))
    dress(axes)
    top = 0.0
    for limb, sign, colour in ((result.left, -1.0, LEFT), (result.right, 1.0, RIGHT)):
        x = np.array([sign * units.length_value(s) for s in limb.s_mm])
        y, sd = 100 * limb.strain, 100 * limb.strain_sd
        axes.fill_between(x, y - 2 * sd, y + 2 * sd, color=colour, alpha=0.13, linewidth=0)
        axes.fill_between(x, y - sd, y + sd, color=colour, alpha=0.25, linewidth=0)
        axes.plot(x, y, color=colour, linewidth=2.0, label=f"{limb.side} limb, with 1 and 2 sd")
        working = np.isfinite(limb.departure)
        if np.any(working) and np.isfinite(limb.aim):
            wanted = limb.strain[working] / (1.0 + limb.departure[working])
            axes.plot(
                x[working],
                100 * wanted,
                color=AIM,
                linewidth=1.4,
                linestyle=(0, (6, 3)),
                label="wanted strain of that limb" if sign > 0 else None,
            )
        if np.any(np.isfinite(y)):
            top = max(top, float(np.nanpercentile(y + sd, 99)))
    top = 1.28 * top if top > 0 else 1.0
    axes.set_ylim(0, top)
    for limb, sign in ((result.left, -1.0), (result.right, 1.0)):
        for number, mark in enumerate(limb.marks):
            ends = sorted(sign * units.length_value(v) for v in (mark.from_mm, mark.to_mm))
            axes.axvspan(
                ends[0],
                ends[1],
                facecolor="none",
                edgecolor=COLOUR[mark.kind],
                hatch=HATCH[mark.kind],
                alpha=0.65,
                linewidth=1.2,
                zorder=1,
            )
            level = 0.985 - 0.075 * (number % 2)
            axes.text(
                0.5 * sum(ends),
                level * top,
                f"{mark.kind} {100 * mark.departure:+.0f} %",
                color=COLOUR[mark.kind],
                ha="center",
                va="top",
                fontweight="bold",
                fontsize=9.5,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
            )
    axes.axvline(0, color=INK, linewidth=0.8)
    axes.set_xlabel(f"along the back from the pivot, {units.length_unit}   (left limb | right limb)", color=INK)
    axes.set_ylabel("strain at the back, %", color=INK)
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    axes.legend(
        loc="lower center", ncols=3, facecolor=PAPER, edgecolor="none", framealpha=0.92, fontsize=9, labelcolor=INK
    )
    draw = result.pictures[result.largest]
    figure.text(
        0.075,
        0.94,
        f"{result.bow}: strain at a draw of {draw_and_force(draw, units)}",
        color=INK,
        fontsize=13,
        fontweight="bold",
        va="center",
    )
    figure.text(0.075, 0.885, _balance_words(result, units), color=INK, fontsize=9.5, va="center")
    return png(figure)


def _balance_words(result: PullResult, units: Units) -> str:
    size, sd = 100 * result.off_balance, 100 * result.balance_sd
    if not np.isfinite(size):
        sentence = "Balance of the limbs unknown."
    elif abs(size) < max(2 * sd, 3.0):
        sentence = f"Limb against limb as wanted (left over right {size:+.1f} % ± {sd:.1f} %)."
    else:
        more = "left" if size > 0 else "right"
        sentence = f"The {more} limb is strained {abs(size):.1f} % ± {sd:.1f} % more against the other than is wanted."
    extra = units.length(ARCHERY_DRAW_ALLOWANCE_MM, 2)
    return f"{sentence} Draw is pivot to string, {extra} less than to the back."


def force_draw_plot(
    result: PullResult, units: Units = METRIC, target_draw_mm: float | None = None, target_weight_n: float | None = None
) -> bytes:
    """Force against draw, up and down, with the target, as PNG."""
    figure = new_figure(7.2, 5.2)
    axes = figure.add_axes((0.105, 0.125, 0.865, 0.755))
    dress(axes)
    for branch, style, colour, word in (("up", "-", LEFT, "pulled up"), ("down", "--", WEAK_DOWN, "let down")):
        points = [
            p for p in result.pictures if p.branch == branch and np.isfinite(p.draw_mm) and np.isfinite(p.force_n)
        ]
        if branch == "down" and points:
            points = [result.pictures[result.largest], *points]
        if not points:
            continue
        x = [units.length_value(p.draw_mm) for p in points]
        y = [units.force_value(p.force_n) for p in points]
        error = [units.force_value(2 * p.force_sd_n) for p in points]
        axes.plot(x, y, linestyle=style, color=colour, linewidth=1.8, zorder=2)
        axes.errorbar(
            x,
            y,
            yerr=error,
            fmt="o" if branch == "up" else "v",
            color=colour,
            markersize=5,
            elinewidth=1,
            label=f"{word} (held; bars 2 sd)",
            zorder=3,
        )
    if target_draw_mm and target_weight_n:
        axes.plot(
            [units.length_value(target_draw_mm)],
            [units.force_value(target_weight_n)],
            marker="P",
            markersize=11,
            color=INK,
            linestyle="none",
            label="target",
        )
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(f"draw, pivot to string, {units.length_unit}", color=INK)
    axes.set_ylabel(f"force at the rope, {units.force_unit}", color=INK)
    axes.legend(loc="upper left", frameon=False, fontsize=9, labelcolor=INK)
    figure.text(0.105, 0.94, f"{result.bow}: force and draw", color=INK, fontsize=13, fontweight="bold", va="center")
    if np.isfinite(result.hysteresis):
        figure.text(
            0.97,
            0.94,
            f"{100 * result.hysteresis:.1f} % less on the way down",
            color=INK,
            fontsize=9.5,
            ha="right",
            va="center",
        )
    return png(figure)


WEAK_DOWN = "#a5611a"
