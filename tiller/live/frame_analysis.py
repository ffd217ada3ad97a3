"""What each live picture shows: empty rack, bow at rest, bow drawn. One picture at a time, no clock.

Finding a bow from scratch takes as long as several pictures: that goes to ``later``, if it is given, and pictures go on meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.rigfile import Rig
from tiller.bow.sides import SIDES, Pair, Side, of_sides
from tiller.errors import VisionFault
from tiller.live.motion import BOW_SHARE, Motion, limb_places, unlike
from tiller.measure.wanted import wanted_strain
from tiller.sources.interfaces import Image, Shot
from tiller.vision.limbs.follow import Followed, Known, bend_of, draw_of, follow, known_at_rest
from tiller.vision.limbs.frame import Moved
from tiller.vision.limbs.light import Light, find_light, shrink_of, smaller
from tiller.vision.limbs.limb import LimbModel
from tiller.vision.limbs.pull import (
    ENOUGH_SEEN,
    Scene,
    Shape,
    check_size,
    empty_seen_from,
    fiducials_of,
    find_models,
    find_rest,
    gray,
    lies_there_already,
    set_scene,
    stand,
)
from tiller.vision.limbs.wood import coloured
from tiller.vision.rig.board import SeenBoard, board_pose, find_markers
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]
Found = TypeVar("Found")

LAY_S = 0.8
OCCUPIED = (
    "A bow seems to lie on the rack: take it off, then the empty rack is photographed. If none lies there press E."
)
RETRY_S, MOVING_RETRY_S = 0.7, 3.0
"""A bow that was not found is sought again after so long; where the picture never comes to rest, it is sought all the same."""
GONE_SHARE, USUAL_PLACES = 0.3, 150.0
"""A bow that is not found is there still where so much, as a share of the limbs, is unlike the empty rack; the limbs' places before the
board was seen (two limbs of a long bow over a picture's width)."""
NO_LIGHT = Light()
HOOK_AGAIN_S = 1.0
"""A hook's fiducial that is hidden is looked for over the whole picture so often; that takes as long as ten pictures."""
KNOCKED_PX = 60.0
"""A camera that moved is found again by the board in each picture; further than this another part of the wall is behind the bow."""
LOST_TURNS = 3
"""So many pictures in a row without a limb are reported."""
WELL_SEEN, HIDDEN_TURNS, HIDDEN_RUN = 0.8, 12, 4
"""A limb that is seen less well for so many pictures is said to be hidden in part; so many stations in a row that are not seen
are not drawn."""
DISTINCT_SHARE = 0.6
"""Where a line beside the limb differs from it along less than this, a note says so."""
AHEAD_MM = 12.0


@dataclass(frozen=True)
class Profile:
    """Strain along one limb as the picture shows it, rough: for the eye, not for the record.

    Attributes:
        s_mm, strain, sd: (n,) stations, surface strain at the back, its sd.
        working: (n,) stations of the working limb.
    """

    s_mm: Array
    strain: Array
    sd: Array
    working: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What a picture showed.

    Attributes:
        t_s, number: of the picture.
        ready: the empty rack is known; bow: a bow is on it; still: nothing moves.
        draw_mm: NaN where the hook is not on the string or not seen.
        hook_mm: the string's seat, rack, None likewise.
        lines: centrelines (n, 2) in rack mm, empty where no bow is followed.
        seen: share of the stations in sight, of the limb that is seen less.
        hidden: (n,) stations of the lines that are not seen: what stands there is a guess.
        knocked: camera or board stand elsewhere than in the empty picture.
        trouble: what is in the way, with what to do; empty where nothing is.
    """

    t_s: float
    number: int
    ready: bool
    bow: bool
    still: bool
    draw_mm: float
    hook_mm: tuple[float, float] | None
    lines: Mapping[Side, Array]
    seen: float
    hidden: Mapping[Side, NDArray[np.bool_]]
    knocked: bool
    trouble: str


class Analyst:
    """Looks at one picture after the other."""

    def __init__(self, bow: Bow, rig: Rig, later: Executor | None = None) -> None:
        self.bow, self.rig = bow, rig
        self._executor = later
        self._finding: Future[tuple[Scene, Known]] | None = None
        self._resting: Future[Known] | None = None
        self._remark = ""
        self.scene: Scene | None = None
        self._known: Known | None = None
        self.empty: Image | None = None
        self._as_it_is = False
        self._last: Followed | None = None
        self._before: tuple[float, Followed] | None = None
        self._motion = Motion()
        self._sought_hook_s = float("-inf")
        self._view: View | None = None
        self._places = 0.0
        self._tried = float("-inf")
        self._lost = self._partly = 0
        self._trouble = ""
        self.markers: SeenBoard | None = None

    def forget_empty(self) -> None:
        """The empty rack is to be photographed anew; asked for again because of what seems to lie there, it is taken as it is."""
        self._as_it_is = self._trouble == OCCUPIED
        self.scene, self.empty, self._view = None, None, None
        self.forget_bow()

    def forget_bow(self) -> None:
        """The bow was taken off: the next one is sought from scratch."""
        self._known, self._last, self._before = None, None, None
        self._motion.forget_bow()
        self._lost = 0
        self._finding = self._resting = None

    def change(self, bow: Bow) -> None:
        """The same bow with another string or another feature; where it lies stays known."""
        self.bow = bow
        if self.scene is not None:
            self.scene = replace(self.scene, bow=bow)

    def lines_px(self, looked: Looked) -> dict[Side, Array]:
        """The limbs' lines in the picture, px."""
        return {side: self.to_pixels(line) for side, line in looked.lines.items()}

    def hook_px(self, looked: Looked | None) -> tuple[float, float] | None:
        """The string's seat in the picture, px; None where it is not seen."""
        if looked is None or looked.hook_mm is None:
            return None
        px = self.to_pixels(np.array([looked.hook_mm]))[0]
        return float(px[0]), float(px[1])

    @property
    def models(self) -> Pair[LimbModel] | None:
        """The limbs at rest; None where no bow is known."""
        return self._known.fine if self._known is not None else None

    def take_rest(self, image: Image) -> None:
        """Takes the rest shape anew from a picture of the bow at rest; where it cannot be seen the old one stays (``remark`` says so)."""
        scene, models = self.scene, self.models
        if scene is None or models is None or self._resting is not None:
            return

        def take() -> Known:
            frame = stand(scene, image).frame
            found = of_sides(lambda side: find_rest(scene, frame, side, start=models[side]))
            return known_at_rest(self.bow, frame, found.each(lambda model: coloured(frame, model)))

        self._resting = self._start(take)
        self._rested()

    def remark(self) -> str:
        """What to know of the bow's rest shape or the wall behind it, given once; empty where there is nothing to say."""
        remark, self._remark = self._remark, ""
        return remark

    def _start(self, work: Callable[[], Found]) -> Future[Found]:
        """Has work done later, or now where there is nobody to do it later."""
        if self._executor is not None:
            return self._executor.submit(work)
        future: Future[Found] = Future()
        try:
            future.set_result(work())
        except Exception as err:  # as an executor would: whoever asks for the result gets it
            future.set_exception(err)
        return future

    def _rested(self) -> None:
        if self._resting is None or not self._resting.done():
            return
        found, self._resting = self._resting, None
        try:
            known = found.result()
        except (VisionFault, np.linalg.LinAlgError, ValueError, cv2.error) as err:
            self._remark = f"the bow's rest shape could not be taken anew, the one before stands ({err}): see that nothing is before the bow."
            return
        if self._known is not None:
            self._use(known, keep=True)

    def look(self, shot: Shot) -> Looked:
        """What the picture shows."""
        try:
            check_size(shot.image, self.rig, "the camera's picture")
        except VisionFault as err:
            return replace(self._undrawn(shot, False, False), trouble=str(err))
        tiny = smaller(shot.image)
        self._rested()
        if self.scene is None:
            still = self._motion.picture(shot.t_s, tiny, self._limbs(shot.image))
            self._seek_empty(shot, still)
            return self._undrawn(shot, still, False)
        if self._known is None or self._last is None:
            self._view = stand(self.scene, shot.image, watch=1, light=NO_LIGHT, hook_too=False).frame.view
        # a camera that moved sees the empty rack elsewhere; where it stood in the last picture is near enough for this
        here = self._view is None or self._view is self.scene.board.view
        moved = None if here or self._view is None else Moved.between(self._view, self.scene.board.view)
        behind = empty_seen_from(self.scene, moved)
        light = find_light(tiny, behind)
        other = unlike(tiny, behind, light, moved is not None)
        if self._known is None or self._last is None:
            still = self._motion.picture(shot.t_s, tiny, self._limbs(shot.image))
            self._seek_bow(shot, other)
            return self._undrawn(shot, still, self._known is not None)
        try:
            shape = self._follow(self.scene, self._known, self._last, shot, light)
        except (VisionFault, np.linalg.LinAlgError, ValueError, cv2.error) as err:
            self._trouble = f"the limbs cannot be followed in this picture ({err})"
            shape = None
        if shape is not None:
            self._view = shape.view
        there = other >= GONE_SHARE * self._limbs(shot.image)
        if shape is None:
            return self._undrawn(shot, self._motion.picture(shot.t_s, tiny, self._limbs(shot.image)), there)
        found = {side: t.points_mm for side, t in shape.limbs.items() if t.seen >= ENOUGH_SEEN}
        if found:
            hook = np.array(shape.hook.seat_mm) if shape.hook is not None and draw_of(shape.hook) is not None else None
            still = self._motion.bow(shot.t_s, found, hook)
        else:
            still = self._motion.picture(shot.t_s, tiny, self._limbs(shot.image))
        return self._drawn(shot, still, bool(found) or there, shape)

    def _limbs(self, image: Image) -> float:
        """How much of a small picture the limbs cover."""
        if self._places == 0.0 and (board := self.scene.board if self.scene is not None else self.markers) is not None:
            self._places = limb_places(self.bow, board.view, self.rig.bow_plane_z_mm, shrink_of(image))
        return self._places or USUAL_PLACES

    def profile(self, looked: Looked) -> dict[Side, Profile]:
        """Strain along the limbs of a picture that was just looked at, from the smooth change of their tangents."""
        out: dict[Side, Profile] = {}
        known = self._known
        if known is None or not looked.lines:
            return out
        for side in SIDES:
            model = known.coarse[side]
            bend, sd = bend_of(looked.lines[side], model)
            above = self.bow.above(side, model.s_mm)
            thick = thick_enough(model.thickness_mm, 1.0, above)
            section = limb_section(model.width_mm, thick, self.bow.crown_radius_mm, above)
            limb = self.bow.limb(side)
            working = (model.s_mm >= limb.working_from_mm) & (model.s_mm <= limb.working_to_mm)
            # over what is wanted: a limb that bends as it shall shows one level
            to_back = section.to_back_mm / wanted_strain(self.bow, side, model.s_mm, section.to_back_mm)
            out[side] = Profile(model.s_mm, bend * to_back, sd * to_back, working)
        return out

    def to_pixels(self, points_mm: Array) -> Array:
        """Places (n, 2) in the bow's plane as pixels of the picture that was looked at last."""
        if self.scene is None:
            return np.full((len(points_mm), 2), np.nan)
        return np.asarray(
            (self._view or self.scene.board.view).plane_to_pixels(
                np.asarray(points_mm, dtype=float), self.rig.bow_plane_z_mm
            ),
            dtype=float,
        )

    def _seek_empty(self, shot: Shot, still: bool) -> None:
        if shot.t_s - self._tried < RETRY_S / 2:
            return
        self._tried = shot.t_s
        try:
            self.markers = board_pose(find_markers(gray(shot.image), fiducials_of(self.rig)), self.rig)
            self._trouble = ""
            if still and self._motion.lay(shot.t_s, LAY_S):
                scene = set_scene(self.rig, self.bow, shot.image, "the camera's picture")
                if not self._as_it_is and lies_there_already(scene):
                    self._trouble = OCCUPIED
                    return
                self.scene = scene
                self.empty = shot.image.copy()
        except VisionFault as err:
            self.markers, self._trouble = None, str(err)
        except (np.linalg.LinAlgError, ValueError, cv2.error) as err:
            self.markers, self._trouble = (
                None,
                f"The board is not understood in this picture ({err}): light it evenly and clear the view.",
            )

    def seek_markers(self, image: Image) -> SeenBoard | None:
        """The board's fiducials in a picture, None where they are not found: for the set-up, whatever is on the rack."""
        try:
            return board_pose(find_markers(gray(image), fiducials_of(self.rig)), self.rig)
        except (VisionFault, np.linalg.LinAlgError, ValueError, cv2.error):
            return None

    def stations_mm(self) -> dict[Side, Array]:
        """Where along each limb the points of a ``Looked``'s lines are; empty where no bow is known."""
        return {side: model.s_mm for side, model in self._known.coarse.items()} if self._known is not None else {}

    def _seek_bow(self, shot: Shot, other: int) -> None:
        if self._finding is not None:
            if self._finding.done():
                self._found()
            return
        empty_scene = self.scene
        if empty_scene is None or other < BOW_SHARE * self._limbs(shot.image):
            self._trouble = ""
            return
        since = shot.t_s - self._tried
        if since < RETRY_S or (since < MOVING_RETRY_S and not self._motion.lay(shot.t_s, LAY_S)):
            return
        self._tried = shot.t_s

        def find() -> tuple[Scene, Known]:
            frame = stand(empty_scene, shot.image).frame
            scene, models = find_models(empty_scene, frame)
            return scene, known_at_rest(self.bow, replace(frame, look=scene.look), models)

        self._finding = self._start(find)
        if self._finding.done():
            self._found()

    def _found(self) -> None:
        finding, self._finding = self._finding, None
        if finding is None:
            return
        try:
            scene, known = finding.result()
        except VisionFault as err:
            self._trouble = str(err)
            return
        except (np.linalg.LinAlgError, ValueError, cv2.error) as err:
            self._trouble = f"The bow is not found in this picture ({err}): clear what stands before it."
            return
        self.scene, self._trouble = scene, ""
        self._use(known)
        alike = [side for side in SIDES if known.distinct[side] < DISTINCT_SHARE]
        if alike:
            side = " and the ".join(alike)
            self._remark = f"the wall behind the {side} limb has the wood's colour: a line that is followed next to the limb is not noticed there; hang a plain sheet behind it."

    def _use(self, known: Known, keep: bool = False) -> None:
        """Goes by this bow from now on; ``keep``: the lines that are followed stay where they are."""
        self._known = known
        if keep and self._last is not None:
            self._last = replace(self._last, shapes=())
            return
        self._last = Followed(known.coarse.each(lambda model: model.rest_mm), None)
        self._before, self._lost = None, 0

    def _follow(self, scene: Scene, known: Known, last: Followed, shot: Shot, light: Light) -> Shape:
        patient = shot.t_s - self._sought_hook_s > HOOK_AGAIN_S
        shape, now = follow(scene, shot.image, known, self._ahead(known, last, shot.t_s), light, patient)
        if patient and shape.hook is None:
            self._sought_hook_s = shot.t_s
        if min(shape.limbs[side].seen for side in SIDES) >= ENOUGH_SEEN:
            self._before, self._last, self._lost = (shot.t_s, last), now, 0
            worst = min(SIDES, key=lambda side: shape.limbs[side].seen)
            self._partly = self._partly + 1 if shape.limbs[worst].seen < WELL_SEEN else 0
            self._trouble = (
                f"part of the {worst} limb is hidden: clear what stands before it; its bend is a guess there."
                if self._partly >= HIDDEN_TURNS
                else ""
            )
            return shape
        self._before, self._last = None, now
        self._lost += 1
        if self._lost >= LOST_TURNS:
            self._trouble = "a limb is hidden: clear what stands before it."
        return shape

    def _ahead(self, known: Known, last: Followed, t_s: float) -> Followed:
        """Where the limbs will be in this picture if they go on as from the last but one to the last: for where the draw does not tell."""
        if self._before is None or not 0.0 < t_s - self._before[0] < 0.4:
            return last
        before = self._before[1].lines

        def one(side: Side) -> Array:
            s = known.coarse[side].s_mm
            out = (s - s[0]) / (s[-1] - s[0])
            step = np.clip(last.lines[side] - before[side], -AHEAD_MM, AHEAD_MM)
            share = step.T @ out**2 / np.sum(out**4)  # limbs swing about their roots: further out by the square of it
            return np.asarray(last.lines[side] + out[:, None] ** 2 * share)

        return replace(last, lines=of_sides(one))

    def _undrawn(self, shot: Shot, still: bool, bow: bool) -> Looked:
        return Looked(
            t_s=shot.t_s,
            number=shot.number,
            ready=self.scene is not None,
            bow=bow,
            still=still,
            draw_mm=float("nan"),
            hook_mm=None,
            lines={},
            seen=0.0,
            hidden={},
            knocked=False,
            trouble=self._trouble,
        )

    def _drawn(self, shot: Shot, still: bool, bow: bool, shape: Shape) -> Looked:
        seat = shape.hook.seat_mm if shape.hook is not None else None
        draw = draw_of(shape.hook)
        seen = min(shape.limbs[side].seen for side in SIDES)
        knocked = bool(np.isfinite(shape.shift_px) and shape.shift_px > KNOCKED_PX)
        trouble = self._trouble
        if knocked:
            trouble = "camera or board was knocked: let the string down, take the bow off, and photograph the empty rack again (E)."
        return Looked(
            t_s=shot.t_s,
            number=shot.number,
            ready=True,
            bow=bow,
            still=still,
            draw_mm=draw if draw is not None and not knocked else float("nan"),
            hook_mm=(float(seat[0]), float(seat[1])) if draw is not None and seat is not None else None,
            lines={} if knocked or seen < ENOUGH_SEEN else {side: shape.limbs[side].points_mm for side in SIDES},
            seen=seen,
            hidden={side: _runs(~np.isfinite(shape.limbs[side].offset_mm), HIDDEN_RUN) for side in SIDES},
            knocked=knocked,
            trouble=trouble,
        )


def _runs(mask: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """The mask (n,) where it is set for so many places in a row or more."""
    full = np.convolve(mask.astype(int), np.ones(least, dtype=int), "valid") == least
    out = np.zeros(len(mask), dtype=bool)
    for k in np.flatnonzero(full):
        out[k : k + least] = True
    return out
