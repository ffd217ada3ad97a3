"""What several commands share."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tiller.report.style import Units


def units_of(args: argparse.Namespace) -> Units:
    """The units that are meant."""
    from tiller.report.style import Units

    return Units(metric=args.units == "metric")


def progress(args: argparse.Namespace, text: str) -> None:
    """Shows what is being done, in one line of a terminal; an empty text takes it away."""
    if not getattr(args, "quiet", False) and sys.stderr.isatty():
        print(f"\r{text:60s}", end="", file=sys.stderr, flush=True)
        if not text:
            print("\r", end="", file=sys.stderr, flush=True)


def book_of(args: argparse.Namespace) -> Path:
    """The book that is meant: the shop's, or the one given."""
    from tiller.paths import book_path

    return Path(args.book) if args.book else book_path()


def existing_book(args: argparse.Namespace) -> Path:
    """The book to read; reading never makes one."""
    from tiller.errors import BookFault

    path = book_of(args)
    if path.is_file() and path.stat().st_size == 0:
        msg = f"{path} is empty, no book: give the book's own file with --book; nothing was written."
        raise BookFault(msg)
    if not path.is_file():
        msg = f"There is no book at {path} yet: 'tiller measure RECORDING' makes it, or give another one with --book."
        raise BookFault(msg)
    return path
