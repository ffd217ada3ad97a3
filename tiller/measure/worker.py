"""A recording worked up: measured, advised on, set beside earlier pulls, kept. What the command and the live rack share."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tiller.children import STANDS_IN, SecondProcess, child
from tiller.errors import TillerError
from tiller.measure.advice import advise
from tiller.measure.comparison import set_beside
from tiller.measure.pipeline import measure
from tiller.measure.recording import Recording, read_recording
from tiller.measure.sets import set_by_place
from tiller.measure.store import Kept, ask_for_plan, ask_for_plots, keep, past_of
from tiller.mechanics.advice.advice import Advice
from tiller.mechanics.advice.history import Beside
from tiller.mechanics.fit.results import PullResult
from tiller.quantity import plain
from tiller.report.style import METRIC, Units


@dataclass(frozen=True)
class Worked:
    """A pull that was worked up: what was measured, what follows, what stands beside it, and where it is kept."""

    recording: Path
    bow: str
    result: PullResult
    advice: Advice
    beside: Beside
    kept: Kept


def work_up(
    recording: Recording,
    second: SecondProcess | None,
    book: Path | None,
    pictures: Path | None = None,
    json_file: Path | None = None,
    units: Units = METRIC,
    progress: Callable[[str], None] = lambda _: None,
    plots: bool = True,
    photograph: bool = False,
) -> Worked:
    """Measures a recording and keeps what comes of it (see ``keep``).

    Args:
        second: takes half of the work; None = all of it is done here.
        plots: pictures are drawn; without them only the photograph with the measured bow, where ``photograph`` asks for it.

    Raises:
        TillerError: it cannot be measured or kept, in one sentence.
    """
    measured = measure(recording, progress, second)
    drawer = second or SecondProcess(lambda: None)
    asked = [ask_for_plots(measured, recording.bow, units, drawer)] if plots else []
    progress("forecast and plan")
    past = past_of(book, recording)
    by_place = set_by_place(measured, recording.bow, past)
    advice = advise(measured, recording.bow, by_place, past)
    # without a scale the forecast is the table's: nothing is compared with it
    told = advice.forecast is not None and measured.result.weighed
    now_n = advice.forecast.weight_n if advice.forecast is not None and told else float("nan")
    beside = set_beside(measured, recording.bow, now_n, past, by_place)
    if plots:
        asked.append(ask_for_plan(advice, recording.bow, units, drawer))
    progress("pictures")
    kept = keep(measured, recording, units, book, pictures, json_file, advice, asked, beside, photograph)
    progress("")
    return Worked(recording.folder, recording.bow.name, measured.result, advice, beside, kept)


class Measurer:
    """A process that works recordings up, so that the live picture does not wait; started anew where it died."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self._lock = threading.Lock()

    def start(self) -> None:
        """Starts the process, which loads what it needs while there is nothing to do."""
        with self._lock:
            self._begin()

    def _begin(self) -> subprocess.Popen[bytes]:
        self._process = subprocess.Popen(  # noqa: S603  (words of our own, no shell)
            child("tiller.measure.worker"), stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=STANDS_IN
        )
        return self._process

    def work_up(self, folder: Path, book: Path | None) -> Worked:
        """Works a recording up there, with no picture but the photograph, and waits for it.

        Raises:
            TillerError: it cannot be measured or kept.
        """
        with self._lock:
            for last in (False, True):
                if self._closed:
                    break
                process = self._process
                if process is None or process.poll() is not None:
                    process = self._begin()
                try:
                    if process.stdin is None or process.stdout is None:
                        break
                    pickle.dump((folder.resolve(), book.resolve() if book is not None else None), process.stdin)
                    process.stdin.flush()
                    answer = pickle.load(process.stdout)  # noqa: S301  (from our own process, or a private file of it)
                except (OSError, EOFError, ValueError, pickle.UnpicklingError):
                    if last:
                        break
                    continue
                if isinstance(answer, Worked):
                    return answer
                raise TillerError(str(answer))
        msg = "the process that measures died twice over this pull; its recording is kept."
        raise TillerError(msg)

    def close(self) -> None:
        """Ends the process at once; whoever waits for it is told that it died."""
        self._closed = True
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError, ValueError):
                        stream.close()


def _work(take: IO[bytes], give: IO[bytes]) -> None:
    if hasattr(os, "nice"):
        os.nice(5)  # the live picture goes first
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while True:
        try:
            folder, book = pickle.load(take)  # noqa: S301  (from our own process, or a private file of it)
        except EOFError:
            return
        answer: Worked | str
        try:
            answer = work_up(read_recording(folder), None, book, plots=False, photograph=True)
        except TillerError as err:
            answer = err.marked
        except Exception as err:  # whatever it is, it must be said at the rack, not end the process
            answer = f"{type(err).__name__}: {plain(str(err))}; its recording is kept in {folder.name}."
        pickle.dump(answer, give)
        give.flush()


if __name__ == "__main__":
    # through the package's own module, so that what is sent has the same name on both sides
    from tiller.measure.worker import _work as work

    work(sys.stdin.buffer, sys.stdout.buffer)
