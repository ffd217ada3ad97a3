"""The fit of a pull: what the pictures and the scale showed, put into limb coordinates, and the stiffness that explains all of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import ASSUMED_MODULUS_GPA, Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.sides import SIDES, Pair, Side, of_sides
from tiller.bow.wood.woods import UNKNOWN_DENSITY_KG_M3
from tiller.errors import MeasureFault
from tiller.measure.tracing import Sight, outline_thickness
from tiller.mechanics.fit.agreement import departing
from tiller.mechanics.fit.contact import undragged
from tiller.mechanics.fit.crown import Crown, CrownReading, crown_from_stiffness
from tiller.mechanics.fit.prior import stiffness_prior
from tiller.mechanics.fit.pullfit import (
    LimbData,
    LimbFit,
    PullFit,
    Pulls,
    every,
    fit_pull,
    forces_that_bend,
)
from tiller.mechanics.fit.results import PullPicture
from tiller.vision.limbs.limb import DRAG_PX, LimbModel, dragged_mm, normals

Array = NDArray[np.float64]

MOVING_SHARE = 0.015
"""While the rope is pulled wood bears some 1 % more than it does a second later (common practice, no source): such a picture says so much less
about the weight."""
FREE_FORCE_SD = 0.5
"""Relative sd of a force that no scale gave: free."""


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """A fit with what it was made from; ``mistaken``: rows and sides where something else was followed."""

    fit: PullFit
    pulls: Pulls
    data: Pair[LimbData]
    crown_radius_mm: float | None
    crown: Crown | None
    mistaken: tuple[tuple[int, Side], ...] = ()


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

    prior = stiffness_prior(
        model.s_mm, station_s, station_h, ei_of, *outline_thickness(sight, side), limb.caliper_sd_mm
    )
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


def fit_sight(sight: Sight, pictures: tuple[PullPicture, ...], weighed: bool) -> Fitted:
    """Fits the stiffness of both limbs to all pictures; ``weighed``: there was a scale.

    Raises:
        MeasureFault: fewer than two pictures have a force, or the fit fails.
    """
    by_file = {p.file: p for p in pictures}
    m = len(sight.seen)
    hook = np.full((m, 2), np.nan)
    force, sd = np.full(m, np.nan), np.full(m, np.nan)
    rest, down = np.zeros(m, dtype=bool), np.zeros(m, dtype=bool)
    for k, s in enumerate(sight.seen):
        if s.picture.role == "rest":
            rest[k], force[k], sd[k] = True, 0.0, 0.1
            continue
        entry = by_file.get(s.picture.file)
        if entry is None or s.shape.hook is None:
            continue
        hook[k] = s.shape.hook.seat_mm
        force[k] = entry.force_n
        sd[k] = entry.force_sd_n if entry.held else np.hypot(entry.force_sd_n, MOVING_SHARE * entry.force_n)
        down[k] = entry.branch == "down"
        if weighed and force[k] <= 0.5:  # string slack or the zero's noise: no moment to speak of
            force[k] = np.nan
    used = int(np.count_nonzero(np.isfinite(force) & ~rest))
    if weighed and used < 2:
        msg = "Fewer than two pictures of the pull have a force above zero; pull further, or check the scale."
        raise MeasureFault(msg)
    radius = sight.scene.bow.crown_radius_mm
    data: Pair[LimbData] = of_sides(lambda side: limb_data(sight, side, radius))
    if not weighed:  # the force that the calipers' stiffness would need, and free; up and down are alike then
        force = forces_that_bend(data.left, data.right, hook, rest)
        force = np.where(rest | (force > 0.5), force, np.nan)
        sd, down = np.where(rest, 0.1, FREE_FORCE_SD * force), np.zeros(m, dtype=bool)
    pulls = Pulls(hook, force, sd, rest, down)
    # a first look on every third station: where to start from, and what the crown is read off
    rough = of_sides(lambda side: every(data[side], 3))
    fit = _fit_or_fault(rough, pulls, 7)
    crown = None
    if radius is None:
        readings = [_reading(sight.scene.bow, side, fit.limb(side)) for side in SIDES]
        readings = [reading for reading in readings if len(reading.width_mm) >= 3]
        if readings:  # with too few calipers to tell, the back is taken as flat
            crown = crown_from_stiffness(readings)
            radius = crown.radius_mm if np.isfinite(crown.radius_mm) else None
            data = of_sides(lambda side: limb_data(sight, side, radius))
    gained = [
        np.interp(data[side].s_mm, rough[side].s_mm, fit.limb(side).log_ei - rough[side].prior.log_ei) for side in SIDES
    ]
    start = Pair(data.left.prior.log_ei + gained[0], data.right.prior.log_ei + gained[1])
    fit = _fit_or_fault(data, pulls, start=start)
    mistaken = tuple(
        (k, side)
        for side in SIDES
        for k in departing(fit.limb(side).residual_mm, data[side].s_mm)
        if not rest[k]  # every bend is counted from the rest shape
    )
    if mistaken:  # what the eye took for the limb there does not bend as the limb does in all the others
        for row, side in mistaken:
            data[side].offset_mm[row] = np.nan
        fit = _fit_or_fault(data, pulls, start=Pair(fit.left.log_ei, fit.right.log_ei))
    return Fitted(fit=fit, pulls=pulls, data=data, crown_radius_mm=radius, crown=crown, mistaken=mistaken)


def _fit_or_fault(data: Pair[LimbData], pulls: Pulls, rounds: int = 14, start: Pair[Array] | None = None) -> PullFit:
    try:
        return fit_pull(data.left, data.right, pulls, rounds, start)
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
