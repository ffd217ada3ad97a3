"""A strung bow in space: both limbs as elastic rods that bend in two planes and twist, with the string from nock to nock.

Each limb is a chain of straight segments; at every node the frame of the next segment is turned by the curvature there times the segment's length
(second order in it). As in ``forward.elastica`` a limb is integrated from the nock inward, where the moment is known to vanish. Unknown are both nock
frames (three numbers each) and the string's pull (three); known are the frame at both roots, that the pull is along the string, and the string's length.

Frame of a segment: columns d1 (to the back), d2 (sideways, z), d3 (outward along the limb). Limb coordinates: x outward from the pivot, y up, z sideways,
the same way for both limbs; drawing bends the tips down. The left limb's coordinates are the mirror image of the right one's, in which the laws are
the same. Curvature vector k in the limb's own frame: -k2 is bending as drawing bends, k1 bends towards -z, k3 turns d1 towards d2.
Strain along the fibre at (a, z) of the section: k1 z - k2 a, so M = E [[Izz, -Iaz, 0], [-Iaz, Iaa, 0], [0, 0, GJ / E]] (k - k at rest).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TOLERANCE = 1e-9
"""Largest residual of a solution: rad, shares of the pull, shares of the string."""
ROUNDS, HALVINGS = 40, 12
TURN_STEP, PULL_STEP = 1e-6, 1e-5
"""Steps of the numerical derivative: rad, and a share of the pull."""


class NotStrungError(ValueError):
    """No braced shape was found."""


@dataclass(frozen=True, kw_only=True)
class SpaceLimb:
    """One limb as n segments from the root to the nock.

    Attributes:
        step_mm: length of a segment.
        root_mm: (3,) the root; root_frame: (3, 3) the frame there, columns d1, d2, d3.
        rest_per_mm: (n, 3) curvature vector at rest at the inner node of each segment.
        stiff_nmm2: (n, 3, 3) at the same nodes.
    """

    step_mm: float
    root_mm: Array
    root_frame: Array
    rest_per_mm: Array
    stiff_nmm2: Array


@dataclass(frozen=True, kw_only=True)
class Strung:
    """A braced bow in space; [0] is the left limb, [1] the right one, each in its own coordinates.

    Attributes:
        points_mm: (2, n + 1, 3) from root to nock. frames: (2, n, 3, 3) of the segments.
        change_per_mm: (2, n, 3) curvature less that at rest, at the inner node of each segment.
        pull_n: the string's tension.
        unknowns: (9,) to start a neighbour from.
    """

    points_mm: Array
    frames: Array
    change_per_mm: Array
    pull_n: float
    unknowns: Array

    @property
    def brace_mm(self) -> float:
        """From the pivot's level (y = 0) down to the string, over the pivot."""
        return -float(self._over_pivot(1))

    @property
    def offset_mm(self) -> float:
        """The string's place across the middle of the handle: z of the string over the pivot."""
        return float(self._over_pivot(2))

    def _over_pivot(self, axis: int) -> float:
        left, right = self.points_mm[0, -1], self.points_mm[1, -1]
        return float((left[axis] * right[0] + right[axis] * left[0]) / (left[0] + right[0]))


def stiffness(modulus_n_mm2: Array, shear_n_mm2: Array, moments_mm4: Array) -> Array:
    """Stiffness of a section against curvature, (n, 3, 3), N mm2.

    Args:
        modulus_n_mm2, shear_n_mm2: (n,); moments_mm4: (n, 4) of a^2, z^2, a z, and the torsion constant.
    """
    draw, sideways, product, torsion = np.moveaxis(np.asarray(moments_mm4, dtype=float), -1, 0)
    out = np.zeros((*draw.shape, 3, 3))
    out[..., 0, 0] = modulus_n_mm2 * sideways
    out[..., 1, 1] = modulus_n_mm2 * draw
    out[..., 0, 1] = out[..., 1, 0] = -modulus_n_mm2 * product
    out[..., 2, 2] = shear_n_mm2 * torsion
    return out


def turn_by(vector: Array) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3) (Rodrigues)."""
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    x, y, z = np.moveaxis(np.asarray(vector, dtype=float), -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*x.shape, 3, 3)
    small = angle < 1e-7
    safe = np.where(small, 1.0, angle)
    first = np.where(small, 1.0 - angle**2 / 6.0, np.sin(safe) / safe)
    second = np.where(small, 0.5 - angle**2 / 24.0, (1.0 - np.cos(safe)) / safe**2)
    return np.asarray(np.eye(3) + first * cross + second * (cross @ cross), dtype=float)


def turn_of(matrix: Array) -> Array:
    """Rotation vectors (..., 3) of rotation matrices (..., 3, 3) that turn by less than half a turn."""
    skew = 0.5 * np.stack(
        [
            matrix[..., 2, 1] - matrix[..., 1, 2],
            matrix[..., 0, 2] - matrix[..., 2, 0],
            matrix[..., 1, 0] - matrix[..., 0, 1],
        ],
        axis=-1,
    )
    sine = np.linalg.norm(skew, axis=-1)
    cosine = 0.5 * (np.trace(matrix, axis1=-2, axis2=-1) - 1.0)
    angle = np.arctan2(sine, cosine)
    return np.asarray(skew * np.where(sine < 1e-9, 1.0, angle / np.maximum(sine, 1e-12))[..., None], dtype=float)


@dataclass(frozen=True)
class _Inward:
    """A limb integrated from the nock inward, for lanes (b, ...): points relative to the nock, frames, the root's frame, change of curvature."""

    points: Array
    frames: Array
    root: Array
    change: Array


def _inward(limb: SpaceLimb, soft: Array, nock_frame: Array, force: Array) -> _Inward:
    """Lanes b: nock_frame (b, 3, 3), force (b, 3) on the nock."""
    n, b, h = len(limb.rest_per_mm), len(force), limb.step_mm
    points, frames = np.zeros((b, n + 1, 3)), np.empty((b, n, 3, 3))
    change = np.empty((b, n, 3))
    frame, place = nock_frame, np.zeros((b, 3))
    for k in range(n - 1, -1, -1):
        frames[:, k] = frame
        place = place - h * frame[:, :, 2]
        points[:, k] = place
        moment = np.cross(-place, force)
        half = h if k else 0.5 * h  # the root's node stands for half a segment
        turn = half * limb.rest_per_mm[k] + np.zeros((b, 3))
        for _ in range(3):  # the moment as the frame half way round the node sees it
            mid = frame @ turn_by(-0.5 * turn)
            own = np.einsum("bij,bi->bj", mid, moment)
            change[:, k] = own @ soft[k].T
            turn = half * (limb.rest_per_mm[k] + change[:, k])
        frame = frame @ turn_by(-turn)
    return _Inward(points, frames, frame, change)


def _inverse(stiff: Array) -> Array:
    return np.asarray(np.linalg.inv(stiff), dtype=float)


def _residual(limbs: tuple[SpaceLimb, SpaceLimb], softs: tuple[Array, Array], string_mm: float, u: Array) -> Array:
    """(b, 9) of unknowns (b, 9): both roots' turn against their frames; the pull across the string in two directions; the string's length."""
    nocks, out = [], []
    for side, (limb, soft) in enumerate(zip(limbs, softs, strict=True)):
        sign = np.array([1.0, 1.0, 1.0]) if side else np.array([-1.0, -1.0, -1.0])
        pull = u[:, 6:9] * sign * (np.array([1.0, 1.0, 1.0]) if side else np.array([-1.0, 1.0, 1.0]))
        seen = _inward(limb, soft, turn_by(u[:, 3 * side : 3 * side + 3]) @ limb.root_frame, pull)
        out.append(turn_of(np.swapaxes(seen.root, 1, 2) @ limb.root_frame))
        nocks.append(limb.root_mm - seen.points[:, 0])
    left, right = nocks
    chord = np.stack([-left[:, 0] - right[:, 0], left[:, 1] - right[:, 1], left[:, 2] - right[:, 2]], axis=1)
    length = np.linalg.norm(chord, axis=1)
    way = chord / length[:, None]
    pull = u[:, 6:9]
    size = np.linalg.norm(pull, axis=1)
    across = np.cross(pull / np.maximum(size, 1e-9)[:, None], way)
    return np.concatenate([*out, across[:, 1:], (length / string_mm - 1.0)[:, None]], axis=1)


def string_up(left: SpaceLimb, right: SpaceLimb, string_mm: float, start: Array) -> Strung:
    """The braced bow.

    Args:
        string_mm: nock to nock, taut. start: (9,) from ``first_guess`` or a neighbour.

    Raises:
        NotStrungError: no shape is found.
    """
    limbs = (left, right)
    softs = (_inverse(left.stiff_nmm2), _inverse(right.stiff_nmm2))
    u = np.asarray(start, dtype=float).copy()
    now = _residual(limbs, softs, string_mm, u[None])[0]
    for _ in range(ROUNDS):
        if float(np.max(np.abs(now))) < TOLERANCE:
            return _strung(limbs, softs, u)
        steps = np.full(9, TURN_STEP)
        steps[6:] = PULL_STEP * max(float(np.linalg.norm(u[6:])), 1.0)
        lanes = np.concatenate([u + np.diag(steps), u - np.diag(steps)])
        all_ = _residual(limbs, softs, string_mm, lanes)
        jacobian = (all_[:9] - all_[9:]).T / (2 * steps)
        try:
            way = np.linalg.solve(jacobian, -now)
        except np.linalg.LinAlgError:
            break
        shares = 0.5 ** np.arange(HALVINGS)
        tried = _residual(limbs, softs, string_mm, u + shares[:, None] * way)
        sizes = np.where(np.all(np.isfinite(tried), axis=1), np.linalg.norm(np.nan_to_num(tried), axis=1), np.inf)
        best = int(np.argmax(sizes < (1 - 0.1 * shares) * np.linalg.norm(now)))
        if sizes[best] >= np.linalg.norm(now):
            best = int(np.argmin(sizes))
            if sizes[best] >= np.linalg.norm(now):
                if float(np.max(np.abs(now))) < 100 * TOLERANCE:
                    return _strung(limbs, softs, u)
                break
        u = u + shares[best] * way
        now = tried[best]
    msg = "no braced shape was found for this bow and string: check the string's length and the limbs' stiffness"
    raise NotStrungError(msg)


def _strung(limbs: tuple[SpaceLimb, SpaceLimb], softs: tuple[Array, Array], u: Array) -> Strung:
    points, frames, change = [], [], []
    for side, (limb, soft) in enumerate(zip(limbs, softs, strict=True)):
        pull = u[6:9] if side else u[6:9] * np.array([1.0, -1.0, -1.0])
        seen = _inward(limb, soft, (turn_by(u[3 * side : 3 * side + 3]) @ limb.root_frame)[None], pull[None])
        points.append(limb.root_mm + seen.points[0] - seen.points[0, 0])
        frames.append(seen.frames[0])
        change.append(seen.change[0])
    return Strung(
        points_mm=np.array(points),
        frames=np.array(frames),
        change_per_mm=np.array(change),
        pull_n=float(np.linalg.norm(u[6:9])),
        unknowns=u,
    )


def first_guess(turn_rad: tuple[float, float], pull_n: float, way: Array) -> Array:
    """A start from the planar solution.

    Args:
        turn_rad: by how much drawing bends each nock's segment down against the root; pull_n: tension; way: (3,) unit, from the right nock to the left
            one, in the right limb's coordinates.
    """
    return np.array([0.0, 0.0, -turn_rad[0], 0.0, 0.0, -turn_rad[1], *(pull_n * np.asarray(way, dtype=float))])
