"""The modulus of a stave that rings: natural frequencies of a free beam with shear and rotary inertia, and the modulus that a tap's partials tell.

A stave on soft supports at the nodes of its first mode is a free-free beam. Its frequencies go with the square root of the modulus while the ratio of shear
modulus to modulus stays, so that one solution at a modulus of 1 serves for all. Elements: two nodes, deflection and turn, shear by the exact static
stiffness, consistent mass with rotary inertia (Przemieniecki, Theory of Matrix Structural Analysis, sections 5.6 and 11.6; from memory). Checked against the
roots of cos x cosh x = 1, Timoshenko's correction as ASTM E1876 has it, and OpenSees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from tiller.bow.section import crowned_section

Array = NDArray[np.float64]

KAPPA = 5.0 / 6.0
"""Shear coefficient of a rectangle (Timoshenko; the Wood Handbook's modified shear area is 5/6 of the section's, eq. 9-2, from memory)."""
ELEMENTS = 60
LEAST_GPA, MOST_GPA = 3.0, 32.0
"""Moduli along the grain that any wood has."""


@dataclass(frozen=True, kw_only=True)
class Bar:
    """A stave or a lath as it is rung: n stations along it.

    Attributes:
        s_mm, width_mm, thickness_mm: (n,) from one end to the other; it swings across its thickness. crown_mm: radius of the back, None for flat.
        mass_kg: all of it. shear_ratio: shear modulus over modulus.
        length_sd_mm, thickness_sd_mm, width_sd_mm: of one caliper's reading; mass_sd_kg.
    """

    s_mm: Array
    width_mm: Array
    thickness_mm: Array
    crown_mm: float | None
    mass_kg: float
    shear_ratio: float
    length_sd_mm: float = 1.0
    thickness_sd_mm: float = 0.15
    width_sd_mm: float = 0.3
    mass_sd_kg: float = 0.002


def free_modes(bar: Bar, count: int = 4) -> Array:
    """Natural frequencies at a modulus of 1 GPa, (count,) Hz, the rigid ones left out; at another modulus its square root times as high."""
    s = np.linspace(float(bar.s_mm[0]), float(bar.s_mm[-1]), ELEMENTS + 1)
    mid = 0.5 * (s[1:] + s[:-1])
    cut = crowned_section(
        np.interp(mid, bar.s_mm, bar.width_mm), np.interp(mid, bar.s_mm, bar.thickness_mm), bar.crown_mm
    )
    area, second = np.asarray(cut.area_mm2) * 1e-6, np.asarray(cut.second_moment_mm4) * 1e-12
    step = np.diff(s) * 1e-3
    density = bar.mass_kg / float(area @ step)
    k, m = assembled(step, 1e9 * second, 1e9 * bar.shear_ratio * KAPPA * area, density * area, density * second)
    values = eigh(k, m, eigvals_only=True, subset_by_index=[2, count + 1])
    return np.asarray(np.sqrt(np.maximum(values, 0.0)) / (2 * np.pi), dtype=float)


def assembled(step: Array, bending: Array, shear: Array, mass: Array, inertia: Array) -> tuple[Array, Array]:
    """Stiffness and mass matrix (2 n + 2, 2 n + 2) of n beam elements; SI units.

    Args:
        step: (n,) lengths; bending: E I; shear: kappa G A; mass, inertia: mass and rotary inertia per length.
    """
    n = len(step)
    k, m = np.zeros((2 * n + 2, 2 * n + 2)), np.zeros((2 * n + 2, 2 * n + 2))
    for j, (h, ei, ga, mu, rho) in enumerate(zip(step, bending, shear, mass, inertia, strict=True)):
        p = 12 * ei / (ga * h * h)
        ke = (
            ei
            / (h**3 * (1 + p))
            * np.array(
                [
                    [12, 6 * h, -12, 6 * h],
                    [6 * h, (4 + p) * h * h, -6 * h, (2 - p) * h * h],
                    [-12, -6 * h, 12, -6 * h],
                    [6 * h, (2 - p) * h * h, -6 * h, (4 + p) * h * h],
                ]
            )
        )
        me = _mass(h, p, mu) + _rotary(h, p, rho)
        at = slice(2 * j, 2 * j + 4)
        k[at, at] += ke
        m[at, at] += me
    return k, m


def _mass(h: float, p: float, mu: float) -> Array:
    a = 13 / 35 + 7 * p / 10 + p * p / 3
    b = (11 / 210 + 11 * p / 120 + p * p / 24) * h
    c = 9 / 70 + 3 * p / 10 + p * p / 6
    d = -(13 / 420 + 3 * p / 40 + p * p / 24) * h
    e = (1 / 105 + p / 60 + p * p / 120) * h * h
    f = -(1 / 140 + p / 60 + p * p / 120) * h * h
    return np.asarray(
        mu * h / (1 + p) ** 2 * np.array([[a, b, c, d], [b, e, -d, f], [c, -d, a, -b], [d, f, -b, e]]), dtype=float
    )


def _rotary(h: float, p: float, rho: float) -> Array:
    a, b = 6 / 5, (1 / 10 - p / 2) * h
    e, f = (2 / 15 + p / 6 + p * p / 3) * h * h, (-1 / 30 - p / 6 + p * p / 6) * h * h
    return np.asarray(
        rho / (h * (1 + p) ** 2) * np.array([[a, b, -a, b], [b, e, -b, f], [-a, -b, a, -b], [b, f, -b, e]]), dtype=float
    )


def deflected_modulus_gpa(
    span_mm: float, width_mm: float, thickness_mm: float, force_n: float, deflection_mm: float, shear_ratio: float
) -> float:
    """Modulus of a lath on two supports, loaded at its middle: w = F L^3 / (48 E I) + F L / (4 kappa G A) (Wood Handbook, eq. 9-2 and Table 9-1, from memory).

    Raises:
        ValueError: a deflection or force that is none.
    """
    if not (deflection_mm > 0 and force_n > 0):
        msg = "force and deflection must be more than nothing"
        raise ValueError(msg)
    second, area = width_mm * thickness_mm**3 / 12, width_mm * thickness_mm
    per = span_mm**3 / (48 * second) + span_mm / (4 * KAPPA * shear_ratio * area)
    return 1e-3 * force_n * per / deflection_mm


def deflected_sd(
    span_mm: float,
    width_mm: float,
    thickness_mm: float,
    deflection_mm: float,
    sds_mm: tuple[float, float, float, float],
) -> float:
    """Relative sd of ``deflected_modulus_gpa`` from those of span, width, thickness and deflection."""
    span, width, thick, deflection = sds_mm
    parts = (3 * span / span_mm, width / width_mm, 3 * thick / thickness_mm, deflection / deflection_mm)
    return float(np.sqrt(sum(p * p for p in parts)))
