"""Table of bow woods: modulus, strength and density.

Source of the tabled rows: Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-282 (2021),
Table 5-3b, values at 12 % moisture, clear straight-grained wood, static bending. The handbook's
modulus comes from centre loading at a span to depth ratio of 14; it says to add 10 % to take out
shear deflection, which ``modulus_gpa`` below does not do. Coefficients of variation between pieces
of one species are from Table 5-6 of the same book (from memory).
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from tiller.bow.units import gpa_from_mpsi, mpa_from_psi

TABLE = "Wood Handbook FPL-GTR-282 (2021), Table 5-3b"
SECOND_HAND = "public species list, second hand"
MODULUS_VARIATION = 0.22
"""Coefficient of variation of the modulus between pieces, Wood Handbook Table 5-6 (from memory)."""


@dataclass(frozen=True)
class Wood:
    """One wood at 12 % moisture.

    Attributes:
        name: English name as in the source, without punctuation.
        modulus_gpa: modulus of elasticity in static bending.
        strength_mpa: modulus of rupture.
        specific_gravity: oven-dry mass over volume at 12 % moisture.
        source: table it comes from.
        green_modulus_gpa, green_strength_mpa: the same table's values for green wood, None where there is none.
    """

    name: str
    modulus_gpa: float
    strength_mpa: float
    specific_gravity: float
    source: str
    green_modulus_gpa: float | None = None
    green_strength_mpa: float | None = None

    @property
    def density_kg_m3(self) -> float:
        """Density with its 12 % of water, kg/m3."""
        return 1000.0 * self.specific_gravity * 1.12


def _row(
    name: str, gravity: float, modulus_mpsi: float, rupture_psi: float, green_mpsi: float, green_psi: float
) -> Wood:
    return Wood(
        name,
        gpa_from_mpsi(modulus_mpsi),
        mpa_from_psi(rupture_psi),
        gravity,
        TABLE,
        gpa_from_mpsi(green_mpsi),
        mpa_from_psi(green_psi),
    )


WOODS: tuple[Wood, ...] = (
    _row("shagbark hickory", 0.72, 2.16, 20_200, 1.57, 11_000),
    _row("pignut hickory", 0.75, 2.26, 20_100, 1.65, 11_700),
    _row("mockernut hickory", 0.72, 2.22, 19_200, 1.57, 11_100),
    _row("black locust", 0.69, 2.05, 19_400, 1.85, 13_800),
    _row("white ash", 0.60, 1.74, 15_400, 1.44, 9_500),
    _row("sugar maple", 0.63, 1.83, 15_800, 1.55, 9_400),
    _row("white oak", 0.68, 1.78, 15_200, 1.25, 8_300),
    _row("northern red oak", 0.63, 1.82, 14_300, 1.35, 8_300),
    _row("american elm", 0.50, 1.34, 11_800, 1.11, 7_200),
    _row("rock elm", 0.63, 1.54, 14_800, 1.19, 9_500),
    _row("black walnut", 0.55, 1.68, 14_600, 1.42, 9_500),
    Wood("osage orange", 11.64, 128.6, 0.855 / 1.12, SECOND_HAND),
    Wood("pacific yew", 9.31, 104.8, 0.705 / 1.12, SECOND_HAND),
)

WORKING_SHARE = 0.75
"""Working strain over the mean strain at breaking, MOR / MOE at 12 % moisture (common practice, no source): strength
varies by 16 % between pieces of one species (Wood Handbook Table 5-6, from memory), so this is the mean less a sd and a half."""
UNKNOWN_WORKING_STRAIN = 0.0065
"""Under what bowyers work at, 0.7 to 1.0 % (common practice, no source)."""


def working_strain(wood: Wood | None) -> tuple[float, str]:
    """Strain that the wood may bear in use where the bowyer has set none, and where it comes from."""
    if wood is None:
        return UNKNOWN_WORKING_STRAIN, "under common practice; the wood is in no table"
    value = WORKING_SHARE * wood.strength_mpa / (1e3 * wood.modulus_gpa)
    return value, f"{WORKING_SHARE:g} of strength over modulus, {wood.source}"


UNKNOWN_DENSITY_KG_M3 = 700.0
"""Used for the limb's own weight where the wood is not in the table (common practice, no source)."""


def like_wood(name: str) -> str | None:
    """The table's name that a wood that is in no table resembles, if any."""
    words = _plain(name)
    within = [wood.name for wood in WOODS if words and words < _plain(wood.name)]
    if within:
        return " or ".join(within)
    found = difflib.get_close_matches(name.lower(), [wood.name for wood in WOODS], 1, 0.75)
    return found[0] if found else None


def _plain(name: str) -> frozenset[str]:
    return frozenset(name.lower().replace(",", " ").replace("-", " ").split())


def find_wood(name: str) -> Wood | None:
    """The table's row of that name ('hickory, shagbark' = 'Shagbark hickory'), or None."""
    wanted = _plain(name)
    for wood in WOODS:
        if _plain(wood.name) == wanted:
            return wood
    return None
