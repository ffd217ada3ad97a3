"""What the book keeps of a pull's advice and of its comparison with earlier pulls: the types, their writer and their reader.

The names of the fields are the keys of the JSON. NaN is written as null. A book may come from anywhere, and an older one has fewer keys:
what is missing, or is not of its kind, is read as NaN, as an empty text, or as nothing.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from tiller import notes
from tiller.notes import Note

NAN = float("nan")
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class StoredCurve:
    """Force over draw, with its sd; (n,) each."""

    draw_mm: tuple[float, ...] = ()
    force_n: tuple[float, ...] = ()
    force_sd_n: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class StoredForecast:
    """The braced bow at its target draw."""

    braced_weight_n: float = NAN
    sd_n: float = NAN
    target_draw_mm: float = NAN
    brace_mm: float = NAN
    string_mm: float = NAN
    string_sd_mm: float = NAN
    stored_j: float = NAN
    stored_sd_j: float = NAN
    curve: StoredCurve = StoredCurve()


@dataclass(frozen=True, kw_only=True)
class StoredStop:
    """The draw not to be exceeded, why, and all limits by name (NaN where none was found); and what holds on a string that braces the bow."""

    draw_mm: float = NAN
    reason: str = ""
    limits_mm: Mapping[str, float] = dataclasses.field(default_factory=dict)
    braced_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredTiller:
    """Tiller at brace, upper less lower limb, and what is wanted."""

    upper_less_lower_mm: float = NAN
    sd_mm: float = NAN
    wanted_mm: float = NAN
    wanted_left_over_right_strain: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredNextPull:
    """How far to pull next, and what that will show where."""

    draw_mm: float = NAN
    limb: str = ""
    at_mm: float = NAN
    sd_now: float = NAN
    sd_then: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredZone:
    """A stretch to scrape: all that is to come off, and how much of it in this pass."""

    limb: str = ""
    from_mm: float = NAN
    to_mm: float = NAN
    from_nock_mm: float = NAN
    to_nock_mm: float = NAN
    depth_mm: float = NAN
    depth_sd_mm: float = NAN
    pass_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredLayer:
    """A layer of this pass."""

    limb: str = ""
    from_mm: float = NAN
    to_mm: float = NAN
    depth_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredLeftAlone:
    """A stretch to leave alone, and why."""

    limb: str = ""
    from_mm: float = NAN
    to_mm: float = NAN
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class StoredMissing:
    """What the bow lacks to be done."""

    what: str = ""
    size: float = NAN
    limb: str | None = None
    from_mm: float = NAN
    to_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredSummary:
    """Weight and unevenness now, after the pass and in the end; bands hold 80 %."""

    weight_now_n: float = NAN
    weight_after_pass_n: float = NAN
    weight_final_n: float = NAN
    weight_sd_n: float = NAN
    weight_after_pass_sd_n: float = NAN
    even_weight_n: float = NAN
    uneven_now: float = NAN
    uneven_now_band: tuple[float, ...] = ()
    uneven_after_pass: float = NAN
    uneven_after_pass_band: tuple[float, ...] = ()
    uneven_final: float = NAN
    uneven_final_band: tuple[float, ...] = ()
    even_strain: float = NAN
    largest_strain: float = NAN
    earlier_pulls: int = 0


@dataclass(frozen=True, kw_only=True)
class StoredAdvice:
    """Forecast, stop and plan; None where it could not be had, ``advice_notes`` say why.

    Attributes:
        missing: None where there was no plan; empty where the bow was done.
    """

    forecast: StoredForecast | None = None
    stop: StoredStop | None = None
    tiller_at_brace: StoredTiller | None = None
    next_pull: StoredNextPull | None = None
    plan: tuple[StoredZone, ...] | None = None
    layers: tuple[StoredLayer, ...] | None = None
    leave_alone: tuple[StoredLeftAlone, ...] | None = None
    missing: tuple[StoredMissing, ...] | None = None
    plan_summary: StoredSummary | None = None
    working_strain: float = NAN
    working_strain_source: str = ""
    advice_notes: tuple[Note, ...] = ()

    @property
    def weight_n(self) -> float:
        """The forecast weight; NaN without a forecast."""
        return self.forecast.braced_weight_n if self.forecast is not None else NAN

    @property
    def weight_sd_n(self) -> float:
        """Its sd; NaN without a forecast."""
        return self.forecast.sd_n if self.forecast is not None else NAN

    @property
    def uneven_now(self) -> float:
        """Unevenness now; NaN without a plan."""
        return self.plan_summary.uneven_now if self.plan_summary is not None else NAN


@dataclass(frozen=True, kw_only=True)
class StoredPass:
    """Share of what was planned that came off a limb."""

    limb: str = ""
    share: float = NAN
    sd: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredSet:
    """How far a limb follows the string, and where most of it begins."""

    limb: str = ""
    nock_mm: float = NAN
    sd_mm: float = NAN
    where_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredEvent:
    """What something that was done changed."""

    limb: str = ""
    what: str = ""
    from_mm: float = NAN
    to_mm: float = NAN
    stiffer: float = NAN
    stiffer_sd: float = NAN
    nock_mm: float = NAN
    nock_sd_mm: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredSetZone:
    """Share of its bend that a stretch kept, at the strain that it was brought to."""

    limb: str = ""
    from_mm: float = NAN
    to_mm: float = NAN
    strain: float = NAN
    kept: float = NAN
    kept_sd: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredSetShown:
    """What the set of both limbs shows."""

    nocks_mm: float = NAN
    nocks_sd_mm: float = NAN
    strain: float = NAN
    limit: float = NAN
    limit_sd: float = NAN


@dataclass(frozen=True, kw_only=True)
class StoredComparison:
    """A pull beside the bow's earlier ones."""

    stroke_mm: float = NAN
    passes_done: tuple[StoredPass, ...] = ()
    promised_n: float = NAN
    set: tuple[StoredSet, ...] = ()
    tiller_mm: float = NAN
    tiller_sd_mm: float = NAN
    lost_share: float = NAN
    lost_share_sd: float = NAN
    stacking: float = NAN
    stacking_sd: float = NAN
    comparison_notes: tuple[Note, ...] = ()
    events_shown: tuple[StoredEvent, ...] = ()
    set_by_place: tuple[StoredSetZone, ...] | None = None
    set_shown: StoredSetShown | None = None

    @property
    def set_mm(self) -> float:
        """The larger set of both limbs at the nock, to either side; NaN where it is not known."""
        known = [abs(one.nock_mm) for one in self.set if math.isfinite(one.nock_mm)]
        return max(known, default=NAN)


def written(advice: StoredAdvice | None, comparison: StoredComparison | None) -> dict[str, Any]:
    """Both as one JSON object; what a set shows only where one was looked for."""
    out: dict[str, Any] = {}
    for part in (advice, comparison):
        if part is not None:
            out |= _written(part)
    for key in ("set_by_place", "set_shown"):
        if out.get(key, 0) is None:
            del out[key]
    return out


SENTENCES = {"advice_said": "advice_notes", "beside_said": "comparison_notes"}
"""Keys under which an older book keeps notes as sentences."""


def read(data: Mapping[str, Any]) -> tuple[StoredAdvice, StoredComparison]:
    """Both out of one JSON object."""
    data = {SENTENCES.get(key, key): value for key, value in data.items()}
    return _read(StoredAdvice, data), _read(StoredComparison, data)


def _written(value: Any) -> Any:
    if isinstance(value, Note):
        return notes.written(value)
    if dataclasses.is_dataclass(value):
        return {f.name: _written(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _written(inner) for key, inner in value.items()}
    if isinstance(value, tuple):
        return [_written(inner) for inner in value]
    return value


@cache
def _kinds(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def _read(cls: type[T], data: Any) -> T:
    data = data if isinstance(data, Mapping) else {}
    kinds = _kinds(cls)  # type: ignore[arg-type]
    found = {
        f.name: _as(kinds[f.name], data[f.name])
        for f in dataclasses.fields(cls)  # type: ignore[arg-type]
        if data.get(f.name) is not None
    }
    return cls(**{name: value for name, value in found.items() if value is not None})


def _as(kind: Any, value: Any) -> Any:
    """The value as this kind of thing; None where it is none."""
    if kind is Note:
        return notes.read(value)
    origin = typing.get_origin(kind)
    if origin is types.UnionType:
        return _as(next(k for k in typing.get_args(kind) if k is not types.NoneType), value)
    if origin is tuple:
        inner = typing.get_args(kind)[0]
        if not isinstance(value, list):
            return None
        items = [_as(inner, v) for v in value]
        if inner is float:
            return tuple(NAN if v is None else v for v in items)
        return tuple(v for v in items if v is not None)
    if origin is not None:  # a table of numbers
        return {str(k): _number(v) for k, v in value.items()} if isinstance(value, Mapping) else None
    if dataclasses.is_dataclass(kind):
        return _read(kind, value) if isinstance(value, Mapping) else None  # type: ignore[arg-type]
    if kind is str:
        return value if isinstance(value, str) else None
    number = _number(value)
    if not math.isfinite(number):
        return None
    return int(number) if kind is int else number


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else NAN
