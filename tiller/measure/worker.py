"""A recording worked up: measured, advised on, set beside earlier pulls, kept. What the command and the live rack share."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from tiller.bow.bowfile import BowString
from tiller.children import ProcessDied, SecondProcess
from tiller.errors import TillerError
from tiller.measure.followup.advice import advise
from tiller.measure.followup.comparison import compare
from tiller.measure.followup.sets import set_by_place
from tiller.measure.pipeline import measure
from tiller.measure.recording import Recording, read_recording
from tiller.measure.restrung import restrung
from tiller.measure.store import Keeping, Kept, ask_for_plan, ask_for_plots, keep, past_of
from tiller.mechanics.advice.advice import Advice
from tiller.mechanics.advice.history import Comparison
from tiller.mechanics.fit.results import PullResult
from tiller.quantity import plain


@dataclass(frozen=True, kw_only=True)
class Worked:
    """A pull that was worked up: what was measured, what follows, what stands beside it, and where it is kept.

    ``string``: where nobody measured it, as the pictures show it; else None.
    """

    recording: Path
    bow: str
    result: PullResult
    advice: Advice
    comparison: Comparison
    kept: Kept
    string: BowString | None = None


def work_up(
    recording: Recording,
    second: SecondProcess | None,
    keeping: Keeping,
    progress: Callable[[str], None] = lambda _: None,
) -> Worked:
    """Measures a recording and keeps what comes of it (see ``keep``).

    ``second`` takes half of the work; None = all of it is done here.

    Raises:
        TillerError: it cannot be measured or kept, in one sentence.
    """
    units = keeping.units
    measured = measure(recording, progress, second)
    drawer = second or SecondProcess(lambda: None)
    asked = [ask_for_plots(measured, recording.bow, units, drawer)] if keeping.plots else []
    progress("forecast and plan")
    past = past_of(keeping.book, recording)
    by_place = set_by_place(measured, recording.bow, past)
    advice = advise(measured, recording.bow, by_place, past)
    # without a scale the forecast is the table's: nothing is compared with it
    forecast_known = advice.forecast is not None and measured.result.weighed
    now_n = advice.forecast.weight_n if advice.forecast is not None and forecast_known else float("nan")
    comparison = compare(measured, recording.bow, now_n, past, by_place)
    if keeping.plots:
        asked.append(ask_for_plan(advice, recording.bow, units, drawer))
    progress("pictures")
    kept = keep(measured, recording, keeping, advice, comparison, asked)
    progress("")
    return Worked(
        recording=recording.folder,
        bow=recording.bow.name,
        result=measured.result,
        advice=advice,
        comparison=comparison,
        kept=kept,
    )


class Measurer:
    """A process that works recordings up, so that the live picture does not wait; started anew where it died."""

    def __init__(self) -> None:
        self._process = SecondProcess(_goes_last)
        self._closed = False
        self._lock = threading.Lock()

    @property
    def process_ids(self) -> tuple[int, ...]:
        """The process there is now; none before ``start``."""
        return self._process.process_ids

    def start(self) -> None:
        """Starts the process, which loads what it needs while there is nothing to do."""
        with self._lock:
            self._process.__enter__()

    def work_up(self, folder: Path, book: Path | None) -> Worked:
        """Works a recording up there, with no picture but the photograph, and waits for it.

        Raises:
            TillerError: it cannot be measured or kept.
        """
        with self._lock:
            for _ in range(2):
                if self._closed:
                    break
                try:
                    answer = self._process.alone(
                        _answer, folder.resolve(), book.resolve() if book is not None else None
                    )
                except ProcessDied:
                    self._again()
                    continue
                if isinstance(answer, Worked):
                    return answer
                raise TillerError(answer)
        if self._closed:
            msg = "the program was ended while this pull was measured; its recording is kept, and measured at the next start."
        else:
            msg = "the process that measures died twice over this pull; its recording is kept."
        raise TillerError(msg)

    def _again(self) -> None:
        """Another process in place of one that died, unless the program ends."""
        self._process.__exit__(None, None, None)
        if not self._closed:
            self._process = SecondProcess(_goes_last)
            self._process.__enter__()
            if self._closed:  # meanwhile
                self._process.__exit__(None, None, None)

    def close(self) -> None:
        """Ends the process immediately; whoever waits for it hears that it died."""
        self._closed = True
        self._process.__exit__(None, None, None)


def _goes_last() -> None:
    if hasattr(os, "nice"):
        os.nice(5)  # the live picture goes first


def _answer(folder: Path, book: Path | None) -> Worked | str:
    """What came of a recording, or why nothing did: whatever it is, it must be reported at the rack, not end the process."""
    try:
        recording, string = restrung(read_recording(folder))
        return replace(work_up(recording, None, Keeping(book=book, plots=False, photograph=True)), string=string)
    except TillerError as err:
        return err.marked
    except Exception as err:
        return f"{type(err).__name__}: {plain(str(err))}; its recording is kept in {folder.name}."
