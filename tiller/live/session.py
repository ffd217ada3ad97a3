"""The live rack: camera, scale, analysis and recording side by side, each at its own pace; what is so now as one ``View``.

Threads: one reads the camera, one the scale, one looks at each picture and minds the stages of the pull, one writes; a
process beside them measures what was recorded. Whoever shows it takes the newest ``View`` and gives orders by name.
"""

from __future__ import annotations

import queue
import shutil
import threading
import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow, BowString
from tiller.bow.rigfile import LoadCell, Rig
from tiller.errors import FileFault, TillerError
from tiller.live.frame_analysis import Analyst, Looked
from tiller.live.health import LastPicture, MaybeDrawn, Rounds, Watch, scale_notes
from tiller.live.live_force import Weigher
from tiller.live.measuring import Measuring
from tiller.live.recorder import Options, PullRecorder, PullUnderWay, folder_for, settle, unfinished
from tiller.live.stages import BEGIN_MM, BEGIN_N, DRAWN, Event, Happening, Limits, Seen, State, after
from tiller.live.view import (
    ALARM,
    BLIND,
    LIGHT,
    SENTENCES,
    Answers,
    View,
    broken_view,
    drawn_sentence,
    empty_view,
    no_bow,
    resting,
    stop_changed,
)
from tiller.measure.followup.advice import advise_from_file
from tiller.measure.restrung import MARK as NEW_STRING_MARK
from tiller.measure.worker import Worked
from tiller.mechanics.forward.stop import FIRST_SHARE, Stop
from tiller.notes import Note, caution, halt, info
from tiller.quantity import newton
from tiller.report.text.comparison import NOTHING_OFF
from tiller.setup.stringing import BowNow, Found, StopNow, WantedWeight
from tiller.sources.feeds import CameraFeed, ScaleFeed
from tiller.sources.interfaces import Camera, Scale, Shot, Stage, now_s

Array = NDArray[np.float64]

PATIENCE_S = 30.0
"""So long a session that ends waits for pulls that are being measured."""
WAYPOINT_MM = 30.0
"""Where nobody holds, a picture is kept every so often, so that the pull can be measured all the same."""
FOLLOW_ZERO_S = 0.5
BEFORE_S = 0.8
"""Lines of the scale are kept from so long before the rest picture: they show the zero."""
TRACK_MM = 1.0


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
        self.rig, self.options = rig, options
        self._now = BowNow(bow, texts, options.bow_file)
        self._finder = ThreadPoolExecutor(1, "finding")
        self.analyst = Analyst(bow, rig, self._finder)
        self.weigher = Weigher(rig.load_cell or LoadCell(counts_per_newton=1.0, zero_counts=0.0))
        self.camera = CameraFeed(camera) if camera is not None else None
        self.scale = ScaleFeed(scale, self.weigher.feed) if scale is not None else None
        self.events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._orders: queue.SimpleQueue[tuple[str, float | Found | WantedWeight]] = queue.SimpleQueue()
        self._stop = StopNow(stop if stop is not None else advise_from_file(bow).stop, options.new_string)
        self._state = State()
        self._pull = PullUnderWay()
        self._before: Array = np.empty((0, 2))
        self._rests: list[Shot] = []
        self._empty_s = 0.0
        self._notes: deque[Note] = deque(maxlen=8)
        self._worked: Worked | None = None
        self.measuring = Measuring(options.book)
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None
        self._fault: BaseException | None = None
        self._raised = False
        self._since_scraped = 0
        self._plan_holds = False
        self._alarm, self._force_s = "", float("nan")
        self._watch = Watch(self.camera, self.scale, self.weigher)
        self._knocked = False
        self._string: BowString | None = None
        self._rounds = Rounds(
            options.home, self.camera, lambda image: self._finder.submit(self.analyst.seek_markers, image)
        )
        self._shift_noted = False
        self._last = LastPicture()
        self._zeroed_s, self._taken = 0.0, 0
        self._view = empty_view(self._stop.stop, self._limits(), self.weigher.now())
        self._fresh = threading.Condition()

    # -- what others call ----------------------------------------------------------------------------------------------

    @property
    def bow(self) -> Bow:
        """The bow as its file says it by now."""
        return self._now.bow

    def start(self) -> None:
        """Begins: sources, analysis, and the process that measures."""
        self.measuring.start()
        for folder in unfinished(self.options.home):
            self._say(info("live.cut-off", f"a pull that was cut off is found in {folder.name}: it is measured now."))
            self.measuring.measure(folder)
        for feed in (self.camera, self.scale):
            if feed is not None:
                feed.start()
        for note in self.options.notes:
            self._say(note)
        if self.camera is None:
            self._say(caution("live.no-camera", BLIND))
        if self.scale is None:
            self._say(caution("live.no-scale", LIGHT))
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends cleanly: the pull that is going on is kept, no thread and no process is left. Raises what ended the analysis, unless ``view`` did."""
        self._halt.set()
        if self._thread is not None:
            self._thread.join(timeout=10.0)
            self._thread = None
        for feed in (self.camera, self.scale):
            if feed is not None:
                feed.stop()
        self.measuring.wait(PATIENCE_S)
        self._collect()
        self.measuring.stop()
        self._finder.shutdown(wait=True, cancel_futures=True)
        if self._fault is not None and not self._raised:
            self._raised = True
            raise self._fault

    def order(self, name: str, value: float | Found | WantedWeight = 0.0) -> None:
        """An order: 'empty' (photograph the empty rack anew), 'zero' (the scale's), 'scraped' (with how many strokes), 'string' (another one is on), 'feature' (a knot or
        the like)."""
        self._orders.put((name, value))

    def view(self) -> View:
        """What is so now.

        Raises:
            BaseException: what ended the analysis, if something did.
        """
        if self._fault is not None:
            self._raised = True
            raise self._fault
        return self._view

    def next_view(self, number: int, patience_s: float = 0.2) -> View:
        """The first view with another number than that, or the last one where none comes in time."""
        with self._fresh:
            self._fresh.wait_for(lambda: self._view.number != number or self._fault is not None, patience_s)
        return self.view()

    def peek(self, number: int, patience_s: float) -> View:
        """The same for whoever only looks on: what ended the analysis is not raised."""
        with self._fresh:
            self._fresh.wait_for(lambda: self._view.number != number, patience_s)
        return self._view

    @property
    def busy(self) -> bool:
        """A pull is being written or measured."""
        return self.measuring.busy

    @property
    def ended(self) -> bool:
        """The sources have nothing more to give and all is measured."""
        feeds = [f.state.ended for f in (self.camera, self.scale) if f is not None]
        return bool(feeds) and all(feeds) and not self.measuring.busy

    # -- the analysing thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._halt.is_set():
                self._turn()
        except BaseException as err:
            try:
                if isinstance(err, Exception) and (self._pull.recorder is not None or self._state.stage in DRAWN):
                    self._let_down_first()
            finally:
                self._fault = err
                with self._fresh:
                    self._fresh.notify_all()
        finally:
            if self._pull.recorder is not None:
                self._end_pull()

    def _let_down_first(self) -> None:
        """After an error of the program's own over a bow that may be drawn: an alarm, and what camera and scale give is still recorded."""
        drawn = MaybeDrawn(now_s())
        while not self._halt.is_set():
            shot = self.camera.next(0.1) if self.camera is not None else None
            if self.camera is None:
                time.sleep(0.04)
            at_s, force = self.weigher.force_now()
            recorder = self._pull.recorder
            if recorder is not None:
                lines, self._pull.lines_to_s = self.weigher.raw_since(self._pull.lines_to_s)
                recorder.lines(lines)
                if shot is not None:
                    recorder.picture(shot.image, shot.t_s, "pull", must=False)
            now = now_s()
            fresh = self.scale is not None and now - at_s < self._watch.stale_s()
            self._taken += 1
            with self._fresh:
                self._view = broken_view(self._view, self._taken, shot, force if fresh else float("nan"))
                self._fresh.notify_all()
            if not drawn.after(now, force if fresh else float("nan")):
                return

    def _turn(self) -> None:
        shot: Shot | None = None
        if self.camera is not None:
            shot = self.camera.next(0.1)
        else:
            time.sleep(0.04)
        self._obey()
        self._collect()
        if self._string is not None and self._state.stage not in DRAWN:
            self._strung(self._string)
        looked = self.analyst.look(shot) if shot is not None else None
        self._knocked = looked.knocked if looked is not None else self._knocked
        if (fault := self.analyst.remark()) != "":
            self._say(caution("live.remark", fault))
        t, force = self.weigher.force_now()
        self._force_s = t
        now = now_s()
        if not now - t < self._watch.stale_s():
            force = float("nan")
        seen = self._seen(shot, looked, force, now)
        self._state, events = after(self._state, seen, self._limits())
        for event in events:
            self._happened(event, self._last.shot)  # one that comes between two pictures is of the last
        self._mind(shot, looked, seen)
        self._publish(shot, looked, seen)

    def _seen(self, shot: Shot | None, looked: Looked | None, force: float, now: float) -> Seen:
        if looked is not None and shot is not None:
            # a late picture's draw goes with the force of its own moment, else every let-down looks like a crack
            then = self.weigher.force_at(shot.t_s) if np.isfinite(force) else force
            self._last.looked(now, shot, looked, then, self._state)
            return Seen(
                t_s=shot.t_s, bow=looked.bow, still=looked.still, draw_mm=looked.draw_mm, force_n=then, newest_n=force
            )
        if self.camera is not None:
            # between two pictures: as in the last one; where the camera is lost, what is known of the bow is held on to
            self._last.no_picture(now)
            known = bool(self.analyst.models)
            return Seen(t_s=now, bow=known, still=self._last.still, draw_mm=float("nan"), force_n=force)
        return Seen(
            t_s=now, bow=bool(np.isfinite(force)), still=bool(abs(force) < 2.0), draw_mm=float("nan"), force_n=force
        )

    def _limits(self) -> Limits:
        most = self.bow.target.draw_length_mm
        stop = self._stop.stop.draw_mm if self._stop.stop is not None else np.nan
        return Limits(min(stop if np.isfinite(stop) else FIRST_SHARE * most, most), self.bow.target.draw_weight_n)

    def _happened(self, event: Event, shot: Shot | None) -> None:
        self.events.put(event)
        what = event.what
        if what is Happening.REST and shot is not None:
            if not self._knocked:  # a rest shape in a picture that stands elsewhere would be a wrong one
                self.analyst.take_rest(shot.image)
            self._rests = [shot]
        elif what is Happening.GONE:
            self.analyst.forget_bow()
            self._rests = []
        elif what is Happening.BEGAN:
            self._begin_pull(event)
        elif what is Happening.POINT:
            self._pull.points.append((event.draw_mm, event.force_n))
            if self.options.keep != "all":
                self._pull.keep(shot, event.draw_mm, must=True)
        elif what is Happening.LOST:
            self._alarm = ALARM
            self._say(halt("live.force-fell", f"the force dropped suddenly, to {newton(max(event.force_n, 0.0))}."))
            if self._pull.recorder is not None:
                self._pull.recorder.note(event.t_s, f"{what.value} to {event.force_n:.0f} N")
        elif what is Happening.ENDED:
            self._last.forget()  # the next rest is of a picture that is still to come
            self._end_pull()

    def _mind(self, shot: Shot | None, looked: Looked | None, seen: Seen) -> None:
        """What goes on between the events: zero, rest pictures, the record."""
        stage = self._state.stage
        if stage in DRAWN:
            self._record(shot, seen)
            return
        if seen.t_s - self._zeroed_s > FOLLOW_ZERO_S:
            self._zeroed_s = seen.t_s
            risen = self.camera is None or seen.draw_mm > self._state.least_mm + BEGIN_MM
            if risen and self.weigher.turn_round():
                self._say(
                    caution(
                        "scale.sign-turned",
                        "the scale reads backwards: its sign was turned round; correct counts_per_newton in rig.toml.",
                    )
                )
            self.weigher.follow_zero()
            if not self._shift_noted and np.isfinite(self.weigher.shift_n):
                self._shift_noted = True
                hello = self.weigher.now().hello
                board = f"{hello.name} {hello.version}" if hello is not None else ""
                for note in scale_notes(self.rig.load_cell, self.weigher.shift_n, board, datetime.now().date()):
                    self._say(note)
        for note in self._rounds.look(shot, seen.t_s):
            self._say(note)
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
        self._pull = PullUnderWay(event.draw_mm)
        folder = folder_for(self.options.home, self.bow.name, datetime.now())
        self._stop.pull_begins(folder)
        recorder = PullRecorder(folder, self._now.texts[0], self._now.texts[1], weighed=self.scale is not None)
        try:
            recorder.start()
        except FileFault as err:
            self._say(halt("live.not-kept", err.marked))
            return
        if self._stop.new_string:
            recorder.mark(NEW_STRING_MARK)
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
        if pull.recorder.fault != pull.fault_noted:
            pull.fault_noted = pull.recorder.fault
            self._say(caution("live.recorder", pull.fault_noted))
        lines, pull.lines_to_s = self.weigher.raw_since(pull.lines_to_s)
        pull.recorder.lines(lines)
        if shot is None:
            return
        if np.isfinite(seen.draw_mm):
            pull.recorder.draw(shot.t_s, seen.draw_mm)
        if self.options.keep == "all":
            pull.recorder.picture(shot.image, shot.t_s, "pull", must=self._state.stage is Stage.HOLDING)
        elif not abs(seen.draw_mm - pull.kept_mm) < WAYPOINT_MM and np.isfinite(seen.draw_mm):
            pull.keep(shot, seen.draw_mm, must=False)

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
            if recorder.fault and recorder.fault != pull.fault_noted:
                self._say(caution("live.recorder", recorder.fault))
            if recorder.left_out:
                self._say(
                    caution(
                        "live.disk-slow",
                        f"the disk was slow: {recorder.left_out} pictures between holds were left out.",
                    )
                )
            if self.camera is None:  # there is nothing of it for the book
                self._say(caution("live.no-camera", BLIND))
                settle(recorder.folder, BLIND)
                return
            self.measuring.measure(recorder.folder)

        self.measuring.finish(finish)

    # -- measuring beside it -------------------------------------------------------------------------------------------

    def _collect(self) -> None:
        noted = self.measuring.noted()
        if noted is not None and noted[1] is None:
            self._noted(noted[0])
        elif noted is not None:
            self._say(caution("live.scraping-unnoted", f"the scraping was not noted: {noted[1]}"))
        for folder, worked in self.measuring.done():
            if isinstance(worked, TillerError):
                if self._halt.is_set():
                    continue  # ended with the session: it is measured at the next start
                self._say(caution("live.not-measured", f"this pull could not be measured: {worked.marked}"))
                settle(folder, str(worked))
                continue
            if worked.bow == self.bow.name and not self._stop.is_of_now(folder):
                self._worked = (
                    worked  # of the bow before its string or its file was changed: its stop and plan are not this one's
                )
            elif worked.bow == self.bow.name:
                self._string = worked.string if worked.string is not None else self._string
                self._worked, self._plan_holds = worked, True  # nothing is scraped while it is measured
                before = self._limits().draw_mm
                self._stop.measured(worked.advice.stop, worked.string is not None)
                if self._state.stage in DRAWN and self._limits().draw_mm < before:
                    self._say(stop_changed(self._limits()))
                if worked.comparison.nothing_off and self._since_scraped <= 1 < self._state.pulls:
                    self._say(NOTHING_OFF)
                for note in worked.comparison.notes:
                    self._say(note)
            else:
                self._say(info("live.other-bow", f"the pull in {folder.name} was of {worked.bow}; it is in the book."))
            if self.options.keep == "none":
                shutil.rmtree(folder / "frames", ignore_errors=True)
            settle(folder)

    def _strung(self, string: BowString) -> None:
        """From now on the bow has this string."""
        self._stop.new_string, self._string = False, None
        self._say(self._now.restring(string))
        self.analyst.change(self.bow)
        self._seek_again()

    def _seek_again(self) -> None:
        """The bow is sought from scratch, and its rest shape taken anew."""
        self.analyst.forget_bow()
        self._state, self._rests = State(pulls=self._state.pulls, exercises=self._state.exercises), []

    # -- orders, notes, the view ---------------------------------------------------------------------------------------

    def _obey(self) -> None:
        while True:
            try:
                name, value = self._orders.get_nowait()
            except queue.Empty:
                return
            if name == "looked":
                self._alarm = ""
            elif self._state.stage in DRAWN:
                self._say(halt("live.drawn", f"not while the bow is drawn: let down first ({name})."))
            elif name == "empty" and self.weigher.force_now()[1] >= BEGIN_N:
                self._say(Answers.LOADED)
            elif name == "empty":
                self.analyst.forget_empty()
                self._empty_s, self._rests, self._knocked = 0.0, [], False
                self._state = State(pulls=self._state.pulls, exercises=self._state.exercises)
            elif name == "zero":
                taken = self.weigher.zero()
                self._say(Answers.ZERO if taken else Answers.NO_ZERO)
            elif name in ("scraped", "scraped otherwise") and isinstance(value, float | int):
                self._scraped(round(value) if name == "scraped" else None)
            elif isinstance(value, Found | WantedWeight):
                before = self.bow
                self._say(self._now.add(value))
                self._plan_holds = False
                self._stop.other_file(before, self.bow)
                self.analyst.change(self.bow)
            elif name == "string":
                self._stop.another_string(self.bow)
                self._plan_holds = False
                self._seek_again()
                self._say(self._now.note_new_string())

    def _scraped(self, strokes: int | None) -> None:
        """Notes in the book that wood came off after the last measured pull; None: not by the list."""
        worked = self._worked
        if self.measuring.busy or self.measuring.noting:
            self._say(Answers.NOT_YET)
            return
        if worked is None or self._since_scraped == 0:
            self._say(Answers.NO_PULL_YET if worked is None else Answers.NOTED_ALREADY)
            return
        if not self.measuring.note(worked, strokes):
            self._noted(strokes)
            return
        self._say(Answers.NOTING)

    def _noted(self, strokes: int | None) -> None:
        self._since_scraped, self._plan_holds = 0, False
        self._say(Answers.scraped(strokes))

    def _say(self, note: Note) -> None:
        if not self._notes or self._notes[-1] != note:
            self._notes.append(note)

    def _sentence(self, looked: Looked | None, seen: Seen) -> str:
        stage = self._state.stage
        trouble = self._watch.trouble(looked, seen, stage in DRAWN)
        if stage in DRAWN:
            points = self._pull.points
            taken = bool(points) and abs(points[-1][0] - self._last.draw_mm) < 3.0
            return drawn_sentence(stage, self._alarm, trouble, taken)
        if self._alarm:
            return self._alarm
        if trouble:
            return trouble
        if stage is Stage.NO_BOW:
            return no_bow(seen.force_n, self.camera is None or self.analyst.scene is not None)
        if stage is Stage.DONE and self.measuring.busy:
            return "Let the bow lie still; the pull is being measured."
        if stage is Stage.RESTING:
            return resting(self._worked if self._plan_holds else None, self.measuring.busy and self.camera is not None)
        return SENTENCES[stage]

    def _publish(self, shot: Shot | None, looked: Looked | None, seen: Seen) -> None:
        if looked is not None and looked.ready and self._empty_s == 0.0 and shot is not None:
            self._empty_s = shot.t_s
        elif looked is not None and not looked.ready:
            self._empty_s = 0.0
        self._taken += 1
        drawn = self._state.stage in DRAWN
        view = View(
            number=self._taken,
            shot_s=shot.t_s if shot is not None else seen.t_s,
            made_s=now_s(),
            image=shot.image if shot is not None else self._view.image,
            looked=looked if looked is not None else self._view.looked,
            stage=self._state.stage,
            sentence=self._sentence(looked, seen),
            draw_mm=self._last.draw_mm if self.camera is not None else seen.draw_mm,
            force_n=seen.newest_n if np.isfinite(seen.newest_n) else seen.force_n,
            stop=self._stop.stop,
            limits=self._limits(),
            lines_px=self.analyst.lines_px(looked) if looked is not None else self._view.lines_px,
            hook_px=self.analyst.hook_px(looked),
            profiles=self.analyst.profile(looked) if looked is not None and drawn else self._view.profiles,
            track=np.array(self._pull.track) if self._pull.track else np.empty((0, 2)),
            before=self._before if drawn or not self._pull.track else self._view.before,
            points=np.array(self._pull.points) if self._pull.points else np.empty((0, 2)),
            worked=self._worked,
            busy="measuring" if self.measuring.busy else "",
            camera=self.camera.state if self.camera is not None else None,
            scale=self.scale.state if self.scale is not None else None,
            weighed=self.weigher.now() if not drawn or self._taken % 10 == 0 else self._view.weighed,
            notes=tuple(self._notes),
            pulls=self._state.pulls,
            exercises=self._state.exercises,
            since_scraped=self._since_scraped,
            folder=self._pull.recorder.folder if self._pull.recorder is not None else self._view.folder,
            plan_holds=self._plan_holds,
            alarm=self._alarm,
            stations_mm=self.analyst.stations_mm() if looked is not None else self._view.stations_mm,
            board=self._rounds.board,
            force_s=self._force_s,
            draw_s=self._last.t_s,
        )
        if self.options.watch is not None:
            waits = self.measuring.busy and not drawn
            self.options.watch(self.analyst.scene is not None, Stage.DONE if waits else self._state.stage)
        with self._fresh:
            self._view = view
            self._fresh.notify_all()
