"""Fixtures. What lies beside the checkout is used where it is there; what was skipped is said."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it; before numpy is loaded

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import tiller  # before the picture library, whose limits it sets

assert tiller.__version__

ROOT = Path(__file__).resolve().parents[1]
SHARED = ROOT.parent / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    if not (SHARED / "recordings").is_dir():
        pytest.skip("the recordings of the independent rig do not lie beside this checkout (../shared/recordings)")
    return SHARED


@pytest.fixture(scope="session")
def small_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A quick recording of the software rack, 1280x720, 9 pictures up and 3 down, one weak spot."""
    from tiller.simulate.bowmaker import Spot, random_bow
    from tiller.simulate.record import Plan, write_recording
    from tiller.simulate.render import Setting

    folder = tmp_path_factory.mktemp("recordings") / "small"
    bow = random_bow(np.random.default_rng(5), "small_bow", (Spot("left", 380, 480, -0.08),), string_kind="long")
    write_recording(folder, bow, Plan(pictures=9, seed=5, size=(1280, 720)), Setting(noise=1.0))
    return folder


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.hookimpl(wrapper=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> Iterator[None]:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = len(reporter.stats.get("skipped", [])) if reporter else 0
    if os.environ.get("TILLER_NO_SKIPS") and skipped:
        print(f"\n{skipped} test(s) skipped, and TILLER_NO_SKIPS is set: a real part went untested.")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
    return (yield)
