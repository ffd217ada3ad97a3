"""From a recording to a measured pull: the order of work, and what is said about what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import ASSUMED_MODULUS_GPA, SIDES, Bow, Side
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.section import Section
from tiller.bow.units import NMM2_PER_NM2
from tiller.bow.wood.woods import MODULUS_VARIATION, UNKNOWN_DENSITY_KG_M3, like_wood
from tiller.children import SecondProcess
from tiller.errors import MeasureFault
from tiller.measure.force import UNWEIGHED, Forces, ask_for_log, force_left_out, force_notes, forces_of
from tiller.measure.recording import Recording
from tiller.measure.tracing import Progress, Sight, grouped, limb_twist, look_at, outline_thickness
from tiller.measure.wanted import tiller_of, wanted_strain
from tiller.mechanics.advice.wanted import Tiller
from tiller.mechanics.fit.agreement import UNSTEADY_MM, departing, off_by, usual_of
from tiller.mechanics.fit.crown import Crown, CrownReading, crown_from_stiffness
from tiller.mechanics.fit.curvature import bend_from_places, change_of_place
from tiller.mechanics.fit.handle import handle_bend
from tiller.mechanics.fit.marks import SURE, Departure, departure_from_even, find_marks
from tiller.mechanics.fit.prior import StiffnessPrior, stiffness_prior
from tiller.mechanics.fit.pullfit import (
    DOWN_SD,
    LimbData,
    LimbFit,
    PullFit,
    Pulls,
    every,
    fit_pull,
    forces_that_bend,
    undragged,
)
from tiller.mechanics.fit.results import Branch, LimbResult, PullPicture, PullResult
from tiller.mechanics.fit.strain import strain_profile
from tiller.mechanics.forward.belief import BowBelief, belief_of, string_stretch
from tiller.mechanics.forward.elastica import NoEquilibriumError
from tiller.mechanics.forward.level import level_by_force
from tiller.quantity import mm
from tiller.vision.limbs.limb import DRAG_PX, LimbModel, dragged_mm, normals
from tiller.vision.limbs.pull import ENOUGH_SEEN

Array = NDArray[np.float64]

LEVEL_SD = 0.015
"""Relative sd of the level of EI from hook, bow plane and load cell together (common practice, no source)."""
ALONE_GAP = 0.08
"""Mean disagreement of the two ways to the bend that is worth saying (common practice, no source)."""
ALIKE_MM = 60.0
"""Over so much of a limb the errors of the bend in one picture hang together (the splines' own reach)."""
ALONE_MARGIN = 1.5
"""A single picture's edges err by more than their own noise says (set on simulated pulls)."""
MODULUS_GAP = 1.4
"""Nearly twice what pieces of one wood differ by (Wood Handbook Table 5-6: 22 %, from memory): a limb of several layers is often so far off."""
LEAST_DRAW_MM = 40.0
HIDDEN_WORKING_MM = 10.0
"""Where more than this of the working limb lies hidden by the cradle, the bow bends through its handle."""
SURE_IN_DOUBT = 3.9
"""Where pictures of a limb had to be left out of the fit, a mark on it takes so many sd (common practice, no source)."""
MOVING_SHARE = 0.015
"""While the rope is pulled wood bears some 1 % more than it does a second later (common practice, no source): such a picture says so much less
about the weight."""
LIMB_SHARE = 0.5
"""A limb that fewer of the pull's pictures show than this is not measured: where it is hidden its place is only expected."""
FREE_FORCE_SD = 0.5
"""Relative sd of a force that no scale told: free."""
SEEN_LEAST = 0.5
"""A station seen in fewer than this share of the pictures has no value."""


@dataclass(frozen=True)
class Measured:
    """A measured pull with what it was made of, for pictures and for what builds on it; ``forces`` is None without a scale, ``tiller`` where none is
    wanted by the bow's file."""

    result: PullResult
    sight: Sight
    fit: PullFit
    forces: Forces | None
    priors: dict[Side, StiffnessPrior]
    belief: BowBelief
    string_mm: float
    crown_radius_mm: float | None
    tiller: Tiller | None = None


def limb_data(sight: Sight, side: Side, crown: float | None) -> LimbData:
    """One limb's centrelines and prior for the fit, in limb coordinates (x outward)."""
    bow, model = sight.scene.bow, sight.models[side]
    limb = bow.limb(side)
    mirror = np.array([float(model.sign), 1.0])
    width = limb.width_at(model.s_mm)
    wood = bow.table_wood
    modulus = bow.known_modulus_gpa or ASSUMED_MODULUS_GPA
    above = bow.above(side, model.s_mm)
    density = wood.density_kg_m3 if wood else UNKNOWN_DENSITY_KG_M3
    station_s = np.array([st.s_mm for st in limb.stations])
    station_h = np.array([st.thickness_mm for st in limb.stations])

    def ei_of(thickness: Array) -> Array:
        return 1e3 * modulus * limb_section(width, thick_enough(thickness, 3.0, above), crown, above).second_moment_mm4

    prior = stiffness_prior(model.s_mm, station_s, station_h, ei_of, *outline_thickness(sight, side))
    traces = [s.shape.limbs[side] for s in sight.seen]
    thick = thick_enough(np.exp(prior.log_h), 3.0, above)
    section = limb_section(width, thick, crown, above)
    # the outline shows the middle of the thickness; moments and bending are about the neutral axis, nearer to the belly under a crown
    down = (0.5 * thick - section.to_belly_mm)[:, None]
    seen = model.rest_mm - down * normals(model.rest_mm, model.sign)
    return LimbData(
        sign=model.sign,
        s_mm=model.s_mm,
        nock_s_mm=limb.length_mm,
        rest_mm=undragged(seen * mirror, model.s_mm, *_dragged_mm(sight, model)),
        rest_seen_mm=seen * mirror,
        points_mm=np.array([t.points_mm - down * t.normal_mm for t in traces]) * mirror,
        offset_mm=np.array([t.offset_mm for t in traces]),
        sd_mm=np.array([t.sd_mm for t in traces]),
        mass_per_mm_kg=section.area_mm2 * density * 1e-9,
        prior=prior,
    )


def _dragged_mm(sight: Sight, model: LimbModel) -> tuple[float, float]:
    """Over how much of its end the string drags the limb's edge at rest, and by how much at most."""
    ends = sight.scene.board.view.plane_to_pixels(model.rest_mm[[-3, -1]], sight.scene.rig.bow_plane_z_mm)
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0]) / np.linalg.norm(model.rest_mm[-1] - model.rest_mm[-3]))
    return dragged_mm(model, px_per_mm), DRAG_PX / px_per_mm


def _pictures(sight: Sight, forces: Forces | None, top: int) -> tuple[PullPicture, ...]:
    out = []
    k = 0
    for s in sight.seen:
        if s.picture.role != "pull" or s.shape.hook is None:
            continue
        branch: Branch = "up" if k <= top else "down"
        out.append(
            PullPicture(
                s.picture.file,
                s.picture.t_s,
                branch,
                -s.shape.hook.seat_mm[1],
                s.shape.hook.sd_mm,
                float(forces.at.force_n[k]) if forces is not None else float("nan"),
                float(forces.at.sd_n[k]) if forces is not None else float("nan"),
                bool(forces.at.held[k]) if forces is not None else False,
            )
        )
        k += 1
    return tuple(out)


def measure(recording: Recording, progress: Progress = lambda _: None, second: SecondProcess | None = None) -> Measured:
    """Measures a pull; ``second`` looks at half of the pictures.

    Raises:
        TillerError: what is wrong, in one sentence.
    """
    log = ask_for_log(recording, second)
    sight = look_at(recording, progress, second)
    progress("force")
    pull = [s for s in sight.seen if s.picture.role == "pull" and s.shape.hook is not None]
    if len(pull) < 3:
        msg = f"Only {len(pull)} pictures of the pull can be used, at least 3 are needed: {grouped(sight.left_out) or 'record more of it'}."
        raise MeasureFault(msg)
    for side in SIDES:
        shows = sum(s.shape.limbs[side].seen >= ENOUGH_SEEN for s in pull)
        if shows < max(3, LIMB_SHARE * len(pull)):
            msg = f"Only {shows} of {len(pull)} pictures of the pull show the {side} limb, too few to measure by: {grouped(sight.left_out)}."
            raise MeasureFault(msg)
    draw = np.array([-s.shape.hook.seat_mm[1] for s in pull if s.shape.hook is not None])
    moment = np.array([s.picture.t_s for s in pull])
    if float(np.max(draw) - np.min(draw)) < LEAST_DRAW_MM:
        msg = f"The pull is too short to say anything: the string moved {mm(np.ptp(draw))}, at least {mm(LEAST_DRAW_MM)} are needed; pull a little further."
        raise MeasureFault(msg)
    pull_starts = min(p.t_s for p in recording.of_role("pull"))
    rest_t = [s.picture.t_s for s in sight.seen if s.picture.role == "rest" and s.picture.t_s < pull_starts]
    forces = forces_of(recording, np.array(rest_t), moment, draw, log)
    top = int(np.argmax(draw))
    pictures = _pictures(sight, forces, top)
    progress("fit")
    try:
        fitted = _fit(sight, pictures, forces is not None)
        result = _result(recording, sight, pictures, fitted, forces)
    except ValueError as err:  # widths and thicknesses that make no section
        side, station = max(
            ((side, st) for side in SIDES for st in recording.bow.limb(side).stations),
            key=lambda item: item[1].width_mm / item[1].thickness_mm,
        )
        msg = (
            f"The sizes in bow.toml make no limb ({err}): look first at the {side} limb's station at {mm(station.s_mm, None)}, {mm(station.width_mm, None)} wide"
            f" and {mm(station.thickness_mm, None)} thick."
        )
        raise MeasureFault(msg) from err
    both = [fitted.data[side] for side in SIDES]
    handles = [recording.bow.limb(side).handle_mm for side in SIDES]
    level_sd = LEVEL_SD if forces is not None else MODULUS_VARIATION
    bends = all(recording.bow.limb(d).working_from_mm < sight.models[d].s_mm[0] - HIDDEN_WORKING_MM for d in SIDES)
    belief = belief_of(fitted.fit, both, handles, fitted.pulls, level_sd, bends)
    string_mm = string_stretch(both, fitted.pulls)[2]
    up = [p for p in pictures if p.branch == "up"]
    if forces is not None:
        belief = level_by_force(
            belief,
            string_mm,
            np.array([p.draw_mm for p in up]),
            np.array([p.force_n for p in up]),
            np.array([p.held for p in up], dtype=bool),
        )
    backs = to_back_of(result, recording.bow, fitted.crown_radius_mm)
    row = next(k for k, s in enumerate(sight.seen) if s.picture.file == pictures[result.largest].file)
    fits = (fitted.fit.left, fitted.fit.right)
    bent = handle_bend(
        fits, fitted.pulls, row, (float(backs[0][0]), float(backs[1][0])), level_sd, (handles[0], handles[1])
    )
    if forces is None:
        bent = replace(bent, stiffness_n_m2=float("nan"), stiffness_sd=float("nan"))
    result = replace(result, handle=bent)
    result, tiller = _against_wanted(result, belief, recording.bow, fitted.crown_radius_mm)
    return Measured(
        result,
        sight,
        fitted.fit,
        forces,
        {side: fitted.data[side].prior for side in SIDES},
        belief,
        string_mm,
        fitted.crown_radius_mm,
        tiller,
    )


def strange_words(keys: Sequence[str]) -> tuple[str, ...]:
    """What is said of keys in a file that nothing was read from."""
    return (f"these keys are not known and nothing was read from them: {'; '.join(keys)}.",) if keys else ()


def to_back_of(result: PullResult, bow: Bow, crown: float | None) -> tuple[Array, Array]:
    """From the neutral axis to the back (n,), by limb."""
    left, right = (
        _section_of(bow, side, result.limb(side).s_mm, result.limb(side).thickness_mm, crown) for side in SIDES
    )
    return left.to_back_mm, right.to_back_mm


def _section_of(bow: Bow, side: Side, s_mm: Array, thickness_mm: Array, crown: float | None) -> Section:
    above = bow.above(side, s_mm)
    return limb_section(bow.limb(side).width_at(s_mm), thick_enough(thickness_mm, 1.0, above), crown, above)


def _against_wanted(
    result: PullResult, belief: BowBelief, bow: Bow, crown: float | None
) -> tuple[PullResult, Tiller | None]:
    """The result with what is wanted of the limbs' balance, where the bow's file wants a tiller."""
    if bow.target.tiller_mm is None and bow.target.hand is None:
        return result, None
    try:
        tiller = tiller_of(belief, bow, to_back_of(result, bow, crown))
    except NoEquilibriumError as err:
        said = f"what tiller is wanted cannot be told ({err}): the limbs are held against each other as if they were to be alike."
        return replace(result, said=(*result.said, said)), None
    return replace(result, wanted_balance=float(np.expm1(tiller.left_over_right))), tiller


def _fit(sight: Sight, pictures: tuple[PullPicture, ...], weighed: bool) -> _Fitted:
    by_file = {p.file: p for p in pictures}
    m = len(sight.seen)
    hook = np.full((m, 2), np.nan)
    force, sd = np.full(m, np.nan), np.full(m, np.nan)
    rest, down = np.zeros(m, dtype=bool), np.zeros(m, dtype=bool)
    for k, s in enumerate(sight.seen):
        if s.picture.role == "rest":
            rest[k], force[k], sd[k] = True, 0.0, 0.1
            continue
        told = by_file.get(s.picture.file)
        if told is None or s.shape.hook is None:
            continue
        hook[k] = s.shape.hook.seat_mm
        force[k] = told.force_n
        sd[k] = told.force_sd_n if told.held else np.hypot(told.force_sd_n, MOVING_SHARE * told.force_n)
        down[k] = told.branch == "down"
        if weighed and force[k] <= 0.5:  # string slack or the zero's noise: no moment to speak of
            force[k] = np.nan
    used = int(np.count_nonzero(np.isfinite(force) & ~rest))
    if weighed and used < 2:
        msg = "Fewer than two pictures of the pull have a force above zero; pull further, or check the scale."
        raise MeasureFault(msg)
    radius = sight.scene.bow.crown_radius_mm
    data: dict[Side, LimbData] = {side: limb_data(sight, side, radius) for side in SIDES}
    if not weighed:  # the force that the calipers' stiffness would need, and free; up and down are alike then
        force = forces_that_bend(data["left"], data["right"], hook, rest)
        force = np.where(rest | (force > 0.5), force, np.nan)
        sd, down = np.where(rest, 0.1, FREE_FORCE_SD * force), np.zeros(m, dtype=bool)
    pulls = Pulls(hook, force, sd, rest, down)
    # a first look on every third station: where to start from, and what the crown is read off
    rough = {side: every(data[side], 3) for side in SIDES}
    fit = _fit_or_fault(rough, pulls, 7)
    crown = None
    if radius is None:
        readings = [_reading(sight.scene.bow, side, getattr(fit, side)) for side in SIDES]
        readings = [reading for reading in readings if len(reading.width_mm) >= 3]
        if readings:  # with too few calipers to tell, the back is taken as flat
            crown = crown_from_stiffness(readings)
            radius = crown.radius_mm if np.isfinite(crown.radius_mm) else None
            data = {side: limb_data(sight, side, radius) for side in SIDES}
    gained = [
        np.interp(data[side].s_mm, rough[side].s_mm, getattr(fit, side).log_ei - rough[side].prior.log_ei)
        for side in SIDES
    ]
    start = (data["left"].prior.log_ei + gained[0], data["right"].prior.log_ei + gained[1])
    fit = _fit_or_fault(data, pulls, start=start)
    mistaken = tuple(
        (k, side)
        for side in SIDES
        for k in departing(getattr(fit, side).residual_mm, data[side].s_mm)
        if not rest[k]  # every bend is counted from the rest shape
    )
    if mistaken:  # what the eye took for the limb there does not bend as the limb does in all the others
        for row, side in mistaken:
            data[side].offset_mm[row] = np.nan
        fit = _fit_or_fault(data, pulls, start=(fit.left.log_ei, fit.right.log_ei))
    return _Fitted(fit, pulls, data, radius, crown, mistaken)


def _fit_or_fault(
    data: dict[Side, LimbData], pulls: Pulls, rounds: int = 14, start: tuple[Array, Array] | None = None
) -> PullFit:
    try:
        return fit_pull(data["left"], data["right"], pulls, rounds, start)
    except (ValueError, np.linalg.LinAlgError) as err:
        msg = f"The stiffness cannot be fitted to this pull ({err}); pull further, or look whether pictures and force belong together."
        raise MeasureFault(msg) from err


def _reading(bow: Bow, side: Side, fit: LimbFit) -> CrownReading:
    limb = bow.limb(side)
    low, high = fit.s_mm[0] - 5, min(fit.s_mm[-1], 0.95 * limb.length_mm)
    stations = [st for st in limb.stations if low <= st.s_mm <= high]
    s = np.array([st.s_mm for st in stations])
    return CrownReading(
        np.array([st.width_mm for st in stations]),
        np.array([st.thickness_mm for st in stations]),
        np.interp(s, fit.s_mm, fit.log_ei),
        np.interp(s, fit.s_mm, np.sqrt(np.diag(fit.cov))),
        bow.above(side, s),
    )


@dataclass(frozen=True)
class _Fitted:
    fit: PullFit
    pulls: Pulls
    data: dict[Side, LimbData]
    crown_radius_mm: float | None
    crown: Crown | None
    mistaken: tuple[tuple[int, Side], ...] = ()


def working_zone(bow: Bow, side: Side) -> tuple[float, float]:
    """From where to where the limb works: end of the fade to the stiff tip."""
    limb = bow.limb(side)
    return limb.working_from_mm, limb.working_to_mm


def _result(
    recording: Recording,
    sight: Sight,
    pictures: tuple[PullPicture, ...],
    fitted: _Fitted,
    forces: Forces | None,
) -> PullResult:
    fit, data = fitted.fit, fitted.data
    bow = recording.bow
    index = {s.picture.file: k for k, s in enumerate(sight.seen)}
    fitted_row = np.isfinite(fitted.fit.factor_sd)
    good = [
        k
        for k, p in enumerate(pictures)
        if p.branch == "up" and (p.force_n > 0.5 if forces is not None else fitted_row[index[p.file]])
    ]
    if not good:
        what = "has a force" if forces is not None else "shows the bow bent"
        msg = f"No picture on the way up {what}; record the pull again."
        raise MeasureFault(msg)
    largest = max(good, key=lambda k: pictures[k].draw_mm)
    row = index[pictures[largest].file]
    at_rest = np.array([seen.picture.role == "rest" for seen in sight.seen])
    cell = recording.rig.load_cell
    cell_sd = cell.sensitivity_sd if forces is not None and cell is not None else None
    limbs: dict[Side, LimbResult] = {}
    departures: dict[Side, Departure] = {}
    for side, limb_fit in (("left", fit.left), ("right", fit.right)):
        key: Side = "left" if side == "left" else "right"
        doubtful = any(of == key for _, of in fitted.mistaken)
        limbs[key], departures[key] = _limb_result(
            bow,
            key,
            data[key],
            limb_fit,
            row,
            at_rest,
            fitted.crown_radius_mm,
            cell_sd,
            float(fit.factor_sd[row] ** 2),
            doubtful,
        )
        limbs[key] = replace(limbs[key], twist=limb_twist(sight, key))
    hysteresis = float("nan")
    if forces is not None:
        hysteresis = _hysteresis(fit, [index[p.file] for p in pictures if p.branch == "down"])
    a, b = departures["left"], departures["right"]
    said = list(sight.said)
    said += force_notes(forces, recording, pictures[largest].force_n) if forces is not None else [UNWEIGHED]
    said += strange_words(recording.strange_keys)
    if bow.table_wood is None:
        like = like_wood(bow.wood)
        said.append(
            f"the wood '{bow.wood}' is in no table{f' (is {like} meant?)' if like else ''}: modulus, density and working strain are general guesses."
        )
    for side in SIDES:
        known = bow.known_modulus_gpa
        implied = limbs[side].implied_modulus_gpa
        if known and np.isfinite(implied) and not 1 / MODULUS_GAP < implied / known < MODULUS_GAP:
            said.append(
                f"the {side} limb's stiffness and calipers imply a modulus of {implied:.1f} GPa, where {known:.1f} is known of the wood: check the load cell's"
                f" counts_per_newton, the calipers and the wood before anything is scraped{'' if bow.limb(side).layers else ', and give its layers in bow.toml if it is backed or laminated'}."
            )
    if not fit.converged:
        others = "pictures and force" if forces is not None else "the pictures"
        said.append(
            f"the bend had not settled to 0.3 % when the fit ended: {others} disagree somewhere; take it with caution."
        )
    left_out = list(sight.left_out)
    left_out += force_left_out(forces, pictures) if forces is not None else []
    for side in SIDES:
        found = limbs[side]
        both = np.isfinite(found.departure) & np.isfinite(found.bend_alone_per_m)
        if np.count_nonzero(both) > 10:
            mean = float(np.mean(found.bend_per_m[both]))
            gap = float(np.mean(found.bend_alone_per_m[both])) / mean - 1
            # places that are nearer than this err alike
            many = max(1.0, float(np.ptp(found.s_mm[both])) / ALIKE_MM)
            doubt = float(np.sqrt(np.mean(found.bend_alone_sd[both] ** 2) / many)) / mean
            if abs(gap) > max(ALONE_GAP, 3 * doubt):
                said.append(
                    f"the {side} limb's bend in the picture of the largest draw alone is {100 * gap:+.0f} % off what all pictures and"
                    " forces say together: look whether the handle slipped, or the bow took a set during the pull."
                )
    if fitted.crown is not None and forces is not None:
        sd = fitted.crown.curvature_sd_per_mm
        low, high = fitted.crown.curvature_per_mm + sd, fitted.crown.curvature_per_mm - sd
        span = f"{mm(1 / low)} to {f'{mm(1 / high)}' if high > 1 / 2000 else 'flat'}"
        said.append(
            f"bow.toml has no crown_radius_mm; how the stiffness follows the width speaks for a crown radius of {span}. Measure it across the back for surer strain."
        )
    for row, side in fitted.mistaken:
        left_out.append(
            f"{sight.seen[row].picture.file}: what was followed as the {side} limb does not bend as it does in all the other pictures; that limb left out"
            " there: look what stands or shines beside it"
        )
    usual = {side: usual_of(off_by(getattr(fit, side).residual_mm, data[side].s_mm)) for side in SIDES}
    unsteady = [side for side in SIDES if usual[side] > UNSTEADY_MM]
    if unsteady:
        said.append(
            f"the edges of the {' and the '.join(unsteady)} limb are found a little elsewhere in each picture, so the ± of what is told there is wider: a hard shadow"
            " close behind the bow does that, or a soft or noisy camera. Light the bow from the other side, hang a cloth behind it, or bring the camera nearer."
        )
    return PullResult(
        recording=recording.name,
        bow=bow.name,
        pictures=pictures,
        largest=largest,
        left=limbs["left"],
        right=limbs["right"],
        lag_s=forces.lag.lag_s if forces is not None else float("nan"),
        lag_sd_s=forces.lag.sd_s if forces is not None else float("nan"),
        lag_from_data=forces is not None and forces.lag.from_data,
        hysteresis=hysteresis,
        balance=a.aim / b.aim - 1.0,
        balance_sd=float(np.hypot(a.aim_sd_rel, b.aim_sd_rel)),
        force_lines_rejected=forces.log.rejected if forces is not None else {},
        left_out=tuple(left_out),
        said=tuple(said),
        string_kind=bow.string.kind,
    )


def _hysteresis(fit: PullFit, rows: list[int]) -> float:
    """Share by which the force is lower on the way down; NaN where the pull does not say more than practice does."""
    seen = [k for k in rows if np.isfinite(fit.factor_sd[k]) and fit.factor_sd[k] < 0.5 * DOWN_SD]
    if not seen:
        return float("nan")
    weights = [1 / max(1e-3, float(fit.factor_sd[k])) ** 2 for k in seen]
    return 1.0 - 1.0 / float(np.average([fit.factor[k] for k in seen], weights=weights))


def _limb_result(
    bow: Bow,
    side: Side,
    data: LimbData,
    fit: LimbFit,
    row: int,
    rest: NDArray[np.bool_],
    crown: float | None,
    cell_sd: float | None,
    force_var: float,
    in_doubt: bool,
) -> tuple[LimbResult, Departure]:
    limb = bow.limb(side)
    s = data.s_mm
    rest_mm = data.rest_mm if data.rest_seen_mm is None else data.rest_seen_mm
    width = limb.width_at(s)
    bend = fit.bend_per_mm[row]
    free = (None, 0.0) if cell_sd is not None else (fit.force_cov[row], force_var)
    above = bow.above(side, s)
    strain = strain_profile(
        data.prior,
        fit.cov,
        fit.log_ei,
        bend,
        lambda thick: limb_section(width, thick_enough(thick, 1.0, above), crown, above),
        *free,
    )
    low, high = working_zone(bow, side)
    to_back = limb_section(width, thick_enough(strain.thickness_mm, 1.0, above), crown, above).to_back_mm
    wanted = wanted_strain(bow, side, s, to_back)
    departure = departure_from_even(s, strain.back / wanted, strain.log_cov, low, high)
    seen = np.mean(np.isfinite(data.offset_mm), axis=0) >= SEEN_LEAST
    # a lone station amid a hidden stretch is chance: most of its neighbours within 20 mm must be seen too
    padded = np.pad(seen.astype(float), 4, mode="edge")
    seen &= np.lib.stride_tricks.sliding_window_view(padded, 9).mean(axis=1) > 0.5
    departure = Departure(
        s,
        np.where(seen, departure.departure, np.nan),
        np.where(seen, departure.sd, np.nan),
        departure.aim,
        departure.aim_sd_rel,
    )
    marks = find_marks(departure, strain.log_cov, sure=SURE_IN_DOUBT if in_doubt else SURE)
    ei = np.exp(fit.log_ei) / NMM2_PER_NM2
    moment = fit.moment_nmm[row]
    if cell_sd is None:  # without a scale stiffness is known but for a factor
        ei, moment = np.full(len(s), np.nan), np.full(len(s), np.nan)
    ei_sd = ei * np.sqrt(np.diag(fit.cov) + LEVEL_SD**2 + (cell_sd or 0.0) ** 2)
    inside = (s >= low) & (s <= high) & seen
    section = limb_section(width, thick_enough(limb.thickness_at(s), 3.0, above), crown, above)
    implied = ei * NMM2_PER_NM2 / section.second_moment_mm4 * 1e-3
    level = float(np.median(implied[inside])) if np.any(inside) else float("nan")
    spread = float(1.4826 * np.median(np.abs(implied[inside] - level))) if np.any(inside) else float("nan")
    seen_at_rest = np.isfinite(data.offset_mm[rest])
    count = np.sum(seen_at_rest, axis=0)
    at_rest = np.where(count > 0, np.nansum(data.offset_mm[rest], axis=0) / np.maximum(count, 1), np.nan)
    change = change_of_place(s, rest_mm, data.points_mm[row], data.offset_mm[row] - at_rest)
    alone = bend_from_places(s, change, ALONE_MARGIN * data.sd_mm[row])
    mirror = np.array([float(data.sign), 1.0])

    def shown(values: Array) -> Array:
        return np.where(seen, values, np.nan)

    return (
        LimbResult(
            side=side,
            s_mm=s,
            bend_per_m=shown(1e3 * bend),
            bend_sd=shown(1e3 * np.abs(bend) * fit.bend_rel_sd[row]),
            stiffness_n_m2=shown(ei),
            stiffness_sd=shown(ei_sd),
            strain=shown(strain.back),
            strain_belly=shown(strain.belly),
            strain_sd=shown(strain.back * np.sqrt(np.maximum(np.diag(strain.log_cov), 0))),
            departure=departure.departure,
            departure_sd=departure.sd,
            thickness_mm=strain.thickness_mm,
            moment_n_m=1e-3 * moment,
            rest_mm=rest_mm * mirror,
            drawn_mm=(data.points_mm if np.any(np.isfinite(data.offset_mm[row])) else fit.line_mm)[row] * mirror,
            marks=marks,
            aim=departure.aim,
            bend_alone_per_m=shown(1e3 * alone.bend_per_mm),
            bend_alone_sd=shown(1e3 * alone.sd_per_mm),
            implied_modulus_gpa=level,
            implied_modulus_sd_gpa=spread,
        ),
        departure,
    )
