"""Typed reading of TOML tables: a wrong or missing key is named with file, key, found, expected."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from tiller.errors import FileFault, KeyFault
from tiller.files import read_regular
from tiller.quantity import BRACKETS

LARGEST_TOML, LONGEST_TEXT, MOST_TABLES = 1_000_000, 200, 200
"""A rig's or a bow's file has some thousand bytes; a name some twenty characters."""


def load_toml(path: Path) -> dict[str, Any]:
    """The parsed file.

    Raises:
        FileFault: the file is missing, unreadable, not UTF-8 or not TOML; says which.
    """
    try:
        raw = read_regular(path, LARGEST_TOML)
    except FileNotFoundError:
        makes = "; 'tiller calibrate' writes a rig's" if path.name == "rig.toml" else ""
        msg = f"{path.name} is missing in {path.parent}: check the name, or copy the one that belongs to this rack or bow there{makes}."
        raise FileFault(msg) from None
    except OSError as err:
        msg = f"{path} cannot be read ({err.strerror}): check the file and its permissions."
        raise FileFault(msg) from err
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))  # an editor may have put a byte-order mark before it
    except UnicodeDecodeError as err:
        msg = f"{path} is not UTF-8 text (byte {err.start}): save it again as UTF-8."
        raise FileFault(msg) from err
    except tomllib.TOMLDecodeError as err:
        msg = f"{path} is not valid TOML: {err}. Correct that line."
        raise FileFault(msg) from err
    except (ValueError, RecursionError) as err:  # a number of thousands of digits, brackets within brackets without end
        msg = f"{path} holds a number or a nesting that no file of this program has ({type(err).__name__}): write it anew from the example."
        raise FileFault(msg) from err


def _in_words(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool) and _too_long(value):
        digits = str(abs(value)) if value.bit_length() < 10_000 else ""
        return f"a number of {len(digits)} digits" if digits else "a number of thousands of digits"
    text = str(value) if isinstance(value, date) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _too_long(value: float) -> bool:
    return isinstance(value, int) and abs(value) > 10**15


Keys = Mapping[str, "Keys | None"]
"""Known keys: a table's own below it, None for a value; a list of tables counts as one table."""


def strange_keys(data: Mapping[str, Any], known: Keys, path: str = "") -> tuple[str, ...]:
    """Dotted paths of keys that are not known, each with the known one that it resembles, if any."""
    out: list[str] = []
    for name, value in data.items():
        full = f"{path}.{name}" if path else str(name)
        if name not in known:
            like = difflib.get_close_matches(str(name), list(known), 1, 0.7)
            out.append(f"{full} (is {like[0]} meant?)" if like else full)
            continue
        below = known[name]
        for row in value if isinstance(value, list) else [value]:
            if below is not None and isinstance(row, dict):
                out += [key for key in strange_keys(row, below, full) if key not in out]
    return tuple(out)


_MISSING = object()


@dataclass(frozen=True)
class Table:
    """A TOML table that knows its file and its dotted path, and checks what is taken from it."""

    file: str
    path: str
    data: Mapping[str, Any]

    def key(self, name: str) -> str:
        """Dotted path of a key of this table."""
        return f"{self.path}.{name}" if self.path else name

    def fault(self, name: str, expected: str) -> KeyFault:
        """The error for a wrong or missing key."""
        value = self.data.get(name, _MISSING)
        found = _in_words(value)
        if value is _MISSING:
            like = difflib.get_close_matches(name, [str(key) for key in self.data], 1, 0.7)
            found = (
                f"nothing (the key is missing; is '{like[0]}' meant for it?)"
                if like
                else "nothing (the key is missing)"
            )
        return KeyFault(self.file, self.key(name), found, expected)

    def has(self, name: str) -> bool:
        """Whether the key is there."""
        return name in self.data

    def text(self, name: str, expected: str = "a text", allowed: tuple[str, ...] = ()) -> str:
        """A non-empty string of printable characters, out of ``allowed`` if that is given."""
        value = self.data.get(name)
        if allowed:
            expected = "one of " + ", ".join(f'"{a}"' for a in allowed)
        if not isinstance(value, str) or not value.strip() or (allowed and value not in allowed):
            raise self.fault(name, expected)
        if not value.isprintable() or len(value) > LONGEST_TEXT or BRACKETS & set(value):
            raise self.fault(
                name, f"at most {LONGEST_TEXT} printable characters (no line breaks, no control characters, no ⟦ or ⟧)"
            )
        return value

    def label(self, name: str) -> str:
        """A text as in ``text``, or a date; "" where the key is absent or empty."""
        value = self.data.get(name, "")
        if isinstance(value, date):
            return str(value)
        return "" if value == "" else self.text(name)

    def number(self, name: str, low: float, high: float, unit: str = "", *, default: float | None = None) -> float:
        """A finite number in [low, high]; ``default`` where the key is absent."""
        if default is not None and name not in self.data:
            return default
        value = self.data.get(name)
        expected = f"a number from {low:g} to {high:g}" + (f" {unit}" if unit else "")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or _too_long(value):
            raise self.fault(name, expected)
        if not math.isfinite(value) or not low <= value <= high:
            raise self.fault(name, expected)
        return float(value)

    def flag(self, name: str, default: bool) -> bool:
        """true or false; ``default`` where the key is absent."""
        value = self.data.get(name, default)
        if not isinstance(value, bool):
            raise self.fault(name, "true or false")
        return value

    def whole(self, name: str, low: int, high: int) -> int:
        """A whole number in [low, high]."""
        value = self.data.get(name)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.fault(name, f"a whole number from {low} to {high}")
        return value

    def numbers(
        self, name: str, count: int | tuple[int, ...], low: float, high: float, unit: str = ""
    ) -> tuple[float, ...]:
        """A list of the given length (or one of the lengths) of finite numbers in [low, high]."""
        counts = (count,) if isinstance(count, int) else count
        value = self.data.get(name)
        expected = "a list of " + " or ".join(str(c) for c in counts) + f" numbers from {low:g} to {high:g}"
        expected += f" {unit}" if unit else ""
        if not isinstance(value, list) or len(value) not in counts:
            raise self.fault(name, expected)
        for v in value:
            if isinstance(v, bool) or not isinstance(v, (int, float)) or _too_long(v) or not math.isfinite(v):
                raise self.fault(name, expected)
            if not low <= v <= high:
                raise self.fault(name, expected)
        return tuple(float(v) for v in value)

    def table(self, name: str) -> Table:
        """A sub-table."""
        value = self.data.get(name)
        if not isinstance(value, dict):
            raise self.fault(name, f"a table [{self.key(name)}]")
        return Table(self.file, self.key(name), value)

    def tables(self, name: str, at_least: int) -> tuple[Table, ...]:
        """A list of tables."""
        value = self.data.get(name)
        expected = f"a list of at least {at_least} tables" if at_least else "a list of tables"
        if not isinstance(value, list) or len(value) < at_least or not all(isinstance(v, dict) for v in value):
            raise self.fault(name, expected)
        if len(value) > MOST_TABLES:
            raise self.fault(
                name, f"at most {MOST_TABLES} tables (a limb has some ten stations, a board some ten fiducials)"
            )
        return tuple(Table(self.file, f"{self.key(name)}[{i}]", v) for i, v in enumerate(value))
