"""One limb in one picture: both edges to sub-pixel, and the centreline between them.

The bow lies in the plane z = bow_plane_z_mm; its front and rear sides stand half a width before
and behind it. Seen from a camera that stands off the plane of the limb's back by the angle phi
(positive when it looks at the belly), the outline is wider than the limb is thick: on the belly
side by half the width times phi, on the back, which is crowned with the radius R, by R phi^2 / 2
until the crown's edge is reached. The outline gives the centreline; the thickness comes from
calipers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.rigfile import CRADLE_HALF_MM
from tiller.bow.section import sagitta_mm
from tiller.bow.sides import Side
from tiller.vision.limbs.edges import HALF_WINDOW_PX, EdgeFit, EdgeSearch, fit_edges
from tiller.vision.limbs.frame import Frame, channels
from tiller.vision.limbs.light import Single
from tiller.vision.limbs.spline import Line, cubic_basis
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]

SPACING_MM = 5.0
SMOOTH_MM = 55.0
"""Levels beside an edge are averaged over this length in the last rounds of its fit."""
STRAY_MM = 120.0
"""A value is a stray beside the running median over this length."""
CROWN_GUESS_MM = 90.0
"""Crown radius taken for the outline's perspective where bow.toml has none (common practice, no source)."""
NOCK_CLEARANCE_MM = 20.0
"""The last stretch before the nock is not measured: string and nock hide its edge; it is as good as straight."""
SCAN_PX = (-3.0, -1.5, 0.0, 1.5, 3.0)
GRAIN = 2.5
"""How far grain and shading beside an edge shift it, over its noise and blur (set on simulated pulls of tests/uncertainty; ``STATED`` of the fit
brings stated and actual scatter together on the independent rig's recordings)."""
BACK_SD_MM = 0.22
"""Sd of the back's rounded rim against the belly's corner (set on simulated pulls of tests/uncertainty; judged with ``GRAIN``)."""
FLOOR_PX = 0.03
"""No edge is taken to be known better than this (common practice, no source)."""
SUBS = (-0.375, -0.125, 0.125, 0.375)
"""A station's profile is the mean of four, this far from it in units of the stations' spacing."""


@dataclass(frozen=True, kw_only=True)
class LimbModel:
    """A limb as the vision knows it.

    Attributes:
        side: left or right in the picture.
        sign: -1 for left, +1 for right.
        s_mm: (n,) material stations along the back from the pivot.
        width_mm, thickness_mm: (n,) from the calipers.
        crown_mm: crown radius for the outline.
        up_mm, low_mm: (n,) distance from the centreline to the back's and the belly's edge, without perspective.
        rest_mm: (n, 2) centreline at rest, rack x, y.
        root_play_mm: how far its root may leave its place across the rack.
        wood: (n, 3) its colour at rest, blue, green, red; None before it was seen.
        dressed: (n,) stations whose colour is not that of the limb around them: wraps, paint, leather; None likewise.
        string_mm: length of the string that is on the bow; 0 where none is.
    """

    side: Side
    sign: int
    s_mm: Array
    width_mm: Array
    thickness_mm: Array
    crown_mm: float
    up_mm: Array
    low_mm: Array
    rest_mm: Array
    root_play_mm: float
    wood: Single | None = None
    dressed: NDArray[np.bool_] | None = None
    string_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class LimbTrace:
    """A limb's centreline in one picture.

    Attributes:
        points_mm: (n, 2) rack x, y at the model's stations (same material points in every picture);
            smooth enough to follow, not smoothed for curvature.
        offset_mm: (n,) measured centreline minus ``points_mm`` along the normal; NaN where not seen.
        sd_mm: (n,) sd of the measured place across the limb; NaN where not seen.
        normal_mm: (n, 2) unit normals to the back.
        edges_mm: (2, n) distances of the back's and the belly's edge from ``points_mm`` along the normal.
        seen: share of the stations with a value.
        misfit: what the edge model leaves, rms over the picture noise (median over the edges).
    """

    points_mm: Array
    offset_mm: Array
    sd_mm: Array
    normal_mm: Array
    edges_mm: Array
    seen: float
    misfit: float


def unseen(points_mm: Array, model: LimbModel) -> LimbTrace:
    """A limb of which a picture shows nothing: the line (n, 2) is only where it is expected."""
    nothing = np.full(len(points_mm), np.nan)
    edges = np.full((2, len(points_mm)), np.nan)
    return LimbTrace(
        points_mm=points_mm,
        offset_mm=nothing,
        sd_mm=nothing,
        normal_mm=normals(points_mm, model.sign),
        edges_mm=edges,
        seen=0.0,
        misfit=float("nan"),
    )


def normals(points_mm: Array, sign: int) -> Array:
    """Unit normals (n, 2) to the back of a line that runs outward."""
    tangent = np.empty_like(points_mm)
    tangent[1:-1] = points_mm[2:] - points_mm[:-2]
    tangent[0], tangent[-1] = points_mm[1] - points_mm[0], points_mm[-1] - points_mm[-2]
    across = np.empty_like(tangent)
    size = sign / np.hypot(tangent[:, 0], tangent[:, 1])
    across[:, 0], across[:, 1] = -tangent[:, 1] * size, tangent[:, 0] * size
    return across


def outline_offsets(
    points_mm: Array, normal_mm: Array, width_mm: Array, crown_mm: float | Array, view: View, plane_z_mm: float
) -> tuple[Array, Array, Array]:
    """Perspective of the outline: phi (rad), and how far back's and belly's edge stand out by it (mm)."""
    centre = view.centre_mm
    phi = np.sum(normal_mm * (points_mm - centre[:2]), axis=1) / (centre[2] - plane_z_mm)
    size = np.abs(phi)
    half = 0.5 * width_mm
    sag = sagitta_mm(np.minimum(width_mm, 2 * crown_mm), crown_mm)
    back = np.where(size * crown_mm < half, 0.5 * crown_mm * phi**2, half * size - sag)
    return phi, back, half * size


def trace_limb(frame: Frame, model: LimbModel, expected_mm: Array, rounds: int = 3, scan: bool = False) -> LimbTrace:
    """Edges and centreline about an expected centreline (n, 2).

    ``scan``: the expectation may be off by a few pixels, try several places for each edge.
    """
    return trace_limbs(frame, (model,), (expected_mm,), rounds, scan)[0]


def trace_limbs(
    frame: Frame,
    models: Sequence[LimbModel],
    expected_mm: Sequence[Array],
    rounds: int = 3,
    scan: bool = False,
    polish: int = 2,
) -> tuple[LimbTrace, ...]:
    """Several limbs with the same number of stations in one go; see ``trace_limb`` and ``fit_edges``."""
    view, plane_z_mm, look = frame.view, frame.plane_z_mm, frame.look
    limbs, n = len(models), len(models[0].s_mm)

    def joined(values: Iterable[Array]) -> Array:
        return np.concatenate(list(values))

    spacing = [float(m.s_mm[1] - m.s_mm[0]) for m in models]
    lines = joined(expected_mm)
    width = joined(m.width_mm for m in models)
    crown = np.repeat([m.crown_mm for m in models], n)
    up_mm, low_mm = joined(m.up_mm for m in models), joined(m.low_mm for m in models)
    normal = joined(normals(line, m.sign) for line, m in zip(expected_mm, models, strict=True))
    outward = np.repeat([float(m.sign) for m in models], n)[:, None]
    tangent = np.stack([normal[:, 1], -normal[:, 0]], axis=1) * outward
    phi, out_back, out_belly = outline_offsets(lines, normal, width, crown, view, plane_z_mm)
    pixels = view.plane_to_pixels(joined([lines, lines + normal, lines + tangent]), plane_z_mm)
    base, across, along = pixels.reshape(3, -1, 2)
    across, along = across - base, (along - base) * np.repeat(spacing, n)[:, None]
    scale = np.sqrt(np.sum(across**2, axis=1))
    unit = across / scale[:, None]
    tau = np.arange(-HALF_WINDOW_PX, HALF_WINDOW_PX + 1, dtype=float)
    back_px, belly_px = (up_mm + out_back) * scale, (low_mm + out_belly) * scale
    reach = np.stack([back_px[:, None] + tau, -belly_px[:, None] - tau])  # (2, limbs n, profile)
    middle = base + np.stack([back_px, -belly_px])[..., None] * unit
    where = base[None, :, None, :] + reach[..., None] * unit[None, :, None, :]
    where = where[None] + np.array(SUBS)[:, None, None, None, None] * along[None, None, :, None, :]
    where = where.reshape(len(SUBS), 2 * limbs * n, len(tau), 2)
    seen, behind = channels(frame.now(where).mean(axis=0), frame.behind(where).mean(axis=0), frame.light, look.toward)
    sag = sagitta_mm(np.minimum(width, 2 * crown), crown)
    strip_back = np.where(phi < 0, width * np.abs(phi) + sag, np.maximum(sag + out_back - 0.5 * width * phi, 0))
    strip_belly = np.where(phi > 0, width * phi, 0.0)
    strips = joined([(strip_back + look.round_mm[0]) * scale, (strip_belly + look.round_mm[1]) * scale])
    half_px = np.tile(0.5 * (up_mm + low_mm) * scale, 2)
    smooth = window_of(SMOOTH_MM, float(np.mean(spacing)))
    start, reach = _by_hue(seen[1], half_px, look.noise[1], smooth, 2 * limbs)
    by_colour = np.isfinite(reach)
    by_hue = float(np.mean(by_colour)) > HUE_ENOUGH
    search = EdgeSearch(
        rounds=rounds,
        smooth=smooth,
        polish=polish,
        parts=2 * limbs,
        scan_px=SCAN_PX if scan and not by_hue else (),
        start_px=start if by_hue else None,
        reach_px=np.where(by_colour, reach, HALF_WINDOW_PX) if by_hue else None,
        inside_px=half_px + INSIDE_PX,
    )
    fit = fit_edges(seen, behind, strips, look.blur_px, look.noise, search)
    high, wide = frame.image.shape[:2]
    inside = np.all((middle > 8) & (middle < (wide - 9, high - 9)), axis=-1).ravel()
    outline = np.stack([up_mm + out_back, -(low_mm + out_belly)]).reshape(2, limbs, n)
    place, sd = _places(fit, inside, scale.reshape(limbs, n), look.blur_px[0], spacing)
    edge = outline + place
    misfit = np.minimum(fit.misfit, 6.0).reshape(2, limbs, n)
    traces = []
    for k, model in enumerate(models):
        offset, spread = _centre(model.s_mm, place[0, k], sd[0, k], place[1, k], sd[1, k])
        own, shown = normal[k * n : (k + 1) * n], float(np.mean(np.isfinite(offset)))
        traces.append(
            LimbTrace(
                points_mm=expected_mm[k],
                offset_mm=offset,
                sd_mm=spread,
                normal_mm=own,
                edges_mm=edge[:, k],
                seen=shown,
                misfit=float(np.mean(misfit[:, k])),
            )
        )
    return tuple(traces)


def _places(
    fit: EdgeFit, inside: NDArray[np.bool_], px_per_mm: Array, blur_px: float, spacing_mm: Sequence[float]
) -> tuple[Array, Array]:
    """Where each edge lies from its expected place, and its sd, mm (2, limbs, n); NaN where it was not found.

    ``inside`` (2 limbs n,): in the picture; ``px_per_mm`` (limbs, n).
    """
    limbs, n = px_per_mm.shape
    tau_px = np.where(inside & (fit.step > 4.0) & (fit.sd_px < 0.8), fit.tau_px, np.nan)
    # what grain and shading beside an edge shift it by: their size over the step, times the blur
    with np.errstate(divide="ignore", invalid="ignore"):
        grain_px = GRAIN * np.maximum(fit.misfit, 0.7) * blur_px / fit.step
    scale = px_per_mm.ravel()
    sd = np.sqrt(fit.sd_px**2 + grain_px**2 + FLOOR_PX**2).reshape(2, -1) / scale
    place, sd = _without_strays(
        (tau_px.reshape(2, -1) / scale * [[1.0], [-1.0]]).reshape(2 * limbs, n),
        sd.reshape(2 * limbs, n),
        window_of(STRAY_MM, float(np.mean(spacing_mm))),
    )
    return place.reshape(2, limbs, n), sd.reshape(2, limbs, n)


STRING_PX = 6.0
"""A string as near as this to the belly's edge lies in its profile, 7 px long, and drags the edge towards itself."""
STRING_END_MM = 45.0
"""Only so near to the last station: further in a string that lies so near lies along the limb, which bends back there."""
DRAG_PX = 2.0
"""More than so much no string drags an edge (independent rig's live session, 720p: by up to 1.1 px)."""


def dragged_mm(model: LimbModel, px_per_mm: float) -> float:
    """Over how much of its end the belly's edge of a limb at rest is dragged by the string, which runs from the nock to the middle, as long as it is.

    Args:
        px_per_mm: of the picture at the limb's end.
    """
    line = model.rest_mm
    way = (line[-1] - line[-9]) / np.linalg.norm(line[-1] - line[-9])
    nock = line[-1] + NOCK_CLEARANCE_MM * way
    half = 0.5 * model.string_mm
    if half <= abs(nock[0]):
        return 0.0
    string = np.array([-nock[0], -float(np.sqrt(half**2 - nock[0] ** 2))]) / half
    angle = abs(way[0] * string[1] - way[1] * string[0])
    return float(np.clip(STRING_PX / px_per_mm / max(angle, 1e-3) - NOCK_CLEARANCE_MM, 0.0, STRING_END_MM))


INSIDE_PX = 0.5
HUE_ENOUGH, HUE_LEAST = 0.6, 5.0
"""An edge is found by its hue alone where the wood's is this many times the noise; the limbs' are, where so much of their edges is."""
HUE_END = 0.15
"""The wood ends where its hue falls below this share of its own."""
HUE_REACH_PX = 1.5
"""What shading and the stored hues' half resolution shift an edge by, at most, against where the hue's half lies."""


def _by_hue(hue: Single, half_px: Array, noise: float, width: int, parts: int) -> tuple[Array, Array]:
    """Edges (n,) px by where the wood's hue ends, and how far the edge may be from there, NaN where hue does not tell.

    As much as the profile (n, m) has of the wood's own hue, counted outward from the limb's middle as far as it goes on, so far does the
    wood reach: a shadow's edge is none, and there is one answer, not two sides of a sliver.
    """
    m = hue.shape[1]
    tau = np.arange(m) - (m - 1) / 2
    inner = np.minimum(half_px, -tau[0])
    within = tau[None, :] >= -inner[:, None] - 0.5
    core = within & (tau[None, :] <= np.minimum(-0.45 * inner, -1.5)[:, None])
    level = np.nanmedian(np.where(core, hue, np.nan), axis=1)
    level = _running_median(level.reshape(parts, -1), width).ravel()
    own = np.abs(level) > HUE_LEAST * noise
    share = np.clip(hue / np.where(own, level, np.inf)[:, None], 0.0, 1.0)
    goes_on = np.cumprod(np.where(core | ~within, True, share > HUE_END), axis=1).astype(bool) & within
    # a sample counts for the px about it; the first one only as far as the middle
    first = np.argmax(within, axis=1)
    begin = tau[first] - 0.5
    place = begin + np.sum(np.where(goes_on, np.where(core, 1.0, share), 0.0), axis=1)
    place = _running_median(np.where(own, place, np.nan).reshape(parts, -1), 5).ravel()
    good = own & np.isfinite(place) & (np.abs(place) < HALF_WINDOW_PX - 2.5)
    return np.where(good, place, 0.0), np.where(good, HUE_REACH_PX, np.nan)


def _running_median(rows: Array, width: int) -> Array:
    """Median (k, n) over ``width`` neighbours along each row, NaN left out."""
    half = width // 2
    padded = np.pad(rows, ((0, 0), (half, half)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=1)
    flat = windows.reshape(rows.size, -1)
    return _nanmedian(flat, np.sum(np.isfinite(flat), axis=1)).reshape(rows.shape)


def _centre(s_mm: Array, up: Array, sd_up: Array, low: Array, sd_low: Array) -> tuple[Array, Array]:
    """Place of the limb across the expected line and its sd from those of its back's and its belly's edge, (n,) each.

    The belly's edge is a corner; the back's is the rim of a round that shades off differently in every
    pose. Where both are seen the back's edge is referred to the belly's by their smoothed difference, and
    serves to bridge what hides the belly's edge.
    """
    drift = smooth_offsets(s_mm, up - low, np.hypot(sd_up, sd_low), 80.0)
    if np.all(np.isfinite(drift)):
        up = up - drift
    else:
        sd_up = sd_up + 0.5
    sd_up = np.hypot(sd_up, BACK_SD_MM)
    clash = np.abs(up - low) > 3.0 * np.hypot(sd_up, sd_low) + 0.3
    up = np.where(clash, np.nan, up)
    weight_up = np.where(np.isfinite(up), 1 / sd_up**2, 0.0)
    weight_low = np.where(np.isfinite(low), 1 / sd_low**2, 0.0)
    total = weight_up + weight_low
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = np.where(total > 0, (np.nan_to_num(up) * weight_up + np.nan_to_num(low) * weight_low) / total, np.nan)
        spread = np.where(total > 0, 1 / np.sqrt(total), np.nan)
    return offset, spread


def window_of(length_mm: float, spacing_mm: float) -> int:
    """The odd number of stations that spans a length, 5 at least."""
    count = length_mm / spacing_mm
    return max(5, 2 * int(count // 2) + 1)


def _without_strays(place: Array, sd: Array, width: int) -> tuple[Array, Array]:
    """Takes out values off the running median of their neighbours (string, grid line, clutter), along each row (k, n)."""
    rows, n = place.shape
    half = width // 2
    padded = np.concatenate([place[:, half:0:-1], place, place[:, -2 : -half - 2 : -1]], axis=1)
    windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=1).reshape(rows * n, width)
    count = np.sum(np.isfinite(windows), axis=1)
    with np.errstate(all="ignore"):
        middle = _nanmedian(windows, count)
        spread = 1.4826 * _nanmedian(np.abs(windows - middle[:, None]), count)
        gap = np.abs(place.ravel() - middle)
    bad = ((count < 4) | ~(gap <= 4.0 * np.maximum(spread, 0.12) + 0.15)).reshape(rows, n)
    return np.where(bad, np.nan, place), np.where(bad, np.nan, sd)


def _nanmedian(rows: Array, count: NDArray[np.int_]) -> Array:
    """Median of each row's ``count`` numbers, its NaN left out; NaN where there is nothing (quicker than numpy's)."""
    ordered = np.sort(rows, axis=1)
    index = np.arange(len(rows))
    low = ordered[index, np.maximum((count - 1) // 2, 0)]
    high = ordered[index, np.maximum(count // 2, 0).clip(max=rows.shape[1] - 1)]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


@lru_cache(maxsize=64)
def _smooth_basis(first: float, spacing: float, count: int, knot_spacing: float) -> tuple[Array, Array]:
    """Cubic B-spline basis on evenly spaced stations, and the second-difference penalty of its coefficients."""
    s = np.asarray(first + spacing * np.arange(count), dtype=float)
    basis = cubic_basis(s, np.arange(s[0], s[-1], knot_spacing)[1:])
    bend = np.diff(np.eye(basis.shape[1]), 2, axis=0) * 0.3
    return basis, bend.T @ bend


def smooth_basis(s_mm: Array, knot_spacing_mm: float) -> Array:
    """Cubic B-spline basis (n, k) on evenly spaced stations (n,)."""
    return _smooth_basis(float(s_mm[0]), float(s_mm[1] - s_mm[0]), len(s_mm), knot_spacing_mm)[0]


def smooth_offsets(s_mm: Array, offset_mm: Array, sd_mm: Array, spacing_mm: float = 60.0) -> Array:
    """Measured offsets as a smooth line (n,), a robust cubic spline with knots every ``spacing_mm``.

    For following the limb from picture to picture only; gaps are bridged. NaN where fewer than 8 values are seen.
    """
    good = np.isfinite(offset_mm) & np.isfinite(sd_mm)
    if np.count_nonzero(good) < 8:
        return np.full(len(s_mm), np.nan)
    basis, penalty = _smooth_basis(float(s_mm[0]), float(s_mm[1] - s_mm[0]), len(s_mm), spacing_mm)
    sure = 1.0 / np.maximum(np.where(good, sd_mm, 2.0), 0.1)
    value = np.where(good, offset_mm, 0.0)
    weight = sure
    for _ in range(3):
        heavy = basis * (weight**2)[:, None]
        coef = np.linalg.solve(heavy.T @ basis + penalty, heavy.T @ value)
        rest = np.abs(value - basis @ coef)
        weight = np.where(good, sure / np.sqrt(1 + (rest / 0.6) ** 2), 0.05)
    return np.asarray(basis @ coef, dtype=float)


def restation(points_mm: Array, s_mm: Array, anchor_x_mm: float) -> Array:
    """The same line, its points moved along it to the arc lengths ``s_mm``.

    The first station stays where it was across the rack (``anchor_x_mm``): the handle rocks in its
    cradle by fractions of a degree and does not slide.
    """
    line = Line.through(points_mm)
    start = 0.0
    for _ in range(2):  # Newton; the slope hardly changes over a millimetre
        place, tangent = line.at(np.array([start]))
        slope = float(tangent[0, 0])
        start += float(np.clip((anchor_x_mm - float(place[0, 0])) / slope, -20.0, 20.0)) if abs(slope) > 0.2 else 0.0
    return line.at(s_mm - s_mm[0] + start)[0]


def as_bent(
    points_mm: Array,
    model: LimbModel,
    seen: NDArray[np.bool_],
    rounds: int = 3,
    unseen: float = 0.03,
    stiff: float = 0.0,
) -> Array:
    """The nearest line that is the rest shape bent smoothly, (n, 2).

    The change of tangent angle from rest is fitted by a cubic spline with knots every 130 mm whose
    slope is zero at the nock (no moment there). Keeps what is followed from picture to picture free
    of what was picked up by mistake; measured places are offsets from the line and lose nothing.
    ``unseen``: weight of stations that were not seen; ``stiff``: how much the bending is held level from knot to knot.
    """
    sign = model.sign

    def angle(line: Array) -> Array:
        step = np.diff(line, axis=0)
        return np.unwrap(np.arctan2(step[:, 1], step[:, 0] * sign))

    rest, now = angle(model.rest_mm), angle(points_mm)
    mid = 0.5 * (model.s_mm[1:] + model.s_mm[:-1])
    full, _ = _smooth_basis(float(mid[0]), float(mid[1] - mid[0]), len(mid), 130.0)
    basis = np.column_stack([full[:, :-2], full[:, -2] + full[:, -1]])
    turn = np.diff(np.eye(basis.shape[1]), 2, axis=0)
    ridge = 1e-6 * np.eye(basis.shape[1]) + stiff * turn.T @ turn
    sure = np.where(seen[1:] & seen[:-1], 1.0, unseen)
    weight = sure
    for _ in range(rounds):
        heavy = basis * (weight**2)[:, None]
        coef = np.linalg.solve(heavy.T @ basis + ridge, heavy.T @ (now - rest))
        left = np.abs(now - rest - basis @ coef)
        scale = 1.4826 * float(np.median(left)) + 1e-4
        weight = sure / np.sqrt(1 + (left / (2 * scale)) ** 2)
    bent = rest + basis @ coef
    step = np.diff(model.s_mm)
    line = np.cumsum(np.column_stack([sign * np.cos(bent) * step, np.sin(bent) * step]), axis=0)
    return np.vstack([points_mm[:1], points_mm[0] + line])


CRADLE_CLEAR_MM = 10.0
"""So far from the cradle's end a limb is seen free of it."""
ROOT_PLAY_MM = 3.0
"""The handle sits in its cradle: a limb's root does not leave its place by more than this (common practice, no source)."""
MOST_BEND_PER_MM = 2.5e-3
"""No wooden handle bends more: 2 % of strain in a handle 16 mm thick."""


def blank_model(bow: Bow, side: Side, cradle_half_mm: float = CRADLE_HALF_MM) -> LimbModel:
    """The limb before it was seen: stations and caliper sizes, edges at half the thickness, rest unknown.

    Args:
        cradle_half_mm: how far the cradle hides the bow, from the pivot.
    """
    limb = bow.limb(side)
    start = max(limb.working_from_mm + 2.0, cradle_half_mm + CRADLE_CLEAR_MM)
    # a handle that bends takes the root along
    play = ROOT_PLAY_MM + (0.5 * MOST_BEND_PER_MM * start**2 if limb.working_from_mm < start - 2.0 else 0.0)
    s = np.arange(start, limb.length_mm - NOCK_CLEARANCE_MM, SPACING_MM)
    width, thickness = limb.width_at(s), limb.thickness_at(s)
    crown = bow.crown_radius_mm if bow.crown_radius_mm is not None else CROWN_GUESS_MM
    crown = max(crown, 0.5 * float(np.max(width)) + 1e-6)
    sign = int(side.sign)
    rest = np.column_stack([sign * s, np.full(len(s), 20.0)])
    edge = 0.5 * thickness
    return LimbModel(
        side=side,
        sign=sign,
        s_mm=s,
        width_mm=width,
        thickness_mm=thickness,
        crown_mm=crown,
        up_mm=edge,
        low_mm=edge,
        rest_mm=rest,
        root_play_mm=play,
        string_mm=bow.string.length_mm,
    )


def held_by_cradle(line: Array, model: LimbModel) -> Array:
    """The line with its root brought back to within the cradle's play, over the first 80 mm."""
    away = float(line[0, 1] - model.rest_mm[0, 1])
    back = float(np.clip(away, -model.root_play_mm, model.root_play_mm)) - away
    if back == 0.0:
        return line
    share = np.clip(1.0 - (model.s_mm - model.s_mm[0]) / 80.0, 0.0, 1.0)
    return np.asarray(line + np.column_stack([np.zeros(len(line)), back * share]), dtype=float)


def referred_to(trace: LimbTrace, points: Array, model: LimbModel) -> LimbTrace:
    """The trace with its measured places referred to the line ``points``.

    A measured point may sit a few mm along the line from its station; across the line that makes a
    difference of second order (curvature x slip^2 / 2 < 0.01 mm), which is left out.
    """
    measured = trace.points_mm + trace.offset_mm[:, None] * trace.normal_mm
    normal = normals(points, model.sign)
    away = np.sum((trace.points_mm - points) * normal, axis=1)
    return replace(
        trace,
        points_mm=points,
        normal_mm=normal,
        offset_mm=np.sum((measured - points) * normal, axis=1),
        edges_mm=trace.edges_mm + away,
    )
