"""What stands in a bow's file, value by value, each with its question; and the file with one of them changed. Pure: texts in, texts out.

A change is checked by the reader of the file itself: what it would not read is refused with its words.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tiller.bow.bowfile import FEATURES, parse_bow
from tiller.bow.sides import SIDES
from tiller.bow.target import SHAPES
from tiller.bow.tomlwrite import with_rows, with_values
from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM
from tiller.errors import KeyFault, TillerError
from tiller.report.style import Units
from tiller.setup.field import Field

Where = tuple[str | int, ...]
AWAY = "-"
"""Typed in place of a value that may be left out: it is taken away."""


@dataclass(frozen=True, kw_only=True)
class Value:
    """One value of the file.

    Attributes:
        path: where it stands, '+' at its end for one that is added; section: what it belongs to, in a word or two.
        field: its question; now: what stands there, in mm, N, a share or as text; None where nothing does.
        optional: it may be left out.
    """

    path: Where
    section: str
    field: Field
    now: float | str | None
    optional: bool = False

    @property
    def label(self) -> str:
        """Its question."""
        return self.field.question

    def shown(self, units: Units) -> str:
        """What stands there, with its unit."""
        if self.now is None:
            return "-"
        if isinstance(self.now, str):
            return self.now
        if self.field.kind == "mm":
            return units.length(self.now, 1 if units.metric else 2)
        if self.field.kind == "n":
            return units.force(self.now)
        return f"{self.now:g} {self.field.unit(units.metric)}"


def _mm(question: str, low: float, high: float) -> Field:
    return Field(key=question, question=question, kind="mm", low=low, high=high)


def _of(question: str, kind: str, low: float, high: float) -> Field:
    return Field(key=question, question=question, kind=kind, low=low, high=high)


def _word(question: str, choices: Sequence[str] = ()) -> Field:
    return Field(key=question, question=question, kind="text", choices=tuple(choices))


def values_of(text: str) -> tuple[Value, ...]:
    """All values of a bow's file in their order.

    Raises:
        KeyFault: the file is wrong.
    """
    data = tomllib.loads(text)
    bow = parse_bow(data, "bow.toml")
    out: list[Value] = []

    def add(section: str, path: Where, field: Field, now: Any, optional: bool = False) -> None:
        out.append(Value(path=path, section=section, field=field, now=now, optional=optional))

    add("wood", ("wood",), _word("wood"), bow.wood)
    add("wood", ("modulus_gpa",), _of("modulus, where it is known", "gpa", 1, 40), bow.modulus_gpa, optional=True)
    add("wood", ("crown_radius_mm",), _mm("radius of the back's crown", 10, 2000), bow.crown_radius_mm, optional=True)
    add("wood", ("moisture_percent",), _of("moisture", "percent", 0, 30), bow.moisture_percent, optional=True)
    add("string", ("string", "kind"), _word("long or braced", ("long", "braced")), bow.string.kind)
    add("string", ("string", "length_mm"), _mm("length between the loops", 400, 4000), bow.string.length_mm)
    target = bow.target
    add(
        "wanted",
        ("target", "draw"),
        _mm("draw to the back", 245, 1245),
        target.draw_length_mm + ARCHERY_DRAW_ALLOWANCE_MM,
    )
    add("wanted", ("target", "draw_weight_n"), _of("weight at that draw", "n", 20, 1000), target.draw_weight_n)
    add("wanted", ("target", "brace_height_mm"), _mm("brace height", 60, 350), target.brace_height_mm)
    add("wanted", ("target", "shape"), _word("shape of the bend", [s for s in SHAPES if s != "own"]), target.shape)
    if target.hand is None:
        tiller = target.tiller_mm
        add("wanted", ("target", "tiller_mm"), _mm("tiller: upper less lower, braced", -20, 20), tiller, optional=True)
    strain = None if target.working_strain is None else 100 * target.working_strain
    add("wanted", ("target", "working_strain"), _of("largest strain", "percent", 0.2, 5), strain, optional=True)
    add("limbs", ("upper_limb",), _word("upper limb: left or right", SIDES), str(bow.upper_limb))
    for side in SIDES:
        raw = data["limbs"][side]
        limb, base = bow.limb(side), ("limbs", str(side))
        section = f"{side} limb"
        add(section, (*base, "length_mm"), _mm("from the pivot to the nock, along the back", 200, 1500), limb.length_mm)
        add(section, (*base, "handle_mm"), _mm("stiff handle, from the pivot", 0, 700), limb.handle_mm)
        add(section, (*base, "fade_mm"), _mm("fade, beyond the handle", 0, 700), raw.get("fade_mm"), optional=True)
        add(section, (*base, "tip_mm"), _mm("stiff tip, from the nock", 0, 600), limb.tip_mm, optional=True)
        for k, station in enumerate(limb.stations):
            at = (*base, "stations", k)
            add(section, (*at, "s_mm"), _mm(f"station {k + 1}: its place, from the pivot", 0, 2000), station.s_mm)
            add(section, (*at, "width_mm"), _mm(f"station {k + 1}: width", 4, 120), station.width_mm)
            add(section, (*at, "thickness_mm"), _mm(f"station {k + 1}: thickness", 2, 80), station.thickness_mm)
        for k, feature in enumerate(limb.features):
            at = (*base, "features", k)
            add(
                section,
                (*at, "kind"),
                _word(f"{feature.kind}: what it is", tuple(FEATURES)),
                feature.kind,
                optional=True,
            )
            add(section, (*at, "from_mm"), _mm(f"{feature.kind}: from, along the back", 0, 1500), feature.from_mm)
            add(section, (*at, "to_mm"), _mm(f"{feature.kind}: to", 0, 1500), feature.to_mm)
        add(
            section,
            (*base, "features", "+"),
            _word("a knot or the like to be added, such as 'knot 310-340'"),
            None,
            optional=True,
        )
    return tuple(out)


def changed(text: str, value: Value, typed: str, metric: bool) -> str:
    """The file with that value as it was typed; as it was where nothing was.

    Raises:
        TillerError: it is no answer, or the file would not be right with it; says what is wrong.
    """
    typed = typed.strip()
    if not typed:
        return text
    if value.path[-1] == "+":
        return _checked(with_rows(text, [str(p) for p in value.path[:-1]], [feature_of(typed, metric)]))
    if typed == AWAY:
        if not value.optional or value.now is None:
            msg = (
                f"{value.label}: it cannot be left out."
                if not value.optional
                else f"{value.label}: nothing stands there."
            )
            raise TillerError(msg)
        return _checked(_without(text, value.path))
    answer = value.field.read(typed, metric)
    if value.path == ("target", "draw"):
        has = "draw_length_mm" in tomllib.loads(text)["target"]
        new: dict[Where, float] = {("target", "draw_to_back_mm"): round(float(answer), 1)}
        return _checked(with_values(text, new, without=[("target", "draw_length_mm")] if has else []))
    if value.path == ("target", "working_strain"):
        answer = round(float(answer) / 100, 6)
    if isinstance(answer, float) and value.field.kind in ("mm", "n"):
        answer = round(answer, 2)
    return _checked(with_values(text, {value.path: answer}))


def _without(text: str, path: Where) -> str:
    if path[-1] == "kind" and len(path) > 2 and path[-3] == "features":  # the whole of it
        rows = list(_inner(tomllib.loads(text), path[:-2]))
        del rows[int(path[-2])]
        at = path[:-2]
        return with_values(text, {at: rows}) if rows else with_values(text, {}, without=[at])
    return with_values(text, {}, without=[path])


def _inner(data: Any, path: Where) -> Any:
    for name in path:
        data = data[name]
    return data


def feature_of(typed: str, metric: bool) -> dict[str, object]:
    """A feature as it is typed: what it is, from where to where along the back.

    Raises:
        TillerError: it is none.
    """
    found = re.fullmatch(r"\s*([a-z ]+?)\s+([\d.,]+)\s*-\s*([\d.,]+)\s*(mm|in)?\s*", typed.lower())
    kind = found.group(1) if found else ""
    if found is None or kind not in FEATURES:
        msg = f"'{typed}' is no feature: one of {', '.join(FEATURES)}, and from where to where along the back, such as 'knot 310-340'."
        raise TillerError(msg)
    unit = found.group(4) or ("mm" if metric else "in")
    field = _mm("its place", 0, 2000)
    low, high = (float(field.read(f"{found.group(k)} {unit}", metric)) for k in (2, 3))
    return {"kind": kind, "from_mm": round(min(low, high), 1), "to_mm": round(max(low, high), 1)}


def _checked(text: str) -> str:
    try:
        parse_bow(tomllib.loads(text), "bow.toml")
    except KeyFault as err:
        raise TillerError(str(err.marked)) from err
    return text
