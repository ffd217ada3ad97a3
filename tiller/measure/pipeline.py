"""From a recording to a measured pull: the order of work, and what is reported about what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.section import Section
from tiller.bow.sides import SIDES, Pair, Side, both, of_sides
from tiller.bow.units import NMM2_PER_NM2
from tiller.bow.wood.woods import MODULUS_VARIATION
from tiller.children import SecondProcess
from tiller.errors import MeasureFault
from tiller.measure.fitting import Fitted, fit_sight
from tiller.measure.force import UNWEIGHED, Forces, ask_for_log, force_left_out, force_notes, forces_of
from tiller.measure.notes import result_notes
from tiller.measure.recording import Recording
from tiller.measure.tracing import Progress, Sight, grouped, limb_twist, look_at
from tiller.measure.wanted import tiller_of, wanted_strain
from tiller.mechanics.advice.wanted import Tiller
from tiller.mechanics.fit.curvature import BendProfile, bend_from_places, change_of_place
from tiller.mechanics.fit.handle import handle_bend
from tiller.mechanics.fit.marks import SURE, Departure, departure_from_even, find_marks
from tiller.mechanics.fit.prior import StiffnessPrior
from tiller.mechanics.fit.pullfit import (
    DOWN_SD,
    LimbData,
    LimbFit,
    PullFit,
)
from tiller.mechanics.fit.results import Branch, LimbResult, PullPicture, PullResult
from tiller.mechanics.fit.strain import strain_profile
from tiller.mechanics.forward.belief import BowBelief, belief_of, string_stretch
from tiller.mechanics.forward.level import level_by_force
from tiller.mechanics.forward.solved import NoEquilibriumError
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.vision.limbs.pull import ENOUGH_SEEN

Array = NDArray[np.float64]

UNCALIBRATED = info(
    "rig.uncalibrated",
    f"lens and board were found from these pictures themselves: bends are less sure, draws to some {mm(8.0)}, and a mark takes more to be called one;"
    " a rack that is set up measures better.",
)
DRAW_UNCALIBRATED_MM = 6.0
"""Sd of a draw where lens and board were not calibrated, beside half of ``geometry_sd`` of the draw: ten recordings of the independent rig, touches
simulated with 3 px, err by 0.3 to 11 mm at the largest draw."""
LEVEL_SD = 0.015
"""Relative sd of the level of EI from hook, bow plane and load cell together (common practice, no source)."""
ALONE_MARGIN = 2.3
"""A single picture's edges err by more than their own noise says (independent rig, nine recordings: 70 and 93 % within 1 and 2 sd)."""
LEAST_DRAW_MM = 40.0
HIDDEN_WORKING_MM = 10.0
"""Where more than this of the working limb lies hidden by the cradle, the bow bends through its handle."""
SURE_IN_DOUBT = 3.9
"""Where pictures of a limb had to be left out of the fit, or lens and board were not calibrated, a mark on it takes so many sd (common practice, no
source)."""
LIMB_SHARE = 0.5
"""A limb that fewer of the pull's pictures show than this is not measured: where it is hidden its place is only expected."""
SEEN_LEAST = 0.5
"""A station seen in fewer than this share of the pictures has no value."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A measured pull with what it was made of, for pictures and for what builds on it; ``forces`` is None without a scale, ``tiller`` where none is
    wanted by the bow's file."""

    result: PullResult
    sight: Sight
    fit: PullFit
    forces: Forces | None
    priors: Pair[StiffnessPrior]
    belief: BowBelief
    string_mm: float
    crown_radius_mm: float | None
    tiller: Tiller | None = None


def _draw_sd(seat_sd_mm: float, draw_mm: float, geometry_sd: float) -> float:
    """Of a draw: the hook's place, and what a rack without a calibration adds."""
    if geometry_sd <= 0:
        return seat_sd_mm
    return float(np.sqrt(seat_sd_mm**2 + DRAW_UNCALIBRATED_MM**2 + (0.5 * geometry_sd * draw_mm) ** 2))


def _pictures(sight: Sight, forces: Forces | None, top: int) -> tuple[PullPicture, ...]:
    out = []
    k = 0
    for s in sight.seen:
        if s.picture.role != "pull" or s.shape.hook is None:
            continue
        branch: Branch = "up" if k <= top else "down"
        out.append(
            PullPicture(
                file=s.picture.file,
                t_s=s.picture.t_s,
                branch=branch,
                draw_mm=-s.shape.hook.seat_mm[1],
                draw_sd_mm=_draw_sd(s.shape.hook.sd_mm, -s.shape.hook.seat_mm[1], sight.scene.rig.geometry_sd),
                force_n=float(forces.at.force_n[k]) if forces is not None else float("nan"),
                force_sd_n=float(forces.at.sd_n[k]) if forces is not None else float("nan"),
                held=bool(forces.at.held[k]) if forces is not None else False,
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
        fitted = fit_sight(sight, pictures, forces is not None)
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
        result=result,
        sight=sight,
        fit=fitted.fit,
        forces=forces,
        priors=of_sides(lambda side: fitted.data[side].prior),
        belief=belief,
        string_mm=string_mm,
        crown_radius_mm=fitted.crown_radius_mm,
        tiller=tiller,
    )


def strange_words(keys: Sequence[str]) -> tuple[Note, ...]:
    """What is reported of keys in a file that nothing was read from."""
    return (
        (caution("file.unknown-keys", f"these keys are not known and nothing was read from them: {'; '.join(keys)}."),)
        if keys
        else ()
    )


def to_back_of(result: PullResult, bow: Bow, crown: float | None) -> Pair[Array]:
    """From the neutral axis to the back (n,), by limb."""
    left, right = (
        _section_of(bow, side, result.limb(side).s_mm, result.limb(side).thickness_mm, crown) for side in SIDES
    )
    return Pair(left.to_back_mm, right.to_back_mm)


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
        notes = caution(
            "tiller.wanted-unknown",
            f"the wanted tiller cannot be computed ({err}): the limbs are held against each other as if they were to be alike.",
        )
        return replace(result, notes=(*result.notes, notes)), None
    return replace(result, wanted_balance=float(np.expm1(tiller.left_over_right))), tiller


def working_zone(bow: Bow, side: Side) -> tuple[float, float]:
    """From where to where the limb works: end of the fade to the stiff tip."""
    limb = bow.limb(side)
    return limb.working_from_mm, limb.working_to_mm


def _largest(sight: Sight, pictures: tuple[PullPicture, ...], fit: PullFit, weighed: bool) -> int:
    """The picture of the largest draw that can be used, on the way up.

    Raises:
        MeasureFault: there is none.
    """
    index = _rows_of(sight)
    fitted = np.isfinite(fit.factor_sd)
    good = [
        k
        for k, p in enumerate(pictures)
        if p.branch == "up" and (p.force_n > 0.5 if weighed else fitted[index[p.file]])
    ]
    if not good:
        what = "has a force" if weighed else "shows the bow bent"
        msg = f"No picture on the way up {what}; record the pull again."
        raise MeasureFault(msg)
    return max(good, key=lambda k: pictures[k].draw_mm)


def _rows_of(sight: Sight) -> dict[str, int]:
    return {s.picture.file: k for k, s in enumerate(sight.seen)}


def _result(
    recording: Recording, sight: Sight, pictures: tuple[PullPicture, ...], fitted: Fitted, forces: Forces | None
) -> PullResult:
    fit, weighed, index = fitted.fit, forces is not None, _rows_of(sight)
    largest = _largest(sight, pictures, fit, weighed)
    row = index[pictures[largest].file]
    cell = recording.rig.load_cell
    at_largest = _AtLargest(
        row=row,
        rest=np.array([seen.picture.role == "rest" for seen in sight.seen]),
        crown_mm=fitted.crown_radius_mm,
        cell_sd=cell.sensitivity_sd if weighed and cell is not None else None,
        force_var=float(fit.factor_sd[row] ** 2),
        geometry_sd=recording.rig.geometry_sd,
    )
    found: dict[Side, LimbResult] = {}
    departures: dict[Side, Departure] = {}
    for side in SIDES:
        doubtful = at_largest.geometry_sd > 0 or any(of == side for _, of in fitted.mistaken)
        limb_fit = fit.limb(side)
        found[side], departures[side] = _limb_result(
            recording.bow, side, fitted.data[side], limb_fit, at_largest, doubtful
        )
        found[side] = replace(found[side], twist=limb_twist(sight, side))
    limbs = both(found)
    down = [index[p.file] for p in pictures if p.branch == "down"]
    a, b = both(departures)
    return PullResult(
        recording=recording.name,
        bow=recording.bow.name,
        pictures=pictures,
        largest=largest,
        left=limbs.left,
        right=limbs.right,
        lag_s=forces.lag.lag_s if forces is not None else float("nan"),
        lag_sd_s=forces.lag.sd_s if forces is not None else float("nan"),
        lag_from_data=forces is not None and forces.lag.from_data,
        hysteresis=_hysteresis(fit, down) if weighed else float("nan"),
        balance=a.aim / b.aim - 1.0,
        balance_sd=float(np.hypot(np.hypot(a.aim_sd_rel, b.aim_sd_rel), recording.rig.geometry_sd)),
        force_lines_rejected=forces.log.rejected if forces is not None else {},
        left_out=_left_out(sight, pictures, fitted, forces),
        notes=(
            *sight.notes,
            *(force_notes(forces, recording, pictures[largest].force_n) if forces is not None else [UNWEIGHED]),
            *((UNCALIBRATED,) if recording.rig.geometry_sd > 0 else ()),
            *strange_words(recording.strange_keys),
            *result_notes(recording.bow, limbs, fitted, weighed),
        ),
        string_kind=recording.bow.string.kind,
    )


def _left_out(
    sight: Sight, pictures: tuple[PullPicture, ...], fitted: Fitted, forces: Forces | None
) -> tuple[str, ...]:
    departed = (
        f"{sight.seen[row].picture.file}: what was followed as the {side} limb does not bend as it does in all the other pictures; that limb left out"
        " there: look what stands or shines next to it"
        for row, side in fitted.mistaken
    )
    return (*sight.left_out, *(force_left_out(forces, pictures) if forces is not None else ()), *departed)


def _hysteresis(fit: PullFit, rows: list[int]) -> float:
    """Share by which the force is lower on the way down; NaN where the pull does not say more than practice does."""
    seen = [k for k in rows if np.isfinite(fit.factor_sd[k]) and fit.factor_sd[k] < 0.5 * DOWN_SD]
    if not seen:
        return float("nan")
    weights = [1 / max(1e-3, float(fit.factor_sd[k])) ** 2 for k in seen]
    return 1.0 - 1.0 / float(np.average([fit.factor[k] for k in seen], weights=weights))


@dataclass(frozen=True, kw_only=True)
class _AtLargest:
    """What a limb's result at the largest draw rests on.

    Attributes:
        row: of that picture; rest: (m,) the rows of the bow at rest; crown_mm: crown radius, None = flat.
        cell_sd: relative sd of the load cell's sensitivity, None = no scale; force_var: relative variance of the force there.
        geometry_sd: of every bend, relative, from a lens and a board that were not calibrated.
    """

    row: int
    rest: NDArray[np.bool_]
    crown_mm: float | None
    cell_sd: float | None
    force_var: float
    geometry_sd: float


def _limb_result(
    bow: Bow, side: Side, data: LimbData, fit: LimbFit, at: _AtLargest, in_doubt: bool
) -> tuple[LimbResult, Departure]:
    limb, row, crown, cell_sd = bow.limb(side), at.row, at.crown_mm, at.cell_sd
    s = data.s_mm
    rest_mm = data.rest_mm if data.rest_seen_mm is None else data.rest_seen_mm
    width = limb.width_at(s)
    bend = fit.bend_per_mm[row]
    free = (None, 0.0) if cell_sd is not None else (fit.force_cov[row], at.force_var)
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
    seen = _seen(data)
    departure = replace(
        departure,
        departure=np.where(seen, departure.departure, np.nan),
        sd=np.where(seen, departure.sd, np.nan),
    )
    marks = find_marks(departure, strain.log_cov, sure=SURE_IN_DOUBT if in_doubt else SURE)
    ei = np.exp(fit.log_ei) / NMM2_PER_NM2
    moment = fit.moment_nmm[row]
    if cell_sd is None:  # without a scale stiffness is known but for a factor
        ei, moment = np.full(len(s), np.nan), np.full(len(s), np.nan)
    ei_sd = ei * np.sqrt(np.diag(fit.cov) + LEVEL_SD**2 + (cell_sd or 0.0) ** 2)
    inside = (s >= low) & (s <= high) & seen
    section = limb_section(width, thick_enough(limb.thickness_at(s), 3.0, above), crown, above)
    level, spread = _level((ei * NMM2_PER_NM2 / section.second_moment_mm4 * 1e-3)[inside])
    alone = _alone(data, at, rest_mm)
    mirror = np.array([float(data.sign), 1.0])

    def shown(values: Array) -> Array:
        return np.where(seen, values, np.nan)

    return (
        LimbResult(
            side=side,
            s_mm=s,
            bend_per_m=shown(1e3 * bend),
            bend_sd=shown(1e3 * np.abs(bend) * np.hypot(fit.bend_rel_sd[row], at.geometry_sd)),
            stiffness_n_m2=shown(ei),
            stiffness_sd=shown(ei_sd),
            strain=shown(strain.back),
            strain_belly=shown(strain.belly),
            strain_sd=shown(strain.back * np.sqrt(np.maximum(np.diag(strain.log_cov), 0) + at.geometry_sd**2)),
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


def _seen(data: LimbData) -> NDArray[np.bool_]:
    """Stations (n,) that enough of the pictures show."""
    seen = np.mean(np.isfinite(data.offset_mm), axis=0) >= SEEN_LEAST
    # a lone station amid a hidden stretch is chance: most of its neighbours within 20 mm must be seen too
    padded = np.pad(seen.astype(float), 4, mode="edge")
    return np.asarray(seen & (np.lib.stride_tricks.sliding_window_view(padded, 9).mean(axis=1) > 0.5))


def _level(values: Array) -> tuple[float, float]:
    """Median and robust spread; NaN of none."""
    if not len(values):
        return float("nan"), float("nan")
    level = float(np.median(values))
    return level, float(1.4826 * np.median(np.abs(values - level)))


def _alone(data: LimbData, at: _AtLargest, rest_mm: Array) -> BendProfile:
    """The bend by the picture of the largest draw alone."""
    s, row = data.s_mm, at.row
    seen_at_rest = np.isfinite(data.offset_mm[at.rest])
    count = np.sum(seen_at_rest, axis=0)
    at_rest = np.where(count > 0, np.nansum(data.offset_mm[at.rest], axis=0) / np.maximum(count, 1), np.nan)
    change = change_of_place(s, rest_mm, data.points_mm[row], data.offset_mm[row] - at_rest)
    return bend_from_places(s, change, ALONE_MARGIN * data.sd_mm[row])
