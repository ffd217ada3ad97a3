"""The command line. Sub-commands import their work inside the handler, so that --help is quick."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from tiller import __version__
from tiller.errors import TillerError

if TYPE_CHECKING:
    from tiller.report.aside import Aside
    from tiller.report.style import Units


def _units(args: argparse.Namespace) -> Units:
    from tiller.report.style import Units

    return Units(metric=args.units == "metric")


def _progress(args: argparse.Namespace, text: str) -> None:
    if not getattr(args, "quiet", False) and sys.stderr.isatty():
        print(f"\r{text:60s}", end="", file=sys.stderr, flush=True)
        if not text:
            print("\r", end="", file=sys.stderr, flush=True)


def _book(args: argparse.Namespace) -> Path:
    from tiller.rack.keep import book_path

    return Path(args.book) if args.book else book_path()


def _existing_book(args: argparse.Namespace) -> Path:
    """The book to read; reading never makes one."""
    from tiller.errors import BookFault

    path = _book(args)
    if not path.is_file():
        msg = f"There is no book at {path} yet: 'tiller measure RECORDING' makes it, or give another one with --book."
        raise BookFault(msg)
    return path


def _measure(args: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from tiller.report.aside import Aside

    with nullcontext() if args.no_pictures else Aside() as aside:
        return _measure_and_keep(args, aside)


def _measure_and_keep(args: argparse.Namespace, aside: Aside | None) -> int:
    from tiller.rack.keep import keep
    from tiller.rack.measure import measure
    from tiller.rack.recording import read_recording
    from tiller.report.words import pull_words

    units = _units(args)
    recording = read_recording(Path(args.recording))
    measured = measure(recording, lambda text: _progress(args, text))
    _progress(args, "pictures")
    kept = keep(
        measured,
        recording,
        units,
        None if args.no_book else _book(args),
        Path(args.pictures) if args.pictures else None,
        Path(args.json) if args.json else None,
        draw=not args.no_pictures,
        aside=aside,
    )
    _progress(args, "")
    if not args.quiet:
        print(pull_words(measured.result, recording.bow, units))
        print()
        for path in kept.pictures:
            print(f"Picture: {path}")
        if args.json:
            print(f"Data: {args.json}")
        if kept.pull_id is not None:
            how = "a new pull" if kept.new_pull else "measured again, a further result of that pull"
            print(f"Book: pull {kept.pull_id} of {measured.result.bow} ({how}).")
    return 0


def _book_list(args: argparse.Namespace) -> int:
    from tiller.records.book import Book

    units = _units(args)
    with Book(_existing_book(args)) as book:
        rows = book.pulls(args.bow)
    if not rows:
        print(
            "No pull in the book yet"
            + (f" for '{args.bow}'" if args.bow else "")
            + ": 'tiller measure RECORDING' adds one."
        )
        return 0
    print(
        f"{'pull':>5s}  {'bow':24s} {'day':10s} {'recording':24s} {'largest draw':>13s} {'force there':>12s} {'marks':>6s} {'results':>8s}"
    )
    for r in rows:
        print(
            f"{r.pull_id:5d}  {r.bow[:24]:24s} {r.day:10s} {r.recording[:24]:24s} {units.length(r.largest_draw_mm):>13s}"
            f" {units.force(r.force_there_n):>12s} {r.marks:6d} {r.results:8d}"
        )
    return 0


def _book_show(args: argparse.Namespace) -> int:
    from tiller.records.book import Book
    from tiller.report.words import kept_words

    units = _units(args)
    with Book(_existing_book(args)) as book:
        pull = book.pull(args.pull)
    print(kept_words(pull, units))
    return 0


def _book_export(args: argparse.Namespace) -> int:
    from tiller.records.book import Book
    from tiller.report.data import pull_csv, write_json, write_whole

    folder = Path(args.folder)
    with Book(_existing_book(args)) as book:
        wanted = [args.pull] if args.pull is not None else [r.pull_id for r in book.pulls()]
        for pull_id in wanted:
            pull = book.pull(pull_id)
            pull.pop("folder")  # where the recording lies on this machine is nobody else's business
            place = folder / f"pull-{pull_id}"
            for name, data in pull_csv(pull).items():
                write_whole(place / name, data)
            write_json(place / "pull.json", pull)
    if not wanted:
        print("There is no pull in the book: nothing was written.")
        return 0
    print(f"{len(wanted)} pull(s) written to {folder}: force_draw.csv, profiles.csv, marks.csv and pull.json each.")
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
    )
    bow = make_recording(Path(args.folder), wish)
    print(
        f"{args.folder}: a pull of {bow.name}, {bow.string_kind} string, with its truth in truth.json. Invented, for trying things out."
    )
    return 0


def _demo(args: argparse.Namespace) -> int:
    from tiller.rack.keep import data_folder, keep
    from tiller.rack.measure import measure
    from tiller.rack.recording import read_recording
    from tiller.rack.software import DEMO, make_recording, next_free
    from tiller.report.words import pull_words

    units = _units(args)
    home = Path(args.folder) if args.folder else data_folder() / "demo"
    folder = next_free(home, "recording")
    print("The demo plays a pull on a rack in software: nothing of it is a real bow.")
    print("Making the bow, pulling it, taking the pictures ...", flush=True)
    make_recording(folder, DEMO)
    recording = read_recording(folder)
    print("Measuring ...", flush=True)
    measured = measure(recording, lambda text: _progress(args, text))
    kept = keep(
        measured, recording, units, home / "demo-book.sqlite3", folder / "measured", folder / "measured" / "result.json"
    )
    _progress(args, "")
    print()
    print(pull_words(measured.result, recording.bow, units))
    print()
    for spot in DEMO.spots:
        print(f"Put in by the software rack: {spot}")
    for path in kept.pictures:
        print(f"Picture: {path}")
    print(f"Data: {folder / 'measured' / 'result.json'}")
    book = home / "demo-book.sqlite3"
    print(f"The demo has a book of its own; look into it with: tiller book show {kept.pull_id} --book {book}")
    return 0


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one sentence, as all others are."""

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
        "--book", metavar="FILE", help="the shop's book (default: in the user's data folder, or TILLER_HOME)"
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
    measure.set_defaults(run=_measure)

    book = commands.add_parser(
        "book",
        help="list, show and export what the shop's book holds",
        description="Lists, shows and exports what the shop's book holds.",
    )
    actions = book.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", parents=[shown, booked], help="all pulls")
    listing.add_argument("--bow", help="only this bow's")
    listing.set_defaults(run=_book_list)
    show = actions.add_parser("show", parents=[shown, booked], help="one pull")
    show.add_argument("pull", type=int, metavar="PULL", help="its number")
    show.set_defaults(run=_book_show)
    export = actions.add_parser("export", parents=[booked], help="write pulls as CSV (units in the header) and JSON")
    export.add_argument("folder", metavar="FOLDER", help="where to")
    export.add_argument("--pull", type=int, help="only this pull")
    export.set_defaults(run=_book_export)

    simulate = commands.add_parser(
        "simulate",
        help="make a recording on the rack in software",
        description="Makes a recording of a pull on a rack in software, with its truth beside it.",
    )
    simulate.add_argument("folder", metavar="FOLDER", help="folder to write; must not be there yet")
    simulate.add_argument("--seed", type=int, default=0, help="everything random hangs on it")
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
        "--crook", type=float, default=0.5, metavar="PER_M", help="sd of the limbs' natural curvature, 1/m"
    )
    simulate.add_argument("--knots", type=int, default=0, help="bumps on the outline that do not change the stiffness")
    simulate.add_argument("--string", choices=("long", "braced"), default="long")
    simulate.add_argument("--light", type=float, default=1.0, help="1 = good, 0.3 = dim")
    simulate.add_argument("--noise", type=float, default=1.5, help="sd of the picture's noise, grey levels")
    simulate.add_argument("--blur", type=float, default=0.6, help="sd of the lens's blur, px")
    simulate.add_argument("--motion", type=float, default=0.0, help="smear of the drawn pictures, px")
    simulate.add_argument(
        "--fault",
        action="append",
        default=[],
        help="a fault of the serial line; may be given again: garbled, cut, doubled, dropout, spike, reset, wrap, reversed, trouble",
    )
    simulate.add_argument("--rate", type=float, default=80.0, help="readings a second")
    simulate.add_argument("--largest", type=float, metavar="MM", help="largest draw (default: 85 %% of the target)")
    simulate.add_argument("--pictures", type=int, default=18, help="pictures on the way up")
    simulate.set_defaults(run=_simulate)

    demo = commands.add_parser(
        "demo",
        parents=[shown],
        help="the whole of it without any hardware",
        description="Plays a pull on a rack in software, measures it and shows everything that comes of it.",
    )
    demo.add_argument(
        "--folder", metavar="FOLDER", help="where the demo's things go (default: demo in the data folder)"
    )
    demo.set_defaults(run=_demo)
    return parser


def main(argv: list[str] | None = None) -> int:
    """Runs the command line; 0 = done, 2 = said what is wrong."""
    args = build_parser().parse_args(argv)
    try:
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except TillerError as err:
        print(f"tiller: {err}", file=sys.stderr)
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
        print(
            f"tiller: {err.filename or 'a file'} could not be read or written ({err.strerror or err}): check disk and permissions.",
            file=sys.stderr,
        )
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
