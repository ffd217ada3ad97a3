"""How far the bow may be drawn now, and why not further."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import crowned_section
from tiller.mechanics.belief import BowBelief, bow_from
from tiller.mechanics.elastica import NoEquilibriumError, Solved, refuse_touching, solve_draws

Array = NDArray[np.float64]

STEP_EVEN_MM = 50.0
STEP_MARKED_MM = 25.0
"""A pull is lengthened by an inch or two, two only where both limbs bend evenly (common practice, no source)."""
SURE = 1.0
"""Margin of the stop in sd of force and strain."""


@dataclass(frozen=True)
class Stop:
    """The draw not to be exceeded now, with its reason in words, and all limits by name (mm; NaN where none was found)."""

    draw_mm: float
    reason: str
    limits_mm: dict[str, float]


def stop_now(
    belief: BowBelief,
    string_mm: float,
    from_mm: float,
    target_draw_mm: float,
    target_weight_n: float,
    working_strain: float,
    to_surface_mm: tuple[Array, Array],
    working: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    drawn_mm: float,
    marked: bool,
    force_sd: float,
    strain_sd: float,
) -> Stop:
    """The smallest of: target draw, draw of the target weight, draw of the working strain, next step.

    Args:
        string_mm: the string that is on the bow now, unstretched.
        from_mm: a draw at or below which it is just taut.
        to_surface_mm: (n,) by limb, neutral axis to the outermost fibre, the larger of back and belly.
        working: (n,) by limb, stations that count.
        drawn_mm: largest draw so far; 0 before the first pull.
        marked: a stretch is marked stiff or weak.
        force_sd, strain_sd: relative sd of the predicted force and strain.

    Raises:
        NoEquilibriumError: the bow cannot be solved on that string at all.
    """
    limits = {"target draw": target_draw_mm}
    draws, force, strain = _curve(belief, string_mm, from_mm, target_draw_mm, to_surface_mm, working)
    limits["target weight"] = _crossing(draws, force * (1 + SURE * force_sd), target_weight_n)
    limits["working strain"] = _crossing(draws, strain * (1 + SURE * strain_sd), working_strain)
    if drawn_mm > 0:
        limits["next step"] = drawn_mm + (STEP_MARKED_MM if marked else STEP_EVEN_MM)
    name = min((n for n in limits if np.isfinite(limits[n])), key=lambda n: limits[n])
    reason = {
        "target draw": "the bow's target draw",
        "target weight": f"there the force reaches the target weight of {target_weight_n:.0f} N (with {100 * SURE * force_sd:.0f} % to spare)",
        "working strain": f"there some part reaches the working strain of {100 * working_strain:.2f} % (with {100 * SURE * strain_sd:.0f} % to spare)",
        "next step": (
            "an inch beyond the last pull while marks stand"
            if marked
            else "two inches beyond the last pull, no more at once"
        ),
    }[name]
    return Stop(float(limits[name]), reason, limits)


def _curve(
    belief: BowBelief,
    string_mm: float,
    from_mm: float,
    far_mm: float,
    to_surface_mm: tuple[Array, Array],
    working: tuple[NDArray[np.bool_], NDArray[np.bool_]],
) -> tuple[Array, Array, Array]:
    """Draws, force and largest strain on a string, from where it is taut beyond ``from_mm`` to ``far_mm``."""
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
        msg = f"with a string of {string_mm:.0f} mm the bow cannot be solved up to a draw of {far_mm:.0f} mm"
        raise NoEquilibriumError(msg)
    refuse_touching(Solved(*(getattr(solved, name)[-1:] for name in Solved.__dataclass_fields__)))
    most = np.zeros(len(solved.draw_mm))
    for k, (limb, chain) in enumerate(((belief.left, bow.left), (belief.right, bow.right))):
        bend = np.array([np.interp(limb.s_mm, chain.s_mm, row) for row in solved.bend_per_mm[:, k]])
        most = np.maximum(most, np.max((bend * to_surface_mm[k])[:, working[k]], axis=1))
    return solved.draw_mm, solved.force_n, most


def _crossing(x: Array, y: Array, level: float) -> float:
    """Where y (growing on the whole) first reaches the level; NaN where it does not."""
    over = np.flatnonzero(y >= level)
    if len(over) == 0:
        return float("nan")
    k = int(over[0])
    if k == 0:
        return float(x[0])
    return float(x[k - 1] + (level - y[k - 1]) * (x[k] - x[k - 1]) / (y[k] - y[k - 1]))


def surface_mm(width_mm: Array, thickness_mm: Array, crown_mm: float | None) -> Array:
    """Neutral axis to the outermost fibre, the larger of back and belly, (n,)."""
    section = crowned_section(width_mm, thickness_mm, crown_mm)
    return np.asarray(np.maximum(section.to_back_mm, section.to_belly_mm), dtype=float)
