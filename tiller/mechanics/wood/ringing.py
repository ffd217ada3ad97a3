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
NODES_SHARE = 0.2242
"""Where the supports belong, from either end: the nodes of the first mode of an even free beam."""
LEAST_GPA, MOST_GPA = 3.0, 32.0
"""Moduli along the grain that any wood has."""
WITHIN = 0.035
"""A partial is looked for so near to where the modulus puts it: taper, moisture and supports move them against each other."""


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


def free_modes(bar: Bar, count: int = 4) -> tuple[Array, Array]:
    """Natural frequencies at a modulus of 1 GPa.

    Args:
        bar: the bar; count: how many modes.

    Returns:
        (count,) Hz, the rigid ones left out; and (count, 2) the first-order change of the logarithm of each with ... of a support: the mode's squared
        deflection at ``NODES_SHARE`` from either end over its mean square (0 at a node).
    """
    s = np.linspace(float(bar.s_mm[0]), float(bar.s_mm[-1]), ELEMENTS + 1)
    mid = 0.5 * (s[1:] + s[:-1])
    cut = crowned_section(
        np.interp(mid, bar.s_mm, bar.width_mm), np.interp(mid, bar.s_mm, bar.thickness_mm), bar.crown_mm
    )
    area, second = np.asarray(cut.area_mm2) * 1e-6, np.asarray(cut.second_moment_mm4) * 1e-12
    step = np.diff(s) * 1e-3
    density = bar.mass_kg / float(area @ step)
    k, m = assembled(step, 1e9 * second, 1e9 * bar.shear_ratio * KAPPA * area, density * area, density * second)
    values, shapes = eigh(k, m, subset_by_index=[0, count + 1])
    along = shapes[::2, 2:]
    at = s[0] + (s[-1] - s[0]) * np.array([NODES_SHARE, 1.0 - NODES_SHARE])
    there = np.stack([np.interp(at, s, along[:, j]) ** 2 / np.mean(along[:, j] ** 2) for j in range(count)])
    return np.sqrt(np.maximum(values[2:], 0.0)) / (2 * np.pi), there


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


def uniform_frequency_hz(
    modulus_gpa: float, width_mm: float, thickness_mm: float, length_mm: float, mass_kg: float
) -> float:
    """First frequency of an even isotropic bar, by ASTM E1876 (eq. 1 turned round, Poisson's ratio 0.3; from memory), for checks."""
    ratio, nu = thickness_mm / length_mm, 0.3
    t1 = (
        1
        + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * ratio**2
        - 0.868 * ratio**4
        - 8.340
        * (1 + 0.2023 * nu + 2.173 * nu**2)
        * ratio**4
        / (1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * ratio**2)
    )
    e = modulus_gpa * 1e9
    b, t, length = 1e-3 * width_mm, 1e-3 * thickness_mm, 1e-3 * length_mm
    return float(np.sqrt(e * b * (t / length) ** 3 / (0.9465 * mass_kg * t1)))


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
