"""Cross-section of a limb: flat belly, straight sides, back crowned with the radius of the log.

The section is symmetric about the bow's mid-plane. Its height over the belly at the distance z
from the mid-plane is ``y(z) = h - (R - sqrt(R^2 - z^2))`` for ``|z| <= w/2``, with h the thickness
at the crown (what calipers over back and belly measure), w the width and R the crown radius.
Bending is about the axis parallel to the belly. Integrals of y, y^2 and y^3 over the width have
closed forms (circular segment); they are used here, not quadrature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.quantity import mm

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Section:
    """Section properties, each an array of the inputs' common shape.

    Attributes:
        area_mm2: area.
        neutral_axis_mm: height of the centroid over the belly.
        second_moment_mm4: second moment of area about the centroid's axis parallel to the belly.
        to_back_mm: distance from the neutral axis to the outermost fibre of the back (the crown).
        to_belly_mm: distance from the neutral axis to the belly.
    """

    area_mm2: Array
    neutral_axis_mm: Array
    second_moment_mm4: Array
    to_back_mm: Array
    to_belly_mm: Array


def sagitta_mm(width_mm: ArrayLike, crown_radius_mm: float | Array | None) -> Array:
    """Height of the crown over the back's edges: R - sqrt(R^2 - (w/2)^2); 0 for a flat back.

    Raises:
        ValueError: half the width exceeds the crown radius.
    """
    half = 0.5 * np.asarray(width_mm, dtype=float)
    if crown_radius_mm is None:
        return np.zeros_like(half)
    if np.any(half > crown_radius_mm):
        msg = (
            f"a limb {mm(2 * float(np.max(half)), 1)} wide cannot come from a back of {mm(float(np.min(crown_radius_mm)), 1)} crown radius:"
            " measure the log's radius again or give no crown radius for a flat back."
        )
        raise ValueError(msg)
    return np.asarray(crown_radius_mm - np.sqrt(crown_radius_mm**2 - half**2), dtype=float)


def crowned_section(width_mm: ArrayLike, thickness_mm: ArrayLike, crown_radius_mm: float | None = None) -> Section:
    """Section properties of a limb with a crowned back.

    Args:
        width_mm: width, any shape.
        thickness_mm: thickness at the crown, broadcast with the width.
        crown_radius_mm: radius of the back across the limb (the log's radius); None for a flat back.

    Raises:
        ValueError: a size is not positive and finite, the width exceeds twice the crown radius, or
            the crown is higher than the limb is thick.
    """
    w, h = np.broadcast_arrays(np.asarray(width_mm, dtype=float), np.asarray(thickness_mm, dtype=float))
    if not (np.all(np.isfinite(w)) and np.all(np.isfinite(h)) and np.all(w > 0) and np.all(h > 0)):
        msg = "width and thickness of a section must be positive and finite"
        raise ValueError(msg)
    a = 0.5 * w
    if crown_radius_mm is None or not np.isfinite(crown_radius_mm):
        area, first, second = w * h, 0.5 * w * h**2, w * h**3 / 3.0
    else:
        r = float(crown_radius_mm)
        if np.any(sagitta_mm(w, r) >= h):
            msg = "the crown is higher than the limb is thick: check width, thickness and crown radius"
            raise ValueError(msg)
        # y = k + g, g = sqrt(R^2 - z^2), k = h - R; moments of g over [-a, a]
        k = h - r
        root = np.sqrt(r**2 - a**2)
        angle = np.arcsin(a / r)
        g1 = a * root + r**2 * angle
        g2 = 2.0 * (r**2 * a - a**3 / 3.0)
        g3 = 0.5 * (a * root**3 + 1.5 * r**2 * (a * root + r**2 * angle))
        area = w * k + g1
        first = 0.5 * (w * k**2 + 2 * k * g1 + g2)
        second = (w * k**3 + 3 * k**2 * g1 + 3 * k * g2 + g3) / 3.0
    axis = first / area
    return Section(area, axis, second - area * axis**2, h - axis, axis)
