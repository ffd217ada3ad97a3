"""What the bowyer wants of the bow: ``[target]`` of ``bow.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from tiller.bow.tomlcheck import Keys, Table
from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM

SHAPES = ("even-strain", "circular", "elliptical", "stiff-outer", "own")
"""How the limbs are to bend: alike in strain; alike in bend; as the arc of an ellipse, more towards the tips; less and less over the outer part; by the
bowyer's own curve."""
LARGEST_TILLER_MM = 20.0
"""A bow whose limbs differ by more than this at brace would throw its arrow high or low whatever is done (common practice, no source)."""
ELLIPSE_RATIO, OUTER_SHARE, OUTER_STRAIN = 0.8, 0.3, 0.5
"""Usual height over half length of the ellipse; share of the limb that is to be stiffer; share of the strain that is left at its end (common
practice, no source)."""
LEAST_STRAIN, MOST_STRAIN = 0.2, 2.0
"""An own curve's strain, over its mean."""


@dataclass(frozen=True)
class Hand:
    """How the bow is held and drawn: how far the hand presses below the middle of the bow, and the fingers' middle pulls above the string's."""

    below_middle_mm: float
    above_middle_mm: float


@dataclass(frozen=True)
class CurvePoint:
    """One point of the bowyer's own curve: a place as a share of the limb from pivot to nock, and the strain there, in any unit."""

    share: float
    strain: float


@dataclass(frozen=True, kw_only=True)
class Target:
    """What the bow shall become. Draw is the bare one, from the pivot to the string.

    Attributes:
        working_strain: the bowyer's own limit, None where the file has none.
        shape: one of ``SHAPES``; ellipse_ratio, outer_share and curve belong to 'elliptical', 'stiff-outer' and 'own'.
        tiller_mm: how much further the string shall be from the upper limb than from the lower one at brace, None where nothing is wanted.
        hand: how it is held, instead of ``tiller_mm``.
    """

    draw_length_mm: float
    draw_weight_n: float
    brace_height_mm: float
    shape: str = SHAPES[0]
    ellipse_ratio: float = ELLIPSE_RATIO
    outer_share: float = OUTER_SHARE
    curve: tuple[CurvePoint, ...] = ()
    tiller_mm: float | None = None
    hand: Hand | None = None
    working_strain: float | None = None


TARGET_KEYS: Keys = {
    "draw_length_mm": None,
    "draw_to_back_mm": None,
    "draw_weight_n": None,
    "brace_height_mm": None,
    "shape": None,
    "ellipse_ratio": None,
    "outer_share": None,
    "curve": {"share": None, "strain": None},
    "tiller_mm": None,
    "hand": {"below_middle_mm": None, "above_middle_mm": None},
    "working_strain": None,
}


def parse_target(table: Table) -> Target:
    """The table, checked.

    Raises:
        KeyFault: a key is missing or wrong, or two say the same thing.
    """
    draw = _draw(table)
    brace = table.number("brace_height_mm", 20, 500, "mm")
    if draw < brace + 50:
        name = "draw_to_back_mm" if table.has("draw_to_back_mm") else "draw_length_mm"
        raise table.fault(name, "well over the brace_height_mm (by 50 mm at least, from the pivot)")
    shape = table.text("shape", allowed=SHAPES) if table.has("shape") else SHAPES[0]
    for name, of in (("ellipse_ratio", "elliptical"), ("outer_share", "stiff-outer"), ("curve", "own")):
        if table.has(name) and shape != of:
            raise table.fault(name, f'nothing, or shape = "{of}" beside it')
    hand = table.table("hand") if table.has("hand") else None
    if hand is not None and table.has("tiller_mm"):
        raise table.fault("tiller_mm", "nothing beside [target.hand]: give the one or the other")
    limit = "(a share: 0.007 is 0.7 %)"
    return Target(
        draw_length_mm=draw,
        draw_weight_n=table.number("draw_weight_n", 10, 1500, "N"),
        brace_height_mm=brace,
        shape=shape,
        ellipse_ratio=table.number("ellipse_ratio", 0.5, 1.0, default=ELLIPSE_RATIO),
        outer_share=table.number("outer_share", 0.1, 0.6, default=OUTER_SHARE),
        curve=_curve(table) if shape == "own" else (),
        tiller_mm=table.number("tiller_mm", -LARGEST_TILLER_MM, LARGEST_TILLER_MM, "mm")
        if table.has("tiller_mm")
        else None,
        hand=Hand(
            hand.number("below_middle_mm", -60, 60, "mm", default=0.0),
            hand.number("above_middle_mm", -60, 60, "mm", default=0.0),
        )
        if hand is not None
        else None,
        working_strain=table.number("working_strain", 0.002, 0.02, limit) if table.has("working_strain") else None,
    )


def _draw(table: Table) -> float:
    """The draw from the pivot to the string, from the key that says it."""
    if table.has("draw_to_back_mm"):
        if table.has("draw_length_mm"):
            raise table.fault("draw_length_mm", "nothing beside draw_to_back_mm: give the one or the other")
        to_back = table.number(
            "draw_to_back_mm", 100 + ARCHERY_DRAW_ALLOWANCE_MM, 1200 + ARCHERY_DRAW_ALLOWANCE_MM, "mm"
        )
        return to_back - ARCHERY_DRAW_ALLOWANCE_MM
    if not table.has("draw_length_mm"):
        raise table.fault("draw_length_mm", "a number from 100 to 1200 mm, or draw_to_back_mm in its place")
    return table.number("draw_length_mm", 100, 1200, "mm")


def _curve(table: Table) -> tuple[CurvePoint, ...]:
    """The bowyer's own curve, its strains over their mean between its ends."""
    rows = table.tables("curve", 2)
    points = [CurvePoint(row.number("share", 0, 1), row.number("strain", 1e-6, 1000)) for row in rows]
    for (before, after), row in zip(pairwise(points), rows[1:], strict=True):
        if after.share <= before.share:
            raise row.fault("share", f"more than in the row before it ({before.share:g})")
    area = sum(0.5 * (a.strain + b.strain) * (b.share - a.share) for a, b in pairwise(points))
    mean = area / (points[-1].share - points[0].share)
    for point, row in zip(points, rows, strict=True):
        if not LEAST_STRAIN * mean <= point.strain <= MOST_STRAIN * mean or mean <= 0:
            raise row.fault(
                "strain",
                f"from {LEAST_STRAIN * mean:.3g} to {MOST_STRAIN * mean:.3g}: {LEAST_STRAIN:g} to {MOST_STRAIN:g} times the curve's mean",
            )
    return tuple(CurvePoint(p.share, p.strain / mean) for p in points)
