"""Sources: real ones, as far as a machine without camera and scale has them, replayed and simulated ones, by one contract."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.live.phone import number_of, phone
from tiller.errors import SourceFault
from tiller.live.live_force import Weigher
from tiller.measure.recording import read_recording
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.live import Course
from tiller.simulate.serial import line_of
from tiller.sources.cameras import DeviceCamera, ReplayedCamera, VideoFile, camera_of
from tiller.sources.feeds import CameraFeed, ScaleFeed
from tiller.sources.interfaces import ENDED, Camera, LineCutter, Lines, Scale, Shot, now_s
from tiller.sources.scales import ReplayedScale, SerialScale
from tiller.sources.software_feed import SoftwareRack


@pytest.fixture(scope="module")
def software() -> Iterator[SoftwareRack]:
    bow = random_bow(np.random.default_rng(5), "sourced", (), string_kind="long")
    with SoftwareRack(bow, Course(empty_s=0.5, rest_s=1.0, largest_mm=(240.0,)), size=(640, 360), rate_hz=20.0) as rack:
        yield rack


@pytest.fixture(scope="module")
def video(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("video") / "pull.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 20.0, (320, 180))
    for k in range(12):
        writer.write(np.full((180, 320, 3), 20 * k, dtype=np.uint8))
    writer.release()
    return path


@contextmanager
def board(lines: list[str], pause_s: float = 0.01) -> Iterator[str]:
    """A scale on a socket, its lines cut anywhere."""
    server = socket.create_server(("127.0.0.1", 0))
    halt = threading.Event()

    def serve() -> None:
        while not halt.is_set():
            try:
                link, _ = server.accept()
            except OSError:
                return
            data = "".join(f"{line}\r\n" for line in lines).encode()
            for k in range(0, len(data), 7):
                if halt.is_set():
                    break
                try:
                    link.sendall(data[k : k + 7])
                except OSError:
                    break
                time.sleep(pause_s / 4)
            halt.wait(3.0)
            link.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield f"socket://127.0.0.1:{server.getsockname()[1]}"
    halt.set()
    server.close()
    thread.join(timeout=5.0)


def follows_the_contract(camera: Camera) -> None:
    assert camera.name
    with pytest.raises(SourceFault):
        camera.read()  # not open yet
    camera.close()  # closing what is not open does nothing
    for _ in range(2):  # and again after closing
        camera.open()
        before = now_s()
        shots = []
        for _ in range(4):
            shot = camera.read()
            assert isinstance(shot, Shot)
            shots.append(shot)
        assert [s.number for s in shots] == [1, 2, 3, 4]
        assert all(before <= s.t_s <= now_s() for s in shots)
        assert shots[0].t_s <= shots[-1].t_s
        assert shots[0].image.dtype == np.uint8
        assert shots[0].image.ndim == 3
        camera.close()
        camera.close()
    with pytest.raises(SourceFault):
        camera.read()


def test_cameras_follow_one_contract(software: SoftwareRack, video: Path, small_recording: Path) -> None:
    recording = read_recording(small_recording)
    follows_the_contract(software.camera)
    follows_the_contract(VideoFile(video))
    follows_the_contract(ReplayedCamera(recording, recording.pictures[0].t_s, speed=4.0))


def test_scales_follow_one_contract(software: SoftwareRack, small_recording: Path) -> None:
    recording = read_recording(small_recording)
    lines = [line_of("W", 100 + 12 * k, 1000 + k) for k in range(400)]
    with board(lines) as where:
        scales: list[Scale] = [
            software.scale,
            SerialScale(where),
            ReplayedScale(recording, recording.force_lines[0][0], 4.0),
        ]
        for scale in scales:
            with pytest.raises(SourceFault):
                scale.read()
            scale.close()
            scale.open()
            got: list[tuple[float, str]] = []
            begun = now_s()
            while len(got) < 8 and now_s() < begun + 60.0:
                part = scale.read()
                assert part is not ENDED
                got += list(part)  # type: ignore[arg-type]
            assert len(got) >= 8
            assert all(begun <= t <= now_s() for t, _ in got)
            assert all("\n" not in line for _, line in got)
            scale.close()
            scale.close()


def test_the_software_scale_comes_back_where_there_are_no_pseudo_terminals(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on Windows: its lines go over a socket, to whoever opened it last."""
    from tiller.sources.software_feed import SoftwareScale

    monkeypatch.delattr("os.openpty")
    bow = random_bow(np.random.default_rng(3), "feed", ())
    with SoftwareRack(bow, Course(empty_s=30.0), size=(320, 180), rate_hz=5.0) as rack:
        scale = SoftwareScale(rack)
        for _ in range(3):
            scale.open()
            end = time.monotonic() + 60.0
            while not (read := scale.read()):
                assert time.monotonic() < end, "no line came"
            assert not isinstance(read, type(ENDED))
            scale.close()


def test_a_video_ends_and_a_replay_ends(video: Path, small_recording: Path) -> None:
    camera = VideoFile(video)
    camera.open()
    count = 0
    while isinstance(camera.read(), Shot):
        count += 1
    assert count == 12
    recording = read_recording(small_recording)
    replay = ReplayedCamera(recording, recording.pictures[0].t_s, speed=50.0)
    replay.open()
    end = now_s() + 20.0
    while now_s() < end and replay.read() is not ENDED:
        continue
    assert now_s() < end


def test_what_is_no_camera_is_said(tmp_path: Path) -> None:
    with pytest.raises(SourceFault, match="is no camera"):
        camera_of("nonsense")
    with pytest.raises(SourceFault, match="gives no picture"):
        DeviceCamera(17).open()
    broken = tmp_path / "video.avi"
    broken.write_bytes(b"not a video")
    with pytest.raises(SourceFault, match="cannot be played"):
        VideoFile(broken).open()
    with pytest.raises(SourceFault, match="plugged in"):
        SerialScale(str(tmp_path / "ttyNowhere")).open()


class Flaky:
    """A camera and a scale in one that are lost now and then, and come back."""

    name = "flaky source"

    def __init__(self, lose_after: int, away_s: float) -> None:
        self.lose_after, self.away_s = lose_after, away_s
        self.gone_until, self.count, self.opened = 0.0, 0, 0

    def open(self) -> None:
        if now_s() < self.gone_until:
            msg = "flaky source gives nothing: is it plugged in?"
            raise SourceFault(msg)
        self.opened += 1

    def _next(self) -> None:
        time.sleep(0.01)
        self.count += 1
        if self.count % self.lose_after == 0:
            self.gone_until = now_s() + self.away_s
            msg = "flaky source was lost: check its cable."
            raise SourceFault(msg)

    def close(self) -> None:
        return


class FlakyCamera(Flaky):
    def read(self) -> Shot:
        self._next()
        return Shot(np.full((41, 37, 3), self.count % 250, dtype=np.uint8), now_s(), self.count)


class FlakyScale(Flaky):
    def read(self) -> Lines:
        self._next()
        return ((now_s(), line_of("W", 10 * self.count, self.count)),)


def test_a_lost_camera_is_found_again_and_the_newest_picture_wins() -> None:
    feed = CameraFeed(FlakyCamera(25, 0.5))
    feed.start()
    said, numbers = set(), []
    end = now_s() + 60.0
    while now_s() < end and feed.state.losses < 2:
        shot = feed.next(0.1)
        if shot is not None:
            numbers.append(shot.number)
        elif not feed.state.good:
            said.add(feed.state.text)
        time.sleep(0.03)
    feed.stop()
    assert feed.state.losses >= 2
    assert numbers == sorted(set(numbers))
    assert feed.state.missed > 0  # slower than the camera: pictures in between were skipped, none was queued
    assert any("cable" in text or "plugged" in text for text in said)


def test_a_camera_that_hangs_is_opened_anew() -> None:
    class Hung(FlakyCamera):
        def read(self) -> Shot:
            time.sleep(0.02)
            self.count += 1
            return Shot(np.zeros((41, 37, 3), dtype=np.uint8), now_s(), self.count)

    camera = Hung(10**6, 0.0)
    feed = CameraFeed(camera)
    feed.start()
    time.sleep(2.6)
    feed.stop()
    assert camera.opened >= 2


def test_a_lost_scale_is_found_again() -> None:
    got: list[tuple[float, str]] = []
    scale = FlakyScale(30, 0.3)
    feed = ScaleFeed(scale, got.extend)
    feed.start()
    time.sleep(1.6)
    feed.stop()
    assert scale.opened >= 2
    assert len(got) > 40


@settings(max_examples=80, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=20))
def test_lines_are_the_same_however_the_bytes_come(parts: list[bytes]) -> None:
    cutter, whole = LineCutter(), LineCutter()
    got = [line for k, part in enumerate(parts) for _, line in cutter.feed(part, float(k))]
    assert got == [line for _, line in whole.feed(b"".join(parts), 0.0)]


def test_force_as_it_comes_with_spikes_garbage_and_a_wandering_zero() -> None:
    from tiller.bow.rigfile import LoadCell

    weigher = Weigher(LoadCell(counts_per_newton=5000.0, zero_counts=0.0))
    rng = np.random.default_rng(3)
    zero = 21_000.0

    def feed(t: float, force: float, raw: str | None = None) -> None:
        counts = zero + 5000.0 * force + rng.normal(0, 400)
        weigher.feed(((t, raw or line_of("W", int(1000 * t), int(counts))),))

    t = 0.0
    for k in range(200):
        t += 0.0125
        feed(t, 0.0)
        if k % 20 == 10:
            weigher.follow_zero()
    assert abs(weigher.now().force_n) < 0.3
    for k in range(80):
        t += 0.0125
        feed(t, 50.0, None if k % 9 else "W,garbage")
        if k == 40:
            feed(t, 50.0, line_of("W", int(1000 * t), 8_000_000))
            assert weigher.now().force_n < 55.0  # one wild reading alone is not believed
    told = weigher.now()
    assert told.force_n == pytest.approx(50.0, abs=0.4)
    assert told.noise_n == pytest.approx(0.08, rel=0.5)
    assert sum(told.rejected.values()) >= 9
    turned = Weigher(LoadCell(counts_per_newton=-5000.0, zero_counts=0.0))
    for k in range(40):
        turned.feed(((0.0125 * k, line_of("W", 13 * k, int(zero))),))
    turned.zero()
    for k in range(40, 80):
        turned.feed(((0.0125 * k, line_of("W", 13 * k, int(zero + 5000 * 20))),))
    assert turned.now().force_n == pytest.approx(-20.0, abs=0.1)
    assert turned.turn_round()
    assert turned.now().force_n == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize("kind", ["http", "rtsp"])
def test_a_phone_as_camera(kind: str) -> None:
    """Real bytes on a socket: JPEGs over HTTP, and RTP by RFC 2435 in RTSP's own link (RFC 2326, 10.12)."""
    with phone(kind) as sender:
        camera = camera_of(sender.address)
        follows_the_contract(camera)
        feed = CameraFeed(camera)
        feed.start()
        seen, late = [], []
        end = now_s() + 60.0
        while len(seen) < 16 and now_s() < end:  # whoever is slow gets the newest picture, not a growing queue
            shot = feed.next(1.0)
            if shot is not None:
                number = number_of(shot.image)
                seen.append(number)
                late.append(now_s() - sender.taken_s[number])
            time.sleep(0.2)
        assert len(seen) == 16
        assert seen == sorted(set(seen))
        assert np.median(late[-8:]) < 1.0, (
            late
        )  # out of a queue they would be 2 s old by then: 5 a second are taken of 20 that come
        sender.stop()
        end = now_s() + 30.0
        while feed.state.good and now_s() < end:
            time.sleep(0.02)
        assert not feed.state.good
        time.sleep(0.8)
        sender.start()
        back, number = now_s(), sender.number
        while (shot := feed.next(0.5)) is None or number_of(shot.image) <= number:
            assert now_s() - back < 30.0, feed.state.text
        feed.stop()
