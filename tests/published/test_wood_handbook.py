"""Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-282 (2021), Table 5-3b, 12 % moisture, static bending.

Printed figures as read in a typed copy of the table; the GPa and MPa columns are recomputed from the
printed 10^6 psi and psi with 1 lbf = 4.4482216152605 N and 1 in = 25.4 mm (both exact).
"""

import pytest

from tiller.bow.units import archery_draw_mm, inch_from_mm, mm_from_inch
from tiller.bow.woods import find_wood

ROWS = [  # name, specific gravity, MOE GPa, MOR MPa
    ("hickory, shagbark", 0.72, 14.89, 139.3),
    ("hickory, pignut", 0.75, 15.58, 138.6),
    ("hickory, mockernut", 0.72, 15.31, 132.4),
    ("locust, black", 0.69, 14.13, 133.8),
    ("ash, white", 0.60, 12.00, 106.2),
    ("maple, sugar", 0.63, 12.62, 108.9),
    ("oak, white", 0.68, 12.27, 104.8),
    ("oak, northern red", 0.63, 12.55, 98.6),
    ("elm, American", 0.50, 9.24, 81.4),
    ("elm, rock", 0.63, 10.62, 102.0),
    ("walnut, black", 0.55, 11.58, 100.7),
]


@pytest.mark.parametrize(("name", "gravity", "modulus", "strength"), ROWS)
def test_row(name: str, gravity: float, modulus: float, strength: float) -> None:
    wood = find_wood(name)
    assert wood is not None
    assert wood.specific_gravity == gravity
    assert wood.modulus_gpa == pytest.approx(modulus, abs=0.006)
    assert wood.strength_mpa == pytest.approx(strength, abs=0.06)
    assert "5-3b" in wood.source


def test_wood_that_is_not_in_the_table() -> None:
    assert find_wood("yellow birch") is None


def test_draw_length_convention() -> None:
    # AMO Standards Committee, Field Publication FP-3 (2000): 26 1/4 in to the pivot point is a 28 in draw
    assert inch_from_mm(archery_draw_mm(mm_from_inch(26.25))) == pytest.approx(28.0, abs=1e-12)
