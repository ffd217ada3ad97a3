"""Plots drawn by a second process, which loads the plotting library while this one measures.

Loading it takes about as long as measuring a dozen pictures. Where no second process can be had, or it
fails, the plots are drawn here; the result is the same.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from types import TracebackType
from typing import IO, Any, Self

from tiller.children import STANDS_IN, child

Wanted = dict[str, tuple[str, tuple[Any, ...]]]
"""By file name: a function of ``plots`` or ``plan_plot`` and what it takes."""


def draw_here(wanted: Wanted) -> dict[str, bytes]:
    """Draws in this process."""
    from tiller.report import plan_plot, plots

    out: dict[str, bytes] = {}
    for name, (function, given) in wanted.items():
        home = plots if hasattr(plots, function) else plan_plot
        out[name] = getattr(home, function)(*given)
    return out


class Aside:
    """The second process; starts with the ``with`` block and is gone after it."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        if sys.executable:
            try:
                self._process = subprocess.Popen(
                    child("tiller.report.aside"),
                    cwd=STANDS_IN,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )
            except OSError:
                self._process = None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None

    def ask(self, wanted: Wanted) -> Asked:
        """Asks for plots; go on with other work before taking them. Answers come in the order of the questions."""
        process = self._process
        if process is not None and process.stdin is not None:
            try:
                pickle.dump(wanted, process.stdin)
                process.stdin.flush()
            except OSError:
                process = None
        return Asked(wanted, process)


class Asked:
    """Plots that were asked for."""

    def __init__(self, wanted: Wanted, process: subprocess.Popen[bytes] | None) -> None:
        self._wanted = wanted
        self._process = process

    def plots(self) -> dict[str, bytes]:
        """The plots, from the second process or, where it failed, drawn here."""
        if self._process is not None and self._process.stdout is not None:
            try:
                answer = pickle.load(self._process.stdout)
            except (EOFError, OSError, pickle.UnpicklingError):
                answer = None
            if isinstance(answer, dict):
                return answer
        return draw_here(self._wanted)


def _work(take: IO[bytes], give: IO[bytes]) -> None:
    from tiller.report import plan_plot, plots  # loaded while there is nothing to draw yet

    del plan_plot, plots
    while True:
        try:
            wanted = pickle.load(take)
        except EOFError:
            return
        pickle.dump(draw_here(wanted), give)
        give.flush()


if __name__ == "__main__":
    _work(sys.stdin.buffer, sys.stdout.buffer)
