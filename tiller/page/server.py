"""The page's server: on the local network, to look at only, off unless it is switched on.

The address carries a key that is made anew each time and opens the page once: whoever opens it first gets a cookie, and the key is worth nothing from
then on. Nothing that comes in changes anything at the rack. It is plain HTTP: whoever listens on the same network can see what is shown.
"""

from __future__ import annotations

import hmac
import secrets
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files

import bottle
import segno
from waitress.server import create_server
from waitress.wasyncore import close_all

from tiller.errors import SourceFault
from tiller.live.view import View
from tiller.page.drawn import figures_of, picture_of
from tiller.report.style import Units

COOKIE = "at-the-rack"
THREADS = 4
"""A device asks for two things at once."""
PATIENCE_S = 0.5
NOWHERE = ("192.0.2.1", 9)
"""An address that nobody has (RFC 5737): asked for the way there, the system says which of its own addresses it would use; nothing is sent."""


@dataclass(frozen=True)
class Code:
    """The address as a square code (ISO/IEC 18004): its modules row by row, True is dark, with the quiet border."""

    rows: tuple[tuple[bool, ...], ...]


def code_of(address: str) -> Code:
    """The address's code."""
    made = segno.make(address, error="m", micro=False)
    return Code(tuple(tuple(bool(module) for module in row) for row in made.matrix_iter(border=4)))


def own_address() -> str:
    """This machine's address on its network; '' where it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(NOWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            return ""


class Page:
    """A running page.

    Args:
        next_view: gives the first view with another number, or the last one where none comes in time (number, seconds).
        units: gives the units that are shown.
        host: which of the machine's addresses it listens on; '' = the one on its network.

    Raises:
        SourceFault: no port can be listened on.
    """

    def __init__(self, next_view: Callable[[int, float], View], units: Callable[[], Units], host: str = "") -> None:
        self._next_view, self._units = next_view, units
        self._key, self._cookie = secrets.token_urlsafe(16), secrets.token_urlsafe(32)
        self._used = False
        self._lock = threading.Lock()
        self._drawn: tuple[int, bytes | None] = (-1, None)
        host = host or own_address()
        if not host:
            msg = "this machine is on no network, so that no other screen can reach it: join the network that the phone is on, and press W again."
            raise SourceFault(msg)
        try:
            self._server = create_server(
                self._app(), host=host, port=0, threads=THREADS, ident="", clear_untrusted_proxy_headers=True
            )
        except OSError as err:
            msg = f"the page cannot be opened on {host} ({err.strerror or err}): is this machine on a network?"
            raise SourceFault(msg) from err
        self.address = f"http://{host}:{self._server.effective_port}/{self._key}/"
        self.code = code_of(self.address)
        self._thread = threading.Thread(target=self._server.run, name="page", daemon=True)
        self._thread.start()

    @property
    def used(self) -> bool:
        """Whether a device has opened it."""
        return self._used

    def close(self) -> None:
        """Ends it; devices say that there is no view any more."""
        channels = self._server._map  # noqa: SLF001  (the library ends its loop only where none of them is left, and only in its own thread)
        self._server.trigger.pull_trigger(lambda: close_all(channels, ignore_all=True))
        self._thread.join(timeout=2.0)
        self._server.task_dispatcher.shutdown(timeout=1.0)

    # -- what is asked for ---------------------------------------------------------------------------------------------

    def _app(self) -> bottle.Bottle:
        app = bottle.Bottle()
        app.route("/<key>/", "GET", self._whole)
        app.route("/<key>/now", "GET", self._now)
        app.route("/<key>/picture", "GET", self._picture)
        app.default_error_handler = lambda _: "There is nothing here."
        return app

    def _known(self, key: str) -> bool:
        """Whether the request comes from the device that opened the page."""
        given = bottle.request.get_cookie(COOKIE) or ""
        return hmac.compare_digest(key.encode(), self._key.encode()) and hmac.compare_digest(
            given.encode(), self._cookie.encode()
        )

    def _whole(self, key: str) -> bytes:
        if bottle.request.method != "GET":  # a preview must not use the key up
            raise bottle.HTTPResponse("", status=405)
        with self._lock:
            first = not self._used and hmac.compare_digest(key.encode(), self._key.encode())
            if not first and not self._known(key):
                raise _refused()
            self._used = True
        bottle.response.set_cookie(COOKIE, self._cookie, path="/", httponly=True, samesite="strict")
        bottle.response.content_type = "text/html; charset=utf-8"
        bottle.response.set_header("Content-Security-Policy", POLICY)
        bottle.response.set_header("Cache-Control", "no-store")
        return files("tiller.page").joinpath("live.html").read_bytes()

    def _now(self, key: str) -> bytes:
        if not self._known(key):
            raise _refused()
        bottle.response.content_type = "application/json"
        return figures_of(self._next_view(-2, 0.0), self._units())

    def _picture(self, key: str) -> bytes:
        if not self._known(key):
            raise _refused()
        try:
            after = int(bottle.request.query.after or -1)
        except ValueError:
            after = -1
        view = self._next_view(after, PATIENCE_S)
        data = self._jpeg(view) if view.number != after else None
        if data is None:
            bottle.response.status = 204
            return b""
        bottle.response.content_type = "image/jpeg"
        bottle.response.set_header("X-Picture", str(view.number))
        bottle.response.set_header("Cache-Control", "no-store")
        return data

    def _jpeg(self, view: View) -> bytes | None:
        """Drawn once a picture, however often it is asked for."""
        with self._lock:
            if self._drawn[0] != view.number:
                self._drawn = (view.number, picture_of(view))
            return self._drawn[1]


POLICY = (
    "default-src 'none'; img-src blob:; connect-src 'self'; script-src 'unsafe-inline'; style-src 'unsafe-inline';"
    " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def _refused() -> bottle.HTTPResponse:
    return bottle.HTTPResponse("There is nothing here.", status=404)
