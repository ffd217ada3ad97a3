"""Bows of the literature.

The straight-end bow of Kooi, On the Mechanics of the Bow and Arrow (thesis, Groningen 1983, chapters 1.9 to 1.11 and 2.5) is the
one whose parameters are complete; they and q are from memory, the ratios were recomputed by shooting and by a chain of links.
The level of its EI is remembered in two ways that contradict each other, so only what does not hang on it is tested.

Four bows measured with weights: Tuijn and Kooi, The measurement of arrow velocities in the students' laboratory, Eur. J. Phys. 13
(1992) 127-134, Table I (read in a reprint). Their limbs are recurved and their stiffness is not told, so they say only where a
straight-limbed bow cannot be: it stores less for the same weight and draw.
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.forward.chain import WholeBow, chain_of
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import Solved
from tiller.report.sheets.bow import energy_j

HALF_MM, GRIP_MM, BRACE_MM, DRAW_MM = 914.4, 101.6, 152.4, 711.2  # memory
Q, Q_DRAWN = 0.4074, 0.518  # Kooi 1983, chapters 1.9-1.11, about 0.407 (memory); both recomputed
STRING_MM = 893.4  # half the string; recomputed
CURVE = (0.0, 0.1843, 0.3070, 0.4126, 0.5157, 0.6224, 0.7364, 0.8610, 1.0)  # F over F(D) in 8 equal steps; recomputed
MEASURED = ((170.5, 430, 42.6), (170.0, 509, 50.3), (178.0, 440, 45.6), (130.0, 429, 33.2))
"""Tuijn and Kooi 1992, Table I: force N, draw beyond brace mm, energy J."""


@pytest.fixture(scope="module")
def solved() -> tuple[float, Solved]:
    s = np.linspace(0.0, HALF_MM, 800)
    ei = 1.0e8 * np.clip(
        (HALF_MM - s) / (HALF_MM - GRIP_MM), 1e-4, 1.0
    )  # falls linearly from the grip to nothing at the tip
    line = np.column_stack([s, np.zeros_like(s)])
    limb = chain_of(s, line, ei, np.zeros_like(s), 320, from_mm=GRIP_MM)
    bow = WholeBow(left=limb, right=limb)
    string, _ = brace(bow, BRACE_MM)
    return string, solve_draws(bow, string, np.linspace(BRACE_MM + 0.2, DRAW_MM, 65))


def test_the_straight_end_bow(solved: tuple[float, Solved]) -> None:
    string, curve = solved
    assert 0.5 * string == pytest.approx(STRING_MM, rel=1e-3)
    force, draw = curve.force_n, curve.draw_mm
    assert np.interp(np.linspace(BRACE_MM + 0.2, DRAW_MM, 9)[1:], draw, force / force[-1]) == pytest.approx(
        CURVE[1:], abs=2e-3
    )
    stored = 1e3 * energy_j(draw, force)
    assert stored / (force[-1] * DRAW_MM) == pytest.approx(Q, abs=1.5e-3)
    assert stored / (force[-1] * (DRAW_MM - BRACE_MM)) == pytest.approx(Q_DRAWN, abs=2e-3)


def test_measured_recurved_bows_store_more_than_straight_limbs_can(solved: tuple[float, Solved]) -> None:
    _, curve = solved
    straight = 1e3 * energy_j(curve.draw_mm, curve.force_n) / (curve.force_n[-1] * (DRAW_MM - BRACE_MM))
    ratios = [1e3 * energy / (force * drawn) for force, drawn, energy in MEASURED]
    assert ratios == pytest.approx([0.581, 0.581, 0.582, 0.595], abs=0.002)
    assert 0.5 < straight < min(ratios)  # a spring without prestress stores half
