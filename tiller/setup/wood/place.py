"""A bow laid into a stave: its face as it was measured, the proposals, and what is taken over: features into the stave's file, the centre line into a template."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Side
from tiller.bow.stavefile import Stave
from tiller.bow.units import MM_PER_INCH
from tiller.errors import TillerError
from tiller.mechanics.wood.layout import outline
from tiller.mechanics.wood.place import FaceOf, Knot, Placed, Shape, placed, placements
from tiller.quantity import mm
from tiller.records.book import Book
from tiller.records.wood.findings import Figure, Finding, keep_finding
from tiller.setup.guided.staves import write_stave

Array = NDArray[np.float64]

MARGIN_MM = 6.0
"""A knot's feature reaches so far beyond it to either side (common practice, no source)."""
FEWEST_STATIONS = 3


@dataclass(frozen=True, kw_only=True)
class Lying:
    """What came out: the face, the bow's shape, the proposals, the bowyer's own place where he gave one, and why there is no proposal ('' where there is)."""

    face: FaceOf
    shape: Shape
    proposals: tuple[Placed, ...]
    own: Placed | None
    why_not: str = ""


def _numbers(text: str, least: int, most: int, metric: bool, form: str) -> list[float]:
    parts = text.strip().split(":")
    try:
        values = [float(part) * (1.0 if metric else MM_PER_INCH) for part in parts]
    except ValueError:
        values = []
    if not least <= len(values) <= most or not np.all(np.isfinite(values)):
        msg = f"'{text.strip()}' is not of the form {form}: type numbers in {'mm' if metric else 'inches'} with colons between."
        raise TillerError(msg)
    return values


FACE_FORM = "PLACE:LOW:HIGH or PLACE:LOW:HIGH:GRAIN"
KNOT_FORM = "PLACE:ACROSS:WIDE"


def face_of(stations: str, knots: Sequence[str], metric: bool) -> FaceOf:
    """A stave's face as it was measured from a line stretched along it.

    Args:
        stations: 'PLACE:LOW:HIGH[:GRAIN]' with commas between: both edges and the grain's line off the stretched line; without the grain it runs midway.
        knots: 'PLACE:ACROSS:WIDE' each.

    Raises:
        TillerError: it is of another form, or makes no stave.
    """
    rows = [_numbers(part, 3, 4, metric, FACE_FORM) for part in re.split(r"[,;]", stations)]
    if len({len(row) for row in rows}) > 1:
        msg = "say the grain's line at every place, or at none."
        raise TillerError(msg)
    table = np.array(rows)
    if len(table) < FEWEST_STATIONS or np.any(np.diff(table[:, 0]) <= 0):
        msg = f"a face needs {FEWEST_STATIONS} places or more, each further on than the one before."
        raise TillerError(msg)
    if np.any(table[:, 2] - table[:, 1] < 10) or np.any(table[:, 2] - table[:, 1] > 400):
        k = int(np.argmax((table[:, 2] - table[:, 1] < 10) | (table[:, 2] - table[:, 1] > 400)))
        msg = f"at {mm(float(table[k, 0]))} the stave would be {mm(float(table[k, 2] - table[k, 1]))} wide: say the lower edge first, then the higher one."
        raise TillerError(msg)
    if not 400 <= table[-1, 0] - table[0, 0] <= 4000:
        msg = f"a stave {mm(float(table[-1, 0] - table[0, 0]))} long makes no bow: measure again."
        raise TillerError(msg)
    x = np.arange(table[0, 0], table[-1, 0] + 1e-6, 10.0)
    x[-1] = table[-1, 0]
    low, high = (np.interp(x, table[:, 0], table[:, k]) for k in (1, 2))
    grain = np.interp(x, table[:, 0], table[:, 3]) if table.shape[1] == 4 else 0.5 * (low + high)
    seen = []
    for text in knots:
        place, across, wide = _numbers(text, 3, 3, metric, KNOT_FORM)
        edges = [float(np.interp(place, x, edge)) for edge in (low, high)]
        if not (x[0] <= place <= x[-1] and 0.5 <= wide <= 150 and edges[0] - wide <= across <= edges[1] + wide):
            msg = f"the knot '{text}' lies off the stave, or is of no size: {KNOT_FORM}, its width last."
            raise TillerError(msg)
        seen.append(Knot(place, across, wide))
    return FaceOf(x_mm=x, low_mm=low, high_mm=high, grain_mm=grain, knots=tuple(seen))


def shape_of(length_mm: float, handle_mm: float, width_mm: float, tip_mm: float, family: str) -> Shape:
    """A bow of two alike limbs.

    Raises:
        TillerError: such sizes make none.
    """
    try:
        one = outline(family, length_mm, handle_mm, width_mm, tip_mm)
    except ValueError as err:
        raise TillerError(f"{err}.") from err
    return Shape(s_mm=one.s_mm, width_mm=one.width_mm, low_length_mm=length_mm, high_length_mm=length_mm)


def lie(face: FaceOf, shape: Shape, equal: bool, own: tuple[float, float, float] | None = None) -> Lying:
    """The proposals; ``own``: the bowyer's place as (handle along, handle across, share of the grain that is followed)."""
    found = placements(face, shape, equal)
    mine = placed(face, shape, np.array([*own, 0.0])) if own is not None else None
    if found:
        return Lying(face=face, shape=shape, proposals=found, own=mine)
    long = float(face.x_mm[-1] - face.x_mm[0])
    needed = shape.low_length_mm + shape.high_length_mm
    if long < needed:
        why = f"the stave is {mm(long)} long, the bow {mm(needed)}: a limb of {mm(0.5 * long - 5)} would lie in it"
    else:
        narrow = float(np.min(face.high_mm - face.low_mm))
        why = f"the bow, {mm(float(np.max(shape.width_mm)))} wide, stands over an edge wherever it lies; the stave is {mm(narrow)} at its narrowest: a narrower or shorter bow would lie in it"
    return Lying(face=face, shape=shape, proposals=(), own=mine, why_not=why)


def centre_of(one: Placed, side: Side) -> tuple[Array, Array]:
    """A limb's centre line as the template takes it: places along a line from the handle's middle to the nock, and how far it stands off that; the limb at lower
    x is the left one."""
    points = (
        one.centre_mm[one.centre_mm[:, 0] <= one.x0_mm + 1e-9][::-1]
        if side is Side.LEFT
        else one.centre_mm[one.centre_mm[:, 0] >= one.x0_mm - 1e-9]
    )
    if abs(points[0, 0] - one.x0_mm) > 1e-6:
        points = np.vstack([[one.x0_mm, one.y0_mm], points])
    way = points[-1] - points[0]
    length = float(np.linalg.norm(way))
    along = (points - points[0]) @ (way / length)
    # seen from the handle outward, off to the left of the way is positive on the right limb, and to the right on the left one: up on the face, both times
    across = (points - points[0]) @ (np.array([-way[1], way[0]]) / length) * side.sign
    return along, across


def features_of(one: Placed, face: FaceOf) -> list[dict[str, object]]:
    """The knots that lie in the bow, as features of a stave's file."""
    out: list[dict[str, object]] = []
    x, y = one.centre_mm.T
    for knot in face.knots:
        if not x[0] <= knot.x_mm <= x[-1]:
            continue
        side = Side.LEFT if knot.x_mm < one.x0_mm else Side.RIGHT
        s = float(np.hypot(knot.x_mm - one.x0_mm, np.interp(knot.x_mm, x, y) - one.y0_mm))
        reach = 0.5 * knot.wide_mm + MARGIN_MM
        out.append(
            {
                "limb": str(side),
                "kind": "knot" if knot.wide_mm > 4 else "pin knots",
                "from_mm": round(max(s - reach, 0.0), 1),
                "to_mm": round(s + reach, 1),
            }
        )
    return out


def keep_place(path: Path, stave: Stave, lying: Lying, chosen: Placed, book: Path, at: datetime) -> None:
    """Knots into the stave's file, the place into the book where there is one.

    Raises:
        TillerError, FileFault, BookFault: it cannot be written.
    """
    features = features_of(chosen, lying.face)
    if features:
        write_stave(path, stave.name, {"features": features})
    if book.is_file():
        figures = (
            Figure("handle_along_mm", chosen.x0_mm),
            Figure("handle_across_mm", chosen.y0_mm),
            Figure("follows_grain", chosen.follow),
            Figure("string_off_mm", chosen.string_mm),
            Figure("cost_mm", chosen.cost),
        )
        with Book(book) as shop:
            keep_finding(shop, Finding(stave=stave.name, kind="place", at=at, figures=figures))
