"""Statics of a drawn bow: string tensions from the force at the hook, bending moments along a limb.

Limb coordinates: x outward from the pivot (mirrored for the left limb), y up, both mm. A moment is
positive when it bends the limb the way drawing does (tip down), in N mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.bow.units import STANDARD_GRAVITY

Array = NDArray[np.float64]


def string_tensions(hook_mm: ArrayLike, left_nock_mm: ArrayLike, right_nock_mm: ArrayLike, force_n: ArrayLike) -> Array:
    """Tension of the string's left and right part, (..., 2) N, from force balance at the hook.

    Two equations, along the rope (straight down) and across it: T_l e_l + T_r e_r = (0, F) with
    e the unit vectors from the hook to the nocks. Nothing is assumed about symmetry.

    Args:
        hook_mm, left_nock_mm, right_nock_mm: (..., 2) rack x, y.
        force_n: (...) force along the rope, positive when it pulls down.

    Returns:
        Tensions; NaN where the two parts are parallel (string straight across: the force says nothing).
    """
    hook = np.asarray(hook_mm, dtype=float)
    left = np.asarray(left_nock_mm, dtype=float) - hook
    right = np.asarray(right_nock_mm, dtype=float) - hook
    with np.errstate(invalid="ignore", divide="ignore"):
        left = left / np.linalg.norm(left, axis=-1, keepdims=True)
        right = right / np.linalg.norm(right, axis=-1, keepdims=True)
        det = left[..., 0] * right[..., 1] - left[..., 1] * right[..., 0]
        force = np.asarray(force_n, dtype=float)
        pulls = np.stack([-right[..., 0] * force / det, left[..., 0] * force / det], axis=-1)
    return np.where(np.abs(det)[..., None] > 1e-6, pulls, np.nan)


def string_moment(points_mm: Array, nock_mm: ArrayLike, hook_mm: ArrayLike, tension_n: float) -> Array:
    """Moment of the string's pull about each point of the limb, (n,) N mm, in limb coordinates.

    tension times the lever arm of the line from nock to hook.
    """
    nock = np.asarray(nock_mm, dtype=float)
    pull = np.asarray(hook_mm, dtype=float) - nock
    pull = tension_n * pull / np.linalg.norm(pull)
    arm = nock - points_mm
    return np.asarray(-(arm[:, 0] * pull[1] - arm[:, 1] * pull[0]), dtype=float)


def weight_moment(points_mm: Array, mass_per_mm_kg: Array, s_mm: Array) -> Array:
    """Moment of the limb's own weight outboard of each point, (n,) N mm.

    Trapezoid rule over the stations; what lies beyond the last one is left out (a few gram).
    """
    step = np.diff(s_mm)
    load = mass_per_mm_kg * STANDARD_GRAVITY
    x = points_mm[:, 0]

    def outboard(values: Array) -> Array:
        pieces = 0.5 * (values[1:] + values[:-1]) * step
        return np.concatenate([np.cumsum(pieces[::-1])[::-1], [0.0]])

    return np.asarray(outboard(load * x) - x * outboard(load), dtype=float)
