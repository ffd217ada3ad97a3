"""Following the bow from one live picture to the next: both limbs in one go, on stations 10 mm apart.

What a measurement needs of a picture (every 5 mm, the limb sought about its place) is done by
``pull.see_drawn``; here the limb is known to be within a millimetre of where it just was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import SIDES, Side
from tiller.vision.limb import LimbModel, LimbTrace, as_bent, smooth_basis, smooth_offsets, trace_limbs
from tiller.vision.pull import Scene, Shape, held_by_cradle, referred_to, see_hook
from tiller.vision.seek import Image

Array = NDArray[np.float64]

FOLLOWING_SPACING_MM = 10.0
BEND_KNOTS_MM = 130.0
AS_EXPECTED_MM = 1.2
"""A limb that moved further than this is looked at again about its new place."""


def coarser(models: Mapping[Side, LimbModel], spacing_mm: float = FOLLOWING_SPACING_MM) -> dict[Side, LimbModel]:
    """The limbs on fewer stations, the same number on both."""
    count = max(12, *(round((m.s_mm[-1] - m.s_mm[0]) / spacing_mm) + 1 for m in models.values()))
    out: dict[Side, LimbModel] = {}
    for side in SIDES:
        model = models[side]
        s = np.linspace(model.s_mm[0], model.s_mm[-1], count)

        def at(values: Array, s: Array = s, model: LimbModel = model) -> Array:
            return np.interp(s, model.s_mm, values)

        rest = np.column_stack([at(model.rest_mm[:, 0]), at(model.rest_mm[:, 1])])
        out[side] = replace(
            model,
            s_mm=s,
            width_mm=at(model.width_mm),
            thickness_mm=at(model.thickness_mm),
            up_mm=at(model.up_mm),
            low_mm=at(model.low_mm),
            rest_mm=rest,
        )
    return out


def onto(line_mm: Array, fine: LimbModel, coarse: LimbModel) -> Array:
    """A line on one model's stations, (n, 2), put on the other's."""
    return np.column_stack([np.interp(coarse.s_mm, fine.s_mm, line_mm[:, k]) for k in (0, 1)])


@dataclass(frozen=True)
class Followed:
    """Where the bow was in the last picture: a line (n, 2) for each limb, and the hook's fiducial in pixels."""

    lines: Mapping[Side, Array]
    hook_px: Array | None


LINE_SD_MM, LINE_REACH_MM = 0.12, 60.0
"""A live line errs by this much over stretches of this length, whatever its residuals say (set on simulated pulls)."""


def bend_of(line_mm: Array, model: LimbModel) -> tuple[Array, Array]:
    """Change of curvature from rest (n,) 1/mm, positive as drawing bends, and its sd: for the eye while the bow moves.

    The change of tangent angle as a cubic spline with knots every 130 mm; a spot shorter than that is flattened.
    """
    s, sign = model.s_mm, model.sign

    def angle(line: Array) -> Array:
        step = np.diff(line, axis=0)
        return np.unwrap(np.arctan2(step[:, 1], step[:, 0] * sign))

    change = angle(model.rest_mm) - angle(line_mm)
    mid = 0.5 * (s[1:] + s[:-1])
    full = smooth_basis(mid, BEND_KNOTS_MM)
    basis = np.column_stack([full[:, :-2], full[:, -2] + full[:, -1]])  # no moment at the nock
    inverse = np.linalg.inv(basis.T @ basis + 1e-6 * np.eye(basis.shape[1]))
    coef = inverse @ (basis.T @ change)
    left = change - basis @ coef
    spread = float(np.sqrt(np.mean(left**2))) + 1e-5
    # neighbours err alike: as many values are worth fewer (effective sample size of an AR(1) series)
    alike = float(np.clip(np.sum(left[1:] * left[:-1]) / np.sum(left**2), 0.0, 0.9))
    spread *= np.sqrt((1 + alike) / (1 - alike))
    slopes = np.gradient(basis, mid, axis=0)
    bend = slopes @ coef
    sd = spread * np.sqrt(np.einsum("ij,jk,ik->i", slopes, inverse, slopes))
    sd = np.hypot(sd, LINE_SD_MM / LINE_REACH_MM**2)
    return np.interp(s, mid, bend), np.interp(s, mid, sd)


def follow(scene: Scene, image: Image, models: Mapping[Side, LimbModel], last: Followed) -> tuple[Shape, Followed]:
    """The bow in the next picture, and what to go on with.

    Args:
        models: both limbs with the same number of stations (``coarser``).

    A limb that is not seen (``seen`` below a half) keeps its last line; then it must be found anew (``pull.see_drawn``).
    """
    hook, centre, shift = see_hook(scene, image, last.hook_px, watch=1)
    view, z = scene.board.view, scene.rig.bow_plane_z_mm
    lines = [last.lines[side] for side in SIDES]
    both = [models[side] for side in SIDES]
    out: list[LimbTrace] = []
    for _ in range(3):
        out = []
        largest = 0.0
        for model, trace in zip(
            both, trace_limbs(image, scene.empty, view, z, both, lines, scene.look, rounds=1, polish=1), strict=True
        ):
            moved = smooth_offsets(model.s_mm, trace.offset_mm, trace.sd_mm, 100.0)
            if not np.all(np.isfinite(moved)):
                out.append(trace)
                continue
            largest = max(largest, float(np.max(np.abs(moved))))
            line = trace.points_mm + moved[:, None] * trace.normal_mm
            line = held_by_cradle(
                as_bent(line, model, np.isfinite(trace.offset_mm), rounds=2, unseen=1e-3, stiff=0.0001), model
            )
            out.append(referred_to(trace, line, model))
        lines = [trace.points_mm for trace in out]
        if largest < AS_EXPECTED_MM:
            break
    limbs = dict(zip(SIDES, out, strict=True))
    px = centre if centre is not None else last.hook_px
    return Shape(hook, limbs, shift, centre), Followed({side: t.points_mm for side, t in limbs.items()}, px)
