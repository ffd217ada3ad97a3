"""Processes beside this one: started so that nothing in the current folder can pass for a part of this program.

``python -m`` puts the current folder first on the path: a file called like a module of Python's, in a recording that came from somebody else,
would be run. ``-P`` leaves it out; and the child stands in a folder of the program's own, so paths that are handed to it must be absolute.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process, resource_tracker
from multiprocessing.process import BaseProcess
from pathlib import Path
from pickle import PicklingError
from types import TracebackType
from typing import Generic, ParamSpec, Self, TypeVar

STANDS_IN = Path(__file__).resolve().parent
"""The folder that a child works in."""

P = ParamSpec("P")
T = TypeVar("T")


def child(module: str, *words: str) -> list[str]:
    """The command for a module of this program in a process of its own."""
    return [sys.executable, "-P", "-m", module, *words]


def _begin(warm: Callable[[], None]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process hears the keyboard, and ends this one
    threading.Thread(target=_end_with_parent, daemon=True).start()
    os.chdir(STANDS_IN)
    warm()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()  # however it ended
        os._exit(0)


@contextmanager
def _isolated() -> Iterator[None]:
    """A child that is started meanwhile looks for modules only where this program's are, and hears no Ctrl-C; this process hears it afterwards."""
    before = os.environ.get("PYTHONSAFEPATH")
    os.environ["PYTHONSAFEPATH"] = "1"
    if hasattr(signal, "pthread_sigmask"):
        resource_tracker.ensure_running()  # it would let signals through again once it has started
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if hasattr(signal, "pthread_sigmask"):
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        if before is None:
            del os.environ["PYTHONSAFEPATH"]
        else:
            os.environ["PYTHONSAFEPATH"] = before


class ProcessDied(Exception):
    """A process ended before it answered."""


class SecondProcess:
    """One process beside this one; it starts with ``__enter__``, as in a ``with`` block, and is gone after ``__exit__``.

    Args:
        warm: run in it first, while there is nothing to do: loads what it will need.
    """

    def __init__(self, warm: Callable[[], None]) -> None:
        self._warm = warm
        self._pool: ProcessPoolExecutor | None = None
        self._processes: list[BaseProcess] = []

    def __enter__(self) -> Self:
        try:
            with _isolated():
                pool = ProcessPoolExecutor(
                    1, mp_context=get_context("spawn"), initializer=_begin, initargs=(self._warm,)
                )
                pool.submit(os.getpid)  # the process starts with the first thing that is asked of it
        except (OSError, RuntimeError, ImportError, PicklingError):  # without it all is done here
            return self
        self._processes = list((pool._processes or {}).values())  # noqa: SLF001  (nothing public names them)
        # or a process that dies while it answers is waited for without end: this one holds the pipe's other end open
        pool._result_queue._writer.close()  # type: ignore[attr-defined]  # noqa: SLF001
        self._pool = pool
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is None:
            return
        pool, self._pool = self._pool, None
        pool.shutdown(wait=False, cancel_futures=True)
        for process in self._processes:
            process.kill()
            process.join()

    @property
    def process_ids(self) -> tuple[int, ...]:
        """The process there is; none where it could not be started."""
        return tuple(process.pid for process in self._processes if process.pid is not None)

    def alone(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """A function's result from the process, which is waited for; never done here. Raises what the work raised.

        Raises:
            ProcessDied: there is no process, or it ended before it answered.
        """
        pool = self._pool
        if pool is None:
            raise ProcessDied
        try:
            coming = pool.submit(work, *args, **kwargs)
        except (
            BrokenProcessPool,
            RuntimeError,
            OSError,
        ) as err:  # RuntimeError: it was shut down; OSError: none could be started
            raise ProcessDied from err
        try:
            return coming.result()
        except (BrokenProcessPool, CancelledError) as err:
            raise ProcessDied from err

    def ask(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Asked[T]:
        """Asks for a function's result; go on with other work before taking it. What is asked first is done first."""
        coming: Future[T] | None = None
        if self._pool is not None:
            try:
                coming = self._pool.submit(work, *args, **kwargs)
            except (OSError, RuntimeError):
                coming = None
        return Asked(lambda: work(*args, **kwargs), coming)


class Asked(Generic[T]):
    """Work that was asked for."""

    def __init__(self, here: Callable[[], T], coming: Future[T] | None = None) -> None:
        self._here = here
        self._coming = coming

    def take(self) -> T:
        """What came of it: from the second process or, where that is gone, done here; raises what the work raised."""
        if self._coming is not None:
            try:
                return self._coming.result()
            except BrokenProcessPool:
                self._coming = None
        return self._here()
