"""What is printed: no control character reaches the terminal, and a terminal that lacks a letter still gets the line."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from typing import TextIO

KEPT = "\n\t\r"
TURNS = (*range(0x200E, 0x2010), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
"""Marks that turn the direction of writing (Unicode, UAX 9): what follows them may be read as something else."""
_CLEAN = {c: "?" for c in (*range(0x20), 0x7F, *range(0x80, 0xA0), *TURNS) if chr(c) not in KEPT}


def clean(text: str) -> str:
    """The text with control characters, and bytes that were no UTF-8, as question marks."""
    out = text.translate(_CLEAN)
    return out if out.isprintable() else "".join("?" if "\ud800" <= c <= "\udfff" else c for c in out)


LONGEST_WORD = 300


def one_line(text: str) -> str:
    """The text on one line, words that are longer than any path of ours cut short."""
    words = (
        w if len(w) <= LONGEST_WORD else w[:80] + "..." for w in text.replace("\n", "?").replace("\r", "?").split(" ")
    )
    return " ".join(words)


def control(stream: TextIO, text: str) -> None:
    """Writes a control sequence of our own to a terminal: it must not be cleaned away as one that came with a name."""
    bare = stream.bare if isinstance(stream, _Clean) else stream
    bare.write(text)
    bare.flush()


class _Clean(io.TextIOBase):
    """A text stream that hands on what it is given, cleaned."""

    def __init__(self, stream: TextIO) -> None:
        self.bare = stream

    def write(self, text: str) -> int:
        """Writes the text."""
        try:
            self.bare.write(clean(text))
        except UnicodeEncodeError:
            known = self.bare.encoding or "ascii"
            self.bare.write(clean(text).encode(known, "replace").decode(known))
        return len(text)

    def flush(self) -> None:
        """Flushes the stream."""
        self.bare.flush()

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self.bare.isatty()

    def fileno(self) -> int:
        """The stream's file."""
        return self.bare.fileno()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """The stream's."""
        return self.bare.encoding


@contextlib.contextmanager
def clean_output() -> Iterator[None]:
    """Standard output and standard error cleaned, for as long as this lasts; where one is closed nothing is written to it."""
    before = sys.stdout, sys.stderr
    with contextlib.ExitStack() as stack:
        for name in ("stdout", "stderr"):
            stream = getattr(sys, name)
            if stream is None or stream.closed:
                stream = stack.enter_context(open(os.devnull, "w", encoding="utf-8"))
            setattr(sys, name, _Clean(stream))
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before
