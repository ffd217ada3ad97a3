"""The commands at the rack: ``tiller rack``, ``tiller weigh`` and ``tiller bow``."""

from __future__ import annotations

import argparse
import os
import shlex
import signal
import sys
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import in_mm, length, number
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from tiller.report.style import Units


def add_commands(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds them to the parser's sub-commands."""
    rack = commands.add_parser(
        "rack",
        parents=[shown, booked],
        help="live at the rack: picture, draw, weight, stop, plan",
        description="Leads through pulls at the rack and keeps each of them. Opens a window where there is a display.",
    )
    rack.add_argument("bow", metavar="BOW", nargs="?", help="a bow's name or its bow.toml")
    rack.add_argument("--rig", metavar="FILE", help="rig.toml (default: the one in the user's data folder)")
    rack.add_argument(
        "--camera", metavar="CAMERA", help="number, device, address (http, rtsp) or video file (default: 0)"
    )
    rack.add_argument("--no-camera", action="store_true", help="work by weight alone: nothing is known of the bend")
    rack.add_argument("--scale", metavar="PORT", help="serial port of the scale, or socket://host:port")
    rack.add_argument("--replay", metavar="RECORDING", help="play a recording again in place of camera and scale")
    rack.add_argument(
        "--speed", metavar="N", type=number, default=1.0, help="with --replay: times as fast (default: 1)"
    )
    rack.add_argument(
        "--software", action="store_true", help="a rack in software with a bow of its own, for trying out"
    )
    rack.add_argument(
        "--keep", choices=("all", "holds", "none"), default="holds", help="pictures kept of a pull (default: holds)"
    )
    rack.add_argument("--pulls", metavar="FOLDER", help="where pulls are kept (default: in the user's data folder)")
    rack.add_argument("--headless", action="store_true", help="no window: a status line on the terminal")
    rack.add_argument("--json-lines", action="store_true", help="no window: what happens as JSON, a line each")
    rack.add_argument("--for", dest="for_s", metavar="S", type=number, help="end after so many seconds")
    rack.set_defaults(run=run_rack)
    weighing = commands.add_parser(
        "weigh",
        parents=[shown],
        help="a bow's weight at taped draws, by the scale alone",
        description="Weighs a bow at draws that you mark on a tape: pull to one after the other and hold, both hands on the rope.",
    )
    weighing.add_argument(
        "--scale", metavar="PORT", required=True, help="serial port of the scale, or socket://host:port"
    )
    weighing.add_argument(
        "--at",
        metavar="DRAW,DRAW,...",
        required=True,
        help="draws from the pivot to the string, rising, such as 250,300,350 or 10in,12in",
    )
    weighing.add_argument("--rig", metavar="FILE", help="rig.toml with the scale's calibration (default: the shop's)")
    weighing.add_argument("--csv", metavar="FILE", help="write draws and weights as CSV")
    weighing.add_argument(
        "--for", dest="for_s", metavar="S", type=number, default=300.0, help="end after so many seconds (default: 300)"
    )
    add_outputs(weighing, "csv")
    weighing.set_defaults(run=run_weigh)
    bow = commands.add_parser(
        "bow",
        parents=[shown],
        help="a new bow by a short form",
        description="Asks for what must be known of a new bow and writes its file.",
    )
    bow.add_argument("name", metavar="NAME", help="the bow's name")
    bow.set_defaults(run=run_bow)


def screen() -> tuple[str, tuple[int, int] | None]:
    """Why no window can be opened (empty where one can), and the screen's size in pixels where that can be known."""
    import ctypes
    import ctypes.util

    if sys.platform == "win32":
        ask = ctypes.windll.user32.GetSystemMetrics
        return "", (int(ask(0)), int(ask(1)))
    if sys.platform == "darwin":
        return "", None
    if not os.environ.get("DISPLAY"):
        if os.environ.get("WAYLAND_DISPLAY"):
            return "the window needs an X11 display (XWayland gives one), and DISPLAY is not set", None
        return "there is no display", None
    try:
        library = ctypes.CDLL(ctypes.util.find_library("X11") or "libX11.so.6")
    except OSError:
        return "the display's library (libX11) is not installed", None
    library.XOpenDisplay.restype = ctypes.c_void_p
    display = library.XOpenDisplay(None)
    if not display:
        return f"the display '{os.environ['DISPLAY']}' cannot be opened", None
    handle = ctypes.c_void_p(display)
    size = (int(library.XDisplayWidth(handle, 0)), int(library.XDisplayHeight(handle, 0)))
    library.XCloseDisplay(handle)
    return "", size


def why_no_window() -> str:
    """Empty where a window can be opened, else why not."""
    return screen()[0]


def window_size() -> tuple[int, int] | None:
    """As large as the screen lets it be, None where that is not known."""
    size = screen()[1]
    return (max(960, size[0] - 40), max(540, size[1] - 90)) if size is not None else None


def run_rack(args: argparse.Namespace) -> int:
    """``tiller rack``."""
    from tiller.errors import TillerError
    from tiller.live.opening import Wanted, session
    from tiller.paths import book_path, data_folder
    from tiller.report.style import Units
    from tiller.setup.settings import read_settings

    if not 0.1 <= args.speed <= 50:
        msg = f"--speed is {args.speed:g}: it must be from 0.1 to 50."
        raise TillerError(msg)
    plain = not (args.replay or args.software)
    _refuse_contradictions(args)
    trial = data_folder() / "trials"
    if not plain and not args.pulls and not args.book:
        print(f"Trial: its pulls and its book are kept in {trial}, apart from the shop's.", file=sys.stderr)
    wanted = Wanted(
        bow=args.bow,
        rig=Path(args.rig) if args.rig else None,
        camera=None if args.no_camera else (args.camera or ("0" if plain else None)),
        scale=args.scale,
        replay=Path(args.replay) if args.replay else None,
        software=args.software,
        keep=args.keep,
        home=Path(args.pulls) if args.pulls else (None if plain else trial / "pulls"),
        book=Path(args.book) if args.book else (book_path() if plain else trial / "trial-book.sqlite3"),
        speed=args.speed,
    )
    units, settings = Units(args.units == "metric"), read_settings()
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ended by the system as by Ctrl-C: the pull is kept
    with session(wanted) as rack:
        why = "" if args.headless or args.json_lines else why_no_window()
        if args.headless or args.json_lines or why:
            from tiller.live.headless import run

            if why:
                print(f"tiller: {why}: the rack runs without a window.", file=sys.stderr)
            return run(rack, units, args.json_lines, for_s=args.for_s)
        from tiller.window.app import show
        from tiller.window.look import DARK, LIGHT

        look = DARK if settings.look == "dark" else LIGHT
        return show(rack, units, wanted.book, args.for_s, window_size(), look)


MOST_DRAWS = 40


def _draws_of(text: str, metric: bool) -> list[float]:
    """Draws in mm.

    Raises:
        TillerError: one is none, or they do not rise.
    """
    from tiller.errors import TillerError

    try:
        draws = [in_mm(length(part), metric) for part in text.split(",")]
    except argparse.ArgumentTypeError as err:
        raise TillerError(f"--at: {err}.") from err
    if (
        not all(50.0 <= d <= 1200.0 for d in draws)
        or any(b <= a for a, b in pairwise(draws))
        or len(draws) > MOST_DRAWS
    ):
        msg = f"--at is '{text}': up to {MOST_DRAWS} draws from 50 to 1200 mm (2 to 47 in) that rise are expected."
        raise TillerError(msg)
    return draws


def run_weigh(args: argparse.Namespace) -> int:
    """``tiller weigh``."""
    from tiller.bow.rigfile import read_cell
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.live.sound import Sounds
    from tiller.paths import data_folder
    from tiller.report.style import Units
    from tiller.report.text.pull import CAUTION
    from tiller.setup.weighing import Hold, odd_steps, weigh
    from tiller.sources.scales import SerialScale

    units = Units(args.units == "metric")
    draws = _draws_of(args.at, units.metric)
    if not 5 <= args.for_s <= 7200:
        msg = f"--for is {args.for_s:g} s: from 5 to 7200 makes sense."
        raise TillerError(msg)
    rig = Path(args.rig) if args.rig else data_folder() / "rig.toml"
    if not rig.is_file():
        msg = f"There is no rig file at {rig}: 'tiller calibrate scale' writes it, or give one with --rig."
        raise TillerError(msg)
    cell = read_cell(rig)
    holds: list[Hold] = []

    def announce(wanted: float, hold: Hold | None) -> None:
        if hold is not None:
            holds.append(hold)
            sounds.play("point")
            over = hold.force_n > cell.largest_n
            beyond = f"; over the {units.force(cell.largest_n)} that the cell was calibrated to" if over else ""
            print(
                f"{units.length(hold.draw_mm)}: {units.force(hold.force_n)} ± {units.force(hold.sd_n)}{beyond}",
                flush=True,
            )
        print("Let it down." if wanted != wanted else f"Pull to {units.length(wanted)} and hold.", flush=True)

    def keep() -> None:
        if args.csv and holds:
            rows = "".join(f"{h.draw_mm:.1f},{h.force_n:.2f},{h.sd_n:.2f},{h.wander_n:.2f}\n" for h in holds)
            write_whole(Path(args.csv), f"draw_mm,force_n,sd_n,wander_n\n{rows}".encode())
            print(f"Table with {len(holds)} of {len(draws)} draws: {args.csv}")

    scale = SerialScale(args.scale)
    scale.open()  # before anything is asked of anybody
    sounds = Sounds(sys.stdout)
    try:
        print(f"{CAUTION}\nThe zero is taken now: leave the rope slack for five seconds.", flush=True)
        if sounds.silent:
            print("No tone can be played here: look for 'Pull to' before you go on.", flush=True)
        done = weigh(scale, cell, draws, announce, args.for_s)
    except (KeyboardInterrupt, TillerError):
        keep()
        raise
    finally:
        scale.close()
        sounds.close()
    if abs(done.left_n) > MOST_LEFT_N:
        msg = (
            f"With the string down the scale reads {units.force(done.left_n)}: something hung on it when its zero was taken or hangs on it now,"
            " and the weights are that much off; weigh again. Nothing was written."
        )
        raise TillerError(msg)
    keep()
    print("± is the hand and the scale; a tape that is read 1 cm wrong makes some 2 % (common practice).")
    if len(holds) < len(draws):
        print(f"{len(holds)} of {len(draws)} draws were weighed.")
    for k in odd_steps(holds):
        print(
            f"CHECK {units.length(holds[k].draw_mm)}: the weight rises otherwise before it than after it; was a pause on the way taken for a hold? Weigh again."
        )
    if done.left_n != done.left_n:
        print(
            "The string was not let down while the scale was read, so its zero could not be checked again. Let it down."
        )
    return 0


MOST_LEFT_N = 3.0
"""What the scale may read with the string down: its drift and the rope (common practice, no source)."""


def _refuse_contradictions(args: argparse.Namespace) -> None:
    """Says which options do not go together."""
    from tiller.errors import TillerError

    given = [
        name
        for name, value in (
            ("BOW", args.bow is not None),
            ("--rig", args.rig is not None),
            ("--camera", args.camera is not None),
            ("--no-camera", args.no_camera),
            ("--scale", args.scale is not None),
        )
        if value
    ]
    clash: tuple[str, str] | None = None
    if args.software and args.replay:
        clash = ("--software", "--replay")
    elif (args.software or args.replay) and given:
        clash = ("--software" if args.software else "--replay", given[0])
    elif args.no_camera and args.camera is not None:
        clash = ("--no-camera", "--camera")
    if clash:
        msg = f"{clash[0]} and {clash[1]} contradict each other: give one of them."
        raise TillerError(msg)
    if args.no_camera and args.scale is None:
        msg = "with --no-camera and without --scale nothing can be seen or weighed: give at least one of camera and scale."
        raise TillerError(msg)
    if args.for_s is not None and not args.for_s > 0:
        msg = f"--for is {args.for_s:g}: it must be more than 0 s."
        raise TillerError(msg)


def run_bow(args: argparse.Namespace) -> int:
    """``tiller bow``."""
    from tiller.errors import KeyFault, TillerError
    from tiller.report.style import Units
    from tiller.setup.bow_files import bow_file
    from tiller.setup.new_bow import bow_text, kept_answers, name_fault, write_bow

    metric = args.units == "metric"
    fault = name_fault(args.name)
    if fault:
        raise TillerError(fault)
    path = bow_file(args.name)
    if path.exists():
        print(f"tiller: {path} is there already: edit it, or choose another name.", file=sys.stderr)
        return 2
    units = Units(metric)
    draft = path.with_name("answers.toml")
    given = kept_answers(draft)
    if given:
        print(f"Kept of an earlier form: answers to {len(given)} of the questions; Enter takes each of them again.")
    while True:
        answers = _filled_in(units, metric, draft, given)
        if answers is None:
            print(
                "\ntiller: the form was not filled in to its end: no bow was written; what was answered is kept and is offered next time.",
                file=sys.stderr,
            )
            return 2
        try:
            text, bow = bow_text(args.name, answers)
            break
        except KeyFault as err:
            print(f"{err}\nOnce more, please; Enter takes what was answered before.")
            given = answers
    write_bow(path, text)
    draft.unlink(missing_ok=True)
    print(f"{path} written: {bow.name}. At the rack: tiller rack {shlex.quote(bow.name)} --scale PORT")
    return 0


def _filled_in(units: Units, metric: bool, draft: Path, given: dict[str, str | float]) -> dict[str, str | float] | None:
    """The answers to all questions, each kept as soon as it is given; None where the input ends before.

    Args:
        given: earlier answers, which Enter takes.
    """
    from dataclasses import replace

    from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM
    from tiller.bow.wood.woods import find_wood, like_wood
    from tiller.errors import TillerError
    from tiller.setup.new_bow import form, keep_answers, place_of, string_fault

    answers: dict[str, str | float] = {}
    for question in form():
        field = replace(question, usual=str(given[question.key])) if question.key in given else question
        unit = f" [{field.unit(metric)}]" if field.unit(metric) else ""
        usual = f" (Enter: {field.usual_shown(metric)})" if field.usual else ""
        place = place_of(field.key, answers)
        where = f", {units.length(place)} from the pivot along the back" if place == place else ""
        while field.key not in answers:
            print(f"{field.question}{where}{unit}{usual}: ", end="", flush=True)
            line = sys.stdin.readline()
            if not line:
                return None
            try:
                answers[field.key] = field.read(line, metric)
            except TillerError as err:
                print(err)
            wrong = string_fault(answers) if field.key == "string_length" else ""
            if wrong:
                print(units.words(wrong))
                del answers["string_length"]
            if field.key == "draw_to_back" and field.key in answers:
                pivot = float(answers[field.key]) - ARCHERY_DRAW_ALLOWANCE_MM
                print(f"  (that is {units.length(pivot, 1 if metric else 2)} from the pivot to the string)")
            like = like_wood(str(answers.get("wood", "")))
            if field.key == "wood" and not find_wood(str(answers.get("wood", ""))):
                print(
                    f"'{answers['wood']}' is in no table of ours{f' (is {like} meant?)' if like else ''}: limits and modulus are general guesses until bow.toml says"
                    " modulus_gpa and working_strain."
                )
        keep_answers(draft, given | answers)
    return answers
