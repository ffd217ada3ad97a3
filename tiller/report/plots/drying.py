"""Weigh-ins of a stave, the drying curve through them, and when it is ready, with the band."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from tiller.bow.stavefile import Stave
from tiller.mechanics.wood.season import FAR_DAYS, Season
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import AIM, INK, LEFT, PAPER, WEAK

AHEAD, MOST_AHEAD = 0.25, 2.5
"""The curve is drawn on for this share of the time that was weighed, or to the day of readiness, but no further than so many times."""


def drying_plot(stave: Stave, season: Season) -> bytes:
    """As PNG; without a curve only the weigh-ins.

    Raises:
        ValueError: there is no weigh-in that counts.
    """
    first, curve, soon = season.first, season.curve, season.ready
    if first is None:
        msg = "there is no weigh-in to draw"
        raise ValueError(msg)
    figure = new_figure(7.6, 4.4)
    axes = figure.add_axes((0.11, 0.14, 0.85, 0.74))
    dress(axes)
    axes.plot(season.days, season.masses, "o", color=LEFT, markersize=5, label="weighed", zorder=3)
    if curve is not None:
        end = season.days[-1] * (1 + AHEAD)
        if soon is not None and np.isfinite(soon.late_days):
            end = max(end, min(1.05 * soon.late_days, MOST_AHEAD * season.days[-1]))
        t = np.linspace(0, end, 200)
        low, middle, high = np.percentile(curve.masses(t), [16, 50, 84], axis=0)
        axes.fill_between(t, low, high, color=AIM, alpha=0.3, linewidth=0)
        axes.plot(t, middle, color=AIM, label="what the weigh-ins allow, 1 sd")
        axes.set_xlim(-0.03 * end, 1.03 * end)
    if soon is not None and soon.days < FAR_DAYS:
        right = axes.get_xlim()[1]
        early, late = (min(v, right) for v in (soon.early_days, soon.late_days))
        axes.axvspan(early, late, color=WEAK, alpha=0.2, linewidth=0)
        if soon.days < right:
            axes.axvline(soon.days, color=WEAK, linewidth=1.4)
        axes.text(
            min(soon.days, right),
            0.97,
            f" {stave.wanted_moisture:g} % about {first + timedelta(days=round(soon.days))} ",
            transform=axes.get_xaxis_transform(),
            ha="right" if soon.days > 0.6 * right else "left",
            va="top",
            color=INK,
            fontsize=9,
        )
    axes.set_xlabel(f"days from {first}", color=INK)
    axes.set_ylabel("mass [kg]", color=INK)
    if curve is not None:
        axes.legend(facecolor=PAPER, edgecolor="none", framealpha=1.0, fontsize=9, loc="center right")
    sentence = (
        f", {season.moisture:.1f} ± {season.moisture_sd:.1f} % on {first + timedelta(days=round(float(season.days[-1])))}"
        if np.isfinite(season.moisture)
        else ""
    )
    figure.text(0.11, 0.93, f"{stave.name}: drying{sentence}", color=INK, fontsize=12, fontweight="bold")
    return png(figure)
