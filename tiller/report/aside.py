"""Plots drawn by a second process, which loads the plotting library while this one measures.

Loading it takes about as long as measuring a dozen pictures. Where no second process can be had, or it
fails, the plots are drawn here; the result is the same.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from types import TracebackType
from typing import IO, TYPE_CHECKING, Self

if TYPE_CHECKING:  # nothing heavy here: the second process must start before the first one loads its own libraries
    from tiller.mechanics.results import PullResult
    from tiller.report.style import Units


def pull_plots(
    result: PullResult, units: Units, target_draw_mm: float | None, target_weight_n: float | None
) -> dict[str, bytes]:
    """Strain along the limbs, and force and draw, as PNG by file name."""
    from tiller.report.plots import force_draw_plot, limb_plot

    return {
        "limbs.png": limb_plot(result, units),
        "force_draw.png": force_draw_plot(result, units, target_draw_mm, target_weight_n),
    }


class Aside:
    """The second process; starts with the ``with`` block and is gone after it."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        if sys.executable:
            try:
                self._process = subprocess.Popen(
                    [sys.executable, "-m", "tiller.report.aside"],
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

    def ask(
        self, result: PullResult, units: Units, target_draw_mm: float | None, target_weight_n: float | None
    ) -> Asked:
        """Asks for the plots; go on with other work before taking them."""
        asked = (result, units, target_draw_mm, target_weight_n)
        process = self._process
        if process is not None and process.stdin is not None:
            try:
                pickle.dump(asked, process.stdin)
                process.stdin.close()
                process.stdin = None
            except OSError:
                return Asked(asked, None)
        return Asked(asked, process)


class Asked:
    """Plots that were asked for."""

    def __init__(
        self, asked: tuple[PullResult, Units, float | None, float | None], process: subprocess.Popen[bytes] | None
    ) -> None:
        self._asked = asked
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
        return pull_plots(*self._asked)


def _work(take: IO[bytes], give: IO[bytes]) -> None:
    import tiller.report.plots  # noqa: F401  (loaded while there is nothing to draw yet)

    try:
        asked = pickle.load(take)
    except EOFError:
        return
    pickle.dump(pull_plots(*asked), give)
    give.flush()


if __name__ == "__main__":
    _work(sys.stdin.buffer, sys.stdout.buffer)
