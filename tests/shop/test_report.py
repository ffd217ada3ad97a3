"""The finished bow's sheet. Energy is held against scipy's quadrature; draw by the archery convention is 1 3/4 in more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from tests import stored_pulls
from tiller.bow.sides import SIDES
from tiller.cli.entry import main
from tiller.measure.photos import photos_of
from tiller.measure.recording import read_recording
from tiller.measure.store import Keeping
from tiller.measure.worker import work_up
from tiller.notes import halt, info
from tiller.quantity import mm
from tiller.records.book import Book
from tiller.records.lessons import Taught, lesson, shop_modulus, shop_strain
from tiller.records.stored_advice import StoredAdvice, StoredComparison, StoredForecast, StoredSet, StoredSummary
from tiller.records.stored_pull import Scraping, StoredPull
from tiller.report.sheets.bow import (
    COURSE,
    branch_of,
    course_rows,
    energy_j,
    first_page,
    limb_text,
    sheet_html,
    sheet_pdf,
)
from tiller.report.style import Units
from tiller.report.text.lessons import taught_words
from tiller.simulate.bowmaker import random_bow
from tiller.simulate.record import Plan as SimPlan
from tiller.simulate.record import write_recording
from tiller.simulate.render import Setting


def test_energy_is_the_area_under_the_curve() -> None:
    draw = np.array([150.0, 210.0, 333.0, 480.0, 610.0])
    force = np.array([0.0, 45.0, 110.0, 170.0, 230.0])
    area, _ = quad(lambda x: float(np.interp(x, draw, force)), 150.0, 610.0, points=draw.tolist(), limit=200)
    assert energy_j(draw, force) == pytest.approx(area * 1e-3, rel=1e-9)
    assert np.isnan(energy_j(draw[:1], force[:1]))


def test_the_sheet(small_recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "book.sqlite3"
    recording = read_recording(small_recording)
    work_up(recording, None, Keeping(book=path, plots=False))
    name = recording.bow.name
    assert main(["report", name, "--book", str(path), "--out", str(tmp_path / "out")]) == 0
    page = next((tmp_path / "out").glob("*.html")).read_text()
    assert page.count("<svg") == 4
    assert "without warning" in page
    assert next((tmp_path / "out").glob("*.pdf")).read_bytes()[:5] == b"%PDF-"
    with Book(path) as book:
        pull = book.pull(book.pulls(name)[-1].pull_id)
    draw, force = branch_of(pull, "up")
    assert pull.string_kind == "long"
    assert limb_text([pull]) == "weight not measured braced yet"  # a long string's force is no bow's weight
    braced = replace(pull, string_kind="braced")
    text = limb_text([braced], Units(False))
    assert (
        f"{(draw[-1] + 1.75 * 25.4) / 25.4:.1f} in" in text
    )  # archery convention: references of the shared pages, section 4
    assert text.startswith(f"{force[-1] / 4.4482216:.0f} lb")
    short = tuple(replace(p, draw_mm=0.5 * p.draw_mm, force_n=0.4 * p.force_n) for p in pull.pictures)
    half = replace(braced, pictures=short)
    assert limb_text([braced, half], Units(False)) == text  # a short pull after it is no other weight
    assert pull.advice.forecast is not None
    further = replace(pull.advice.forecast, target_draw_mm=draw[-1] + 80.0)
    assert "not drawn to its" in limb_text([replace(braced, advice=replace(pull.advice, forecast=further))])
    assert "not drawn to its" not in limb_text([replace(braced, advice=replace(pull.advice, forecast=None))])
    scraped = replace(braced, scrapings=(Scraping(9, 9, ""),))
    assert limb_text([scraped, half], Units(False)) != text  # but one after wood came off is
    assert "before 9 more strokes" in limb_text([braced, scraped], Units(False))
    same = sheet_pdf(name, [pull], [], Units())
    assert same == sheet_pdf(name, [pull], [], Units())  # the same twice: nothing of the moment is in it
    strained = halt(
        "plan.overstrained", "the strain would reach 0.83 %: a draw of " + mm(334.0) + " would keep it under."
    )
    worth = info("plan.wait", "take no wood off before the next one.")
    noted = replace(pull, advice=replace(pull.advice, advice_notes=(worth, strained)))
    told = [t.get_text() for t in first_page(name, [noted], [], Units()).texts]
    assert (
        "the strain would reach 0.83 %: a draw of 334 mm would keep it under." in told
    )  # what forbids going on stands on the wall
    assert worth.text not in told
    page = sheet_html(name, [noted], [], lambda _: b"").decode()
    assert 0 < page.index("0.83 %") < page.index("before the next one") < page.index("<table")
    bare = replace(pull, notes=(), advice=replace(pull.advice, advice_notes=()))
    pages = [sheet_pdf(name, [one], [], Units()).count(b"/Type /Page ") for one in (bare, noted)]
    assert pages[1] == pages[0] + 1
    # of three that forbid going on none is cut, the ways out come first, and what has no room is named
    long = tuple(
        halt(code, f"{code} " + "word " * 60 + "end.") for code in ("plan.too-thin", "plan.choose", "plan.overstrained")
    )
    for notes, more in ((long, False), (long * 2, True)):
        grave = replace(pull, advice=replace(pull.advice, advice_notes=notes))
        told = [t.get_text() for t in first_page(name, [grave], [], Units()).texts]
        first = next(k for k, text in enumerate(told) if text.startswith("plan.overstrained"))
        assert not any(text.startswith("plan.") for text in told[:first])
        assert sum(text.startswith("plan.") for text in told) == sum(text.endswith("end.") for text in told) >= 3
        assert any("on the last page" in text for text in told) == more
    assert main(["report", "no such bow", "--book", str(path)]) == 2
    assert "no pull of" in capsys.readouterr().err


def test_photographs_with_the_limbs_on_them(small_recording: Path, tmp_path: Path) -> None:
    """At rest, near brace and fully drawn, told apart by where the left limb's tip is."""
    bow = random_bow(np.random.default_rng(8), "braced_bow", (), string_kind="braced")
    write_recording(tmp_path / "braced", bow, SimPlan(pictures=6, seed=8, size=(1280, 720)), Setting(noise=1.0))
    path = tmp_path / "book.sqlite3"
    work_up(read_recording(tmp_path / "braced"), None, Keeping(book=path, plots=False))
    with Book(path) as book:
        pulls = [book.pull(r.pull_id) for r in book.pulls("braced_bow")]
    photos, said = photos_of(pulls, Units())
    assert said == []
    assert [p.caption.split(",")[0].split()[0] for p in photos] == ["at", "near", "at"]
    assert photos[0].caption == "at rest, recording braced"
    teal = np.array([0x0F, 0x6B, 0x6B])
    tips = []
    for photo in photos:
        hit = np.argwhere(np.all(np.abs(photo.image.astype(int) - teal) < 45, axis=2))
        assert len(hit) > 40, photo.caption  # the left limb's line is on it
        tips.append(hit[np.argmin(hit[:, 1])][0])
    assert tips[0] < tips[1] < tips[2]  # and its tip comes down from rest to brace to full draw
    (tmp_path / "braced" / "frames.csv").unlink()
    none, said = photos_of(pulls, Units())
    assert none == []
    assert "frames.csv" in said[0]


def test_what_was_foreseen_stands_beside_what_came() -> None:
    def pull(weight: float, promised: float, strokes: int) -> StoredPull:
        return stored_pulls.pull(
            day="2026-01-02",
            advice=StoredAdvice(
                forecast=StoredForecast(braced_weight_n=weight, sd_n=2.0), plan_summary=StoredSummary(uneven_now=0.05)
            ),
            comparison=StoredComparison(promised_n=promised, set=(StoredSet(nock_mm=-3.0), StoredSet(nock_mm=1.0))),
            scrapings=(Scraping(strokes, 0, ""),),
        )

    first, second = course_rows([pull(200.0, float("nan"), 12), pull(190.0, 188.0, 0)], Units())
    assert len(first) == len(COURSE)
    assert first == ("1", "2026-01-02", "400 mm", "200.0 N", "2.0 N", "", "", "5.0 %", "3.00 mm", "12")
    assert second[5:7] == ("188.0 N", "+1.1 %")


def bow_with(strain: float, set_mm: float, name: str = "b") -> Taught:
    return Taught(
        bow=name,
        pulls=3,
        modulus_gpa=14.0,
        strain=strain,
        set_mm=set_mm,
        stroke_mm=0.05,
        off=(0.01, -0.02),
        fate="whole",
        table_strain=0.0066,
    )


def test_a_working_strain_is_offered_only_by_enough_bows() -> None:
    few = [bow_with(0.0070, 5.0) for _ in range(4)]
    assert np.isnan(shop_strain(few)[0])
    assert "5 are needed" in taught_words({"white ash": few})
    many = [bow_with(v, 6.0) for v in (0.0066, 0.0070, 0.0072, 0.0075, 0.0067)]
    strain, sd, number = shop_strain([*many, bow_with(0.0110, 40.0)])  # one that took a lot of set does not count
    assert number == 5
    assert strain == pytest.approx(np.mean([o.strain for o in many]))
    assert sd == pytest.approx(np.std([o.strain for o in many], ddof=1))
    said = taught_words({"white ash": many})
    assert "It is offered, not" in said
    assert f"working_strain = {min(strain - sd, 0.0066):.4f}" in said  # and never more than the table's
    assert np.isnan(
        shop_strain([replace(o, fate="broken") for o in many])[0]
    )  # what broke says nothing of what is borne
    assert np.isnan(shop_strain([replace(o, fate="") for o in many])[0])


def test_what_a_bow_taught(small_recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "book.sqlite3"
    worked = work_up(read_recording(small_recording), None, Keeping(book=path, plots=False))
    assert main(["book", "taught", "--book", str(path)]) == 0
    told = capsys.readouterr().out
    assert read_recording(small_recording).bow.wood in told
    with Book(path) as book:
        pulls = [book.pull(book.pulls()[-1].pull_id)]
    one = lesson("x", pulls, read_recording(small_recording).bow)
    bow, found = read_recording(small_recording).bow, []
    for side in SIDES:  # EI over the second moment of a rectangle: the file tells no crown
        limb = worked.result.limb(side)
        inside = np.isfinite(limb.departure)
        w, t = bow.limb(side).width_at(limb.s_mm)[inside], bow.limb(side).thickness_at(limb.s_mm)[inside]
        found += (limb.stiffness_n_m2[inside] * 1e6 / (w * t**3 / 12) * 1e-3).tolist()
    assert bow.crown_radius_mm is None
    assert not one.modulus_counts  # a back that was taken as flat is a guess
    assert np.isnan(shop_modulus([one])[0])
    assert "a guess, not counted" in told
    assert np.isnan(one.stroke_mm)  # nothing was scraped
    sure = replace(one, crown_known=True)
    mean, sd, count = shop_modulus([sure, replace(sure, modulus_gpa=one.modulus_gpa + 2.0), one])
    assert (mean, sd, count) == (pytest.approx(one.modulus_gpa + 1.0), pytest.approx(np.sqrt(2.0)), 2)
    gone = lesson("x", pulls, None)
    assert "recording is not where it was" in taught_words({"ash": [gone]})
    assert one.modulus_gpa == pytest.approx(np.median(found), rel=1e-3)
    assert np.isnan(lesson("x", pulls, None).modulus_gpa)
