"""A backed bow, from its file to its plan: the pull is our own simulator's, its true stiffness the composite section's (tests/published/test_section_layers)."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tiller.bow.bowfile import Bow, parse_bow
from tiller.bow.composite import limb_section
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES
from tiller.errors import KeyFault
from tiller.measure.followup.advice import advise, advise_from_file, wood_of
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import read_recording
from tiller.measure.store import description
from tiller.mechanics.advice.advice import Advice
from tiller.records.shapes import fits_description
from tiller.simulate.bowmaker import BowTruth, LimbTruth, random_bow
from tiller.simulate.record import Plan, make_even, toml_bow, write_recording

BACK_MM = 2.5
LAYERS = f"""
[[limbs.{{side}}.layers]]
material = "glass"
thickness_mm = {BACK_MM}
[[limbs.{{side}}.layers]]
"""


def backed(limb: LimbTruth, described: Bow) -> LimbTruth:
    """The limb with its modulus such that it is as stiff as if its back were of glass."""
    above = described.above("left", limb.s_mm)
    thick = np.maximum(limb.thickness_mm, BACK_MM + 2.0)
    whole = limb_section(limb.width_mm, thick, limb.crown_radius_mm, above).second_moment_mm4
    solid = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).second_moment_mm4
    return replace(limb, modulus_gpa=limb.modulus_gpa * whole / solid)


def file_of(bow: BowTruth) -> str:
    """bow.toml without errors, with the true crown."""
    text = toml_bow(bow, Plan(measured_errors=False), np.random.default_rng(1))
    return f"crown_radius_mm = {bow.left.crown_radius_mm:g}\n" + text


def with_layers(text: str, layers: str = LAYERS) -> str:
    return text.replace("[target]", "[target]\nworking_strain = 0.011") + "".join(
        layers.format(side=side) for side in SIDES
    )


@pytest.fixture(scope="module")
def solid() -> BowTruth:
    bow = make_even(random_bow(np.random.default_rng(41), "backed", (), string_kind="braced"), 520.0, 2)
    return replace(bow, weight_n=130)


@pytest.fixture(scope="module")
def described(solid: BowTruth) -> Bow:
    text = file_of(solid)
    return parse_bow(tomllib.loads(with_layers(text)))


@pytest.fixture(scope="module")
def pull(solid: BowTruth, described: Bow, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, BowTruth]:
    bow = replace(solid, left=backed(solid.left, described), right=backed(solid.right, described))
    folder = tmp_path_factory.mktemp("backed") / "pull"
    write_recording(folder, bow, Plan(largest_mm=480.0, pictures=10, seed=41, measured_errors=False))
    return folder, bow


@pytest.fixture(scope="module")
def worked(pull: tuple[Path, BowTruth]) -> tuple[Measured, Advice, Bow]:
    file = pull[0] / "bow.toml"
    plain = file_of(pull[1])
    file.write_text(with_layers(plain))
    recording = read_recording(pull[0])
    measured = measure(recording)
    file.write_text(plain)
    return measured, advise(measured, recording.bow), recording.bow


def test_the_belly_wood_s_modulus_comes_out(worked: tuple[Measured, Advice, Bow], solid: BowTruth) -> None:
    for side in SIDES:
        limb = worked[0].result.limb(side)
        inside = np.isfinite(limb.departure)
        true = np.interp(limb.s_mm[inside], solid.limb(side).s_mm, solid.limb(side).modulus_gpa)
        assert limb.implied_modulus_gpa == pytest.approx(float(np.median(true)), rel=0.04)
    assert not any("imply a modulus" in note.text for note in worked[0].result.notes)


def test_the_back_is_nearer_to_the_neutral_axis_than_in_a_solid_limb(
    worked: tuple[Measured, Advice, Bow], pull: tuple[Path, BowTruth]
) -> None:
    for side in SIDES:
        limb, true = worked[0].result.limb(side), pull[1].limb(side)
        inside = np.isfinite(limb.departure)
        s = limb.s_mm[inside]
        width, thick = (np.interp(s, true.s_mm, v) for v in (true.width_mm, true.thickness_mm))
        whole = limb_section(width, thick, true.crown_radius_mm, worked[2].above(side, s))
        flat = crowned_section(width, thick, true.crown_radius_mm)
        by_bend = limb.strain[inside] / (1e-3 * limb.bend_per_m[inside])
        assert np.median(by_bend / whole.to_back_mm) == pytest.approx(1.0, abs=0.03)
        assert np.median(by_bend / flat.to_back_mm) < 0.95


def test_wood_comes_off_the_belly_s_layer_alone(worked: tuple[Measured, Advice, Bow]) -> None:
    plan = worked[1].plan
    assert plan is not None
    assert plan.zones
    for zone in plan.zones:
        limb = worked[0].result.limb("left" if zone.limb == "left" else "right")
        inside = (limb.s_mm >= zone.from_mm) & (limb.s_mm <= zone.to_mm)
        assert zone.depth_mm < float(np.min(limb.thickness_mm[inside])) - BACK_MM


def test_without_layers_such_a_stiffness_is_said(pull: tuple[Path, BowTruth]) -> None:
    result = measure(read_recording(pull[0])).result
    assert all(result.limb(side).implied_modulus_gpa > 1.3 * 10.0 for side in SIDES)
    assert any("give its layers in bow.toml if it is backed or laminated" in note.text for note in result.notes)


def test_a_forecast_from_the_file_knows_the_layers(described: Bow, solid: BowTruth) -> None:
    text = file_of(solid)
    plain = advise_from_file(parse_bow(tomllib.loads(text))).forecast
    layered = advise_from_file(described).forecast
    assert plain is not None
    assert layered is not None
    assert layered.weight_n > 1.1 * plain.weight_n


@pytest.mark.parametrize(
    ("layers", "says"),
    [
        (LAYERS.replace("glass", "moonstone"), "modulus_gpa and strain beside it"),
        (LAYERS.replace("2.5", "14.0"), "leave at least 1 mm"),
        (LAYERS.replace("thickness_mm = 2.5", "thickness = [{{s_mm = 0, thickness_mm = 2}}, {{s_mm = 400, thickness_mm = 2}}, {{s_mm = 420, thickness_mm = 15}}, {{s_mm = 440, thickness_mm = 2}}]"), "at 420 mm they come to"),
        (LAYERS + "thickness_mm = 5.0\n", "add up to the calipers"),
        (LAYERS + 'material = "yew"\n', "the last layer is the belly's"),
        (LAYERS + "modulus_gpa = 9\n", "given once for the bow"),
        ('\n[[limbs.{side}.layers]]\nmaterial = "glass"\nthickness_mm = 3.0\n', "at least 2 tables"),
        (LAYERS.replace("thickness_mm = 2.5", "thickness = [{{s_mm = 600, thickness_mm = 2}}, {{s_mm = 100, thickness_mm = 3}}]"), "more than in the row"),
    ],
)  # fmt: skip
def test_layers_that_cannot_be_are_one_sentence(solid: BowTruth, layers: str, says: str) -> None:
    text = file_of(solid)
    with pytest.raises(KeyFault) as caught:
        parse_bow(tomllib.loads(with_layers(text, layers)))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_layer_may_taper(solid: BowTruth) -> None:
    text = file_of(solid)
    taper = LAYERS.replace("thickness_mm = 2.5", "thickness = [{{s_mm = 100, thickness_mm = 3}}, {{s_mm = 700, thickness_mm = 1.5}}]")  # fmt: skip
    above = parse_bow(tomllib.loads(with_layers(text, taper))).above("left", [50.0, 400.0, 800.0])
    assert above is not None
    assert above.thickness_mm[0] == pytest.approx([3.0, 2.25, 1.5])


def test_a_layer_of_the_bowyer_s_own_needs_no_name(solid: BowTruth) -> None:
    own = LAYERS.replace('material = "glass"', "modulus_gpa = 30\nstrain = 0.02")
    bow = parse_bow(tomllib.loads(with_layers(file_of(solid), own)))
    assert bow.left.layers[0].modulus_gpa == 30.0
    assert parse_bow(tomllib.loads(with_layers(file_of(solid), LAYERS + 'material = "Black  Locust"\n'))).left.layers


def test_what_the_book_keeps_of_a_bow_is_read_again(pull: tuple[Path, BowTruth]) -> None:
    file = pull[0] / "bow.toml"
    plain = file.read_text()
    wanted = 'shape = "own"\ncurve = [{ share = 0.1, strain = 1 }, { share = 0.9, strain = 0.8 }]\n'
    file.write_text(with_layers(file_of(pull[1])).replace('shape = "even-strain"\n', wanted))
    told = json.loads(description(read_recording(pull[0]).bow))
    file.write_text(plain)
    assert fits_description(told)
    assert told["target"]["curve"][1]["share"] == 0.9
    assert [y["material"] for y in told["layers"]["left"]] == ["glass"]


def test_a_wanted_tiller_reaches_balance_and_plan_with_its_sign(pull: tuple[Path, BowTruth]) -> None:
    """Through the whole measurement: the upper limb, left or right, is wanted to be strained more."""
    file = pull[0] / "bow.toml"
    plain = file.read_text()
    for upper, sign in (("left", 1.0), ("right", -1.0)):
        text = with_layers(file_of(pull[1])).replace("[target]\n", "[target]\ntiller_mm = 8\n", 1)
        file.write_text(re.sub('upper_limb = "[a-z]+"', f'upper_limb = "{upper}"', text))
        recording = read_recording(pull[0])
        measured = measure(recording)
        result = measured.result
        assert sign * result.wanted_balance > 0.04
        assert sign * (result.off_balance - result.balance) < -0.04
        wood = wood_of(measured, recording.bow)
        ratio = [float(np.exp(np.mean(np.log(w.wanted)))) for w in wood if w.wanted is not None]
        assert sign * (ratio[0] - ratio[1]) > 0.04
    file.write_text(plain)
