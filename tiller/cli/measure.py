"""The commands that measure a recording and say what follows: measure, plan and forecast."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.common import book_of, existing_book, progress, units_of
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from tiller.children import SecondProcess
    from tiller.measure.recording import Recording
    from tiller.measure.store import Kept
    from tiller.mechanics.advice.advice import Advice


def add_commands(
    commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser, quiet: argparse.ArgumentParser
) -> None:
    """Adds them to the parser's sub-commands."""
    measure = commands.add_parser(
        "measure",
        parents=[shown, booked, quiet],
        help="measure a recording of a pull",
        description="Measures a recording of a pull, writes it into the shop's book and draws the pictures.",
    )
    measure.add_argument("recording", metavar="RECORDING", help="folder of the recording")
    measure.add_argument("--json", metavar="FILE", help="write the result as JSON")
    measure.add_argument("--pictures", metavar="FOLDER", help="where the pictures go (default: beside the book)")
    measure.add_argument("--no-pictures", action="store_true", help="draw no pictures")
    measure.add_argument("--no-book", action="store_true", help="do not write into the book")
    add_outputs(measure, "json", "pictures")
    measure.set_defaults(run=run_measure)

    for name, run, what in (
        ("plan", run_plan, "where to scrape, how deep, and what to leave alone"),
        (
            "forecast",
            run_forecast,
            "what the bow will weigh braced at its target draw, and how far it may be drawn now",
        ),
    ):
        command = commands.add_parser(
            name, parents=[shown, booked], help=what, description=f"Says {what}, from the bow's newest pull."
        )
        more = "" if name == "plan" else ", or a bow.toml before the first pull"
        command.add_argument("bow", metavar="BOW", help=f"a bow's name in the book, a recording's folder{more}")
        command.add_argument("--json", metavar="FILE", help="write it as JSON")
        command.add_argument("--picture", metavar="FILE", help="draw it as PNG")
        if name == "plan":
            command.add_argument(
                "--strip", metavar="FILE", help="write a paper strip true to scale (PDF) for both limbs"
            )
            command.add_argument("--paper", choices=("a4", "letter"), default="a4", help="the strip's paper")
        add_outputs(command, "json", "picture", "strip")
        command.set_defaults(run=run)


def run_measure(args: argparse.Namespace) -> int:
    """``tiller measure``."""
    from tiller.measure.second import second_process

    with second_process(plots=not args.no_pictures) as second:
        return _measure_and_keep(args, second)


def _measure_and_keep(args: argparse.Namespace, second: SecondProcess) -> int:
    from tiller.measure.recording import read_recording

    recording = read_recording(Path(args.recording))
    book = None if args.no_book else book_of(args)
    where = Path(args.pictures) if args.pictures else None
    say_worked_up(args, recording, second, book, where, Path(args.json) if args.json else None)
    return 0


def say_worked_up(
    args: argparse.Namespace,
    recording: Recording,
    second: SecondProcess,
    book: Path | None,
    pictures: Path | None,
    json_file: Path | None,
) -> Kept:
    """Measures, advises, keeps and says it."""
    from tiller.measure.store import Keeping, fate_fault
    from tiller.measure.worker import work_up
    from tiller.paths import book_path
    from tiller.report.text.advice import advice_words
    from tiller.report.text.comparison import comparison_words
    from tiller.report.text.pull import pull_words

    units = units_of(args)
    worked = work_up(
        recording,
        second,
        Keeping(
            book=book,
            pictures=pictures,
            json_file=json_file,
            units=units,
            plots=not getattr(args, "no_pictures", False),
        ),
        lambda text: progress(args, text),
    )
    result, kept = worked.result, worked.kept
    if not getattr(args, "quiet", False):
        print(pull_words(result, recording.bow, units, caution=False))
        print()
        for line in comparison_words(worked.comparison, units):
            print(line)
        fault = fate_fault(book, recording.bow.name) if book is not None else ""
        if fault:
            print(f"STOP      {fault}")
        else:
            print(advice_words(worked.advice, recording.bow, units, stroke_mm=worked.comparison.stroke_mm))
        print()
        for path in kept.pictures:
            print(f"Picture: {path}")
        if json_file is not None:
            print(f"Data: {json_file}")
        if kept.pull_id is not None:
            how = "a new pull" if kept.new_pull else "measured again, a further result of that pull"
            print(f"Book: pull {kept.pull_id} of {result.bow} ({how}).")
            if (recording.folder / "truth.json").is_file() and book == book_path():
                print(
                    "Note: this recording has a truth.json beside it, so it is of no real bow: '--no-book' keeps such a one out of the shop's book."
                )
    return kept


def _recording_of(args: argparse.Namespace) -> Recording:
    """The recording that a folder or a bow's name in the book stands for; of a bow, its newest pull.

    Raises:
        TillerError: neither.
    """
    from tiller.errors import BookFault
    from tiller.measure.recording import read_recording
    from tiller.records.book import ELSEWHERE, Book

    if args.bow.endswith(".toml"):
        msg = f"A plan needs a measured pull; before the first one 'tiller forecast {args.bow}' says stop and weight."
        raise BookFault(msg)
    if (Path(args.bow) / "bow.toml").is_file() or (Path(args.bow).is_dir() and not book_of(args).is_file()):
        return read_recording(Path(args.bow))
    with Book(existing_book(args)) as book:
        rows = book.pulls(args.bow)
        if not rows:
            known = ", ".join(sorted({r.bow for r in book.pulls()})) or "none"
            msg = f"'{args.bow}' is neither a recording's folder nor a bow of the book (bows there: {known})."
            raise BookFault(msg)
        recorded = book.pull(rows[-1].pull_id).folder
    if recorded == ELSEWHERE:
        msg = f"The newest pull of '{args.bow}' came with another book, and its recording is not known here: give its folder instead of the bow's name."
        raise BookFault(msg)
    folder = Path(recorded)
    if not folder.is_dir():
        msg = f"The recording of the newest pull of '{args.bow}' is not at {folder} any more: give its folder instead of the bow's name."
        raise BookFault(msg)
    return read_recording(folder)


def _advice_of(args: argparse.Namespace) -> tuple[Recording, Advice, float]:
    """The recording, what follows from it, and the depth of the bowyer's stroke as learned so far."""
    from dataclasses import replace

    from tiller.measure.followup.advice import advise
    from tiller.measure.followup.comparison import compare
    from tiller.measure.followup.sets import set_by_place
    from tiller.measure.pipeline import measure, strange_words
    from tiller.measure.store import past_of
    from tiller.mechanics.advice.history import FIRST_STROKE_MM

    recording = _recording_of(args)
    measured = measure(recording, lambda text: progress(args, text))
    progress(args, "forecast and plan")
    book = book_of(args)
    past = past_of(book, recording)
    by_place = set_by_place(measured, recording.bow, past)
    advice = advise(measured, recording.bow, by_place, past)
    progress(args, "")
    stroke = FIRST_STROKE_MM
    notes = strange_words(recording.strange_keys)
    if book.is_file():
        now_n = advice.forecast.weight_n if advice.forecast is not None else float("nan")
        comparison = compare(measured, recording.bow, now_n, past, by_place)
        stroke, notes = comparison.stroke_mm, (*notes, *comparison.notes)
    return recording, replace(advice, notes=(*advice.notes, *notes)), stroke


def run_plan(args: argparse.Namespace) -> int:
    """``tiller plan``."""
    from tiller.children import SecondProcess
    from tiller.errors import MeasureFault
    from tiller.files import write_whole
    from tiller.measure.store import ask_for_plan, fate_fault
    from tiller.report.data import advice_json, write_json
    from tiller.report.text.advice import advice_words, stop_words

    units = units_of(args)
    recording, advice, stroke = _advice_of(args)
    fault = fate_fault(book_of(args), recording.bow.name)
    if fault:
        raise MeasureFault(fault)
    if advice.plan is None:
        why = f"no forecast: {advice.no_forecast}" if advice.no_forecast else f"no plan: {advice.no_plan}"
        for line in [
            *stop_words(advice, units),
            *(f"Note: {units.words(note.text)}" for note in advice.notes if note.code != "plan.none"),
        ]:
            print(line)
        msg = f"There is {why.rstrip('.')} ({recording.bow.name})."
        raise MeasureFault(msg)
    print(f"{recording.bow.name} ({recording.bow.wood}), from recording {recording.name}")
    print(advice_words(advice, recording.bow, units, stroke_mm=stroke))
    if args.strip:
        from tiller.report.sheets.strip import plan_strip

        write_whole(Path(args.strip), plan_strip(advice.plan, recording.bow, units, args.paper))
        print(f"Strip to print at 100 %: {args.strip}")
    if args.picture:
        write_whole(
            Path(args.picture),
            ask_for_plan(advice, recording.bow, units, SecondProcess(lambda: None)).take()["plan.png"],
        )
        print(f"Picture: {args.picture}")
    if args.json:
        write_json(Path(args.json), advice_json(advice, recording.bow))
        print(f"Data: {args.json}")
    return 0


def _own_file(args: argparse.Namespace) -> Path | None:
    """The bow.toml to go by before there is a pull: the one that is named, or that of a bow of the shop that the book has no pull of."""
    from tiller.records.book import Book
    from tiller.setup.bow_files import bow_file

    if args.bow.endswith(".toml"):
        return Path(args.bow)
    if Path(args.bow).is_dir() or not bow_file(args.bow).is_file():
        return None
    if book_of(args).is_file():
        with Book(book_of(args)) as book:
            if book.pulls(args.bow):
                return None
    return bow_file(args.bow)


def run_forecast(args: argparse.Namespace) -> int:
    """``tiller forecast``."""
    from tiller.children import SecondProcess
    from tiller.errors import MeasureFault
    from tiller.files import write_whole
    from tiller.measure.store import ask_for_plan, fate_fault
    from tiller.report.data import advice_json, write_json
    from tiller.report.text.advice import forecast_words, stop_words
    from tiller.report.text.pull import CAUTION

    units = units_of(args)
    own = _own_file(args)
    if own is not None:
        from dataclasses import replace

        from tiller.bow.bowfile import BOW_KEYS
        from tiller.bow.tomlcheck import load_toml, strange_keys
        from tiller.measure.followup.advice import advise_from_file
        from tiller.measure.pipeline import strange_words
        from tiller.setup.bow_files import bow_with_stave

        bow, of_stave = bow_with_stave(own)
        source = "its file alone" if not of_stave else "its file and the stave's beside it"
        advice = advise_from_file(bow)
        advice = replace(advice, notes=(*advice.notes, *(note.of("the stave") for note in of_stave)))
        strange = strange_keys(load_toml(own), BOW_KEYS)
        advice = replace(advice, notes=(*advice.notes, *strange_words(strange)))
    else:
        recording, advice, _ = _advice_of(args)
        bow, source = recording.bow, f"recording {recording.name}"
    if advice.forecast is None:
        msg = f"There is no forecast: {advice.no_forecast.rstrip('.')} ({bow.name})."
        raise MeasureFault(msg)
    fault = fate_fault(book_of(args), bow.name)
    if fault:
        raise MeasureFault(fault)
    print(f"{bow.name} ({bow.wood}), from {source}")
    notes = [f"Note: {units.words(note.text)}" for note in advice.notes]
    for line in [*forecast_words(advice, bow, units), *stop_words(advice, units), *notes, "", CAUTION]:
        print(line)
    if args.picture:
        write_whole(
            Path(args.picture), ask_for_plan(advice, bow, units, SecondProcess(lambda: None)).take()["forecast.png"]
        )
        print(f"Picture: {args.picture}")
    if args.json:
        write_json(Path(args.json), advice_json(advice, bow))
        print(f"Data: {args.json}")
    return 0
