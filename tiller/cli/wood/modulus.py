"""``tiller modulus``: the modulus of a stave before the first cut, by taps or by a load."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import length, number
from tiller.cli.common import book_of
from tiller.cli.stave import must_be_there, stave_file

LISTEN_S = 12.0


def add_command(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    modulus = commands.add_parser(
        "modulus",
        parents=[shown, booked],
        help="a stave's modulus, by taps that are heard or by a load",
        description="By taps: the piece lies on two soft supports (foam, a rolled cloth), each 22 % of its length from an end, belly or back up; tap its middle with a"
        " knuckle several times, two seconds apart, and record it. By a load: a lath on two supports, a known mass hung at its middle, and how far that bends it.",
    )
    modulus.add_argument("stave", metavar="NAME", help="the stave (its bow's name), or a stave.toml")
    modulus.add_argument("--sound", metavar="FILE", help="a recording of the taps: WAV, or what a phone records")
    modulus.add_argument("--listen", action="store_true", help=f"hear the taps by the microphone, for {LISTEN_S:g} s")
    modulus.add_argument(
        "--sizes", metavar="S:WxT,S:WxT,...", help="of the piece that is tapped, from one end (0) to the other"
    )
    modulus.add_argument("--mass", type=number, metavar="KG", help="of the piece that is tapped")
    modulus.add_argument(
        "--offcut", action="store_true", help="it is an offcut or a lath: flat, its back not the log's"
    )
    modulus.add_argument("--span", type=length, metavar="LENGTH", help="by a load: from support to support")
    modulus.add_argument("--width", type=length, metavar="LENGTH", help="by a load: of the lath")
    modulus.add_argument("--thickness", type=length, metavar="LENGTH", help="by a load: of the lath")
    modulus.add_argument("--load", type=number, metavar="KG", help="by a load: the mass that was hung at its middle")
    modulus.add_argument("--deflection", type=length, metavar="LENGTH", help="by a load: how far its middle went down")
    modulus.add_argument(
        "--moisture", type=number, metavar="PERCENT", help="of the piece now (default: the stave's, by its weigh-ins)"
    )
    modulus.add_argument("--dry-run", action="store_true", help="say what it is, and write nothing")
    modulus.set_defaults(run=run_modulus)


def run_modulus(args: argparse.Namespace) -> int:
    """``tiller modulus``."""
    from datetime import date, datetime

    import numpy as np

    from tiller.bow.stavefile import read_stave
    from tiller.errors import TillerError
    from tiller.mechanics.wood.season import season_of
    from tiller.report.style import Units
    from tiller.report.text.wood import modulus_words
    from tiller.setup.wood.modulus import UNKNOWN_MOIST, against_before, keep_modulus

    path = stave_file(args.stave)
    must_be_there(path, args.stave)
    stave = read_stave(path)
    moisture = args.moisture
    if moisture is None:
        season = season_of(stave, date.today())
        moisture = float(season.moisture) if np.isfinite(season.moisture) else None
    elif not 0 <= moisture <= 200:
        msg = f"--moisture is {moisture:g}: 0 to 200 per cent of the dry mass makes sense."
        raise TillerError(msg)
    taps = args.sound is not None or args.listen
    loads = any(v is not None for v in (args.span, args.load, args.deflection))
    if taps == loads:
        msg = "Give either a recording of taps (--sound FILE or --listen, with --sizes and --mass) or a load (--span, --width, --thickness, --load, --deflection)."
        raise TillerError(msg)
    found = _heard(args, stave, moisture) if taps else _loaded(args, stave, moisture)
    units = Units(args.units == "metric")
    if found.why_not:
        msg = f"The modulus cannot be told: {found.why_not}. Nothing was written."
        raise TillerError(msg)
    own = found.own
    print(modulus_words(stave, own.gpa, own.sd_gpa, own.moisture_percent, found.rung, units))
    for text in found.remarks:
        print(f"Note: {units.words(text)}")
    if not args.dry_run:
        before = against_before(stave, own)
        if before:
            print(f"Note: {before}")
        kept = keep_modulus(path, stave, found, book_of(args), datetime.now().replace(microsecond=0), args.sound or "")
        if not kept:
            print(f"{path} keeps the modulus that it has: {UNKNOWN_MOIST}")
        elif own.moisture_percent is None:
            print(f"It stands in {path}, but {UNKNOWN_MOIST}")
        else:
            print(f"It stands in {path}: layout, limits and the first pull go by it.")
    return 0


def _heard(args: argparse.Namespace, stave: Any, moisture: float | None) -> Any:
    """By taps.

    Raises:
        TillerError: a measure is missing or makes no sense.
    """
    from tiller.errors import TillerError
    from tiller.setup.wood.modulus import bar_of, by_taps, sizes_of
    from tiller.sources.sounds import listen, read_sound

    if args.sizes is None or args.mass is None:
        msg = "By taps the piece's --sizes and --mass are needed, such as --sizes 0:45x25,900:44x24,1800:43x25 --mass 1.42."
        raise TillerError(msg)
    bar = bar_of(stave, sizes_of(args.sizes, args.units == "metric"), args.mass, not args.offcut)
    if args.listen:
        print(f"Listening for {LISTEN_S:g} s: tap now, every two seconds ...", flush=True)
    sound = listen(LISTEN_S) if args.listen else read_sound(Path(args.sound))
    return by_taps(stave, bar, sound, moisture)


def _loaded(args: argparse.Namespace, stave: Any, moisture: float | None) -> Any:
    """By a load.

    Raises:
        TillerError: a measure is missing or makes no sense.
    """
    from tiller.errors import TillerError
    from tiller.setup.wood.modulus import Loaded, by_load

    given = {
        "--span": args.span,
        "--width": args.width,
        "--thickness": args.thickness,
        "--load": args.load,
        "--deflection": args.deflection,
    }
    missing = [name for name, value in given.items() if value is None]
    if missing:
        msg = f"By a load {', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing."
        raise TillerError(msg)
    if not (args.width > 0 and args.load > 0):
        msg = "--width and --load must be more than nothing."
        raise TillerError(msg)
    loaded = Loaded(
        span_mm=args.span, width_mm=args.width, thickness_mm=args.thickness, mass_kg=args.load, deflection_mm=args.deflection
    )  # fmt: skip
    return by_load(stave, loaded, moisture)
