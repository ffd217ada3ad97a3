"""How far woods shrink from green to oven-dry across the rings and along them.

Wood Handbook, USDA Forest Products Laboratory, Table 4-3 (the same in FPL-GTR-190, 2010, and FPL-GTR-282, 2021); rows of ``REMEMBERED`` from memory. Volume by the
same table is kept to hold the rows against: it is a little less or more than both together.
"""

from __future__ import annotations

from dataclasses import dataclass

TABLE = "Wood Handbook, Table 4-3"
REMEMBERED = "Wood Handbook, Table 4-3 (from memory)"
SATURATION = 30.0
"""Moisture under which wood shrinks, as the handbook takes it for shrinkage (eq. 4-7)."""


@dataclass(frozen=True)
class Shrinkage:
    """From green to oven-dry, % of the green size: radial (across the rings), tangential (along them), of the volume, and the source."""

    radial: float
    tangential: float
    volume: float
    source: str = TABLE


SHRINKAGE = {
    "black ash": Shrinkage(5.0, 7.8, 15.2),
    "blue ash": Shrinkage(3.9, 6.5, 11.7),
    "green ash": Shrinkage(4.6, 7.1, 12.5),
    "oregon ash": Shrinkage(4.1, 8.1, 13.2),
    "white ash": Shrinkage(4.9, 7.8, 13.3),
    "american beech": Shrinkage(5.5, 11.9, 17.2),
    "paper birch": Shrinkage(6.3, 8.6, 16.2),
    "sweet birch": Shrinkage(6.5, 9.0, 15.6),
    "yellow birch": Shrinkage(7.3, 9.5, 16.8),
    "butternut": Shrinkage(3.4, 6.4, 10.6),
    "black cherry": Shrinkage(3.7, 7.1, 11.5),
    "american chestnut": Shrinkage(3.4, 6.7, 11.6),
    "american elm": Shrinkage(4.2, 9.5, 14.6),
    "rock elm": Shrinkage(4.8, 8.1, 14.9),
    "slippery elm": Shrinkage(4.9, 8.9, 13.8),
    "hackberry": Shrinkage(4.8, 8.9, 13.8),
    "pecan hickory": Shrinkage(4.9, 8.9, 13.6),
    "mockernut hickory": Shrinkage(7.7, 11.0, 17.8),
    "pignut hickory": Shrinkage(7.2, 11.5, 17.9),
    "shagbark hickory": Shrinkage(7.0, 10.5, 16.7, REMEMBERED),
    "shellbark hickory": Shrinkage(7.6, 12.6, 19.2, REMEMBERED),
    "honeylocust": Shrinkage(4.2, 6.6, 10.8, REMEMBERED),
    "black locust": Shrinkage(4.6, 7.2, 10.2, REMEMBERED),
    "bigleaf maple": Shrinkage(3.7, 7.1, 11.6, REMEMBERED),
    "black maple": Shrinkage(4.8, 9.3, 14.0, REMEMBERED),
    "red maple": Shrinkage(4.0, 8.2, 12.6, REMEMBERED),
    "silver maple": Shrinkage(3.0, 7.2, 12.0, REMEMBERED),
    "sugar maple": Shrinkage(4.8, 9.9, 14.7, REMEMBERED),
    "black oak": Shrinkage(4.4, 11.1, 15.1, REMEMBERED),
    "northern red oak": Shrinkage(4.0, 8.6, 13.7, REMEMBERED),
    "pin oak": Shrinkage(4.3, 9.5, 14.5, REMEMBERED),
    "scarlet oak": Shrinkage(4.4, 10.8, 14.7, REMEMBERED),
    "southern red oak": Shrinkage(4.7, 11.3, 16.1, REMEMBERED),
    "water oak": Shrinkage(4.4, 9.8, 16.1, REMEMBERED),
    "willow oak": Shrinkage(5.0, 9.6, 18.9, REMEMBERED),
    "bur oak": Shrinkage(4.4, 8.8, 12.7, REMEMBERED),
    "chestnut oak": Shrinkage(5.3, 10.8, 16.4),
    "live oak": Shrinkage(6.6, 9.5, 14.7),
    "overcup oak": Shrinkage(5.3, 12.7, 16.0),
    "post oak": Shrinkage(5.4, 9.8, 16.2),
    "white oak": Shrinkage(5.6, 10.5, 16.3),
    "common persimmon": Shrinkage(7.9, 11.2, 19.1),
    "sassafras": Shrinkage(4.0, 6.2, 10.3),
    "sweetgum": Shrinkage(5.3, 10.2, 15.8),
    "american sycamore": Shrinkage(5.0, 8.4, 14.1),
    "black walnut": Shrinkage(5.5, 7.8, 12.8),
    "yellow poplar": Shrinkage(4.6, 8.2, 12.7),
    "yellow cedar": Shrinkage(2.8, 6.0, 9.2),
    "eastern redcedar": Shrinkage(3.1, 4.7, 7.8),
    "port orford cedar": Shrinkage(4.6, 6.9, 10.1),
    "douglas fir": Shrinkage(4.8, 7.6, 12.4),
    "western larch": Shrinkage(4.5, 9.1, 14.0, REMEMBERED),
    "longleaf pine": Shrinkage(5.1, 7.5, 12.2, REMEMBERED),
    "tamarack": Shrinkage(3.7, 7.4, 13.6, REMEMBERED),
}
"""By the names of ``woods``; a wood that is missing has no row there, or none that is known here."""


def shrunk(total_percent: float, moisture: float) -> float:
    """Shrinkage (%) from green to that moisture, of a direction that shrinks by ``total_percent`` to oven-dry: eq. 4-7.

    Raises:
        ValueError: a moisture over saturation, where nothing has shrunk yet and the equation is not used, or below 0.
    """
    if not 0.0 <= moisture <= SATURATION:
        msg = f"wood shrinks from {SATURATION:g} % moisture down: at {moisture:g} % the equation does not hold"
        raise ValueError(msg)
    return float(total_percent * (SATURATION - moisture) / SATURATION)
