"""From a measured pull to what is to be done next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import ASSUMED_MODULUS_GPA, Bow
from tiller.bow.composite import Above, bearing_mm, limb_section, thick_enough
from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.wood.moisture import strain_at
from tiller.bow.wood.woods import MODULUS_VARIATION, UNKNOWN_DENSITY_KG_M3, like_wood
from tiller.measure.followup.sets import Past, belief_by_all_pulls
from tiller.measure.followup.track import edge_first
from tiller.measure.pipeline import HIDDEN_WORKING_MM, Measured, to_back_of, working_zone
from tiller.measure.wanted import tiller_of, wanted_strain
from tiller.mechanics.advice.advice import Advice, NextPull
from tiller.mechanics.advice.evidence import shown_further
from tiller.mechanics.advice.plan import make_plan
from tiller.mechanics.advice.planned import Plan, Showed
from tiller.mechanics.advice.thinning import Aim, LimbWood
from tiller.mechanics.advice.wanted import Tiller
from tiller.mechanics.advice.yielding import SetShown
from tiller.mechanics.fit.prior import stiffness_prior
from tiller.mechanics.fit.results import PullResult
from tiller.mechanics.forward.belief import (
    FADE_GIVE,
    FADE_GIVE_SD,
    HANDLE_GIVE,
    HANDLE_GIVE_SD,
    STRING_EA_N,
    BowBelief,
    LimbBelief,
)
from tiller.mechanics.forward.forecast import Forecast, forecast
from tiller.mechanics.forward.solved import NoEquilibriumError
from tiller.mechanics.forward.stop import Bounds, Stop, StrungNow, braced_stop_mm, stop_now
from tiller.notes import Note, caution, halt, info
from tiller.quantity import mm, mm_span

Array = NDArray[np.float64]

LEAST_SHARE = 0.25
"""From a pull over less than this share of the way from its first picture to the target draw no plan is made."""
UNSCALED_STRAIN_SD = 0.03
"""Relative sd that a strain forecast ahead has beside the measured one's where no force ties the pictures together (common practice, no source)."""
STOP_SURE_MM = 5.0
"""A stop moves by so much from pull to pull without anything having changed: no more than that beyond it is not said."""
UNSEEN_STRAIN_SD = 0.10
"""Relative sd of the strain where a stretch was not seen (common practice, no source)."""


def strain_limit(bow: Bow, by_place: SetShown | None = None) -> tuple[float, str]:
    """The strain that the bow may bear, and where that comes from: its file, what its own set shows, its wood's table.

    A set may show that a piece bears less than its table says; that it took none yet does not raise the limit.
    """
    if bow.target.working_strain is not None:
        return bow.target.working_strain, "set in bow.toml"
    usual, source = strain_at(bow.table_wood, bow.moisture_percent)
    if by_place is not None and by_place.limit < usual:
        return by_place.limit, "by the set that this bow took"
    return usual, source


def _own_limit_words(bow: Bow, by_place: SetShown) -> Note:
    shown = f"{100 * by_place.limit:.2f} ± {100 * by_place.limit_sd:.2f} %"
    text = f"the set that this bow took lies where it was strained most: this piece takes a set from a strain of {shown} on"
    usual = strain_at(bow.table_wood, bow.moisture_percent)[0]
    own = bow.target.working_strain
    if own is not None:
        kept = f"stop and plan keep to the {100 * own:.2f} % of bow.toml, your own figure"
        return caution("strain.own-limit", f"{text}; {kept}{': it is more than that' if own > by_place.limit else ''}.")
    if by_place.limit < usual:
        return caution(
            "strain.own-limit",
            f"{text}; stop and plan keep to that, not to the {100 * usual:.2f} % of its wood's table.",
        )
    return info(
        "strain.own-limit-higher",
        f"{text}, more than the {100 * usual:.2f} % of its wood's table, to which stop and plan keep.",
    )


def taut_from_mm(bow: Bow) -> float:
    """A draw (mm) at or below which the string that is on the bow is just taut."""
    return 0.8 * bow.target.brace_height_mm if bow.string.kind == "braced" else 60.0


HANDLE_SURE = 1.0
"""The stop takes the handle's strain with so many sd on top, beside the margin that it has itself."""
HIDDEN_MM = 40.0
"""A working stretch this long that was not seen counts like a mark for the next step of draw (common practice, no source)."""


def _longest(wanted: NDArray[np.bool_], s_mm: Array) -> float:
    """Length (mm) of the longest unbroken run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(int)))
    return float(max((edges[1::2] - edges[::2]), default=0)) * float(s_mm[1] - s_mm[0])


def strain_share(bow: Bow, side: Side, s_mm: Array) -> Array:
    """Share of the working strain that each place (n,) may bear: less where a ring is cut through, and the like."""
    share = np.ones(len(s_mm))
    half = 0.5 * float(s_mm[1] - s_mm[0])
    for f in bow.limb(side).features:
        inside = (s_mm >= f.from_mm - half) & (s_mm <= f.to_mm + half)
        share[inside] = np.minimum(share[inside], f.strain_share)
    return share


def wood_of(measured: Measured, bow: Bow) -> Pair[LimbWood]:
    """Both limbs' wood for the plan."""
    out = []
    backs = to_back_of(measured.result, bow, measured.crown_radius_mm)
    ratio = measured.tiller.left_over_right if measured.tiller is not None else 0.0
    for side, back, more in zip(SIDES, backs, (0.5 * ratio, -0.5 * ratio), strict=True):
        limb = measured.result.limb(side)
        low, high = working_zone(bow, side)
        out.append(
            LimbWood(
                width_mm=bow.limb(side).width_at(limb.s_mm),
                thickness_mm=thick_enough(limb.thickness_mm, 1.0, bow.above(side, limb.s_mm)),
                from_mm=low,
                to_mm=high,
                leave=~np.isfinite(limb.strain),
                strain_share=strain_share(bow, side, limb.s_mm),
                features=tuple((f.kind, f.from_mm, f.to_mm) for f in bow.limb(side).features if f.leave_alone),
                wanted=wanted_strain(bow, side, limb.s_mm, back) * np.exp(more),
                above=bow.above(side, limb.s_mm),
            )
        )
    return Pair(out[0], out[1])


def advise(measured: Measured, bow: Bow, by_place: SetShown | None = None, past: Past | None = None) -> Advice:
    """Forecast, stop and plan from a measured pull; what cannot be had is reported, never made up.

    Args:
        by_place: what the set since earlier pulls shows of the strain that this piece bears.
        past: the bow's earlier pulls: the plan rests on all of them; None = on this one alone.
    """
    limit, source = strain_limit(bow, by_place)
    wood = wood_of(measured, bow)
    notes = _before_anything(measured, bow, by_place)
    ahead, no_forecast = _ahead(measured, bow)
    if no_forecast:
        notes.append(caution("forecast.none", f"no forecast: {no_forecast}"))
    if ahead is not None and ahead.touching_mm > 0:
        notes.append(
            info(
                "string.lies-along",
                f"near brace the string lies along the last {mm(ahead.touching_mm)} of a tip that is bent back: forecast and string's length reckon with it, without"
                " friction and without the tip's own thickness.",
            )
        )
    stop, of_stop = _stop(measured, bow, wood, limit, ahead)
    notes = [*of_stop.first, *notes, *of_stop.then]
    belief, earlier = belief_by_all_pulls(measured, bow, past) if past is not None else (measured.belief, 0)
    plan, no_plan = _plan(measured, belief, bow, wood, limit, ahead)
    if no_plan:
        notes.append(info("plan.none", f"no plan: {no_plan}"))
    if plan is not None:
        notes += plan.notes
        if earlier:
            notes.append(
                info(
                    "plan.earlier-pulls",
                    f"the plan rests on this pull and on {earlier} earlier one{'s' if earlier > 1 else ''} of this bow, with what came off in between.",
                )
            )
        if past is not None and past.looked:
            since = any(at > past.looked[-1].at for at in past.scraped)
            notes += [note for note in (edge_first(past.looked, past.events, since, bow, plan),) if note is not None]
    further = _next_pull(plan, stop, measured.result.pictures[measured.result.largest].draw_mm, bow)
    return Advice(
        forecast=ahead,
        stop=stop,
        plan=plan,
        working_strain=limit,
        strain_source=source,
        notes=tuple(notes),
        tiller=_tiller(measured, bow),
        next_pull=further,
        no_forecast=no_forecast,
        no_plan=no_plan,
        earlier_pulls=earlier,
    )


def _before_anything(measured: Measured, bow: Bow, by_place: SetShown | None) -> list[Note]:
    """What the bow's file and its pulls say that is worth a look first."""
    notes = []
    if by_place is not None and np.isfinite(by_place.limit):
        notes.append(_own_limit_words(bow, by_place))
    notes += contradictions(measured, bow)
    bare = [side for side in SIDES if not bow.limb(side).layers]
    if len(bare) == 1:
        notes.append(
            caution(
                "layers.one-limb", f"bow.toml gives layers for one limb and none for the {bare[0]} one: is that so?"
            )
        )
    if bow.moisture_percent is not None and bow.moisture_percent > TOO_MOIST:
        notes.append(
            caution(
                "wood.moist",
                f"at {bow.moisture_percent:g} % moisture the wood takes a set when it is bent: let it dry to 8 to 12 % first (common practice).",
            )
        )
    return notes


def _ahead(measured: Measured, bow: Bow) -> tuple[Forecast | None, str]:
    """The forecast, or why there is none."""
    cell = measured.sight.scene.rig.load_cell
    weighed = measured.forces is not None
    try:
        ahead = forecast(
            measured.belief,
            bow.target.draw_length_mm,
            bow.target.brace_height_mm,
            cell_sd=cell.sensitivity_sd if weighed and cell is not None else 0.0,
        )
    except NoEquilibriumError as err:
        return None, f"{err}; check target draw and brace height in bow.toml against the limbs' length."
    return (ahead if weighed else untried(ahead)), ""


@dataclass(frozen=True)
class _OfStop:
    """What is reported of the stop: before all else, and after."""

    first: tuple[Note, ...]
    then: tuple[Note, ...]


def _stop(
    measured: Measured, bow: Bow, wood: Pair[LimbWood], limit: float, ahead: Forecast | None
) -> tuple[Stop | None, _OfStop]:
    """How far the bow may be drawn now, and what is reported of it."""
    target, result = bow.target, measured.result
    weighed = measured.forces is not None
    drawn = result.pictures[result.largest].draw_mm
    marked = any(result.limb(side).marks for side in SIDES)
    force_sd = ahead.weight_sd_n / ahead.weight_n if ahead is not None else 0.05 if weighed else UNTRIED_FORCE_SD
    surface = _surfaces(measured, wood)
    working = [
        (result.limb(side).s_mm >= w.from_mm) & (result.limb(side).s_mm <= w.to_mm) | (w.strain_share < 1.0)
        for side, w in zip(SIDES, wood, strict=True)
    ]
    hidden = [
        _longest(~np.isfinite(result.limb(side).strain) & work, result.limb(side).s_mm)
        for side, work in zip(SIDES, working, strict=True)
    ]
    notes = _not_measured(measured, bow)
    notes += [
        caution(
            "limb.unseen",
            f"{mm(length)} of the {side} limb were not seen: what is stiff or weak there is not known, and the next step is kept short.",
        )
        for side, length in zip(SIDES, hidden, strict=True)
        if length >= HIDDEN_MM
    ]
    spread = [
        np.hypot(
            np.nan_to_num(result.limb(side).strain_sd / result.limb(side).strain, nan=UNSEEN_STRAIN_SD),
            force_sd if weighed else UNSCALED_STRAIN_SD,
        )
        for side in SIDES
    ]
    bounds = Bounds(
        target_draw_mm=target.draw_length_mm,
        target_weight_n=target.draw_weight_n,
        working_strain=limit,
        to_surface_mm=Pair(surface[0], surface[1]),
        working=Pair(working[0], working[1]),
        force_sd=force_sd,
        strain_sd=Pair(spread[0], spread[1]),
    )
    string_mm = measured.string_mm if np.isfinite(measured.string_mm) else bow.string.length_mm
    strung = StrungNow(string_mm, taut_from_mm(bow), drawn, marked or max(hidden) >= HIDDEN_MM)
    try:
        stop = stop_now(measured.belief, strung, bounds)
        if bow.string.kind == "braced":
            stop = replace(stop, braced_mm=stop.draw_mm)
        else:
            braced = braced_stop_mm(measured.belief, target.brace_height_mm, _reached(result, working), bounds)
            stop = replace(stop, braced_mm=braced)
    except NoEquilibriumError as err:
        notes.append(
            halt("stop.none", f"no stop: {err}; do not draw the bow now, and check the string's length in bow.toml.")
        )
        return None, _OfStop((), tuple(notes))
    # without a scale the weight's limit is the table's: to have gone beyond that alone is nothing to be alarmed about
    known = [v for name, v in stop.limits_mm.items() if weighed or name != "target weight"]
    beyond = drawn - min((v for v in known if np.isfinite(v)), default=float("inf"))
    first: tuple[Note, ...] = ()
    if beyond > STOP_SURE_MM:
        first = (
            halt(
                "stop.passed",
                f"the last pull went {mm(beyond)} beyond {'this stop' if weighed else 'what the wood is trusted with'}: let the bow rest, look for cracks, lifted grain and chrysals.",
            ),
        )
    return stop, _OfStop(first, tuple(notes))


def _reached(result: PullResult, working: Sequence[NDArray[np.bool_]]) -> float:
    """The largest strain of this pull where the limbs work, NaN where none was seen."""
    seen = [result.limb(side).strain[work] for side, work in zip(SIDES, working, strict=True)]
    both = np.concatenate(seen)
    return float(np.nanmax(both)) if np.any(np.isfinite(both)) else float("nan")


def _surfaces(measured: Measured, wood: Pair[LimbWood]) -> list[Array]:
    """From the neutral axis to the fibre that comes to its limit first (n,), by limb."""
    surface = [
        bearing_mm(w.width_mm, thick_enough(w.thickness_mm, 3.0, w.above), measured.crown_radius_mm, w.above)
        / w.strain_share
        for w in wood
    ]
    # the handle is hidden by the cradle: where it is strained more than the limbs' roots are, the stop goes by it
    handle = measured.result.handle
    for k, side in enumerate(SIDES):
        root = float(measured.result.limb(side).strain[0])
        if np.isfinite(handle.strain) and np.isfinite(root) and root > 0:
            surface[k][0] *= max(1.0, (handle.strain + HANDLE_SURE * handle.strain_sd) / root)
    return surface


def _not_measured(measured: Measured, bow: Bow) -> list[Note]:
    """Places that bear less and lie where the limb is not measured."""
    out = []
    for side in SIDES:
        seen = measured.result.limb(side).s_mm
        out += [
            caution(
                "limb.unmeasured-place",
                f"the {f.kind} at {mm_span(f.from_mm, f.to_mm, None)} on the {side} limb lies where the limb is not measured: the stop takes no account of it.",
            )
            for f in bow.limb(side).features
            if f.strain_share < 1.0 and (f.to_mm < seen[0] or f.from_mm > seen[-1])
        ]
    return out


def _plan(
    measured: Measured,
    belief: BowBelief,
    bow: Bow,
    wood: Pair[LimbWood],
    limit: float,
    ahead: Forecast | None,
) -> tuple[Plan | None, str]:
    """The plan, or why there is none."""
    target, result = bow.target, measured.result
    drawn = result.pictures[result.largest].draw_mm
    first = min(p.draw_mm for p in result.pictures if np.isfinite(p.draw_mm))
    if measured.forces is None:
        return None, (
            "without a scale it is not known how deep; take a few strokes where a stretch is marked stiff, none where it is marked weak, exercise the bow"
            " and pull again."
        )
    if ahead is None:
        return None, "there is none without a forecast."
    if drawn - first < LEAST_SHARE * (target.draw_length_mm - first):
        return None, (
            f"the pull went from {mm_span(first, drawn)}, less than {100 * LEAST_SHARE:.0f} % of the way to the target draw; pull further, within the stop."
        )
    weak = tuple((side, m.from_mm, m.to_mm) for side in SIDES for m in result.limb(side).marks if m.kind == "weak")
    aim = Aim(target.draw_length_mm, target.draw_weight_n, target.brace_height_mm, limit)
    try:
        plan = make_plan(
            belief,
            wood,
            measured.crown_radius_mm,
            aim,
            Showed(ahead.weight_sd_n, bow.string.kind == "braced", drawn, weak),
        )
    except NoEquilibriumError as err:
        return None, f"{err}."
    return plan, ""


FURTHER_MM = 10.0
"""A pull that goes further by less shows no more."""
WORTH = 0.9
"""A pull that leaves this share of what is not known is not worth a word (common practice, no source)."""


def _next_pull(plan: Plan | None, stop: Stop | None, drawn_mm: float, bow: Bow) -> NextPull | None:
    if plan is None or stop is None or stop.draw_mm < drawn_mm + FURTHER_MM:
        return None
    worst = plan.doubtful
    then = shown_further(worst.sd, drawn_mm, stop.draw_mm, taut_from_mm(bow))
    if then > WORTH * worst.sd:
        return None
    return NextPull(stop.draw_mm, worst.limb, worst.at_mm, worst.sd, then)


def _tiller(measured: Measured, bow: Bow) -> Tiller | None:
    if measured.tiller is not None:
        return measured.tiller
    try:
        return tiller_of(measured.belief, bow, to_back_of(measured.result, bow, measured.crown_radius_mm))
    except NoEquilibriumError:
        return None


TOO_MOIST = 14.0
LEAP = 0.25
"""No limb's thickness leaps by this much from one station to the next (common practice, no source)."""
CONTRADICTION = 0.05
"""A caliper reading this far (in thickness) and three sd off what stiffness and outline say is worth measuring again."""


def contradictions(measured: Measured, bow: Bow) -> list[Note]:
    """Stations whose thickness contradicts the measured stiffness by more than it can be."""
    out = []
    for side in SIDES:
        result, belief = measured.result.limb(side), measured.belief.limb(side)
        sd = np.sqrt(np.diag(belief.cov)) / 3.0
        gaps = []
        stations = [st for st in bow.limb(side).stations if belief.s_mm[0] <= st.s_mm <= 0.9 * belief.s_mm[-1]]
        for st in stations:
            gaps.append(st.thickness_mm / float(np.interp(st.s_mm, belief.s_mm, result.thickness_mm)) - 1.0)
        if len(gaps) < 3:
            continue
        for before, st, following in zip(stations, stations[1:], stations[2:], strict=False):
            share = (st.s_mm - before.s_mm) / (following.s_mm - before.s_mm)
            between = before.thickness_mm + share * (following.thickness_mm - before.thickness_mm)
            if abs(np.log(st.thickness_mm / between)) > LEAP:
                out.append(
                    caution(
                        "calipers.leap",
                        f"the caliper reading of {mm(st.thickness_mm, None)} at {mm(st.s_mm, None)} on the {side} limb leaps from its neighbours ({mm(between, 1)} between them):"
                        " measure that station again before anything is scraped.",
                    )
                )
        level = float(np.median(gaps))
        for st, gap in zip(stations, gaps, strict=True):
            own = float(np.interp(st.s_mm, belief.s_mm, sd))
            if abs(gap - level) > max(CONTRADICTION, 3.0 * own):
                out.append(
                    caution(
                        "calipers.contradict",
                        f"the caliper reading of {mm(st.thickness_mm, None)} at {mm(st.s_mm, None)} on the {side} limb is {100 * (gap - level):+.0f} % off what stiffness"
                        " and outline say there: measure that station again.",
                    )
                )
    return out


UNTRIED_FORCE_SD, UNTRIED_STRAIN_SD = 0.25, 0.10
"""Relative sd of force and strain where no pull has been measured: a species' modulus varies by 22 % (Wood Handbook Table
5-6, from memory), calipers are cubed."""


def untried(ahead: Forecast) -> Forecast:
    """The forecast with the wide sd of what rests on calipers and the wood's table alone."""
    return replace(
        ahead,
        force_sd_n=ahead.force_n * UNTRIED_FORCE_SD,
        weight_sd_n=ahead.weight_n * UNTRIED_FORCE_SD,
        stored_sd_j=ahead.stored_j * UNTRIED_FORCE_SD,
    )


def belief_from_file(bow: Bow) -> tuple[BowBelief, list[Array], list[NDArray[np.bool_]], list[Array]]:
    """The bow as calipers and modulus tell it; by limb from the neutral axis to the fibre that comes to its limit first, what works, and the relative
    sd of the strain."""
    wood = bow.table_wood
    modulus = bow.known_modulus_gpa or ASSUMED_MODULUS_GPA
    density = wood.density_kg_m3 if wood else UNKNOWN_DENSITY_KG_M3
    limbs, surface, working, unsure = [], [], [], []
    for side in SIDES:
        limb = bow.limb(side)
        s = np.arange(max(limb.working_from_mm + 2.0, 60.0), limb.length_mm - 20.0, 5.0)
        width, above = limb.width_at(s), bow.above(side, s)

        def ei_of(thickness: Array, width: Array = width, above: Above | None = above) -> Array:
            return (
                1e3
                * modulus
                * limb_section(width, thick_enough(thickness, 3.0, above), bow.crown_radius_mm, above).second_moment_mm4
            )

        prior = stiffness_prior(
            s,
            np.array([st.s_mm for st in limb.stations]),
            np.array([st.thickness_mm for st in limb.stations]),
            ei_of,
            caliper_sd_mm=limb.caliper_sd_mm,
        )
        thick = thick_enough(np.exp(prior.log_h), 3.0, above)
        unsure.append(np.hypot(UNTRIED_STRAIN_SD, np.sqrt(np.diag(prior.cov_h))))
        area = limb_section(width, thick, bow.crown_radius_mm, above).area_mm2
        line = np.column_stack([s, np.full(len(s), 0.5 * float(thick[0]))])
        limbs.append(
            LimbBelief(
                s_mm=s,
                log_ei=prior.log_ei,
                cov=prior.cov,
                rest_mm=line,
                mass_per_mm_kg=area * density * 1e-9,
                handle_mm=limb.handle_mm,
                nock_mm=limb.length_mm,
            )
        )
        surface.append(bearing_mm(width, thick, bow.crown_radius_mm, above) / strain_share(bow, side, s))
        low, high = working_zone(bow, side)
        working.append((s >= low) & (s <= high))
    through = all(
        bow.limb(side).working_from_mm < limb.s_mm[0] - HIDDEN_WORKING_MM
        for side, limb in zip(SIDES, limbs, strict=True)
    )
    give, give_sd = (HANDLE_GIVE, HANDLE_GIVE_SD) if through else (FADE_GIVE, FADE_GIVE_SD)
    belief = BowBelief(
        left=limbs[0],
        right=limbs[1],
        fade_give=give,
        fade_give_sd=give_sd,
        string_ea_n=STRING_EA_N,
        level_sd=MODULUS_VARIATION,
    )
    return belief, surface, working, unsure


def advise_from_file(bow: Bow) -> Advice:
    """Forecast and stop from the bow's file alone, before its first pull: with a wide margin, and without a plan."""
    limit, source = strain_limit(bow)
    wood = bow.table_wood
    belief, surface, working, unsure = belief_from_file(bow)
    source_e = "bow.toml's modulus" if bow.modulus_gpa else "a table's modulus" if wood else "a guessed modulus"
    notes = [info("advice.from-file", f"nothing was measured yet: this rests on calipers and {source_e}, and is wide.")]
    if wood is None:
        like = like_wood(bow.wood)
        notes.append(
            caution("wood.unknown", f"the wood '{bow.wood}' is in no table{f' (is {like} meant?)' if like else ''}.")
        )
    target = bow.target
    ahead: Forecast | None = None
    no_forecast = ""
    try:
        ahead = untried(forecast(belief, target.draw_length_mm, target.brace_height_mm))
    except NoEquilibriumError as err:
        no_forecast = f"{err}; check target draw and brace height in bow.toml against the limbs' length."
        notes.append(caution("forecast.none", f"no forecast: {no_forecast}"))
    stop: Stop | None = None
    try:
        stop = stop_now(
            belief,
            StrungNow(bow.string.length_mm, taut_from_mm(bow), 0.0, False),
            Bounds(
                target_draw_mm=target.draw_length_mm,
                target_weight_n=target.draw_weight_n,
                working_strain=limit,
                to_surface_mm=Pair(surface[0], surface[1]),
                working=Pair(working[0], working[1]),
                force_sd=UNTRIED_FORCE_SD,
                strain_sd=Pair(unsure[0], unsure[1]),
            ),
        )
    except NoEquilibriumError as err:
        notes.append(halt("stop.none", f"no stop: {err}; check the string's length in bow.toml."))
    return Advice(
        forecast=ahead,
        stop=stop,
        plan=None,
        working_strain=limit,
        strain_source=source,
        notes=tuple(notes),
        no_forecast=no_forecast,
    )
