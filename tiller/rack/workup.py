"""A recording worked up: measured, advised on, set beside earlier pulls, kept. What the command and the live rack share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tiller.mechanics.advice import Advice
from tiller.mechanics.history import Beside
from tiller.mechanics.results import PullResult
from tiller.rack.advise import advise
from tiller.rack.beside import set_beside
from tiller.rack.keep import Kept, ask_for_plan, ask_for_plots, earlier_pulls, keep
from tiller.rack.measure import measure
from tiller.rack.recording import Recording, read_recording
from tiller.report.aside import Aside
from tiller.report.style import METRIC, Units


@dataclass(frozen=True)
class Worked:
    """A pull that was worked up: what was measured, what follows, what stands beside it, and where it is kept."""

    recording: Path
    result: PullResult
    advice: Advice
    beside: Beside
    kept: Kept


def work_up(
    recording: Recording,
    aside: Aside | None,
    book: Path | None,
    pictures: Path | None = None,
    json_file: Path | None = None,
    units: Units = METRIC,
    progress: Callable[[str], None] = lambda _: None,
) -> Worked:
    """Measures a recording and keeps what comes of it (see ``keep``).

    Args:
        aside: draws the pictures; None = none are drawn.

    Raises:
        TillerError: it cannot be measured or kept, in one sentence.
    """
    measured = measure(recording, progress)
    plots = [ask_for_plots(measured, recording.bow, units, aside)] if aside is not None else []
    progress("forecast and plan")
    advice = advise(measured, recording.bow)
    now_n = advice.forecast.weight_n if advice.forecast is not None else float("nan")
    beside = set_beside(measured, recording.bow, now_n, earlier_pulls(book, recording))
    if aside is not None:
        plots.append(ask_for_plan(advice, recording.bow, units, aside))
    progress("pictures")
    kept = keep(measured, recording, units, book, pictures, json_file, advice, plots, beside)
    progress("")
    return Worked(recording.folder, measured.result, advice, beside, kept)


def work_up_folder(folder: Path, book: Path | None) -> Worked:
    """The same for a folder, without pictures: what a process beside the live rack does."""
    return work_up(read_recording(folder), None, book)
