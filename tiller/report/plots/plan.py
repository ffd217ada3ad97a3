"""Picture of a plan: both limbs with chalk zones and depths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Pair
from tiller.mechanics.advice.layers import Layer, outside
from tiller.mechanics.advice.planned import LeftAlone, Plan, Zone
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import AIM, FAINT, INK, LEFT, METRIC, PAPER, RIGHT, WEAK, Units

Array = NDArray[np.float64]


def plan_plot(plan: Plan, bow_name: str, working: Pair[tuple[float, float]], units: Units = METRIC) -> bytes:
    """Depth to take off the belly along both limbs, now and in all, and what to leave alone, as PNG.

    The left limb runs to the left of the pivot, the right one to the right, as the camera sees them; depth grows
    downward, off the belly.
    """
    figure = new_figure(11.0, 5.2)
    axes = figure.add_axes((0.075, 0.13, 0.905, 0.70))
    dress(axes)
    deepest = max([units.depth_value(z.depth_mm + z.depth_sd_mm) for z in plan.zones], default=units.depth_value(0.5))
    reach = units.length_value(max(v[1] for v in working))
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        field = _Field(axes=axes, units=units, sign=side.sign, colour=colour, deepest=deepest, reach=reach)
        field.limb(side, working[side])
        for zone in (z for z in plan.zones if z.limb == side):
            field.zone(zone)
        laid = [o for o in plan.layers if o.limb == side]
        for number, layer in enumerate(laid):
            field.layer(number, layer, sum(o.depth_mm for o in outside(laid, number)))
        for gap in (g for g in plan.left_alone if g.limb == side):
            field.left_alone(gap)
    axes.set_ylim(1.1 * deepest, -0.16 * deepest)
    axes.set_yticks([tick for tick in axes.get_yticks() if 0 <= tick <= 1.1 * deepest])
    axes.set_xlim(-1.04 * reach, 1.04 * reach)
    axes.axvline(0, color=FAINT, linewidth=0.8)
    axes.set_xlabel(f"along the back from the pivot, {units.length_unit}   (left limb | right limb)", color=INK)
    axes.set_ylabel(f"off the belly, {units.depth_unit}", color=INK)
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    if plan.zones:
        # above the field: within it, it hides a zone's bar
        handles, texts = axes.get_legend_handles_labels()
        once = dict(zip(reversed(texts), reversed(handles), strict=True))  # each once, by its first
        axes.legend(
            [once[text] for text in dict.fromkeys(texts)],
            list(dict.fromkeys(texts)),
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=2,
            frameon=False,
            fontsize=9,
            borderaxespad=0.1,
        )
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


@dataclass(frozen=True, kw_only=True)
class _Field:
    """Where one limb of a plan is drawn.

    Attributes:
        axes: the plot's field; units: in which its axes count.
        sign: -1 to the left of the pivot, +1 to the right; colour: of the limb.
        deepest: the largest depth that is drawn; reach: how far the limbs go, in the axes' units.
    """

    axes: Axes
    units: Units
    sign: float
    colour: str
    deepest: float
    reach: float

    def _ends(self, low_mm: float, high_mm: float) -> list[float]:
        return sorted(self.sign * self.units.length_value(v) for v in (low_mm, high_mm))

    def limb(self, side: str, working: tuple[float, float]) -> None:
        """The belly's line from the fade to the stiff tip, and the limb's name."""
        low, high = self._ends(*working)
        self.axes.plot([low, high], [0, 0], color=self.colour, linewidth=5, solid_capstyle="butt", zorder=4)
        self.axes.text(
            0.5 * (low + high),
            -0.055 * self.deepest,
            f"{side} limb",
            color=self.colour,
            ha="center",
            va="bottom",
            fontweight="bold",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0},
            zorder=6,
        )

    def zone(self, zone: Zone) -> None:
        """All that is to come off a zone, with its sd."""
        low, high = self._ends(zone.from_mm, zone.to_mm)
        whole = self.units.depth_value(zone.depth_mm)
        self.axes.bar(
            low,
            whole,
            high - low,
            align="edge",
            facecolor="none",
            edgecolor=AIM,
            linewidth=1.1,
            linestyle=(0, (4, 2)),
            label="in all",
        )
        self.axes.errorbar(
            [low + 0.86 * (high - low)],
            [whole],
            yerr=[self.units.depth_value(zone.depth_sd_mm)],
            color=AIM,
            elinewidth=1,
            capsize=2,
            zorder=5,
        )

    def layer(self, number: int, layer: Layer, above_mm: float) -> None:
        """One layer of this pass, under those that lie over it."""
        low, high = self._ends(layer.from_mm, layer.to_mm)
        above, deep = self.units.depth_value(above_mm), self.units.depth_value(layer.depth_mm)
        self.axes.bar(
            low,
            deep,
            high - low,
            bottom=above,
            align="edge",
            facecolor=self.colour,
            alpha=0.85,
            edgecolor=PAPER,
            zorder=3,
            label="in this pass, layer by layer",
        )
        if deep <= 0.035 * self.deepest:
            return
        thick = deep > 0.05 * self.deepest
        named = (high - low) / self.reach > 0.2 and thick
        self.axes.text(
            0.5 * (low + high),
            above + 0.5 * deep,
            f"{number + 1}:  {self.units.depth(layer.depth_mm)}" if named else f"{number + 1}",
            color=PAPER,
            ha="center",
            va="center",
            fontsize=9 if thick else 7,
            fontweight="bold",
            zorder=7,
        )

    def left_alone(self, gap: LeftAlone) -> None:
        """A stretch that nothing is to come off."""
        low, high = self._ends(gap.from_mm, gap.to_mm)
        self.axes.axvspan(low, high, facecolor="none", edgecolor=WEAK, hatch="xx", alpha=0.55, linewidth=1.0)
        self.axes.text(
            0.5 * (low + high),
            1.02 * self.deepest,
            "leave",
            color=WEAK,
            ha="center",
            va="bottom",
            fontsize=9.5,
            fontweight="bold",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
        )
