"""The back's crown, where nobody measured it: what the measured stiffness says about it.

A crowned back takes more from a wide limb's second moment than from a narrow one's. Along a limb that
tapers, EI / I(width, thickness, R) is level only for the right crown radius R, since the modulus has no
reason to follow the taper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.composite import Above, limb_section

Array = NDArray[np.float64]

TIGHTEST_MM = 40.0
USUAL_PER_MM = 1 / 110.0
USUAL_SD_PER_MM = 1 / 110.0
"""Backs of staves from logs have radii of some 50 mm to flat (common practice, no source)."""
SCATTER = 0.045
"""Relative scatter of EI over I at a caliper station: modulus along the limb, calipers cubed (common practice, no source)."""


@dataclass(frozen=True)
class CrownReading:
    """One limb at its caliper stations: width, thickness, log EI (N mm2) and its sd, (k,) each, and its layers there."""

    width_mm: Array
    thickness_mm: Array
    log_ei: Array
    log_ei_sd: Array
    above: Above | None = None


@dataclass(frozen=True)
class Crown:
    """Crown radius (inf = flat) and curvature with its sd, 1/mm."""

    radius_mm: float
    curvature_per_mm: float
    curvature_sd_per_mm: float


def crown_from_stiffness(limbs: Sequence[CrownReading]) -> Crown:
    """Posterior mean of the back's curvature on a grid, the modulus of each limb free."""
    widest = max(float(np.max(limb.width_mm)) for limb in limbs)
    tightest = max(TIGHTEST_MM, 0.52 * widest)
    grid = np.linspace(0.0, 1 / tightest, 60)
    cost = 0.5 * ((grid - USUAL_PER_MM) / USUAL_SD_PER_MM) ** 2
    for k, curvature in enumerate(grid):
        radius = None if curvature == 0 else 1 / float(curvature)
        for limb in limbs:
            try:
                section = limb_section(limb.width_mm, limb.thickness_mm, radius, limb.above)
            except ValueError:  # the crown would be higher than the limb is thick: impossible radius
                cost[k] = np.inf
                break
            weight = 1.0 / (SCATTER**2 + limb.log_ei_sd**2)
            gap = limb.log_ei - np.log(section.second_moment_mm4)
            gap = gap - np.sum(weight * gap) / np.sum(weight)
            cost[k] += 0.5 * float(np.sum(weight * gap**2))
    share = np.exp(-(cost - np.min(cost)))
    share /= share.sum()
    mean = float(np.sum(share * grid))
    sd = float(np.sqrt(np.sum(share * (grid - mean) ** 2)))
    return Crown(1 / mean if mean > 1 / 2000 else float("inf"), mean, sd)
