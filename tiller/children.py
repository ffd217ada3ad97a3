"""Processes beside this one: started so that nothing in the current folder can pass for a part of this program.

``python -m`` puts the current folder first on the path: a file called like a module of Python's, in a recording that came from somebody else,
would be run. ``-P`` leaves it out; and the child stands in a folder of the program's own, so paths that are handed to it must be absolute.
"""

from __future__ import annotations

import sys
from pathlib import Path

STANDS_IN = Path(__file__).resolve().parent
"""The folder that a child works in."""


def child(module: str, *words: str) -> list[str]:
    """The command for a module of this program in a process of its own."""
    return [sys.executable, "-P", "-m", module, *words]
