"""Writes a pull as it happens: a recording's folder that is whole at every moment.

Pictures are on disk before a line names them; lines are on disk within half a second. A file ``unfinished`` stands in
the folder until the pull is measured: one that is found later was cut off by a crash or a power cut, and is measured then.
Who records holds a lock on it, so that another rack does not take a running pull for one that was cut off.
"""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Literal

import cv2

from tiller.errors import FileFault
from tiller.measure.recording import DRAWS, FORCE
from tiller.notes import Note
from tiller.sources.interfaces import Image, Lines, Shot, Stage, now_s

Keep = Literal["all", "holds", "none"]
KEEPS: tuple[Keep, ...] = ("all", "holds", "none")
UNFINISHED = "unfinished"
UNMEASURED = "unmeasured"
"""Stands in place of ``unfinished``, with the reason in it, where a pull could not be measured: it is not tried at every start."""
SYNC_S = 0.4
QUALITY = 92
LOCKED_AT = 1_000_000
"""Where the system locks bytes and not files: the one that is locked, beyond what anybody reads."""
LAST_S = 30.0
"""So long the end of a pull waits for the disk, after the bow was let down."""
TOO_SLOW = "the disk is too slow: part of this pull is not kept."
LEAST_FREE_MB = 400
WAITING = 24
"""Pictures that may wait for the disk; when it is slower, pictures between holds are left out and counted."""


def free_mb(folder: Path) -> float:
    """Free space where a folder is or will be, MB."""
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    return shutil.disk_usage(place).free / 1e6


def disk_warning(folder: Path) -> str:
    """What to say before a pull where the disk is nearly full; empty where it is not."""
    free = free_mb(folder)
    if free >= LEAST_FREE_MB:
        return ""
    return f"only {free:.0f} MB are free on the disk: a pull may not be kept; free some space first."


def folder_for(home: Path, bow: str, when: datetime) -> Path:
    """A new folder's name for a pull."""
    plain = "".join(c if c.isalnum() or c in "-_" else "-" for c in bow).strip("-") or "bow"
    stem = f"{when:%Y%m%d-%H%M%S}"
    folder, number = home / plain / stem, 1
    while folder.exists():
        number += 1
        folder = home / plain / f"{stem}-{number}"
    return folder


def unfinished(home: Path) -> tuple[Path, ...]:
    """Folders of pulls that were cut off, oldest first."""
    return tuple(sorted(mark.parent for mark in home.glob(f"*/*/{UNFINISHED}") if _is_free(mark)))


def settle(folder: Path, reason: str = "") -> None:
    """A recorded pull was measured; or could not be, for a reason, which stays in its folder."""
    mark = folder / UNFINISHED
    try:
        if reason:
            _whole(folder / UNMEASURED, reason.encode())
        mark.unlink(missing_ok=True)
    except OSError:  # it is tried again at the next start, which does no harm
        return


def lock(file: int) -> bool:
    """Locks an open file for this process; whether nobody else has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(file, LOCKED_AT, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is_free(mark: Path) -> bool:
    try:
        file = os.open(mark, os.O_RDWR)
    except OSError:
        return False
    try:
        return lock(file)
    finally:
        os.close(file)


@dataclass(frozen=True)
class _Job:
    """A picture or a note to write; neither: only time to sync."""

    image: Image | None = None
    t_s: float = 0.0
    role: str = ""
    note: str = ""


class PullRecorder:
    """Writes one pull in a thread of its own."""

    def __init__(self, folder: Path, bow_toml: str, rig_toml: str, weighed: bool = True) -> None:
        self.folder, self.weighed = folder, weighed
        self._bow, self._rig = bow_toml, rig_toml
        self._jobs: queue.Queue[_Job | None] = queue.Queue(maxsize=4 * WAITING)
        self._thread: threading.Thread | None = None
        self._number = 0
        self._force = self._mark = self._draws = -1
        self._files = (
            threading.Lock()
        )  # held while one of these three is written to or closed: a closed number may be another file's
        self._ended = False  # the last job was taken; used by the thread alone
        self.left_out = 0
        self.fault = ""
        self.pictures = 0

    def start(self) -> None:
        """Makes the folder and begins.

        Raises:
            FileFault: the folder cannot be made.
        """
        try:
            (self.folder / "frames").mkdir(parents=True)
            _whole(self.folder / UNFINISHED, b"")
            self._mark = os.open(self.folder / UNFINISHED, os.O_RDWR)
            lock(self._mark)
            _whole(self.folder / "bow.toml", self._bow.encode())
            _whole(self.folder / "rig.toml", self._rig.encode())
            _whole(self.folder / "frames.csv", b"file,t_s,role\n")
            if self.weighed:  # no force.csv says that there was no scale
                _whole(self.folder / FORCE, b"t_s,line\n")
                self._force = os.open(self.folder / FORCE, os.O_WRONLY | os.O_APPEND)
                _whole(self.folder / DRAWS, b"t_s,draw_mm\n")
                self._draws = os.open(self.folder / DRAWS, os.O_WRONLY | os.O_APPEND)
            for place in (self.folder / "frames", self.folder, self.folder.parent, self.folder.parent.parent):
                _sync_folder(place)
        except OSError as err:
            self._close_files()
            msg = f"{self.folder} could not be written ({err.strerror}): free some space or choose another place; this pull is not kept."
            raise FileFault(msg) from err
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def mark(self, name: str) -> None:
        """Puts an empty file of that name into the folder; where that cannot be done ``fault`` says so."""
        try:
            (self.folder / name).touch()
        except OSError as err:
            self.fault = f"{self.folder} cannot be written ({err.strerror}): free some space."

    def picture(self, image: Image, t_s: float, role: str, must: bool = True) -> bool:
        """Takes a picture; one that need not be kept is left out where the disk is too slow. Whether it was taken."""
        if not must and self._jobs.qsize() > WAITING:
            self.left_out += 1
            return False
        return self._put(_Job(image, t_s, role))

    def lines(self, lines: Lines) -> None:
        """Writes lines of the scale immediately: they do not wait behind a picture; the recorder's thread sees them onto the disk."""
        # a line may hold anything that came over the wire
        rows = [f'{t:.4f},"{line.replace(chr(34), chr(34) * 2)}"\n' for t, line in lines]
        with self._files:
            self._append(self._force, "".join(rows))

    def draw(self, t_s: float, draw_mm: float) -> None:
        """Writes the draw that a picture showed, whether the picture is kept or not: with the force it tells how late the scale is."""
        with self._files:
            self._append(self._draws, f"{t_s:.4f},{draw_mm:.3f}\n")

    def _append(self, file: int, text: str) -> None:
        if file < 0:
            return
        try:
            data = text.encode("utf-8", "replace")
            while data:  # a disk that is nearly full takes part of it
                data = data[os.write(file, data) :]
        except OSError as err:
            self.fault = self.fault or self._words(err)

    def _words(self, err: OSError) -> str:
        return f"{self.folder} could not be written ({err.strerror}): let down and free some space; part of this pull is not kept."

    def note(self, t_s: float, text: str) -> None:
        """Marks something that happened in this pull."""
        self._put(_Job(t_s=t_s, note=text))

    def _put(self, job: _Job) -> bool:
        """Hands something in and never waits: whoever does watches the stop. Whether it was taken."""
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            self.fault = self.fault or TOO_SLOW
            return False
        return True

    def finish(self) -> None:
        """Writes what is left. The mark stays until the pull is measured: whoever does that takes it away."""
        if self._thread is None:
            return
        with contextlib.suppress(queue.Full):
            self._jobs.put(None, timeout=LAST_S)
        self._thread.join(timeout=LAST_S)
        if self._thread.is_alive():
            self.fault = self.fault or TOO_SLOW
        self._thread = None

    def _run(self) -> None:
        try:
            self._write()
        except Exception as err:  # whatever it is, it is reported, and the pull goes on
            self.fault = f"{self.folder} could not be written ({type(err).__name__}: {err}): let down; part of this pull is not kept."
            self._close_files()
            self._refuse()
        finally:
            self._close_files()

    def _close_files(self) -> None:
        with self._files:
            files, self._force, self._mark, self._draws = (self._force, self._mark, self._draws), -1, -1, -1
            for file in files:
                if file >= 0:
                    os.close(file)

    def _refuse(self) -> None:
        """Takes what is handed in until the pull ends, and keeps none of it."""
        while not self._ended:
            self._ended = self._jobs.get() is None

    def _write(self) -> None:
        try:
            with (self.folder / "frames.csv").open("ab") as frames:
                synced = now_s()
                while True:
                    try:
                        job = self._jobs.get(timeout=SYNC_S)
                    except queue.Empty:
                        job = _Job()
                    if job is None:
                        self._ended = True
                        break
                    try:
                        if job.image is not None:
                            self._write_picture(frames, job)
                        if job.note:
                            self._write_note(job)
                        if now_s() - synced >= SYNC_S:
                            self._sync_force()
                            synced = now_s()
                    except OSError as err:  # reported immediately; the next picture may find room again
                        self.fault = self._words(err) if self.fault in ("", TOO_SLOW) else self.fault
                self._sync_force()
                _sync(frames)
        except OSError as err:
            self.fault = self._words(err)
            self._close_files()
            self._refuse()

    def _write_note(self, job: _Job) -> None:
        with (self.folder / "notes.csv").open("ab") as file:
            file.write(f'{job.t_s:.4f},"{job.note}"\n'.encode())
            _sync(file)

    def _sync_force(self) -> None:
        for file in (self._force, self._draws):
            if file >= 0:
                os.fsync(file)

    def _write_picture(self, frames: IO[bytes], job: _Job) -> None:
        if job.image is None:
            return
        good, data = cv2.imencode(".jpg", job.image, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        if not good:
            self.fault = self.fault or "a picture could not be encoded: it is not kept."
            return
        name = f"frames/{self._number:05d}_{job.role}.jpg"
        _whole(self.folder / name, data.tobytes())
        _sync_folder(self.folder / "frames")
        frames.write(f"{name},{job.t_s:.4f},{job.role}\n".encode())
        _sync(frames)
        self._number += 1
        self.pictures += 1


def _sync(file: IO[bytes]) -> None:
    file.flush()
    os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Sees a folder's names onto the disk, where the system can."""
    if os.name != "posix":
        return
    file = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _whole(path: Path, data: bytes) -> None:
    with path.open("wb") as file:
        file.write(data)
        _sync(file)


@dataclass(frozen=True, kw_only=True)
class Options:
    """How the rack is run.

    Attributes:
        home: where pulls are kept; book: the shop's book, None = no entries.
        keep: pictures of a pull that are kept.
        notes: what is known of the bow or its stave and worth saying at the start.
        new_string: another string is on since the last session, not measured yet.
        bow_file: the bow's own file, into which another string is written; None = none.
        watch: called at each turn with whether the empty rack is known, and the stage; called by the analysing thread.
    """

    home: Path
    book: Path | None
    keep: Keep = "holds"
    notes: tuple[Note, ...] = ()
    watch: Callable[[bool, Stage], None] | None = None
    bow_file: Path | None = None
    new_string: bool = False


class PullUnderWay:
    """The pull that is going on; used by the analysing thread alone."""

    def __init__(self, kept_mm: float = float("nan")) -> None:
        self.recorder: PullRecorder | None = None
        self.track: list[tuple[float, float]] = []
        self.points: list[tuple[float, float]] = []
        self.kept_mm, self._kept_s = kept_mm, float("nan")
        self.lines_to_s = float("-inf")
        self.fault_noted = ""

    def keep(self, shot: Shot | None, draw_mm: float, must: bool) -> None:
        """Records a picture of this pull, once."""
        if self.recorder is None or shot is None:
            return
        if shot.t_s != self._kept_s and self.recorder.picture(shot.image, shot.t_s, "pull", must=must):
            self._kept_s = shot.t_s
        self.kept_mm = draw_mm
