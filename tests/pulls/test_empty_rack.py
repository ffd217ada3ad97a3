"""Is the rack in the picture of the empty rack really empty? Both rigs' pictures, with and without the bow, whose role is known."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from tiller.live.frame_analysis import OCCUPIED, Analyst, Looked
from tiller.measure.recording import Recording, read_picture, read_recording
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.record import Plan, write_recording
from tiller.simulate.render import Setting
from tiller.sources.interfaces import Shot
from tiller.vision.limbs.pull import lies_there_already, set_scene


def seems_full(recording: Recording, role: str) -> bool:
    scene = set_scene(recording.rig, recording.bow, read_picture(recording, recording.of_role("empty")[0]))
    return lies_there_already(replace(scene, empty=read_picture(recording, recording.of_role(role)[0])))


@pytest.mark.parametrize("name", ["dev_braced_grid", "dev_hinge_plain"])
def test_on_an_independent_rig(shared: Path, name: str) -> None:
    recording = read_recording(shared / "recordings" / name)
    assert not seems_full(recording, "empty")
    assert seems_full(recording, "rest")


@pytest.mark.parametrize(
    "setting",
    [Setting(), Setting(board="grid", light=0.6, noise=3.0), Setting(board="clutter", light=0.5, noise=3.0)],
    ids=["plain", "grid, dim", "clutter, dark"],
)
def test_on_the_rack_in_software(setting: Setting, tmp_path: Path) -> None:
    for seed in (61, 62):
        bow = random_bow(np.random.default_rng(seed), "any", crook_per_m=0.5, knots=1)
        write_recording(tmp_path / str(seed), bow, Plan(pictures=3, seed=seed, size=(1280, 720)), setting)
        recording = read_recording(tmp_path / str(seed))
        assert not seems_full(recording, "empty")
        assert seems_full(recording, "rest")


def test_the_live_rack_says_so(small_recording: Path) -> None:
    """The bow lies there from the start; then it is taken off, the rack photographed anew, and the bow is found."""
    recording = read_recording(small_recording)
    analyst = Analyst(recording.bow, recording.rig)
    pictures = {role: read_picture(recording, recording.of_role(role)[0]) for role in ("empty", "rest")}
    moments = count(1)

    def show(role: str) -> Looked:
        for _ in range(60):
            number = next(moments)
            looked = analyst.look(Shot(pictures[role], number / 30, number))
        return looked

    assert show("rest").trouble == OCCUPIED  # nothing is photographed as long as it lies there
    assert analyst.empty is None
    assert show("empty").ready
    assert show("rest").bow
    analyst.forget_empty()  # E while it lies there: it is waited for, not photographed
    assert show("rest").trouble == OCCUPIED
    assert show("empty").ready
    analyst.forget_empty()
    show("rest")
    analyst.forget_empty()  # E once more: what seems to be a bow is a shelf
    assert show("rest").ready
