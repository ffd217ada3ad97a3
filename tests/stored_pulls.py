"""Pulls as the book hands them out, for tests that need only a part of one."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from tiller.bow.sides import Side
from tiller.mechanics.fit.results import LimbResult
from tiller.records.stored_advice import StoredAdvice, StoredComparison
from tiller.records.stored_pull import PROFILE, StoredLimb, StoredPull

NAN = float("nan")


def limb(**known: Any) -> StoredLimb:
    """A limb of which nothing is kept but what is named."""
    empty = {name: np.empty(0) for name in (*PROFILE, "rest_s_mm")}
    return StoredLimb(**{**empty, "rest_mm": np.empty((0, 2)), "marks": (), **known})


def limb_of(result: LimbResult, **known: Any) -> StoredLimb:
    """A measured limb."""
    kept = {name: getattr(result, name) for name in PROFILE}
    return StoredLimb(**{**kept, "rest_s_mm": result.s_mm, "rest_mm": result.rest_mm, "marks": result.marks, **known})


def pull(**known: Any) -> StoredPull:
    """A weighed pull of which nothing is kept but what is named."""
    texts = ("bow", "wood", "recording", "folder", "made_at", "program", "string_kind")
    numbers = ("lag_s", "lag_sd_s", "hysteresis", "balance", "balance_sd")
    plain: dict[str, Any] = dict.fromkeys(texts, "") | dict.fromkeys(numbers, NAN)
    plain |= dict.fromkeys(("notes", "left_out", "pictures", "scrapings", "files"), ())
    plain |= {"pull_id": 1, "result_id": 1, "day": "2026-03-01", "taken_at": "2026-03-01T10:00:00"}
    plain |= {"largest_draw_mm": 400.0, "force_there_n": 100.0, "left": limb(), "right": limb(), "advised": True}
    plain |= {"advice": StoredAdvice(), "comparison": StoredComparison()}
    return StoredPull(**(plain | known))


def alike(a: Any, b: Any) -> bool:
    """Whether two stored things say the same; NaN is like NaN."""
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(alike(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    if isinstance(a, np.ndarray):
        return a.shape == b.shape and bool(np.array_equal(a, b, equal_nan=True))
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(alike, a, b))
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(alike(a[k], b[k]) for k in a)
    return bool(a == b or (isinstance(a, float) and isinstance(b, float) and np.isnan(a) and np.isnan(b)))


def with_limb(one: StoredPull, side: Side, **changes: Any) -> StoredPull:
    """The pull with a limb that keeps something else."""
    return replace(one, **{side: replace(one.limb(side), **changes)})
