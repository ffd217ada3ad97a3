"""Where a command may write what it was asked for: never over what it reads, nor into a recording, unless it is asked to."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

from tiller.errors import FileFault

OURS = (".toml", ".csv", ".sqlite3")
"""What the shop's own files end with; no command writes such a one where it was asked for a picture, a sheet or JSON."""
KINDS = (".json", ".png", ".jpg", ".jpeg", ".pdf", ".zip", ".txt")
"""What is written where it was asked for ends so; what is there already and ends otherwise was made by somebody else."""
MARKS = ("rig.toml", "frames.csv")
ALWAYS = ("book", "file")
"""Arguments that may name a new book or backup, of whatever command."""


def add_outputs(parser: argparse.ArgumentParser, *names: str) -> None:
    """Says which of a command's arguments are outputs, and gives it ``--force``."""
    parser.add_argument(
        "--force",
        action="store_true",
        help="write over one of the shop's files or a file of another kind, or into a recording",
    )
    parser.set_defaults(outputs=names)


def check_outputs(args: argparse.Namespace) -> None:
    """Checks every output that was asked for, before anything is done.

    Raises:
        FileFault: one would go over a file of the shop's or one that is read, or into a recording, and nobody said ``--force``.
    """
    names: tuple[str, ...] = getattr(args, "outputs", ())
    if getattr(args, "force", False):
        return
    for name in ALWAYS:
        given = getattr(args, name, None)
        if not isinstance(given, str) or not given or Path(given).is_file():
            continue
        within = _recording_around(Path(given))
        if within is not None:
            msg = f"{given} lies in the recording {within}, which is never changed: choose a place outside."
            raise FileFault(msg)
    given_in = [v for k, v in vars(args).items() if k not in names for v in (v if isinstance(v, list) else [v])]
    read = [Path(v) for v in given_in if isinstance(v, str) and v]
    for name in names:
        given = getattr(args, name, None)
        if given:
            _check(Path(given), read)


def _recording_around(path: Path) -> Path | None:
    """The recording that a path lies in, or that it is, if any."""
    try:
        whole = path.resolve()
        return next((p for p in (whole, *whole.parents) if all((p / mark).is_file() for mark in MARKS)), None)
    except (OSError, RuntimeError, ValueError):
        return None


def _reads(given: Path, path: Path) -> bool:
    """Whether a file is one that was given to be read, or lies in a folder that was."""
    return (given.is_file() and given.samefile(path)) or (given.is_dir() and given.samefile(path.parent))


def _check(path: Path, read: Iterable[Path]) -> None:
    within = _recording_around(path)
    try:
        whole = path.resolve()
        there, kind = path.is_file(), whole.suffix.lower()
        over = there and (kind in OURS or any(_reads(p, path) for p in read))
    except (OSError, RuntimeError, ValueError):
        return  # whoever writes it says what is wrong
    if there and not over and kind and kind not in KINDS and not str(path).startswith("/dev/"):
        msg = f"{path} is there already and is no picture, sheet or JSON by its name: choose another name; --force writes over it."
        raise FileFault(msg)
    if over:
        msg = f"{path} is there already and is one of the shop's files or is read here: choose another name; --force writes over it."
        raise FileFault(msg)
    if within is not None:
        msg = f"{path} lies in the recording {within}, which is never changed: choose a place outside; --force writes there all the same."
        raise FileFault(msg)
