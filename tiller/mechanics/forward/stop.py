"""How far the bow may be drawn now, and why not further."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair
from tiller.mechanics.forward.belief import BowBelief, bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved
from tiller.quantity import mm

Array = NDArray[np.float64]

STEP_EVEN_MM = 50.0
STEP_MARKED_MM = 25.0
"""A pull is lengthened by an inch or two, two only where both limbs bend evenly (common practice, no source)."""
FIRST_SHARE = 0.45
"""A bow that was never bent is first drawn to no more than this share of its draw (common practice, no source)."""
SURE = 2.0
"""Margin of the stop in sd of force and strain."""


@dataclass(frozen=True)
class Stop:
    """The draw not to be exceeded now, with its reason in words, and all limits by name (mm; NaN where none was found).

    ``braced_mm``: what holds once a shorter string is put on, as if it were braced already: no part is strained more there than in this pull, nor the
    bow heavier than its target; 0: it must not be braced yet; NaN where that is not known (see ``braced_stop_mm``).
    """

    draw_mm: float
    reason: str
    limits_mm: dict[str, float]
    braced_mm: float = float("nan")


@dataclass(frozen=True)
class StrungNow:
    """How the bow stands.

    Attributes:
        string_mm: the string that is on the bow now, unstretched.
        from_mm: a draw at or below which it is just taut.
        drawn_mm: largest draw so far; 0 before the first pull.
        marked: a stretch is marked stiff or weak.
    """

    string_mm: float
    from_mm: float
    drawn_mm: float
    marked: bool


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """What the bow is not to exceed, and how surely that is known.

    Attributes:
        target_draw_mm, target_weight_n: of the finished bow; working_strain: of its wood.
        to_surface_mm: (n,) by limb, neutral axis to the fibre that comes to its limit first.
        working: (n,) by limb, stations that count.
        force_sd: relative sd of the predicted force; strain_sd: (n,) by limb, that of the strain.
    """

    target_draw_mm: float
    target_weight_n: float
    working_strain: float
    to_surface_mm: Pair[Array]
    working: Pair[NDArray[np.bool_]]
    force_sd: float
    strain_sd: Pair[Array]


def stop_now(belief: BowBelief, now: StrungNow, bounds: Bounds) -> Stop:
    """The smallest of: target draw, draw of the target weight, draw of the working strain, next step.

    Raises:
        NoEquilibriumError: the bow cannot be solved on that string, or the string alone strains it too far already.
    """
    drawn_mm, marked, force_sd = now.drawn_mm, now.marked, bounds.force_sd
    limits = {"target draw": bounds.target_draw_mm}
    draws, force, strain = _curve(belief, now, bounds)
    if not (np.all(np.isfinite(force)) and np.all(np.isfinite(strain))):
        msg = "force or strain of this bow cannot be computed at some draw"
        raise NoEquilibriumError(msg)
    taut = draws[0] - force[0] * (draws[1] - draws[0]) / max(force[1] - force[0], 1e-9)
    limits["target weight"] = _crossing(
        draws, force * (1 + SURE * force_sd), bounds.target_weight_n, taut, "target weight"
    )
    limits["working strain"] = _crossing(draws, strain, bounds.working_strain, taut, "working strain")
    limits["next step"] = (
        drawn_mm + (STEP_MARKED_MM if marked else STEP_EVEN_MM) if drawn_mm > 0 else FIRST_SHARE * bounds.target_draw_mm
    )
    name = min((n for n in limits if np.isfinite(limits[n])), key=lambda n: limits[n])
    if drawn_mm <= 0:
        step = "a bow that was never measured is first drawn to less than half its draw"
    elif marked:
        step = "an inch beyond the last pull while marks stand"
    else:
        step = "two inches beyond the last pull, no more in one step"
    reason = {
        "target draw": "the bow's target draw",
        "target weight": f"there the force may reach the target weight (with {100 * SURE * force_sd:.0f} % to spare)",
        "working strain": f"there some part may reach the working strain of {100 * bounds.working_strain:.2f} % (with two sd to spare)",
        "next step": step,
    }[name]
    return Stop(float(limits[name]), reason, limits)


def braced_stop_mm(belief: BowBelief, brace_mm: float, reached: float, bounds: Bounds) -> float:
    """How far the bow may be drawn on a string that braces it, by what it was strained so far.

    A shorter string bends the bow more at the same draw: what was safe on the old one says nothing of that.

    Args:
        reached: the largest strain so far; NaN where it is not known.

    Returns:
        The draw, mm, at which no part is strained more than it was, nor beyond the working strain, nor the bow heavier than its target. Where the braced bow is
        strained more than it was as soon as it is braced, two inches beyond brace height, if the working strain allows that. 0 where being braced alone is
        too much; NaN where the braced bow cannot be solved.
    """
    try:
        string_mm, _ = brace(bow_from(belief), brace_mm)
    except NoEquilibriumError:
        return float("nan")
    now = StrungNow(string_mm, 0.8 * brace_mm, bounds.target_draw_mm, False)
    if reached > 0:
        bounded = replace(bounds, working_strain=min(bounds.working_strain, reached))
        try:
            return stop_now(belief, now, bounded).draw_mm
        except NoEquilibriumError:
            pass
    try:
        return min(stop_now(belief, now, bounds).draw_mm, brace_mm + STEP_EVEN_MM)
    except NoEquilibriumError:
        return 0.0


def _curve(belief: BowBelief, now: StrungNow, bounds: Bounds) -> tuple[Array, Array, Array]:
    """Draws, force and the largest strain with its margin on the string, from where it is taut to the target draw."""
    string_mm, from_mm, far_mm = now.string_mm, now.from_mm, bounds.target_draw_mm
    bow = bow_from(belief)
    solved: Solved | None = None
    for low in np.arange(from_mm, far_mm - 40.0, 30.0):
        try:
            found = solve_draws(bow, string_mm, np.linspace(low, far_mm, 16))
        except NoEquilibriumError:
            continue
        # below brace height the string would have to be pushed: that is no draw
        if np.min(found.force_n) > 0.0 and np.min(found.tension_n) > 0.0:
            solved = found
            break
    if solved is None:
        msg = f"with a string of {mm(string_mm)} the bow cannot be solved up to a draw of {mm(far_mm)}"
        raise NoEquilibriumError(msg)
    most = np.zeros(len(solved.draw_mm))
    for k, (limb, chain) in enumerate(((belief.left, bow.left), (belief.right, bow.right))):
        bend = np.array([np.interp(limb.s_mm, chain.s_mm, row) for row in solved.bend_per_mm[:, k]])
        margin = bounds.to_surface_mm[k] * (1 + SURE * bounds.strain_sd[k])
        most = np.maximum(most, np.max((bend * margin)[:, bounds.working[k]], axis=1))
    return solved.draw_mm, solved.force_n, most


def _crossing(x: Array, y: Array, level: float, taut: float, name: str) -> float:
    """Where y (growing on the whole) first reaches the level; NaN where it does not.

    Raises:
        NoEquilibriumError: it is over the level as soon as the string is taut.
    """
    over = np.flatnonzero(y >= level)
    if len(over) == 0:
        return float("nan")
    k = int(over[0])
    if k > 0:
        return float(x[k - 1] + (level - y[k - 1]) * (x[k] - x[k - 1]) / (y[k] - y[k - 1]))
    slope = (y[1] - y[0]) / (x[1] - x[0])
    at = x[0] - (y[0] - level) / slope if slope > 0 else -np.inf
    if at < taut:
        msg = f"the string that is on the bow may bring it beyond its {name} before it is drawn: take it off, or check its length"
        raise NoEquilibriumError(msg)
    return float(at)
