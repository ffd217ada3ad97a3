"""Bend of a limb in one picture, from the places of its centreline in it and at rest alone.

The change of place across the limb is the double integral of the change of curvature. That is given a
Gaussian process prior about an unknown constant, its strength chosen by the marginal likelihood from the
measured noise: a noisy line is smoothed more (Wahba 1990; Rasmussen and Williams 2006, ch. 5). Where only
the constant is left, the sd is the least-squares one of a parabola, sigma / L^2 sqrt(720 (n-1)^3 / (n (n+1)
(n+2) (n-2))).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.fit.prior import matern52

Array = NDArray[np.float64]

LENGTH_MM = 60.0
STRENGTHS_PER_MM = (0.0, 2e-5, 6e-5, 1.5e-4, 4e-4, 1e-3)
"""Spread of the bend about its mean, 1/mm; the likeliest is taken."""
CLEARLY = 2.5
"""Log likelihood by which a bend that varies must beat one that does not."""


@dataclass(frozen=True)
class BendProfile:
    """Bend along a limb.

    Attributes:
        bend_per_mm: (n,) change of curvature, positive as drawing bends (line towards the belly side at the tip).
        sd_per_mm: (n,) its sd.
        mean_per_mm, mean_sd_per_mm: the mean bend over the stations and its sd.
        strength_per_mm: spread about the mean that was chosen.
    """

    bend_per_mm: Array
    sd_per_mm: Array
    mean_per_mm: float
    mean_sd_per_mm: float
    strength_per_mm: float


def bend_from_places(s_mm: Array, change_mm: Array, sd_mm: Array) -> BendProfile:
    """Bend from the change of place across the limb.

    Small turns between the two lines' tangents are assumed per station (the change is measured across the
    drawn line after the rest line was laid along it); shift and turn of the whole are free.

    Args:
        s_mm: (n,) stations; change_mm: (n,) drawn minus rest across the limb, positive to the back, NaN = not seen.
        sd_mm: (n,) sd of each change.

    Returns:
        The profile; all NaN where fewer than 6 stations are seen.
    """
    good = np.isfinite(change_mm) & np.isfinite(sd_mm)
    n = len(s_mm)
    if np.count_nonzero(good) < 6:
        nothing = np.full(n, np.nan)
        return BendProfile(nothing, nothing, float("nan"), float("nan"), float("nan"))
    x = s_mm - s_mm.mean()
    double = _double_integral(s_mm)
    # bend = mean + process; place = shift + turn x - double @ bend
    columns = np.column_stack([np.ones(n), x, -double @ np.ones(n)])
    kernel = matern52(s_mm, s_mm, 1.0, LENGTH_MM)
    spread = double @ kernel @ double.T
    y, a = change_mm[good], columns[good]
    noise = np.diag(sd_mm[good] ** 2)
    best: tuple[float, float] = (-np.inf, 0.0)
    for strength in STRENGTHS_PER_MM:
        cov = noise + strength**2 * spread[np.ix_(good, good)]
        factor = np.linalg.cholesky(cov)
        white_a, white_y = np.linalg.solve(factor, a), np.linalg.solve(factor, y)
        normal = white_a.T @ white_a
        coef = np.linalg.solve(normal, white_a.T @ white_y)
        left = white_y - white_a @ coef
        score = (
            -0.5 * float(left @ left)
            - float(np.sum(np.log(np.diag(factor))))
            - 0.5 * float(np.linalg.slogdet(normal)[1])
        )
        if score > best[0] + (0.0 if best[1] else CLEARLY if strength else 0.0):
            best = (score, strength)
    strength = best[1]
    cov = noise + strength**2 * spread[np.ix_(good, good)]
    inverse = np.linalg.inv(cov)
    normal = np.linalg.inv(a.T @ inverse @ a)
    coef = normal @ (a.T @ inverse @ y)
    cross = -(strength**2) * kernel @ double[good].T  # process with the places seen
    bend = coef[2] + cross @ inverse @ (y - a @ coef)
    e = np.zeros((n, 3))
    e[:, 2] = 1.0
    lever = e - cross @ inverse @ a
    var = (
        strength**2 * np.diag(kernel)
        - np.einsum("ij,jk,ik->i", cross, inverse, cross)
        + np.einsum("ij,jk,ik->i", lever, normal, lever)
    )
    ones = np.full(n, 1.0 / n)
    flat = ones @ lever
    mean_var = strength**2 * ones @ kernel @ ones - ones @ cross @ inverse @ cross.T @ ones + flat @ normal @ flat
    return BendProfile(
        bend, np.sqrt(np.maximum(var, 0.0)), float(ones @ bend), float(np.sqrt(max(mean_var, 0.0))), strength
    )


def _double_integral(s_mm: Array) -> Array:
    """Matrix (n, n) that takes a curvature to the place across the line, from the first station (trapezoid)."""
    n = len(s_mm)
    once = np.zeros((n, n))
    for i in range(1, n):
        once[i] = once[i - 1]
        half = 0.5 * (s_mm[i] - s_mm[i - 1])
        once[i, i - 1] += half
        once[i, i] += half
    return once @ once


def change_of_place(s_mm: Array, rest_mm: Array, points_mm: Array, offset_mm: Array) -> Array:
    """Change of place across the limb (n,) whose second derivative is the change of curvature.

    The change of the tangent's angle between the two smooth lines is integrated along s, exact for any
    bend, and the measured offset from the drawn line added.

    Args:
        rest_mm, points_mm: (n, 2) the lines at the same material stations, limb coordinates (x outward).
        offset_mm: (n,) measured place minus ``points_mm`` along its normal to the back.
    """

    def angles(line: Array) -> Array:
        step = np.diff(line, axis=0)
        return np.unwrap(np.arctan2(step[:, 1], step[:, 0]))

    turned = angles(points_mm) - angles(rest_mm)
    place = np.concatenate([[0.0], np.cumsum(turned * np.diff(s_mm))])
    return np.asarray(place + offset_mm, dtype=float)
