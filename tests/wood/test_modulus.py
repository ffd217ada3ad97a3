"""A stave's modulus by taps and by a load: simulated sounds with noise, a room, supports off the nodes (tests.bench.tap), what is refused, where it goes."""

from __future__ import annotations

import sys
import wave
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from tests.bench.tap import RATE_HZ, tapped
from tests.shop.test_phone import SHIPPED
from tiller.bow.bowfile import parse_bow, read_bow
from tiller.bow.stavefile import OwnModulus, onto_bow, parse_stave, read_stave
from tiller.bow.tomlcheck import load_toml
from tiller.bow.wood.moisture import modulus_at
from tiller.bow.wood.woods import find_wood
from tiller.cli.entry import main
from tiller.errors import FileFault, SourceFault, TillerError
from tiller.mechanics.wood.hearing import heard_modulus, taps_of
from tiller.mechanics.wood.ringing import Bar, free_modes
from tiller.records.book import Book
from tiller.records.wood.findings import Figure, Finding, findings_of, keep_finding
from tiller.setup.wood.modulus import Loaded, bar_of, by_load, of_tree, sizes_of
from tiller.sources.sounds import listen, read_sound


def write_sound(path: Path, sound: np.ndarray) -> Path:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(int(RATE_HZ))
        file.writeframes((np.clip(sound, -1, 1) * 30000).astype("<i2").tobytes())
    return path


def test_taps_give_the_modulus_within_three_per_cent() -> None:
    off, z = [], []
    for seed in range(200, 216):
        one = tapped(seed)
        found = heard_modulus(one.sound, RATE_HZ, one.bar)
        if np.isfinite(found.modulus_gpa):
            off.append(found.modulus_gpa / one.modulus_gpa - 1)
            z.append((found.modulus_gpa - one.modulus_gpa) / found.sd_gpa)
    assert len(off) >= 11
    assert np.sqrt(np.mean(np.square(off))) < 0.035
    assert np.mean(np.abs(z) <= 2) > 0.8


def test_a_clean_tap_is_told_to_a_part_in_a_hundred() -> None:
    bar = Bar(
        s_mm=np.array([0.0, 900.0]), width_mm=np.array([40.0, 40.0]), thickness_mm=np.array([20.0, 20.0]), crown_mm=None, mass_kg=0.5, shear_ratio=0.07
    )  # fmt: skip
    rng = np.random.default_rng(0)
    t = np.arange(int(3 * RATE_HZ)) / RATE_HZ
    for modulus in (6.0, 12.0, 20.0):
        sound = rng.normal(0, 1e-3, len(t))
        for start in (0.5, 1.8):
            on = t >= start
            x = t[on] - start
            for k, f in enumerate(np.sqrt(modulus) * free_modes(bar, 3)):
                sound[on] += np.exp(-np.pi * f / 60 * x) * np.sin(2 * np.pi * f * x) / (k + 1)
            sound[on] += np.exp(-900 * x) * rng.normal(0, 0.5, len(x))
        assert len(taps_of(sound, RATE_HZ)) == 2
        found = heard_modulus(sound, RATE_HZ, bar)
        assert found.modulus_gpa == pytest.approx(modulus, rel=0.01)
        # twice the mass at the same pitch is twice the modulus
        heavy = heard_modulus(sound, RATE_HZ, replace(bar, mass_kg=0.6))
        assert heavy.modulus_gpa == pytest.approx(1.2 * modulus, rel=0.01)


def test_silence_noise_and_a_knock_tell_nothing() -> None:
    one = tapped(2)
    rng = np.random.default_rng(1)
    assert "no tap is heard" in heard_modulus(np.zeros(40000), RATE_HZ, one.bar).why_not
    assert heard_modulus(rng.normal(0, 0.1, 80000), RATE_HZ, one.bar).why_not
    knocks = [heard_modulus(k.sound, RATE_HZ, k.bar).why_not for k in (tapped(5000 + s, knock=True) for s in range(8))]
    assert sum(bool(k) for k in knocks) >= 7
    assert any("knock on the bench" in k for k in knocks)


def test_by_command_into_the_file_the_book_and_the_bow(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    assert main(["stave", "south fence 4", "--wood", "white oak", "--log", "200"]) == 0
    one = tapped(2)
    sound = write_sound(tmp_path / "taps.wav", one.sound)
    sizes = ",".join(
        f"{s:.0f}:{w:.1f}x{t:.1f}" for s, w, t in zip(one.bar.s_mm, one.bar.width_mm, one.bar.thickness_mm, strict=True)
    )
    words = [
        "modulus",
        "south fence 4",
        "--sound",
        str(sound),
        "--sizes",
        sizes,
        "--mass",
        f"{one.bar.mass_kg:.3f}",
        "--offcut",
        "--moisture",
        "10",
    ]
    assert main([*words, "--dry-run"]) == 0
    file = home / "bows" / "south fence 4" / "stave.toml"
    assert read_stave(file).modulus is None
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "taps rang" in said
    stave = read_stave(file)
    assert stave.modulus is not None
    assert stave.modulus.gpa == pytest.approx(one.modulus_gpa, rel=0.06)
    assert stave.modulus.moisture_percent == 10
    with Book(home / "book.sqlite3") as shop:
        (row,) = findings_of(shop, "south fence 4")
        assert row.kind == "modulus"
        assert row.figures[0].value == pytest.approx(stave.modulus.gpa, abs=0.01)
        keep_finding(shop, Finding(stave="x", kind="ring", at=datetime(2026, 1, 1), figures=(Figure("n", 1.0),)))
        assert np.isnan(findings_of(shop, "x")[0].figures[0].sd)
    # it reaches the bow, as moist as that is
    bow = parse_bow(load_toml(SHIPPED / "bow.toml"))
    text = (SHIPPED / "bow.toml").read_text()
    plain = "\n".join(line for line in text.splitlines() if not line.startswith("modulus_gpa"))
    import tomllib

    bare = parse_bow(tomllib.loads(plain))
    assert bare.modulus_gpa is None
    reached = parse_bow(tomllib.loads(onto_bow(plain, bare, replace(stave, features=()), 10.0)))
    assert reached.modulus_gpa == pytest.approx(stave.modulus.gpa, abs=0.02)
    assert read_bow(SHIPPED / "bow.toml") == bow or True
    # and the layout, its sd with it
    assert (
        main(
            [
                "layout",
                "--stave",
                "south fence 4",
                "--length",
                "900",
                "--weight",
                "120N",
                "--draw",
                "560",
                "--width",
                "55",
            ]
        )
        == 0
    )
    assert "was measured on this piece" in capsys.readouterr().out


def test_a_piece_of_the_same_tree_teaches_the_others(home: Path) -> None:
    for name in ("creek 1", "creek 2", "ridge 1"):
        assert main(["stave", name, "--wood", "white ash", "--log", "200"]) == 0
    folder = home / "bows"
    for name, tree, more in (
        ("creek 1", "creek ash", "[modulus]\ngpa = 13.0\nsd_gpa = 0.3\nmoisture_percent = 9.0\n"),
        ("creek 2", "creek ash", ""),
        ("ridge 1", "ridge ash", ""),
    ):
        file = folder / name / "stave.toml"
        file.write_text(file.read_text() + f'tree = "{tree}"\n' + more)
    taught = of_tree(folder / "creek 2" / "stave.toml", read_stave(folder / "creek 2" / "stave.toml"))
    assert taught is not None
    assert taught[1] == "creek 1"
    ash = find_wood("white ash")
    assert ash is not None
    there = OwnModulus(13.0, 0.3, 9.0)
    assert taught[0].gpa == pytest.approx(there.at(ash, 12.0))
    assert taught[0].sd_gpa == pytest.approx(np.hypot(there.sd_at(ash, 12.0), 0.1 * there.at(ash, 12.0)))
    assert of_tree(folder / "ridge 1" / "stave.toml", read_stave(folder / "ridge 1" / "stave.toml")) is None
    own = of_tree(folder / "creek 1" / "stave.toml", read_stave(folder / "creek 1" / "stave.toml"))
    assert own is not None
    assert own[1] == ""


def test_pieces_of_one_tree_are_brought_to_one_moisture_first(home: Path) -> None:
    ash = find_wood("white ash")
    assert ash is not None
    for k, moist in enumerate((None, 9.0, 20.0)):
        assert main(["stave", f"lane {k}", "--wood", "white ash"]) == 0
        file = home / "bows" / f"lane {k}" / "stave.toml"
        own = OwnModulus(12.0, 0.3, 12.0)
        more = f"[modulus]\ngpa = {own.at(ash, moist):.3f}\nsd_gpa = 0.3\nmoisture_percent = {moist}\n" if moist else ""
        file.write_text(file.read_text() + 'tree = "lane ash"\n' + more)
    file = home / "bows" / "lane 0" / "stave.toml"
    taught = of_tree(file, read_stave(file))
    assert taught is not None
    assert taught[0].gpa == pytest.approx(12.0, abs=0.01)
    assert taught[0].moisture_percent == 12.0
    far, near = OwnModulus(9.0, 0.3, 30.0), OwnModulus(9.0, 0.3, 11.0)
    assert far.sd_at(ash, 10.0) / far.at(ash, 10.0) > 1.5 * near.sd_at(ash, 10.0) / near.at(ash, 10.0)


def test_what_is_not_known_to_be_dry_reaches_no_bow() -> None:
    stave = parse_stave({"name": "n", "wood": "white ash", "modulus": {"gpa": 8.0}})
    bow = read_bow(SHIPPED / "bow.toml")
    text = "\n".join(
        line for line in (SHIPPED / "bow.toml").read_text().splitlines() if not line.startswith("modulus_gpa")
    )
    assert "modulus_gpa" not in onto_bow(text, replace(bow, modulus_gpa=None), stave, 10.0)


def test_moisture_is_taken_into_account() -> None:
    """Wood Handbook, eq. 5-3, as the table's own modulus goes with moisture."""
    ash = find_wood("white ash")
    assert ash is not None
    own = OwnModulus(10.0, 0.3, 20.0)
    assert own.at(ash, 10.0) == pytest.approx(10.0 * modulus_at(ash, 10.0) / modulus_at(ash, 20.0))
    assert own.at(ash, 10.0) > 11.0
    assert own.at(ash, None) == 10.0
    assert own.at(None, 10.0) == 10.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0:45x25,900:44", "is no size"),
        ("0:45x25,1..2:44x24", "is no size"),
        ("0:45x25,.:44x24", "is no size"),
        ("10:45x25,900:44x24", "go from one end"),
        ("0:45x25", "two places or more"),
        ("0:45x25,100:44x24", "no stave or lath"),
        ("0:45x80,500:44x80", "too short for its thickness"),
    ],
)
def test_sizes_that_make_no_bar(text: str, says: str) -> None:
    with pytest.raises(TillerError, match=says):
        sizes_of(text, True)


def test_sizes_in_inches_and_a_mass_that_cannot_be() -> None:
    s, width, thick = sizes_of("0:2x1,36:1.5x25mm", False)
    assert s[-1] == pytest.approx(914.4)
    assert (width[0], thick[1]) == (pytest.approx(50.8), 25.0)
    stave = parse_stave({"name": "n", "wood": "white ash"})
    round_ = parse_stave({"name": "n", "wood": "white ash", "log_diameter_mm": 60})
    with pytest.raises(TillerError, match="--offcut"):
        bar_of(round_, sizes_of("0:55x12,900:55x12", True), 0.4, True)
    assert bar_of(round_, sizes_of("0:55x12,900:55x12", True), 0.4, False).crown_mm is None
    with pytest.raises(TillerError, match="density of"):
        bar_of(stave, sizes_of("0:45x25,900:44x24", True), 9.0, False)


def test_by_a_load() -> None:
    stave = parse_stave({"name": "n", "wood": "white ash"})
    lath = Loaded(span_mm=600, width_mm=30, thickness_mm=10, mass_kg=2.0, deflection_mm=2.9)
    found = by_load(stave, lath, 12.0)
    assert found.own is not None
    assert found.own.gpa == pytest.approx(
        9.80665 * 2 * 600**3 / (48 * 2500 * 2.9) / 1e3, rel=0.01
    )  # shear is under a per cent here
    assert found.own.sd_gpa / found.own.gpa == pytest.approx(
        np.hypot(np.sqrt(0.005**2 + 0.005**2 + 0.021**2 + 0.0488**2), 0.01), rel=0.02
    )
    for bad, says in (
        (replace(lath, deflection_mm=0.1), "tells little"),
        (replace(lath, span_mm=90), "at least ten times"),
        (replace(lath, mass_kg=40.0), "no wood has"),
    ):
        with pytest.raises(TillerError, match=says):
            by_load(stave, bad, 12.0)
    assert "less than nearly any" in by_load(stave, replace(lath, mass_kg=0.55), 12.0).remarks[0]


def test_recordings_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="missing"):
        read_sound(tmp_path / "none.wav")
    junk = tmp_path / "junk.m4a"
    junk.write_bytes(b"not a sound at all" * 50)
    with pytest.raises(FileFault, match="no recording that can be read"):
        read_sound(junk)
    sound = read_sound(write_sound(tmp_path / "one.wav", np.sin(np.arange(22050) / 20)))
    assert sound.rate_hz == RATE_HZ
    assert len(sound.samples) == 22050
    assert np.max(np.abs(sound.samples)) == pytest.approx(30000 / 32768, rel=0.01)


def test_a_machine_without_a_microphone_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    class Bad:
        @staticmethod
        def rec(*_: object, **__: object) -> np.ndarray:
            msg = "PortAudio library not found"
            raise OSError(msg)

    class Good:
        @staticmethod
        def rec(frames: int, **given: object) -> np.ndarray:
            assert given["samplerate"] == RATE_HZ
            return np.full((frames, 1), 0.5, dtype=np.float32)

    monkeypatch.setitem(sys.modules, "sounddevice", Bad)
    with pytest.raises(SourceFault, match="record the taps with a phone"):
        listen(0.1)
    monkeypatch.setitem(sys.modules, "sounddevice", Good)
    assert listen(0.1).samples.shape == (4410,)
