"""A bow that was solved for its shape at several draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


class NoEquilibriumError(ValueError):
    """The bow has no shape at a draw that Newton could find, or none that the model can describe."""


@dataclass(frozen=True, kw_only=True)
class Solved:
    """Shapes at m draws (or of m bows).

    Attributes:
        draw_mm, string_mm, force_n: (m,) pivot to string, unstretched string, force along the rope.
        tension_n: (m, 2) left and right half.
        hook_x_mm, rock_rad: (m,).
        points_mm: (m, 2, n + 1, 2) limb coordinates (mirror the left one).
        bend_per_mm, moment_nmm: (m, 2, n + 1) change of curvature from rest and the moment that makes it.
        energy_nmm: (m,) bending energy of both limbs, counted from rest.
        touching_mm: (m, 2) length over which the string lies along the limb; 0 = clear.
        leaves: (m, 2) where it leaves the limb, in segments from the root; leaves_mm: (m, 2, 2) that point, limb coordinates.
        unknowns: (m, 8) and angle: (m, 2, n) of the segments, to start a neighbouring problem from.
    """

    draw_mm: Array
    string_mm: Array
    force_n: Array
    tension_n: Array
    hook_x_mm: Array
    rock_rad: Array
    points_mm: Array
    bend_per_mm: Array
    moment_nmm: Array
    energy_nmm: Array
    touching_mm: Array
    leaves: Array
    leaves_mm: Array
    unknowns: Array
    angle: Array


def at_rows(solved: Solved, rows: ArrayLike) -> Solved:
    """The solution at some of its draws (indices, which may repeat)."""
    index = np.atleast_1d(np.asarray(rows, dtype=int))
    return Solved(**{name: getattr(solved, name)[index] for name in Solved.__dataclass_fields__})
