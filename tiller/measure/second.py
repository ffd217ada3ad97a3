"""The second process of a measurement: one limb at rest, half of the pictures, then the plots."""

from __future__ import annotations

from tiller.children import SecondProcess


def second_process(plots: bool) -> SecondProcess:
    """A process for half of a measurement's work; it loads what that takes while this one loads its own.

    Args:
        plots: plots are drawn too.
    """
    return SecondProcess(_load_all if plots else _load)


def _load() -> None:
    import tiller.measure.tracing

    del tiller


def _load_all() -> None:
    from tiller.report.plots.worker import load_plots

    _load()
    load_plots()
