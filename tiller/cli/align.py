"""``tiller align``: does the string cross the middle of the handle, do the limbs bend sideways; from pictures of the bow's belly."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length
from tiller.cli.common import book_of, units_of
from tiller.writable import add_outputs


def add_command(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    align = commands.add_parser(
        "align",
        parents=[shown, booked],
        help="where the string crosses the handle and how the limbs bend sideways, from pictures of the bow's belly",
        description="The strung bow lies with its back against a wall, in the picture from left to right, the camera straight before its handle; two printed rack"
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
        type=float,
        default=0.0,
        metavar="PERCENT",
        help="weight that may still come off: scraping is proposed within that",
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
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.measure.second_view.whole import Known, Shots, read_pictures
    from tiller.paths import data_folder
    from tiller.report.data import alignment_json, write_json
    from tiller.setup.bow_files import find_bow
    from tiller.setup.second_view.do import look_and_keep

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
    if not 0 <= args.reserve <= 50:
        msg = f"--reserve is {args.reserve:g}: 0 to 50 per cent makes sense."
        raise TillerError(msg)
    bow = find_bow(args.bow)
    shots = Shots(
        strung=read_pictures([Path(p) for p in args.pictures]),
        turned=read_pictures([Path(p) for p in args.turned]),
        unstrung=read_pictures([Path(p) for p in args.unstrung]),
    )
    nan = float("nan")
    known = Known(
        brace_mm=nan if args.brace is None else args.brace,
        grip_mm=nan if args.grip is None else args.grip,
        bar_mm=args.bar,
        reserve=args.reserve / 100,
        **({} if args.deep is None else {"deep_mm": args.deep}),
    )
    rig = Path(args.rig) if args.rig else data_folder() / "rig.toml"
    book = None if args.no_book else book_of(args)
    looked = look_and_keep(bow, shots, known, rig if args.rig or rig.is_file() else None, book)
    print(looked.words(units))
    if book is not None and not looked.kept:
        print("It is not in the book, which has no pull of this bow yet.")
    if args.json:
        write_json(Path(args.json), alignment_json(looked.view.alignment, looked.view.correction, looked.bow))
        print(f"JSON: {args.json}")
    if args.picture:
        write_whole(Path(args.picture), looked.picture(units))
        print(f"Picture: {args.picture}")
    return 0
