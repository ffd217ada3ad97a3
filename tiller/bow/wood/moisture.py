"""Strength and stiffness of wood at another moisture than that of the table.

Wood Handbook FPL-GTR-282 (2021), eq. 5-3: P = P12 (P12 / Pg)^((12 - M) / (Mp - 12)), between oven-dry and Mp, the
moisture at which the property stops to change; Mp from Table 5-13. Not for work to maximum load, impact or tension
across the grain.
"""

from __future__ import annotations

from tiller.bow.wood.woods import TABLE, Wood, working_strain

USUAL_MP = 25.0
MP = {"white ash": 24.0}
"""Table 5-13; any other wood of this table has 25."""
TABLED = 12.0
DRIEST, WETTEST = 4.0, 24.0
"""Between these (per cent of the dry mass) the equation is used."""
STRAIN_PER_PERCENT = MODULUS_PER_PERCENT = 0.02
"""Strength falls by 4 %, modulus by 2 % for each per cent of moisture: FPL report on strength-moisture adjustment, Table 1."""


def at_moisture(at_12: float, green: float, moisture: float, mp: float = USUAL_MP) -> float:
    """A property at a moisture (per cent), from its values at 12 % and green.

    Raises:
        ValueError: a moisture at which the equation does not hold.
    """
    if not 0.0 <= moisture <= mp:
        msg = f"the moisture equation holds from 0 to {mp:g} %, not at {moisture:g} %"
        raise ValueError(msg)
    return float(at_12 * (at_12 / green) ** ((TABLED - moisture) / (mp - TABLED)))


def modulus_at(wood: Wood, moisture: float | None) -> float:
    """Modulus in GPa at that moisture; at 12 % where it is not known, 2 % less for each per cent where the table has no green value."""
    if moisture is None:
        return wood.modulus_gpa
    if wood.green_modulus_gpa is None:
        return wood.modulus_gpa * (1 - MODULUS_PER_PERCENT * (moisture - TABLED))
    return at_moisture(wood.modulus_gpa, wood.green_modulus_gpa, moisture, MP.get(wood.name, USUAL_MP))


def strain_at(wood: Wood | None, moisture: float | None) -> tuple[float, str]:
    """Working strain at that moisture, and where it comes from.

    Wetter wood bears less. Drier wood would bear more by the equation, but breaks more suddenly (common practice, no
    source): under 12 % the value at 12 % stays.
    """
    value, source = working_strain(wood)
    if moisture is None:
        return value, f"{source}; moisture taken as 12 %"
    if moisture <= TABLED:
        return value, f"{source}; at {moisture:g} % moisture no more is asked than at 12 %"
    if wood is None or wood.green_modulus_gpa is None or wood.green_strength_mpa is None:
        return (
            value * (1 - STRAIN_PER_PERCENT * (moisture - TABLED)),
            f"{source}; less 2 % for each per cent of moisture over 12",
        )
    mp = MP.get(wood.name, USUAL_MP)
    strength = at_moisture(wood.strength_mpa, wood.green_strength_mpa, moisture, mp) / wood.strength_mpa
    modulus = at_moisture(wood.modulus_gpa, wood.green_modulus_gpa, moisture, mp) / wood.modulus_gpa
    return value * strength / modulus, f"{source}; at {moisture:g} % moisture by eq. 5-3 of {TABLE.split(',')[0]}"


def equilibrium(temperature_c: float, humidity: float) -> float:
    """Moisture (% of the dry mass) that wood comes to in air of that temperature and relative humidity (0 to 1).

    Wood Handbook FPL-GTR-282, eq. 4-5 (after Simpson 1998, FPL-RN-0268), in Celsius.

    Raises:
        ValueError: outside 0 to 70 C or 5 to 95 %, where the equation is not used.
    """
    if not (0.0 <= temperature_c <= 70.0 and 0.05 <= humidity <= 0.95):
        msg = f"equilibrium moisture is known from 0 to 70 C and 5 to 95 % humidity, not at {temperature_c:g} C and {100 * humidity:g} %"
        raise ValueError(msg)
    t, h = temperature_c, humidity
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    return float(1800 / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)))
