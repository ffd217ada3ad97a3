"""``tiller demo --whole``: a bow of our own from the log to its sheet, with the rack in software doing the pulls.

What can be done by a command is done by that very command, which is shown. The wood, its faults and the hand that scrapes are
the software rack's; the tool sees pictures and scale lines alone.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tiller.children import SecondProcess
    from tiller.measure.worker import Worked
    from tiller.simulate.bowmaker import BowTruth

NAME, WOOD = "hedgerow_flatbow", "black locust"
LIMB_MM, HANDLE_MM, WIDTH_MM, TIP_MM = 880.0, 50.0, 54.0, 12.0
DRAW_MM, WEIGHT_N, BRACE_MM = 560.0, 150.0, 150.0
LOG_MM, MOISTURE = 300.0, 10.0
ALLOWANCE = 0.09
KNOT_MM = 330.0
SEED = 20
MOST_PASSES = 9
FIRST_MM, LONG_SHARE, BRACED_PULLS = 320.0, 0.9, 6
LEAST_STEP_MM, FEW_STROKES = 5.0, 1
WEIGHED = (
    "2025-11-10=4.928", "2025-11-19=4.690", "2025-11-30=4.453", "2025-12-13=4.224", "2025-12-28=4.016", "2026-01-19=3.815",
    "2026-02-14=3.659", "2026-03-17=3.554", "2026-04-19=3.487", "2026-05-27=3.457", "2026-07-08=3.438", "2026-08-22=3.434",
)  # fmt: skip
"""A stave of the demo's scenario; none of its figures is of a real one."""


def run_whole(args: argparse.Namespace) -> int:
    """Plays the walk in a folder of its own."""
    from tiller.paths import data_folder
    from tiller.sources.software import next_free

    place = next_free(Path(args.folder) if args.folder else data_folder() / "demo", "whole")
    pictures = place / "six"
    pictures.mkdir(parents=True)
    print(
        f"A bow from the log to its sheet, in {place}. It is played by a rack in software: nothing of it is a real bow."
    )
    with _home(place):
        _command(1, "The log, felled in November, and how it dries", "stave", NAME, "--wood", WOOD, "--log", f"{LOG_MM:g}mm",
                 "--felled", "2025-11-08", "--split", "2025-11-09", "--ends-sealed", "2025-11-09", "--bark-off", "2025-11-09",
                 *[v for w in WEIGHED for v in ("--weigh", w)], "--air", "19:46",
                 "--feature", f"left:knot:{KNOT_MM - 15:g}-{KNOT_MM + 15:g}", "--width", f"{WIDTH_MM:g}mm",
                 "--picture", str(pictures / "1-drying.png"), "--units", args.units)  # fmt: skip
        _command(2, "The outline, laid out for the weight and draw that are wanted", "layout", "--wood", WOOD, "--length", f"{LIMB_MM:g}mm",
                 "--weight", f"{WEIGHT_N:g}N", "--draw", f"{DRAW_MM:g}mm", "--brace", f"{BRACE_MM:g}mm", "--handle", f"{HANDLE_MM:g}mm",
                 "--outline", "parallel", "--width", f"{WIDTH_MM:g}mm", "--tip", f"{TIP_MM:g}mm", "--log", f"{LOG_MM:g}mm",
                 "--moisture", f"{MOISTURE:g}", "--allowance", f"{ALLOWANCE:g}", "--picture", str(pictures / "2-layout.png"),
                 "--template", str(place / "template.pdf"), "--units", args.units)  # fmt: skip
        print(
            "\n3. The bow, roughed out, on the rack; after each pull the list is scraped, with a hand that errs\n",
            flush=True,
        )
        bow = _tillered(_roughed(), place, pictures, args.units)
        _command(5, "The sheet", "report", NAME, "--out", str(place), "--units", args.units)
        _first_page(place, pictures, args.units)
        _command(6, "What this bow taught", "book", "taught", "--units", args.units)
    weight = _true_weight(bow)
    print(
        f"\nKnown to the software rack alone: at the target draw this bow weighs {weight:.1f} N; {WEIGHT_N:g} N were wanted."
    )
    print(f"Six pictures: {pictures}")
    return 0


@contextmanager
def _home(place: Path) -> Iterator[None]:
    """All commands work in that folder meanwhile."""
    before = os.environ.get("TILLER_HOME")
    os.environ["TILLER_HOME"] = str(place)
    try:
        yield
    finally:
        if before is None:
            del os.environ["TILLER_HOME"]
        else:
            os.environ["TILLER_HOME"] = before


def _command(number: int, what: str, *words: str) -> None:
    import shlex

    from tiller.cli.entry import parsed

    print(f"\n{number}. {what}\n\n$ tiller {shlex.join(words)}\n", flush=True)
    given = parsed(list(words))
    given.run(given)


def _roughed() -> BowTruth:
    """The true bow: what the layout says, in wood that is not quite the table's."""
    import numpy as np

    from tiller.bow.wood.moisture import modulus_at
    from tiller.bow.wood.woods import find_wood
    from tiller.errors import TillerError
    from tiller.mechanics.wood.layout import Wanted, lay_out, outline
    from tiller.simulate.bowmaker import Knot
    from tiller.simulate.hand import LaidOut, roughed_out

    wood = find_wood(WOOD)
    if wood is None:
        msg = f"'{WOOD}' is in no table."
        raise TillerError(msg)
    modulus, crown = modulus_at(wood, MOISTURE), 0.5 * LOG_MM
    shape = outline("parallel", LIMB_MM, HANDLE_MM, WIDTH_MM, TIP_MM)
    laid = lay_out(
        shape,
        HANDLE_MM,
        Wanted(
            draw_mm=DRAW_MM,
            weight_n=WEIGHT_N,
            brace_mm=BRACE_MM,
            modulus_gpa=modulus,
            density_kg_m3=wood.density_kg_m3,
            crown_radius_mm=crown,
        ),
    )
    ours = LaidOut(
        name=NAME,
        wood=WOOD,
        stations=(laid.s_mm, laid.width_mm, laid.thickness_mm),
        allowance=ALLOWANCE,
        wanted=(DRAW_MM, WEIGHT_N, BRACE_MM),
        handle_mm=HANDLE_MM,
        modulus_gpa=1.04 * modulus,
        density_kg_m3=wood.density_kg_m3,
        crown_mm=crown,
        knots=(Knot("left", KNOT_MM, 1.8),),
    )
    return roughed_out(ours, np.random.default_rng(SEED))


def _tillered(bow: BowTruth, place: Path, pictures: Path, units: str) -> BowTruth:
    """Pull after pull until the tool has nothing more to scrape, then a braced pull to the full draw."""
    import numpy as np

    from tiller.bow.sides import SIDES
    from tiller.live.view import planned_strokes
    from tiller.measure.second import second_process
    from tiller.mechanics.advice.layers import strokes
    from tiller.paths import book_path
    from tiller.records.book import Book
    from tiller.report.style import Units
    from tiller.simulate.hand import scraped

    rng = np.random.default_rng(SEED + 1)
    draw = FIRST_MM
    with second_process(plots=True) as second:
        for turn in range(1, MOST_PASSES + BRACED_PULLS + 1):
            worked = _pull(bow, turn, draw, place, second)
            _say(turn, worked, units)
            plan, stop, ahead = worked.advice.plan, worked.advice.stop, worked.advice.forecast
            top_mm, count = worked.result.pictures[worked.result.largest].draw_mm, planned_strokes(worked)
            if turn == 1:
                _copy(worked, pictures, {"overlay.jpg": "3-first-pull.jpg", "plan.png": "4-plan.png"})
            if stop is not None:
                draw = min(stop.draw_mm - 1.0, DRAW_MM if bow.string_kind == "braced" else LONG_SHARE * DRAW_MM)
            layers = [
                (side, o.from_mm, o.to_mm, count * worked.comparison.stroke_mm)
                for side in SIDES
                for laid in [[z for z in plan.layers if z.limb == side] if plan is not None else []]
                for o, count in zip(laid, strokes(laid, worked.comparison.stroke_mm), strict=True)
                if count
            ]
            if (
                bow.string_kind == "braced"
            ):  # on to the full draw, never beyond a stop, or as near as weight and strain let it
                _copy(worked, pictures, {"limbs.png": "5-even.png"})
                if not layers and draw < top_mm + LEAST_STEP_MM:
                    break
            even = bow.string_kind == "long" and (
                turn > MOST_PASSES or count <= FEW_STROKES or (plan is not None and plan.shaped)
            )
            if ahead is not None and even and top_mm >= 0.8 * DRAW_MM:
                string = Units(units == "metric").length(ahead.string_mm)
                print(f"\n4. Nothing is left to scrape: braced on a string of {string}, as foreseen\n", flush=True)
                bow = replace(bow, string_kind="braced", string_mm=ahead.string_mm)
                continue
            if not layers:
                continue
            bow = scraped(bow, layers, rng)
            if worked.kept.pull_id is not None:
                with Book(book_path()) as book:
                    book.add_scraping(worked.kept.pull_id, count, count)
            print(f"        scraped: {len(layers)} layers, {count} strokes", flush=True)
    return bow


def _pull(bow: BowTruth, turn: int, draw_mm: float, place: Path, second: SecondProcess) -> Worked:
    """A pull on the rack in software, recorded and worked up as ``tiller rack`` does it."""
    from tiller.bow.bowfile import read_bow
    from tiller.measure.recording import read_recording
    from tiller.measure.store import Keeping
    from tiller.measure.worker import work_up
    from tiller.paths import book_path
    from tiller.setup.bow_files import bow_file, with_stave
    from tiller.simulate.record import Plan, write_recording
    from tiller.simulate.render import Setting

    folder = place / "pulls" / NAME / f"{turn:02d}"
    write_recording(folder, bow, Plan(largest_mm=draw_mm, pictures=12, seed=SEED, session=turn), Setting())
    own = bow_file(NAME)
    own.write_text((folder / "bow.toml").read_text())
    text, _ = with_stave(own, read_bow(own))  # crown, moisture and features of the stave's file beside it
    (folder / "bow.toml").write_text(text)
    return work_up(read_recording(folder), second, Keeping(book=book_path(), pictures=folder / "measured"))


def _copy(worked: Worked, pictures: Path, names: dict[str, str]) -> None:
    for path in worked.kept.pictures:
        if path.name in names:
            (pictures / names[path.name]).write_bytes(path.read_bytes())


def _say(turn: int, worked: Worked, units_name: str) -> None:
    from tiller.bow.sides import SIDES
    from tiller.report.style import Units

    units = Units(units_name == "metric")
    result, advice = worked.result, worked.advice
    top = result.pictures[result.largest]
    marks = [f"{side} {m.kind} at {units.length(0.5 * (m.from_mm + m.to_mm))}" for side in SIDES for m in result.limb(side).marks]  # fmt: skip
    ahead, plan, stop = advice.forecast, advice.plan, advice.stop
    print(f"pull {turn}: drawn to {units.length(top.draw_mm)}, {units.force(top.force_n)}", end="")
    if ahead is not None:
        print(f"; will weigh {units.force(ahead.weight_n)} ± {units.force(ahead.weight_sd_n)}", end="")
    if plan is not None:
        print(f", uneven {100 * plan.now.expected:.1f} %", end="")
    print(f"; {', '.join(marks) if marks else 'no marks'}", end="")
    if stop is not None:
        print(f"; not beyond {units.length(stop.draw_mm)} next", end="")
    print(flush=True)
    for note in (*worked.comparison.notes, *advice.notes):
        print(f"        {units.words(note.text)}", flush=True)


def _first_page(place: Path, pictures: Path, units_name: str) -> None:
    """The sheet's first page as a picture."""
    from tiller.measure.photos import photos_of
    from tiller.paths import book_path
    from tiller.records.book import Book
    from tiller.report.plots.pull import png
    from tiller.report.sheets.bow import first_page
    from tiller.report.style import Units

    units = Units(units_name == "metric")
    with Book(book_path()) as book:
        pulls = [book.pull(row.pull_id) for row in book.pulls(NAME)]
    (pictures / "6-sheet.png").write_bytes(png(first_page(NAME, pulls, photos_of(pulls, units)[0], units)))


def _true_weight(bow: BowTruth) -> float:
    from tiller.simulate.shoot import Shooter

    return float(Shooter(bow).at(DRAW_MM).force_n)
