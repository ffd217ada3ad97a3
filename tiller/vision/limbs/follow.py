"""Following the bow from one live picture to the next: both limbs in one go, on stations 10 mm apart.

The hook's fiducial is found wherever it is, so the draw is known before the limbs are looked at, and they are expected where
the shapes seen so far at other draws put them; a limb is captured within some 5 px of that. Whether the line found lies on wood
is checked against the picture of the empty rack; where it does not, the limb is sought as a measurement seeks it (``see_limb``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair, of_sides
from tiller.vision.limbs.expected import Bending, Shown, expected
from tiller.vision.limbs.frame import Frame
from tiller.vision.limbs.light import Image, Light
from tiller.vision.limbs.limb import (
    LimbModel,
    LimbTrace,
    as_bent,
    held_by_cradle,
    referred_to,
    smooth_basis,
    smooth_offsets,
    trace_limbs,
)
from tiller.vision.limbs.pull import ENOUGH_SEEN, Scene, Shape, see_limb, stand
from tiller.vision.limbs.wood import distinct_share, on_wood, without_cover
from tiller.vision.rig.board import SeenHook

Array = NDArray[np.float64]

FOLLOWING_SPACING_MM = 10.0
BEND_KNOTS_MM = 130.0
AS_EXPECTED_MM, STIFF = 1.2, 0.1
"""A limb that moved further than this is looked at again about its new place; how smoothly it departs from what was expected."""


def coarser(models: Pair[LimbModel], spacing_mm: float = FOLLOWING_SPACING_MM) -> Pair[LimbModel]:
    """The limbs on fewer stations, the same number on both."""
    count = max(12, *(round((m.s_mm[-1] - m.s_mm[0]) / spacing_mm) + 1 for m in models))

    def one(model: LimbModel) -> LimbModel:
        s = np.linspace(model.s_mm[0], model.s_mm[-1], count)

        def at(values: Array) -> Array:
            return np.interp(s, model.s_mm, values)

        rest = np.column_stack([at(model.rest_mm[:, 0]), at(model.rest_mm[:, 1])])
        return replace(
            model,
            s_mm=s,
            width_mm=at(model.width_mm),
            thickness_mm=at(model.thickness_mm),
            up_mm=at(model.up_mm),
            low_mm=at(model.low_mm),
            rest_mm=rest,
            wood=None
            if model.wood is None
            else np.column_stack([at(model.wood[:, k].astype(float)) for k in range(3)]).astype(np.float32),
            dressed=None if model.dressed is None else at(model.dressed.astype(float)) > 0.25,
        )

    return models.each(one)


def onto(line_mm: Array, fine: LimbModel, coarse: LimbModel) -> Array:
    """A line on one model's stations, (n, 2), put on the other's."""
    return np.column_stack([np.interp(coarse.s_mm, fine.s_mm, line_mm[:, k]) for k in (0, 1)])


@dataclass(frozen=True)
class Known:
    """What following must know of a bow (``known_at_rest``).

    Attributes:
        bending: where the limbs are to be expected, on ``coarse``'s stations.
        fine: the limbs as measured; coarse: on fewer stations, the same number on both.
        distinct: share of the stations before which a line beside the limb would differ from it.
    """

    bending: Bending
    fine: Pair[LimbModel]
    coarse: Pair[LimbModel]
    distinct: Pair[float]


def known_at_rest(bow: Bow, rest: Frame, models: Pair[LimbModel]) -> Known:
    """What following must know, from the picture in which the limbs at rest were found."""
    coarse = coarser(models)
    return Known(Bending.of(bow, coarse), models, coarse, of_sides(lambda side: distinct_share(rest, coarse[side])))


@dataclass(frozen=True)
class Followed:
    """Where the bow was in the last picture.

    Attributes:
        lines: (n, 2) for each limb; hook_px: the hook's fiducial in pixels, None where it was not seen.
        shapes: the string's seats and the lines there, as seen since the rest shape was taken; the newest of each ``SHAPE_STEP_MM`` of draw.
    """

    lines: Pair[Array]
    hook_px: Array | None
    shapes: tuple[Shown, ...] = ()


SHAPE_STEP_MM = 8.0
ASIDE_MM = 110.0
"""A hook this far from the pivot's line hangs aside, not on the string."""
SEEK_MM, WIDE_MM = 45.0, 140.0
"""A limb that is not captured is sought so far about its expected place; as wide as this where the draw is not known."""


def draw_of(hook: SeenHook | None) -> float | None:
    """The draw in mm where the hook is on the string, else None."""
    if hook is None or abs(float(hook.seat_mm[0])) >= ASIDE_MM:
        return None
    return -float(hook.seat_mm[1])


def guess(known: Known, last: Followed, hook: SeenHook | None) -> Pair[Array]:
    """Where the limbs (n, 2) are to be expected: by the string where the hook is on it, else the last lines."""
    if hook is None or draw_of(hook) is None:
        return last.lines
    return expected(known.bending, last.shapes, hook.seat_mm)


LINE_SD_MM, LINE_REACH_MM = 0.12, 60.0
"""A live line errs by this much over stretches of this length, whatever its residuals say (set on simulated pulls of tests/live/test_following.py;
independent rig, one live session: 0.6 % of the stations lie off the limb by more than 3 mm)."""


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


def follow(
    scene: Scene, image: Image, known: Known, last: Followed, light: Light | None = None, patient: bool = True
) -> tuple[Shape, Followed]:
    """The bow in the next picture, and what to go on with; ``light``: the picture's, if it is known; ``patient``: as in ``stand``.

    A limb that is not found has ``seen`` below a half, and the shape at this draw is not kept; the next picture is
    looked at from where it was expected.
    """
    stood = stand(scene, image, last.hook_px, watch=1, light=light, patient=patient)
    frame, hook, centre = stood.frame, stood.hook, stood.hook_px
    draw = draw_of(hook)
    about = guess(known, last, hook)
    limbs = _trace(frame, known, about)
    sure = of_sides(lambda side: on_wood(frame, known.coarse[side], limbs[side].points_mm))
    if not all(good and limbs[side].seen >= ENOUGH_SEEN for side, (_, good) in sure.items()):
        limbs, sure = _seek(frame, known, about, limbs, sure, SEEK_MM if draw is not None else WIDE_MM)
    limbs = Pair(
        *(
            trace if good else replace(trace, seen=min(trace.seen, share, LOST_SEEN))
            for trace, (share, good) in zip(limbs, sure, strict=True)
        )
    )
    found = of_sides(lambda side: sure[side][1] and limbs[side].seen >= ENOUGH_SEEN)
    lines = of_sides(lambda side: limbs[side].points_mm if found[side] else about[side])
    shapes = last.shapes
    if hook is not None and draw is not None and all(found):
        cell = round(draw / SHAPE_STEP_MM)
        shapes = (*(item for item in shapes if round(-item[0][1] / SHAPE_STEP_MM) != cell), (hook.seat_mm, lines))
    px = centre if centre is not None else last.hook_px
    return Shape(
        hook=hook, limbs=limbs, shift_px=stood.shift_px, hook_px=centre, view=frame.view, light=frame.light
    ), Followed(lines, px, shapes)


LOST_SEEN = 0.4
"""What a limb that is not where it is followed counts as seen, at most."""


def _seek(
    frame: Frame,
    known: Known,
    about: Pair[Array],
    limbs: Pair[LimbTrace],
    sure: Pair[tuple[float, bool]],
    reach_mm: float,
) -> tuple[Pair[LimbTrace], Pair[tuple[float, bool]]]:
    """Limbs that were not captured sought as a measurement does, far about where they were expected; the better of both is kept."""
    lines = limbs.each(lambda trace: trace.points_mm)
    for side in SIDES:
        if not sure[side][1] or limbs[side].seen < ENOUGH_SEEN:
            fine, coarse = known.fine[side], known.coarse[side]
            around = np.column_stack([np.interp(fine.s_mm, coarse.s_mm, about[side][:, k]) for k in (0, 1)])
            lines = lines.put(side, onto(see_limb(frame, fine, around, reach_mm).points_mm, fine, coarse))
    again = _trace(frame, known, lines)
    kept, judged = limbs, sure
    for side in SIDES:
        found = on_wood(frame, known.coarse[side], again[side].points_mm)
        if (found[1], again[side].seen * found[0]) > (sure[side][1], limbs[side].seen * sure[side][0]):
            kept, judged = kept.put(side, again[side]), judged.put(side, found)
    return kept, judged


def _trace(frame: Frame, known: Known, about: Pair[Array]) -> Pair[LimbTrace]:
    """Both limbs traced about where they are expected."""
    lines = [about[side] for side in SIDES]
    both = [known.coarse[side] for side in SIDES]
    out: list[LimbTrace] = []
    for _ in range(3):
        out = []
        largest = 0.0
        for model, raw in zip(both, trace_limbs(frame, both, lines, rounds=1, polish=1), strict=True):
            trace = without_cover(frame, raw, model)
            moved = smooth_offsets(model.s_mm, trace.offset_mm, trace.sd_mm, 100.0)
            if not np.all(np.isfinite(moved)):
                out.append(trace)
                continue
            largest = max(largest, float(np.max(np.abs(moved))))
            line = trace.points_mm + moved[:, None] * trace.normal_mm
            line = held_by_cradle(
                as_bent(
                    line,
                    replace(model, rest_mm=about[model.side]),
                    np.isfinite(trace.offset_mm),
                    rounds=2,
                    unseen=1e-3,
                    stiff=STIFF,
                ),
                model,
            )
            out.append(referred_to(trace, line, model))
        lines = [trace.points_mm for trace in out]
        if largest < AS_EXPECTED_MM:
            break
    return Pair(*out)
