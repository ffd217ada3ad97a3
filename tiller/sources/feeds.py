"""Threads that keep a camera and a scale going: always reading, finding them again when they are lost.

Of pictures the newest win: a few may wait for whoever is late for a moment, what is older is let go of and counted, so that no
lag can grow.
"""

from __future__ import annotations

import threading
import zlib
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from tiller.errors import SourceFault
from tiller.sources.interfaces import Camera, Ended, Image, Lines, Scale, Shot, now_s

AGAIN_S = 0.4
"""How long to wait before a source that was lost is opened again."""
SILENT_S = 1.5
ANEW_S = 3.0
"""A source that is open and silent for this long is closed and opened anew."""
SAME_S = 1.5
"""Pictures that are the same to the last bit for this long come of a camera that hangs."""
WAITING = 3
"""Pictures that may wait: a tenth of a second."""
LATE_S = 0.2
"""Who is later than this with looking at them takes the newest: what is shown must not fall behind the bow."""


@dataclass(frozen=True, kw_only=True)
class FeedState:
    """How a source does.

    Attributes:
        good: it gives what it shall; text: else what is wrong and what to do.
        count, missed: pictures (or lines) that came, and pictures that nobody looked at.
        rate_hz: how many a second came lately.
        losses: how often it was lost.
        ended: it has nothing more to give.
    """

    good: bool
    text: str
    count: int
    missed: int
    rate_hz: float
    losses: int
    ended: bool


class _Feed(ABC):
    """What both have in common."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._lock = threading.Condition()
        self._good, self._text, self._ended = False, f"{name}: opening", False
        self._count = self._missed = self._losses = 0
        self._opened_s = now_s()
        self._times: deque[float] = deque(maxlen=60)

    def start(self) -> None:
        """Begins."""
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends and waits for it."""
        self._stop.set()
        with self._lock:
            self._lock.notify_all()
        if self._thread is not None:
            self._thread.join(timeout=6.0)
            self._thread = None

    @property
    def state(self) -> FeedState:
        """How it does now."""
        with self._lock:
            good, text = self._good, self._text
            silent = now_s() - max(self._opened_s, self._times[-1] if self._times else 0.0)
            if good and not self._ended and silent > SILENT_S:
                good, text = False, f"{self.name} has sent nothing for {silent:.0f} s: check its cable."
            span = self._times[-1] - self._times[0] if len(self._times) > 1 else 0.0
            rate = (len(self._times) - 1) / span if span > 0 else 0.0
            return FeedState(
                good=good,
                text=text,
                count=self._count,
                missed=self._missed,
                rate_hz=rate,
                losses=self._losses,
                ended=self._ended,
            )

    def _say(self, good: bool, text: str, lost: bool = False) -> None:
        with self._lock:
            self._good, self._text = good, text
            self._losses += int(lost)
            self._lock.notify_all()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                try:
                    self._open()
                except Exception as err:  # whatever a driver throws: the source is tried again and it is reported
                    self._say(False, self._words(err))
                    self._stop.wait(AGAIN_S)
                    continue
                with self._lock:
                    self._opened_s = now_s()
                self._say(True, "")
                try:
                    while not self._stop.is_set():
                        if not self._step():
                            with self._lock:
                                self._ended = True
                                self._lock.notify_all()
                            return
                        self._watch_silence()
                except Exception as err:
                    self._say(False, self._words(err), lost=True)
                    self._close_quietly()
                    self._stop.wait(AGAIN_S)
        finally:
            self._close_quietly()

    def _words(self, err: Exception) -> str:
        if isinstance(err, SourceFault):
            return str(err)
        return f"{self.name} failed ({type(err).__name__}: {err}): check its cable; it is opened anew."

    def _watch_silence(self) -> None:
        with self._lock:
            last = max(self._opened_s, self._times[-1] if self._times else 0.0)
        if now_s() - last > ANEW_S:
            msg = f"{self.name} is open but has sent nothing for {ANEW_S:.0f} s: is it the right one, and is it switched on?"
            raise SourceFault(msg)

    def _close_quietly(self) -> None:
        try:
            self._close()
        except Exception as err:
            self._say(False, self._words(err))

    @abstractmethod
    def _open(self) -> None:
        """Opens the source."""

    @abstractmethod
    def _step(self) -> bool:
        """Reads once; False where the source has ended."""

    @abstractmethod
    def _close(self) -> None:
        """Lets go of the source."""


class CameraFeed(_Feed):
    """Keeps a camera going."""

    def __init__(self, camera: Camera) -> None:
        super().__init__(camera.name)
        self.camera = camera
        self._waiting: deque[Shot] = deque(maxlen=WAITING)
        self._mark, self._same_since = -1, 0.0

    def _open(self) -> None:
        self.camera.open()
        self._mark = -1

    def _close(self) -> None:
        self.camera.close()

    def _step(self) -> bool:
        shot = self.camera.read()
        if isinstance(shot, Ended):
            return False
        self._watch(shot)
        with self._lock:
            self._missed += int(len(self._waiting) == WAITING)
            self._count += 1
            self._waiting.append(Shot(shot.image, shot.t_s, self._count))
            self._times.append(shot.t_s)
            self._lock.notify_all()
        return True

    def _watch(self, shot: Shot) -> None:
        mark = zlib.crc32(shot.image[::41, ::37].tobytes())
        if mark != self._mark:
            self._mark, self._same_since = mark, shot.t_s
        elif shot.t_s - self._same_since > SAME_S and not self.camera.may_repeat:
            msg = f"{self.name} sends the same picture again and again: it hangs and is opened anew."
            raise SourceFault(msg)

    def next(self, patience_s: float) -> Shot | None:
        """The next picture, of the newest few; None if none comes in time."""
        with self._lock:
            self._lock.wait_for(lambda: self._stop.is_set() or self._ended or bool(self._waiting), patience_s)
            while len(self._waiting) > 1 and now_s() - self._waiting[0].t_s > LATE_S:
                self._waiting.popleft()
                self._missed += 1
            return self._waiting.popleft() if self._waiting else None


class ScaleFeed(_Feed):
    """Keeps a scale going; ``listen`` is called with every batch of lines, in the feed's own thread."""

    def __init__(self, scale: Scale, listen: Callable[[Lines], None]) -> None:
        super().__init__(scale.name)
        self.scale, self.listen = scale, listen

    def _open(self) -> None:
        self.scale.open()

    def _close(self) -> None:
        self.scale.close()

    def _step(self) -> bool:
        lines = self.scale.read()
        if isinstance(lines, Ended):
            return False
        if lines:
            self.listen(lines)
            with self._lock:
                self._count += len(lines)
                self._times.extend(t for t, _ in lines)
        return True


def small(image: Image, step: int = 8) -> Image:
    """Every ``step``-th pixel of a picture, its green, for telling change."""
    return image[::step, ::step, 1]
