"""The arguments of the commands that make a rack measure: ``tiller calibrate scale|lens|board|check`` and ``tiller targets``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from tiller.cli.arguments import number, whole
from tiller.cli.calibrate.lens import run_lens
from tiller.cli.calibrate.rack import run_board
from tiller.cli.calibrate.scale import run_check, run_scale
from tiller.writable import add_outputs


def add_commands(commands: Any, shown: argparse.ArgumentParser) -> None:
    """Adds them to the parser's sub-commands."""
    _add_targets(commands)
    calibrate = commands.add_parser(
        "calibrate",
        help="load cell, lens and rack: how they measure, and how well",
        description="Calibrates load cell, lens and rack, and writes what it finds into rig.toml.",
    )
    kinds = calibrate.add_subparsers(dest="kind", metavar="WHAT", required=True)
    rig = argparse.ArgumentParser(add_help=False)
    rig.add_argument(
        "--rig", metavar="FILE", help="rig.toml to write into (default: the shop's); the old one is kept beside it"
    )
    rig.add_argument("--dry", action="store_true", help="show the result only, write nothing")

    plot = argparse.ArgumentParser(add_help=False)
    plot.add_argument("--plot", metavar="FILE", help="draw what is left over as PNG")
    add_outputs(plot, "plot")

    _add_scale(kinds, [shown, rig, plot])
    _add_check(kinds, [shown])
    _add_lens(kinds, [rig, plot])
    _add_board(kinds, [shown, rig])


def _add_targets(commands: Any) -> None:
    targets = commands.add_parser(
        "targets",
        help="sheets to print: lens board, fiducials, hook",
        description="Writes the sheets to print, true to scale, as PDF.",
    )
    targets.add_argument("folder", metavar="FOLDER", help="where to")
    targets.add_argument("--paper", choices=("a4", "letter"), default="a4")
    add_outputs(targets, "folder")
    targets.set_defaults(run=run_targets)


def _add_scale(kinds: Any, shared: list[argparse.ArgumentParser]) -> None:
    scale = kinds.add_parser("scale", parents=shared, help="the load cell, by known masses or a reference scale")
    scale.add_argument("--scale", metavar="PORT", help="serial port of the scale, or socket://host:port")
    scale.add_argument("--readings", metavar="FILE", help="readings from a CSV: series,way,mass_kg (or force_n),counts")
    scale.add_argument("--masses", metavar="KG,KG,...", help="masses that are hung, in kg")
    scale.add_argument("--forces", metavar="N,N,...", help="or loads by a reference scale, in N")
    scale.add_argument("--series", type=whole, default=3, help="times up and down (default: 3)")
    scale.add_argument("--latitude", type=number, metavar="DEG", help="for gravity: degrees, south negative")
    scale.add_argument("--height", type=number, default=0.0, metavar="M", help="above the sea")
    scale.add_argument("--gravity", type=number, metavar="M/S2", help="in place of latitude and height, if it is known")
    scale.add_argument(
        "--mass-sd",
        type=number,
        default=0.001,
        metavar="SHARE",
        help="how sure the masses are (1 sd; default 0.001: 0.1 %%)",
    )
    scale.add_argument(
        "--creep", type=number, default=0.0, metavar="MIN", help="hold the largest load for so many minutes at the end"
    )
    scale.add_argument("--cell", default="", metavar="TEXT", help="which cell it is")
    scale.set_defaults(run=run_scale)


def _add_check(kinds: Any, shared: list[argparse.ArgumentParser]) -> None:
    check = kinds.add_parser("check", parents=shared, help="zero and one mass again: has the load cell drifted?")
    check.add_argument("--scale", metavar="PORT", required=True)
    check.add_argument("--mass", type=number, metavar="KG", required=True)
    check.add_argument("--rig", metavar="FILE")
    check.add_argument("--latitude", type=number, metavar="DEG")
    check.add_argument("--height", type=number, default=0.0, metavar="M")
    check.add_argument("--gravity", type=number, metavar="M/S2")
    check.set_defaults(run=run_check)


def _add_lens(kinds: Any, shared: list[argparse.ArgumentParser]) -> None:
    lens = kinds.add_parser("lens", parents=shared, help="the camera's lens, by the printed lens board")
    lens.add_argument(
        "--camera", metavar="CAMERA", help="number, device or address: takes pictures by itself when the board is still"
    )
    lens.add_argument("--size", default="1920x1080", metavar="WxH", help="of the camera's picture (default: 1920x1080)")
    lens.add_argument("--pictures", metavar="FOLDER", help="pictures of the board in place of the camera")
    lens.add_argument("--wanted", type=whole, default=18, metavar="N", help="pictures to take (default: 18)")
    lens.add_argument(
        "--chessboard", metavar="AxB", help="a plain chessboard with so many inner corners in place of our board"
    )
    lens.add_argument("--square", type=number, metavar="MM", help="its squares")
    lens.add_argument(
        "--bar", type=number, metavar="MM", help="what the printed sheet's check bars measure; must be given"
    )
    lens.set_defaults(run=run_lens)


def _add_board(kinds: Any, shared: list[argparse.ArgumentParser]) -> None:
    board = kinds.add_parser(
        "board", parents=shared, help="the rack: fiducials, bow's plane, hook, from a few pictures and tapes"
    )
    board.add_argument("pictures", metavar="FOLDER", help="pictures from different places, with the lath in the cradle")
    board.add_argument(
        "--camera",
        metavar="CAMERA",
        help="number, device or address: takes the pictures by itself, into FOLDER, when the camera is held still at a new place",
    )
    board.add_argument("--wanted", type=whole, default=10, metavar="N", help="pictures to take (default: 10)")
    board.add_argument(
        "--tape",
        action="append",
        default=[],
        metavar="A-B:MM",
        help="distance of two fiducials' middles; may be given again",
    )
    board.add_argument(
        "--lath",
        type=number,
        default=1500.0,
        metavar="MM",
        help="distance of the lath's two fiducials, middle to middle",
    )
    board.add_argument(
        "--lath-up", type=number, default=40.0, metavar="MM", help="height of their middles over the lath's lower edge"
    )
    board.add_argument("--lath-thick", type=number, default=20.0, metavar="MM", help="the lath's thickness")
    board.add_argument(
        "--pivot",
        type=number,
        metavar="MM",
        help="how far right of the left fiducial the cradle's middle is (default: half way)",
    )
    board.add_argument(
        "--bar", type=number, metavar="MM", help="what the printed sheets' check bars measure; must be given"
    )
    board.add_argument(
        "--check", action="store_true", help="only measure the lath's length in each picture with rig.toml as it is"
    )
    board.set_defaults(run=run_board)


def run_targets(args: argparse.Namespace) -> int:
    """``tiller targets``."""
    from tiller.errors import FileFault
    from tiller.files import write_whole
    from tiller.report.sheets.targets import SHEETS, sheet_pdf

    folder = Path(args.folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in SHEETS:
            write_whole(folder / f"{name}-{args.paper}.pdf", sheet_pdf(name, args.paper))
    except OSError as err:
        msg = f"{folder} could not be written ({err.strerror}): choose another place."
        raise FileFault(msg) from err
    print(f"{len(SHEETS)} sheets in {folder}. Print at 100 %, then measure both check bars of each: 100 mm (3.94 in).")
    return 0
