"""What is told of a stave in a few words, as it is typed at the shop: rings, the air, an offcut, a knot; and what each may be."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Any

from tiller.bow.bowfile import FEATURES
from tiller.bow.stavefile import BACKS
from tiller.bow.units import MM_PER_INCH
from tiller.bow.wood.shrinkage import SATURATION
from tiller.errors import TillerError

NUMBER = r"([0-9]+(?:[.,][0-9]+)?)"
ENDS = rf"{NUMBER}\s*(mm|cm|in)?\s*-\s*{NUMBER}\s*(mm|cm|in)?"


MM_OF = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}


@dataclass(frozen=True)
class Limits:
    """A number of a stave's file: its key there and what makes sense."""

    key: str
    low: float
    high: float
    unit: str


NUMBERS = {
    "log": Limits("log_diameter_mm", 30, 2000, "mm"),
    "rings": Limits("rings", 1, 1000, "rings"),
    "ring": Limits("ring_mm", 0.1, 30, "mm"),
    "dry mass": Limits("dry_mass_kg", 0.02, 60, "kg"),
    "wanted": Limits("wanted_moisture", 4, SATURATION, "%"),
}
"""By the word for it."""
EXAMPLES = "'rings 14', 'ring 3 mm', 'chased ring', 'air 18 55' (degrees C, per cent), 'offcut 52.1 44.8 2.43' (g wet, g dry, the stave's kg), 'wanted 9' (per cent), 'left knot 310-340'"
"""How they are typed."""


def within(word: str, value: float) -> float:
    """A number that makes sense.

    Raises:
        TillerError: it does not.
    """
    limits = NUMBERS[word]
    if not limits.low <= value <= limits.high:
        msg = f"{word} is {value:g}: {limits.low:g} to {limits.high:g} {limits.unit} makes sense."
        raise TillerError(msg)
    return value


def fact_of(text: str, metric: bool, today: date) -> dict[str, Any]:
    """The keys and tables of a stave's file that a few words mean; empty where they are no fact of this kind.

    Raises:
        TillerError: a number that makes no sense.
    """
    plain = " ".join(text.lower().split())
    for word, limits in NUMBERS.items():
        found = re.fullmatch(rf"{word} {NUMBER}\s*(mm|cm|in|kg|%)?", plain)
        if found:
            value = _number(found[1])
            if limits.unit == "mm":
                value *= MM_OF[found[2] if found[2] in ("mm", "cm", "in") else ("mm" if metric else "in")]
            return {limits.key: int(within(word, value)) if word == "rings" else round(within(word, value), 4)}
    if plain in BACKS:
        return {"back": plain}
    found = re.fullmatch(rf"air {NUMBER}\s*c?[ :,]+{NUMBER}\s*%?", plain)
    if found:
        return {"shop": {"temperature_c": _number(found[1]), "humidity_percent": _number(found[2])}}
    found = re.fullmatch(rf"offcut {NUMBER}\s*g?[ :]+{NUMBER}\s*g?[ :]+{NUMBER}\s*(?:kg)?", plain)
    if found:
        wet, dry, kg = (_number(found[k]) for k in (1, 2, 3))
        return {"offcut": {"on": today, "wet_g": wet, "dry_g": dry, "stave_kg": kg}}
    kinds = "|".join(FEATURES)
    found = re.fullmatch(rf"(left|right) ({kinds}) {ENDS}(?: ([0-9.]+)\s*mm high)?", plain)
    if found:
        usual = "mm" if metric else "in"
        units = (found[4] or found[6] or usual, found[6] or found[4] or usual)
        low, high = (_number(found[k]) * MM_OF[u] for k, u in zip((3, 5), units, strict=True))
        row: dict[str, Any] = {"limb": found[1], "kind": found[2], "from_mm": round(low, 2), "to_mm": round(high, 2)}
        return {"features": [row | ({"raised_mm": _number(found[7])} if found[7] else {})]}
    return {}


def _number(text: str) -> float:
    return float(text.replace(",", "."))
