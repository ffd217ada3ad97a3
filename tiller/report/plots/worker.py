"""Plots drawn by the second process, which loads the plotting library while this one measures.

Loading it takes about as long as measuring a dozen pictures.
"""

from __future__ import annotations

from typing import Any

Wanted = dict[str, tuple[str, tuple[Any, ...]]]
"""By file name: a function of ``pull`` or ``plan`` and what it takes."""


def draw(wanted: Wanted) -> dict[str, bytes]:
    """The plots by file name, as PNG."""
    from tiller.report.plots import plan, pull

    out: dict[str, bytes] = {}
    for name, (function, given) in wanted.items():
        home = pull if hasattr(pull, function) else plan
        out[name] = getattr(home, function)(*given)
    return out


def load_plots() -> None:
    """Loads what drawing needs."""
    from tiller.report.plots import plan, pull

    del plan, pull
