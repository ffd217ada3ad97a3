"""Weigh-ins of a stave, the drying curve through them, and when it is ready, with the band."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from tiller.bow.stavefile import Stave
from tiller.mechanics.drying import Drying
from tiller.report.plots import dress, new_figure, png
from tiller.report.stave_words import Season
from tiller.report.style import AIM, INK, LEFT, PAPER, WEAK

AHEAD = 0.25
"""The curve is drawn on for this share of the time that was weighed, or to the day of readiness."""


def drying_plot(stave: Stave, season: Season) -> bytes:
    """As PNG; without a curve only the weigh-ins."""
    figure = new_figure(7.6, 4.4)
    axes = figure.add_axes((0.11, 0.14, 0.85, 0.74))
    dress(axes)
    first = stave.weighings[0].on if stave.weighings else None
    days = np.array([(w.on - stave.weighings[0].on).days for w in stave.weighings], dtype=float)
    axes.plot(days, [w.mass_kg for w in stave.weighings], "o", color=LEFT, markersize=5, label="weighed", zorder=3)
    curve, soon = season.curve, season.ready
    if curve is not None and len(days):
        end = days[-1] * (1 + AHEAD)
        if soon is not None and np.isfinite(soon.late_days):
            end = max(end, 1.05 * soon.late_days)
        t = np.linspace(0, end, 200)
        low, high = _band(curve, t)
        axes.fill_between(t, low, high, color=AIM, alpha=0.25, linewidth=0, label="what the weigh-ins leave open, 1 sd")
        axes.plot(t, curve.mass(t), color=AIM)
    if soon is not None and np.isfinite(soon.days) and first is not None:
        early, late = (v if np.isfinite(v) else axes.get_xlim()[1] for v in (soon.early_days, soon.late_days))
        axes.axvspan(early, late, color=WEAK, alpha=0.2, linewidth=0)
        axes.axvline(soon.days, color=WEAK, linewidth=1.4)
        axes.text(
            soon.days,
            0.97,
            f" {stave.wanted_moisture:g} % on {first + timedelta(days=round(soon.days))}",
            transform=axes.get_xaxis_transform(),
            ha="right" if soon.days > 0.6 * axes.get_xlim()[1] else "left",
            va="top",
            color=INK,
            fontsize=9,
        )
    axes.set_xlabel(f"days from {first}" if first is not None else "days", color=INK)
    axes.set_ylabel("mass [kg]", color=INK)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(facecolor=PAPER, edgecolor="none", framealpha=1.0, fontsize=9, loc="center right")
    told = f", {season.moisture:.1f} ± {season.moisture_sd:.1f} % now" if np.isfinite(season.moisture) else ""
    figure.text(0.11, 0.93, f"{stave.name}: drying{told}", color=INK, fontsize=12, fontweight="bold")
    return png(figure)


def _band(curve: Drying, days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """One sd either way, by the curve's derivatives by level, first mass and log pace."""
    fall = np.exp(-days / curve.pace_days)
    slope = (curve.first_kg - curve.level_kg) * fall * days / curve.pace_days
    rows = np.stack([1 - fall, fall, slope])
    sd = np.sqrt(np.maximum(np.einsum("in,ij,jn->n", rows, curve.cov, rows), 0.0))
    return curve.mass(days) - sd, curve.mass(days) + sd
