"""How far a limb is twisted about its own length, from how thick its outline looks.

A limb that is seen from somewhat off the plane of its back shows a strip of its width beside its thickness: phi times the width,
with phi the angle between the line of sight and the back's plane (``limb.outline_offsets``). A twisted limb adds its twist to
phi, so the outline is

    thickness + width (|phi + twist u| - |phi|) + bias,      u = 0 where the working limb begins, 1 at the nock,

thicker or thinner than a straight limb's. phi changes along the limb and with the draw, which tells the twist's sign. The bias, blur and rounded
edges, is the same at rest and drawn, and a straight line along the limb. Grid search over both twists, the bias eliminated; the sd follows from the misfit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_RAD = np.deg2rad(20.0)
STEP_RAD = np.deg2rad(0.25)
ALONG_MM = 120.0
"""An outline errs alike over this length: so many stations count as one."""
CHANGE_SD_RAD = np.deg2rad(2.0)
"""Drawing turns a limb by a degree or two against itself (common practice, no source)."""
LEAST_SD_MM = 0.15
"""Calipers and outline agree no better than this over a rasped limb (common practice, no source)."""


@dataclass(frozen=True)
class Twist:
    """Twist of a limb at its nock against its root, rad, positive where its belly turns towards the camera.

    Attributes:
        rest_rad, rest_sd_rad: at rest; NaN where it cannot be known.
        drawn_rad, drawn_sd_rad: in the pictures near the largest draw.
    """

    rest_rad: float
    rest_sd_rad: float
    drawn_rad: float
    drawn_sd_rad: float

    @property
    def sure(self) -> bool:
        """One of both is more than three sd from none."""
        return bool(abs(self.rest_rad) > 3 * self.rest_sd_rad or abs(self.drawn_rad) > 3 * self.drawn_sd_rad)


UNKNOWN = Twist(float("nan"), float("nan"), float("nan"), float("nan"))


def find_twist(
    s_mm: Array, width_mm: Array, excess: tuple[Array, Array], phi: tuple[Array, Array], from_mm: float
) -> Twist:
    """Twist at rest and drawn.

    Args:
        s_mm, width_mm: (n,) stations from the pivot and the limb's width there.
        excess: at rest and drawn, (n,) outline less caliper thickness less width |phi|, mm; NaN where not seen.
        phi: at rest and drawn, (n,) rad, as ``outline_offsets`` gives it.
        from_mm: where the working limb begins.

    Returns:
        ``UNKNOWN`` where fewer than 12 stations are seen in both.
    """
    good = np.isfinite(excess[0]) & np.isfinite(excess[1]) & (s_mm >= from_mm)
    if np.count_nonzero(good) < 12:
        return UNKNOWN
    s, width = s_mm[good], width_mm[good]
    u = (s - from_mm) / max(float(s_mm[-1]) - from_mm, 1.0)
    twists = np.arange(-MOST_RAD, MOST_RAD + 0.5 * STEP_RAD, STEP_RAD)
    left = []
    for values, angle in zip(excess, phi, strict=True):
        more = width * (np.abs(angle[good] + twists[:, None] * u) - np.abs(angle[good]))
        left.append(values[good] - more)
    n = len(s)
    # a straight line along the limb, the same in both, is taken out: what is left of the half sum by projection, of the difference nothing
    basis = np.linalg.qr(np.column_stack([np.ones(n), u]))[0]
    own = [(values**2).sum(axis=1) for values in left]
    along = [values @ basis for values in left]
    together = 0.5 * (
        (along[0] ** 2).sum(axis=1)[:, None] + (along[1] ** 2).sum(axis=1)[None, :] + 2 * along[0] @ along[1].T
    )
    squares = own[0][:, None] + own[1][None, :] - together
    best = np.unravel_index(int(np.argmin(squares)), squares.shape)
    spacing = float(np.median(np.diff(s)))
    worth = 2 * n * min(1.0, spacing / ALONG_MM)
    var = max(float(squares[best]) / (2 * n - 4), LEAST_SD_MM**2)
    cost = 0.5 * (squares - squares[best]) / var * worth / (2 * n)
    cost += 0.5 * ((twists[None, :] - twists[:, None]) / CHANGE_SD_RAD) ** 2
    cost -= cost.min()
    weight = np.exp(-np.minimum(cost, 50.0))
    weight /= weight.sum()
    out = []
    for axis in (1, 0):
        one = weight.sum(axis=axis)
        middle = float(one @ twists)
        out += [middle, float(np.sqrt(one @ (twists - middle) ** 2)) + 0.5 * STEP_RAD]
    return Twist(out[0], out[1], out[2], out[3])
