"""Unit conversions: the one place where they live.

Inside the program lengths are mm, forces N, angles rad, times s; curvature is 1/mm inside the
fits and 1/m where a result is shown or stored; stiffness is N m2 in results, N mm2 in the fits.
The inch and the pound-force are exact by definition (international yard and pound, 1959).
"""

from __future__ import annotations

MM_PER_INCH = 25.4
N_PER_LBF = 4.4482216152605
KG_PER_LB = 0.45359237
"""By definition (international yard and pound, 1959)."""
PA_PER_PSI = N_PER_LBF / (MM_PER_INCH * 1e-3) ** 2
NMM2_PER_NM2 = 1e6
STANDARD_GRAVITY = 9.80665
"""m/s2, by definition (3rd CGPM 1901)."""
ARCHERY_DRAW_ALLOWANCE_MM = 1.75 * MM_PER_INCH
"""Archery convention: draw length = pivot to string + 1 3/4 in (AMO field publication FP-3, 2000)."""


def inch_from_mm(length_mm: float) -> float:
    """Length in inches."""
    return length_mm / MM_PER_INCH


def mm_from_inch(length_in: float) -> float:
    """Length in mm."""
    return length_in * MM_PER_INCH


def lbf_from_n(force_n: float) -> float:
    """Force in pounds-force."""
    return force_n / N_PER_LBF


def foot_pound_from_j(energy_j: float) -> float:
    """Energy in foot-pounds."""
    return energy_j / (N_PER_LBF * 12e-3 * MM_PER_INCH)


def n_from_lbf(force_lbf: float) -> float:
    """Force in newton."""
    return force_lbf * N_PER_LBF


def kg_from_lb(mass_lb: float) -> float:
    """Mass in kg from pounds."""
    return mass_lb * KG_PER_LB


def gpa_from_mpsi(modulus_mpsi: float) -> float:
    """Modulus in GPa from million pounds per square inch."""
    return modulus_mpsi * 1e6 * PA_PER_PSI * 1e-9


def mpa_from_psi(stress_psi: float) -> float:
    """Stress in MPa from pounds per square inch."""
    return stress_psi * PA_PER_PSI * 1e-6


def archery_draw_mm(draw_mm: float) -> float:
    """Draw length by the archery convention (pivot to string + 44.45 mm)."""
    return draw_mm + ARCHERY_DRAW_ALLOWANCE_MM


STRING_ALLOWANCE_MM = 3.0 * MM_PER_INCH
"""Archery convention: a bow's nominal length is 3 in more than the string that braces it at its proper height (AMO field
publication FP-3, 2000; as read in a scan)."""


def nominal_length_mm(string_mm: float) -> float:
    """A bow's nominal length by the archery convention, from its string's length, both mm."""
    return string_mm + STRING_ALLOWANCE_MM
