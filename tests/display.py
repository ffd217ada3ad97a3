"""A virtual display for what opens a real window."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


def on_display(
    script: str, *words: str, home: Path, size: tuple[int, int] = (1400, 900), patience_s: float = 300.0
) -> str:
    """What a script of its own, with these words, says on a display of that size; ``home``: the shop's folder. A script that fails is a failure.

    Without a virtual display on this machine the test is skipped, in CI it fails.
    """
    if shutil.which("xvfb-run") is None:
        if os.environ.get("TILLER_NO_SKIPS"):
            pytest.fail("xvfb-run is not installed")
        pytest.skip("xvfb-run is not installed: the window was not opened")
    screen = f"-screen 0 {size[0]}x{size[1]}x24"
    root = str(Path(__file__).parents[1])
    env = {**os.environ, "TILLER_HOME": str(home), "LIBGL_ALWAYS_SOFTWARE": "1", "PYTHONPATH": root}
    command = ["xvfb-run", "-a", "-s", screen, sys.executable, "-c", script, *words]
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=patience_s, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout
