"""What is wrong with the sources, in one sentence: a cable that is out, a picture that shows nothing, a scale whose lines give no weight."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import Future
from datetime import date
from pathlib import Path

import numpy as np

from tiller.bow.rigfile import LoadCell
from tiller.live.frame_analysis import Looked
from tiller.live.live_force import Weigher
from tiller.live.recorder import disk_warning
from tiller.live.stages import BEGIN_MM, BEGIN_N, DRAWN, LEFT_N, Seen, State
from tiller.live.view import BoardNow, board_now
from tiller.notes import Note, caution, info
from tiller.quantity import newton
from tiller.sources.feeds import CameraFeed, ScaleFeed
from tiller.sources.interfaces import Image, Shot
from tiller.vision.rig.board import SeenBoard

STALE_S, STALE_READINGS = 0.2, 3.5
"""A force older than this and than so many readings take is no force any more."""
BETWEEN_S = 1.5
"""A camera whose last picture was looked at so lately is not lost: on an old laptop under load there are two a second."""
BLIND_S, BLIND_GAPS = 0.6, 1.5
"""A draw that is not seen for so long, or for so many times the way from one picture to the next, is unknown."""
WEIGHTLESS_S = 1.5
"""So long the draw, or the weight, may be missing before it is reported: the zero takes a second."""


class LastPicture:
    """The last picture that was looked at: what comes between two pictures of a slow camera or machine is as in it.

    Attributes:
        shot: it, None without one, or where it is too old to say anything of now.
        still: nothing moved in it, and it does not show a drawn bow.
        draw_mm, t_s: what it showed, NaN where it did not, and its arrival.
    """

    def __init__(self) -> None:
        self.shot: Shot | None = None
        self.still, self.draw_mm, self.t_s, self._looked_s = False, float("nan"), float("nan"), float("-inf")

    def looked(self, now_s: float, shot: Shot, looked: Looked, force_n: float, state: State) -> None:
        """Another one. ``force_n``: at its own time; ``state``: before it."""
        self.shot, self.draw_mm, self.t_s, self._looked_s = shot, looked.draw_mm, shot.t_s, now_s
        loaded = force_n >= (LEFT_N if state.stage in DRAWN else BEGIN_N)
        self.still = looked.still and not loaded and not looked.draw_mm > state.least_mm + BEGIN_MM

    def no_picture(self, now_s: float) -> None:
        """A moment without a picture."""
        if now_s - self._looked_s >= BETWEEN_S:
            self.forget()
            self.draw_mm = float("nan")

    def forget(self) -> None:
        """It says nothing any more of what comes."""
        self.still, self.shot = False, None


class Watch:
    """Minds how long something has been missing; asked once for each picture."""

    def __init__(self, camera: CameraFeed | None, scale: ScaleFeed | None, weigher: Weigher) -> None:
        self.camera, self.scale, self.weigher = camera, scale, weigher
        self._shown_s = self._looked_s = float("-inf")
        self._gap_s = 0.0
        self._weightless_from_s: float | None = None

    def stale_s(self) -> float:
        """A reading that is older than this is none any more."""
        return max(STALE_S, STALE_READINGS / self.weigher.rate_hz())

    def trouble(self, looked: Looked | None, seen: Seen, drawn: bool) -> str:
        """What is wrong, empty where nothing is."""
        if looked is not None:
            self._gap_s = min(seen.t_s - self._looked_s, BETWEEN_S)
            self._looked_s = seen.t_s
        if not drawn or self.camera is None or np.isfinite(seen.draw_mm) or self._shown_s == float("-inf"):
            self._shown_s = seen.t_s
        blind = seen.t_s - self._shown_s > max(BLIND_S, BLIND_GAPS * self._gap_s)
        weightless = self.scale is not None and not self.scale.state.ended and not np.isfinite(seen.force_n)
        self._weightless_from_s = _since(self._weightless_from_s, weightless, seen.t_s)
        for feed in (self.camera, self.scale):
            state = feed.state if feed is not None else None
            if state is not None and not state.good and not state.ended:
                return state.text
        if self._weightless_from_s is not None and seen.t_s - self._weightless_from_s > WEIGHTLESS_S:
            return f"The weight is unknown, so neither the stop by weight nor a crack is watched: {self._why()}"
        if looked is not None and looked.trouble:
            return looked.trouble
        if blind:
            return "The hook's fiducial is not seen: the draw is unknown and the stop is not watched."
        return ""

    def _why(self) -> str:
        weighed = self.weigher.now()
        if self.weigher.doubt_n:
            return f"the scale reads {newton(self.weigher.doubt_n, sign=True)} by rig.toml's zero; with the string slack press Z."
        if weighed.trouble is not None:
            return f"the board says '{weighed.trouble.replace('_', ' ')}'; look after the load cell and its wires."
        if weighed.rejected:
            most = max(weighed.rejected, key=lambda reason: weighed.rejected[reason])
            return f"{weighed.rejected[most]} lines of the scale could not be used ({most}); look after the load cell, its wires and the port's speed."
        return "the scale sends no reading; look after the board and its cable."


def _since(from_s: float | None, now: bool, t_s: float) -> float | None:
    if not now:
        return None
    return t_s if from_s is None else from_s


ZERO_SHIFT_N, OLD_DAYS = 5.0, 365
"""A zero this far off the calibration's, and a calibration this old, are reported (common practice, no source)."""


def scale_notes(cell: LoadCell | None, shift_n: float, board: str, today: date) -> list[Note]:
    """How far the zero is off the calibration's, how old that is, and whether another board reads the cell now.

    Args:
        cell: what ``rig.toml`` says, None where it has no scale; shift_n: the zero against its own.
        board: name and version that the board sent, empty where it sent none.
    """
    if cell is None:
        return []
    notes = []
    if abs(shift_n) > ZERO_SHIFT_N:
        notes.append(
            caution(
                "scale.zero-shifted",
                f"the scale's zero is {newton(shift_n, sign=True)} off its calibration's: with a known mass 'tiller calibrate check' tells whether it has drifted.",
            )
        )
    with contextlib.suppress(ValueError):  # an old file has no date
        age = (today - date.fromisoformat(cell.calibrated)).days
        if age > OLD_DAYS:
            notes.append(
                info(
                    "scale.old-calibration",
                    f"the load cell was calibrated {age} days ago: check it with a known mass ('tiller calibrate check').",
                )
            )
    if cell.firmware and board and board != cell.firmware:
        notes.append(
            caution(
                "scale.other-board",
                f"the scale's board says '{board}', it was calibrated with '{cell.firmware}': check it with a known mass.",
            )
        )
    return notes


SLACK_S, UNWEIGHED_S, MOST_S = 3.0, 20.0, 120.0
"""After an error of the program's own it goes on until the rope was slack for so long; where no scale tells, for so long; never longer than that."""


class MaybeDrawn:
    """Whether a bow may still be drawn, by the rope's force alone."""

    def __init__(self, begun_s: float) -> None:
        self.begun_s = self._loaded_s = begun_s

    def after(self, now_s: float, force_n: float) -> bool:
        """Whether it may at this time. ``force_n``: NaN where no scale tells it; one that reads backwards is loaded too."""
        known = bool(np.isfinite(force_n))
        if known and abs(force_n) >= BEGIN_N:
            self._loaded_s = now_s
        return now_s - self._loaded_s <= (SLACK_S if known else UNWEIGHED_S) and now_s - self.begun_s < MOST_S


DISK_S, BOARD_S = 20.0, 1.0
"""How often the disk and the board are looked at while nothing is pulled."""


class Rounds:
    """What is looked after now and then while nothing is pulled: the disk, the board, how the camera was opened.

    Args:
        home: where pulls are kept; seek: looks for the board in a picture, elsewhere.
    """

    def __init__(
        self, home: Path, camera: CameraFeed | None, seek: Callable[[Image], Future[SeenBoard | None]]
    ) -> None:
        self._home, self._camera, self._seek = home, camera, seek
        self._disk_s = self._board_s = float("-inf")
        self._boards: Future[SeenBoard | None] | None = None
        self._remarked: tuple[Note, ...] = ()
        self.board = BoardNow()

    def look(self, shot: Shot | None, t_s: float) -> tuple[Note, ...]:
        """What is new at this time."""
        out: list[Note] = []
        if t_s - self._disk_s > DISK_S:
            self._disk_s = t_s
            warning = disk_warning(self._home)
            if warning:
                out.append(caution("live.disk-full", warning))
        if self._camera is not None:
            remarks = self._camera.camera.remarks
            out += [note for note in remarks if note not in self._remarked]
            self._remarked = remarks
        if self._boards is not None and self._boards.done():
            board, self._boards = self._boards.result(), None
            self.board = board_now(board)
        elif shot is not None and self._boards is None and t_s - self._board_s > BOARD_S:
            self._board_s = t_s
            self._boards = self._seek(shot.image)
        return tuple(out)
