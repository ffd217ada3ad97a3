"""What is made of a bow or of the book beside the window, in a thread: its sheet, the strip for the limb, a template, an export, a backup."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from tiller.children import STANDS_IN, child
from tiller.errors import TillerError
from tiller.report.style import Units
from tiller.shop.overview import Item
from tiller.shop.sheets import open_in_viewer, write_sheet

KINDS = {"P": "sheet", "S": "strip", "O": "template", "X": "export", "B": "backup"}
"""By the key that asks for it."""
OF_BOW = ("sheet", "strip")
"""What is made of a bow's pulls."""
OF_FILE = ("template",)
"""What is made of a bow's file."""


class Papers:
    """Makes one after the other.

    Args:
        home: the shop's folder; say: gets what is to be said, from the thread.
    """

    def __init__(self, home: Path, book: Path, say: Callable[[str], None]) -> None:
        self._home, self._book, self._say = home, book, say
        self._work: threading.Thread | None = None

    def make(self, kind: str, item: Item | None, units: Units) -> str:
        """Begins; nothing where something is made already.

        Returns:
            Why it cannot be made; '' where it is made.
        """
        if self._work is not None and self._work.is_alive():
            return ""
        if kind in OF_BOW and (item is None or not item.pulls):
            return f"a {kind} is made of pulls, and the book has none of it."
        if kind in OF_FILE and (item is None or item.file is None or item.state == "unreadable"):
            return f"a {kind} is made of a bow's file, and none of it lies in the shop."
        if kind not in OF_FILE and not self._book.is_file():
            return "there is no book yet: the first pull begins it."
        bow, file = (item.name, item.file) if item is not None else ("", None)
        self._say(f"the {kind}{f' of {bow!r}' if kind in (*OF_BOW, *OF_FILE) else ''} is made ...")

        def work() -> None:
            try:
                self._say(self._sheet(bow, units) if kind == "sheet" else self._by_command(kind, bow, units, file))
            except TillerError as err:
                self._say(err.marked)

        self._work = threading.Thread(target=work, name=kind, daemon=True)
        self._work.start()
        return ""

    def wait(self, patience_s: float) -> None:
        """Waits for what is being made."""
        if self._work is not None:
            self._work.join(patience_s)

    def _sheet(self, bow: str, units: Units) -> str:
        written = write_sheet(self._book, bow, self._home / "sheets", units)
        open_in_viewer(written.pdf)
        return f"{written.pdf} is written."

    def _by_command(self, kind: str, bow: str, units: Units, file: Path | None) -> str:
        """By the command that does it, so that both do the same.

        Raises:
            TillerError: what it says is wrong.
        """
        stamp = f"{datetime.now():%Y%m%d-%H%M%S}"
        plain = "".join(c if c.isalnum() or c in "-_ " else "-" for c in bow)
        at = {
            "strip": self._home / "sheets" / f"{plain}-strip.pdf",
            "template": self._home / "sheets" / f"{plain}-template.pdf",
            "export": self._home / "exports" / stamp,
            "backup": self._home / "backups" / f"book-{stamp}.zip",
        }[kind]
        paper = "a4" if units.metric else "letter"
        words = {
            "strip": ["plan", bow, "--strip", str(at), "--paper", paper],
            "template": ["template", str(file), str(at), "--paper", paper],
            "export": ["book", "export", str(at)],
            "backup": ["book", "backup", str(at)],
        }[kind]
        try:
            at.parent.mkdir(parents=True, exist_ok=True)
        except OSError as err:
            msg = f"{at.parent} cannot be made ({err.strerror}): free some space."
            raise TillerError(msg) from err
        of_book = () if kind == "template" else ("--book", str(self._book))
        command = child("tiller", *words, *of_book)
        done = subprocess.run(command, cwd=STANDS_IN, capture_output=True, text=True, check=False)  # noqa: S603  (words of our own, no shell)
        if done.returncode:
            lines = done.stderr.strip().splitlines()
            raise TillerError(lines[-1].removeprefix("tiller: ") if lines else f"the {kind} could not be made.")
        if kind == "strip":
            open_in_viewer(at)
            return f"{at} is written: print it at 100 % and lay it along each limb."
        if kind == "template":
            open_in_viewer(at)
            return f"{at} is written: print it at 100 %, cut along the curve."
        if kind == "backup":
            return f"{at} is written and was read back: keep a copy of it elsewhere."
        return f"{at}: CSV with units, JSON, what was drawn, the shop's files."
