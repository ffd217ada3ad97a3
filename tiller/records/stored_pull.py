"""A pull as the book keeps it: the types and their reader. ``Book.add`` is the writer."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair, Side
from tiller.mechanics.fit.marks import Mark
from tiller.mechanics.fit.results import Branch
from tiller.notes import Note
from tiller.records.shapes import advice_of, notes_of
from tiller.records.stored_advice import StoredAdvice, StoredComparison, read

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class StoredPicture:
    """A picture of the pull; NaN where it was not measured."""

    file: str
    branch: Branch
    t_s: float
    draw_mm: float
    draw_sd_mm: float
    force_n: float
    force_sd_n: float
    held: bool


@dataclass(frozen=True, kw_only=True)
class StoredLimb:
    """One limb at the largest draw; (n,) each, NaN where it was not seen. Both are empty in a book that kept less.

    Attributes:
        rest_s_mm, rest_mm: (k,), (k, 2) the rest line, rack x and y.
    """

    s_mm: Array
    bend_per_m: Array
    bend_sd: Array
    stiffness_n_m2: Array
    stiffness_sd: Array
    strain: Array
    strain_sd: Array
    departure: Array
    departure_sd: Array
    rest_s_mm: Array
    rest_mm: Array
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Scraping:
    """Strokes that were made after a pull, and how many its plan had asked for; ISO time."""

    strokes: int
    planned_strokes: int
    at: str


NOT_BY_THE_LIST = (1, 0)
"""Strokes made and asked for where wood came off that no list asked for, and nobody counted."""


@dataclass(frozen=True, kw_only=True)
class StoredPull:
    """A pull with its newest result; numbers are NaN where the pull did not tell them.

    Attributes:
        day, taken_at, made_at: ISO; program: the version that measured it.
        string_kind: '' where the book is older than that.
        advised: whether any advice is kept of it; without, ``advice`` and ``comparison`` are empty.
        files: name and hash of each file of the recording.
    """

    pull_id: int
    result_id: int
    bow: str
    wood: str
    day: str
    recording: str
    folder: str
    taken_at: str
    made_at: str
    program: str
    string_kind: str
    largest_draw_mm: float
    force_there_n: float
    lag_s: float
    lag_sd_s: float
    hysteresis: float
    balance: float
    balance_sd: float
    notes: tuple[Note, ...]
    left_out: tuple[str, ...]
    pictures: tuple[StoredPicture, ...]
    left: StoredLimb
    right: StoredLimb
    advised: bool
    advice: StoredAdvice
    comparison: StoredComparison
    scrapings: tuple[Scraping, ...]
    files: tuple[tuple[str, str], ...]

    def limb(self, side: Side) -> StoredLimb:
        """One limb."""
        return Pair(self.left, self.right)[side]

    @property
    def weighed(self) -> bool:
        """Whether there was a scale."""
        return bool(np.isfinite(self.force_there_n))

    @property
    def scraped_otherwise(self) -> bool:
        """Wood came off after it that no list asked for: how much, and where, nobody knows."""
        return any(s.strokes > 0 and s.planned_strokes == 0 for s in self.scrapings)

    @property
    def strokes(self) -> int:
        """Strokes noted since."""
        return sum(s.strokes for s in self.scrapings)

    @property
    def planned_strokes(self) -> int:
        """Strokes that the plan had asked for, as noted with them."""
        return sum(s.planned_strokes for s in self.scrapings)

    @property
    def marks(self) -> tuple[tuple[Side, Mark], ...]:
        """All marks, by limb."""
        return tuple((side, mark) for side in SIDES for mark in self.limb(side).marks)

    @property
    def has_rest(self) -> bool:
        """Whether both rest lines are kept."""
        return all(len(self.limb(side).rest_s_mm) > 0 for side in SIDES)


Rows = Sequence[Mapping[str, Any]]


def stored_pull(data: Mapping[str, Any]) -> StoredPull:
    """A pull out of the rows that ``Book.pull_rows`` reads."""
    kept_notes = notes_of(str(data["notes"]))
    advice = advice_of(data["advice"]) if data["advice"] is not None else None
    kept, comparison = read(advice or {})
    return StoredPull(
        pull_id=int(data["pull_id"]),
        result_id=int(data["result_id"]),
        bow=str(data["bow"]),
        wood=str(data["wood"]),
        day=str(data["day"]),
        recording=str(data["recording"]),
        folder=str(data["folder"]),
        taken_at=str(data["taken_at"]),
        made_at=str(data["made_at"]),
        program=str(data["program"]),
        string_kind=str(data["string_kind"] or ""),
        largest_draw_mm=_or_nan(data["largest_draw_mm"]),
        force_there_n=_or_nan(data["force_there_n"]),
        lag_s=_or_nan(data["lag_s"]),
        lag_sd_s=_or_nan(data["lag_sd_s"]),
        hysteresis=_or_nan(data["hysteresis"]),
        balance=_or_nan(data["balance"]),
        balance_sd=_or_nan(data["balance_sd"]),
        notes=kept_notes.notes,
        left_out=kept_notes.left_out,
        pictures=tuple(_picture(row) for row in data["force_draw"]),
        left=_limb(data, Side.LEFT),
        right=_limb(data, Side.RIGHT),
        advised=advice is not None,
        advice=kept,
        comparison=comparison,
        scrapings=tuple(
            Scraping(int(row["strokes"]), int(row["planned_strokes"]), str(row["at"])) for row in data["scrapings"]
        ),
        files=tuple((str(row["name"]), str(row["sha256"])) for row in data["files"]),
    )


def _picture(row: Mapping[str, Any]) -> StoredPicture:
    numbers = ("t_s", "draw_mm", "draw_sd_mm", "force_n", "force_sd_n")
    return StoredPicture(
        file=str(row["file"]),
        branch="down" if row["branch"] == "down" else "up",
        held=bool(row["held"]),
        **{key: _or_nan(row[key]) for key in numbers},
    )


PROFILE = (
    "s_mm",
    "bend_per_m",
    "bend_sd",
    "stiffness_n_m2",
    "stiffness_sd",
    "strain",
    "strain_sd",
    "departure",
    "departure_sd",
)
"""Columns of a limb's profile, as the book's table has them."""


def _limb(data: Mapping[str, Any], side: Side) -> StoredLimb:
    rest: Rows = data["rest"][side]
    marks = [row for row in data["marks"] if row["limb"] == side]
    return StoredLimb(
        **{name: _column(data["profiles"][side], name) for name in PROFILE},
        rest_s_mm=_column(rest, "s_mm"),
        rest_mm=np.column_stack([_column(rest, "x_mm"), _column(rest, "y_mm")]),
        marks=tuple(Mark(m["from_mm"], m["to_mm"], str(m["kind"]), m["departure"], m["sd"]) for m in marks),
    )


def _column(rows: Rows, name: str) -> Array:
    return np.array([_or_nan(row[name]) for row in rows])


def _or_nan(value: Any) -> float:
    return float("nan") if value is None else float(value)


def description(bow: Bow) -> str:
    """What the book keeps of a bow as it was written down, as JSON."""
    target = bow.target
    data = {
        "modulus_gpa": bow.modulus_gpa,
        "crown_radius_mm": bow.crown_radius_mm,
        "moisture_percent": bow.moisture_percent,
        "features": {side: [asdict(f) for f in bow.limb(side).features] for side in SIDES},
        "tip_mm": {side: bow.limb(side).tip_mm for side in SIDES},
        "layers": {side: [asdict(y) for y in bow.limb(side).layers] for side in SIDES},
        "target": {
            "draw_mm": target.draw_length_mm,
            "weight_n": target.draw_weight_n,
            "brace_mm": target.brace_height_mm,
            "shape": target.shape,
            "ellipse_ratio": target.ellipse_ratio,
            "outer_share": target.outer_share,
            "curve": [asdict(p) for p in target.curve],
            "tiller_mm": target.tiller_mm,
            "hand": asdict(target.hand) if target.hand is not None else None,
            "working_strain": target.working_strain,
        },
    }
    return json.dumps(data)


def wanted_weight_n(description: str) -> float:
    """The weight that was wanted of a bow, by its ``description``; NaN where that has another shape."""
    try:
        return float(json.loads(description)["target"]["weight_n"])
    except (ValueError, KeyError, TypeError):
        return float("nan")
