"""From a measured pull to what is to be done next."""

from __future__ import annotations

import numpy as np

from tiller.bow.bowfile import SIDES, Bow
from tiller.bow.woods import working_strain
from tiller.mechanics.advice import Advice
from tiller.mechanics.elastica import NoEquilibriumError
from tiller.mechanics.forecast import Forecast, forecast
from tiller.mechanics.plan import Aim, LimbWood, Plan, make_plan
from tiller.mechanics.stop import Stop, stop_now, surface_mm
from tiller.rack.measure import Measured, working_zone

LEAST_SHARE = 0.25
"""From a pull to less than this share of the target draw no plan is made: too little of the bend is seen."""
STRAIN_SD = 0.03
"""Relative sd of the strain at the target draw (set on simulated pulls)."""


def strain_limit(bow: Bow) -> tuple[float, str]:
    """The strain that the bow may bear, and where that comes from."""
    if bow.target.working_strain is not None:
        return bow.target.working_strain, "set in bow.toml"
    return working_strain(bow.table_wood)


def wood_of(measured: Measured, bow: Bow) -> tuple[LimbWood, LimbWood]:
    """Both limbs' wood for the plan."""
    out = []
    for side in SIDES:
        limb = measured.result.limb(side)
        low, high = working_zone(bow, side)
        out.append(
            LimbWood(bow.limb(side).width_at(limb.s_mm), limb.thickness_mm, low, high, ~np.isfinite(limb.strain))
        )
    return out[0], out[1]


def advise(measured: Measured, bow: Bow) -> Advice:
    """Forecast, stop and plan from a measured pull; what cannot be had is said, never made up."""
    target, result = bow.target, measured.result
    limit, source = strain_limit(bow)
    wood = wood_of(measured, bow)
    said: list[str] = []
    drawn = result.pictures[result.largest].draw_mm
    marks = [(side, m) for side in SIDES for m in result.limb(side).marks]
    said += contradictions(measured, bow)
    ahead: Forecast | None = None
    try:
        ahead = forecast(measured.belief, target.draw_length_mm, target.brace_height_mm)
    except NoEquilibriumError as err:
        said.append(f"no forecast: {err}; check target draw and brace height in bow.toml against the limbs' length.")
    force_sd = ahead.weight_sd_n / ahead.weight_n if ahead is not None else 0.05
    stop: Stop | None = None
    surface = [surface_mm(w.width_mm, np.maximum(w.thickness_mm, 3.0), measured.crown_radius_mm) for w in wood]
    working = [
        (result.limb(side).s_mm >= w.from_mm) & (result.limb(side).s_mm <= w.to_mm)
        for side, w in zip(SIDES, wood, strict=True)
    ]
    string = measured.string_mm if np.isfinite(measured.string_mm) else bow.string.length_mm
    try:
        stop = stop_now(
            measured.belief,
            string,
            0.8 * target.brace_height_mm if bow.string.kind == "braced" else 60.0,
            target.draw_length_mm,
            target.draw_weight_n,
            limit,
            (surface[0], surface[1]),
            (working[0], working[1]),
            drawn,
            bool(marks),
            force_sd,
            STRAIN_SD,
        )
    except NoEquilibriumError as err:
        said.append(f"no stop: {err}; pull no further than so far, and check the string's length in bow.toml.")
    plan: Plan | None = None
    if ahead is None:
        said.append("no plan without a forecast.")
    elif drawn < LEAST_SHARE * target.draw_length_mm:
        said.append(
            f"no plan: the pull went to {drawn:.0f} mm, less than {100 * LEAST_SHARE:.0f} % of the target draw; pull further, within the stop."
        )
    else:
        weak = tuple((side, m.from_mm, m.to_mm) for side, m in marks if m.kind == "weak")
        aim = Aim(target.draw_length_mm, target.draw_weight_n, target.brace_height_mm, limit)
        try:
            plan = make_plan(measured.belief, wood, measured.crown_radius_mm, aim, ahead.weight_sd_n, weak)
        except (NoEquilibriumError, ValueError) as err:
            said.append(f"no plan: {err}.")
        else:
            said += plan.said
    return Advice(ahead, stop, plan, limit, source, tuple(said))


CONTRADICTION = 0.06
"""A caliper reading this far (in thickness) and three sd off what stiffness and outline say is worth measuring again."""


def contradictions(measured: Measured, bow: Bow) -> list[str]:
    """Stations whose thickness contradicts the measured stiffness by more than it can be."""
    out = []
    for side in SIDES:
        result, belief = measured.result.limb(side), getattr(measured.belief, side)
        sd = np.sqrt(np.diag(belief.cov)) / 3.0
        gaps = []
        stations = [st for st in bow.limb(side).stations if belief.s_mm[0] <= st.s_mm <= 0.9 * belief.s_mm[-1]]
        for st in stations:
            gaps.append(st.thickness_mm / float(np.interp(st.s_mm, belief.s_mm, result.thickness_mm)) - 1.0)
        if len(gaps) < 3:
            continue
        level = float(np.median(gaps))
        for st, gap in zip(stations, gaps, strict=True):
            own = float(np.interp(st.s_mm, belief.s_mm, sd))
            if abs(gap - level) > max(CONTRADICTION, 3.0 * own):
                out.append(
                    f"the caliper reading of {st.thickness_mm:g} mm at {st.s_mm:g} mm on the {side} limb is {100 * (gap - level):+.0f} % off what stiffness"
                    " and outline say there: measure that station again."
                )
    return out
