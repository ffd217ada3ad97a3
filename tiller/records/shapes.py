"""What the book's JSON texts hold: the shape that this program gives them. A book may come from anywhere, so it is looked at in every reader."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from tiller.notes import Note, read, written
from tiller.records.strictjson import strict_json

TEXTS = frozenset({"limb", "kind", "reason", "source", "at", "file", "what", "code", "level", "text"})
"""Keys within a table or a row that hold a text; all others hold a number or nothing."""
ADVICE = {
    "forecast": "table",
    "stop": "table",
    "tiller_at_brace": "table",
    "next_pull": "table",
    "plan_summary": "table",
    "missing": "rows",
    "plan": "rows",
    "layers": "rows",
    "leave_alone": "rows",
    "passes_done": "rows",
    "set": "rows",
    "set_by_place": "rows",
    "set_shown": "table",
    "events_shown": "rows",
    "advice_notes": "rows",
    "comparison_notes": "rows",
    "advice_said": "texts",
    "beside_said": "texts",
    "working_strain_source": "text",
}
"""Of what is kept of a pull's advice; every other key holds a number or nothing."""
DEEPEST = 3
MOST_ITEMS = 100_000


@dataclass(frozen=True)
class KeptNotes:
    """What is known of a pull, and what was left out of it."""

    notes: tuple[Note, ...] = ()
    left_out: tuple[str, ...] = ()


def notes_json(kept: KeptNotes) -> str:
    """As the book keeps it."""
    return json.dumps({"left_out": kept.left_out, "notes": [written(note) for note in kept.notes]})


def notes_of(text: str) -> KeptNotes:
    """The same read again; empty where the text has another shape. An older book keeps sentences, an old one nothing else."""
    data = _read(text)
    if isinstance(data, list):
        data = {"notes": data}
    if not isinstance(data, dict):
        return KeptNotes()
    data = {key: data[key] for key in ("notes", "said", "left_out") if data.get(key) is not None}
    if not fits_notes(data):
        return KeptNotes()
    sentences = [read(one) for key in ("notes", "said") for one in data.get(key) or ()]
    return KeptNotes(
        tuple(note for note in sentences if note is not None),
        tuple(t for t in data.get("left_out") or () if isinstance(t, str)),
    )


def advice_of(text: str) -> dict[str, Any] | None:
    """A pull's advice; None where the text has another shape."""
    data = _read(text)
    return data if isinstance(data, dict) and fits_advice(data) else None


def fits_notes(data: Any) -> bool:
    """Whether these are notes."""
    rows = data.values() if isinstance(data, dict) else [data]
    return all(isinstance(row, list) and all(isinstance(t, str) or _table(t, 1) for t in row) for row in rows)


MOST_FIGURES = 100


def fits_figures(data: Any) -> bool:
    """Whether it is what is kept of a finding: figures with a name, a value and its sd."""
    if not isinstance(data, list) or len(data) > MOST_FIGURES:
        return False
    return all(
        isinstance(one, dict)
        and set(one) == {"name", "value", "sd"}
        and isinstance(one["name"], str)
        and all(
            one[k] is None or (isinstance(one[k], int | float) and not isinstance(one[k], bool))
            for k in ("value", "sd")
        )
        for one in data
    )


def fits_advice(data: Any) -> bool:
    """Whether this is advice as this program keeps it."""
    return isinstance(data, dict) and all(_fits(ADVICE.get(key, "number"), value) for key, value in data.items())


def fits_description(data: Any) -> bool:
    """Whether this describes a bow: sizes and texts, in tables and rows of them."""
    return isinstance(data, dict) and _plain(data, DEEPEST + 4)


def _read(text: str) -> Any:
    try:
        return strict_json(text)
    except ValueError:
        return None


def _fits(kind: str, value: Any) -> bool:
    if value is None:
        return True
    if kind == "number":
        return _number(value)
    if kind == "text":
        return isinstance(value, str)
    if kind == "texts":
        return isinstance(value, list) and all(isinstance(v, str) for v in value)
    if kind == "rows":
        return isinstance(value, list) and len(value) < MOST_ITEMS and all(_table(v, 1) for v in value)
    return _table(value, DEEPEST)


def _table(value: Any, deep: int) -> bool:
    """A table whose values are numbers, the texts that we know of, and, as deep as given, tables and lists of numbers."""
    if not isinstance(value, dict):
        return False
    for key, inner in value.items():
        if inner is None or (isinstance(inner, str) if key in TEXTS else _number(inner)):
            continue
        if deep > 1 and (_table(inner, deep - 1) or (isinstance(inner, list) and all(map(_number_or_none, inner)))):
            continue
        return False
    return True


def _number(value: Any) -> bool:
    return isinstance(value, bool | int | float) and math.isfinite(value)


def _number_or_none(value: Any) -> bool:
    return value is None or _number(value)


def _plain(value: Any, deep: int) -> bool:
    if value is None or isinstance(value, str) or _number(value):
        return True
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return inner is not None and deep > 0 and all(_plain(v, deep - 1) for v in inner)
