"""What a number on the command line may be."""

from __future__ import annotations

import argparse
import math

LARGEST = 1e9
"""Nothing that is typed at a rack is larger: mm, N, kg, percent, pixels, counts."""


def number(text: str) -> float:
    """A finite number of ordinary size.

    Raises:
        ArgumentTypeError: it is none.
    """
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > LARGEST:
        msg = f"{_short(text)} is no number of ordinary size, such as 12.5"
        raise argparse.ArgumentTypeError(msg)
    return value


def whole(text: str) -> int:
    """A whole number of ordinary size.

    Raises:
        ArgumentTypeError: it is none.
    """
    value = number(text)
    if value != int(value):
        msg = f"{_short(text)} is no whole number"
        raise argparse.ArgumentTypeError(msg)
    return int(value)


def _short(text: str) -> str:
    return repr(text if len(text) <= 20 else text[:17] + "...")
