"""A phone as camera, in software: pictures over HTTP (multipart of JPEGs) or RTSP (RFC 2326, JPEG in RTP by RFC 2435)."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO

import cv2
import numpy as np

SIZE = (640, 368)  # whole blocks of 16, as RFC 2435 wants them
RATE_HZ = 20.0
BITS = 16


def picture(number: int) -> np.ndarray:
    """A picture that shows its number as a row of black and white squares."""
    image = np.full((SIZE[1], SIZE[0], 3), 120, dtype=np.uint8)
    for bit in range(BITS):
        image[160:200, 40 * bit : 40 * bit + 40] = 250 if number >> bit & 1 else 5
    return image


def number_of(image: np.ndarray) -> int:
    """The number that a picture shows."""
    return sum(1 << bit for bit in range(BITS) if float(np.mean(image[170:190, 40 * bit + 10 : 40 * bit + 30])) > 120)


class Phone:
    """Sends pictures to whoever asks; ``taken_s`` says when each was taken."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.taken_s: dict[int, float] = {}
        self.number = 0
        self._halt = threading.Event()
        self._links: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._server: socket.socket | None = None
        self.port = 0

    def start(self) -> None:
        self._halt.clear()
        self._server = socket.create_server(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        self._begin(self._serve, self._server)

    def _begin(self, what: Callable[[socket.socket], None], link: socket.socket) -> None:
        thread = threading.Thread(target=what, args=(link,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def stop(self) -> None:
        """Switches it off: every link is cut."""
        self._halt.set()
        for link in [*self._links, self._server]:
            if link is not None:
                with contextlib.suppress(OSError):
                    link.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(timeout=5.0)
        self._links, self._threads = [], []

    @property
    def address(self) -> str:
        return f"{'http' if self.kind == 'http' else 'rtsp'}://127.0.0.1:{self.port}/rack"

    def _serve(self, server: socket.socket) -> None:
        with server:
            while not self._halt.is_set():
                try:
                    link, _ = server.accept()
                except OSError:
                    return
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._links.append(link)
                self._begin(self._talk, link)

    def _talk(self, link: socket.socket) -> None:
        with link, contextlib.suppress(OSError):  # whoever looked has gone
            if self.kind == "rtsp":
                self._rtsp(link)
                return
            link.recv(4096)
            link.sendall(b"HTTP/1.0 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=next\r\n\r\n")
            for _, jpeg in self._pictures():
                head = b"--next\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n" % len(jpeg)
                link.sendall(head + jpeg + b"\r\n")

    def _pictures(self) -> Iterator[tuple[int, bytes]]:
        while not self._halt.is_set():
            self.number += 1
            self.taken_s[self.number] = time.monotonic()
            good, data = cv2.imencode(".jpg", picture(self.number), [cv2.IMWRITE_JPEG_QUALITY, 90])
            assert good
            yield self.number, data.tobytes()
            self._halt.wait(1 / RATE_HZ)

    # -- RTSP ----------------------------------------------------------------------------------------------------------

    def _rtsp(self, link: socket.socket) -> None:
        with link.makefile("rb") as stream:
            self._answer(link, stream)

    def _answer(self, link: socket.socket, stream: IO[bytes]) -> None:
        while True:
            first = stream.readline().decode()
            if not first:
                return
            head = {}
            while (line := stream.readline().decode().strip()) != "":
                key, _, value = line.partition(":")
                head[key.lower()] = value.strip()
            method, extra, body = first.split()[0], "", ""
            if method == "OPTIONS":
                extra = "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n"
            elif method == "DESCRIBE":
                body = (
                    "v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=rack\r\nt=0 0\r\nm=video 0 RTP/AVP 26\r\na=control:track\r\n"
                )
                extra = (
                    f"Content-Type: application/sdp\r\nContent-Base: {self.address}/\r\nContent-Length: {len(body)}\r\n"
                )
            elif method == "SETUP":
                if "TCP" not in head.get("transport", ""):
                    link.sendall(f"RTSP/1.0 461 Unsupported Transport\r\nCSeq: {head['cseq']}\r\n\r\n".encode())
                    continue
                extra = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 1\r\n"
            elif method == "PLAY":
                extra = "Session: 1\r\n"
            link.sendall(f"RTSP/1.0 200 OK\r\nCSeq: {head['cseq']}\r\n{extra}\r\n{body}".encode())
            if method == "PLAY":
                self._play(link)
                return

    def _play(self, link: socket.socket) -> None:
        sequence = 0
        for number, jpeg in self._pictures():
            tables, scan = _taken_apart(jpeg)
            stamp, at = int(90000 * number / RATE_HZ) & 0xFFFFFFFF, 0
            while at < len(scan):
                # RFC 2435, 3.1: offset, type 1 (4:2:0), Q = 255 with the tables in the first packet, size in blocks of 8
                head = struct.pack(">IBBBB", at, 1, 255, SIZE[0] // 8, SIZE[1] // 8)
                if at == 0:
                    head += struct.pack(">BBH", 0, 0, len(tables)) + tables
                part = scan[at : at + 1400]
                at += len(part)
                last = 0x80 if at >= len(scan) else 0
                packet = struct.pack(">BBHII", 0x80, last | 26, sequence & 0xFFFF, stamp, 7) + head + part
                sequence += 1
                link.sendall(struct.pack(">BBH", 0x24, 0, len(packet)) + packet)


def _taken_apart(jpeg: bytes) -> tuple[bytes, bytes]:
    """Quantisation tables and entropy-coded data of a baseline JPEG."""
    at, tables = 2, b""
    while jpeg[at + 1] != 0xDA:
        length = int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if jpeg[at + 1] == 0xDB:
            data = jpeg[at + 4 : at + 2 + length]
            tables += b"".join(data[k + 1 : k + 65] for k in range(0, len(data), 65))
        at += 2 + length
    at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
    return tables, jpeg[at:-2]


@contextmanager
def phone(kind: str) -> Iterator[Phone]:
    """A phone that sends, 'http' or 'rtsp'."""
    sender = Phone(kind)
    sender.start()
    try:
        yield sender
    finally:
        sender.stop()
