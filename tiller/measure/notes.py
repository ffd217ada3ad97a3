"""What is worth saying of a measured pull: wood that is in no table, a modulus that does not fit, a fit that had not settled, a crown that was read off."""

from __future__ import annotations

import numpy as np

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair
from tiller.bow.wood.woods import like_wood
from tiller.measure.fitting import Fitted
from tiller.mechanics.fit.agreement import UNSTEADY_MM, off_by, usual_of
from tiller.mechanics.fit.crown import Crown
from tiller.mechanics.fit.results import LimbResult
from tiller.notes import Note, caution, halt, info
from tiller.quantity import mm

ALONE_GAP = 0.08
"""Mean disagreement of the two ways to the bend that is worth saying (common practice, no source)."""
ALIKE_MM = 60.0
"""Over so much of a limb the errors of the bend in one picture hang together (the splines' own reach)."""
MODULUS_GAP = 1.4
"""Nearly twice what pieces of one wood differ by (Wood Handbook Table 5-6: 22 %, from memory): a limb of several layers is often so far off."""


def result_notes(bow: Bow, limbs: Pair[LimbResult], fitted: Fitted, weighed: bool) -> list[Note]:
    """All of them, in the order in which they are read."""
    return [
        *_of_wood(bow),
        *_of_modulus(bow, limbs),
        *_of_fit(fitted, weighed),
        *_of_the_largest_draw(limbs),
        *(_of_crown(fitted.crown) if fitted.crown is not None and weighed else []),
        *_of_edges(fitted),
    ]


def _of_wood(bow: Bow) -> list[Note]:
    if bow.table_wood is not None:
        return []
    like = like_wood(bow.wood)
    return [
        caution(
            "wood.unknown",
            f"the wood '{bow.wood}' is in no table{f' (is {like} meant?)' if like else ''}: modulus, density and working strain are general guesses.",
        )
    ]


def _of_modulus(bow: Bow, limbs: Pair[LimbResult]) -> list[Note]:
    known = bow.known_modulus_gpa
    notes = []
    for side in SIDES:
        implied = limbs[side].implied_modulus_gpa
        if known and np.isfinite(implied) and not 1 / MODULUS_GAP < implied / known < MODULUS_GAP:
            notes.append(
                halt(
                    "modulus.contradicts",
                    f"the {side} limb's stiffness and calipers imply a modulus of {implied:.1f} GPa, where {known:.1f} is known for the wood: check the load cell's"
                    f" counts_per_newton, the calipers and the wood before anything is scraped{'' if bow.limb(side).layers else ', and give its layers in bow.toml if it is backed or laminated'}.",
                )
            )
    return notes


def _of_fit(fitted: Fitted, weighed: bool) -> list[Note]:
    if fitted.fit.converged:
        return []
    others = "pictures and force" if weighed else "the pictures"
    return [
        caution(
            "fit.not-settled",
            f"the bend had not settled to 0.3 % when the fit ended: {others} disagree somewhere; take it with caution.",
        )
    ]


def _of_the_largest_draw(limbs: Pair[LimbResult]) -> list[Note]:
    notes = []
    for side in SIDES:
        found = limbs[side]
        both = np.isfinite(found.departure) & np.isfinite(found.bend_alone_per_m)
        if np.count_nonzero(both) <= 10:
            continue
        mean = float(np.mean(found.bend_per_m[both]))
        gap = float(np.mean(found.bend_alone_per_m[both])) / mean - 1
        # places that are nearer than this err alike
        many = max(1.0, float(np.ptp(found.s_mm[both])) / ALIKE_MM)
        doubt = float(np.sqrt(np.mean(found.bend_alone_sd[both] ** 2) / many)) / mean
        if abs(gap) > max(ALONE_GAP, 3 * doubt):
            notes.append(
                caution(
                    "bend.largest-alone",
                    f"the {side} limb's bend in the picture of the largest draw alone is {100 * gap:+.0f} % off what all pictures and"
                    " forces say together: look whether the handle slipped, or the bow took a set during the pull.",
                )
            )
    return notes


def _of_crown(crown: Crown) -> list[Note]:
    sd = crown.curvature_sd_per_mm
    low, high = crown.curvature_per_mm + sd, crown.curvature_per_mm - sd
    span = f"{mm(1 / low)} to {f'{mm(1 / high)}' if high > 1 / 2000 else 'flat'}"
    return [
        info(
            "crown.unmeasured",
            f"bow.toml has no crown_radius_mm; how the stiffness follows the width speaks for a crown radius of {span}. Measure it across the back for surer strain.",
        )
    ]


def _of_edges(fitted: Fitted) -> list[Note]:
    fit, data = fitted.fit, fitted.data
    usual = {side: usual_of(off_by(fit.limb(side).residual_mm, data[side].s_mm)) for side in SIDES}
    unsteady = [side for side in SIDES if usual[side] > UNSTEADY_MM]
    if not unsteady:
        return []
    return [
        caution(
            "edges.unsteady",
            f"the edges of the {' and the '.join(unsteady)} limb are found a little elsewhere in each picture, so the ± there is wider: a hard shadow"
            " close behind the bow does that, or a soft or noisy camera. Light the bow from the other side, hang a cloth behind it, or bring the camera nearer.",
        )
    ]
