"""What is on disk while a pull is written, and after the program was killed."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from tiller.errors import FileFault
from tiller.live.recorder import UNFINISHED, PullRecorder, disk_warning, folder_for, unfinished
from tiller.measure.recording import read_picture, read_recording
from tiller.simulate.serial import line_of

WRITER = """
import sys, time
from pathlib import Path
import numpy as np
from tiller.live.recorder import PullRecorder
from tiller.simulate.serial import line_of
folder = Path(sys.argv[1])
r = PullRecorder(folder, Path(sys.argv[2], "bow.toml").read_text(), Path(sys.argv[2], "rig.toml").read_text())
r.start()
image = np.random.default_rng(1).integers(0, 255, (270, 480, 3), dtype=np.uint8)
begun = time.monotonic()
r.picture(image, -2.0, "empty"); r.picture(image, -1.0, "rest")
k = 0
while True:
    k += 1
    t = time.monotonic() - begun
    r.lines(((t, line_of("W", 1000 + 12 * k, k)),))
    if k % 8 == 0:
        r.picture(image, t, "pull")
    print(f"{t:.4f}", flush=True)
    time.sleep(0.0125)
"""


def recorder(folder: Path, like: Path) -> PullRecorder:
    return PullRecorder(folder, (like / "bow.toml").read_text(), (like / "rig.toml").read_text())


def test_what_was_recorded_is_a_recording(tmp_path: Path, small_recording: Path) -> None:
    folder = folder_for(tmp_path, "An odd / name!", datetime(2026, 3, 1, 9, 30))
    rec = recorder(folder, small_recording)
    rec.start()
    image = np.full((90, 160, 3), 120, dtype=np.uint8)
    for k, role in enumerate(("empty", "rest", "pull", "pull")):
        rec.picture(image, float(k), role)
    rec.lines(((0.5, line_of("W", 1, 2)), (0.6, 'garbage "with, quotes')))
    rec.note(1.0, "force dropped suddenly")
    assert unfinished(tmp_path) == ()  # it is being recorded: another rack must not take it for one that was cut off
    rec.finish()
    assert unfinished(tmp_path) == (folder,)
    recording = read_recording(folder)
    assert [p.role for p in recording.pictures] == ["empty", "rest", "pull", "pull"]
    assert read_picture(recording, recording.pictures[2]).shape == (90, 160, 3)
    assert recording.force_lines == ((0.5, line_of("W", 1, 2)), (0.6, 'garbage "with, quotes'))
    assert "force dropped suddenly" in (folder / "notes.csv").read_text()
    assert folder_for(tmp_path, "An odd / name!", datetime(2026, 3, 1, 9, 30)) != folder


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path, small_recording: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileFault, match="this pull is not kept"):
        recorder(tmp_path / "file" / "pull", small_recording).start()


def test_a_disk_that_fills_up_is_said_and_nobody_waits(
    tmp_path: Path, small_recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rec = recorder(tmp_path / "pull", small_recording)
    rec.start()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tiller.live.recorder._whole", full)
    image = np.zeros((90, 160, 3), dtype=np.uint8)
    begun = time.monotonic()
    for k in range(200):
        rec.picture(image, float(k), "pull")
    rec.finish()
    assert time.monotonic() - begun < 10.0
    assert "No space left" in rec.fault
    monkeypatch.setattr("tiller.live.recorder.free_mb", lambda _: 12.0)
    assert "12 MB" in disk_warning(tmp_path)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
def test_killed_at_any_moment_all_but_the_last_second_is_there(tmp_path: Path, small_recording: Path) -> None:
    rng = random.Random(4)
    for turn in range(8):
        folder = tmp_path / f"bow{turn}" / "pull"
        command = [sys.executable, "-c", WRITER, str(folder), str(small_recording)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(0.9 + 1.2 * rng.random())
            os.kill(process.pid, signal.SIGKILL)
            said = [float(x) for x in process.stdout.read().split()]
        recording = read_recording(folder)
        assert folder in unfinished(tmp_path)
        assert (folder / UNFINISHED).exists()
        assert recording.force_lines[-1][0] > said[-1] - 1.0
        for picture in recording.pictures:
            assert read_picture(recording, picture).shape == (270, 480, 3)
        assert recording.pictures[-1].t_s > said[-1] - 1.0


def test_whatever_goes_wrong_is_said_and_no_other_file_is_written_to(
    tmp_path: Path, small_recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rec = recorder(tmp_path / "pull", small_recording)
    rec.start()

    def broken(*_: object) -> None:
        raise ValueError("no picture")

    monkeypatch.setattr("tiller.live.recorder._whole", broken)
    image = np.zeros((90, 160, 3), dtype=np.uint8)
    rec.picture(image, 0.0, "pull")
    while "ValueError: no picture" not in rec.fault:
        time.sleep(0.01)
    rec.note(1.0, "nobody writes this any more")
    rec.finish()
    # the numbers of its files are free now, and go to others
    others = [(tmp_path / f"other{k}").open("wb") for k in range(8)]
    rec.lines(((0.5, line_of("W", 1, 2)),))
    rec.draw(0.5, 200.0)
    for file in others:
        file.close()
    assert all((tmp_path / f"other{k}").stat().st_size == 0 for k in range(8))


def test_a_slow_disk_holds_nobody_up(tmp_path: Path, small_recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever hands a picture in watches the stop: a disk that hangs costs pictures, not time."""
    import threading

    rec = recorder(tmp_path / "pull", small_recording)
    rec.start()
    gate = threading.Event()
    monkeypatch.setattr("tiller.live.recorder._whole", lambda *_: gate.wait(60.0))
    image = np.zeros((9, 16, 3), dtype=np.uint8)
    waited = []
    for k in range(300):
        begun = time.monotonic()
        rec.picture(image, float(k), "pull")
        rec.note(float(k), "a note")
        waited.append(time.monotonic() - begun)
    assert np.median(waited) < 0.01  # before, each picture beyond the queue's end waited a second
    assert "too slow" in rec.fault
    gate.set()
    rec.finish()


def test_a_lock_where_the_system_locks_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on Windows, with its module stood in for: no such machine is at hand."""
    import types

    from tiller.live.recorder import lock

    asked: list[tuple[int, int]] = []

    def locking(file: int, mode: int, count: int) -> None:
        asked.append((mode, count))
        if len(asked) > 1:
            raise OSError(36, "taken")

    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(LK_NBLCK=2, locking=locking))
    monkeypatch.setattr("tiller.live.recorder.sys.platform", "win32")
    with (tmp_path / "mark").open("wb") as file:
        assert lock(file.fileno())
        assert not lock(file.fileno())
    assert asked == [(2, 1), (2, 1)]


def test_a_disk_that_fails_at_the_very_end_holds_nobody(
    tmp_path: Path, small_recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "bow" / "pull"
    rec = recorder(folder, small_recording)
    rec.start()
    rec.picture(np.zeros((9, 16, 3), dtype=np.uint8), 0.0, "pull")
    while rec.pictures == 0:
        time.sleep(0.01)

    def broken(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("tiller.live.recorder._sync", broken)
    monkeypatch.setattr("tiller.live.recorder.LAST_S", 60.0)
    begun = time.monotonic()
    rec.finish()
    assert time.monotonic() - begun < 30.0
    assert "Input/output error" in rec.fault
    assert unfinished(tmp_path) == (folder,)  # nobody holds it any more: it is measured at the next start


def test_strokes_that_somebody_may_have_made() -> None:
    from tiller.live.headless import _strokes

    assert _strokes("12") == 12
    for odd in ("²", "-3", "1e3", "99999999999999999999", "١٢", ""):
        assert _strokes(odd) is None, odd
