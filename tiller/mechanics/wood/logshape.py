"""A log's end as a closed curve about its pith: diameter, how far the pith is off the middle, and the roundness of its surface at any side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_ORDER = 8
"""Of the Fourier series about the pith."""
LEAST_POINTS = 5
FLAT_MM = 1e4
"""A back of such a radius is flat."""


@dataclass(frozen=True)
class Rim:
    """The edge under the bark: radius about the pith as a Fourier series of the angle (counter-clockwise from x), mm.

    Attributes:
        pith_mm: (2,); cosines: (k + 1,) with the mean first; sines: (k + 1,), the first 0.
        sd_mm: of a point of it.
    """

    pith_mm: Array
    cosines: Array
    sines: Array
    sd_mm: float

    def radius_mm(self, angle_rad: Array | float) -> Array:
        """Radius at angles (n,)."""
        at = np.atleast_1d(np.asarray(angle_rad, dtype=float))
        k = np.arange(len(self.cosines))
        return np.asarray(np.cos(np.outer(at, k)) @ self.cosines + np.sin(np.outer(at, k)) @ self.sines, dtype=float)

    def points_mm(self, count: int = 720) -> Array:
        """(count, 2) of it, counter-clockwise."""
        at = 2 * np.pi * np.arange(count) / count
        return np.asarray(
            self.pith_mm + self.radius_mm(at)[:, None] * np.column_stack([np.cos(at), np.sin(at)]), dtype=float
        )


def rim_of(pith_mm: Array, points_mm: Array, order: int | None = None, sd_mm: float | None = None) -> Rim:
    """The curve through points of the edge, by least squares, bent as little as they allow.

    Args:
        points_mm: (n, 2); order: of the series, as many as the points bear where None; sd_mm: of a point, by the misfit where None.

    Raises:
        ValueError: too few points, or a pith that does not lie within them.
    """
    off = np.asarray(points_mm, dtype=float) - pith_mm
    if len(off) < LEAST_POINTS:
        msg = f"{len(off)} points of the edge, {LEAST_POINTS} are the least: touch it all around"
        raise ValueError(msg)
    angle, radius = np.arctan2(off[:, 1], off[:, 0]), np.linalg.norm(off, axis=1)
    gaps = np.diff(np.concatenate([np.sort(angle), [np.sort(angle)[0] + 2 * np.pi]]))
    if float(np.max(gaps)) >= np.pi:
        msg = "the pith lies outside of the edge that was touched, or the edge was touched at one side only: touch the pith, then the edge all around"
        raise ValueError(msg)
    if order is None:
        order = int(np.clip((len(off) - 1) // 2, 1, MOST_ORDER))
    k = np.arange(order + 1)
    design = np.hstack([np.cos(np.outer(angle, k)), np.sin(np.outer(angle, k[1:]))])
    # high orders are small on a log: a ridge that grows with the fourth power of the order keeps gaps from swinging
    weight = np.concatenate([k**4, k[1:] ** 4]).astype(float)
    ridge = np.diag(0.02 * len(off) / 10 * np.minimum(weight, 1e3) * (np.concatenate([k, k[1:]]) > 1) * 0.02)
    solved = np.linalg.solve(design.T @ design + ridge, design.T @ radius)
    left = radius - design @ solved
    free = max(len(off) - design.shape[1], 1)
    sd = float(np.sqrt(np.sum(left**2) / free)) if sd_mm is None else sd_mm
    sines = np.concatenate([[0.0], solved[order + 1 :]])
    return Rim(np.asarray(pith_mm, dtype=float), np.asarray(solved[: order + 1], dtype=float), sines, sd)


@dataclass(frozen=True, kw_only=True)
class LogShape:
    """What the rim says.

    Attributes:
        diameter_mm, diameter_sd_mm: of a circle of the same area; least_mm, most_mm: across, over all directions.
        off_mm, off_sd_mm: the pith off the middle of the area; lean: that over the mean radius; towards_rad: the way from the pith to the longer side.
    """

    diameter_mm: float
    diameter_sd_mm: float
    least_mm: float
    most_mm: float
    off_mm: float
    off_sd_mm: float
    lean: float
    towards_rad: float


PITH_SD_MM = 1.0
"""A pith is touched so surely (common practice, no source)."""


def shape_of(rim: Rim, scale_sd: float = 0.002, count: int = 8) -> LogShape:
    """Diameter and eccentricity.

    Args:
        scale_sd: relative sd of the scale; count: points of the rim that err on their own.
    """
    p = rim.points_mm()
    x, y = p[:, 0], p[:, 1]
    nx, ny = np.roll(x, -1), np.roll(y, -1)
    cross = x * ny - nx * y
    area = 0.5 * float(cross.sum())
    middle = np.array([float(((x + nx) * cross).sum()), float(((y + ny) * cross).sum())]) / (6 * area)
    diameter = 2 * np.sqrt(area / np.pi)
    turns = np.pi * np.arange(90) / 90
    spans = [float(np.ptp(p @ np.array([np.cos(t), np.sin(t)]))) for t in turns]
    off = middle - rim.pith_mm
    sd = float(np.hypot(2 * rim.sd_mm / np.sqrt(count), scale_sd * diameter))
    return LogShape(
        diameter_mm=float(diameter),
        diameter_sd_mm=sd,
        least_mm=min(spans),
        most_mm=max(spans),
        off_mm=float(np.linalg.norm(off)),
        off_sd_mm=float(np.hypot(PITH_SD_MM, rim.sd_mm / np.sqrt(count / 2))),
        lean=float(np.linalg.norm(off) / (0.5 * diameter)),
        towards_rad=float(np.arctan2(off[1], off[0])),
    )


def crown_radius_mm(rim: Rim, angle_rad: float, width_mm: float, inward_mm: float = 0.0) -> float:
    """Radius of the circle that lies best on the rim across a stave of that width from that side; of a ring so far under it.

    A straight or hollow side gives ``FLAT_MM``.
    """
    half = np.arcsin(np.clip(0.5 * width_mm / float(rim.radius_mm(angle_rad)[0]), 0.02, 0.95))
    at = angle_rad + np.linspace(-half, half, 61)
    radius = rim.radius_mm(at) - inward_mm
    p = radius[:, None] * np.column_stack([np.cos(at - angle_rad), np.sin(at - angle_rad)])
    # the circle x^2 + y^2 + a x + b y + c = 0 by least squares, about the middle of the arc
    p = p - p[30]
    solved = np.linalg.lstsq(np.column_stack([p, np.ones(len(p))]), -np.sum(p * p, axis=1), rcond=None)[0]
    if solved[0] <= 0:  # its middle lies outward: hollow
        return FLAT_MM
    return float(min(np.sqrt(max(0.25 * (solved[0] ** 2 + solved[1] ** 2) - solved[2], 0.0)), FLAT_MM))
