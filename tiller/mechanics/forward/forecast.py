"""Weight and force-draw curve of the bow braced, from what a pull has shown so far."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.forward.belief import BowBelief, bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws, string_lengths
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved, at_rows
from tiller.quantity import mm

Array = NDArray[np.float64]

PAIRS = 24
"""Pairs of bows drawn from the belief, each with its mirror image about the mean."""
MODEL_SD = 0.002
"""Relative sd of what the model leaves out: shear, the nock's and the string's places, relaxation (set on simulated pulls of
tests.bench.foretell; independent rig: nine forecasts err by 0.6 of their sd, rms)."""
LEVEL_SD = 0.002
"""Relative sd of a weight from the load cell's calibration; what geometry adds to the level of EI it takes from the
forecast again, since both go through the same lever arms (common practice, no source)."""
RELAX_SD = 0.005
"""A hold is weighed before wood has done with giving, alike in every picture (independent rig's live session: 0.4-0.7 % of the force were still to
go when its points were taken)."""
SCATTER_SHARE, FADE_SHARE = 0.25, 0.2
"""The sd of EI allows for errors that neighbouring stations share; over the whole bow they average out more than it
says, and what the fades are believed to give too little is taken by the stations next to them. Set so that stated and
actual errors of the weight agree over simulated pulls (``tests.bench.foretell``; its bows were looked at meanwhile, so they are not blind)."""
PLACES_SD_MM = 1.5
"""What two nocks that are taken from the limbs' lengths leave of a string's length open (common practice, no source)."""
CURVE_POINTS = 24
STEEPEST_DEG = 100.0
"""A bow is not drawn until the string stands beyond square to its tips by more than this (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """The bow braced at a brace height.

    Attributes:
        brace_mm, string_mm: brace height and the string's unstretched length that gives it.
        draw_mm, force_n, force_sd_n: (m,) predicted force-draw curve with the sd of each value.
        weight_n, weight_sd_n: at the target draw, the last of ``draw_mm``.
        string_sd_mm: sd of that length.
        stored_j, stored_sd_j: work stored from brace to the target draw.
        touching_mm: length over which the string lies along a reflexed tip somewhere between brace and target; 0 = clear.
        solved: the mean bow at those draws.
    """

    brace_mm: float
    string_mm: float
    string_sd_mm: float
    draw_mm: Array
    force_n: Array
    force_sd_n: Array
    weight_n: float
    weight_sd_n: float
    stored_j: float
    stored_sd_j: float
    touching_mm: float
    solved: Solved


def string_angle_deg(solved: Solved) -> Array:
    """Angle between each limb's tip and its half of the string, (m, 2) degrees; 90 = square."""
    tip = solved.points_mm[:, :, -1] - solved.points_mm[:, :, -4]
    hook = np.stack(
        [solved.hook_x_mm[:, None] * [-1.0, 1.0], np.broadcast_to(-solved.draw_mm[:, None], tip.shape[:2])], axis=-1
    )
    way = hook - solved.points_mm[:, :, -1]
    cosine = -np.sum(tip * way, axis=-1) / np.linalg.norm(tip, axis=-1) / np.linalg.norm(way, axis=-1)
    return np.asarray(np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0))), dtype=float)


def sampled(belief: BowBelief, pairs: int = PAIRS, seed: int = 1) -> tuple[Array, Array]:
    """Log EI of both limbs, (2 pairs, n) each, drawn from the belief in pairs that mirror each other about the mean.

    The common level is left out; it is added in full.
    """
    rng = np.random.default_rng(seed)
    out = []
    for limb in (belief.left, belief.right):
        values, vectors = np.linalg.eigh(limb.cov)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        change = rng.standard_normal((pairs, len(values))) @ root.T
        out.append(np.concatenate([limb.log_ei + change, limb.log_ei - change]))
    return out[0], out[1]


def forecast(
    belief: BowBelief, target_draw_mm: float, brace_mm: float, pairs: int = PAIRS, cell_sd: float = 0.0
) -> Forecast:
    """The bow braced at ``brace_mm`` and drawn to ``target_draw_mm``.

    Args:
        cell_sd: relative sd of the load cell's sensitivity, over what ``LEVEL_SD`` allows.

    Raises:
        NoEquilibriumError: the brace height or the draw cannot be had; says which.
    """
    bow = bow_from(belief)
    try:
        string, braced = brace(bow, brace_mm)
    except NoEquilibriumError as err:
        msg = f"a brace height of {mm(brace_mm)} cannot be had with this bow ({err})"
        raise NoEquilibriumError(msg) from err
    draws = np.linspace(brace_mm + 0.04 * (target_draw_mm - brace_mm), target_draw_mm, CURVE_POINTS)
    mean = solve_draws(bow, string, draws)
    if float(np.min(mean.force_n)) <= 0 or float(np.min(mean.tension_n)) <= 0:
        msg = f"braced at {mm(brace_mm)} the bow gives no force up to a draw of {mm(target_draw_mm)}"
        raise NoEquilibriumError(msg)
    steepest = float(np.max(string_angle_deg(mean)))
    if steepest > STEEPEST_DEG:
        msg = (
            f"a draw of {mm(target_draw_mm)} is beyond what the limbs' length allows: the string would stand at {steepest:.0f} degrees"
            " to the limb's tip, where pulling only stacks"
        )
        raise NoEquilibriumError(msg)
    left, right = sampled(belief, pairs)
    # every draw of every sampled bow at once, started from the mean bow at that draw
    count = len(left)
    some = np.arange(CURVE_POINTS - 1, -1, -4)[::-1]
    lanes_left, lanes_right = np.repeat(left, len(some), axis=0), np.repeat(right, len(some), axis=0)
    start = at_rows(mean, np.tile(some, count))
    many = solve_draws(bow_from(belief, lanes_left, lanes_right), string, np.tile(draws[some], count), start)
    scatter = np.std(many.force_n.reshape(count, len(some)) / mean.force_n[some], axis=0)
    relative = SCATTER_SHARE * np.interp(draws, draws[some], scatter)
    stiffer = solve_draws(bow_from(belief, give=belief.fade_give + belief.fade_give_sd), string, draws, mean)
    fade = FADE_SHARE * np.abs(stiffer.force_n / mean.force_n - 1.0)
    # a softer string, short enough to brace the bow at the same height
    softer_ea = 1.0 / (1.0 / belief.string_ea_n + belief.string_soft_sd)
    pull = float(np.mean(braced.tension_n))
    shorter = string * (1 + pull / belief.string_ea_n) / (1 + pull / softer_ea)
    softer = solve_draws(replace(bow, string_ea_n=softer_ea), shorter, draws, mean)
    stretch = np.abs(softer.force_n / mean.force_n - 1.0)
    level = np.hypot(LEVEL_SD, cell_sd)
    relative = np.sqrt(relative**2 + fade**2 + stretch**2 + belief.outline_sd**2 + MODEL_SD**2 + RELAX_SD**2 + level**2)
    first = np.zeros(count, dtype=int)
    lengths = string_lengths(bow_from(belief, left, right), brace_mm, at_rows(braced, first))
    string_sd = float(np.hypot(SCATTER_SHARE * np.std(lengths), PLACES_SD_MM))
    sd = mean.force_n * relative
    work = float(np.trapezoid(mean.force_n, draws)) + 0.5 * float(mean.force_n[0]) * (draws[0] - brace_mm)
    return Forecast(
        brace_mm=brace_mm,
        string_mm=string,
        string_sd_mm=string_sd,
        draw_mm=draws,
        force_n=mean.force_n,
        force_sd_n=sd,
        weight_n=float(mean.force_n[-1]),
        weight_sd_n=float(sd[-1]),
        stored_j=1e-3 * work,
        stored_sd_j=1e-3 * work * float(np.trapezoid(sd, draws) / np.trapezoid(mean.force_n, draws)),
        touching_mm=float(max(np.max(braced.touching_mm), np.max(mean.touching_mm))),
        solved=mean,
    )
