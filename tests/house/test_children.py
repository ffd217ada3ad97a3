"""The second process: the same result with and without it, whatever the current folder, and gone with the first one."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from tiller.children import ProcessDied, SecondProcess
from tiller.measure.tracing import CHAINS_FROM


@pytest.fixture(scope="module")
def long_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording with so many pictures that two processes share them."""
    from tiller.simulate.bowmaker import random_bow
    from tiller.simulate.record import Plan, write_recording
    from tiller.simulate.render import Setting

    folder = tmp_path_factory.mktemp("long") / "many"
    bow = random_bow(np.random.default_rng(5), "many_pictures", (), string_kind="long")
    write_recording(folder, bow, Plan(pictures=CHAINS_FROM - 4, seed=5, size=(960, 540)), Setting(noise=1.0))
    return folder


def test_a_relative_path_and_no_second_process_give_the_same(long_recording: Path, tmp_path: Path) -> None:
    from tiller.measure.pipeline import measure
    from tiller.measure.recording import read_recording
    from tiller.report.data import result_json

    assert len(read_recording(long_recording).pictures) > CHAINS_FROM
    out = tmp_path / "out.json"
    words = ["measure", long_recording.name, "--no-book", "--no-pictures", "--json", str(out)]
    env = {**os.environ, "TILLER_HOME": str(tmp_path), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-m", "tiller", *words]
    subprocess.run(command, cwd=long_recording.parent, env=env, check=True, capture_output=True)
    shared, alone = json.loads(out.read_text()), result_json(measure(read_recording(long_recording)).result)
    assert shared["left_out"] == alone["left_out"]
    assert [f["file"] for f in shared["frames"]] == [f["file"] for f in alone["frames"]]
    for side in ("left", "right"):
        mine, theirs = (np.array(r["limbs"][side]["stiffness_n_m2"], dtype=float) for r in (shared, alone))
        np.testing.assert_allclose(mine, theirs, rtol=1e-6)


HOLDER = """
import os, sys, time
from tiller.children import SecondProcess
with SecondProcess(int) as second:
    print(second.ask(os.getpid).take(), flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no kill that cannot be caught")
def test_it_ends_with_the_first_process_however_that_ends() -> None:
    holder = subprocess.Popen([sys.executable, "-P", "-c", HOLDER], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    second = int(holder.stdout.readline())
    os.kill(second, 0)  # it is there
    holder.kill()
    holder.wait()
    holder.stdout.close()
    end = time.monotonic() + 30
    while time.monotonic() < end:
        try:
            os.kill(second, 0)
        except ProcessLookupError:
            return
        stat = Path(f"/proc/{second}/stat")
        if stat.exists() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z":
            return  # ended, and nobody has asked for it
        time.sleep(0.05)
    pytest.fail("the second process lives on")


def test_where_it_dies_the_work_is_done_here() -> None:
    with SecondProcess(int) as second:
        assert second.ask(sum, [1, 2]).take() == 3
        asked = second.ask(os._exit, 3) if second.ask(os.getpid).take() != os.getpid() else None
        after = second.ask(sum, [3, 4])
        assert asked is not None
        assert after.take() == 7


def test_what_the_work_raises_is_raised() -> None:
    with SecondProcess(int) as second, pytest.raises(ValueError, match="invalid literal"):
        second.ask(int, "x").take()


def test_a_fault_of_the_work_is_raised_as_it_is() -> None:
    with SecondProcess(int) as second, pytest.raises(FileNotFoundError):
        second.alone(os.stat, "no such file")


def half_an_answer() -> None:
    """Dies with the beginning of an answer in the pipe."""
    import gc
    from multiprocessing.queues import SimpleQueue

    for queue in (one for one in gc.get_objects() if isinstance(one, SimpleQueue)):
        with contextlib.suppress(OSError, AttributeError):
            queue._writer._send((1000).to_bytes(4, "big") + b"half")
    os._exit(3)


def test_a_process_that_dies_while_it_answers_keeps_nobody_waiting() -> None:
    """The pipe then holds the beginning of an answer that never ends."""
    ended = threading.Event()

    def wait(second: SecondProcess) -> None:
        with contextlib.suppress(ProcessDied):
            second.alone(half_an_answer)
        ended.set()

    with SecondProcess(int) as second:
        assert second.alone(os.getpid) != os.getpid()
        threading.Thread(target=wait, args=(second,), daemon=True).start()
        assert ended.wait(60.0)
