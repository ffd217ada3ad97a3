"""The functions and result types for a notebook: ``import tiller`` gives them, each loaded when it is first asked for.

Lengths are mm, forces N, times s, strains shares (0.007 is 0.7 %). What went wrong is a ``TillerError`` with one sentence.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow, read_bow
from tiller.bow.stavefile import Stave, read_stave
from tiller.bow.wood.moisture import equilibrium
from tiller.bow.wood.woods import Wood, find_wood
from tiller.errors import TillerError
from tiller.measure.followup.advice import advise as _advise
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import Recording
from tiller.measure.recording import read_recording as _read_recording
from tiller.mechanics.advice.advice import Advice
from tiller.mechanics.advice.planned import Plan
from tiller.mechanics.fit.results import LimbResult, PullResult
from tiller.mechanics.forward.belief import bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.forecast import Forecast
from tiller.mechanics.forward.forecast import forecast as _forecast
from tiller.mechanics.forward.solved import NoEquilibriumError
from tiller.mechanics.forward.stop import Stop
from tiller.mechanics.wood.layout import Layout, Outline, Wanted, lay_out, outline
from tiller.mechanics.wood.season import Season, season_of
from tiller.quantity import plain

Array = NDArray[np.float64]


def read_recording(folder: str | Path) -> Recording:
    """A recording of a pull: ``rig.toml``, ``bow.toml``, pictures and, where there was a scale, force.

    Raises:
        TillerError: something of it is missing or wrong.
    """
    return _read_recording(Path(folder))


def measure_pull(recording: Recording) -> Measured:
    """The measured pull; ``.result`` is its ``PullResult``: draw and force by picture, both limbs, marks; sentences in mm and N.

    Raises:
        TillerError: it cannot be measured.
    """
    measured = measure(recording)
    result = measured.result
    notes, left_out = tuple(note.in_metric() for note in result.notes), tuple(map(plain, result.left_out))
    return replace(measured, result=replace(result, notes=notes, left_out=left_out))


def advise(measured: Measured, bow: Bow) -> Advice:
    """Forecast, stop and plan from a measured pull alone; what cannot be had is None, and ``notes`` say why."""
    advice = _advise(measured, bow)
    stop = replace(advice.stop, reason=plain(advice.stop.reason)) if advice.stop is not None else None
    plan = advice.plan
    if plan is not None:
        left = tuple(replace(a, reason=plain(a.reason)) for a in plan.left_alone)
        plan = replace(plan, left_alone=left, notes=tuple(note.in_metric() for note in plan.notes))
    notes = tuple(note.in_metric() for note in advice.notes)
    no_forecast, no_plan = plain(advice.no_forecast), plain(advice.no_plan)
    return replace(advice, stop=stop, plan=plan, notes=notes, no_forecast=no_forecast, no_plan=no_plan)


def forecast(measured: Measured, draw_mm: float, brace_mm: float) -> Forecast:
    """The measured bow braced and drawn to ``draw_mm``: weight with its sd, force-draw curve, string's length, energy.

    Raises:
        TillerError: brace height or draw cannot be had.
    """
    try:
        return _forecast(measured.belief, draw_mm, brace_mm)
    except NoEquilibriumError as err:
        raise TillerError(f"There is no such forecast: {err}.") from err


def force_draw_curve(measured: Measured, draws_mm: Array, brace_mm: float) -> Array:
    """Force (m,) in N at the draws (m,) of the measured bow, braced at ``brace_mm``.

    Raises:
        TillerError: brace height or a draw cannot be had.
    """
    bow = bow_from(measured.belief)
    try:
        string, _ = brace(bow, brace_mm)
        return solve_draws(bow, string, np.asarray(draws_mm, dtype=float)).force_n
    except NoEquilibriumError as err:
        raise TillerError(f"There is no such curve: {err}.") from err


__all__ = [
    "Advice",
    "Bow",
    "Forecast",
    "Layout",
    "LimbResult",
    "Measured",
    "Outline",
    "Plan",
    "PullResult",
    "Recording",
    "Season",
    "Stave",
    "Stop",
    "TillerError",
    "Wanted",
    "Wood",
    "advise",
    "equilibrium",
    "find_wood",
    "force_draw_curve",
    "forecast",
    "lay_out",
    "measure_pull",
    "outline",
    "read_bow",
    "read_recording",
    "read_stave",
    "season_of",
]
