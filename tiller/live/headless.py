"""The live rack without a window: a status line on the terminal, or JSON lines for other programs."""

from __future__ import annotations

import json
import os
import queue
import select
import shutil
import sys
import threading
import time
from typing import Any, TextIO

import numpy as np

from tiller.bow.sides import SIDES
from tiller.live.session import Rack
from tiller.live.sound import Sounds
from tiller.live.stages import DRAWN, Event, Happening
from tiller.live.view import BROKEN, View, planned_strokes
from tiller.measure.worker import Worked
from tiller.notes import Note, written
from tiller.output import control
from tiller.quantity import plain_data
from tiller.report.data import advice_json
from tiller.report.style import Units
from tiller.report.text.advice import advice_words
from tiller.report.text.pull import CAUTION

STATUS_S = 0.2
JSON_S = 0.1


def _one(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None


def view_json(view: View) -> dict[str, Any]:
    """The keys of a JSON line that says what is so now."""
    return {
        "kind": "now",
        "t_s": _one(view.shot_s),
        "stage": view.stage.value,
        "draw_mm": _one(view.draw_mm if view.draw_s == view.shot_s else float("nan")),  # not of an older picture
        "force_n": _one(view.force_n),
        "stop_mm": _one(view.limits.draw_mm),
        "alarm": view.alarm,
        "next": view.sentence,
        "pulls": view.pulls,
        "exercises": view.exercises,
        "busy": view.busy,
    }


def event_json(event: Event) -> dict[str, Any]:
    """The keys of a JSON line that says what happened."""
    return {
        "kind": "event",
        "t_s": _one(event.t_s),
        "what": event.what.value,
        "draw_mm": _one(event.draw_mm),
        "force_n": _one(event.force_n),
    }


def worked_json(worked: Worked, rack: Rack) -> dict[str, Any]:
    """The keys of a JSON line that says what a pull showed."""
    return {
        "kind": "measured",
        "recording": worked.recording.name,
        "pull": worked.kept.pull_id,
        "marks": [
            {"limb": side, "from_mm": m.from_mm, "to_mm": m.to_mm, "kind": m.kind, "departure": m.departure, "sd": m.sd}
            for side in SIDES
            for m in worked.result.limb(side).marks
        ],
        **advice_json(worked.advice, rack.bow),
    }


def status(view: View, units: Units) -> str:
    """The status line."""
    draw = units.length(view.draw_mm) if np.isfinite(view.draw_mm) else "--"
    force = units.force(view.force_n) if np.isfinite(view.force_n) else "--"
    return f"{view.stage.value:16s} draw {draw:>8s}  force {force:>8s}  stop {units.length(view.limits.draw_mm):>8s}"


def run(
    rack: Rack,
    units: Units,
    as_json: bool = False,
    out: TextIO = sys.stdout,
    for_s: float | None = None,
    keys: int | None = None,
) -> int:
    """Runs until the sources end, ``for_s`` is over, Q or Ctrl-C; returns the exit code.

    Args:
        keys: number of the file that orders come from, a line each; None = the standard input.
    """
    sounds = Sounds(out if not as_json else None)
    teller = _Teller(rack, units, as_json, out)
    if as_json:
        print(json.dumps({"kind": "caution", "text": CAUTION}), file=out, flush=True)
    else:
        if sounds.silent:
            print("No tone can be played on this system: watch the status line for the stop.", file=out)
        print(f"{CAUTION}\n\n{KEYS}\n", file=out, flush=True)
    rack.start()
    begun = time.monotonic()
    orders = _Orders(rack, teller, _keyboard() if keys is None else keys)
    try:
        number = 0
        while not rack.ended and not orders.quit and (for_s is None or time.monotonic() - begun < for_s):
            orders.obey()
            view = rack.next_view(number)
            number = view.number
            teller.say(view)
            sounds.mind(view.stage, teller.happened, view.alarm == BROKEN)
        if for_s is not None and time.monotonic() - begun >= for_s:
            then = ", and is measured at the next start" if rack.camera is not None else ""
            kept = f"; the pull that was going on is kept{then}" if rack.view().stage in DRAWN else ""
            teller.line(f"The time that --for gave is over{kept}.")
    except KeyboardInterrupt:
        teller.line("Stopped; what was pulled is kept.")
    finally:
        if rack.busy:
            teller.line("The last pull is being measured, half a minute at most; Ctrl-C ends now.")
        rack.stop()
        sounds.close()
        teller.say(rack.view(), last=True)
    return 0


ORDERS = {"E": "empty", "Z": "zero", "B": "string", "K": "looked"}
KEYS = "Keys, each with Enter: E photographs the empty rack, Z takes the scale's zero, S 12 notes 12 strokes scraped, B another string is on, K checked and undamaged, C the cautions, Q quits."


def _keyboard() -> int | None:
    """The number of the standard input, None where there is none."""
    try:
        return sys.stdin.fileno()
    except (OSError, ValueError, AttributeError):  # closed, or not a file at all
        return None


class _Orders:
    """Lines from the keyboard, or from the program that reads the JSON lines: a letter, as the window's keys, and Enter.

    Nothing waits for them: what is there is read between two views.
    """

    def __init__(self, rack: Rack, teller: _Teller, source: int | None) -> None:
        self.rack, self.teller, self.quit = rack, teller, False
        self._source, self._begun = source, b""
        self._came: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        if sys.platform == "win32" and source is not None and not os.isatty(source):
            # a pipe cannot be asked there whether something has come: a thread waits, and is left behind at the end
            threading.Thread(target=self._wait, args=(source,), name="orders", daemon=True).start()

    def _wait(self, source: int) -> None:
        while data := os.read(source, 4096):
            self._came.put(data)

    def _lines(self) -> list[str]:
        """Whole lines that came since the last time."""
        if sys.platform == "win32":
            import msvcrt

            while not self._came.empty():
                self._begun += self._came.get()
            while self._source is not None and os.isatty(self._source) and msvcrt.kbhit():
                self._begun += msvcrt.getwche().replace("\r", "\n").encode()
        else:
            while self._source is not None and select.select([self._source], [], [], 0)[0]:
                data = os.read(self._source, 4096)
                self._begun += data
                if not data:  # nobody orders any more
                    self._source = None
        *whole, self._begun = self._begun.split(b"\n")
        return [line.decode(errors="replace") for line in whole]

    def obey(self) -> None:
        """Does what was asked for since the last time."""
        for words in (line.upper().split() for line in self._lines()):
            if not words:
                continue
            name, made = words[0], planned_strokes(worked) if (worked := self.rack.view().worked) is not None else 0
            if name in ORDERS:
                self.rack.order(ORDERS[name])
            elif name == "S" and (len(words) == 1 or _strokes(words[1]) is not None):
                self.rack.order("scraped", float(_strokes(words[1]) or 0) if len(words) > 1 else made)
            elif name == "C":
                self.teller.line(CAUTION)
            elif name == "Q":
                self.quit = True
            else:
                self.teller.line(f"'{' '.join(words)}' is no key here. {KEYS}")


MOST_STROKES = 9999


def _strokes(text: str) -> int | None:
    """A number of strokes that somebody may have made; None where it is none."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 4 and int(text) <= MOST_STROKES else None


class _Teller:
    """Says what is new."""

    def __init__(self, rack: Rack, units: Units, as_json: bool, out: TextIO) -> None:
        self.rack, self.units, self.as_json, self.out = rack, units, as_json, out
        self.happened: tuple[Event, ...] = ()
        self._last, self._notes, self._worked = 0.0, 0, None
        self._shown: tuple[Note, ...] = ()
        self._sentence = ""
        self._seen_worked: Worked | None = None

    def line(self, text: str) -> None:
        """A line of its own, above the status line."""
        if not self.as_json:
            self._clear()
            print(text, file=self.out, flush=True)

    def _clear(self) -> None:
        if self.out.isatty():
            control(self.out, "\r\x1b[K")

    def _json(self, value: dict[str, Any]) -> None:
        print(json.dumps(plain_data(value), allow_nan=False), file=self.out, flush=True)

    def say(self, view: View, last: bool = False) -> None:
        """Events, notes and results that are new, and what is so now."""
        self._say_events()
        for note in (note for note in view.notes if note not in self._shown):
            if self.as_json:
                self._json({"kind": "note", **written(note)})
            else:
                self.line(f"Note: {self.units.words(note.text)}")
        self._shown = view.notes
        if view.worked is not None and view.worked is not self._seen_worked:
            self._seen_worked = view.worked
            self._say_result(view.worked)
        now = time.monotonic()
        if last or now - self._last < (JSON_S if self.as_json else STATUS_S):
            return
        self._last = now
        if not self.as_json and view.sentence != self._sentence:
            self._sentence = view.sentence
            self.line(f"{view.stage.value}: {self.units.words(view.sentence)}")
        if self.as_json:
            self._json(view_json(view))
        elif self.out.isatty():
            wide = shutil.get_terminal_size().columns - 1
            self._clear()
            print(status(view, self.units)[:wide], end="", file=self.out, flush=True)

    def _say_events(self) -> None:
        events = []
        while True:
            try:
                events.append(self.rack.events.get_nowait())
            except queue.Empty:
                break
        self.happened = tuple(events)
        for event in events:
            if self.as_json:
                self._json(event_json(event))
            elif event.what is Happening.POINT:
                self.line(f"  point: {self.units.length(event.draw_mm)}, {self.units.force(event.force_n)}")
            else:
                self.line(event.what.value)

    def _say_result(self, worked: Worked) -> None:
        if self.as_json:
            self._json(worked_json(worked, self.rack))
            return
        for side in SIDES:
            for m in worked.result.limb(side).marks:
                span = f"{self.units.length(m.from_mm)} to {self.units.length(m.to_mm)}"
                self.line(f"{side} limb {m.kind} from {span}: {100 * m.departure:+.0f} ± {100 * m.sd:.0f} %")
        self.line(advice_words(worked.advice, self.rack.bow, self.units, False, worked.comparison.stroke_mm))
