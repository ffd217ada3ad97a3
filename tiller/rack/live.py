"""The live rack: camera, scale, analysis and recording side by side, each at its own pace; what is so now as one ``View``.

Threads: one reads the camera, one the scale, one looks at each picture and minds the stages of the pull, one writes; a
process beside them measures what was recorded. Whoever shows it takes the newest ``View`` and gives orders by name.
"""

from __future__ import annotations

import contextlib
import queue
import shutil
import threading
import time
from collections import deque
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import SIDES, Bow, Side
from tiller.bow.rigfile import Rig
from tiller.errors import FileFault, TillerError
from tiller.mechanics.layers import strokes
from tiller.mechanics.stop import FIRST_SHARE, Stop
from tiller.rack.advise import advise_from_file
from tiller.rack.analyst import Analyst, Looked, Profile
from tiller.rack.feeds import CameraFeed, FeedState, ScaleFeed
from tiller.rack.recorder import UNFINISHED, Keep, PullRecorder, disk_warning, folder_for, unfinished
from tiller.rack.sources import Camera, Image, Scale, Shot, now_s
from tiller.rack.stages import DRAWN, Event, Happening, Limits, Seen, Stage, State, after
from tiller.rack.weigher import Weighed, Weigher
from tiller.rack.workup import Measurer, Worked
from tiller.records.book import Book

Array = NDArray[np.float64]

STALE_S = 1.0
"""A force this old is no force any more."""
WAYPOINT_MM = 60.0
"""Where nobody holds, a picture is kept every so often, so that the pull can be measured all the same."""
FOLLOW_ZERO_S = 0.5
BEFORE_S = 0.8
"""Lines of the scale are kept from so long before the rest picture: they show the zero."""
TRACK_MM = 1.0


@dataclass(frozen=True)
class Options:
    """How the rack is run.

    Attributes:
        home: where pulls are kept; book: the shop's book, None = no entries.
        keep: pictures of a pull that are kept.
    """

    home: Path
    book: Path | None
    keep: Keep = "holds"


@dataclass(frozen=True)
class View:
    """All that can be shown now.

    Attributes:
        number, shot_s, made_s: of the picture: number, arrival, and when this was ready.
        image: the picture, None without a camera.
        stage, sentence: the state, and the one next step.
        draw_mm, force_n: NaN where unknown.
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
    notes: tuple[str, ...]
    pulls: int
    exercises: int
    since_scraped: int
    folder: Path | None


@dataclass
class _Pull:
    """The pull that is going on; used by the analysing thread alone."""

    recorder: PullRecorder | None = None
    track: list[tuple[float, float]] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)
    kept_mm: float = float("nan")
    lines_to_s: float = float("-inf")


class Rack:
    """Runs a session at the rack.

    Args:
        bow, rig, and the texts of their files, which go into each recording.
        camera, scale: sources; None where there is none.
        stop: how far the bow may be drawn at first; None = from the bow's file alone.
    """

    def __init__(
        self,
        bow: Bow,
        rig: Rig,
        texts: tuple[str, str],
        camera: Camera | None,
        scale: Scale | None,
        options: Options,
        stop: Stop | None = None,
    ) -> None:
        self.bow, self.rig, self.texts, self.options = bow, rig, texts, options
        self._finder = ThreadPoolExecutor(1, "finding")
        self.analyst = Analyst(bow, rig, self._finder)
        self.weigher = Weigher(rig.load_cell)
        self.camera = CameraFeed(camera) if camera is not None else None
        self.scale = ScaleFeed(scale, self.weigher.feed) if scale is not None else None
        self.events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._orders: queue.SimpleQueue[tuple[str, float]] = queue.SimpleQueue()
        self._stop_now = stop if stop is not None else _first_stop(bow)
        self._state = State()
        self._pull = _Pull()
        self._before: Array = np.empty((0, 2))
        self._rests: list[Shot] = []
        self._empty_s = 0.0
        self._notes: deque[str] = deque(maxlen=8)
        self._worked: Worked | None = None
        self._jobs: list[tuple[Path, Future[Worked]]] = []
        self._finishing: list[threading.Thread] = []
        self._submitting = threading.Lock()
        self._pool: ThreadPoolExecutor | None = None
        self._measurer = Measurer()
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None
        self._fault: BaseException | None = None
        self._since_scraped = 0
        self._zeroed_s = 0.0
        self._taken = 0
        self._view = self._empty_view()
        self._fresh = threading.Condition()

    # -- what others call ----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begins: sources, analysis, and the process that measures."""
        self._pool = ThreadPoolExecutor(1, "measuring")
        self._measurer.start()
        for folder in unfinished(self.options.home):
            self._say(f"a pull that was cut off is found in {folder.name}: it is measured now.")
            self._measure(folder)
        for feed in (self.camera, self.scale):
            if feed is not None:
                feed.start()
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends cleanly: the pull that is going on is kept, no thread and no process is left."""
        self._halt.set()
        if self._thread is not None:
            self._thread.join(timeout=10.0)
            self._thread = None
        for feed in (self.camera, self.scale):
            if feed is not None:
                feed.stop()
        for thread in self._finishing:
            thread.join(timeout=30.0)
        if self._pool is not None:
            for _, job in self._jobs:
                with contextlib.suppress(Exception):
                    job.result(timeout=30.0)
            self._collect()
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None
        self._measurer.close()
        self._finder.shutdown(wait=True, cancel_futures=True)

    def order(self, name: str, value: float = 0.0) -> None:
        """An order: 'empty' (photograph the empty rack anew), 'zero' (the scale's), 'scraped' (with how many strokes)."""
        self._orders.put((name, value))

    def view(self) -> View:
        """What is so now.

        Raises:
            BaseException: what ended the analysis, if something did.
        """
        if self._fault is not None:
            raise self._fault
        return self._view

    def next_view(self, number: int, patience_s: float = 0.2) -> View:
        """The first view with another number than that, or the last one where none comes in time."""
        with self._fresh:
            self._fresh.wait_for(lambda: self._view.number != number or self._fault is not None, patience_s)
        return self.view()

    @property
    def ended(self) -> bool:
        """The sources have nothing more to give and all is measured."""
        feeds = [f.state.ended for f in (self.camera, self.scale) if f is not None]
        return bool(feeds) and all(feeds) and not self._busy()

    # -- the analysing thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._halt.is_set():
                self._turn()
        except BaseException as err:
            self._fault = err
            with self._fresh:
                self._fresh.notify_all()
        finally:
            if self._pull.recorder is not None:
                self._end_pull()

    def _turn(self) -> None:
        shot: Shot | None = None
        if self.camera is not None:
            shot = self.camera.next(0.1)
        else:
            time.sleep(0.04)
        self._obey()
        self._collect()
        looked = self.analyst.look(shot) if shot is not None else None
        t, force = self.weigher.force_now()
        now = now_s()
        if not now - t < STALE_S:
            force = float("nan")
        if shot is None and self.camera is not None and self._state.stage in DRAWN and not np.isfinite(force):
            return  # neither is there: nothing new
        seen = self._seen(shot, looked, force, now)
        self._state, events = after(self._state, seen, self._limits())
        for event in events:
            self._happened(event, shot)
        self._mind(shot, looked, seen)
        self._publish(shot, looked, seen)

    def _seen(self, shot: Shot | None, looked: Looked | None, force: float, now: float) -> Seen:
        if looked is not None and shot is not None:
            return Seen(shot.t_s, looked.bow and not looked.knocked, looked.still, looked.draw_mm, force)
        if self.camera is not None:  # the camera is lost: hold on to what is known
            known = bool(self.analyst.models)
            return Seen(now, known, False, float("nan"), force)
        return Seen(now, True, not abs(force) > 2.0, float("nan"), force)

    def _limits(self) -> Limits:
        draw = self._stop_now.draw_mm if self._stop_now is not None else FIRST_SHARE * self.bow.target.draw_length_mm
        return Limits(draw, self.bow.target.draw_weight_n)

    def _happened(self, event: Event, shot: Shot | None) -> None:
        self.events.put(event)
        what = event.what
        if what is Happening.REST and shot is not None:
            self.analyst.take_rest(shot.image)
            self._rests = [shot]
        elif what is Happening.GONE:
            self.analyst.forget_bow()
            self._rests = []
        elif what is Happening.BEGAN:
            self._begin_pull(event)
        elif what is Happening.POINT:
            self._pull.points.append((event.draw_mm, event.force_n))
            if self._pull.recorder is not None and shot is not None and self.options.keep != "all":
                self._pull.recorder.picture(shot.image, shot.t_s, "pull")
                self._pull.kept_mm = event.draw_mm
        elif what is Happening.LOST:
            self._say("the force fell at once: let down, and look for a crack before anything else.")
            if self._pull.recorder is not None:
                self._pull.recorder.note(event.t_s, f"{what.value} to {event.force_n:.0f} N")
        elif what is Happening.ENDED:
            self._end_pull()

    def _mind(self, shot: Shot | None, looked: Looked | None, seen: Seen) -> None:
        """What goes on between the events: zero, rest pictures, the record."""
        stage = self._state.stage
        if stage in DRAWN:
            self._record(shot, seen)
            return
        if seen.t_s - self._zeroed_s > FOLLOW_ZERO_S:
            self._zeroed_s = seen.t_s
            if self.weigher.turn_round():
                self._say("the scale reads backwards: its sign was turned round; mend counts_per_newton in rig.toml.")
            self.weigher.follow_zero()
        if (
            stage is Stage.RESTING
            and shot is not None
            and looked is not None
            and looked.still
            and not np.isfinite(looked.draw_mm if seen.force_n > 2.0 else np.nan)
            and self._rests
            and shot.t_s - self._rests[-1].t_s > 1.0
        ):
            self._rests = [self._rests[0], shot]

    def _begin_pull(self, event: Event) -> None:
        self._pull = _Pull(kept_mm=event.draw_mm)
        warning = disk_warning(self.options.home)
        if warning:
            self._say(warning)
        folder = folder_for(self.options.home, self.bow.name, datetime.now())
        recorder = PullRecorder(folder, *self.texts)
        try:
            recorder.start()
        except FileFault as err:
            self._say(str(err))
            return
        if self.analyst.empty is not None:
            recorder.picture(self.analyst.empty, min(self._empty_s, event.t_s), "empty")
        for rest in self._rests:
            recorder.picture(rest.image, rest.t_s, "rest")
        begun = self._rests[0].t_s if self._rests else event.t_s
        lines, self._pull.lines_to_s = self.weigher.raw_since(begun - BEFORE_S)
        recorder.lines(lines)
        self._pull.recorder = recorder

    def _record(self, shot: Shot | None, seen: Seen) -> None:
        pull = self._pull
        if np.isfinite(seen.draw_mm) and np.isfinite(seen.force_n):
            last = pull.track[-1] if pull.track else None
            if last is None or abs(seen.draw_mm - last[0]) > TRACK_MM or abs(seen.force_n - last[1]) > 1.0:
                pull.track.append((seen.draw_mm, seen.force_n))
        if pull.recorder is None:
            return
        lines, pull.lines_to_s = self.weigher.raw_since(pull.lines_to_s)
        pull.recorder.lines(lines)
        if shot is None:
            return
        if self.options.keep == "all":
            pull.recorder.picture(shot.image, shot.t_s, "pull", must=self._state.stage is Stage.HOLDING)
        elif not abs(seen.draw_mm - pull.kept_mm) < WAYPOINT_MM and np.isfinite(seen.draw_mm):
            pull.recorder.picture(shot.image, shot.t_s, "pull", must=False)
            pull.kept_mm = seen.draw_mm

    def _end_pull(self) -> None:
        pull, recorder = self._pull, self._pull.recorder
        self._since_scraped += 1
        if pull.track:
            self._before = np.array(pull.track)
        if recorder is None:
            return
        lines, _ = self.weigher.raw_since(pull.lines_to_s)
        recorder.lines(lines)
        pull.recorder = None

        def finish() -> None:
            recorder.finish()
            if recorder.fault:
                self._say(recorder.fault)
            if recorder.left_out:
                self._say(f"the disk was slow: {recorder.left_out} pictures between holds were left out.")
            self._measure(recorder.folder)

        thread = threading.Thread(target=finish, name="finish", daemon=True)
        self._finishing = [*(t for t in self._finishing if t.is_alive()), thread]
        thread.start()

    # -- measuring beside it -------------------------------------------------------------------------------------------

    def _measure(self, folder: Path) -> None:
        with self._submitting:
            if self._pool is not None:
                self._jobs.append((folder, self._pool.submit(self._measurer.work_up, folder, self.options.book)))

    def _busy(self) -> bool:
        return any(t.is_alive() for t in self._finishing) or any(not job.done() for _, job in self._jobs)

    def _collect(self) -> None:
        with self._submitting:
            done = [(folder, job) for folder, job in self._jobs if job.done()]
            self._jobs = [(folder, job) for folder, job in self._jobs if not job.done()]
        for folder, job in done:
            mark = folder / UNFINISHED
            try:
                worked = job.result()
            except TillerError as err:
                self._say(f"this pull could not be measured: {err}")
            else:
                self._worked = worked
                if worked.advice.stop is not None:
                    self._stop_now = worked.advice.stop
                for text in worked.beside.said:
                    self._say(text)
                if self.options.keep == "none":
                    shutil.rmtree(folder / "frames", ignore_errors=True)
            mark.unlink(missing_ok=True)

    # -- orders, notes, the view ---------------------------------------------------------------------------------------

    def _obey(self) -> None:
        while True:
            try:
                name, value = self._orders.get_nowait()
            except queue.Empty:
                return
            if name == "empty" and self._state.stage not in DRAWN:
                self.analyst.forget_empty()
                self._state = State(pulls=self._state.pulls, exercises=self._state.exercises)
            elif name == "zero" and self._state.stage not in DRAWN:
                self._say("zero taken." if self.weigher.zero() else "the scale sends nothing: no zero was taken.")
            elif name == "scraped":
                self._since_scraped = 0
                self._scraped(round(value))

    def _scraped(self, strokes: int) -> None:
        """Notes in the book that wood came off after the last measured pull."""
        worked, book = self._worked, self.options.book
        if worked is not None and worked.kept.pull_id is not None and book is not None:
            try:
                with Book(book) as shop:
                    shop.add_scraping(worked.kept.pull_id, strokes, planned_strokes(worked))
            except TillerError as err:
                self._say(str(err))
                return
        self._say(f"scraped, {strokes} strokes: exercise the bow with short pulls, then pull again.")

    def _say(self, text: str) -> None:
        if not self._notes or self._notes[-1] != text:
            self._notes.append(text)

    def _sentence(self, looked: Looked | None, seen: Seen) -> str:
        if self.camera is not None:
            state = self.camera.state
            if not state.good and not state.ended:
                return state.text
        if self.scale is not None:
            state = self.scale.state
            if not state.good and not state.ended:
                return state.text
        if looked is not None and looked.said:
            return looked.said
        stage = self._state.stage
        if stage is Stage.NO_BOW and self.camera is not None and not self.analyst.scene:
            return "Take the bow off the rack: the empty rack is photographed first."
        if stage is Stage.DONE and self._busy():
            return "Let the bow lie still; the pull is being measured."
        if stage is Stage.RESTING and self._worked is not None and not self._busy() and self._since_scraped > 0:
            plan = self._worked.advice.plan
            if plan is not None and plan.layers:
                return "Scrape what the list says, or pull again within the stop."
        if stage is Stage.HOLDING and self._pull.points and abs(self._pull.points[-1][0] - seen.draw_mm) < 3.0:
            return "Point taken. Pull on, or let down."
        return SENTENCES[stage]

    def _publish(self, shot: Shot | None, looked: Looked | None, seen: Seen) -> None:
        if looked is not None and looked.ready and self._empty_s == 0.0 and shot is not None:
            self._empty_s = shot.t_s
        elif looked is not None and not looked.ready:
            self._empty_s = 0.0
        lines = (
            {side: self.analyst.to_pixels(line) for side, line in looked.lines.items()} if looked is not None else {}
        )
        hook = None
        if looked is not None and looked.hook_mm is not None:
            px = self.analyst.to_pixels(np.array([looked.hook_mm]))[0]
            hook = (float(px[0]), float(px[1]))
        self._taken += 1
        drawn = self._state.stage in DRAWN
        view = View(
            self._taken,
            shot.t_s if shot is not None else seen.t_s,
            now_s(),
            shot.image if shot is not None else self._view.image,
            looked if looked is not None else self._view.looked,
            self._state.stage,
            self._sentence(looked, seen),
            seen.draw_mm,
            seen.force_n,
            self._stop_now,
            self._limits(),
            lines if looked is not None else self._view.lines_px,
            hook,
            self.analyst.profile(looked) if looked is not None and drawn else self._view.profiles,
            np.array(self._pull.track) if self._pull.track else np.empty((0, 2)),
            self._before if drawn or not self._pull.track else self._view.before,
            np.array(self._pull.points) if self._pull.points else np.empty((0, 2)),
            self._worked,
            "measuring" if self._busy() else "",
            self.camera.state if self.camera is not None else None,
            self.scale.state if self.scale is not None else None,
            self.weigher.now() if not drawn or self._taken % 10 == 0 else self._view.weighed,
            tuple(self._notes),
            self._state.pulls,
            self._state.exercises,
            self._since_scraped,
            self._pull.recorder.folder if self._pull.recorder is not None else self._view.folder,
        )
        with self._fresh:
            self._view = view
            self._fresh.notify_all()

    def _empty_view(self) -> View:
        nan, none = float("nan"), np.empty((0, 2))
        return View(
            0,
            nan,
            nan,
            None,
            None,
            Stage.NO_BOW,
            "Opening camera and scale.",
            nan,
            nan,
            self._stop_now,
            self._limits(),
            {},
            None,
            {},
            none,
            none,
            none,
            None,
            "",
            None,
            None,
            self.weigher.now(),
            (),
            0,
            0,
            0,
            None,
        )


def planned_strokes(worked: Worked) -> int:
    """Strokes that the plan of a pull asks for in all."""
    plan = worked.advice.plan
    if plan is None:
        return 0
    return sum(sum(strokes([o for o in plan.layers if o.limb == side], worked.beside.stroke_mm)) for side in SIDES)


SENTENCES = {
    Stage.NO_BOW: "Lay the bow in its cradle, string slack, and let go of it.",
    Stage.RESTING: "Pull slowly; hold still now and then; go no further than the stop.",
    Stage.PULLING: "Hold still for a second to take a point.",
    Stage.HOLDING: "Hold still.",
    Stage.BEYOND: "Let down now.",
    Stage.LETTING_DOWN: "Let down slowly, all the way.",
    Stage.DONE: "Let the bow lie still.",
}


def _first_stop(bow: Bow) -> Stop | None:
    return advise_from_file(bow).stop
