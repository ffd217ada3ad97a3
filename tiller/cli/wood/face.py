"""``tiller face``: pictures along a stave joined to one strip, true to scale."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length
from tiller.writable import add_outputs


def add_command(commands: Any, shown: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    face = commands.add_parser(
        "face",
        parents=[shown],
        help="pictures along a stave's face joined to one strip, true to scale",
        description="Lay the printed rack fiducials flat beside the stave in the plane of its face, all along it, and take six to twelve pictures from straight above, each with"
        " two sheets or more, one of them shared with the picture before it.",
    )
    face.add_argument("pictures", metavar="PICTURE", nargs="+", help="the pictures in their order, or a folder of them")
    face.add_argument("--strip", required=True, metavar="FILE", help="write the joined picture (PNG), 2 pixels to a mm")
    face.add_argument(
        "--bar",
        type=length,
        default=100.0,
        metavar="LENGTH",
        help="what the sheets' check bars measure (default: 100mm)",
    )
    face.add_argument(
        "--rig", metavar="FILE", help="whose camera took the pictures (default: the shop's, where the size is its own)"
    )
    add_outputs(face, "strip")
    face.set_defaults(run=run_face)


def run_face(args: argparse.Namespace) -> int:
    """``tiller face``."""
    import cv2

    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.paths import data_folder
    from tiller.report.style import Units
    from tiller.setup.wood.face import join_face

    if not 50 <= args.bar <= 200:
        msg = f"--bar is {args.bar:g} mm: 50 to 200 mm makes sense."
        raise TillerError(msg)
    rig = Path(args.rig) if args.rig else data_folder() / "rig.toml"
    joined = join_face([Path(p) for p in args.pictures], rig if args.rig or rig.is_file() else None, args.bar)
    _, packed = cv2.imencode(".png", joined.strip.image)
    write_whole(Path(args.strip), packed.tobytes())
    units = Units(args.units == "metric")
    wide, high = (joined.strip.image.shape[k] / joined.strip.px_per_mm for k in (1, 0))
    places = 1 if units.metric else 3
    print(
        f"{joined.pictures} pictures joined: {units.length(wide)} by {units.length(high)}, {joined.strip.px_per_mm:g} pixels to a mm; a place at one end against the other is sure to"
        f" {units.length(joined.joined.sd_mm, places)} (1 sd){'' if joined.joined.lens is not None else ', and to a millimetre or so more as the lens is not calibrated'}."
    )
    print(f"Strip: {args.strip}")
    return 0
