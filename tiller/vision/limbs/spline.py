"""Cubic splines for following a limb: a basis to smooth with, and a line put on other stations.

Both are a few lines of numpy, because loading scipy.interpolate takes half a second of every command;
the tests hold them against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def cubic_basis(x: Array, inner: Array) -> Array:
    """Cubic B-splines (n, k + 4) at x (n,) ascending, with single knots at ``inner`` (k,) and fourfold ones at the ends.

    The recursion of Cox and de Boor (de Boor 1978, A Practical Guide to Splines, eq. X.3).
    """
    knots = np.concatenate([np.full(4, x[0]), inner, np.full(4, x[-1])])
    cell = np.clip(np.searchsorted(knots, x, side="right") - 1, 3, len(knots) - 5)
    basis = (np.arange(len(knots) - 1)[None, :] == cell[:, None]).astype(float)
    for degree in (1, 2, 3):
        width = knots[degree:] - knots[:-degree]
        safe = np.where(width > 0, width, 1.0)
        rising = np.where(width > 0, (x[:, None] - knots[None, :-degree]) / safe, 0.0)
        falling = np.where(width > 0, (knots[None, degree:] - x[:, None]) / safe, 0.0)
        basis = rising[:, :-1] * basis[:, :-1] + falling[:, 1:] * basis[:, 1:]
    return np.asarray(basis, dtype=float)


def lengths_along(points: Array) -> Array:
    """Arc length (n,) from the first point of a line (n, 2) to each, by its chords."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


@dataclass(frozen=True)
class Line:
    """The line through evenly spaced points (n, 2), n >= 5.

    Piecewise cubic with slopes (by station) from five points, so the error falls with the fourth power of the
    spacing; beyond an end the last piece goes on. Lengths (n,) are those of the chords.
    """

    points: Array
    slope: Array
    length: Array

    @classmethod
    def through(cls, points: Array) -> Self:
        """The line through these points."""
        slope = np.empty_like(points)
        slope[2:-2] = (points[:-4] - 8 * points[1:-3] + 8 * points[3:-1] - points[4:]) / 12
        for end, step in ((0, 1), (-1, -1)):  # one-sided, fourth and third order
            p = points[end::step][:5]
            slope[end] = step * (-25 * p[0] + 48 * p[1] - 36 * p[2] + 16 * p[3] - 3 * p[4]) / 12
            slope[end + step] = step * (-3 * p[0] - 10 * p[1] + 18 * p[2] - 6 * p[3] + p[4]) / 12
        return cls(points, slope, lengths_along(points))

    def at(self, where: Array) -> tuple[Array, Array]:
        """Places and tangents (m, 2) at arc lengths ``where`` (m,)."""
        cell = np.clip(np.searchsorted(self.length, where, side="right") - 1, 0, len(self.points) - 2)
        chord = self.length[cell + 1] - self.length[cell]
        u = ((where - self.length[cell]) / chord)[:, None]
        a, b, da, db = self.points[cell], self.points[cell + 1], self.slope[cell], self.slope[cell + 1]
        c2, c3 = 3 * (b - a) - 2 * da - db, 2 * (a - b) + da + db
        place = a + u * (da + u * (c2 + u * c3))
        return place, (da + u * (2 * c2 + 3 * u * c3)) / chord[:, None]
