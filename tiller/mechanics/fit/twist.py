"""How far a limb is twisted about its own length, from how thick its outline looks.

A limb that is seen from somewhat off the plane of its back shows a strip of its width beside its thickness: phi times the width,
with phi the angle between the line of sight and the back's plane (``limb.outline_offsets``). A twisted limb adds its twist to
phi, so the outline is

    thickness + out(phi + twist u) - out(phi) + bias,        u = 0 up to where the twist begins, 1 at the nock, straight between,
    out(phi) = half |phi| + (crown phi^2 / 2 while crown |phi| < half, beyond that half |phi| - sagitta),      half = width / 2,

thicker or thinner than a straight limb's: the belly's edge stands out by half its width, the crowned back rolls over its crown first. phi changes along
the limb and with the draw, which tells the twist's sign. The bias, calipers and rounded edges, is the same at rest and drawn: a straight line along the limb
and what is rough about it, each of a usual size. The twist at rest, drawn and where it begins are searched for on a grid; mean and sd are those of all of
them by their likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import sagitta_mm

Array = NDArray[np.float64]

MOST_RAD = np.deg2rad(20.0)
STEP_RAD = np.deg2rad(0.25)
BIAS_MM, SLOPE_MM = 0.2, 0.3
"""Blur, rounded edges and calipers make a whole limb, and its nock against its root, so much thicker or thinner (set on 32 rendered bows)."""
ROUGH_MM, ALONG_MM = 0.45, 60.0
"""Beside that a limb departs so far from what calipers at some stations say of it, spots among it, over such a length, at rest as drawn (the same)."""
OWN_MM, OWN_ALONG_MM = 0.4, 25.0
"""An outline of one draw errs by so much more, by its light (set on the same)."""
CHANGE_SD_RAD = np.deg2rad(2.0)
"""Drawing turns a limb by a degree or two against itself (common practice, no source)."""
BEGINS = np.linspace(0.0, 0.75, 6)
"""Where a twist may begin, as shares of the working limb, each as likely as another."""


@dataclass(frozen=True, kw_only=True)
class Twist:
    """Twist of a limb against its root, rad, positive where its belly turns towards the camera.

    Attributes:
        rest_rad, rest_sd_rad: at the nock, at rest; NaN where it cannot be known.
        drawn_rad, drawn_sd_rad: at the nock, in the pictures near the largest draw.
        from_mm, from_sd_mm: where along the limb it begins; NaN where no twist is sure.
        s_mm, along_rad, along_sd_rad: (n,) the mean of both along the limb, from where the working limb begins to the nock; empty where it cannot be known.
    """

    rest_rad: float
    rest_sd_rad: float
    drawn_rad: float
    drawn_sd_rad: float
    from_mm: float
    from_sd_mm: float
    s_mm: Array
    along_rad: Array
    along_sd_rad: Array

    @property
    def sure(self) -> bool:
        """One of both is more than three sd from none."""
        return bool(abs(self.rest_rad) > 3 * self.rest_sd_rad or abs(self.drawn_rad) > 3 * self.drawn_sd_rad)


_NAN, _NONE = float("nan"), np.zeros(0)
UNKNOWN = Twist(
    rest_rad=_NAN, rest_sd_rad=_NAN, drawn_rad=_NAN, drawn_sd_rad=_NAN, from_mm=_NAN, from_sd_mm=_NAN,
    s_mm=_NONE, along_rad=_NONE, along_sd_rad=_NONE,
)  # fmt: skip


def find_twist(
    s_mm: Array,
    width_mm: Array,
    crown_mm: float,
    excess: tuple[Array, Array],
    phi: tuple[Array, Array],
    from_mm: float,
    light_mm: float = 0.0,
) -> Twist:
    """Twist at rest and drawn.

    Args:
        s_mm, width_mm: (n,) stations from the pivot and the limb's width there; crown_mm: radius of the back's crown.
        excess: at rest and drawn, (n,) outline less caliper thickness less what stands out by phi, mm; NaN where not seen.
        phi: at rest and drawn, (n,) rad, as ``outline_offsets`` gives it.
        from_mm: where the working limb begins. light_mm: by so much more than is usual the pictures' light and blur move an outline, 1 sd.

    Returns:
        ``UNKNOWN`` where fewer than 12 stations are seen in both.
    """
    good = np.isfinite(excess[0]) & np.isfinite(excess[1]) & (s_mm >= from_mm)
    if np.count_nonzero(good) < 12:
        return UNKNOWN
    s, width = s_mm[good], width_mm[good]
    u = (s - from_mm) / max(float(s_mm[-1]) - from_mm, 1.0)
    twists = np.arange(-MOST_RAD, MOST_RAD + 0.5 * STEP_RAD, STEP_RAD)
    values, angles = (excess[0][good], excess[1][good]), (phi[0][good], phi[1][good])
    weights = _weights(s, u, light_mm)
    squares = np.stack(
        [_misfit(width, crown_mm, _shape(u, begin), values, angles, twists, weights) for begin in BEGINS]
    )
    # where the outline errs by more than is usual, all of it is less sure
    cost = 0.5 * squares / max(float(squares.min()) / (2 * len(s)), 1.0)
    cost += 0.5 * ((twists[None, :] - twists[:, None]) / CHANGE_SD_RAD) ** 2
    weight = np.exp(-np.minimum(cost - cost.min(), 50.0))
    weight /= weight.sum()
    rest, rest_sd = _moments(weight.sum(axis=(0, 2)), twists)
    drawn, drawn_sd = _moments(weight.sum(axis=(0, 1)), twists)
    half = 0.5 * (twists[:, None] + twists[None, :])
    at = np.concatenate([np.arange(from_mm, s_mm[-1], 50.0), [s_mm[-1]]])
    shapes = np.stack([_shape((at - from_mm) / max(float(s_mm[-1]) - from_mm, 1.0), begin) for begin in BEGINS])
    first, second = (np.einsum("bij,ij->b", weight, half**power) for power in (1, 2))
    along = first @ shapes
    spread = np.sqrt(np.maximum(second @ shapes**2 - along**2, 0.0)) + 0.5 * STEP_RAD * np.max(shapes, axis=0)
    found = Twist(
        rest_rad=rest, rest_sd_rad=rest_sd + 0.5 * STEP_RAD, drawn_rad=drawn, drawn_sd_rad=drawn_sd + 0.5 * STEP_RAD,
        from_mm=_NAN, from_sd_mm=_NAN, s_mm=at, along_rad=along, along_sd_rad=spread,
    )  # fmt: skip
    if not found.sure:
        return found
    share, share_sd = _moments(weight.sum(axis=(1, 2)), BEGINS)
    reach = float(s_mm[-1]) - from_mm
    step_sd = float(BEGINS[1] - BEGINS[0]) / np.sqrt(12.0)
    return replace(found, from_mm=from_mm + share * reach, from_sd_mm=float(np.hypot(share_sd, step_sd)) * reach)


def _shape(u: Array, begin: float) -> Array:
    """How much of the nock's twist there is along the limb."""
    return np.clip((u - begin) / (1.0 - begin), 0.0, None)


def _out(phi: Array, width: Array, crown: float) -> Array:
    """How much thicker an outline is that is seen from phi off the plane of the back."""
    half, size = 0.5 * width, np.abs(phi)
    sag = sagitta_mm(np.minimum(width, 2 * crown), crown)
    return half * size + np.where(size * crown < half, 0.5 * crown * phi**2, half * size - sag)


def _moments(weight: Array, values: Array) -> tuple[float, float]:
    """Mean and sd."""
    middle = float(weight @ values)
    return middle, float(np.sqrt(weight @ (values - middle) ** 2))


def _weights(s: Array, u: Array, light_mm: float) -> tuple[Array, Array]:
    """Inverse covariances (n, n) of the sum and of the difference of what is left at rest and drawn."""
    apart = np.abs(s[:, None] - s[None, :])
    shared = (
        BIAS_MM**2
        + light_mm**2
        + (SLOPE_MM**2 + 4 * light_mm**2) * np.outer(u, u)
        + ROUGH_MM**2 * np.exp(-0.5 * (apart / ALONG_MM) ** 2)
    )
    own = (OWN_MM**2 + light_mm**2) * np.exp(-apart / OWN_ALONG_MM)
    return np.asarray(np.linalg.inv(4 * shared + 2 * own), float), np.asarray(np.linalg.inv(2 * own), float)


def _misfit(
    width: Array,
    crown: float,
    shape: Array,
    excess: tuple[Array, Array],
    phi: tuple[Array, Array],
    twists: Array,
    weights: tuple[Array, Array],
) -> Array:
    """Weighed sum of squares of what is left at rest and drawn, for each twist at rest (rows) and drawn (columns)."""
    one, other = (
        values - (_out(angle + twists[:, None] * shape, width, crown) - _out(angle, width, crown))
        for values, angle in zip(excess, phi, strict=True)
    )
    both, apart = weights[0] + weights[1], weights[0] - weights[1]
    own = [np.einsum("ij,ij->i", values @ both, values) for values in (one, other)]
    return np.asarray(own[0][:, None] + own[1][None, :] + 2 * one @ apart @ other.T, dtype=float)
