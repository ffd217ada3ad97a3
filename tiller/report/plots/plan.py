"""Picture of a plan: both limbs with chalk zones and depths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.advice.layers import outside
from tiller.mechanics.advice.planned import Plan
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import AIM, FAINT, INK, LEFT, METRIC, PAPER, RIGHT, WEAK, Units

Array = NDArray[np.float64]


def plan_plot(plan: Plan, bow_name: str, working: dict[str, tuple[float, float]], units: Units = METRIC) -> bytes:
    """Depth to take off the belly along both limbs, now and in all, and what to leave alone, as PNG.

    The left limb runs to the left of the pivot, the right one to the right, as the camera sees them; depth grows
    downward, off the belly.
    """
    figure = new_figure(11.0, 5.2)
    axes = figure.add_axes((0.075, 0.13, 0.905, 0.70))
    dress(axes)
    deepest = max([units.depth_value(z.depth_mm + z.depth_sd_mm) for z in plan.zones], default=units.depth_value(0.5))
    labelled: set[str] = set()

    def once(text: str) -> str | None:
        if text in labelled:
            return None
        labelled.add(text)
        return text

    for side, sign, colour in (("left", -1.0, LEFT), ("right", 1.0, RIGHT)):
        low, high = (units.length_value(v) for v in working[side])
        axes.plot([sign * low, sign * high], [0, 0], color=colour, linewidth=5, solid_capstyle="butt", zorder=4)
        middle = sign * 0.5 * (low + high)
        axes.text(
            middle,
            -0.055 * deepest,
            f"{side} limb",
            color=colour,
            ha="center",
            va="bottom",
            fontweight="bold",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0},
            zorder=6,
        )
        for zone in (z for z in plan.zones if z.limb == side):
            a, b = sign * units.length_value(zone.from_mm), sign * units.length_value(zone.to_mm)
            x, width = min(a, b), abs(b - a)
            whole = units.depth_value(zone.depth_mm)
            axes.bar(
                x,
                whole,
                width,
                align="edge",
                facecolor="none",
                edgecolor=AIM,
                linewidth=1.1,
                linestyle=(0, (4, 2)),
                label=once("in all"),
            )
            axes.errorbar(
                [x + 0.86 * width],
                [whole],
                yerr=[units.depth_value(zone.depth_sd_mm)],
                color=AIM,
                elinewidth=1,
                capsize=2,
                zorder=5,
            )
        laid = [o for o in plan.layers if o.limb == side]
        for number, layer in enumerate(laid):
            ends = sorted(sign * units.length_value(v) for v in (layer.from_mm, layer.to_mm))
            above = units.depth_value(sum(o.depth_mm for o in outside(laid, number)))
            deep = units.depth_value(layer.depth_mm)
            axes.bar(
                ends[0],
                deep,
                ends[1] - ends[0],
                bottom=above,
                align="edge",
                facecolor=colour,
                alpha=0.85,
                edgecolor=PAPER,
                zorder=3,
                label=once("in this pass, layer by layer"),
            )
            if deep > 0.035 * deepest:
                wide = (ends[1] - ends[0]) / units.length_value(max(v[1] for v in working.values()))
                axes.text(
                    0.5 * (ends[0] + ends[1]),
                    above + 0.5 * deep,
                    f"{number + 1}:  {units.depth(layer.depth_mm)}"
                    if wide > 0.2 and deep > 0.05 * deepest
                    else f"{number + 1}",
                    color=PAPER,
                    ha="center",
                    va="center",
                    fontsize=9 if deep > 0.05 * deepest else 7,
                    fontweight="bold",
                    zorder=7,
                )
        for gap in (g for g in plan.left_alone if g.limb == side):
            ends = sorted(sign * units.length_value(v) for v in (gap.from_mm, gap.to_mm))
            axes.axvspan(ends[0], ends[1], facecolor="none", edgecolor=WEAK, hatch="xx", alpha=0.55, linewidth=1.0)
            axes.text(
                0.5 * (ends[0] + ends[1]),
                1.02 * deepest,
                "leave",
                color=WEAK,
                ha="center",
                va="bottom",
                fontsize=9.5,
                fontweight="bold",
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
            )
    axes.set_ylim(1.1 * deepest, -0.16 * deepest)
    axes.set_yticks([tick for tick in axes.get_yticks() if 0 <= tick <= 1.1 * deepest])
    reach = units.length_value(max(v[1] for v in working.values())) * 1.04
    axes.set_xlim(-reach, reach)
    axes.axvline(0, color=FAINT, linewidth=0.8)
    axes.set_xlabel(f"along the back from the pivot, {units.length_unit}   (left limb | right limb)", color=INK)
    axes.set_ylabel(f"off the belly, {units.depth_unit}", color=INK)
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    if plan.zones:
        # above the field: within it, it hides a zone's bar
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, fontsize=9, borderaxespad=0.1)
    else:
        axes.text(
            0.5,
            0.5,
            "nothing to scrape now",
            transform=axes.transAxes,
            ha="center",
            fontsize=14,
            color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 4.0},
        )
    figure.text(0.075, 0.945, f"{bow_name}: where to scrape", color=INK, fontsize=13, fontweight="bold", va="center")
    figure.text(
        0.075,
        0.888,
        f"At the target draw, braced: now {units.force(plan.now_n)}, uneven by {100 * plan.now.expected:.1f} %;"
        f" after this pass {units.force(plan.after_pass_n)}, {100 * plan.after_pass.expected:.1f} %;"
        f" in the end {units.force(plan.final_n)}. Bars: one sd.",
        color=INK,
        fontsize=9.5,
        va="center",
    )
    return png(figure)


def forecast_plot(
    draw_mm: Array, force_n: Array, sd_n: Array, bow_name: str, weight_n: float, units: Units = METRIC
) -> bytes:
    """Predicted force-draw curve of the braced bow with its band and the target, as PNG."""
    figure = new_figure(7.2, 5.2)
    axes = figure.add_axes((0.105, 0.125, 0.865, 0.755))
    dress(axes)
    x = np.array([units.length_value(v) for v in draw_mm])
    y = np.array([units.force_value(v) for v in force_n])
    band = np.array([units.force_value(v) for v in sd_n])
    axes.fill_between(x, y - 2 * band, y + 2 * band, color=LEFT, alpha=0.15, linewidth=0)
    axes.fill_between(x, y - band, y + band, color=LEFT, alpha=0.3, linewidth=0, label="1 and 2 sd")
    axes.plot(x, y, color=LEFT, linewidth=2.0, label="braced, forecast")
    axes.plot(
        x[-1], units.force_value(weight_n), marker="P", markersize=11, color=INK, linestyle="none", label="target"
    )
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(f"draw, pivot to string, {units.length_unit}", color=INK)
    axes.set_ylabel(f"force, {units.force_unit}", color=INK)
    axes.legend(loc="upper left", frameon=False, fontsize=9, labelcolor=INK)
    figure.text(0.105, 0.94, f"{bow_name}: forecast", color=INK, fontsize=13, fontweight="bold", va="center")
    return png(figure)
