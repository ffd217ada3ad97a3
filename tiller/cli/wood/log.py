"""``tiller log``: a log's sawn end in a picture, and how to split it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length
from tiller.cli.common import book_of
from tiller.writable import add_outputs


def add_command(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    log = commands.add_parser(
        "log",
        parents=[shown, booked],
        help="a log's sawn end in a picture: diameter, rings, checks, and how to split it into staves",
        description="Hold one printed rack fiducial (tiller targets) flat against the sawn end or beside it in its plane, and take the picture from straight before it,"
        " the sheet's upper edge up. Pith and edge are given as pixels of the picture; the window takes them by touch.",
    )
    log.add_argument("picture", metavar="PICTURE")
    log.add_argument("--pith", required=True, metavar="X,Y", help="the pith, in pixels of the picture")
    log.add_argument(
        "--edge",
        required=True,
        nargs="+",
        metavar="X,Y",
        help="five points or more of the edge under the bark, all around",
    )
    log.add_argument(
        "--width", type=length, default=60.0, metavar="LENGTH", help="of a stave, with what is hewn off (default: 60mm)"
    )
    log.add_argument("--depth", type=length, default=35.0, metavar="LENGTH", help="of a stave (default: 35mm)")
    log.add_argument(
        "--flaw",
        action="append",
        default=[],
        metavar="KIND:ANGLE[:WIDE]",
        help="a knot or check along the log, such as knot:120:25 (degrees counter-clockwise from 3 o'clock, the sheet's upper edge up, mm)",
    )
    log.add_argument(
        "--bar",
        type=length,
        default=100.0,
        metavar="LENGTH",
        help="what the sheet's check bar measures (default: 100mm)",
    )
    log.add_argument(
        "--split",
        type=int,
        choices=(2, 3, 4, 6, 8),
        metavar="PARTS",
        help="begin a file for each clear stave of this way to split it (with --tree and --wood)",
    )
    log.add_argument("--tree", metavar="NAME", help="what the tree is called: its staves are numbered by it")
    log.add_argument("--wood")
    log.add_argument("--place", default="", help="where it grew")
    log.add_argument("--felled", metavar="DATE", help="as 2026-03-14")
    log.add_argument(
        "--rig", metavar="FILE", help="whose camera took the picture (default: the shop's, where the size is its own)"
    )
    log.add_argument("--drawn", metavar="FILE", help="draw what was found into the picture (PNG)")
    add_outputs(log, "drawn")
    log.set_defaults(run=run_log)


def _point(text: str, size: tuple[int, int]) -> list[float]:
    from tiller.errors import TillerError

    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        x = y = -1.0
    if not (0 <= x < size[0] and 0 <= y < size[1]):
        msg = f"'{text}' is no place in a picture of {size[0]}x{size[1]}: give X,Y in pixels."
        raise TillerError(msg)
    return [x, y]


def run_log(args: argparse.Namespace) -> int:
    """``tiller log``."""
    from datetime import date, datetime

    import cv2
    import numpy as np

    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.paths import data_folder
    from tiller.report.plots.wood import log_end_picture
    from tiller.report.style import Units
    from tiller.report.text.wood import log_end_words
    from tiller.setup.guided.staves import day_of
    from tiller.setup.new_bow import name_fault
    from tiller.setup.wood.log import (
        Asked,
        Tree,
        begin_staves,
        count_sd,
        knots_of,
        lens_of,
        picture_of,
        read_log,
    )

    if (args.split is None) != (args.tree is None):
        msg = "--split and --tree go together: how it is split, and what its staves are called."
        raise TillerError(msg)
    if args.tree is not None and name_fault(args.tree):
        raise TillerError(name_fault(args.tree))
    if args.split is not None and not (args.wood or "").strip():
        msg = "Say which wood the staves are of: --wood WOOD."
        raise TillerError(msg)
    for name, value, low, high in (
        ("--width", args.width, 15, 200),
        ("--depth", args.depth, 8, 200),
        ("--bar", args.bar, 50, 200),
    ):
        if not low <= value <= high:
            msg = f"{name} is {value:g} mm: {low} to {high} mm makes sense."
            raise TillerError(msg)
    felled = day_of(args.felled, date.today()) if args.felled else None
    image = picture_of(Path(args.picture))
    size = (image.shape[1], image.shape[0])
    rig = Path(args.rig) if args.rig else data_folder() / "rig.toml"
    asked = Asked(
        pith_px=np.array(_point(args.pith, size)), edge_px=np.array([_point(t, size) for t in args.edge]), width_mm=args.width, depth_mm=args.depth,
        flaws=knots_of(args.flaw), bar_mm=args.bar,
    )  # fmt: skip
    lens = lens_of(rig if args.rig or rig.is_file() else None, image)
    if args.rig and lens is None:
        msg = f"the camera of {args.rig} takes pictures of another size than {size[0]}x{size[1]}: give the rig whose camera took this one, or leave --rig away."
        raise TillerError(msg)
    read = read_log(image, asked, lens)
    units = Units(args.units == "metric")
    for flaw in asked.flaws:
        print(f"Reckoned with: a {flaw.kind} at {np.rad2deg(flaw.angle_rad):.0f} degrees.")
    for line in log_end_words(read.shape, read.end, count_sd(read), args.width, read.ways, units):
        print(line)
    way = next((w for w in read.ways if w.count == args.split), read.ways[0])
    if args.split is not None:
        tree = Tree(name=args.tree, wood=args.wood, place=args.place, felled=felled)
        names = begin_staves(book_of(args), data_folder(), tree, read, way, datetime.now().replace(microsecond=0))
        print(f"Begun: {', '.join(names)}. The picture is kept in the shop's folder 'logs'.")
    if args.drawn:
        _, packed = cv2.imencode(".png", log_end_picture(image, read.end, way, (args.width, args.depth), read.flaws))
        write_whole(Path(args.drawn), packed.tobytes())
        print(f"Picture: {args.drawn}")
    return 0
