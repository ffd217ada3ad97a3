"""What the pictures of a recording show: the scene, both limbs in each, and what had to be left out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Pair, Side, of_sides
from tiller.children import SecondProcess
from tiller.errors import RecordingFault, VisionFault
from tiller.measure.recording import Picture, Recording, read_picture
from tiller.mechanics.fit.twist import UNKNOWN, Twist, find_twist
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.vision.limbs.expected import Bending, expected
from tiller.vision.limbs.frame import Frame
from tiller.vision.limbs.light import UNEVEN
from tiller.vision.limbs.limb import LimbModel, outline_offsets, unseen
from tiller.vision.limbs.pull import (
    ENOUGH_SEEN,
    Known,
    Scene,
    Shape,
    Stand,
    check_light,
    check_size,
    find_models,
    see_drawn,
    see_rest,
    set_scene,
    stand,
)
from tiller.vision.limbs.wood import dressed, on_wood

Array = NDArray[np.float64]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class SeenPicture:
    """A picture of the pull or at rest, with the bow's shape in it."""

    picture: Picture
    shape: Shape


@dataclass(frozen=True)
class Sight:
    """What the pictures of a recording show."""

    scene: Scene
    models: Pair[LimbModel]
    seen: tuple[SeenPicture, ...]
    left_out: tuple[str, ...]
    notes: tuple[Note, ...]


def grouped(reasons: Sequence[str]) -> str:
    """Reasons one after the other; what is reported of many pictures alike is reported once, with their number."""
    order: dict[str, list[str]] = {}
    for reason in reasons:
        file, colon, text = reason.partition(": ")
        order.setdefault(text if colon else reason, []).append(file if colon else "")
    out = []
    for text, files in order.items():
        named = [f for f in files if f]
        many = f"{named[0]} and {len(named) - 1} more" if len(named) > 1 else "".join(named)
        out.append(f"{many}: {text}" if many else text)
    return "; ".join(out)


def _first_good(
    recording: Recording, role: str, meaning: str, left_out: list[str]
) -> tuple[Picture, NDArray[np.uint8]]:
    faults: list[str] = []
    for picture in recording.of_role(role):
        try:
            image = read_picture(recording, picture)
            check_size(image, recording.rig, picture.file)
        except RecordingFault as err:
            faults.append(err.marked)
            continue
        left_out.extend(f"{f}; left out" for f in faults)
        return picture, image
    msg = f"No picture of {meaning} can be used: {grouped(faults)}. Record the pull again."
    raise RecordingFault(msg)


def _first_rest(
    recording: Recording, scene: Scene, left_out: list[str], second: SecondProcess | None = None
) -> tuple[Picture, Scene, Pair[LimbModel]]:
    """The first picture at rest in which both limbs are found.

    Raises:
        VisionFault: what is wrong with the first one, where none will do.
    """
    faults: list[str] = []
    for picture in recording.of_role("rest"):
        try:
            image = read_picture(recording, picture)
            check_size(image, recording.rig, picture.file)
            check_light(image, picture.file)
            scene, models = find_models(scene, stand(scene, image, hook_too=False).frame, second)
        except (RecordingFault, VisionFault) as err:
            faults.append(err.marked)
            continue
        left_out.extend(f"{fault}; left out" for fault in faults)
        return picture, scene, models
    raise VisionFault(grouped(faults))


def _stand_ahead(
    recording: Recording, scene: Scene, pictures: Sequence[Picture]
) -> Iterator[tuple[Picture, Callable[[], Stand]]]:
    """Each picture and how to get how its camera, light and hook stand (or what is wrong with it).

    The next one is decoded and its fiducials are read meanwhile by a thread: both are work of libraries that let go of Python.
    """
    last: list[NDArray[np.float64] | None] = [None]

    def look(picture: Picture) -> Stand:
        image = read_picture(recording, picture)
        check_size(image, recording.rig, picture.file)
        check_light(image, picture.file)
        stood = stand(scene, image, last[0], hook_too=picture.role == "pull")
        last[0] = stood.hook_px if stood.hook_px is not None else last[0]
        return stood

    with ThreadPoolExecutor(1) as pool:
        coming: Future[Stand] | None = None
        for picture, following in zip(pictures, [*pictures[1:], None], strict=True):
            now = coming or pool.submit(look, picture)
            coming = pool.submit(look, following) if following else None
            yield picture, now.result


MOST_LOOKED_AT = 120
"""A pull over 600 mm has one picture every 5 mm or less then; what they say in common is as sure long before."""
CHAINS_FROM = 20
"""From so many pictures on, every second one is expected by what the others of its own half showed: they are as far apart as in a pull of half as
many, and both halves can be looked at at the same time. The result does not depend on whether they are."""


@dataclass(frozen=True)
class Looked:
    """What came of a picture: what is seen in it, or why it is left out, wholly or for one limb."""

    file: str
    seen: SeenPicture | None
    left_out: tuple[str, ...] = ()


def look_at(recording: Recording, progress: Progress = lambda _: None, second: SecondProcess | None = None) -> Sight:
    """Looks at all pictures, in two chains where there are many; ``second`` takes one of them.

    Raises:
        TillerError: the board, the bow or a needed picture is missing.
    """
    left_out: list[str] = []
    notes: list[Note] = []
    progress("empty rack")
    first, empty = _first_good(recording, "empty", "the empty rack", left_out)
    scene = set_scene(recording.rig, recording.bow, empty, first.file)
    if scene.board.missing:
        notes.append(
            caution(
                "board.fiducials-hidden",
                f"fiducials {', '.join(map(str, scene.board.missing))} are hidden; the board's place rests on {len(scene.board.used)} others.",
            )
        )
    if scene.board.rms_mm > 2.0:
        notes.append(
            caution(
                "board.fits-badly",
                f"the fiducials fit rig.toml only to {mm(scene.board.rms_mm, 1)}: measure their coordinates again.",
            )
        )
    progress("rest shape")
    rest_first, scene, models = _first_rest(recording, scene, left_out, second)
    wanted = [p for p in recording.pictures if p.role == "pull" or (p.role == "rest" and p.t_s >= rest_first.t_s)]
    if len(wanted) > MOST_LOOKED_AT:
        keep = sorted({round(k) for k in np.linspace(0, len(wanted) - 1, MOST_LOOKED_AT)})
        notes.append(
            info(
                "pictures.thinned",
                f"of {len(wanted)} pictures {len(keep)}, evenly over the pull, were looked at: more would add nothing.",
            )
        )
        wanted = [wanted[k] for k in keep]
    chains = 2 if len(wanted) >= CHAINS_FROM else 1
    given = (replace(recording, force_lines=None), scene, models)
    other = second.ask(look_along, *given, wanted[1::2]) if second is not None and chains == 2 else None
    looked = look_along(*given, wanted[::chains], progress)
    if chains == 2:
        looked += other.take() if other is not None else look_along(*given, wanted[1::2], progress)
    order = {picture.file: k for k, picture in enumerate(wanted)}
    looked.sort(key=lambda one: order[one.file])
    left_out += [reason for one in looked for reason in one.left_out]
    seen = [one.seen for one in looked if one.seen is not None]
    if not any(s.picture.role == "rest" for s in seen):
        msg = "The rest shape could not be measured in any picture at rest: " + grouped(left_out)
        raise VisionFault(msg)
    unwatched = sum(not np.isfinite(s.shape.shift_px) for s in seen)
    if unwatched:
        notes.append(
            caution(
                "camera.unwatched",
                f"in {unwatched} pictures none of the board's fiducials is seen: that camera and board stood still there is taken on trust.",
            )
        )
    moving = [s for s in seen if _moved(scene, s) and s.shape.shift_px > MOVED_PX]
    if len(moving) > 1:  # where the camera stood in a picture without any fiducial nobody knows then
        lost = [s for s in seen if not np.isfinite(s.shape.shift_px)]
        left_out += [
            f"{s.picture.file}: the camera moved in this pull, and none of the board's fiducials is seen here; left out"
            for s in lost
        ]
        seen = [s for s in seen if np.isfinite(s.shape.shift_px)]
    notes += _conditions(scene, seen)
    return Sight(scene, models, tuple(seen), tuple(left_out), tuple(notes))


def look_along(
    recording: Recording,
    scene: Scene,
    models: Pair[LimbModel],
    pictures: Sequence[Picture],
    progress: Progress | None = None,
) -> list[Looked]:
    """Looks at pictures one after the other, each expected by what those before it showed."""
    bending = Bending.of(recording.bow, models)
    known = Known()
    out: list[Looked] = []
    for picture, stands in _stand_ahead(recording, scene, pictures):
        if progress is not None:
            progress(picture.file)
        looked, known = _look(picture, stands, bending, known)
        out.append(looked)
    return out


def _look(picture: Picture, stands: Callable[[], Stand], bending: Bending, known: Known) -> tuple[Looked, Known]:
    """What is seen in a picture, and what is known after it."""
    file, models = picture.file, bending.models
    try:
        stood = stands()
        if picture.role == "rest":
            shape, then_known = see_rest(stood, models), known
        else:
            shape, then_known = see_drawn(stood, bending, known)
    except (RecordingFault, VisionFault) as err:
        return Looked(file, None, (f"{err}; left out",)), known
    except (np.linalg.LinAlgError, ArithmeticError, IndexError, ValueError, cv2.error) as err:
        return Looked(file, None, (f"{file}: the limb's line cannot be followed in it ({err}); left out",)), known
    if picture.role == "pull" and shape.hook is None:
        why_not = f"{file}: the hook's fiducial is not in view, so the draw is unknown; left out"
        return Looked(file, None, (why_not,)), known
    why = of_sides(lambda side: _why_not(stood.frame, models[side], shape, side))
    bad = [side for side in SIDES if why[side]]
    if not bad:
        return Looked(file, SeenPicture(picture, shape)), then_known
    # a wrong line must not steer what is expected of the next picture
    same = len({why[side] for side in bad}) == 1
    reason = (
        f"the {' and '.join(bad)} limb {why[bad[0]]}"
        if same
        else "; ".join(f"the {side} limb {why[side]}" for side in bad)
    )
    if len(bad) == 2 or picture.role != "pull" or shape.hook is None:
        return Looked(file, None, (f"{file}: {reason}; left out",)), known
    lines = expected(bending, known.shapes, shape.hook.seat_mm)
    limbs = shape.limbs.put(bad[0], unseen(lines[bad[0]], models[bad[0]]))
    reason = f"{file}: {reason}; of this limb nothing is taken from it"
    return Looked(file, SeenPicture(picture, replace(shape, limbs=limbs)), (reason,)), known


OUT_SHARE = 0.2
"""A limb of which so much lies beyond the picture's rim runs out of it."""


def _why_not(frame: Frame, model: LimbModel, shape: Shape, side: Side) -> str:
    """Why a limb cannot be measured in a picture, and what to do; empty where it can."""
    trace = shape.limbs[side]
    if trace.seen >= ENOUGH_SEEN:
        if on_wood(frame, model, trace.points_mm)[1]:
            return ""
        return "is not where it was followed (a line on the wall, a shadow's edge, somebody before it): give even light, clear the wall and the view"
    height, width = frame.image.shape[:2]
    pixels = frame.view.plane_to_pixels(trace.points_mm, frame.plane_z_mm)
    inside = np.all((pixels > 2) & (pixels < (width - 3, height - 3)), axis=1)
    if np.mean(inside) < 1.0 - OUT_SHARE:
        return "runs out of the picture: turn the camera back, or move it away"
    return "cannot be seen well enough: somebody or something stands before it, or it blends into what is behind; clear the view, and give more even light"


def _moved(scene: Scene, seen: SeenPicture) -> bool:
    """Whether the camera stood elsewhere than in the empty rack's picture: its pose was found anew."""
    return not np.array_equal(seen.shape.view.translation, scene.board.view.translation)


MOVED_PX = 1.0
"""A camera that moved by less is not worth a word: shadows on the printed markers do as much."""
HIDDEN_SHARE = 0.95
"""A limb that is seen along less than this is hidden in part."""


def _conditions(scene: Scene, seen: Sequence[SeenPicture]) -> list[Note]:
    """What was hard about the pictures, and what would help."""
    notes = []
    scale = scene.board.view.centre_mm[2] / scene.rig.lens.matrix[0, 0]
    moved = [s.shape.shift_px * scale for s in seen if _moved(scene, s) and s.shape.shift_px > MOVED_PX]
    if moved:
        notes.append(
            caution(
                "camera.moved",
                f"the camera moved: in {len(moved)} of {len(seen)} pictures it saw the board shifted, by up to {mm(max(moved))}; where it stood was found anew"
                " in each of them by the board's printed markers. Fix the camera for surer figures.",
            )
        )
    patchy = sum(s.shape.light.uneven > UNEVEN for s in seen)
    if patchy:
        notes.append(
            caution(
                "light.uneven",
                f"in {patchy} pictures light and shadow lie elsewhere than on the empty rack (sun through leaves, somebody in the light): edges and printed"
                " markers are found less surely. Shade the window, or work by a lamp.",
            )
        )
    for side in SIDES:
        hidden = [s for s in seen if s.shape.limbs[side].seen < HIDDEN_SHARE]
        if hidden:
            least = min(s.shape.limbs[side].seen for s in hidden)
            notes.append(
                caution(
                    "limb.hidden",
                    f"in {len(hidden)} pictures part of the {side} limb, up to {100 * (1 - least):.0f} % of its length, does not show: something is before it, or a"
                    " wrap or paint is on it. There are no figures there. Stand to the side while the picture is taken; take wraps off until the bow is tillered.",
                )
            )
    return notes


OUTLINE_ALIKE = 0.55
"""Light shifts an outline in all pictures of a pull alike by about this share of what it differs by from picture to picture
(independent rig, nine recordings: 0.15-0.55 mm against 0.14-1.0 mm)."""
DRESSED_MM = 20.0
"""So far beside a wrap or paint the outline is not believed either."""


def outline_thickness(sight: Sight, side: Side) -> tuple[Array, float]:
    """Thickness by the outline (n,) mm, and its sd: median over all pictures of back edge minus belly edge, perspective taken out.

    NaN where the limb was not seen or has another colour than beside: a wrap, paint or leather has its own thickness.
    """
    model = sight.models[side]
    z = sight.scene.rig.bow_plane_z_mm
    rows = []
    for s in sight.seen:
        trace, view = s.shape.limbs[side], s.shape.view
        _, back, belly = outline_offsets(trace.points_mm, trace.normal_mm, model.width_mm, model.crown_mm, view, z)
        rows.append(trace.edges_mm[0] - trace.edges_mm[1] - back - belly)
    stack = np.array(rows)
    enough = np.sum(np.isfinite(stack), axis=0) >= max(2, len(rows) // 4)
    out = np.full(stack.shape[1], np.nan)
    sd = 0.0
    if np.any(enough):
        out[enough] = np.nanmedian(stack[:, enough], axis=0)
        sd = OUTLINE_ALIKE * 1.4826 * float(np.nanmedian(np.abs(stack[:, enough] - out[enough])))
    out[dressed(model, DRESSED_MM)] = np.nan
    return out, sd


DRAWN_SHARE = 0.8
"""A limb's twist when drawn is that of the pictures beyond this share of the largest draw."""

BLURRED = 0.35
"""An outline is thicker or thinner by this share of the picture's blur, 1 sd (common practice, no source; with it no straight limb of the independent rig's nine
recordings is called twisted, a cheap webcam's two were without)."""


def limb_twist(sight: Sight, side: Side) -> Twist:
    """The limb's twist, from how thick its outline looks at rest and drawn."""
    model = sight.models[side]
    z = sight.scene.rig.bow_plane_z_mm
    draws = [-s.shape.hook.seat_mm[1] for s in sight.seen if s.picture.role == "pull" and s.shape.hook is not None]
    bare = ~dressed(model, DRESSED_MM)
    excess: dict[bool, list[Array]] = {True: [], False: []}
    angles: dict[bool, list[Array]] = {True: [], False: []}
    for s in sight.seen:
        at_rest = s.picture.role == "rest"
        if not at_rest and (s.shape.hook is None or -s.shape.hook.seat_mm[1] < DRAWN_SHARE * max(draws)):
            continue
        trace = s.shape.limbs[side]
        phi, back, belly = outline_offsets(
            trace.points_mm, trace.normal_mm, model.width_mm, model.crown_mm, s.shape.view, z
        )
        more = trace.edges_mm[0] - trace.edges_mm[1] - back - belly - model.thickness_mm
        excess[at_rest].append(np.where(bare, more, np.nan))
        angles[at_rest].append(phi)
    if not excess[True] or not excess[False]:
        return UNKNOWN
    both = [np.full(len(model.s_mm), np.nan), np.full(len(model.s_mm), np.nan)]
    for k, at_rest in enumerate((True, False)):
        stack = np.array(excess[at_rest])
        seen = np.any(np.isfinite(stack), axis=0)
        both[k][seen] = np.nanmedian(stack[:, seen], axis=0)
    every = np.array([*excess[True], *excess[False]])
    seen = np.any(np.isfinite(every), axis=0)
    if not np.any(seen):
        return UNKNOWN
    scatter = np.abs(every[:, seen] - np.nanmedian(every[:, seen], axis=0))
    px = sight.seen[0].shape.view.plane_to_pixels(np.array([[0.0, 0.0], [100.0, 0.0]]), z)
    blur_mm = sight.scene.look.blur_px[0] * 100.0 / float(np.linalg.norm(px[1] - px[0]))
    light = float(np.hypot(OUTLINE_ALIKE * 1.4826 * np.nanmedian(scatter), BLURRED * blur_mm))
    phis = (np.median(angles[True], axis=0), np.median(angles[False], axis=0))
    begin = sight.scene.bow.limb(side).working_from_mm
    return find_twist(model.s_mm, model.width_mm, model.crown_mm, (both[0], both[1]), phis, begin, light)
