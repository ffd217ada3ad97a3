"""What a tiller aims at: the strain along a limb, and how far one limb is to be strained over the other.

A shape is given as strain along the limb over its mean, so that a bow is even in it where measured over wanted strain is one. Bend and strain of a
place are one another's multiple by the distance from the neutral axis to the back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair
from tiller.mechanics.advice.history import tiller_difference_mm
from tiller.mechanics.forward.chain import WholeBow
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import Solved

Array = NDArray[np.float64]

ELLIPSE_TURN_RAD = np.deg2rad(60.0)
"""A drawn limb's tip stands at about this angle to its handle (common practice, no source)."""
STEP = 0.05
"""Change of the logarithm of stiffness by which slopes are taken."""


@dataclass(frozen=True)
class Tiller:
    """One limb against the other, braced.

    Attributes:
        at_brace_mm, sd_mm: how much further the string is from the upper limb's fade than from the lower one's, at the brace height that is wanted.
        wanted_mm: what is wanted of it; NaN where it is wanted by the hand, or nothing is.
        left_over_right: log of the wanted strain of the left limb over the right one's at full draw on the rack; 0 where nothing is wanted.
    """

    at_brace_mm: float
    sd_mm: float
    wanted_mm: float
    left_over_right: float


def ellipse_curvature(share: Array, ratio: float, turn_rad: float = ELLIPSE_TURN_RAD) -> Array:
    """Curvature of an ellipse along its arc, over that at its flattest point.

    Args:
        share: (n,) arc length from the flattest point, as a share of the arc up to where the tangent has turned by ``turn_rad``.
        ratio: minor over major axis, up to 1.

    Curvature by the tangent's angle t: (sin^2 t + ratio^2 cos^2 t)^(3/2) up to a factor (from the ellipse's support function); arc length is the
    integral of its inverse over t.
    """
    turn = np.linspace(0.0, turn_rad, 2001)
    curvature = (np.sin(turn) ** 2 + ratio**2 * np.cos(turn) ** 2) ** 1.5
    inverse = 1.0 / curvature
    arc = np.concatenate([[0.0], np.cumsum(0.5 * (inverse[1:] + inverse[:-1]))])
    at = np.interp(np.clip(share, 0.0, 1.0), arc / arc[-1], turn)
    return np.asarray((np.sin(at) ** 2 + ratio**2 * np.cos(at) ** 2) ** 1.5 / ratio**3, dtype=float)


def run_out(share: Array, outer: float, end: float) -> Array:
    """Strain (n,) that falls over the outer part of the working limb.

    Args:
        share: (n,) place as a share of the working limb; outer: how much of it is the outer part; end: strain at its end over that further in.
    """
    return np.asarray(1.0 - (1.0 - end) * np.clip((share - (1.0 - outer)) / outer, 0.0, 1.0), dtype=float)


def over_mean(strain: Array, working: NDArray[np.bool_]) -> Array:
    """The same shape (n,) with a geometric mean of one over the working limb; 1 where the limb does not work."""
    log = np.log(np.maximum(strain, 1e-9))
    mean = float(np.mean(log[working])) if np.any(working) else 0.0
    return np.where(working, np.exp(log - mean), 1.0)


def tiller_at_brace_mm(bow: WholeBow, brace_mm: float, fade_mm: Pair[float]) -> float:
    """How much further the string is from the left limb's fade than from the right one's, braced.

    Raises:
        NoEquilibriumError: the height cannot be had.
    """
    _, braced = brace(bow, brace_mm)
    hook = np.array([[-braced.hook_x_mm[0], -brace_mm], [braced.hook_x_mm[0], -brace_mm]])
    left, right = braced.points_mm[0]
    return tiller_difference_mm(left, right, bow.left.s_mm, bow.right.s_mm, hook, (fade_mm.left, fade_mm.right))


def left_over_right(bow: WholeBow, solved: Solved, working_mm: Pair[tuple[float, float]]) -> float:
    """Log of the left limb's bend over the right one's: mean of log bend over each working limb, first draw."""
    means = []
    for k, (chain, (low, high)) in enumerate(zip((bow.left, bow.right), working_mm, strict=True)):
        inside = (chain.s_mm >= low) & (chain.s_mm <= high)
        means.append(float(np.mean(np.log(np.maximum(solved.bend_per_mm[0, k, inside], 1e-12)))))
    return means[0] - means[1]


def ratio_for_tiller(
    build: Callable[[float], WholeBow],
    tiller_mm: float,
    brace_mm: float,
    draw_mm: float,
    fade_mm: Pair[float],
    working_mm: Pair[tuple[float, float]],
) -> float:
    """Change of log(left strain / right strain) on the rack at full draw that brings the tiller at brace to ``tiller_mm``.

    Args:
        build: the bow with the left limb's log EI less by half of its argument and the right one's more, by wood taken off or left.
        tiller_mm: string from the left limb's fade less string from the right one's.

    Raises:
        NoEquilibriumError: brace or draw cannot be had.
    """
    found = []
    for step in (-STEP, 0.0, STEP):
        bow = build(step)
        string, _ = brace(bow, brace_mm)
        solved = solve_draws(bow, string, np.array([draw_mm]))
        # EI goes with the cube of the thickness: what bends more has its back nearer to the neutral axis
        found.append(
            (tiller_at_brace_mm(bow, brace_mm, fade_mm), left_over_right(bow, solved, working_mm) - step / 3.0)
        )
    by_step = [(found[2][k] - found[0][k]) / (2 * STEP) for k in (0, 1)]
    return float((tiller_mm - found[1][0]) * by_step[1] / by_step[0])


def ratio_for_hand(
    bow: WholeBow,
    below_mm: float,
    above_mm: float,
    upper_is_left: bool,
    brace_mm: float,
    draw_mm: float,
    working_mm: Pair[tuple[float, float]],
) -> float:
    """Log(left strain / right strain) on the rack of a bow that is alike strained in both limbs when it is held and drawn by hand.

    Args:
        below_mm: how far below the middle the hand presses, where the bow turns freely; above_mm: how far above the string's middle the fingers pull.

    Raises:
        NoEquilibriumError: brace or draw cannot be had.
    """
    up = -1.0 if upper_is_left else 1.0
    string, _ = brace(bow, brace_mm)
    at = np.array([draw_mm])
    held = replace(bow, cradle_nmm=0.0, hook_off_mm=up * above_mm, pivot_mm=-up * below_mm)
    racked = solve_draws(bow, string, at)
    by_hand = solve_draws(held, string, at, racked)
    return left_over_right(bow, racked, working_mm) - left_over_right(held, by_hand, working_mm)
