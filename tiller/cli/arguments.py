"""What a number on the command line may be."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

from tiller.bow.units import mm_from_inch, n_from_lbf

LARGEST = 1e9
"""Nothing that is typed at a rack is larger: mm, N, kg, percent, pixels, counts."""


def number(text: str) -> float:
    """A finite number of ordinary size.

    Raises:
        ArgumentTypeError: it is none.
    """
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > LARGEST:
        msg = f"{_short(text)} is no number of ordinary size, such as 12.5"
        raise argparse.ArgumentTypeError(msg)
    return value


def whole(text: str) -> int:
    """A whole number of ordinary size.

    Raises:
        ArgumentTypeError: it is none.
    """
    value = number(text)
    if value != int(value):
        msg = f"{_short(text)} is no whole number"
        raise argparse.ArgumentTypeError(msg)
    return int(value)


@dataclass(frozen=True)
class Typed:
    """A length or a force as it was typed: a number and its unit, "" where none was given."""

    value: float
    unit: str
    what: str


UNITS = {
    "length": {"mm": 1.0, "cm": 10.0, "in": mm_from_inch(1.0), '"': mm_from_inch(1.0)},
    "force": {"N": 1.0, "lb": n_from_lbf(1.0)},
}
"""What may follow a number, and how many mm or N it is."""


def length(text: str) -> Typed:
    """A length: '880', '34.5in', '34 1/2 in'; without a unit it is in those of ``--units``.

    Raises:
        ArgumentTypeError: it is none.
    """
    return _typed(text, "length")


def force(text: str) -> Typed:
    """A force: '200', '200N', '45lb'; without a unit it is in those of ``--units``.

    Raises:
        ArgumentTypeError: it is none.
    """
    return _typed(text, "force")


def _typed(text: str, what: str) -> Typed:
    bare = text.strip()
    unit = next((u for u in sorted(UNITS[what], key=len, reverse=True) if bare.lower().endswith(u.lower())), "")
    bare = bare[: len(bare) - len(unit)].strip()
    if "/" in bare:  # 34-1/2, as it is written on a rule
        bare = bare[:1] + bare[1:].replace("-", " ")
    whole_part, _, part = bare.rpartition(" ")
    over, slash, under = part.partition("/")
    try:
        value = (
            number(bare) if not slash else (number(whole_part) if whole_part else 0.0) + number(over) / number(under)
        )
    except ZeroDivisionError:
        value = math.nan
    except argparse.ArgumentTypeError:
        value = math.nan
    if not math.isfinite(value):
        example = "880, 880mm, 34.5in or '34 1/2 in'" if what == "length" else "200, 200N or 45lb"
        msg = f"{_short(text)} is no {what}, such as {example}"
        raise argparse.ArgumentTypeError(msg)
    return Typed(value, unit, what)


def in_units(args: argparse.Namespace) -> None:
    """Puts mm and N in the place of every length and force that was typed."""
    metric = getattr(args, "units", "metric") == "metric"
    usual = {"length": "mm" if metric else "in", "force": "N" if metric else "lb"}
    for name, value in vars(args).items():
        if isinstance(value, Typed):
            setattr(args, name, value.value * UNITS[value.what][value.unit or usual[value.what]])


def in_mm(typed: Typed, metric: bool) -> float:
    """A length that was typed, mm."""
    return typed.value * UNITS["length"][typed.unit or ("mm" if metric else "in")]


def _short(text: str) -> str:
    return repr(text if len(text) <= 20 else text[:17] + "...")
