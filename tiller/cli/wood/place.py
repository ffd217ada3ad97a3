"""``tiller place``: where a bow lies in a crooked, knotty stave."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length
from tiller.cli.common import book_of
from tiller.cli.stave import must_be_there, stave_file
from tiller.writable import add_outputs


def add_command(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    place = commands.add_parser(
        "place",
        parents=[shown, booked],
        help="where the bow lies in a crooked, knotty stave",
        description="Stretch a line along the stave's face and measure from it: at some places both edges and the grain's line, and each knot. Places are along the line"
        " from its beginning; across, one side is positive. The limb at the line's beginning is the left one.",
    )
    place.add_argument("stave", metavar="NAME", help="the stave (its bow's name), or a stave.toml")
    place.add_argument(
        "--face",
        required=True,
        metavar="PLACE:LOW:HIGH[:GRAIN],...",
        help="both edges and the grain's line, such as 0:-32:30:0,600:-30:34:4,1800:-33:30:-6 (in the chosen units)",
    )
    place.add_argument(
        "--knot", action="append", default=[], metavar="PLACE:ACROSS:WIDE", help="a knot of the face, such as 640:12:9"
    )
    place.add_argument(
        "--length", type=length, required=True, metavar="LENGTH", help="of a limb, from the handle's middle to the nock"
    )
    place.add_argument(
        "--handle",
        type=length,
        default=50.0,
        metavar="LENGTH",
        help="stiff part from the handle's middle (default: 50mm)",
    )
    place.add_argument("--outline", choices=("straight", "parallel"), default="straight")
    place.add_argument(
        "--width", type=length, default=45.0, metavar="LENGTH", help="at the end of the fade (default: 45mm)"
    )
    place.add_argument("--tip", type=length, default=12.0, metavar="LENGTH", help="width at the nock (default: 12mm)")
    place.add_argument("--equal", action="store_true", help="both limbs keep their length")
    place.add_argument(
        "--own",
        metavar="PLACE:ACROSS[:FOLLOW]",
        help="your own place for the handle's middle, and what share of the grain's bends the bow follows (0 to 1), to be told beside",
    )
    place.add_argument(
        "--take",
        choices=("1", "2", "3", "own"),
        help="take that place over: its knots go into the stave's file, the book keeps it",
    )
    place.add_argument("--picture", metavar="FILE", help="draw the places as PNG")
    place.add_argument(
        "--template",
        metavar="FILE",
        help="write both limbs along the stave's own centre line, true to scale (PDF), of the place taken, else of the first",
    )
    place.add_argument("--paper", choices=("a4", "letter"), default="a4")
    add_outputs(place, "picture", "template")
    place.set_defaults(run=run_place)


def run_place(args: argparse.Namespace) -> int:
    """``tiller place``."""
    from datetime import datetime

    from tiller.bow.sides import Pair, Side
    from tiller.bow.stavefile import read_stave
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.report.plots.wood import place_plot
    from tiller.report.sheets.layout import placed_template
    from tiller.report.style import Units
    from tiller.report.text.wood import HEAT, HEAT_FROM_MM, place_words
    from tiller.setup.wood.place import centre_of, face_of, keep_place, lie, shape_of

    units = Units(args.units == "metric")
    path = stave_file(args.stave)
    must_be_there(path, args.stave)
    stave = read_stave(path)
    face = face_of(args.face, args.knot, units.metric)
    shape = shape_of(args.length, args.handle, args.width, args.tip, args.outline)
    lying = lie(face, shape, args.equal, _own(args))
    for line in place_words(lying.proposals, lying.own, units):
        print(line)
    if lying.why_not:
        print(f"No bow of that size fits: {units.words(lying.why_not)}.")
    offered = {
        **{str(k + 1): one for k, one in enumerate(lying.proposals)},
        **({"own": lying.own} if lying.own is not None else {}),
    }
    if args.take is not None and args.take not in offered:
        msg = f"there is no place '{args.take}' to take: {', '.join(offered) or 'none'} was found. Nothing was written."
        raise TillerError(msg)
    if not offered:
        return 0
    if args.take is not None and offered[args.take].over_mm > 0.05:
        msg = f"place '{args.take}' does not lie within the stave: it is not taken over. Nothing was written."
        raise TillerError(msg)
    if any(one.string_mm > HEAT_FROM_MM for one in offered.values()):
        print(HEAT)
    chosen = offered[args.take or next(iter(offered))]
    if args.picture:
        write_whole(Path(args.picture), place_plot(face, shape, list(offered.values()), list(offered), units))
        print(f"Picture: {args.picture}")
    if args.template:
        lengths = Pair(shape.low_length_mm - chosen.shift_mm, shape.high_length_mm + chosen.shift_mm)
        centres = Pair(centre_of(chosen, Side.LEFT), centre_of(chosen, Side.RIGHT))
        try:
            pages = placed_template(shape, centres, lengths, stave.name, args.paper)
        except ValueError as err:
            raise TillerError(f"{err}; no template was written.") from err
        write_whole(Path(args.template), pages)
        print(f"Template of both limbs, to print at 100 %: {args.template}")
    if args.take is not None:
        keep_place(path, stave, lying, chosen, book_of(args), datetime.now().replace(microsecond=0))
        print(f"Taken over: its knots stand in {path}.")
    return 0


def _own(args: argparse.Namespace) -> tuple[float, float, float] | None:
    """The bowyer's own place.

    Raises:
        TillerError: it is of another form.
    """
    from tiller.bow.units import MM_PER_INCH
    from tiller.errors import TillerError

    if args.own is None:
        return None
    scale = 1.0 if args.units == "metric" else MM_PER_INCH
    try:
        parts = [float(part) for part in args.own.split(":")]
        along, across, follow = parts[0], parts[1], parts[2] if len(parts) > 2 else 1.0
    except (ValueError, IndexError):
        follow, along, across = -1.0, 0.0, 0.0
    if not 0 <= follow <= 1:
        msg = f"--own is '{args.own}': PLACE:ACROSS or PLACE:ACROSS:FOLLOW is meant, FOLLOW from 0 to 1."
        raise TillerError(msg)
    return along * scale, across * scale, follow
