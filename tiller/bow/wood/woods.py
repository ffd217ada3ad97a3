"""Table of bow woods: modulus, strength and density.

Source of the tabled rows: Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-282 (2021),
Table 5-3b (rows marked so: from memory), values at 12 % moisture, clear straight-grained wood, static bending. The handbook's
modulus comes from centre loading at a span to depth ratio of 14; it says to add 10 % to take out
shear deflection, which ``modulus_gpa`` below does not do. Coefficients of variation between pieces
of one species are from Table 5-6 of the same book (from memory).
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from tiller.bow.units import gpa_from_mpsi, mpa_from_psi

TABLE = "Wood Handbook FPL-GTR-282 (2021), Table 5-3b"
REMEMBERED = "Wood Handbook FPL-GTR-282 (2021), Table 5-3b (from memory)"
SECOND_HAND = "public species list, second hand"
REMEMBERED_LIST = "Markwardt and Wilson, Technical Bulletin 479, USDA (1935) (from memory)"
MODULUS_VARIATION = 0.22
"""Coefficient of variation of the modulus between pieces, Wood Handbook Table 5-6 (from memory)."""


@dataclass(frozen=True, kw_only=True)
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
    name: str,
    gravity: float,
    modulus_mpsi: float,
    rupture_psi: float,
    green_mpsi: float,
    green_psi: float,
    source: str = TABLE,
) -> Wood:
    return Wood(
        name=name,
        modulus_gpa=gpa_from_mpsi(modulus_mpsi),
        strength_mpa=mpa_from_psi(rupture_psi),
        specific_gravity=gravity,
        source=source,
        green_modulus_gpa=gpa_from_mpsi(green_mpsi),
        green_strength_mpa=mpa_from_psi(green_psi),
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
    _row("black ash", 0.49, 1.60, 12_600, 1.04, 6_000, REMEMBERED),
    _row("blue ash", 0.58, 1.40, 13_800, 1.24, 9_600, REMEMBERED),
    _row("green ash", 0.56, 1.66, 14_100, 1.40, 9_500, REMEMBERED),
    _row("oregon ash", 0.55, 1.36, 12_700, 1.13, 7_600, REMEMBERED),
    _row("american beech", 0.64, 1.72, 14_900, 1.38, 8_600, REMEMBERED),
    _row("paper birch", 0.55, 1.59, 12_300, 1.17, 6_400, REMEMBERED),
    _row("sweet birch", 0.65, 2.17, 16_900, 1.65, 9_400, REMEMBERED),
    _row("yellow birch", 0.62, 2.01, 16_600, 1.50, 8_300, REMEMBERED),
    _row("butternut", 0.38, 1.18, 8_100, 0.97, 5_400, REMEMBERED),
    _row("black cherry", 0.50, 1.49, 12_300, 1.31, 8_000, REMEMBERED),
    _row("american chestnut", 0.43, 1.23, 8_600, 0.93, 5_600, REMEMBERED),
    _row("slippery elm", 0.53, 1.49, 13_000, 1.23, 8_000, REMEMBERED),
    _row("hackberry", 0.53, 1.19, 11_000, 0.95, 6_500, REMEMBERED),
    _row("bitternut hickory", 0.66, 1.79, 17_100, 1.40, 10_300, REMEMBERED),
    _row("nutmeg hickory", 0.60, 1.70, 16_600, 1.29, 9_100, REMEMBERED),
    _row("pecan hickory", 0.66, 1.73, 13_700, 1.37, 9_800, REMEMBERED),
    _row("water hickory", 0.62, 2.02, 17_800, 1.56, 10_700, REMEMBERED),
    _row("shellbark hickory", 0.69, 1.89, 18_100, 1.34, 10_500, REMEMBERED),
    _row("bigleaf maple", 0.48, 1.45, 10_700, 1.10, 7_400, REMEMBERED),
    _row("black maple", 0.57, 1.62, 13_300, 1.33, 7_900, REMEMBERED),
    _row("red maple", 0.54, 1.64, 13_400, 1.39, 7_700, REMEMBERED),
    _row("silver maple", 0.47, 1.14, 8_900, 0.94, 5_800, REMEMBERED),
    _row("black oak", 0.61, 1.64, 13_900, 1.18, 8_200, REMEMBERED),
    _row("cherrybark oak", 0.68, 2.28, 18_100, 1.79, 10_800, REMEMBERED),
    _row("scarlet oak", 0.67, 1.91, 17_400, 1.48, 10_400, REMEMBERED),
    _row("southern red oak", 0.59, 1.49, 10_900, 1.14, 6_900, REMEMBERED),
    _row("pin oak", 0.63, 1.73, 14_000, 1.32, 8_300, REMEMBERED),
    _row("water oak", 0.63, 2.02, 15_400, 1.55, 8_900, REMEMBERED),
    _row("willow oak", 0.69, 1.90, 14_500, 1.29, 7_400, REMEMBERED),
    _row("bur oak", 0.64, 1.03, 10_300, 0.88, 7_200, REMEMBERED),
    _row("chestnut oak", 0.66, 1.59, 13_300, 1.37, 8_000, REMEMBERED),
    _row("live oak", 0.88, 1.98, 18_400, 1.58, 11_900, REMEMBERED),
    _row("overcup oak", 0.63, 1.42, 12_600, 1.15, 8_000, REMEMBERED),
    _row("post oak", 0.67, 1.51, 13_200, 1.09, 8_100, REMEMBERED),
    _row("swamp white oak", 0.72, 2.05, 17_700, 1.59, 9_900, REMEMBERED),
    _row("sassafras", 0.46, 1.12, 9_000, 0.91, 6_000, REMEMBERED),
    _row("american sycamore", 0.49, 1.42, 10_000, 1.06, 6_500, REMEMBERED),
    _row("sweetgum", 0.52, 1.64, 12_500, 1.20, 7_100, REMEMBERED),
    _row("yellow poplar", 0.42, 1.58, 10_100, 1.22, 6_000, REMEMBERED),
    _row("eastern redcedar", 0.47, 0.88, 8_800, 0.65, 7_000, REMEMBERED),
    _row("port orford cedar", 0.43, 1.70, 12_700, 1.30, 6_600, REMEMBERED),
    _row("yellow cedar", 0.44, 1.42, 11_100, 1.14, 6_400, REMEMBERED),
    _row("douglas fir", 0.48, 1.95, 12_400, 1.56, 7_700, REMEMBERED),
    _row("western larch", 0.52, 1.87, 13_000, 1.46, 7_700, REMEMBERED),
    _row("tamarack", 0.53, 1.64, 11_600, 1.24, 7_200, REMEMBERED),
    _row("longleaf pine", 0.59, 1.98, 14_500, 1.59, 8_500, REMEMBERED),
    _row("honeylocust", 0.66, 1.63, 14_700, 1.29, 10_200, REMEMBERED),
    Wood(
        name="flowering dogwood",
        modulus_gpa=gpa_from_mpsi(1.53),
        strength_mpa=mpa_from_psi(14_900),
        specific_gravity=0.73,
        source=REMEMBERED_LIST,
    ),
    Wood(
        name="common persimmon",
        modulus_gpa=gpa_from_mpsi(2.01),
        strength_mpa=mpa_from_psi(17_700),
        specific_gravity=0.74,
        source=REMEMBERED_LIST,
    ),
    Wood(
        name="eastern hophornbeam",
        modulus_gpa=gpa_from_mpsi(1.70),
        strength_mpa=mpa_from_psi(14_100),
        specific_gravity=0.70,
        source=REMEMBERED_LIST,
    ),
    Wood(name="osage orange", modulus_gpa=11.64, strength_mpa=128.6, specific_gravity=0.855 / 1.12, source=SECOND_HAND),
    Wood(name="pacific yew", modulus_gpa=9.31, strength_mpa=104.8, specific_gravity=0.705 / 1.12, source=SECOND_HAND),
)

TRADE_NAMES = {
    "osage": "osage orange",
    "bois d'arc": "osage orange",
    "hedge apple": "osage orange",
    "yew": "pacific yew",
    "hickory": "shagbark hickory",
    "pecan": "pecan hickory",
    "ash": "white ash",
    "locust": "black locust",
    "hard maple": "sugar maple",
    "rock maple": "sugar maple",
    "soft maple": "red maple",
    "red oak": "northern red oak",
    "elm": "american elm",
    "red elm": "slippery elm",
    "cork elm": "rock elm",
    "walnut": "black walnut",
    "cherry": "black cherry",
    "birch": "yellow birch",
    "black birch": "sweet birch",
    "beech": "american beech",
    "ironwood": "eastern hophornbeam",
    "hophornbeam": "eastern hophornbeam",
    "dogwood": "flowering dogwood",
    "persimmon": "common persimmon",
    "honey locust": "honeylocust",
    "juniper": "eastern redcedar",
    "red cedar": "eastern redcedar",
    "tulip poplar": "yellow poplar",
}
"""What the trade calls a wood (common practice, no source); where several share a name, the one that bows are most often made of."""

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


def woods_like(typed: str, most: int = 6) -> tuple[str, ...]:
    """Names of the table and of the trade with a word that begins with each of the typed ones, those that begin so first; none for nothing."""
    words = _words(typed)
    if not words:
        return ()
    names = {wood.name for wood in WOODS} | set(TRADE_NAMES)
    found = [name for name in names if all(any(part.startswith(word) for part in _words(name)) for word in words)]
    return tuple(sorted(found, key=lambda name: (not name.startswith(words[0]), len(name), name))[:most])


def _words(name: str) -> list[str]:
    return name.lower().replace(",", " ").replace("-", " ").split()


def _plain(name: str) -> frozenset[str]:
    return frozenset(_words(name))


def find_wood(name: str) -> Wood | None:
    """The table's row of that name ('hickory, shagbark' = 'Shagbark hickory') or of that name in the trade ('osage'), or None."""
    wanted = _plain(TRADE_NAMES.get(" ".join(name.lower().split()), name))
    for wood in WOODS:
        if _plain(wood.name) == wanted:
            return wood
    return None
