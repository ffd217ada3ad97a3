"""The rack in software, in real time: pictures and scale lines as a camera and a board would send them.

Run as a program it is a process of its own: pictures go through shared memory, lines through a pseudo-terminal or a socket, as
bytes that pyserial reads.
"""

from __future__ import annotations

import json
import os
import pickle
import queue
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import count
from multiprocessing import resource_tracker, shared_memory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiller.simulate.bowmaker import BowTruth
from tiller.simulate.record import HYSTERESIS, Plan, scenery_for, toml_bow, toml_rig
from tiller.simulate.render import Painter, Setting
from tiller.simulate.serial import WRAP, TrueCell, line_of
from tiller.simulate.shoot import Shooter, TrueShape

Array = NDArray[np.float64]
AHEAD = 2
SLOTS = AHEAD + 4
"""Pictures in the shared memory: one is painted, one waits to be queued, some lie ready, and the reader has one to copy."""
GRID_MM = 12.0
BEFORE_S, HOLD_PATIENCE_S = 0.1, 8.0
"""Who waits for the word to pull has not begun to: the string is slack still. Nobody holds longer than this for a point."""


@dataclass(frozen=True, kw_only=True)
class Course:
    """How the pulls of a session go.

    Attributes:
        empty_s, rest_s: how long the rack stays empty, and the bow lies still before each pull.
        holds: holds of each pull on the way up, hold_s long; speed_mm_s of rope, down_mm_s of the let-down.
        largest_mm: largest draw of each pull, one after the other; then the bow lies still.
    """

    empty_s: float = 4.5
    rest_s: float = 3.5
    holds: int = 7
    hold_s: float = 1.5
    speed_mm_s: float = 110.0
    down_mm_s: float = 260.0
    down_holds: int = 2
    largest_mm: tuple[float, ...] = (480.0,)


@dataclass(frozen=True)
class Moment:
    """What is so at a moment: a bow on the rack, its draw (None: at rest), and whether it goes down."""

    present: bool
    draw_mm: float | None
    down: bool
    held_s: float
    done: bool


@dataclass(frozen=True)
class Timeline:
    """Times and draws of a session."""

    course: Course
    first_mm: float
    knots_s: tuple[float, ...] = field(default=())
    knots_mm: tuple[float, ...] = field(default=())

    @staticmethod
    def of(course: Course, first_mm: float) -> Timeline:
        """The session of a course, from the draw at which the string is taut."""
        t, times, draws = course.empty_s, [], []
        for largest in course.largest_mm:
            t += course.rest_s
            at = first_mm
            times.append(t)
            draws.append(at)
            stops = list(np.linspace(first_mm, largest, course.holds + 1)[1:])
            back = [first_mm + s * (largest - first_mm) for s in np.linspace(1, 0, course.down_holds + 2)[1:]]
            for stop, speed in [(s, course.speed_mm_s) for s in stops] + [(s, course.down_mm_s) for s in back]:
                t += abs(stop - at) / speed
                times.append(t)
                draws.append(float(stop))
                if stop != back[-1]:
                    t += course.hold_s
                    times.append(t)
                    draws.append(float(stop))
                at = float(stop)
            times.append(t + 1e-3)
            draws.append(float("nan"))
            t += 0.5
        return Timeline(course, first_mm, tuple(times), tuple(draws))

    @property
    def end_s(self) -> float:
        """When the last pull is over."""
        return self.knots_s[-1]

    @property
    def gates(self) -> tuple[Gate, ...]:
        """When the bow is laid in, the moments before each pull begins, and the ends of the holds on the way up."""
        out = [Gate(self.course.empty_s), Gate(self.knots_s[0] - BEFORE_S)]
        for k in range(1, len(self.knots_s) - 1):
            before, here, after = self.knots_mm[k - 1], self.knots_mm[k], self.knots_mm[k + 1]
            if not np.isfinite(before):
                out.append(Gate(self.knots_s[k] - BEFORE_S))
            elif here == before and after > here:
                out.append(Gate(self.knots_s[k] - BEFORE_S, HOLD_PATIENCE_S))
        return tuple(out)

    def at(self, t_s: float) -> Moment:
        """What is so then."""
        present = t_s >= self.course.empty_s
        k = int(np.searchsorted(self.knots_s, t_s, side="right")) - 1
        if k < 0 or k + 1 >= len(self.knots_s) or not np.isfinite(self.knots_mm[k]):
            return Moment(present, None, False, 0.0, t_s > self.end_s)
        t0, t1, a, b = self.knots_s[k], self.knots_s[k + 1], self.knots_mm[k], self.knots_mm[k + 1]
        if not np.isfinite(b):
            return Moment(present, a, True, 0.0, False)
        draw = a + (b - a) * (t_s - t0) / (t1 - t0)
        down = b < a or (b == a and k > 0 and self.knots_mm[k - 1] > a)
        return Moment(present, draw, down, t_s - t0 if a == b else 0.0, False)


@dataclass(frozen=True)
class Gate:
    """A moment of the session that waits for a word, and how long it does."""

    t_s: float
    patience_s: float = float("inf")


class Cues:
    """The session's own time: it stands still before the bow is laid in, before each pull and in each hold until the word is given.

    Who works at a real rack waits for what the screen says; a session that only goes by the clock outruns a slow machine.

    Args:
        gates: what waits for a word each, in order.
        start_s: the clock's time at which the session began.
    """

    def __init__(self, gates: Sequence[Gate], start_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._gates, self._lost_s, self._start_s, self._clock = deque(gates), 0.0, start_s, clock
        self._lock = threading.Lock()

    def at(self, clock_s: float) -> float:
        """The session's time at a moment of the clock, counted from its start."""
        with self._lock:
            course = clock_s - self._lost_s
            while self._gates and course > self._gates[0].t_s:
                gate = self._gates[0]
                if course - gate.t_s < gate.patience_s:
                    return gate.t_s
                self._pass(course)
                course = clock_s - self._lost_s
            return course

    def add(self, gates: Sequence[Gate]) -> None:
        """More moments that wait for a word."""
        with self._lock:
            self._gates.extend(gates)

    def go(self) -> None:
        """The word: the next gate is open; what was waited for does not count."""
        with self._lock:
            if self._gates:
                self._pass(self._clock() - self._start_s - self._lost_s)

    def _pass(self, course_s: float) -> None:
        self._lost_s += max(course_s - self._gates.popleft().t_s, 0.0)


class Shapes:
    """The bow's shapes between those that were solved, every few mm of draw."""

    def __init__(self, bow: BowTruth, largest_mm: float) -> None:
        shooter = Shooter(bow)
        self.rest = shooter.rest()
        self.first_mm = shooter.taut_draw() + 2.0
        self.draws = np.arange(self.first_mm, largest_mm + GRID_MM + 1, GRID_MM)
        self.solved = [shooter.at(float(d)) for d in self.draws]

    def at(self, draw_mm: float) -> TrueShape:
        """The shape at a draw."""
        k = int(np.clip((draw_mm - self.draws[0]) // GRID_MM, 0, len(self.draws) - 2))
        share = float(np.clip((draw_mm - self.draws[k]) / GRID_MM, 0.0, 1.0))
        a, b = self.solved[k], self.solved[k + 1]
        mixed = {
            name: (1 - share) * getattr(a, name) + share * getattr(b, name) for name in TrueShape.__dataclass_fields__
        }
        return TrueShape(**mixed)


def _force(shapes: Shapes, moment: Moment) -> float:
    if moment.draw_mm is None:
        return 0.0
    force = shapes.at(moment.draw_mm).force_n
    if moment.down:
        return force * (1 - HYSTERESIS)
    return force * (1 - 0.008 * min(moment.held_s / 2.0, 1.0))


class LiveRack:
    """A rack with its bow, to be asked for its picture and its force at any moment."""

    def __init__(
        self,
        bow: BowTruth,
        course: Course,
        setting: Setting,
        seed: int,
        size: tuple[int, int] = (1920, 1080),
        shapes: Shapes | None = None,
    ) -> None:
        self.bow = bow
        plan = Plan(seed=seed, size=size)
        rng = np.random.default_rng(seed)
        self.scenery = scenery_for(plan, setting, rng)
        self.cell = TrueCell(
            counts_per_newton=float(rng.uniform(4000, 10000)),
            zero_counts=float(rng.uniform(-60000, 60000)),
            drift_n=0.0,
            noise_n=0.15,
            rate_hz=80.0,
            lag_s=0.05,
        )
        self.bow_toml, self.rig_toml = toml_bow(bow, plan, rng), toml_rig(self.scenery, self.cell, plan, rng)
        self.course, self.seed = course, seed
        self.rng = np.random.default_rng(seed + 2)
        self._shapes = shapes

    @cached_property
    def shapes(self) -> Shapes:
        """The bow's shapes, solved when they are first needed."""
        return self._shapes or Shapes(self.bow, max(self.course.largest_mm, default=300.0))

    @cached_property
    def timeline(self) -> Timeline:
        """The session in time."""
        return Timeline.of(self.course, self.shapes.first_mm)

    @cached_property
    def painter(self) -> Painter:
        """What paints the pictures."""
        return Painter(self.scenery, self.bow, self.seed + 1)

    def picture(self, t_s: float) -> NDArray[np.uint8]:
        """The camera's picture then."""
        if t_s < self.course.empty_s:  # the bow need not be solved yet
            return self.painter.picture(None, None)
        moment = self.timeline.at(t_s)
        if not moment.present:
            return self.painter.picture(None, None)
        if moment.draw_mm is None:
            return self.painter.picture(self.shapes.rest, None)
        shape = self.shapes.at(moment.draw_mm)
        return self.painter.picture(shape, shape.hook_mm)

    def force_n(self, t_s: float) -> float:
        """The true force then."""
        if t_s < self.course.empty_s:
            return 0.0
        return _force(self.shapes, self.timeline.at(t_s))

    def line(self, t_s: float, course_s: float | None = None) -> str:
        """The scale's line of that moment of its clock; ``course_s``: the session's time then, if it is another."""
        counts = self.cell.zero_counts + self.cell.counts_per_newton * (
            self.force_n(t_s if course_s is None else course_s) + self.rng.normal(0, self.cell.noise_n)
        )
        return line_of("W", int(1000 * t_s + 50_000) % WRAP, int(round(counts)))


def _play(rack: LiveRack, options: dict[str, Any]) -> None:
    memory = shared_memory.SharedMemory(options["memory"])
    resource_tracker.unregister(memory._name, "shared_memory")  # type: ignore[attr-defined]  # noqa: SLF001  # it is the parent's
    width, height = rack.scenery.camera.size
    slots: NDArray[np.uint8] = np.ndarray((SLOTS, height, width, 3), dtype=np.uint8, buffer=memory.buf)
    rack.picture(0.0)  # the painter's tables; the bow's shapes are solved by a thread while the rack is still empty
    threading.Thread(target=lambda: rack.timeline, daemon=True).start()
    start = time.monotonic()
    cues = Cues([Gate(rack.course.empty_s)], start) if options.get("waits") else Cues([], start)
    threading.Thread(target=_hear, args=(rack, cues), daemon=True).start()
    threading.Thread(target=_send_lines, args=(rack, options, start, cues), daemon=True).start()
    period = 1.0 / float(options.get("rate_hz", 30.0))
    painted: queue.Queue[tuple[int, float]] = queue.Queue(AHEAD)
    threading.Thread(target=_show, args=(painted, start), daemon=True).start()
    tick = 0
    for number in count(1):
        # a camera's clock goes on whatever happens: ticks for which the painting would come too late are left out
        tick = max(tick + 1, int(np.ceil((time.monotonic() - start) / period)))
        slots[(number - 1) % SLOTS] = rack.picture(cues.at(tick * period))
        painted.put((number, tick * period))


def _hear(rack: LiveRack, cues: Cues) -> None:
    """Gives the word for each line that comes in."""
    first = True
    for _ in sys.stdin:
        if first:  # the later gates are known once the bow is solved
            cues.add(rack.timeline.gates[1:])
            first = False
        cues.go()


def _show(painted: queue.Queue[tuple[int, float]], start: float) -> None:
    """Says that a picture is there, each at its own moment."""
    while True:
        number, due = painted.get()
        time.sleep(max(start + due - time.monotonic(), 0.0))
        try:
            sys.stdout.buffer.write(b"%d\n" % number)
            sys.stdout.buffer.flush()
        except OSError:
            os._exit(0)  # nobody looks any more


def _send_lines(rack: LiveRack, options: dict[str, Any], start: float, cues: Cues) -> None:
    if "fd" in options:
        fd = int(options["fd"])

        def send(data: bytes) -> None:
            os.write(fd, data)
    else:
        link = socket.create_connection(("127.0.0.1", int(options["port"])))

        def send(data: bytes) -> None:
            link.sendall(data)

    period = 1.0 / rack.cell.rate_hz
    try:
        send((line_of("H", "rackcell", "1.0", int(rack.cell.rate_hz)) + "\r\n").encode())
        number = 0
        while True:
            send((rack.line(number * period, cues.at(number * period)) + "\r\n").encode())
            number += 1
            left = start + number * period + rack.cell.lag_s - time.monotonic()
            if left > 0:
                time.sleep(left)
    except OSError:
        return


def main() -> None:
    """Plays the session that the arguments describe, a pickled ``LiveRack``'s makings in a file."""
    options = json.loads(sys.argv[1])
    with open(options["making"], "rb") as file:
        making = pickle.load(file)  # noqa: S301  (from our own process, or a private file of it)
    _play(LiveRack(**making), options)


if __name__ == "__main__":
    main()
