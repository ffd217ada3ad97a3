"""Newton on all angles of both limbs at once, from the solution of a neighbouring bow.

The shooting of ``elastica`` needs one step after the other along the limb; here every segment's balance of moments stands as
an equation of its own. Its Jacobian is tridiagonal and symmetric within a limb, so that all limbs of all draws are one banded
solve; what remains per draw are both pulls, the hook's place and the rock: six numbers for six conditions.

Same model, same conditions, same unknowns as ``elastica``: only the way there is another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

Array = NDArray[np.float64]

_SIGN = np.array([-1.0, 1.0])
_FREE = [1, 2, 4, 5, 6, 7]
"""Columns of the unknowns that are not angles: pull x and y of the left limb, of the right, hook, rock."""
_STEPS = np.array([1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 1e-7])
_VARIED = np.zeros((7, 1, 8))
_VARIED[np.arange(1, 7), 0, _FREE] = _STEPS
_SHARE = np.zeros((7, 3, 1, 2))
"""How far each variant moves the three things an angle depends on (pull x, pull y, rock), by limb."""
for _row, _what, _limb in ((1, 0, 0), (2, 1, 0), (3, 0, 1), (4, 1, 1)):
    _SHARE[_row, _what, 0, _limb] = _STEPS[_row - 1]
_SHARE[6, 2, 0, :] = _STEPS[5]


@dataclass(frozen=True, kw_only=True)
class Limbs:
    """Numbers of both limbs, segment by segment from the root; b bows or 1.

    Attributes:
        stiff_nmm: (b, 2, n) moment per turn at the node before each segment.
        offset_nmm: (b, 2, n) moment at that node while its segments are in line, limb's own weight at rest and rest shape.
        outboard_n: (2, n) weight outboard of each segment's middle.
        step_mm, root_angle: (2,).
        share: (m, 2, n) of each segment that lies inboard of where the string leaves the limb; None = all of all, the string is clear.
    """

    stiff_nmm: Array
    offset_nmm: Array
    outboard_n: Array
    step_mm: Array
    root_angle: Array
    share: Array | None = None


@dataclass(frozen=True, kw_only=True)
class Relaxed:
    """unknowns (m, 8) as in ``elastica``; angle, cosine, sine, moment_nmm: (m, 2, n); converged: whether all m did."""

    unknowns: Array
    angle: Array
    cosine: Array
    sine: Array
    moment_nmm: Array
    converged: bool


Conditions = Callable[[Array, Array, Array], Array]
"""(unknowns, x, y) of the way from root to nock -> (..., m, 6): what must vanish beside the limbs' own balance."""


def relax(
    limbs: Limbs, unknowns: Array, angle: Array, conditions: Conditions, tolerance: float, rounds: int = 8
) -> Relaxed:
    """Solves from unknowns (m, 8) and angles (m, 2, n). The result says itself that it did not converge; it is then no solution.

    Args:
        tolerance: largest conditions, and largest imbalance of a segment in 100 N m.
    """
    u, theta = unknowns.copy(), angle.copy()
    m, _, n = theta.shape
    outward = np.concatenate([limbs.stiff_nmm[..., 1:], np.zeros_like(limbs.stiff_nmm[..., :1])], axis=-1)
    beside = np.broadcast_to(outward, theta.shape).reshape(-1)[:-1]
    own = -(limbs.stiff_nmm + outward)
    h = limbs.step_mm[:, None]
    turn, right = np.empty_like(theta), np.zeros((4, m, 2, n))
    last = np.inf
    for turns in range(rounds):
        cosine, sine = np.cos(theta), np.sin(theta)
        along, across = cosine * h, sine * h
        free_along, free_across = along, across
        lift = limbs.outboard_n - u[:, [2, 5], None]
        pull = u[:, [1, 4], None]
        if limbs.share is not None:  # beyond the point where the string leaves it the limb bears no pull
            free_along, free_across = limbs.share * along, limbs.share * across
            lift = limbs.outboard_n - limbs.share * u[:, [2, 5], None]
            pull = limbs.share * pull
        np.subtract(limbs.root_angle + _SIGN * u[:, 7:8], theta[..., 0], out=turn[..., 0])
        np.subtract(theta[..., :-1], theta[..., 1:], out=turn[..., 1:])
        moment = limbs.stiff_nmm * turn
        moment += limbs.offset_nmm
        balance = moment - along * lift
        balance -= across * pull
        balance[..., :-1] -= moment[..., 1:]
        x, y = free_along.sum(axis=-1), free_across.sum(axis=-1)
        found = conditions(u, x, y)
        size = max(float(np.max(np.abs(found))), 1e-5 * float(np.max(np.abs(balance))))
        if size < tolerance:
            return Relaxed(unknowns=u, angle=theta, cosine=cosine, sine=sine, moment_nmm=moment, converged=True)
        if not np.isfinite(size) or size > 2.0 * last or turns + 1 == rounds:
            break
        last = size
        # how the angles follow the imbalance, pull x, pull y and the rock
        np.negative(balance, out=right[0])
        right[1] = free_across
        np.negative(free_along, out=right[2])
        right[3, ..., 0] = -limbs.stiff_nmm[..., 0] * _SIGN
        right[3, ..., 1:] = 0.0
        middle = own + across * lift
        middle -= along * pull
        *_, solved, fault = dgtsv(beside, middle.reshape(-1), beside, right.reshape(4, -1).T)
        if fault:
            break
        follow = solved.T.reshape(4, m, 2, n)
        to_x, to_y = -np.sum(free_across * follow, axis=-1), np.sum(free_along * follow, axis=-1)
        x_at = x + to_x[0] + np.sum(_SHARE * to_x[1:], axis=1)
        y_at = y + to_y[0] + np.sum(_SHARE * to_y[1:], axis=1)
        varied = conditions(u + _VARIED, x_at, y_at)
        slopes = (varied[1:] - varied[0]).transpose(1, 2, 0) / _STEPS
        try:
            step = -np.linalg.solve(slopes, varied[0][..., None])[..., 0]
        except np.linalg.LinAlgError:
            break
        u[:, _FREE] += step
        theta += follow[0]
        theta += follow[1] * step[:, [0, 2], None]
        theta += follow[2] * step[:, [1, 3], None]
        theta += follow[3] * step[:, 5, None, None]
    return Relaxed(unknowns=u, angle=theta, cosine=cosine, sine=sine, moment_nmm=moment, converged=False)
