"""Shear moduli of wood, as shares of the modulus along the grain: what a limb has against being twisted.

Wood Handbook FPL-GTR-282 (2021), Table 5-1 (elastic ratios at about 12 % moisture; from memory): G_LR / E_L and G_LT / E_L. A limb twists about its
grain with both in play; their mean is taken, which for a limb with its rings flat along the back leans to the stiff side by a few per cent.
"""

from __future__ import annotations

from dataclasses import dataclass

from tiller.bow.wood.woods import find_wood

RATIOS = {
    "white ash": (0.109, 0.077),
    "yellow birch": (0.074, 0.068),
    "black cherry": (0.147, 0.097),
    "sugar maple": (0.111, 0.063),
    "red maple": (0.133, 0.074),
    "northern red oak": (0.089, 0.081),
    "black walnut": (0.085, 0.062),
    "yellow poplar": (0.075, 0.069),
}
"""G_LR / E_L, G_LT / E_L by wood."""
USUAL, USUAL_SD = 0.088, 0.018
"""Mean and spread over the table's hardwoods, for every other wood."""
OWN_SD = 0.1
"""Relative: from piece to piece of one wood (common practice, no source)."""


@dataclass(frozen=True)
class ShearRatio:
    """Shear modulus over the modulus along the grain, and its sd."""

    mean: float
    sd: float


def shear_ratio(wood: str) -> ShearRatio:
    """Of a wood by its name; the hardwoods' usual one where the table has none of it."""
    known = find_wood(wood)
    row = RATIOS.get(known.name if known is not None else wood.strip().lower())
    if row is None:
        return ShearRatio(USUAL, USUAL_SD)
    mean = 0.5 * (row[0] + row[1])
    return ShearRatio(mean, OWN_SD * mean)
