"""A pull beside earlier ones, as data and in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from tiller.mechanics.history import Beside
from tiller.report.style import Units


def _one(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def beside_json(beside: Beside) -> dict[str, Any]:
    """Keys for the JSON and the book."""
    return {
        "stroke_mm": beside.stroke_mm,
        "passes_done": [{"limb": p.limb, "share": p.share, "sd": p.sd} for p in beside.passes],
        "promised_n": _one(beside.promised_n),
        "set": [
            {"limb": s.limb, "nock_mm": _one(s.nock_mm), "sd_mm": _one(s.sd_mm), "where_mm": _one(s.where_mm)}
            for s in beside.sets
        ],
        "tiller_mm": _one(beside.tiller_mm),
        "tiller_sd_mm": _one(beside.tiller_sd_mm),
        "lost_share": _one(beside.lost),
        "lost_share_sd": _one(beside.lost_sd),
        "stacking": _one(beside.stacking),
        "stacking_sd": _one(beside.stacking_sd),
        "beside_said": list(beside.said),
    }


def beside_words(beside: Beside, units: Units) -> list[str]:
    """The figures of the pull, and what it says beside earlier ones."""
    figures = []
    if np.isfinite(beside.tiller_mm):
        figures.append(
            f"tiller (limb to string at the fades, upper less lower) {units.length(beside.tiller_mm, 1 if units.metric else 2)} ± {units.length(beside.tiller_sd_mm, 1 if units.metric else 2)}"
        )
    if np.isfinite(beside.lost):
        figures.append(f"{100 * beside.lost:.1f} ± {100 * beside.lost_sd:.1f} % of the work lost in the cycle")
    if np.isfinite(beside.stacking):
        figures.append(
            f"stacking: the last inches rise {beside.stacking:.2f} ± {beside.stacking_sd:.2f} times as steeply as the whole"
        )
    out = ["THIS PULL " + "; ".join(figures) + "."] if figures else []
    for s in beside.sets:
        if np.isfinite(s.nock_mm):
            out.append(
                f"          set since the first pull: {s.limb} limb {units.length(s.nock_mm, 1 if units.metric else 2)} ± {units.length(s.sd_mm, 1 if units.metric else 2)} at the nock"
                + (f", most of it about {units.length(s.where_mm)} from the pivot" if np.isfinite(s.where_mm) else "")
            )
    return out + [f"Note: {units.words(text)}" for text in beside.said]
