"""How a session at the rack is run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tiller.live.recorder import Keep
from tiller.sources.interfaces import Stage


@dataclass(frozen=True)
class Options:
    """How the rack is run.

    Attributes:
        home: where pulls are kept; book: the shop's book, None = no entries.
        keep: pictures of a pull that are kept.
        said: what is known of the bow or its stave and worth saying at the start.
        watch: told at each turn whether the empty rack is known, and the stage; called by the analysing thread.
    """

    home: Path
    book: Path | None
    keep: Keep = "holds"
    said: tuple[str, ...] = ()
    watch: Callable[[bool, Stage], None] | None = None
