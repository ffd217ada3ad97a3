"""A whole pull: rest shape first, then every picture, each expected from the ones before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.rigfile import Rig
from tiller.bow.sides import SIDES, Pair, Side, of_sides
from tiller.children import SecondProcess
from tiller.errors import VisionFault
from tiller.vision.limbs.expected import Bending, Shown, expected, reach_of
from tiller.vision.limbs.frame import Frame, Look, Moved, picture_noise
from tiller.vision.limbs.light import DARKER_GREY, Image, Light, Single, beyond_light, find_light, shrink_of, smaller
from tiller.vision.limbs.limb import (
    LimbModel,
    LimbTrace,
    as_bent,
    blank_model,
    held_by_cradle,
    normals,
    outline_offsets,
    referred_to,
    restation,
    smooth_offsets,
    trace_limb,
)
from tiller.vision.limbs.seek import SEEK_NOISE, Stretch, find_band, lone_band
from tiller.vision.limbs.wood import coloured, on_wood, without_cover
from tiller.vision.rig.board import (
    Care,
    Key,
    SeenBoard,
    SeenHook,
    board_pose,
    crossing,
    find_markers,
    find_near,
    hook_seat,
    pose_now,
)
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]

ENOUGH_SEEN = 0.5
"""A picture with less than this share of a limb's stations in sight is not used for that limb."""


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What stays the same through a pull: the empty rack, the camera over it, and how pictures look.

    ``empty_small`` is the empty rack's picture made ``smaller``.
    """

    rig: Rig
    bow: Bow
    empty: Image
    empty_small: Single
    board: SeenBoard
    look: Look


@dataclass(frozen=True)
class Stand:
    """A picture of the pull before its limbs are looked at: how camera and light stand, and where the hook is.

    Attributes:
        frame: the picture against the empty rack's.
        hook: the string's seat; None where the hook's fiducial is hidden. hook_px: the fiducial's centre.
        shift_px: how far the board's fiducials moved in the picture since the empty rack (median); NaN if unseen.
    """

    frame: Frame
    hook: SeenHook | None
    hook_px: Array | None
    shift_px: float


@dataclass(frozen=True, kw_only=True)
class Shape:
    """The bow in one picture.

    Attributes:
        hook: the string's seat; None where the hook's fiducial is hidden.
        limbs: both limbs.
        shift_px: how far the board's fiducials moved in the picture since the empty rack (median); NaN if unseen.
        hook_px: the hook fiducial's centre.
        view: where the camera stood; light: how the light differed from that of the empty rack's picture.
    """

    hook: SeenHook | None
    limbs: Pair[LimbTrace]
    shift_px: float
    hook_px: Array | None
    view: View
    light: Light


@dataclass(frozen=True)
class Known:
    """What the pictures so far have shown: the limbs' lines by where the string's seat was, and where the hook was last."""

    shapes: tuple[Shown, ...] = ()
    hook_px: Array | None = None


def gray(image: Image) -> NDArray[np.uint8]:
    """8-bit grey."""
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def fiducials_of(rig: Rig) -> tuple[Key, ...]:
    """Dictionary and id of every marker of a rig, the hook's included."""
    return (*((f.dictionary, f.id) for f in rig.fiducials), (rig.hook.dictionary, rig.hook.id))


def check_size(image: Image, rig: Rig, name: str) -> None:
    """Refuses a picture of another size than the lens was calibrated for.

    Raises:
        VisionFault: sizes differ.
    """
    height, width = image.shape[:2]
    if (width, height) != rig.lens.image_size:
        want = rig.lens.image_size
        msg = (
            f"{name} is {width}x{height} pixels but the lens in rig.toml was calibrated at {want[0]}x{want[1]}:"
            " set the camera to that size, or calibrate the lens at this one."
        )
        raise VisionFault(msg)


DARK_LEVEL = 12.0
"""A picture of this mean level shows nothing to measure by."""


def check_light(image: Image, name: str) -> None:
    """Refuses a picture that is dark all over.

    Raises:
        VisionFault: it is.
    """
    if float(image[::8, ::8].mean()) < DARK_LEVEL:
        msg = f"{name} is too dark, almost black: light the rack, or raise the camera's exposure"
        raise VisionFault(msg)


def set_scene(rig: Rig, bow: Bow, empty: Image, name: str = "the empty-rack picture") -> Scene:
    """The scene from the picture of the empty rack.

    Raises:
        VisionFault: wrong size, no board or too few fiducials.
    """
    check_size(empty, rig, name)
    check_light(empty, name)
    board = board_pose(find_markers(gray(empty), fiducials_of(rig)), rig)
    small = smaller(empty)
    luma, hue, chroma = picture_noise(empty)
    look = Look(blur_px=(0.8, 1.4), noise=(luma, hue), seek_noise=SEEK_NOISE * float(np.hypot(luma, chroma)))
    return Scene(rig=rig, bow=bow, empty=empty, empty_small=small, board=board, look=look)


def empty_seen_from(scene: Scene, moved: Moved | None) -> Single:
    """The empty rack's picture made ``smaller``, as a camera that moved sees it."""
    if moved is None:
        return scene.empty_small
    by = shrink_of(scene.empty)
    height, width = scene.empty_small.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    pixels = np.stack([x, y], axis=-1).astype(float) * by + 0.5 * (by - 1)
    there = ((moved.to_empty(pixels) - 0.5 * (by - 1)) / by).astype(np.float32)
    seen = cv2.remap(scene.empty_small, there[..., 0], there[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, dtype=np.float32)


def frame_of(scene: Scene, image: Image, view: View | None = None, light: Light | None = None) -> Frame:
    """A picture against the empty rack's; ``view`` where the camera stands elsewhere now, ``light`` where it was found already."""
    moved = Moved.between(view, scene.board.view) if view is not None else None
    if light is None:
        light = find_light(smaller(image), empty_seen_from(scene, moved))
    light = replace(light, darker=scene.look.darker)
    return Frame(
        image=image,
        empty=scene.empty,
        view=view or scene.board.view,
        plane_z_mm=scene.rig.bow_plane_z_mm,
        look=scene.look,
        light=light,
        moved=moved,
    )


def _must_be_inside(scene: Scene, view: View, side: Side, nock_mm: Array) -> None:
    x, y = view.plane_to_pixels(nock_mm, scene.rig.bow_plane_z_mm)[0]
    width, height = scene.rig.lens.image_size
    if not (8 <= x < width - 8 and 8 <= y < height - 8):
        msg = (
            f"The bow is partly out of the picture: the {side} nock would be at pixel ({x:.0f}, {y:.0f}) of {width}x{height};"
            " move the camera back or turn it until both nocks and the hook's whole travel are in view."
        )
        raise VisionFault(msg)


LEVEL_STEP_MM = 4.0
AT_CRADLE_MM, INNER_SHARE, APART_SHARE, ALONG_SHARE = 30.0, 0.9, 0.05, 0.92
"""A bow in the picture of the empty rack begins this near the cradle, and stands out by so much of what is beside it along so much of its
inner part (set on simulated pulls of tests/pulls/test_empty_rack.py; right in all nine recordings of the independent rig, empty and with the bow)."""


def _level(bow: Bow, side: Side, model: LimbModel, start_mm: float | None, share: float = 1.0) -> tuple[Array, Stretch]:
    """Where a limb is sought: distances out from the pivot (n,), of its length this inner share, and a level line there."""
    out = np.arange(max(model.s_mm[0] - 10, 40.0), bow.limb(side).length_mm + 4, LEVEL_STEP_MM)
    out = out[out <= share * out[-1]]
    stretch = Stretch(
        line_mm=np.column_stack([model.sign * out, np.full(len(out), 15.0)]),
        normal_mm=np.tile([0.0, 1.0], (len(out), 1)),
        thickness_mm=bow.limb(side).thickness_at(out) + 2.0,
        reach_mm=(190.0, 160.0),
        spacing_mm=LEVEL_STEP_MM,
        start_mm=start_mm,
    )
    return out, stretch


def lies_there_already(scene: Scene) -> bool:
    """Whether the picture of the empty rack itself shows something like a bow in the cradle: on both sides a band as wide as the limb
    that begins at the cradle and stands out from what is above and below it. A shelf behind the rack at that height may look so too."""
    for side in SIDES:
        model = blank_model(scene.bow, side, scene.rig.cradle_half_mm)
        _, stretch = _level(scene.bow, side, model, 5.0, INNER_SHARE)
        band = lone_band(scene.empty, scene.board.view, scene.rig.bow_plane_z_mm, stretch)
        if abs(band.offset_mm[0] - 5.0) > AT_CRADLE_MM or np.mean(band.evidence > APART_SHARE) < ALONG_SHARE:
            return False
    return True


def _rough_rest(scene: Scene, frame: Frame, model: LimbModel) -> Array:
    """The limb at rest to a millimetre or two, (n, 2), found as a band along a level line.

    Raises:
        VisionFault: not found, or partly out of the picture.
    """
    bow = scene.bow
    side = model.side
    out, stretch = _level(bow, side, model, None)
    line, up = stretch.line_mm, stretch.normal_mm
    _must_be_inside(scene, frame.view, side, line[-1])
    band = find_band(frame, stretch, scene.look.seek_noise)
    good = band.evidence > 2.5
    if np.mean(good) < 0.6:
        msg = (
            f"The {side} limb is not found in the rest picture: only {100 * np.mean(good):.0f} % of its length stands out from the"
            " empty rack; check that the empty picture was taken with the bow off the rack, that nothing stands before the bow, that there is enough light,"
            " and that the wall is not of the wood's own colour (hang a sheet of another one behind it)."
        )
        raise VisionFault(msg)
    offset = smooth_offsets(out, band.offset_mm, np.where(good, 1.0, 20.0), 90.0)
    points = line + offset[:, None] * up
    # s along the back from the pivot: the part hidden by the cradle is as good as straight
    slope = np.arctan(np.polyfit(out[:12], points[:12, 1], 1)[0])
    arc = out[0] / np.cos(slope) + np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    expected = np.column_stack([np.interp(model.s_mm, arc, points[:, k]) for k in (0, 1)])
    _must_be_inside(scene, frame.view, side, expected[-1])
    return expected


TIP_MM, BEFORE_TIP_MM, KINK_MM = 25.0, 70.0, 8.0
"""Over the last stations the string's loop and slack hide the limb's edges now and then (set on simulated pulls of tests/pulls; part of what the independent rig's figures rest on)."""


def level_tip(points_mm: Array, s_mm: Array) -> Array:
    """The line (n, 2) with its last ``TIP_MM`` going on as the ``BEFORE_TIP_MM`` before them turn, so that what hangs about the
    nock makes no kink."""
    step = np.diff(points_mm, axis=0)
    angle = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    mid = 0.5 * (s_mm[1:] + s_mm[:-1])
    tip = mid > s_mm[-1] - TIP_MM
    before = ~tip & (mid > s_mm[-1] - TIP_MM - BEFORE_TIP_MM)
    if np.count_nonzero(before) < 5:
        return points_mm
    angle[tip] = np.polyval(np.polyfit(mid[before], angle[before], 1), mid[tip])
    length = np.linalg.norm(step, axis=1)
    first = int(np.argmax(tip))
    out = points_mm.copy()
    way = np.column_stack([np.cos(angle[tip]), np.sin(angle[tip])]) * length[tip, None]
    out[first + 1 :] = out[first] + np.cumsum(way, axis=0)
    if float(np.linalg.norm(out[-1] - points_mm[-1])) > KINK_MM:  # no string makes that much: the tip is bent so
        return points_mm
    return out


def find_rest(scene: Scene, frame: Frame, side: Side, start: LimbModel | None = None) -> LimbModel:
    """The limb's rest shape from scratch, from one picture of the bow at rest.

    Raises:
        VisionFault: the limb is not found, or runs out of the picture.
    """
    view, z = frame.view, frame.plane_z_mm
    if start is None:
        model = blank_model(scene.bow, side, scene.rig.cradle_half_mm)
        expected = _rough_rest(scene, frame, model)
    else:
        model, expected = start, start.rest_mm
    sign = model.sign
    for round_ in range(4 if start is None else 3):
        trace = trace_limb(frame, model, expected, rounds=4, scan=round_ < 2)
        if trace.seen < ENOUGH_SEEN:
            msg = (
                f"The {side} limb's edges are not clear in the rest picture: {100 * trace.seen:.0f} % of its length can be measured;"
                " give more even light, or clear what stands before the limb."
            )
            raise VisionFault(msg)
        normal = normals(expected, sign)
        _, out_back, out_belly = outline_offsets(expected, normal, model.width_mm, model.crown_mm, view, z)
        half_up = trace.edges_mm[0] - out_back
        half_low = -trace.edges_mm[1] - out_belly
        thick = half_up + half_low
        good = np.isfinite(thick)
        excess = thick - model.thickness_mm
        typical = float(np.nanmedian(excess)) if np.any(good) else 0.0
        smooth = typical + smooth_offsets(model.s_mm, excess - typical, np.where(good, 0.3, np.nan), 120.0)
        half = 0.5 * (model.thickness_mm + np.clip(smooth, typical - 2.0, typical + 2.0))
        model = replace(model, up_mm=half, low_mm=half)
        middle = np.where(good, 0.5 * (trace.edges_mm[0] - out_back + trace.edges_mm[1] + out_belly), trace.offset_mm)
        shift = smooth_offsets(model.s_mm, middle, np.where(np.isfinite(middle), 0.15, np.nan), 40.0)
        expected = restation(expected + shift[:, None] * normal, model.s_mm, float(expected[0, 0]))
        expected = level_tip(expected, model.s_mm)
        if round_ >= 2 and float(np.max(np.abs(shift))) < 0.5:
            break
    return replace(model, rest_mm=expected)


def sharpen_look(frame: Frame, models: Pair[LimbModel]) -> Look:
    """The blur and the rounding of the limb's edges that explain the rest picture best."""
    thin = {side: _every(model, 3) for side, model in models.items()}
    best = frame.look

    def cost(look: Look) -> float:
        seen = replace(frame, look=look)
        return sum(trace_limb(seen, m, m.rest_mm).misfit for m in thin.values())

    lowest = cost(best)
    for blur in (0.55, 0.7, 1.0, 1.25, 1.6, 2.0):
        option = replace(best, blur_px=(blur, float(np.hypot(blur, 1.1))))
        value = cost(option)
        if value < lowest:
            lowest, best = value, option
    square = best
    for rounding in (0.5, 1.0):  # a rounded edge must explain clearly more: a strip too many moves with the pose
        option = replace(square, round_mm=(0.0, rounding))
        value = cost(option)
        if value < 0.99 * lowest:
            lowest, best = value, option
    return best


def _every(model: LimbModel, step: int) -> LimbModel:
    cut = {n: getattr(model, n)[::step] for n in ("s_mm", "width_mm", "thickness_mm", "up_mm", "low_mm", "rest_mm")}
    return replace(model, **cut)


UNSEEN_WEIGHT = 0.1
"""How little stations that were not seen hold a line to where it was expected."""


def see_limb(frame: Frame, model: LimbModel, about_mm: Array, reach_mm: float) -> LimbTrace:
    """The limb in one picture, from an expectation (n, 2) that may be off by ``reach_mm``.

    What is hidden is bridged as the expectation runs there.
    """
    view, z = frame.view, frame.plane_z_mm
    s, anchor = model.s_mm, float(model.rest_mm[0, 0])
    if reach_mm > 3.5:
        every = 2
        normal = normals(about_mm, model.sign)
        _, out_back, out_belly = outline_offsets(about_mm, normal, model.width_mm, model.crown_mm, view, z)
        thick = model.up_mm + model.low_mm + out_back + out_belly
        stretch = Stretch(
            line_mm=about_mm[::every],
            normal_mm=normal[::every],
            thickness_mm=thick[::every],
            reach_mm=(reach_mm + 12.0, reach_mm + 12.0),
            spacing_mm=float(s[every] - s[0]),
            start_mm=0.0,
        )
        wood = model.wood[::every] if model.wood is not None else None
        band = find_band(frame, stretch, frame.look.seek_noise, wood)
        offset = smooth_offsets(s[::every], band.offset_mm, np.where(band.evidence > 2.0, 1.0, 15.0), 110.0)
        about_mm = restation(about_mm + np.interp(s, s[::every], offset)[:, None] * normal, s, anchor)
    for turn in range(3):
        trace = without_cover(frame, trace_limb(frame, model, about_mm, rounds=1 if turn else 3, scan=turn == 0), model)
        shift = smooth_offsets(s, trace.offset_mm, trace.sd_mm, 100.0)
        if not np.all(np.isfinite(shift)):
            return trace
        moved = restation(about_mm + shift[:, None] * trace.normal_mm, s, anchor)
        seen = np.isfinite(trace.offset_mm)
        moved = held_by_cradle(as_bent(moved, model, seen, unseen=UNSEEN_WEIGHT), model)
        if float(np.max(np.abs(shift))) < 1.2:
            break
        about_mm = moved
    return referred_to(trace, moved, model)


def stand(
    scene: Scene,
    image: Image,
    last_px: Array | None = None,
    watch: int | None = None,
    light: Light | None = None,
    hook_too: bool = True,
    patient: bool = True,
) -> Stand:
    """How camera, light and hook stand in a picture.

    Args:
        last_px: where the hook's fiducial was last.
        watch: how many of the board's fiducials are looked at as long as these have not moved; None: all.
        light: of this picture, if it is known.
        hook_too: the hook's fiducial is looked for, over the whole picture if need be.
        patient: with all the time that takes, some 0.3 s; else near where it was alone.
    """
    hook = scene.rig.hook
    key: Key = (hook.dictionary, hook.id)
    scale = scene.rig.lens.matrix[0, 0] / max(1.0, scene.board.view.centre_mm[2])
    sides = {(f.dictionary, f.id): f.side_mm for f in scene.rig.fiducials}
    board = sorted(scene.board.centres_px)
    watched = sorted({board[round(k)] for k in np.linspace(0, len(board) - 1, min(watch or len(board), len(board)))})

    def near(keys: list[Key]) -> dict[Key, tuple[Array, float]]:
        return {k: (scene.board.centres_px[k], max(40.0, 1.3 * scale * sides[k])) for k in keys}

    wanted = near(watched)
    if hook_too and last_px is not None:
        wanted[key] = (last_px, max(60.0, 2.2 * scale * hook.side_mm))
    markers = find_near(image, wanted)
    if len(watched) < len(board) and not _shift(scene, markers) < STEADY_PX:  # moved, or hidden: look at all of them
        markers |= find_near(image, near([k for k in board if k not in watched]))
    if hook_too and patient and key not in markers:
        markers |= _seek_hook(image, key, wanted.get(key))
    if not any(k in markers for k in board):  # moved further than they were looked for
        markers |= find_markers(gray(image), board)
    shift = _shift(scene, markers)
    view = None if shift < STEADY_PX else pose_now(scene.board, markers, scene.rig.lens)
    frame = frame_of(scene, image, view, light)
    seat = hook_seat(markers, hook, frame.view)
    if seat is not None and view is not None:  # where the camera stood is itself found by so many markers
        seen = sum(k in markers for k in board)
        seat = replace(seat, sd_mm=float(np.hypot(seat.sd_mm, MOVED_SD_MM / max(1, seen))))
    return Stand(frame, seat, crossing(markers[key]) if key in markers else None, shift)


MOVED_SD_MM = 0.6
"""What a camera's place that was found by one marker adds to the hook's; by five it is a fifth (independent rig's swaying camera: 0.15 mm in all with
five markers, 0.34 with two, 0.55 with none in half of the pictures)."""
STEADY_PX = 0.4
"""Fiducials that moved by less are where they were: their centres are seen to 0.05-0.1 px, worse in a bad picture."""


def _shift(scene: Scene, markers: Mapping[Key, Array]) -> float:
    """How far the board's fiducials moved since the empty rack's picture, px, the median; NaN where none is seen."""
    shifts = [
        float(np.linalg.norm(crossing(markers[key]) - centre))
        for key, centre in scene.board.centres_px.items()
        if key in markers
    ]
    return float(np.median(shifts)) if shifts else float("nan")


def _seek_hook(image: Image, key: Key, near: tuple[Array, float] | None) -> dict[Key, Array]:
    """The hook's fiducial where the quick look did not find it: the whole picture, then with patience, first where it was."""
    whole = find_markers(gray(image), (key,))
    if key not in whole and near is not None:
        whole = find_near(image, {key: (near[0], 2.0 * near[1])}, Care.PATIENT)
    if key not in whole:
        whole = find_markers(gray(image), (key,), care=Care.PATIENT)
    return whole


def see_rest(stood: Stand, models: Pair[LimbModel]) -> Shape:
    """The bow in a picture at rest."""
    limbs = of_sides(lambda side: see_limb(stood.frame, models[side], models[side].rest_mm, 3.0))
    return Shape(
        hook=None,
        limbs=limbs,
        shift_px=stood.shift_px,
        hook_px=stood.hook_px,
        view=stood.frame.view,
        light=stood.frame.light,
    )


def see_drawn(stood: Stand, bending: Bending, known: Known) -> tuple[Shape, Known]:
    """The bow in a picture of the pull, and what is known after it."""
    hook, centre, models = stood.hook, stood.hook_px, bending.models
    if hook is None:  # without the hook the draw is unknown: expect the last shape, search wide
        lines = known.shapes[-1][1] if known.shapes else of_sides(lambda side: models[side].rest_mm)
        reach = WIDE_MM
    else:
        lines, reach = expected(bending, known.shapes, hook.seat_mm), reach_of(known.shapes, hook.seat_mm)
    settled = hook is not None and len(known.shapes) >= ENOUGH_SHAPES

    def one(side: Side) -> LimbTrace:
        if (
            settled
        ):  # what was seen at other draws puts it within what an edge is found in; most often it needs no search
            trace = see_limb(stood.frame, models[side], lines[side], 0.0)
            if trace.seen > CLEAR and on_wood(stood.frame, models[side], trace.points_mm)[1]:
                return trace
        return see_limb(stood.frame, models[side], lines[side], reach)

    limbs = of_sides(one)
    shapes = known.shapes
    if hook is not None and all(t.seen >= ENOUGH_SEEN for t in limbs):
        shapes = (*shapes[-40:], (hook.seat_mm, limbs.each(lambda t: t.points_mm)))
    seen = Shape(
        hook=hook, limbs=limbs, shift_px=stood.shift_px, hook_px=centre, view=stood.frame.view, light=stood.frame.light
    )
    return seen, Known(shapes, centre if centre is not None else known.hook_px)


ENOUGH_SHAPES, CLEAR = 3, 0.9
"""So many shapes seen tell how the limbs bend with the draw; a limb seen along so much of it was captured."""
WIDE_MM = 60.0
"""Where the draw is not known, the limbs are sought so far about where they were last."""


def find_models(scene: Scene, rest: Frame, second: SecondProcess | None = None) -> tuple[Scene, Pair[LimbModel]]:
    """Both limbs at rest from scratch, and the scene with the look of its edges; ``second`` finds one of them.

    Raises:
        VisionFault: a limb is not found or runs out of the picture.
    """
    try:
        rough = _find_both(scene, rest, second)
    except VisionFault as first:
        # no hue that tells the wood from the wall: by what is darker, where no shadow is as dark
        grey = replace(rest.look, darker=DARKER_GREY)
        rest = replace(rest, look=grey, light=replace(rest.light, darker=DARKER_GREY))
        try:
            rough = _find_both(scene, rest, second)
        except VisionFault:
            raise first from None
    rest = replace(rest, look=replace(rest.look, toward=_toward(rest, rough)))
    look = sharpen_look(rest, rough)
    scene, rest = replace(scene, look=look), replace(rest, look=look)
    return scene, _find_both(scene, rest, second, rough).each(lambda model: coloured(rest, model))


def _find_both(
    scene: Scene, rest: Frame, second: SecondProcess | None, start: Pair[LimbModel] | None = None
) -> Pair[LimbModel]:
    left, right = (start[side] if start is not None else None for side in SIDES)
    other = second.ask(find_rest, scene, rest, Side.RIGHT, right) if second is not None else None
    found = find_rest(scene, rest, Side.LEFT, left)
    return Pair(found, other.take() if other is not None else find_rest(scene, rest, Side.RIGHT, right))


LEAST_HUE = 0.02
"""Log hue by which the wood differs from the wall too little to say in which direction."""


def _toward(rest: Frame, models: Pair[LimbModel]) -> tuple[float, float]:
    """Unit vector in log hue (blue, red) along which wood differs from the wall: red over blue as long as that shows most of the difference (both
    colours' noise counts alike in it, and blue's is the larger one), else straight from wall to wood."""
    found = []
    for model in models:
        pixels = rest.view.plane_to_pixels(model.rest_mm, rest.plane_z_mm)
        _, blue, red = beyond_light(rest.now(pixels), rest.behind(pixels), rest.light)
        found.append(np.column_stack([blue, red]))
    middle = np.median(np.vstack(found), axis=0)
    size, usual = float(np.hypot(*middle)), rest.look.toward
    if size < LEAST_HUE or abs(middle[0] * usual[0] + middle[1] * usual[1]) > 0.5 * size:
        return usual
    return float(middle[0] / size), float(middle[1] / size)
