"""The rack in software as live sources: a process of its own sends pictures and, through a pseudo-terminal, scale lines."""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import socket
import subprocess
import tempfile
import threading
from multiprocessing import shared_memory
from pathlib import Path

import numpy as np

from tiller.children import STANDS_IN, child
from tiller.errors import SourceFault
from tiller.notes import Note
from tiller.simulate.bowmaker import BowTruth
from tiller.simulate.live import SLOTS, Course, LiveRack, Shapes, Timeline
from tiller.simulate.render import Setting
from tiller.sources.interfaces import Ended, Image, Lines, Shot, Stage, now_s
from tiller.sources.scales import SerialScale


class SoftwareRack:
    """Starts the process and holds what goes between; use it with ``with``.

    With ``waits`` the bow is laid in and pulled only when what it is shown (``watch``) says so, as somebody at a rack would.

    Attributes:
        bow_toml, rig_toml: what the rack's files say.
        camera, scale: the live sources.
    """

    def __init__(
        self,
        bow: BowTruth,
        course: Course,
        seed: int = 0,
        setting: Setting | None = None,
        size: tuple[int, int] = (1920, 1080),
        rate_hz: float = 30.0,
        waits: bool = False,
    ) -> None:
        self._making: dict[str, object] = {
            "bow": bow,
            "course": course,
            "setting": setting or Setting(),
            "seed": seed,
            "size": size,
        }
        self._rate, self._size, self._waits = rate_hz, size, waits
        self._laid, self._stage = False, Stage.NO_BOW
        self._rack = LiveRack(**self._making)  # type: ignore[arg-type]
        self.bow_toml, self.rig_toml = self._rack.bow_toml, self._rack.rig_toml
        self.camera = SoftwareCamera(self)
        self.scale: SoftwareScale = SoftwareScale(self)
        self._process: subprocess.Popen[bytes] | None = None
        self._memory: shared_memory.SharedMemory | None = None
        self._ends: list[int] = []
        self._server: socket.socket | None = None
        self._made: Path | None = None
        self.port = ""
        self.began_s = 0.0
        self._lock = threading.Lock()

    @property
    def timeline(self) -> Timeline:
        """The session in time, for checks against the truth."""
        return self._rack.timeline

    @property
    def shapes(self) -> Shapes:
        """The true shapes, likewise."""
        return self._rack.shapes

    def __enter__(self) -> SoftwareRack:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self) -> None:
        """Starts the process, once."""
        with self._lock:
            if self._process is not None:
                return
            width, height = self._size
            self._memory = shared_memory.SharedMemory(create=True, size=SLOTS * width * height * 3)
            options: dict[str, object] = {"memory": self._memory.name, "rate_hz": self._rate, "waits": self._waits}
            keep: tuple[int, ...] = ()
            if hasattr(os, "openpty"):
                import tty

                master, slave = os.openpty()
                tty.setraw(slave)
                self.port, self._ends, keep = os.ttyname(slave), [master, slave], (master,)
                options["fd"] = master
            else:
                self._server = socket.create_server(("127.0.0.1", 0))
                options["port"] = self._server.getsockname()[1]
                out = socket.create_server(("127.0.0.1", 0))
                self.port = f"socket://127.0.0.1:{out.getsockname()[1]}"
                threading.Thread(target=self._relay, args=(out,), daemon=True).start()
            with tempfile.NamedTemporaryFile(prefix="tiller-rack-", delete=False) as file:
                pickle.dump(self._making, file)
                options["making"] = file.name
            self._made = Path(file.name)
            self._process = subprocess.Popen(  # noqa: S603  (words of our own, no shell)
                child("tiller.simulate.live", json.dumps(options)),
                cwd=STANDS_IN,
                stdout=subprocess.PIPE,
                stdin=subprocess.PIPE,
                pass_fds=keep,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )
            self.began_s = now_s()

    def _relay(self, out: socket.socket) -> None:
        """Where there are no pseudo-terminals: hands the process's lines on to whoever opened the socket last, as a cable that was out and is in again."""
        server = self._server
        if server is None:
            return
        readers: list[socket.socket] = []
        try:
            with contextlib.suppress(OSError), out, server.accept()[0] as from_process:
                out.setblocking(False)
                while data := from_process.recv(4096):
                    with contextlib.suppress(BlockingIOError):
                        newer, _ = out.accept()
                        newer.setblocking(True)
                        readers.append(newer)
                    while len(readers) > 1:
                        readers.pop(0).close()
                    try:
                        for reader in readers:
                            reader.sendall(data)
                    except OSError:
                        readers.pop().close()
        finally:
            for reader in readers:
                reader.close()

    def close(self) -> None:
        """Ends the process and lets go of everything."""
        with self._lock:
            if self._process is not None:
                self._process.kill()
                self._process.communicate()
                self._process = None
            if self._made is not None:
                self._made.unlink(missing_ok=True)
                self._made = None
            for end in self._ends:
                os.close(end)
            self._ends = []
            if self._server is not None:
                self._server.close()
                self._server = None
            if self._memory is not None:
                self._memory.close()
                self._memory.unlink()
                self._memory = None

    def watch(self, ready: bool, stage: Stage) -> None:
        """What the screen shows: the bow is laid in once the empty rack is known, each pull begins once the bow is known to rest, and
        each hold lasts until it is taken for one."""
        word = (ready and not self._laid) or (stage is not self._stage and stage in (Stage.RESTING, Stage.HOLDING))
        self._laid, self._stage = self._laid or ready, stage
        process = self._process
        if word and process is not None and process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):  # it has ended: the camera's reader says so
                process.stdin.write(b"go\n")
                process.stdin.flush()

    def next_picture(self) -> tuple[Image, float]:
        """Waits for the next picture; with the time of its arrival.

        Raises:
            SourceFault: the process is gone.
        """
        process, memory = self._process, self._memory
        line = process.stdout.readline() if process is not None and process.stdout is not None else b""
        if not line or memory is None:
            msg = "the rack in software has stopped."
            raise SourceFault(msg)
        t = now_s()
        width, height = self._size
        slots: Image = np.ndarray((SLOTS, height, width, 3), dtype=np.uint8, buffer=memory.buf)
        return slots[(int(line) - 1) % SLOTS].copy(), t


class SoftwareCamera:
    """The software rack's camera; may be unplugged for a while."""

    def __init__(self, rack: SoftwareRack) -> None:
        self.rack = rack
        self._number, self._open = 0, False
        self.gone_until_s = 0.0

    @property
    def may_repeat(self) -> bool:
        return False

    @property
    def remarks(self) -> tuple[Note, ...]:
        return ()

    @property
    def name(self) -> str:
        return "camera of the software rack"

    def unplug(self, seconds: float) -> None:
        """Pulls its cable for so long."""
        self.gone_until_s = now_s() + seconds

    def open(self) -> None:
        if now_s() < self.gone_until_s:
            msg = f"{self.name} gives no picture: is it plugged in?"
            raise SourceFault(msg)
        self.rack.start()
        self._number, self._open = 0, True

    def read(self) -> Shot | Ended:
        if not self._open:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        image, t = self.rack.next_picture()
        if now_s() < self.gone_until_s:
            self._open = False
            msg = f"{self.name} was lost: check its cable."
            raise SourceFault(msg)
        self._number += 1
        return Shot(image, t, self._number)

    def close(self) -> None:
        self._open = False


class SoftwareScale:
    """The software rack's scale, read through pyserial; may be unplugged for a while."""

    def __init__(self, rack: SoftwareRack) -> None:
        self.rack = rack
        self._port: SerialScale | None = None
        self.gone_until_s = 0.0

    @property
    def name(self) -> str:
        return "scale of the software rack"

    def unplug(self, seconds: float) -> None:
        """Pulls its cable for so long."""
        self.gone_until_s = now_s() + seconds

    def open(self) -> None:
        if now_s() < self.gone_until_s:
            msg = f"{self.name} cannot be opened: is it plugged in?"
            raise SourceFault(msg)
        self.rack.start()
        self._port = SerialScale(self.rack.port)
        self._port.open()

    def read(self) -> Lines | Ended:
        if self._port is None:
            msg = f"{self.name} is not open"
            raise SourceFault(msg)
        if now_s() < self.gone_until_s:
            self.close()
            msg = f"{self.name} was lost: check its cable."
            raise SourceFault(msg)
        return self._port.read()

    def close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None
