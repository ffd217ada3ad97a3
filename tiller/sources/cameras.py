"""Cameras: a device, a video file, an address on the network, a recording played again."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import cv2
import numpy as np

from tiller.errors import RecordingFault, SourceFault
from tiller.measure.recording import Picture, Recording, read_picture
from tiller.notes import Note, caution
from tiller.sources.interfaces import ENDED, Ended, Image, Shot, now_s

SETTLE_PICTURES = 25
"""A camera's first pictures are taken while exposure and focus still move."""
OTHER_NUMBERS = 6
"""A camera that was plugged in again may come back under another number: as many are tried."""
MOST_PIXELS = 100_000_000
"""As of a picture that is read from a file."""
ADDRESS = re.compile(r"^(https?|rtsp|udp)://", re.I)


def camera_of(text: str, size: tuple[int, int] | None = None) -> DeviceCamera | VideoFile:
    """The camera that a user means: a number, a device, an address on the network, or a video file.

    Raises:
        SourceFault: none of these.
    """
    if text.isdigit():
        return DeviceCamera(int(text), size)
    if ADDRESS.match(text) or text.startswith("/dev/"):
        return DeviceCamera(text, None if ADDRESS.match(text) else size)
    if Path(text).is_file():
        return VideoFile(Path(text))
    msg = f"'{text}' is no camera: give its number (0, 1, ...), a device, an address (http://..., rtsp://...) or a video file."
    raise SourceFault(msg)


def next_picture(capture: cv2.VideoCapture, name: str) -> Image | None:
    """The next picture, None where there is none; its size is looked at before it is unpacked into colours.

    Raises:
        SourceFault: it is larger than any camera's.
    """
    if not capture.grab():
        return None
    size = capture.get(cv2.CAP_PROP_FRAME_WIDTH), capture.get(cv2.CAP_PROP_FRAME_HEIGHT)
    if size[0] * size[1] > MOST_PIXELS:
        msg = f"{name} sends pictures of {size[0]:.0f}x{size[1]:.0f} pixels, more than any camera at a rack: choose a smaller size (1920x1080 is enough)."
        raise SourceFault(msg)
    good, image = capture.retrieve()
    return np.asarray(image, dtype=np.uint8) if good and image is not None else None


class DeviceCamera:
    """A camera by number, device or address.

    Args:
        where: number, device path or address.
        size: width and height to ask for; None = as it comes.
    """

    def __init__(self, where: int | str, size: tuple[int, int] | None = None) -> None:
        self.where, self.size = where, size
        self._remarks: tuple[Note, ...] = ()
        self._fault = ""
        self._found: int | str | None = None
        self._capture: cv2.VideoCapture | None = None
        self._number = 0

    @property
    def name(self) -> str:
        return f"camera {self.where}"

    @property
    def may_repeat(self) -> bool:
        return isinstance(self.where, str) and ADDRESS.match(self.where) is not None

    @property
    def remarks(self) -> tuple[Note, ...]:
        return self._remarks

    def open(self) -> None:
        self.close()
        self._fault, self._remarks = "", ()
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # what is wrong is reported in our words
        capture = self._try(self.where)
        if capture is None and self._found is not None and isinstance(self.where, int):
            others = (n for n in range(OTHER_NUMBERS) if n != self.where)
            capture = next((c for c in map(self._try, others) if c is not None), None)
            if capture is not None:
                note = caution(
                    "camera.replaced",
                    f"camera {self.where} is gone and camera {self._found} was taken in its place: see that it is the one at the rack.",
                )
                self._remarks = (*self._remarks, note)
        if capture is None and self._fault:
            raise SourceFault(self._fault)
        if capture is None:
            msg = f"{self.name} gives no picture: is it plugged in, switched on, and not in use by another program?"
            raise SourceFault(msg)
        self._capture, self._number = capture, 0

    def _try(self, where: int | str) -> cv2.VideoCapture | None:
        network = isinstance(where, str) and ADDRESS.match(where) is not None
        if network:
            wait = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, 3000, cv2.CAP_PROP_READ_TIMEOUT_MSEC, 2000]
            capture = cv2.VideoCapture(str(where), cv2.CAP_FFMPEG, wait)
        else:
            capture = cv2.VideoCapture(where)
        if not capture.isOpened():
            capture.release()
            return None
        if not network:
            self._set_up(capture)
        try:
            image = next_picture(capture, f"camera {where}")
        except SourceFault as err:
            self._fault, image = str(err), None
        if image is None:
            capture.release()
            return None
        if self.size is not None and (image.shape[1], image.shape[0]) != self.size:
            capture.release()
            self._fault = self._fault or (
                f"camera {where} gives {image.shape[1]}x{image.shape[0]} pixels but rig.toml's lens was calibrated at {self.size[0]}x{self.size[1]}:"
                " choose a camera that can, or calibrate the lens at this size."
            )
            return None
        self._found = where
        for _ in range(0 if network else SETTLE_PICTURES):
            capture.read()
        if not network:
            self._lock(capture)
        return capture

    def _set_up(self, capture: cv2.VideoCapture) -> None:
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))  # first: else some give 5 pictures a second
        if self.size is not None:
            capture.set(cv2.CAP_PROP_FRAME_WIDTH, self.size[0])
            capture.set(cv2.CAP_PROP_FRAME_HEIGHT, self.size[1])
        capture.set(cv2.CAP_PROP_FPS, 30)
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)

    def _lock(self, capture: cv2.VideoCapture) -> None:
        """Holds exposure, white balance and focus where they are, as far as the driver lets it; what it says is kept."""
        manual = 1.0 if sys.platform.startswith("linux") else 0.25
        exposure, focus = capture.get(cv2.CAP_PROP_EXPOSURE), capture.get(cv2.CAP_PROP_FOCUS)
        capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, manual)
        capture.set(cv2.CAP_PROP_EXPOSURE, exposure)
        capture.set(cv2.CAP_PROP_AUTO_WB, 0)
        capture.set(cv2.CAP_PROP_AUTOFOCUS, 0)
        capture.set(cv2.CAP_PROP_FOCUS, focus)
        free = [
            name
            for name, key, wanted in (
                ("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, manual),
                ("focus", cv2.CAP_PROP_AUTOFOCUS, 0.0),
            )
            if abs(float(capture.get(key)) - wanted) > 1e-3 and not (name == "focus" and capture.get(key) < 0)
        ]
        if free:
            note = caution(
                "camera.unlocked",
                f"{self.name}: {' and '.join(free)} cannot be locked: lock it with the camera's own settings; a picture that changes spoils the comparison with the empty one.",
            )
            self._remarks = (*self._remarks, note)
        rate = float(capture.get(cv2.CAP_PROP_FPS))
        if 0 < rate < 14:
            note = caution(
                "camera.slow",
                f"{self.name} gives {rate:.0f} pictures a second: pull slowly, and give it more light or a smaller picture.",
            )
            self._remarks = (*self._remarks, note)

    def read(self) -> Shot | Ended:
        if self._capture is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        image = next_picture(self._capture, self.name)
        t = now_s()
        if image is None:
            msg = f"{self.name} was lost: check its cable."
            raise SourceFault(msg)
        self._number += 1
        return Shot(image, t, self._number)

    def close(self) -> None:
        if self._capture is not None:
            self._capture.release()
            self._capture = None


class VideoFile:
    """A video file, played at its own pace; without ``paced`` as fast as it is read."""

    def __init__(self, path: Path, paced: bool = True) -> None:
        self.path, self.paced = path, paced
        self._capture: cv2.VideoCapture | None = None
        self._number, self._start, self._step = 0, 0.0, 1 / 30

    @property
    def name(self) -> str:
        return self.path.name

    @property
    def may_repeat(self) -> bool:
        return True

    @property
    def remarks(self) -> tuple[Note, ...]:
        return ()

    @property
    def rate_hz(self) -> float:
        """Pictures a second of the file, once it was opened."""
        return 1 / self._step

    def open(self) -> None:
        self.close()
        capture = cv2.VideoCapture(str(self.path))
        if not capture.isOpened():
            msg = f"{self.path} cannot be played as a video: give another file, or a recording's folder with --replay."
            raise SourceFault(msg)
        rate = float(capture.get(cv2.CAP_PROP_FPS))
        self._capture, self._number, self._start = capture, 0, now_s()
        self._step = 1 / rate if 1.0 <= rate <= 240.0 else 1 / 30

    def read(self) -> Shot | Ended:
        if self._capture is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        image = next_picture(self._capture, self.name)
        if image is None:
            return ENDED
        if self.paced:
            wait(self._start + self._number * self._step)
        self._number += 1
        return Shot(image, now_s(), self._number)

    def close(self) -> None:
        if self._capture is not None:
            self._capture.release()
            self._capture = None


class ReplayedCamera:
    """A recording's pictures at their own times, or ``speed`` times as fast; each stands until the next is due.

    Args:
        begin_s: what the recording's clock shows when the replay begins; its scale must be given the same.
    """

    def __init__(self, recording: Recording, begin_s: float, speed: float = 1.0, rate_hz: float = 15.0) -> None:
        self.recording, self.begin_s, self.speed, self.rate_hz = recording, begin_s, speed, rate_hz
        self._start: float | None = None
        self._at = -1
        self._number = 0
        self._image: Image | None = None

    @property
    def name(self) -> str:
        return f"recording {self.recording.name}"

    @property
    def may_repeat(self) -> bool:
        return True

    @property
    def remarks(self) -> tuple[Note, ...]:
        return ()

    def open(self) -> None:
        if not self.recording.pictures:
            msg = f"{self.name} has no pictures."
            raise SourceFault(msg)
        self._start, self._at, self._number = now_s(), -1, 0

    def _due(self, picture: Picture) -> float:
        return (self._start or 0.0) + (picture.t_s - self.begin_s) / self.speed

    def read(self) -> Shot | Ended:
        if self._start is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        pictures = self.recording.pictures
        wait(self._start + self._number / self.rate_hz / self.speed)
        last = self._at + 1 >= len(pictures)
        if last and now_s() > self._due(pictures[-1]) + 2.0 / self.speed:
            return ENDED
        while self._at + 1 < len(pictures) and (self._at < 0 or now_s() >= self._due(pictures[self._at + 1])):
            self._at += 1
            try:
                self._image = read_picture(self.recording, pictures[self._at])
            except RecordingFault as err:
                if self._image is None:
                    raise SourceFault(str(err)) from err
        if self._image is None:
            msg = f"{self.name} has no picture to begin with"
            raise SourceFault(msg)
        self._number += 1
        return Shot(self._image, now_s(), self._number)

    def close(self) -> None:
        self._start = None


def wait(until_s: float) -> None:
    """Sleeps until the host's clock shows that."""
    import time

    left = until_s - now_s()
    if left > 0:
        time.sleep(left)
