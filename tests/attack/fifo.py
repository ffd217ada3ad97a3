"""A pipe where a file is expected."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def make_fifo(path: Path) -> None:
    """Makes one; the test is skipped on a system that has none."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no FIFO")
    os.mkfifo(path)
