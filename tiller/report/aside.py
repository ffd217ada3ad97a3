"""Plots drawn by the second process, which loads the plotting library while this one measures.

Loading it takes about as long as measuring a dozen pictures.
"""

from __future__ import annotations

from typing import Any

Wanted = dict[str, tuple[str, tuple[Any, ...]]]
"""By file name: a function of ``plots`` or ``plan_plot`` and what it takes."""


def draw(wanted: Wanted) -> dict[str, bytes]:
    """The plots by file name, as PNG."""
    from tiller.report import plan_plot, plots

    out: dict[str, bytes] = {}
    for name, (function, given) in wanted.items():
        home = plots if hasattr(plots, function) else plan_plot
        out[name] = getattr(home, function)(*given)
    return out


def load_plots() -> None:
    """Loads what drawing needs."""
    from tiller.report import plan_plot, plots

    del plan_plot, plots
