"""Staves: what is written, what is refused, what reaches the bow. Sagitta and the crown's share by the circle's own geometry."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from tiller.bow.bowfile import parse_bow, read_bow
from tiller.bow.sides import Side
from tiller.bow.stavefile import crown_of, log_words, onto_bow, parse_stave, read_stave
from tiller.bow.wood.moisture import WETTEST
from tiller.cli.entry import main
from tiller.errors import KeyFault
from tiller.measure.followup.advice import strain_limit
from tiller.mechanics.wood.season import Season, season_of
from tiller.records.book import Book
from tiller.records.lessons import Taught
from tiller.report.style import Units
from tiller.report.text.stave import stave_words
from tiller.setup.bow_files import with_stave

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "bow.toml"
BASE = 'name = "hedge"\nwood = "white ash"\n'


def stave(text: str) -> object:
    return parse_stave(tomllib.loads(BASE + text))


def test_the_crown_is_the_circles() -> None:
    crown = crown_of(100.0, 60.0, 18.0)
    assert crown.sagitta_mm == pytest.approx(50 - np.sqrt(50**2 - 30**2))  # 10 mm: 3-4-5
    assert 0.2 < crown.bearing_share < 0.6
    assert crown.stiffness_share < 0.7
    flat = crown_of(5000.0, 40.0, 15.0)
    assert flat.sagitta_mm < 0.1
    assert flat.bearing_share == 1.0
    assert flat.stiffness_share == pytest.approx(1.0, abs=0.02)
    small = parse_stave(tomllib.loads(BASE + "log_diameter_mm = 70"))
    assert any("risky" in text for text in log_words(small, 40.0, 15.0))
    assert any("gives no limb" in text for text in log_words(small, 80.0, 15.0))
    assert not any(
        "risky" in text for text in log_words(parse_stave(tomllib.loads(BASE + "log_diameter_mm = 150")), 45.0, 15.0)
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("felled = 2026-03-10\nsplit = 2026-03-01", "after the felling"),
        ("felled = 2026-03-10\n[[weighings]]\non = 2026-03-01\nmass_kg = 3.0", "after the felling"),
        (
            "[[weighings]]\non = 2026-03-02\nmass_kg = 3.0\n[[weighings]]\non = 2026-03-01\nmass_kg = 2.9",
            "after the weigh-in before",
        ),
        ("[offcut]\non = 2026-03-01\nwet_g = 40.0\ndry_g = 45.0\nstave_kg = 3.0", "less than the wet"),
        ("[[features]]\nlimb = 'left'\nkind = 'knot'\nfrom_mm = 300\nto_mm = 200", "further out"),
        ("felled = 'spring'", "a date"),
        ("back = 'any'", "chased ring"),
        ("log_diameter_mm = 3", "30 to 2000"),
    ],
)
def test_what_cannot_be_is_one_sentence(text: str, said: str) -> None:
    with pytest.raises(KeyFault, match=said):
        stave(text)


def weighings(last: float = 2.5) -> str:
    rows = [
        (f"2026-{m:02d}-{d:02d}", last + 0.9 * np.exp(-k / 4))
        for k, (m, d) in enumerate((m, d) for m in range(3, 9) for d in (1, 15))
    ]
    return "\n".join(f"[[weighings]]\non = {day}\nmass_kg = {kg:.3f}" for day, kg in rows)


def test_three_ways_to_its_moisture() -> None:
    by_level = season_of(
        parse_stave(tomllib.loads(BASE + "[shop]\ntemperature_c = 20\nhumidity_percent = 65\n" + weighings()))
    )
    assert "level" in by_level.how
    assert by_level.shop == pytest.approx(12.0, abs=0.01)
    dry = 2.5 / 1.12
    known = season_of(parse_stave(tomllib.loads(BASE + f"dry_mass_kg = {dry:.4f}\n" + weighings())))
    assert "known" in known.how
    offcut = "[offcut]\non = 2026-03-01\nwet_g = 76.16\ndry_g = 50.0\nstave_kg = 3.4\n"
    cut = season_of(parse_stave(tomllib.loads(BASE + offcut + weighings())))
    assert "oven" in cut.how
    true = 100 * ((2.5 + 0.9 * np.exp(-11 / 4)) / dry - 1)
    for told in (by_level, known, cut):
        assert abs(told.moisture - true) < 3 * told.moisture_sd + 0.1
        assert told.moisture_sd < 3.0
    nothing = season_of(parse_stave(tomllib.loads(BASE)))
    assert np.isnan(nothing.moisture)


def test_what_is_said_of_wet_wood_and_of_weigh_ins_that_rise() -> None:
    wet = season_of(
        parse_stave(tomllib.loads(BASE + "dry_mass_kg = 2.0\n[[weighings]]\non = 2026-03-01\nmass_kg = 2.3"))
    )
    assert any("takes set" in note.text for note in wet.notes)
    green = season_of(
        parse_stave(tomllib.loads(BASE + "dry_mass_kg = 2.0\n[[weighings]]\non = 2026-03-01\nmass_kg = 3.3"))
    )
    assert any("over fibre saturation" in note.text for note in green.notes)
    rising = "[[weighings]]\non = 2026-03-01\nmass_kg = 2.3\n[[weighings]]\non = 2026-03-09\nmass_kg = 2.5"
    assert any(
        "heavier than the one before" in note.text
        for note in season_of(parse_stave(tomllib.loads(BASE + rising))).notes
    )
    creeping = "".join(f"[[weighings]]\non = 2026-03-{k + 1:02d}\nmass_kg = {3 + 0.02 * k:g}\n" for k in range(4))
    said_of = season_of(parse_stave(tomllib.loads(BASE + creeping))).notes
    assert (
        sum("heavier than that of 2026-03-01" in note.text for note in said_of) == 2
    )  # no step is over 1 %, all of them are
    felled = parse_stave(tomllib.loads(BASE + "felled = 2026-01-01\n[[weighings]]\non = 2026-06-01\nmass_kg = 2.5"))
    fresh = stave_words(felled, today=date(2026, 1, 10))
    assert "seal the ends now" in fresh
    assert "keep it out of the sun" in fresh
    assert "bark is still on" not in fresh
    said = stave_words(felled, today=date(2028, 6, 2))
    assert "seal the ends now" not in said
    assert "look for checks from the ends" in said
    assert "keep it out of the sun" not in said
    assert "bark is still on" in said
    assert "trained person" in said
    assert felled.dates["felled"] == date(2026, 1, 1)


def test_what_came_off_with_the_bark_is_no_water() -> None:
    """An offcut or weigh-ins from before wood came off tell another piece's mass: left out and said, not counted as dry."""
    dry, water = 2.0, 0.20
    rows = [(10 + 7 * k, dry * (1 + water + 0.25 * np.exp(-k / 2))) for k in range(6)]
    text = BASE + "felled = 2026-02-01\nbark_off = 2026-03-20\nwanted_moisture = 12\n"
    text += "[offcut]\non = 2026-03-10\nwet_g = 145.0\ndry_g = 100.0\nstave_kg = 3.1\n"  # 7 % of it was bark
    text += "".join(
        f"[[weighings]]\non = {date(2026, 3, 10) + timedelta(days=d - 10)}\nmass_kg = {kg * (1.07 if d < 20 else 1.0):.3f}\n"
        for d, kg in rows
    )
    season = season_of(parse_stave(tomllib.loads(text)))
    assert np.isnan(season.moisture)
    assert any("not counted" in note.text for note in season.notes)
    assert any("heavier piece" in note.text for note in season.notes)
    again = text.replace("on = 2026-03-10\nwet_g = 145.0", "on = 2026-03-24\nwet_g = 137.0").replace(
        "stave_kg = 3.1", "stave_kg = 2.740"
    )
    told = season_of(parse_stave(tomllib.loads(again)))
    assert abs(told.moisture - 100 * (rows[-1][1] / dry - 1)) < 3 * told.moisture_sd


def test_the_sd_of_a_moisture_is_that_of_its_scales() -> None:
    def by(wet: str, dry: str) -> Season:
        cut = f"[offcut]\non = 2026-03-01\nwet_g = {wet}\ndry_g = {dry}\nstave_kg = 3.0\n"
        return season_of(parse_stave(tomllib.loads(BASE + cut)))

    coarse, fine, small = by("130", "100"), by("130.1", "100.1"), by("15", "10")
    assert coarse.moisture == pytest.approx(30.0, abs=0.5)  # an offcut alone tells it, on its own day
    # by hand: sd of wet / dry with 0.4 g each, and 1 % for the offcut not being the stave
    by_hand = 100 * np.hypot(np.hypot(0.4 / 100, 1.3 * 0.4 / 100), 1.3 * 0.01)
    assert coarse.moisture_sd == pytest.approx(by_hand, rel=0.15)
    assert fine.moisture_sd < coarse.moisture_sd
    assert np.isnan(small.moisture)  # ten grams on a kitchen scale tell nothing
    assert any("too uncertain to use" in note.text for note in small.notes)


def test_green_wood_is_no_dry_wood_at_the_rack(tmp_path: Path) -> None:
    """The wettest wood gets the lowest limit, and it is said."""
    (tmp_path / "bow.toml").write_text(EXAMPLE.read_text())
    bow = read_bow(tmp_path / "bow.toml")
    limits = []
    for kg in (2.2, 2.4, 2.7, 3.4):
        (tmp_path / "stave.toml").write_text(
            BASE + f"dry_mass_kg = 2.0\n[[weighings]]\non = 2026-03-01\nmass_kg = {kg}\n"
        )
        text, said = with_stave(tmp_path / "bow.toml", bow)
        told = parse_bow(tomllib.loads(text))
        limits.append(strain_limit(replace(told, target=replace(told.target, working_strain=None)))[0])
        assert (kg < 2.5) or any(note.code == "season.green" for note in said)
    assert limits == sorted(limits, reverse=True)
    assert limits[-1] < 0.9 * limits[0]


def test_what_the_stave_knows_reaches_the_bow() -> None:
    text = EXAMPLE.read_text()
    bow = read_bow(EXAMPLE)
    told = parse_stave(
        tomllib.loads(
            BASE + "log_diameter_mm = 180\n[[features]]\nlimb = 'left'\nkind = 'knot'\nfrom_mm = 300\nto_mm = 330\n"
            "[[features]]\nlimb = 'right'\nkind = 'cut ring'\nfrom_mm = 400\nto_mm = 450\n"
        )
    )
    new = parse_bow(tomllib.loads(onto_bow(text, bow, told, 9.5)))
    assert new.crown_radius_mm == (bow.crown_radius_mm or 90.0)
    assert new.moisture_percent == 9.5
    assert [f.kind for f in new.left.features] == [*(f.kind for f in bow.left.features), "knot"]
    assert new.right.features[-1].strain_share == 0.8
    assert onto_bow(text, new, told, 9.5).count("[[limbs") == text.count(
        "[[limbs"
    )  # what is there already is not added again
    beyond = parse_stave(
        tomllib.loads(BASE + "[[features]]\nlimb = 'left'\nkind = 'knot'\nfrom_mm = 1500\nto_mm = 1530")
    )
    with pytest.raises(ValueError, match="beyond the left limb's nock"):
        onto_bow(text, bow, beyond, None)


def test_the_stave_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    assert main(["stave", "hedge bow"]) == 2
    assert "begins it" in capsys.readouterr().err
    assert (
        main(
            [
                "stave",
                "hedge bow",
                "--wood",
                "white ash",
                "--log",
                "160",
                "--felled",
                "2026-02-01",
                "--weigh",
                "2026-02-03=3.4",
            ]
        )
        == 0
    )
    assert (
        main(["stave", "hedge bow", "--weigh", "2026-03-03=3.1", "--feature", "left:knot:310-340", "--air", "18:55"])
        == 0
    )
    out = capsys.readouterr().out
    assert "knot from 310 mm to 340 mm" in out
    path = tmp_path / "bows" / "hedge bow" / "stave.toml"
    assert len(read_stave(path).weighings) == 2
    before = path.read_text()
    for bad in (
        ["--weigh", "2026-01-01=3.0"],
        ["--weigh", "soon"],
        ["--felled", "x"],
        ["--feature", "left:bump:1-2"],
        ["--air", "90"],
        ["--weigh", "2026-03-09=1.2.3"],
        ["--weigh", "2026-03-09=31"],  # the point slipped
        ["--weigh", "2026-03-09=0.3"],
        ["--forget", "2026-03-09"],
        ["--offcut", "2026-03-09=52.1:5:3"],
        ["--offcut", "2026-01-09=52.1:45:3"],
        ["--width", "1e6"],
        ["--back", "bark"],
        ["--width", "-3"],
    ):
        capsys.readouterr()
        assert main(["stave", "hedge bow", *bad]) == 2, bad
        assert capsys.readouterr().err.count("\n") == 1, bad
    assert path.read_text() == before
    # a weigh-in is mended, one that was forgotten is put in its place, one is taken away; a feature given twice stands once
    again = ["--weigh", "2026-03-03=3.12", "--weigh", "2026-02-20=3.2", "--feature", "left:knot:310-340"]
    assert main(["stave", "hedge bow", *again]) == 0
    told = read_stave(path)
    assert [(w.on.isoformat(), w.mass_kg) for w in told.weighings] == [
        ("2026-02-03", 3.4),
        ("2026-02-20", 3.2),
        ("2026-03-03", 3.12),
    ]
    assert len(told.features) == 1
    assert main(["stave", "hedge bow", "--forget", "2026-02-20", "--picture", str(tmp_path / "dry.png")]) == 0
    assert len(read_stave(path).weighings) == 2
    assert (tmp_path / "dry.png").read_bytes()[:4] == b"\x89PNG"
    assert main(["stave", "new", "--wood", "white ash", "--picture", str(tmp_path / "none.png")]) == 2
    assert not (tmp_path / "none.png").exists()


EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "bow.toml"
LAYOUT = ["layout", "--wood", "shagbark hickory", "--length", "920mm", "--weight", "200N", "--draw", "590mm"]


def test_a_wood_of_no_table_is_laid_out_by_what_the_shop_s_bows_showed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tiller.cli import layout as cli_layout
    from tiller.records.lessons import Taught

    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    own = ["layout", "--wood", "hedge plum", *LAYOUT[3:]]
    assert main([*own, "--strain", "0.009"]) == 2
    assert "the book has no bow of it with a modulus" in capsys.readouterr().err
    bow = Taught(bow="plum one", pulls=5, modulus_gpa=11.0, strain=0.007, set_mm=4.0, stroke_mm=0.05, off=())
    assert bow.modulus_counts
    monkeypatch.setattr(cli_layout, "_lessons", lambda _: [bow, replace(bow, bow="plum two", modulus_gpa=12.0)])
    assert main([*own, "--strain", "0.009"]) == 0
    out = capsys.readouterr().out
    assert "modulus 11.5 GPa" in out
    assert "your own 2 bow(s) of it showed" in out


def test_the_layout_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    picture, sheet = tmp_path / "l.png", tmp_path / "l.pdf"
    assert (
        main([*LAYOUT, "--log", "180mm", "--picture", str(picture), "--template", str(sheet), "--units", "inch"]) == 0
    )
    out = capsys.readouterr().out
    assert "rough out to" in out
    assert "24.98 in to the back, by the archery convention" in out
    # 22 % from piece to piece (Wood Handbook Table 5-6, from memory); 8 % of thickness are 26 % of stiffness: 0.94 sd, 83 of 100
    assert "45.0 lb ± 9.9 lb" in out
    assert "83 of 100" in out
    assert "without warning" in out
    assert picture.read_bytes()[:4] == b"\x89PNG"
    assert main([*LAYOUT, "--strain", "0.004", "--template", str(tmp_path / "over.pdf")]) == 2
    over = capsys.readouterr()
    assert "over the working strain" in over.err
    assert "rough out to" not in over.out
    assert not (tmp_path / "over.pdf").exists()
    # a little over: within what the modulus is in doubt (a third of 22 %, as strain goes with its cube root) it warns and lays out
    assert main(LAYOUT) == 0
    level = max(float(v) for v in re.findall(r"(\d\.\d+)%", capsys.readouterr().out)) / 100
    assert main([*LAYOUT, "--strain", f"{level / 1.04:.5f}"]) == 0
    warned = capsys.readouterr().out
    assert "WARNING: strained to" in warned
    assert "rough out to" in warned
    assert main([*LAYOUT, "--strain", f"{level / 1.1:.5f}"]) == 2
    assert (
        main([*LAYOUT, "--strain", f"{level / 1.04:.5f}", "--modulus", "14.9"]) == 2
    )  # a modulus that is known is less in doubt
    assert main([*LAYOUT, "--strain", f"{level * 1.02:.5f}"]) == 0
    assert "WARNING" not in capsys.readouterr().out
    assert main([*LAYOUT, "--widths", "110:44,500:40,920:12"]) == 0
    for bad in (
        ["--length", "90"],
        ["--log", "20"],
        ["--widths", "9"],
        ["--draw", "1500"],
        ["--log", "35"],
        ["--brace", "340", "--draw", "300"],
        ["--widths", "110:45,5000:40"],
        ["--widths", "110:200,920:12"],
        ["--moisture", "28"],
        ["--centre", "0:0,920:5"],
    ):
        assert main([*LAYOUT, *bad]) == 2, bad
    assert main(["layout", "--wood", "cheese", "--length", "850", "--weight", "200", "--draw", "610"]) == 2
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not on this machine")
    subprocess.run(
        ["pdftoppm", "-r", "150", "-gray", "-f", "1", "-l", "1", str(sheet), str(tmp_path / "t")], check=True
    )
    image = cv2.imread(str(next(tmp_path.glob("t*.pgm"))), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    bar = image[-round(12.4 * 150 / 25.4) : -round(11.6 * 150 / 25.4)]
    dark = np.flatnonzero(np.min(bar, axis=0) < 120)
    dark = dark[np.abs(dark - image.shape[1] / 2) < 52 * 150 / 25.4]
    assert np.ptp(dark) * 25.4 / 150 == pytest.approx(100.0, abs=0.4)


def test_wood_that_was_felled_not_long_ago_is_not_taken_as_dry() -> None:
    """Less knowledge must not give the higher limit: two weeks after the felling nothing told is wet, years after it dry."""
    stave = parse_stave(tomllib.loads(BASE + "felled = 2026-11-10\n"))
    assert season_of(stave, date(2026, 11, 26)).limit_moisture == WETTEST
    assert any("takes set" in note.text for note in season_of(stave, date(2026, 11, 26)).notes)
    assert np.isnan(season_of(stave, date(2029, 11, 26)).limit_moisture)
    assert np.isnan(season_of(parse_stave(tomllib.loads(BASE))).limit_moisture)


def test_days_that_cannot_be() -> None:
    for text in ("roughed_out = 2026-01-05\nbark_off = 2026-02-01\n", "split = 2026-06-01\nroughed_out = 2026-02-01\n"):
        with pytest.raises(KeyFault, match="a day on or after"):
            parse_stave(tomllib.loads(BASE + "felled = 2026-01-01\n" + text))
    for text in ("felled = 2031-01-01\n", "[[weighings]]\non = 2031-01-01\nmass_kg = 3.0\n"):
        with pytest.raises(KeyFault, match="not after today"):
            parse_stave(tomllib.loads(BASE + text), today=date(2026, 11, 26))


def test_the_log_is_too_small_for_the_width() -> None:
    stave = parse_stave(tomllib.loads(BASE + "log_diameter_mm = 110\n"))
    assert "small for a limb 70 mm wide" in Units().words(" ".join(log_words(stave, 70.0, 15.0)))
    assert "small" not in " ".join(log_words(stave, 30.0, 15.0))
    chased = parse_stave(tomllib.loads(BASE + 'log_diameter_mm = 110\nback = "chased ring"\n'))
    assert "measure it across the limb" in " ".join(log_words(chased, 45.0, 15.0))


def test_what_is_entered_can_be_mended_and_own_remarks_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    file = tmp_path / "bows" / "hedge" / "stave.toml"
    start = ["stave", "hedge", "--wood", "white ash", "--felled", "2025-01-10", "--dry-mass", "2.5", "--wanted", "9"]
    assert main([*start, "--feature", "left:knot:310-340:3mm", "--feature", "right:cut ring:500-520:70%"]) == 0
    file.write_text(file.read_text() + "# from the north slope\n")
    assert main(["stave", "hedge", "--weigh", "2025-06-01=3.0", "--feature", "left:knot:312-345:4mm"]) == 0
    stave = read_stave(file)
    assert (stave.dry_mass_kg, stave.wanted_moisture) == (2.5, 9.0)
    told = {(f.limb, f.feature.from_mm, f.raised_mm, f.feature.strain_share) for f in stave.features}
    assert told == {("left", 312.0, 4.0, 1.0), ("right", 500.0, 0.0, 0.7)}
    assert "# from the north slope" in file.read_text()
    assert main(["stave", "hedge", "--forget-feature", "right:cut ring:500-520"]) == 0
    assert [f.limb for f in read_stave(file).features] == ["left"]
    # inches where they are said, or meant; an inch is 25.4 mm
    assert main(["stave", "hedge", "--feature", "right:knot:12in-13.5in:3mm"]) == 0
    assert main(["stave", "hedge", "--units", "inch", "--feature", "right:check:20-21"]) == 0
    told = {
        (f.feature.kind, f.feature.from_mm, f.feature.to_mm) for f in read_stave(file).features if f.limb == "right"
    }
    assert told == {("knot", 304.8, 342.9), ("check", 508.0, 533.4)}
    assert main(["stave", "hedge", "--forget-feature", "right:knot:30.48cm-342.9mm"]) == 0
    assert main(["stave", "hedge", "--units", "inch", "--forget-feature", "right:check:20-21"]) == 0
    assert [f.limb for f in read_stave(file).features] == ["left"]
    shutil.copy(EXAMPLE, file.with_name("bow.toml"))
    before = file.read_text()
    capsys.readouterr()
    for wrong, why in (
        (["--forget-feature", "right:cut ring:500-520"], "to forget"),
        (["--feature", "left:knot:1900-1950"], "beyond the left limb's nock"),
        (["--weigh", "2025-07-01=3", "--weigh", "2025-07-01=3.1"], "twice"),
        (["--log", "1000000"], "30 to 2000 mm"),
    ):
        assert main(["stave", "hedge", *wrong]) == 2, wrong
        assert why in capsys.readouterr().err
        assert file.read_text() == before


def test_the_forecast_before_the_first_pull_knows_the_stave(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    folder = tmp_path / "bows" / "orchard"
    folder.mkdir(parents=True)
    shutil.copy(EXAMPLE, folder / "bow.toml")
    assert main(["forecast", "orchard"]) == 0
    assert "moisture taken as 12 %" in capsys.readouterr().out
    log = ["--log", "120", "--felled", "2024-01-10", "--dry-mass", "2.5", "--weigh", "2025-01-10=3.0"]
    assert main(["stave", "orchard", "--wood", "white ash", *log]) == 0
    capsys.readouterr()
    for named in ("orchard", str(folder / "bow.toml")):
        assert main(["forecast", named]) == 0
        out = capsys.readouterr().out
        assert "% moisture by eq. 5-3" in out
        assert "takes set" in out
        assert "bow.toml says black locust, the stave's file white ash" in out


def test_a_layout_by_the_stave_and_what_the_shop_s_bows_showed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path))
    rest = ["--length", "920", "--weight", "180", "--draw", "590"]
    assert main(["layout", *rest]) == 2
    assert "--stave NAME" in capsys.readouterr().err
    start = ["stave", "hedge", "--wood", "shagbark hickory", "--log", "180", "--felled", "2024-01-10"]
    assert main([*start, "--dry-mass", "2.5", "--weigh", "2025-01-10=2.95"]) == 0
    lesson = Taught(
        bow="one",
        pulls=3,
        modulus_gpa=13.0,
        strain=0.006,
        set_mm=5.0,
        stroke_mm=0.05,
        off=(),
        fate="whole",
        table_strain=0.0066,
    )
    monkeypatch.setattr(
        "tiller.cli.book.lessons_of", lambda *_: {"shagbark hickory": [lesson, replace(lesson, modulus_gpa=15.0)]}
    )
    with Book(tmp_path / "book.sqlite3"):
        pass
    capsys.readouterr()
    assert main(["layout", "--stave", "hedge", *rest]) == 0
    out = capsys.readouterr().out
    assert "shagbark hickory" in out
    assert "at 10 % moisture" in out  # what it is to be tillered at, not what it is now
    assert "takes set" in out
    assert "your own 2 bow(s) of this wood showed a modulus of 14.0 ± 1.4 GPa: '--modulus 14.0'" in out
    assert main(["layout", "--stave", "no such", *rest]) == 2


def test_the_template_of_a_bow_shows_both_limbs_true_to_scale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Printed lengths are read off poppler's rendering; the widths are those of the file."""
    sheet = tmp_path / "template.pdf"
    assert main(["template", str(EXAMPLE), str(sheet)]) == 0
    assert "both limbs" in capsys.readouterr().out
    assert main(["template", str(tmp_path / "none.toml"), str(tmp_path / "n.pdf")]) == 2
    assert not (tmp_path / "n.pdf").exists()
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not on this machine")
    subprocess.run(["pdftoppm", "-r", "150", str(sheet), str(tmp_path / "t")], check=True)
    pages = [cv2.imread(str(p)) for p in sorted(tmp_path.glob("t*.ppm"))]
    bow = read_bow(EXAMPLE)
    span = 297.0 - 2 * 14.0 - 8.0  # A4 on its side, less margins and overlap
    each = int(np.ceil(bow.left.length_mm / span))
    assert len(pages) == each + int(np.ceil(bow.right.length_mm / span))
    scale = 150 / 25.4
    for side, first in (("left", 0), ("right", each)):
        page = pages[first + 1]
        for place in (span + 40.0, span + 120.0):
            column = page[:, round((14.0 + place - span) * scale)].astype(int)
            coloured = np.flatnonzero(np.ptp(column, axis=1) > 60)  # the curve; the straight edge and its ruler are ink
            base = page.shape[0] - 0.45 * 210.0 * scale
            half = (base - coloured.mean()) / scale
            assert half == pytest.approx(0.5 * float(bow.limb(Side(side)).width_at(place)), abs=0.3)
