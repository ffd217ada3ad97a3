"""What can be shown of a session at the rack, as one frozen ``View``, and the sentences that go with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Side
from tiller.live.frame_analysis import Looked, Profile
from tiller.live.live_force import Weighed
from tiller.live.stages import BEGIN_N, Limits
from tiller.measure.worker import Worked
from tiller.mechanics.advice.layers import strokes
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.sources.feeds import FeedState
from tiller.sources.interfaces import Image, Shot, Stage, now_s
from tiller.vision.rig.board import SeenBoard

Array = NDArray[np.float64]


@dataclass(frozen=True)
class BoardNow:
    """Fiducials of the board that were found: their ids, how well they fit rig.toml (mm; NaN without), and where in the picture (px)."""

    found: tuple[int, ...] = ()
    rms_mm: float = float("nan")
    places_px: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class View:
    """All that can be shown now.

    Attributes:
        number, shot_s, made_s: of the picture: number, arrival, and when this was ready.
        image: the picture, None without a camera.
        stage, sentence: the state, and the one next step.
        draw_mm, force_n: NaN where unknown. draw_s: arrival of the picture that showed the draw: between two pictures that of the last one;
            force_s: of the reading shown.
        stop: how far it may be drawn; limits: what sets off the warning.
        lines_px: limbs' centrelines in the picture; hook_px: the string's seat; nocks.
        profiles: strain along the limbs.
        track, before: draw and force of this pull and of the last one, (n, 2).
        points: points of this pull, (k, 2).
        worked: the last pull that was measured; busy: what is being worked on.
        camera, scale: how the sources do, None where there is none; weighed: the scale's reading.
        notes: what to know, newest last. events: how many happened so far.
        pulls, exercises: of this session; since_scraped: pulls since wood came off.
        folder: where the running or last pull is kept.
        plan_holds: the plan of ``worked`` is of the bow as it is now: nothing was scraped since.
        alarm: what must be looked at before anything else, empty where nothing is.
        stations_mm: where along the limbs the points of ``lines_px`` are.
        board: the board's fiducials as last found.
    """

    number: int
    shot_s: float
    made_s: float
    image: Image | None
    looked: Looked | None
    stage: Stage
    sentence: str
    draw_mm: float
    force_n: float
    stop: Stop | None
    limits: Limits
    lines_px: Mapping[Side, Array]
    hook_px: tuple[float, float] | None
    profiles: Mapping[Side, Profile]
    track: Array
    before: Array
    points: Array
    worked: Worked | None
    busy: str
    camera: FeedState | None
    scale: FeedState | None
    weighed: Weighed
    notes: tuple[Note, ...]
    pulls: int
    exercises: int
    since_scraped: int
    folder: Path | None
    plan_holds: bool
    alarm: str
    stations_mm: Mapping[Side, Array]
    board: BoardNow
    force_s: float
    draw_s: float = float("nan")


def drawn_sentence(stage: Stage, alarm: str, trouble: str, taken: bool) -> str:
    """What is to be done over a drawn bow, which comes before all else: nobody is sent away from one. ``taken``: a point was, at this draw."""
    if stage is Stage.BEYOND:
        return SENTENCES[stage]
    if alarm:
        return f"Let down slowly, all the way. {alarm}"
    if trouble:
        return f"Let down first. {trouble}"
    if stage is Stage.HOLDING and taken:
        return "Point taken. Pull on, or let down."
    return SENTENCES[stage]


def planned_strokes(worked: Worked) -> int:
    """Strokes that the plan of a pull asks for in all."""
    plan = worked.advice.plan
    if plan is None:
        return 0
    return sum(sum(strokes([o for o in plan.layers if o.limb == side], worked.comparison.stroke_mm)) for side in SIDES)


ALARM = "The force dropped suddenly: look for a crack, a slipped string, a broken part. When you have checked it and nothing is damaged, press K."
BROKEN = "The program has met an error of its own and cannot watch the bow any more. Let down slowly, all the way. The recording goes on until then."
BLIND = "without a camera pulls are kept, not measured: nothing is known of bend, draw, stiffness or plan, and only the weight stops you."
LIGHT = "without a scale weight, stiffness and depth are unknown, and no crack is detected: bend, strain and marks are measured."


class Answers:
    """What an order is answered with."""

    LOADED = caution("live.loaded", "there is load on the rope: let down and take the bow off first (empty).")
    ZERO = info("live.zero", "zero taken.")
    NO_ZERO = caution("live.no-zero", "the scale sends nothing: no zero was taken.")
    NO_PULL_YET = caution(
        "live.nothing-noted",
        "nothing was noted: there is no measured pull in this session yet after which wood came off.",
    )
    NOT_YET = caution(
        "live.nothing-noted",
        "nothing was noted: the last pull is still being measured, or the last scraping still being noted; press S again after that.",
    )
    NOTED_ALREADY = caution(
        "live.nothing-noted", "nothing was noted: that was noted already; pull again before the next scraping."
    )
    NOTING = info("live.noting", "noting the scraping in the book ...")

    @staticmethod
    def scraped(strokes: int | None) -> Note:
        """What is said once it is noted; None: not by the list."""
        if strokes is None:
            return info(
                "live.scraping",
                "scraped, not by the list: what came off is taken for unknown until the next pull; exercise the bow with short pulls, then pull again.",
            )
        return info("live.scraping", f"scraped, {strokes} strokes: exercise the bow with short pulls, then pull again.")


SENTENCES = {
    Stage.NO_BOW: "Lay the bow in its cradle, string slack, and let go of it.",
    Stage.RESTING: "Pull slowly; hold still now and then; go no further than the stop.",
    Stage.PULLING: "Hold still for a second to take a point.",
    Stage.HOLDING: "Hold still.",
    Stage.BEYOND: "Let down now.",
    Stage.LETTING_DOWN: "Let down slowly, all the way.",
    Stage.DONE: "Let the bow lie still.",
}


def resting(worked: Worked | None, busy: bool) -> str:
    """What to do next with a bow that rests.

    Args:
        worked: the last measured pull where its plan still holds.
        busy: a pull is being measured.
    """
    if busy:
        return "Wait with the next pull: one is being measured, and the stop may change."
    if worked is not None and worked.advice.plan is not None and worked.advice.plan.layers:
        return "Scrape what the list says, or pull again within the stop."
    return SENTENCES[Stage.RESTING]


def stop_changed(limits: Limits) -> Note:
    """What is reported when the last pull is measured only while the next one goes on, and brings a shorter stop."""
    return caution(
        "live.stop-changed",
        f"the last pull is measured only now, and the stop is shorter for it: go no further than {mm(limits.draw_mm)} in this one.",
    )


def no_bow(force_n: float, ready: bool) -> str:
    """What to do next while no bow is known.

    Args:
        ready: the empty rack is known, or there is no camera.
    """
    if force_n >= BEGIN_N:
        return (
            "There is load on the rope but no bow is known: let down. If the bow was on the rack when the empty picture was"
            " taken, take it off and press E."
        )
    if not ready:
        return "Take the bow off the rack: the empty rack is photographed first."
    return SENTENCES[Stage.NO_BOW]


def board_now(board: SeenBoard | None) -> BoardNow:
    """What the window shows of the board; nothing where it was not found."""
    if board is None:
        return BoardNow()
    places = {key[1]: (float(px[0]), float(px[1])) for key, px in board.centres_px.items()}
    return BoardNow(tuple(board.used), board.rms_mm, tuple(places[i] for i in board.used))


def empty_view(stop: Stop | None, limits: Limits, weighed: Weighed) -> View:
    """Before the first picture."""
    nan, none = float("nan"), np.empty((0, 2))
    return View(
        number=0,
        shot_s=nan,
        made_s=nan,
        image=None,
        looked=None,
        stage=Stage.NO_BOW,
        sentence="Opening camera and scale.",
        draw_mm=nan,
        force_n=nan,
        stop=stop,
        limits=limits,
        lines_px={},
        hook_px=None,
        profiles={},
        track=none,
        before=none,
        points=none,
        worked=None,
        busy="",
        camera=None,
        scale=None,
        weighed=weighed,
        notes=(),
        pulls=0,
        exercises=0,
        since_scraped=0,
        folder=None,
        plan_holds=False,
        alarm="",
        stations_mm={},
        board=BoardNow(),
        force_s=nan,
    )


def broken_view(view: View, number: int, shot: Shot | None, force_n: float) -> View:
    """The last view after an error of the program's own: the newest picture, no bend in it, and an alarm."""
    return replace(
        view,
        number=number,
        made_s=now_s(),
        shot_s=shot.t_s if shot is not None else view.shot_s,
        image=shot.image if shot is not None else view.image,
        looked=None,
        lines_px={},
        hook_px=None,
        profiles={},
        draw_mm=float("nan"),
        force_n=force_n,
        sentence=BROKEN,
        alarm=BROKEN,
    )
