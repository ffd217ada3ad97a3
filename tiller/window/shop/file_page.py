"""The page on which a bow's file is changed, value by value, checked as it is typed; what changed and when is kept beside it."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tiller.errors import FileFault, TillerError
from tiller.files import check_regular, write_whole
from tiller.report.style import Units
from tiller.setup.bow_files import text_of
from tiller.setup.bow_values import Value, changed, values_of

CHANGES = "changes.csv"
COLUMNS = ("when", "what", "from", "to")
LARGEST_CHANGES = 1_000_000


@dataclass(frozen=True)
class Change:
    """One change: when (ISO, to the minute), of what, from and to, as they were shown."""

    when: str
    what: str
    before: str
    after: str


def changes_of(bow_file: Path) -> tuple[Change, ...]:
    """What was changed in a bow's file, oldest first; nothing where that cannot be read."""
    path = bow_file.with_name(CHANGES)
    try:
        check_regular(path, LARGEST_CHANGES)
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8", errors="replace"))))
    except (OSError, FileFault, csv.Error):
        return ()
    return tuple(Change(*row) for row in rows[1:] if len(row) == len(COLUMNS))


class FilePage:
    """The page's state.

    Raises:
        FileFault, KeyFault: the file cannot be read, or is wrong.
    """

    def __init__(self, name: str, file: Path, units: Units) -> None:
        self.name, self.file, self.units = name, file, units
        self.text = text_of(file)
        self.values: tuple[Value, ...] = values_of(self.text)
        self.changes = changes_of(file)
        self.at, self.fault, self.message = 0, "", ""
        self._checked = ""

    @property
    def value(self) -> Value:
        """The value that is chosen."""
        return self.values[self.at]

    def press(self, key: str) -> bool:
        """What a key does ('=' and a text: an answer); False where the page is left."""
        if key == "Escape":
            return False
        if key in ("Up", "Down"):
            self._go(self.at + (1 if key == "Down" else -1))
        elif key.startswith("#"):
            self._go(int(key[1:]))
        elif key.startswith("="):
            self._take(key[1:])
        return True

    def _go(self, at: int) -> None:
        self.at = min(len(self.values) - 1, max(0, at))
        self.fault = self.message = self._checked = ""

    def check(self, typed: str) -> None:
        """Says what is wrong with what is typed so far."""
        if typed == self._checked:
            return
        self._checked, self.message = typed, ""
        try:
            changed(self.text, self.value, typed, self.units.metric)
        except TillerError as err:
            self.fault = err.marked
        else:
            self.fault = ""

    def _take(self, typed: str) -> None:
        """Writes a change, and goes on to the next value; what is wrong stays on the page."""
        value = self.value
        try:
            new = changed(self.text, value, typed, self.units.metric)
            if new != self.text:
                self._write(new, value)
        except TillerError as err:
            self.fault = err.marked
            return
        message = self.message
        self._go(self.at + 1)
        self.message = message

    def left(self, typed: str) -> None:
        """Says so where a row was left with something typed in it that was not taken."""
        if typed.strip():
            self.message = f"'{typed.strip()}' was not taken: Enter takes what is typed."

    def _write(self, new: str, value: Value) -> None:
        """Writes the file and notes what changed; the text before is kept beside it.

        Raises:
            FileFault: it cannot be written, or was changed elsewhere meanwhile.
        """
        if text_of(self.file) != self.text:
            msg = f"the file of '{self.name}' was changed elsewhere meanwhile: leave this page and begin again; nothing was written."
            raise FileFault(msg)
        done = _change(value, new, self.units)
        write_whole(self.file.with_name("bow.toml.before"), self.text.encode())
        write_whole(self.file, new.encode())
        self.text, self.values = new, values_of(new)
        self.changes = (*self.changes, done)
        self.message = f"{done.what}: {done.before} is now {done.after}."
        try:
            _append(self.file.with_name(CHANGES), done)
        except OSError as err:
            self.message += f" It could not be noted in {CHANGES} ({err.strerror})."


def _change(value: Value, new: str, units: Units) -> Change:
    """What a change is, in words."""
    when, what = f"{datetime.now():%Y-%m-%d %H:%M}", f"{value.section}: {value.label}"
    fresh = values_of(new)
    if "features" in value.path:
        places = [v for v in fresh if v.path[:3] == value.path[:3] and v.path[-1] in ("kind", "from_mm", "to_mm")]
        there = ", ".join(v.shown(units) for v in places) or "none"
        return Change(when, f"{value.section}: knots and the like", value.shown(units), f"by now {there}")
    after = {v.path: v for v in fresh}.get(value.path)
    return Change(when, what, value.shown(units), after.shown(units) if after is not None else "-")


def _append(path: Path, done: Change) -> None:
    """Adds a line; what stands in the file stays, whatever it is."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    if not path.exists():
        rows.writerow(COLUMNS)
    rows.writerow((done.when, done.what, done.before, done.after))
    with path.open("a", encoding="utf-8") as file:
        file.write(out.getvalue())
