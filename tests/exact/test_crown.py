"""The back's crown from the stiffness along a limb, where it is not known. The section itself is checked by finite elements elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import truncnorm

from tiller.bow.section import crowned_section
from tiller.mechanics.fit.crown import (
    TIGHTEST_MM,
    USUAL_PER_MM,
    USUAL_SD_PER_MM,
    CrownReading,
    crown_from_stiffness,
)

TAPERED = np.linspace(46.0, 14.0, 9)


def limb(width: np.ndarray, radius: float | None, modulus: float = 12_000.0, sd: float = 0.004) -> CrownReading:
    thick = np.linspace(16.0, 11.0, len(width))
    ei = modulus * crowned_section(width, thick, radius).second_moment_mm4
    return CrownReading(width, thick, np.log(ei), np.full(len(width), sd))


def test_a_limb_that_does_not_taper_says_nothing() -> None:
    """What is found is what is usual: a Gaussian cut off at flat and at the tightest radius (scipy's truncated normal)."""
    same = np.full(9, 30.0)
    thick = np.full(9, 13.0)
    reading = CrownReading(same, thick, np.full(9, np.log(5e7)), np.full(9, 0.01))
    found = crown_from_stiffness([reading, reading])
    ends = (np.array([0.0, 1 / TIGHTEST_MM]) - USUAL_PER_MM) / USUAL_SD_PER_MM
    usual = truncnorm(*ends, loc=USUAL_PER_MM, scale=USUAL_SD_PER_MM)
    assert found.curvature_per_mm == pytest.approx(usual.mean(), rel=0.03)
    assert found.curvature_sd_per_mm == pytest.approx(usual.std(), rel=0.05)


@pytest.mark.parametrize("radius", [60.0, 90.0, 400.0])
def test_a_limb_that_tapers_tells_its_crown(radius: float) -> None:
    found = crown_from_stiffness([limb(TAPERED, radius), limb(TAPERED, radius, 14_500.0)])
    assert found.curvature_per_mm == pytest.approx(1 / radius, abs=2.5 * found.curvature_sd_per_mm)
    assert found.curvature_sd_per_mm < 0.6 * USUAL_SD_PER_MM  # surer than before
    # the modulus is free: it may differ from limb to limb
    other = crown_from_stiffness([limb(TAPERED, radius, 9_000.0), limb(TAPERED, radius, 18_000.0)])
    assert other.curvature_per_mm == pytest.approx(found.curvature_per_mm, rel=1e-6)


def test_surer_stiffness_tells_it_more_surely() -> None:
    vague, sure = (crown_from_stiffness([limb(TAPERED, 80.0, sd=sd)]) for sd in (0.15, 0.004))
    assert sure.curvature_sd_per_mm < vague.curvature_sd_per_mm
    assert abs(sure.curvature_per_mm - 1 / 80) <= abs(vague.curvature_per_mm - 1 / 80) + 1e-4
