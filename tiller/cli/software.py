"""The commands of the rack in software: simulate, which makes a recording, and demo, which shows everything that comes of one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length, number, whole
from tiller.cli.common import units_of


def add_simulate(commands: Any) -> None:
    """Adds ``simulate`` to the parser's sub-commands."""
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
    simulate.set_defaults(run=run_simulate)


def add_demo(commands: Any, shown: argparse.ArgumentParser) -> None:
    """Adds ``demo`` to the parser's sub-commands."""
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
    demo.set_defaults(run=run_demo)


def run_simulate(args: argparse.Namespace) -> int:
    """``tiller simulate``."""
    from tiller.sources.software import Wish, make_recording

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


def run_demo(args: argparse.Namespace) -> int:
    """``tiller demo``."""
    if args.whole:
        from tiller.cli.walk import run_whole

        return run_whole(args)
    from tiller.cli.measure import say_worked_up
    from tiller.measure.recording import read_recording
    from tiller.measure.second import second_process
    from tiller.paths import data_folder
    from tiller.sources.software import DEMO, make_recording, next_free

    home = Path(args.folder) if args.folder else data_folder() / "demo"
    folder = next_free(home, "recording")
    book = home / "demo-book.sqlite3"
    print("The demo plays a pull on a rack in software: nothing of it is a real bow.")
    print("Making the bow, pulling it, taking the pictures ...", flush=True)
    make_recording(folder, DEMO)
    print("Measuring ...", flush=True)
    with second_process(plots=True) as second:
        kept = say_worked_up(
            args, read_recording(folder), second, book, folder / "measured", folder / "measured" / "result.json"
        )
    for spot in DEMO.spots:
        print(f"Put in by the software rack: {spot}")
    print(f"The demo has a book of its own; look into it with: tiller book show {kept.pull_id} --book {book}")
    from tiller.cli.rack import why_no_window, window_size

    if args.no_window or why_no_window():
        print("Live, with a rack in software: tiller rack --software" + (" --headless" if why_no_window() else ""))
        return 0
    from tiller.live.opening import Wanted, session
    from tiller.window.app import show

    print("The window now leads through pulls on the same rack in software, live; Q closes it.", flush=True)
    with session(Wanted(bow=None, software=True, home=home / "pulls", book=book)) as rack:
        return show(rack, units_of(args), book, size=window_size())
