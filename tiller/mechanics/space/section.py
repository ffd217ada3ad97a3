"""A limb's cross-section as a beam in space needs it: bending in both planes, their product where one side of the belly is thinner, torsion.

Across the limb: z from the middle; along its thickness: a from the belly's plane towards the back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.bow.section import sagitta_mm

Array = NDArray[np.float64]

STRIPS = 64
"""Across the width; each is exact along its height."""
TERMS = 12
"""Of the rectangle's series; the next is smaller than 1e-7 of the whole."""


@dataclass(frozen=True, kw_only=True)
class SpaceSection:
    """Second moments about the centroid and the torsion constant, mm4, each an array of the inputs' shape.

    Attributes:
        area_mm2: area.
        draw_mm4: of a^2: bending as drawing bends. sideways_mm4: of z^2. product_mm4: of a z, 0 for a section that is alike on both sides.
        torsion_mm4: Saint-Venant's constant.
    """

    area_mm2: Array
    draw_mm4: Array
    sideways_mm4: Array
    product_mm4: Array
    torsion_mm4: Array


def rectangle_torsion(width_mm: ArrayLike, thickness_mm: ArrayLike) -> Array:
    """Torsion constant of a rectangle, mm4, either side the longer.

    J = a b^3 / 3 (1 - 192 b / (pi^5 a) sum over odd n of tanh(n pi a / (2 b)) / n^5), a >= b
    (Timoshenko and Goodier, Theory of Elasticity, torsion of a rectangular bar; from memory).

    Args:
        width_mm, thickness_mm: positive, broadcast together.
    """
    w, t = np.broadcast_arrays(np.asarray(width_mm, dtype=float), np.asarray(thickness_mm, dtype=float))
    a, b = np.maximum(w, t), np.minimum(w, t)
    n = 2.0 * np.arange(TERMS) + 1.0
    series = np.sum(np.tanh(0.5 * n * np.pi * (a / b)[..., None]) / n**5, axis=-1)
    return np.asarray(a * b**3 / 3.0 * (1.0 - 192.0 * b / (np.pi**5 * a) * series), dtype=float)


def space_section(
    width_mm: ArrayLike,
    thickness_mm: ArrayLike,
    crown_radius_mm: float | None = None,
    off_mm: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
) -> SpaceSection:
    """A limb with a flat belly, or with one that was thinned towards its edges.

    The torsion constant is Saint-Venant's approximation A^4 / (40 Ip) (Roark's formulas quote it; from memory), scaled as it must be for the rectangle
    of the same width and area: within 3 % of finite elements for crowned limbs (sectionproperties), exact for rectangles.

    Args:
        width_mm, thickness_mm: (n,) or scalars; thickness at the crown. crown_radius_mm: None for a flat back.
        off_mm: what is off the belly at the edge with z < 0 and at that with z > 0, running out to nothing at the middle.

    Raises:
        ValueError: half the width exceeds the crown radius, or an edge has no wood left.
    """
    w, t, low, high = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (width_mm, thickness_mm, *off_mm)))
    share = (np.arange(STRIPS) + 0.5) / STRIPS - 0.5
    z = w[..., None] * share
    top = t[..., None] - np.zeros_like(z)
    if crown_radius_mm is not None and np.isfinite(crown_radius_mm):
        sagitta_mm(w, crown_radius_mm)
        top = top - (crown_radius_mm - np.sqrt(crown_radius_mm**2 - z**2))
    bottom = low[..., None] * np.maximum(-2 * share, 0.0) + high[..., None] * np.maximum(2 * share, 0.0)
    tall = top - bottom
    if np.any(tall <= 0):
        msg = "no wood is left at an edge of the limb: less must come off there"
        raise ValueError(msg)
    step = w[..., None] / STRIPS
    middle = 0.5 * (top + bottom)
    cells = tall * step
    area = cells.sum(axis=-1)
    a0 = (cells * middle).sum(axis=-1) / area
    z0 = (cells * z).sum(axis=-1) / area
    a, zz = middle - a0[..., None], z - z0[..., None]
    draw = (cells * (a**2 + tall**2 / 12.0)).sum(axis=-1)
    sideways = (cells * (zz**2 + step**2 / 12.0)).sum(axis=-1)
    product = (cells * a * zz).sum(axis=-1)
    mean = area / w
    of_rectangle = rectangle_torsion(w, mean) * (w * mean**3 + mean * w**3) / 12.0 / (w * mean) ** 4
    torsion = area**4 * of_rectangle / (draw + sideways)
    return SpaceSection(area_mm2=area, draw_mm4=draw, sideways_mm4=sideways, product_mm4=product, torsion_mm4=torsion)
