"""What a plan says: what stands in the way, with the price of each way out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.advice.planned import Missing
from tiller.mechanics.advice.thinning import Aim, Shop, State
from tiller.notes import Note, halt, info
from tiller.quantity import mm, newton

Array = NDArray[np.float64]

EVEN_ENOUGH = 0.03
WORSE, LEAST_LEFT = 1.1, 0.65
"""A plan that ends less even than it began, or takes this much of the wood, is named (common practice, no source)."""
WEAK_TOLERANCE = 0.08
"""A weak spot strained by more than this above even is worth the choice between weight and evenness."""


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How the bow stands before anything comes off.

    Attributes:
        missing: what is lacking before it may be called done.
        near: it has its weight; under: and no wood to spare; shaped: weight and tiller are as far as this pull tells.
    """

    missing: tuple[Missing, ...]
    near: bool
    under: bool
    shaped: bool

    @property
    def hands_off(self) -> bool:
        """No wood comes off."""
        return self.shaped or self.under


def of_standing(standing: Standing, now: State, aim: Aim, uneven: float) -> list[Note]:
    """Why no wood, or no more of it, is to come off."""
    if not standing.missing:
        return [
            info(
                "plan.done",
                "weight and tiller are within what can be measured: the bow is done, no more wood comes off; from here it is drawn on step by step, never beyond the stop.",
            )
        ]
    if standing.shaped:
        return [
            info(
                "plan.wait",
                "weight and tiller are within what this pull can show: take no wood off before the next one.",
            )
        ]
    if standing.under and standing.near:
        return [
            info(
                "plan.weight-reached",
                f"the bow has its weight, and what evens it out would make it lighter: it stays uneven by some {100 * uneven:.0f} %, unless a lighter target is"
                " wanted.",
            )
        ]
    if standing.under:
        return [
            halt(
                "plan.under-weight",
                f"the bow is forecast {100 * (1 - now.weight_n / aim.weight_n):.0f} % under its target weight already: take no wood off; a lighter target is the"
                " way out.",
            )
        ]
    return []


def choice(over: float, even_weight_n: float) -> list[Note]:
    """What to choose between weight and evenness, where a weak stretch stays strained by ``over`` above even."""
    lighter = f"for the lighter bow lower draw_weight_n in bow.toml to {newton(even_weight_n)} or so"
    if over > 2 * WEAK_TOLERANCE:
        return [
            halt(
                "plan.choose",
                f"nothing is proposed until you choose: {lighter}; to keep the weight, want another shape there.",
            )
        ]
    return [info("plan.keeps-weight", f"the plan keeps the weight: {lighter}.")] if over > WEAK_TOLERANCE else []


def thin(shop: Shop, final: State) -> list[Note]:
    """What is reported where the target would leave little wood."""
    thinnest = min(
        float(np.min(1.0 - final.removal[k][shop.working[k]] / shop.wood[k].thickness_mm[shop.working[k]]))
        for k in (0, 1)
    )
    if thinnest >= LEAST_LEFT:
        return []
    return [
        halt(
            "plan.too-thin",
            f"the target would leave only {100 * thinnest:.0f} % of the wood's thickness in places: check draw_weight_n in bow.toml before anything is scraped.",
        )
    ]


def uneven_left(now: float, ends: float) -> list[Note]:
    """What is reported where the bow ends less even than it is now."""
    if ends <= max(WORSE * now, EVEN_ENOUGH):
        return []
    return [
        info(
            "plan.left-alone-costs",
            f"what is left alone costs evenness: {100 * ends:.0f} % in the end, {100 * now:.0f} % now: a place that stays thick is strained less, the more"
            " comes off next to it. Leave it so, or work on it too where the wood allows.",
        )
    ]


def over_limit(
    aim: Aim, now: State, rising: tuple[Array, Array], largest: float, thinned: bool, under: bool
) -> list[Note]:
    """What is reported where the strain at the target would be over the working strain, with the price of each way out.

    Strain over draw (``rising``) goes as on the bow as it is; a limb that is thinner all over weighs as its thickness cubed, and is strained as that.
    """
    if largest <= aim.working_strain:
        return []
    share = aim.working_strain / largest
    shorter = float(np.interp(share, rising[1], rising[0], left=np.nan))
    draw = f"a draw of {mm(shorter)} from the pivot" if np.isfinite(shorter) else "a much shorter draw"
    weight = (
        ""
        if under
        else f", a weight of {newton(share**3 * min(aim.weight_n, now.weight_n))}, or a longer or wider limb"
    )
    after = ", when all that is planned is off," if thinned else ""
    return [
        halt(
            "plan.overstrained",
            f"at the target{after} the strain would reach {100 * largest:.2f} %, over the working strain of {100 * aim.working_strain:.2f} %: {draw}{weight} would keep"
            " it under, each by itself.",
        )
        if weight
        else halt(
            "plan.overstrained",
            f"at the target{after} the strain would reach {100 * largest:.2f} %, over the working strain of {100 * aim.working_strain:.2f} %: {draw} would keep it under.",
        )
    ]
