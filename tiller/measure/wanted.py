"""What the bowyer wants of a tiller, on this bow's limbs: the strain along each, and one limb against the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import Pair, Side, of_sides
from tiller.bow.target import OUTER_STRAIN
from tiller.mechanics.advice.history import TILLER_SD_MM
from tiller.mechanics.advice.wanted import (
    Tiller,
    ellipse_curvature,
    left_over_right,
    over_mean,
    ratio_for_hand,
    ratio_for_tiller,
    run_out,
    tiller_at_brace_mm,
)
from tiller.mechanics.forward.belief import BowBelief, bow_from
from tiller.mechanics.forward.chain import WholeBow
from tiller.mechanics.forward.elastica import brace, solve_draws

Array = NDArray[np.float64]

SEGMENTS = 40


def wanted_strain(bow: Bow, side: Side, s_mm: Array, to_back_mm: Array) -> Array:
    """Strain (n,) that is wanted along a limb, with a geometric mean of one over the working limb; 1 beyond it.

    Args:
        s_mm: (n,) along the back from the pivot; to_back_mm: (n,) from the neutral axis to the back.
    """
    limb, target = bow.limb(side), bow.target
    low, high = limb.working_from_mm, limb.working_to_mm
    working = (s_mm >= low) & (s_mm <= high)
    if target.shape == "circular":
        strain = to_back_mm
    elif target.shape == "elliptical":
        strain = to_back_mm * ellipse_curvature(s_mm / limb.length_mm, target.ellipse_ratio)
    elif target.shape == "stiff-outer":
        strain = run_out((s_mm - low) / (high - low), target.outer_share, OUTER_STRAIN)
    elif target.shape == "own":
        strain = np.interp(s_mm / limb.length_mm, [p.share for p in target.curve], [p.strain for p in target.curve])
    else:
        return np.ones(len(s_mm))
    return over_mean(strain, working)


def tiller_of(belief: BowBelief, bow: Bow, to_back_mm: Pair[Array]) -> Tiller:
    """The tiller at brace that follows from what was measured, and what is wanted of it.

    Args:
        to_back_mm: (n,) by limb, from the neutral axis to the back, on the belief's stations.

    Raises:
        NoEquilibriumError: brace or draw cannot be had.
    """
    target = bow.target
    fade = of_sides(lambda side: bow.limb(side).working_from_mm)
    both = of_sides(lambda side: (bow.limb(side).working_from_mm, bow.limb(side).working_to_mm))
    sign = -bow.upper_limb.sign

    def build(step: float) -> WholeBow:
        return bow_from(belief, belief.left.log_ei - 0.5 * step, belief.right.log_ei + 0.5 * step, segments=SEGMENTS)

    whole = build(0.0)
    now = sign * tiller_at_brace_mm(whole, target.brace_height_mm, fade)
    ratio, wanted = 0.0, float("nan")
    if target.tiller_mm is not None:
        wanted = target.tiller_mm
        change = ratio_for_tiller(build, sign * wanted, target.brace_height_mm, target.draw_length_mm, fade, both)
        string, _ = brace(whole, target.brace_height_mm)
        drawn = solve_draws(whole, string, np.array([target.draw_length_mm]))
        backs = [
            float(np.mean(np.log(back[(limb.s_mm >= low) & (limb.s_mm <= high)])))
            for back, limb, (low, high) in zip(to_back_mm, (belief.left, belief.right), both, strict=True)
        ]
        ratio = left_over_right(whole, drawn, both) + backs[0] - backs[1] + change
    elif target.hand is not None:
        ratio = ratio_for_hand(
            whole,
            target.hand.below_middle_mm,
            target.hand.above_middle_mm,
            bow.upper_limb == "left",
            target.brace_height_mm,
            target.draw_length_mm,
            both,
        )
    return Tiller(now, TILLER_SD_MM, wanted, ratio)
