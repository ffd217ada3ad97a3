"""Lengths and forces inside sentences: marked where the sentence is made, put into the reader's units once, where it is shown.

A mark stands in brackets that nobody types. Whatever else a sentence holds, a bow called 'ash 30 N' among it, is left as it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

Shown = Callable[[float, int | None, bool], str]
"""A value, its decimals in metric units (None: as many as it has), whether its sign is shown: the words with the unit."""

_NUMBER = r"-?(?:\d{1,40}(?:\.\d{1,40})?(?:e[+-]?\d{1,3})?|nan|inf)"
_MARK = re.compile(rf"⟦({_NUMBER})(?:~({_NUMBER}))? (mm|N)(\+?) (\d|g)⟧")
BRACKETS = frozenset("⟦⟧")
"""Text that somebody else wrote must not hold them."""


def mm(value: float, decimals: int | None = 0, sign: bool = False) -> str:
    """A length in mm, for a sentence."""
    return f"⟦{float(value)!r} mm{'+' if sign else ''} {'g' if decimals is None else decimals}⟧"


def mm_span(start: float, end: float, decimals: int | None = 0) -> str:
    """From one place to another in mm, for a sentence."""
    return f"⟦{float(start)!r}~{float(end)!r} mm {'g' if decimals is None else decimals}⟧"


def newton(value: float, decimals: int | None = 0, sign: bool = False) -> str:
    """A force in N, for a sentence."""
    return f"⟦{float(value)!r} N{'+' if sign else ''} {'g' if decimals is None else decimals}⟧"


@dataclass(frozen=True)
class Quantity:
    """A length in mm or a force in N that a sentence holds; ``to`` where it is a span."""

    value: float
    unit: str
    to: float | None = None


def quantities(text: str) -> tuple[Quantity, ...]:
    """The lengths and forces of a sentence, in order."""
    found = (mark.groups() for mark in _MARK.finditer(text))
    return tuple(Quantity(float(a), unit, float(b) if b is not None else None) for a, b, unit, _, _ in found)


def shown(text: str, length: Shown, force: Shown) -> str:
    """The sentence with each of its lengths and forces as these two show them."""

    def one(mark: re.Match[str]) -> str:
        first, second, unit, sign, digits = mark.groups()
        decimals = None if digits == "g" else int(digits)
        show = length if unit == "mm" else force
        words = show(float(first), decimals, bool(sign))
        if second is None:
            return words
        return f"{words.rsplit(' ', 1)[0]} to {show(float(second), decimals, bool(sign))}"

    return _MARK.sub(one, text)


def plain(text: str) -> str:
    """The sentence in mm and N."""
    return shown(text, _metric("mm"), _metric("N"))


def plain_data(value: Any) -> Any:
    """The same for all texts of a JSON value."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, dict):
        return {key: plain_data(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(inner) for inner in value]
    return value


def _metric(unit: str) -> Shown:
    def show(value: float, decimals: int | None, sign: bool) -> str:
        plus = "+" if sign else ""
        return f"{value:{plus}g} {unit}" if decimals is None else f"{value:{plus}.{decimals}f} {unit}"

    return show
