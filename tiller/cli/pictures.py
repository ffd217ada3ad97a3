"""Measured from pictures alone: ``tiller pictures``, a pull on any tillering tree without a calibration; ``tiller align``, where the string crosses the
handle and how the limbs bend sideways, from pictures of the bow's belly.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import length
from tiller.cli.common import book_of, units_of
from tiller.writable import add_outputs

if TYPE_CHECKING:
    import numpy as np


def add_commands(
    commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser, quiet: argparse.ArgumentParser
) -> None:
    """Adds it to the parser's sub-commands."""
    pictures = commands.add_parser(
        "pictures",
        parents=[shown, booked, quiet],
        help="measure pictures of a phone: a bow on any tillering tree with the printed fiducials near it, no calibration, no scale",
        description="Makes a recording of pictures in order (the tree without the bow, the bow at rest, then drawn further and further) or of a video that"
        " holds still at each, and measures it.",
    )
    pictures.add_argument("source", metavar="PICTURES", help="folder with pictures, or a video file")
    pictures.add_argument("bow", metavar="BOW", help="a bow of the shop, or its bow.toml")
    for name, what in (
        ("pivot", "where the handle rests"),
        ("left", "the left limb's nock"),
        ("right", "the right limb's nock"),
    ):
        pictures.add_argument(f"--{name}", metavar="X,Y", help=f"pixel of {what} in the picture of the bow at rest")
    pictures.add_argument(
        "--depth",
        metavar="LENGTH",
        default="70mm",
        help="how far the bow's middle is before the fiducials' plane (default: 70mm)",
    )
    pictures.add_argument(
        "--hook-up",
        metavar="LENGTH",
        default="60mm",
        help="from the middle of the hook's fiducial up to the string (default: 60mm)",
    )
    pictures.add_argument(
        "--bar", metavar="LENGTH", default="100mm", help="what the sheets' check bars measure (default: 100mm)"
    )
    pictures.add_argument(
        "--hook-free",
        action="store_true",
        help="the hook is not on the string in the picture of the bow at rest, whatever it looks like",
    )
    pictures.add_argument(
        "--into", metavar="FOLDER", help="new folder for the recording (default: in the shop's folder)"
    )
    pictures.add_argument("--json", metavar="FILE", help="write the result as JSON")
    pictures.add_argument("--no-book", action="store_true", help="do not write into the book")
    add_outputs(pictures, "json", "into")
    pictures.set_defaults(run=run_pictures)
    _add_align(commands, shown, booked)


def run_pictures(args: argparse.Namespace) -> int:
    """``tiller pictures``."""
    import shutil
    from datetime import datetime

    from tiller.cli.measure import say_worked_up
    from tiller.errors import TillerError
    from tiller.measure.recording import read_recording
    from tiller.measure.second import second_process
    from tiller.paths import data_folder
    from tiller.quantity import mm
    from tiller.setup.bow_files import find_bow
    from tiller.setup.guided.phone import (
        DEPTH,
        DRAWN_ALREADY_MM,
        HOOK_UP,
        before_drawing,
        make_recording,
        near_of,
        printed,
        read_shots,
        sort_shots,
    )
    from tiller.setup.guided.pictures import BAR
    from tiller.vision.rig.touched import Touched

    bow = find_bow(args.bow)
    metric = units_of(args).metric
    sides, hook_side = printed(float(BAR.read(args.bar, metric)))
    near = near_of(float(DEPTH.read(args.depth, metric)), float(HOOK_UP.read(args.hook_up, metric)), hook_side)
    touched = [_place(getattr(args, name), f"--{name}") for name in ("pivot", "left", "right")]
    units = units_of(args)
    if not args.quiet:
        print("\n".join(units.words(line) for line in before_drawing(bow)), end="\n\n")
    shots = read_shots(Path(args.source))
    by = sort_shots(shots)
    if any(place is None for place in touched):
        wide, high = shots.size
        msg = (
            f"Say where the handle rests and where both nocks are, in pixels of '{shots.names[by.rest]}' made {wide}x{high}: --pivot X,Y --left X,Y"
            " --right X,Y; in the shop's window they are touched."
        )
        raise TillerError(msg)
    pivot, left, right = (place for place in touched if place is not None)
    folder = Path(args.into) if args.into else data_folder() / "recordings" / f"phone-{datetime.now():%Y%m%d-%H%M%S}"
    made = make_recording(shots, by, Touched(pivot, left, right), near, bow, folder, sides)
    if made.drawn_mm > DRAWN_ALREADY_MM and not args.hook_free:
        shutil.rmtree(made.folder, ignore_errors=True)
        msg = (
            f"'{shots.names[by.rest]}' counts as the bow at rest, but it seems drawn there by {mm(made.drawn_mm)}: the pictures must go from the empty tree over the"
            " bow at rest to the largest draw; where the hook only hangs there, say --hook-free."
        )
        raise TillerError(msg)
    if not args.quiet:
        print(units.words(made.words))
    try:
        with second_process(plots=True) as second:
            json_file = Path(args.json) if args.json else None
            book = None if args.no_book else book_of(args)
            say_worked_up(args, read_recording(made.folder), second, book, None, json_file)
    except TillerError:
        shutil.rmtree(made.folder, ignore_errors=True)  # nothing of it is in the book
        raise
    return 0


def _place(text: str | None, name: str) -> np.ndarray | None:
    import numpy as np

    from tiller.errors import TillerError

    if text is None:
        return None
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        msg = f"{name} is '{text}': two numbers with a comma between, the pixel's place from the left and from the top, are expected."
        raise TillerError(msg) from None
    return np.array([x, y])


def _add_align(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    align = commands.add_parser(
        "align",
        parents=[shown, booked],
        help="where the string crosses the handle and how the limbs bend sideways, from pictures of the bow's belly",
        description="The strung bow lies with its back against a wall, its left limb to the left in the picture (in an upright picture at the top), the camera straight before its handle; two printed rack"
        " fiducials or more hang on the same wall, some above and some below it (or the lens board). Turn the bow end for end and take it again: the mean of"
        " both ways is free of a bed that is not level.",
    )
    align.add_argument("bow", metavar="BOW", help="a bow of the shop, or its bow.toml")
    align.add_argument(
        "pictures", metavar="PICTURE", nargs="+", help="pictures or a folder of them: strung, the left limb to the left"
    )
    align.add_argument(
        "--turned", metavar="PICTURE", nargs="+", default=[], help="the same after it was turned end for end"
    )
    align.add_argument(
        "--unstrung", metavar="PICTURE", nargs="+", default=[], help="without its string, the left limb to the left"
    )
    for limb in ("left", "right"):
        align.add_argument(
            f"--along-{limb}",
            metavar="PICTURE",
            help=f"unstrung, from beyond the {limb} nock along the limb, winding sticks across its belly at handle and nock: its twist",
        )
    align.add_argument("--hand-shock", choices=("none", "some", "hard"), help="how the bow kicked when it was shot")
    align.add_argument("--grip", type=length, metavar="LENGTH", help="width of the handle at its middle")
    align.add_argument("--deep", type=length, metavar="LENGTH", help="how deep the handle is there (default: 32mm)")
    align.add_argument(
        "--brace", type=length, metavar="LENGTH", help="brace height as it is (default: as the bow's file wants it)"
    )
    align.add_argument(
        "--bar",
        type=length,
        default=100.0,
        metavar="LENGTH",
        help="what the sheets' check bars measure (default: 100mm)",
    )
    align.add_argument(
        "--reserve",
        default="0",
        metavar="PERCENT",
        help="weight that may still come off, in per cent: scraping one edge is proposed within that",
    )
    align.add_argument(
        "--rig", metavar="FILE", help="whose camera took the pictures (default: the shop's, where the size is its own)"
    )
    align.add_argument("--json", metavar="FILE", help="write the result as JSON")
    align.add_argument("--picture", metavar="FILE", help="draw picture and curves as PNG")
    align.add_argument("--no-book", action="store_true", help="do not write into the book")
    add_outputs(align, "json", "picture")
    align.set_defaults(run=run_align)


def run_align(args: argparse.Namespace) -> int:
    """``tiller align``."""
    from tiller.bow.sides import Pair
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.measure.second_view.whole import Known, Shots, one_picture, read_pictures
    from tiller.paths import data_folder
    from tiller.report.data import alignment_json, write_json
    from tiller.setup.bow_files import find_bow
    from tiller.setup.second_view.do import keep_for_page, look_and_keep

    units = units_of(args)
    for name, value, low, high in (
        ("--grip", args.grip, 12.0, 80.0),
        ("--deep", args.deep, 10.0, 90.0),
        ("--brace", args.brace, 60.0, 300.0),
        ("--bar", args.bar, 50.0, 200.0),
    ):
        if value is not None and not low <= value <= high:
            msg = f"{name} is {units.length(value)}: {units.length(low)} to {units.length(high)} makes sense."
            raise TillerError(msg)
    try:
        reserve = float(args.reserve.strip().removesuffix("%"))
    except ValueError:
        reserve = -1.0
    if not 0 <= reserve <= 50:
        msg = f"--reserve is {args.reserve}: 0 to 50 per cent makes sense."
        raise TillerError(msg)
    bow = find_bow(args.bow)
    shots = Shots(
        strung=read_pictures([Path(p) for p in args.pictures]),
        turned=read_pictures([Path(p) for p in args.turned]),
        unstrung=read_pictures([Path(p) for p in args.unstrung]),
        along=Pair(*(one_picture(Path(p)) if p else None for p in (args.along_left, args.along_right))),
    )
    nan = float("nan")
    known = Known(
        brace_mm=nan if args.brace is None else args.brace,
        grip_mm=nan if args.grip is None else args.grip,
        bar_mm=args.bar,
        reserve=reserve / 100,
        **({} if args.deep is None else {"deep_mm": args.deep}),
    )
    rig = Path(args.rig) if args.rig else data_folder() / "rig.toml"
    book = None if args.no_book else book_of(args)
    here = rig if args.rig or rig.is_file() else None
    looked = look_and_keep(bow, shots, known, here, book, hand_shock=args.hand_shock or "")
    print(looked.words(units))
    if book is not None:
        keep_for_page(bow, data_folder(), looked, units)
    if book is not None and not looked.kept:
        print("It is not in the book, which has no pull of this bow yet: measure one first, then look again.")
    if args.json:
        write_json(Path(args.json), alignment_json(looked.view.alignment, looked.view.correction, looked.bow))
        print(f"JSON: {args.json}")
    if args.picture:
        write_whole(Path(args.picture), looked.picture(units))
        print(f"Picture: {args.picture}")
    return 0
