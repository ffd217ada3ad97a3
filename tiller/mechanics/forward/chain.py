"""The whole bow as two chains of straight segments, with what follows from their shape at rest alone.

Limb coordinates as in ``statics``: x outward from the pivot, y up; lengths mm, forces N.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.units import STANDARD_GRAVITY
from tiller.mechanics.fit.pullfit import END_MM

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Chain:
    """One limb, or a batch of b of them with the same shape at rest, as n segments from the handle's end to the nock.

    Attributes:
        s_mm: (n + 1,) nodes, evenly spaced.
        root_mm: (2,) first node at rest, limb coordinates.
        rest_angle: (n,) angle of each segment at rest, as the bow lies there under its own weight; root_angle that of the handle's end.
        ei_nmm2: (n + 1,) or (b, n + 1) bending stiffness at the nodes.
        load_n_mm: (n,) own weight of each segment per length.
    """

    s_mm: Array
    root_mm: Array
    rest_angle: Array
    root_angle: float
    ei_nmm2: Array
    load_n_mm: Array

    @property
    def step_mm(self) -> float:
        """Length of a segment."""
        return float(self.s_mm[1] - self.s_mm[0])


@dataclass(frozen=True, kw_only=True)
class WholeBow:
    """Both limbs, the cradle and the string's stiffness.

    Attributes:
        cradle_nmm: torque per radian against rocking; inf = the handle is held.
        string_ea_n: force per unit stretch; inf = it does not stretch.
        hook_off_mm: how far along the string the hook holds it from its middle, towards the right limb.
        pivot_mm: where the handle turns, along the rack, from the limbs' origin towards the right limb; the draw is counted from the origin.
    """

    left: Chain
    right: Chain
    cradle_nmm: float = 4.0e6
    string_ea_n: float = float("inf")
    hook_off_mm: float = 0.0
    pivot_mm: float = 0.0


def chain_of(
    s_mm: Array,
    rest_mm: Array,
    ei_nmm2: Array,
    mass_per_mm_kg: Array,
    segments: int = 80,
    from_mm: float | None = None,
    to_mm: float | None = None,
) -> Chain:
    """A limb given on stations as a chain.

    Args:
        s_mm: (k,) stations; rest_mm: (k, 2) its line at rest, limb coordinates; mass_per_mm_kg: (k,).
        ei_nmm2: (k,) or (b, k), taken linear in its logarithm between stations.
        from_mm, to_mm: where the chain starts and ends; before the first and beyond the last station the line goes on
            straight and EI stays.
    """
    s_mm = np.asarray(s_mm, dtype=float)
    start = float(s_mm[0]) if from_mm is None else from_mm
    end = float(s_mm[-1]) if to_mm is None else to_mm
    nodes = np.linspace(start, end, segments + 1)
    line = np.column_stack([_extended(nodes, s_mm, rest_mm[:, k]) for k in (0, 1)])
    step = np.diff(line, axis=0)
    angle = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    log_ei = np.log(np.atleast_2d(ei_nmm2))
    ei = np.exp(np.array([np.interp(nodes, s_mm, row) for row in log_ei]))
    mid = 0.5 * (nodes[1:] + nodes[:-1])
    load = np.interp(mid, s_mm, mass_per_mm_kg) * STANDARD_GRAVITY
    first = angle[0] - 0.5 * (angle[1] - angle[0])
    return Chain(
        s_mm=nodes,
        root_mm=line[0],
        rest_angle=angle,
        root_angle=float(first),
        ei_nmm2=ei[0] if np.ndim(ei_nmm2) == 1 else ei,
        load_n_mm=load,
    )


def _extended(at: Array, s: Array, values: Array) -> Array:
    """Values (k,) at other places; beyond the ends straight on, as the end's last ``END_MM`` lead: as the fit places the nock."""
    second = max(1, int(np.searchsorted(s, s[0] + END_MM - 1e-6, side="right")) - 1)
    last = min(int(np.searchsorted(s, s[-1] - END_MM + 1e-6)), len(s) - 2)
    out = np.interp(at, s, values)
    out = np.where(at < s[0], values[0] + (at - s[0]) * (values[second] - values[0]) / (s[second] - s[0]), out)
    slope = (values[-1] - values[last]) / (s[-1] - s[last])
    return np.where(at > s[-1], values[-1] + (at - s[-1]) * slope, out)


def coarser(bow: WholeBow, segments: int) -> WholeBow:
    """The bow on fewer segments, for the way to the first solution."""

    def fewer(chain: Chain) -> Chain:
        n = len(chain.rest_angle)
        x = np.concatenate([[0.0], np.cumsum(np.cos(chain.rest_angle))]) * chain.step_mm + chain.root_mm[0]
        y = np.concatenate([[0.0], np.cumsum(np.sin(chain.rest_angle))]) * chain.step_mm + chain.root_mm[1]
        mass = np.interp(np.arange(n + 1), np.arange(n) + 0.5, chain.load_n_mm) / STANDARD_GRAVITY
        small = chain_of(chain.s_mm, np.column_stack([x, y]), np.atleast_2d(chain.ei_nmm2)[0], mass, segments)
        return replace(small, root_angle=chain.root_angle)

    return replace(bow, left=fewer(bow.left), right=fewer(bow.right))


def rest_nocks(bow: WholeBow) -> Array:
    """Nocks at rest, (2, 2) limb coordinates."""
    return np.array(
        [
            c.root_mm + c.step_mm * np.array([np.sum(np.cos(c.rest_angle)), np.sum(np.sin(c.rest_angle))])
            for c in (bow.left, bow.right)
        ]
    )


def taut_length_mm(bow: WholeBow, draw_mm: float) -> float:
    """Length of a string that is just taut over the hook at that draw, the bow at rest: the sum of both halves if the hook swings
    to where they are equal."""
    nocks = rest_nocks(bow) * [[-1.0, 1.0], [1.0, 1.0]]
    low, high = nocks[0, 0], nocks[1, 0]
    for _ in range(60):  # the hook hangs where both halves are equally long
        x = 0.5 * (low + high)
        left, right = np.hypot(x - nocks[0, 0], draw_mm + nocks[0, 1]), np.hypot(x - nocks[1, 0], draw_mm + nocks[1, 1])
        low, high = (x, high) if left < right else (low, x)
    return float(left + right)
