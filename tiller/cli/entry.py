"""The command line. Sub-commands import their work inside the handler, so that --help is quick."""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
import traceback
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from tiller import __version__
from tiller.cli.arguments import in_units
from tiller.errors import FileFault, TillerError
from tiller.output import clean_output, one_line
from tiller.quantity import plain
from tiller.writable import check_outputs

# Our matrices are small: a second thread of the linear algebra only waits for the first (twice the time for the
# forecast). It must be set before numpy is loaded; who sets it otherwise has his way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# a dead camera is reported by this program, once; the libraries would say it at each retry
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one sentence, as all others are, and that takes no word for another."""

    def __init__(self, **given: Any) -> None:
        super().__init__(allow_abbrev=False, **given)

    def error(self, message: str) -> NoReturn:
        print(f"tiller: {message}{self._hint(message)}; '{self.prog} --help' shows what it takes.", file=sys.stderr)
        sys.exit(2)

    def _hint(self, message: str) -> str:
        """What was probably meant, of an option that is unknown or that took no value."""
        if message.startswith("unrecognized arguments: -"):
            unknown = message.split()[2].split("=")[0]
            near = get_close_matches(unknown, sorted(_options(self)), 1, 0.75)
            return f" (is {near[0]} meant?)" if near else ""
        if message.endswith("expected one argument"):
            signed = [word for word in sys.argv[1:] if re.fullmatch(r"-\d\S*", word)]
            return f" ('{signed[0]}' begins with a minus sign)" if signed else ""
        return ""


def _options(parser: argparse.ArgumentParser) -> set[str]:
    """All options of a parser and of its commands."""
    found: set[str] = set()
    for action in parser._actions:  # noqa: SLF001  (argparse has no other way to its actions)
        found |= {option for option in action.option_strings if option.startswith("--")}
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001
            for inner in action.choices.values():
                found |= _options(inner)
    return found


class _Version(argparse.Action):
    """Says what a report of a fault should name; looked up without loading anything."""

    def __call__(self, *_: object, **__: object) -> NoReturn:
        print(versions())
        sys.exit(0)


LIBRARIES = (
    "opencv-python",
    "numpy",
    "scipy",
    "pyserial",
    "dearpygui",
    "matplotlib",
    "reportlab",
    "pillow",
    "platformdirs",
    "tomlkit",
)


def versions() -> str:
    """This program, Python, the system and the libraries, in one line."""
    import platform
    from importlib.metadata import PackageNotFoundError, version

    parts = []
    for name in LIBRARIES:
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            parts.append(f"{name} is missing")
    return f"tiller {__version__} (Python {platform.python_version()}, {platform.system()} {platform.machine()}; {', '.join(parts)})"


def build_parser() -> argparse.ArgumentParser:
    """The parser with all sub-commands."""
    parser = _Parser(
        prog="tiller",
        description="Measures how a wooden bow bends on the tillering rack, where it is stiff or weak, and what it weighs.",
        epilog="A bow can break without warning under load: eye protection, nobody in the plane of the limbs, pull by the rope from the side.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="this program's and its libraries' versions")
    parser.add_argument(
        "--log",
        dest="log_file",
        metavar="FILE",
        help="add what was asked, how it ended and a fault's trace to this file, to be sent with a report",
    )
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
    from tiller.cli.calibrate.commands import add_commands as add_calibrate
    from tiller.cli.layout import add_command as add_layout
    from tiller.cli.measure import add_commands as add_measure
    from tiller.cli.pictures import add_commands as add_pictures
    from tiller.cli.rack import add_commands as add_rack
    from tiller.cli.shop import add_commands as add_shop
    from tiller.cli.shop import run_window
    from tiller.cli.software import add_demo, add_simulate
    from tiller.cli.stave import add_commands as add_stave
    from tiller.cli.wood.face import add_command as add_face
    from tiller.cli.wood.log import add_command as add_log
    from tiller.cli.wood.modulus import add_command as add_modulus
    from tiller.cli.wood.place import add_command as add_place
    from tiller.cli.wood.ring import add_command as add_ring

    add_measure(commands, shown, booked, quiet)
    add_pictures(commands, shown, booked, quiet)
    add_log(commands, shown, booked)
    add_face(commands, shown)
    add_modulus(commands, shown, booked)
    add_place(commands, shown, booked)
    add_ring(commands, shown, booked)
    add_simulate(commands)
    add_rack(commands, shown, booked)
    add_calibrate(commands, shown)
    add_book(commands, shown, booked)
    add_stave(commands, shown)
    add_layout(commands, shown)
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
    """What was asked for on the command line, lengths and forces in mm and N."""
    args = build_parser().parse_args(argv)
    if getattr(args, "units", "metric") is None:
        args.units = _usual_units()
    in_units(args)
    return args


def main(argv: list[str] | None = None) -> int:
    """Runs the command line; 0 = done, 2 = said what is wrong."""
    with clean_output():
        try:
            code, log = _main(argv)
            if log is not None:
                log.end(code)
            return code
        except OSError:  # nothing more can be reported: where it is reported is full or gone
            return 2


def _in_units(err: TillerError, asked: argparse.Namespace | None) -> str:
    """The error's sentence in the units that were asked for."""
    if getattr(asked, "units", "metric") == "metric":
        return str(err)
    from tiller.report.style import Units

    return Units(metric=False).words(err.marked)


def _must_be_a_log(path: str) -> None:
    """Refuses a file that holds something else.

    Raises:
        FileFault: it does.
    """
    try:
        with open(path, "rb") as file:
            first = file.readline(200)
    except FileNotFoundError:
        if not Path(path).absolute().parent.is_dir():
            msg = f"{path} cannot be written: there is no folder {Path(path).parent}; give another file to --log."
            raise FileFault(msg) from None
        return
    if first and b" tiller " not in first[:40]:
        msg = f"{path} is there already and is no log of this program: give another file to --log; nothing was written."
        raise FileFault(msg)


class _Log:
    """What was asked and how it ended, added to a file."""

    def __init__(self, path: str, argv: list[str]) -> None:
        _must_be_a_log(path)
        self.path, self.trace = path, ""
        self._asked, self._begun = argv, time.time()

    def end(self, code: int) -> None:
        """Writes it.

        Raises:
            OSError: it cannot be written.
        """
        day = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(self._begun))
        head = f"{day} {versions()}\n  asked: {' '.join(self._asked)}\n  ended with {code} after {time.time() - self._begun:.1f} s\n"
        with open(self.path, "a", encoding="utf-8") as file:
            file.write(head + self.trace)


def _main(argv: list[str] | None) -> tuple[int, _Log | None]:
    """Runs what was asked for; how it ended, and the log that was wanted."""
    asked: argparse.Namespace | None = None
    log: _Log | None = None
    try:
        args = asked = parsed(argv)
        if args.log_file:
            log = _Log(args.log_file, list(sys.argv[1:] if argv is None else argv))
        check_outputs(args)
        code = int(args.run(args))
        sys.stdout.flush()
        return code, log
    except BaseException as err:
        if log is not None:
            log.trace = "".join(traceback.format_exception(err))
        return _ended(err, asked), log


def _ended(err: BaseException, asked: argparse.Namespace | None) -> int:
    """Says in one sentence why it ended; the exit code."""
    if isinstance(err, TillerError):
        print(one_line(f"tiller: {_in_units(err, asked)}"), file=sys.stderr)
        return 2
    if isinstance(err, ImportError):
        name = getattr(err, "name", None) or str(err)
        print(
            f"tiller: a library is missing or cannot be loaded ({name}: {err}); on Debian 'apt-get install libgl1 libglib2.0-0' brings what the picture library needs.",
            file=sys.stderr,
        )
        return 2
    if isinstance(
        err, BrokenPipeError
    ):  # whoever read our output has gone, as 'head' does; nothing more can be reported there
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    if isinstance(err, OSError):
        why = f"tiller: {err.filename or 'a file'} could not be read or written ({err.strerror or err}): check disk and permissions."
        print(one_line(why), file=sys.stderr)
        return 2
    if isinstance(err, KeyboardInterrupt):
        print("tiller: stopped; the book holds whatever was finished before.", file=sys.stderr)
        return 130
    if not isinstance(err, Exception) or os.environ.get("TILLER_TRACE"):
        raise err
    print(
        f"tiller: a fault of the program itself ({type(err).__name__}: {plain(str(err))}): nothing half-written is in the book; please report it"
        " with the trace that '--log FILE' or TILLER_TRACE=1 shows.",
        file=sys.stderr,
    )
    return 1


if __name__ == "__main__":
    sys.exit(main())
