"""The rack's window, opened from the shop in a process of its own, and what it said when it was closed."""

from __future__ import annotations

import subprocess
import tempfile
from typing import IO

from tiller.children import STANDS_IN, child


class RackWindow:
    """At most one is open."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._errors: IO[bytes] | None = None

    @property
    def is_open(self) -> bool:
        """Whether it was not seen to be closed yet."""
        return self._process is not None

    def open(self, words: list[str], units: str) -> str:
        """Opens it, with the words of ``tiller rack``; what is to be said of it."""
        if self._process is not None:
            return "a rack's window is open already: close that one first (Q)."
        errors = tempfile.TemporaryFile()  # noqa: SIM115  (read and closed when the window is)
        command = child("tiller", "rack", *words, "--units", units)
        try:
            self._process = subprocess.Popen(command, cwd=STANDS_IN, stdin=subprocess.DEVNULL, stderr=errors)  # noqa: S603  (words of our own, no shell)
        except OSError as err:
            errors.close()
            return f"the rack's window could not be opened ({err.strerror or err})."
        self._errors = errors
        return "the rack opens in a window of its own; what it leaves is shown here when it is closed."

    def closed(self) -> str | None:
        """What it said, '' for nothing, once it was closed; None while it is open, or where none was."""
        if self._process is None or self._process.poll() is None:
            return None
        code, self._process = self._process.returncode, None
        said = ""
        if self._errors is not None:
            with self._errors as errors:
                errors.seek(0)
                lines = errors.read().decode(errors="replace").strip().splitlines()
            if code and lines:
                said = lines[-1].removeprefix("tiller: ")
        self._errors = None
        return said
