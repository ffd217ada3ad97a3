"""The command line. Sub-commands import their work inside the handler, so that --help is quick."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from tiller import __version__
from tiller.arguments import in_units, length, number, whole
from tiller.errors import TillerError
from tiller.output import clean_output, one_line
from tiller.writable import add_outputs, check_outputs

# Our matrices are small: a second thread of the linear algebra only waits for the first (twice the time for the
# forecast). It must be set before numpy is loaded; who sets it otherwise has his way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# a dead camera is said by this program, once; the libraries would say it at each retry
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

if TYPE_CHECKING:
    from tiller.children import SecondProcess
    from tiller.mechanics.advice import Advice
    from tiller.rack.keep import Kept
    from tiller.rack.recording import Recording
    from tiller.report.style import Units


def _units(args: argparse.Namespace) -> Units:
    from tiller.report.style import Units

    return Units(metric=args.units == "metric")


def _progress(args: argparse.Namespace, text: str) -> None:
    if not getattr(args, "quiet", False) and sys.stderr.isatty():
        print(f"\r{text:60s}", end="", file=sys.stderr, flush=True)
        if not text:
            print("\r", end="", file=sys.stderr, flush=True)


def book_of(args: argparse.Namespace) -> Path:
    """The book that is meant: the shop's, or the one given."""
    from tiller.rack.keep import book_path

    return Path(args.book) if args.book else book_path()


def existing_book(args: argparse.Namespace) -> Path:
    """The book to read; reading never makes one."""
    from tiller.errors import BookFault

    path = book_of(args)
    if path.is_file() and path.stat().st_size == 0:
        msg = f"{path} is empty, no book: give the book's own file with --book; nothing was written."
        raise BookFault(msg)
    if not path.is_file():
        msg = f"There is no book at {path} yet: 'tiller measure RECORDING' makes it, or give another one with --book."
        raise BookFault(msg)
    return path


def _measure(args: argparse.Namespace) -> int:
    from tiller.rack.second import second_process

    with second_process(plots=not args.no_pictures) as second:
        return _measure_and_keep(args, second)


def _measure_and_keep(args: argparse.Namespace, second: SecondProcess) -> int:
    from tiller.rack.recording import read_recording

    recording = read_recording(Path(args.recording))
    book = None if args.no_book else book_of(args)
    where = Path(args.pictures) if args.pictures else None
    _work_up(args, recording, second, book, where, Path(args.json) if args.json else None)
    return 0


def _work_up(
    args: argparse.Namespace,
    recording: Recording,
    second: SecondProcess,
    book: Path | None,
    pictures: Path | None,
    json_file: Path | None,
) -> Kept:
    """Measures, advises, keeps and says it."""
    from tiller.rack.keep import book_path, fate_fault
    from tiller.rack.workup import work_up
    from tiller.report.advice_words import advice_words
    from tiller.report.beside_words import beside_words
    from tiller.report.words import pull_words

    units = _units(args)
    worked = work_up(
        recording,
        second,
        book,
        pictures,
        json_file,
        units,
        lambda text: _progress(args, text),
        plots=not getattr(args, "no_pictures", False),
    )
    result, kept = worked.result, worked.kept
    if not getattr(args, "quiet", False):
        print(pull_words(result, recording.bow, units, caution=False))
        print()
        for line in beside_words(worked.beside, units):
            print(line)
        fault = fate_fault(book, recording.bow.name) if book is not None else ""
        if fault:
            print(f"STOP      {fault}")
        else:
            print(advice_words(worked.advice, recording.bow, units, stroke_mm=worked.beside.stroke_mm))
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
                    "Note: a recording that knows its own truth is of no real bow: '--no-book' keeps it out of the shop's book."
                )
    return kept


def _recording_of(args: argparse.Namespace) -> Recording:
    """The recording that a folder or a bow's name in the book stands for; of a bow, its newest pull.

    Raises:
        TillerError: neither.
    """
    from tiller.errors import BookFault
    from tiller.rack.recording import read_recording
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
        told = str(book.pull(rows[-1].pull_id)["folder"])
    if told == ELSEWHERE:
        msg = f"The newest pull of '{args.bow}' came with another book, and its recording is not known here: give its folder instead of the bow's name."
        raise BookFault(msg)
    folder = Path(told)
    if not folder.is_dir():
        msg = f"The recording of the newest pull of '{args.bow}' is not at {folder} any more: give its folder instead of the bow's name."
        raise BookFault(msg)
    return read_recording(folder)


def _advice_of(args: argparse.Namespace) -> tuple[Recording, Advice, float]:
    """The recording, what follows from it, and the depth of the bowyer's stroke as learned so far."""
    from dataclasses import replace

    from tiller.mechanics.history import FIRST_STROKE_MM
    from tiller.rack.advise import advise
    from tiller.rack.beside import set_beside
    from tiller.rack.keep import past_of
    from tiller.rack.measure import STRANGE_KEYS, measure
    from tiller.rack.setmap import set_by_place

    recording = _recording_of(args)
    measured = measure(recording, lambda text: _progress(args, text))
    _progress(args, "forecast and plan")
    book = book_of(args)
    past = past_of(book, recording)
    by_place = set_by_place(measured, recording.bow, past)
    advice = advise(measured, recording.bow, by_place)
    _progress(args, "")
    stroke = FIRST_STROKE_MM
    notes = tuple(text for text in measured.result.said if text.startswith(STRANGE_KEYS))
    if book.is_file():
        now_n = advice.forecast.weight_n if advice.forecast is not None else float("nan")
        beside = set_beside(measured, recording.bow, now_n, past, by_place)
        stroke, notes = beside.stroke_mm, (*notes, *beside.said)
    return recording, replace(advice, said=(*advice.said, *notes)), stroke


def _plan(args: argparse.Namespace) -> int:
    from tiller.children import SecondProcess
    from tiller.errors import MeasureFault
    from tiller.files import write_whole
    from tiller.rack.keep import ask_for_plan, fate_fault
    from tiller.report.advice_words import advice_words, stop_words
    from tiller.report.data import advice_json, write_json

    units = _units(args)
    recording, advice, stroke = _advice_of(args)
    fault = fate_fault(book_of(args), recording.bow.name)
    if fault:
        raise MeasureFault(fault)
    if advice.plan is None:
        why = next(
            (text for text in advice.said if text.startswith(("no plan: ", "no forecast: "))),
            "no plan: nothing to go by.",
        )
        for line in [
            *stop_words(advice, units),
            *(f"Note: {units.words(text)}" for text in advice.said if not text.startswith("no plan")),
        ]:
            print(line)
        msg = f"There is {why.rstrip('.')} ({recording.bow.name})."
        raise MeasureFault(msg)
    print(f"{recording.bow.name} ({recording.bow.wood}), from recording {recording.name}")
    print(advice_words(advice, recording.bow, units, stroke_mm=stroke))
    if args.strip:
        from tiller.report.strip import plan_strip

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
    from tiller.rack.session import bow_file
    from tiller.records.book import Book

    if args.bow.endswith(".toml"):
        return Path(args.bow)
    if Path(args.bow).is_dir() or not bow_file(args.bow).is_file():
        return None
    if book_of(args).is_file():
        with Book(book_of(args)) as book:
            if book.pulls(args.bow):
                return None
    return bow_file(args.bow)


def _forecast(args: argparse.Namespace) -> int:
    from tiller.children import SecondProcess
    from tiller.errors import MeasureFault
    from tiller.files import write_whole
    from tiller.rack.keep import ask_for_plan, fate_fault
    from tiller.report.advice_words import forecast_words, stop_words
    from tiller.report.data import advice_json, write_json
    from tiller.report.words import CAUTION

    units = _units(args)
    own = _own_file(args)
    if own is not None:
        from dataclasses import replace

        from tiller.bow.bowfile import BOW_KEYS
        from tiller.bow.tomlcheck import load_toml, strange_keys
        from tiller.rack.advise import advise_from_file
        from tiller.rack.session import bow_beside_stave

        bow, of_stave = bow_beside_stave(own)
        source = "its file alone" if not of_stave else "its file and the stave's beside it"
        advice = advise_from_file(bow)
        advice = replace(advice, said=(*advice.said, *(f"the stave: {text}" for text in of_stave)))
        strange = strange_keys(load_toml(own), BOW_KEYS)
        if strange:
            said = f"these keys are not known and nothing was read from them: {'; '.join(strange)}."
            advice = replace(advice, said=(*advice.said, said))
    else:
        recording, advice, _ = _advice_of(args)
        bow, source = recording.bow, f"recording {recording.name}"
    if advice.forecast is None:
        why = next((text for text in advice.said if text.startswith("no forecast: ")), "no forecast: nothing to go by.")
        msg = f"There is {why.rstrip('.')} ({bow.name})."
        raise MeasureFault(msg)
    fault = fate_fault(book_of(args), bow.name)
    if fault:
        raise MeasureFault(fault)
    print(f"{bow.name} ({bow.wood}), from {source}")
    notes = [f"Note: {units.words(text)}" for text in advice.said]
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


def _simulate(args: argparse.Namespace) -> int:
    from tiller.rack.software import Wish, make_recording

    wish = Wish(
        seed=args.seed,
        board=args.board,
        spots=tuple(args.spot),
        crook_per_m=args.crook,
        knots=args.knots,
        string=args.string,
        light=args.light,
        noise=args.noise,
        blur_px=args.blur,
        motion_px=args.motion,
        faults=tuple(args.fault),
        rate_hz=args.rate,
        largest_mm=args.largest,
        pictures=args.pictures,
        name=Path(args.folder).name or "software_bow",
        troubles=tuple(args.shop),
    )
    bow = make_recording(Path(args.folder), wish)
    print(
        f"{args.folder}: a pull of {bow.name}, {bow.string_kind} string, with its truth in truth.json. Invented, for trying things out."
    )
    return 0


def _demo(args: argparse.Namespace) -> int:
    if args.whole:
        from tiller.cli_walk import run_whole

        return run_whole(args)
    from tiller.rack.keep import data_folder
    from tiller.rack.recording import read_recording
    from tiller.rack.second import second_process
    from tiller.rack.software import DEMO, make_recording, next_free

    home = Path(args.folder) if args.folder else data_folder() / "demo"
    folder = next_free(home, "recording")
    book = home / "demo-book.sqlite3"
    print("The demo plays a pull on a rack in software: nothing of it is a real bow.")
    print("Making the bow, pulling it, taking the pictures ...", flush=True)
    make_recording(folder, DEMO)
    print("Measuring ...", flush=True)
    with second_process(plots=True) as second:
        kept = _work_up(
            args, read_recording(folder), second, book, folder / "measured", folder / "measured" / "result.json"
        )
    for spot in DEMO.spots:
        print(f"Put in by the software rack: {spot}")
    print(f"The demo has a book of its own; look into it with: tiller book show {kept.pull_id} --book {book}")
    from tiller.cli_rack import why_no_window, window_size

    if args.no_window or why_no_window():
        print("Live, with a rack in software: tiller rack --software" + (" --headless" if why_no_window() else ""))
        return 0
    from tiller.rack.session import Wanted, session
    from tiller.window.app import show

    print("The window now leads through pulls on the same rack in software, live; Q closes it.", flush=True)
    with session(Wanted(None, software=True, home=home / "pulls", book=book)) as rack:
        return show(rack, _units(args), book, size=window_size())


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one sentence, as all others are, and that takes no word for another."""

    def __init__(self, **given: Any) -> None:
        super().__init__(allow_abbrev=False, **given)

    def error(self, message: str) -> NoReturn:
        print(f"tiller: {message}; '{self.prog} --help' shows what can be said.", file=sys.stderr)
        sys.exit(2)


def build_parser() -> argparse.ArgumentParser:
    """The parser with all sub-commands."""
    parser = _Parser(
        prog="tiller",
        description="Measures how a wooden bow bends on the tillering rack, where it is stiff or weak, and what it weighs.",
        epilog="A bow can break without warning under load: eye protection, nobody in the plane of the limbs, pull by the rope from the side.",
    )
    parser.add_argument("--version", action="version", version=f"tiller {__version__}")
    shown = _Parser(add_help=False)
    shown.add_argument(
        "--units", choices=("metric", "inch"), default="metric", help="mm and N, or inches and pounds (default: metric)"
    )
    booked = _Parser(add_help=False)
    booked.add_argument(
        "--book",
        metavar="FILE",
        type=_given,
        help="the shop's book (default: in the user's data folder, or TILLER_HOME)",
    )
    quiet = _Parser(add_help=False)
    quiet.add_argument("--quiet", action="store_true", help="print nothing but errors")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

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
    measure.set_defaults(run=_measure)

    for name, run, what in (
        ("plan", _plan, "where to scrape, how deep, and what to leave alone"),
        ("forecast", _forecast, "what the bow will weigh braced at its target draw, and how far it may be drawn now"),
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

    simulate = commands.add_parser(
        "simulate",
        help="make a recording on the rack in software",
        description="Makes a recording of a pull on a rack in software, with its truth beside it.",
    )
    simulate.add_argument("folder", metavar="FOLDER", help="folder to write; must not be there yet")
    simulate.add_argument("--seed", type=whole, default=0, help="everything random hangs on it")
    simulate.add_argument(
        "--board", choices=("plain", "grid", "clutter"), default="plain", help="what is behind the bow"
    )
    simulate.add_argument(
        "--spot",
        action="append",
        default=[],
        metavar="LIMB:FROM-TO:PERCENT",
        help="a weak (-) or stiff (+) stretch, such as left:300-400:-7%%; may be given again",
    )
    simulate.add_argument(
        "--crook", type=number, default=0.5, metavar="PER_M", help="sd of the limbs' natural curvature, 1/m"
    )
    simulate.add_argument(
        "--knots", type=whole, default=0, help="bumps on the outline that do not change the stiffness"
    )
    simulate.add_argument("--string", choices=("long", "braced"), default="long")
    simulate.add_argument("--light", type=number, default=1.0, help="1 = good, 0.3 = dim")
    simulate.add_argument("--noise", type=number, default=1.5, help="sd of the picture's noise, grey levels")
    simulate.add_argument("--blur", type=number, default=0.6, help="sd of the lens's blur, px")
    simulate.add_argument("--motion", type=number, default=0.0, help="smear of the drawn pictures, px")
    simulate.add_argument(
        "--fault",
        action="append",
        default=[],
        help="a fault of the serial line; may be given again: garbled, cut, doubled, dropout, spike, reset, wrap, reversed, trouble",
    )
    simulate.add_argument(
        "--shop",
        action="append",
        default=[],
        metavar="WHAT",
        help="what a shop does to pictures; may be given again: person, shadow, dressed, sway, webcam, leaves, twist",
    )
    simulate.add_argument("--rate", type=number, default=80.0, help="readings a second")
    simulate.add_argument(
        "--largest", type=length, metavar="LENGTH", help="largest draw (default: 85 %% of the target)"
    )
    simulate.add_argument("--pictures", type=whole, default=18, help="pictures on the way up")
    simulate.set_defaults(run=_simulate)

    from tiller.cli_book import add_commands as add_book
    from tiller.cli_calibrate import add_commands as add_calibrate
    from tiller.cli_rack import add_commands
    from tiller.cli_stave import add_commands as add_stave

    add_commands(commands, shown, booked)
    add_calibrate(commands, shown)
    add_book(commands, shown, booked)
    add_stave(commands, shown)
    demo = commands.add_parser(
        "demo",
        parents=[shown],
        help="the whole of it without any hardware",
        description="Plays a pull on a rack in software, measures it and shows everything that comes of it.",
    )
    demo.add_argument(
        "--folder", metavar="FOLDER", help="where the demo's things go (default: demo in the data folder)"
    )
    demo.add_argument("--no-window", action="store_true", help="open no window afterwards")
    demo.add_argument("--whole", action="store_true", help="a bow from the log to its sheet, instead of one pull")
    demo.set_defaults(run=_demo)
    return parser


def _given(text: str) -> str:
    """An argument that is not empty: an empty one, as a variable of a script that was never set, would mean the shop's own book."""
    if not text.strip():
        msg = "it is empty: give a name, or leave the option away"
        raise argparse.ArgumentTypeError(msg)
    return text


def parsed(argv: list[str] | None) -> argparse.Namespace:
    """What was said on the command line, lengths and forces in mm and N."""
    args = build_parser().parse_args(argv)
    in_units(args)
    return args


def main(argv: list[str] | None = None) -> int:
    """Runs the command line; 0 = done, 2 = said what is wrong."""
    with clean_output():
        try:
            return _main(argv)
        except OSError:  # nothing more can be said: where it is said is full or gone
            return 2


def _main(argv: list[str] | None) -> int:
    try:
        args = parsed(argv)
        check_outputs(args)
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except TillerError as err:
        print(one_line(f"tiller: {err}"), file=sys.stderr)
        return 2
    except ImportError as err:
        name = getattr(err, "name", None) or str(err)
        print(
            f"tiller: a library is missing or cannot be loaded ({name}: {err}); on Debian 'apt-get install libgl1 libglib2.0-0' brings what the picture library needs.",
            file=sys.stderr,
        )
        return 2
    except BrokenPipeError:  # whoever read our output has gone, as 'head' does; nothing more can be said there
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as err:
        why = f"tiller: {err.filename or 'a file'} could not be read or written ({err.strerror or err}): check disk and permissions."
        print(one_line(why), file=sys.stderr)
        return 2
    except Exception as err:
        if os.environ.get("TILLER_TRACE"):
            raise
        print(
            f"tiller: a fault of the program itself ({type(err).__name__}: {err}): nothing half-written is in the book; please report it"
            " with the trace that TILLER_TRACE=1 shows.",
            file=sys.stderr,
        )
        return 1
    except KeyboardInterrupt:
        print("tiller: stopped; the book holds whatever was finished before.", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
