"""``tiller ring``: where growth rings are cut on a stave's back, in a picture by grazing light."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.common import book_of
from tiller.cli.stave import must_be_there, stave_file
from tiller.writable import add_outputs


def add_command(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    ring = commands.add_parser(
        "ring",
        parents=[shown, booked],
        help="where growth rings are cut on a back, in a picture by grazing light",
        description="Darken the shop, lay one lamp at the stave's end or side so that its light only just strikes the back, and take the picture from straight above.",
    )
    ring.add_argument("picture", metavar="PICTURE")
    ring.add_argument("--drawn", required=True, metavar="FILE", help="draw lines and frames into the picture (PNG)")
    ring.add_argument("--stave", metavar="NAME", help="keep the numbers in the book under that stave")
    add_outputs(ring, "drawn")
    ring.set_defaults(run=run_ring)


def run_ring(args: argparse.Namespace) -> int:
    """``tiller ring``."""
    from datetime import datetime

    import cv2

    from tiller.files import write_whole
    from tiller.report.plots.wood import ring_picture
    from tiller.report.text.wood import ring_words
    from tiller.setup.wood.log import picture_of
    from tiller.setup.wood.ring import keep_ring
    from tiller.vision.stave.ringlines import ring_lines

    if args.stave is not None:
        must_be_there(stave_file(args.stave), args.stave)
    image = picture_of(Path(args.picture))
    seen = ring_lines(image)
    for line in ring_words(seen):
        print(line)
    if args.stave is not None:
        keep_ring(book_of(args), args.stave, seen, datetime.now().replace(microsecond=0), Path(args.picture).name)
    _, packed = cv2.imencode(".png", ring_picture(image, seen))
    write_whole(Path(args.drawn), packed.tobytes())
    print(f"Picture: {args.drawn}")
    return 0
