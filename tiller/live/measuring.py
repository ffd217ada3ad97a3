"""What goes on beside the picture: pulls that are finished writing and measured, and strokes that are noted in the book.

Each job runs in a thread of its own or in one that waits for the measuring process; the analysing thread asks what is done.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from tiller.errors import TillerError
from tiller.live.view import planned_strokes
from tiller.measure.worker import Measurer, Worked
from tiller.records.book import Book
from tiller.records.stored_pull import NOT_BY_THE_LIST
from tiller.sources.interfaces import now_s


class Measuring:
    """Measures pulls one after the other; ``book`` None = no entries."""

    def __init__(self, book: Path | None) -> None:
        self.book = book
        self.measurer = Measurer()
        self._jobs: list[tuple[Path, Future[Worked]]] = []
        self._finishing: list[threading.Thread] = []
        self._submitting = threading.Lock()
        self._pool: ThreadPoolExecutor | None = None
        self._noting: tuple[Future[None], int | None] | None = None

    def start(self) -> None:
        """Starts the thread and the process."""
        self._pool = ThreadPoolExecutor(1, "measuring")
        self.measurer.start()

    @property
    def busy(self) -> bool:
        """A pull is being written or measured."""
        finishing = any(t.is_alive() for t in self._finishing)  # asked first: what ends meanwhile has left its job
        with self._submitting:
            jobs = list(self._jobs)
        return finishing or any(not job.done() for _, job in jobs)

    @property
    def noting(self) -> bool:
        """Strokes are being noted."""
        return self._noting is not None

    def finish(self, work: Callable[[], None]) -> None:
        """Does what is left to do for a pull, in a thread of its own."""
        thread = threading.Thread(target=work, name="finish", daemon=True)
        self._finishing = [*(t for t in self._finishing if t.is_alive()), thread]
        thread.start()

    def measure(self, folder: Path) -> None:
        """Measures a pull, after those that wait already; nothing once the session has ended."""
        with self._submitting:
            if self._pool is not None:
                self._jobs.append((folder, self._pool.submit(self.measurer.work_up, folder, self.book)))

    def done(self) -> list[tuple[Path, Worked | TillerError]]:
        """The pulls that came to an end since the last call: what was measured, or why nothing was."""
        with self._submitting:
            ended = [(folder, job) for folder, job in self._jobs if job.done()]
            self._jobs = [(folder, job) for folder, job in self._jobs if not job.done()]
        out: list[tuple[Path, Worked | TillerError]] = []
        for folder, job in ended:
            try:
                out.append((folder, job.result()))
            except TillerError as err:
                out.append((folder, err))
            except Exception as err:  # whatever it is, it is reported at the rack, and does not end the session
                out.append(
                    (folder, TillerError(f"{type(err).__name__}: {err}; its recording is kept in {folder.name}."))
                )
        return out

    def note(self, worked: Worked, strokes: int | None) -> bool:
        """Notes strokes that were made after a pull, in the book (None: not by the list); False where it is in none, so that there is nothing to wait for."""
        pull_id, book = worked.kept.pull_id, self.book
        if pull_id is None or book is None or self._pool is None:
            return False

        def work() -> None:
            with Book(book) as shop:
                if strokes is None:
                    shop.add_scraping(pull_id, *NOT_BY_THE_LIST)
                else:
                    shop.add_scraping(pull_id, strokes, planned_strokes(worked))

        self._noting = (self._pool.submit(work), strokes)  # another program may hold the book: the picture goes on
        return True

    def noted(self) -> tuple[int | None, BaseException | None] | None:
        """Strokes that were noted since the last call, and why they were not; None where nothing came to an end."""
        if self._noting is None or not self._noting[0].done():
            return None
        (job, strokes), self._noting = self._noting, None
        return strokes, job.exception()

    def wait(self, patience_s: float) -> None:
        """Waits for what is going on, no longer than that."""
        until = now_s() + patience_s
        for thread in self._finishing:
            thread.join(timeout=max(until - now_s(), 0.1))
        with self._submitting:
            jobs = list(self._jobs)
        for _, job in jobs:
            with contextlib.suppress(Exception):
                job.result(timeout=max(until - now_s(), 0.0))

    def stop(self) -> None:
        """Ends thread and process; what is not measured by now is measured at the next start."""
        self.measurer.close()
        with self._submitting:  # a pull that is finished from now on is measured at the next start
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)
