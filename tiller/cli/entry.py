"""The command line. Sub-commands import their work inside the handler, so that --help is quick."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any, NoReturn

from tiller import __version__
from tiller.cli.arguments import in_units
from tiller.errors import TillerError
from tiller.output import clean_output, one_line
from tiller.writable import check_outputs

# Our matrices are small: a second thread of the linear algebra only waits for the first (twice the time for the
# forecast). It must be set before numpy is loaded; who sets it otherwise has his way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# a dead camera is said by this program, once; the libraries would say it at each retry
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")


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
        "--units",
        choices=("metric", "inch"),
        help="mm and N, or inches and pounds (default: as set in the shop, else metric)",
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
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    from tiller.cli.book import add_commands as add_book
    from tiller.cli.calibrate import add_commands as add_calibrate
    from tiller.cli.measure import add_commands as add_measure
    from tiller.cli.rack import add_commands as add_rack
    from tiller.cli.shop import add_commands as add_shop
    from tiller.cli.shop import run_window
    from tiller.cli.software import add_demo, add_simulate
    from tiller.cli.stave import add_commands as add_stave

    add_measure(commands, shown, booked, quiet)
    add_simulate(commands)
    add_rack(commands, shown, booked)
    add_calibrate(commands, shown)
    add_book(commands, shown, booked)
    add_stave(commands, shown)
    add_demo(commands, shown)
    add_shop(commands, shown, booked)
    parser.set_defaults(run=run_window, units=None, book=None)
    return parser


def _given(text: str) -> str:
    """An argument that is not empty: an empty one, as a variable of a script that was never set, would mean the shop's own book."""
    if not text.strip():
        msg = "it is empty: give a name, or leave the option away"
        raise argparse.ArgumentTypeError(msg)
    return text


def _usual_units() -> str:
    """The shop's units; metric where no settings are kept."""
    from tiller.paths import data_folder

    if not (data_folder() / "settings.toml").is_file():
        return "metric"
    from tiller.setup.settings import read_settings

    return read_settings().units


def parsed(argv: list[str] | None) -> argparse.Namespace:
    """What was said on the command line, lengths and forces in mm and N."""
    args = build_parser().parse_args(argv)
    if getattr(args, "units", "metric") is None:
        args.units = _usual_units()
    in_units(args)
    return args


def main(argv: list[str] | None = None) -> int:
    """Runs the command line; 0 = done, 2 = said what is wrong."""
    with clean_output():
        try:
            return _main(argv)
        except OSError:  # nothing more can be said: where it is said is full or gone
            return 2


def _in_units(err: TillerError, said: argparse.Namespace | None) -> str:
    """The error's sentence in the units that were asked for."""
    if getattr(said, "units", "metric") == "metric":
        return str(err)
    from tiller.report.style import Units

    return Units(metric=False).words(err.marked)


def _main(argv: list[str] | None) -> int:
    said: argparse.Namespace | None = None
    try:
        args = said = parsed(argv)
        check_outputs(args)
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except TillerError as err:
        print(one_line(f"tiller: {_in_units(err, said)}"), file=sys.stderr)
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
