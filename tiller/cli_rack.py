"""The commands at the rack: ``tiller rack`` and ``tiller bow``."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any


def add_commands(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds both to the parser's sub-commands."""
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
    rack.add_argument("--no-camera", action="store_true", help="work by weight alone: nothing is said of the bend")
    rack.add_argument("--scale", metavar="PORT", help="serial port of the scale, or socket://host:port")
    rack.add_argument("--replay", metavar="RECORDING", help="play a recording again in place of camera and scale")
    rack.add_argument("--speed", metavar="N", type=float, default=1.0, help="with --replay: times as fast (default: 1)")
    rack.add_argument(
        "--software", action="store_true", help="a rack in software with a bow of its own, for trying out"
    )
    rack.add_argument(
        "--keep", choices=("all", "holds", "none"), default="holds", help="pictures kept of a pull (default: holds)"
    )
    rack.add_argument("--pulls", metavar="FOLDER", help="where pulls are kept (default: in the user's data folder)")
    rack.add_argument("--headless", action="store_true", help="no window: a status line on the terminal")
    rack.add_argument("--json-lines", action="store_true", help="no window: what happens as JSON, a line each")
    rack.add_argument("--for", dest="for_s", metavar="S", type=float, help="end after so many seconds")
    rack.set_defaults(run=run_rack)
    bow = commands.add_parser(
        "bow",
        parents=[shown],
        help="a new bow by a short form",
        description="Asks for what must be known of a new bow and writes its file.",
    )
    bow.add_argument("name", metavar="NAME", help="the bow's name")
    bow.set_defaults(run=run_bow)


def why_no_window() -> str:
    """Empty where a window can be opened, else why not."""
    if sys.platform in ("win32", "darwin"):
        return ""
    if not os.environ.get("DISPLAY"):
        return "" if os.environ.get("WAYLAND_DISPLAY") else "there is no display"
    import ctypes
    import ctypes.util

    name = os.environ.get("DISPLAY", "")
    found = ctypes.util.find_library("X11") or "libX11.so.6"
    try:
        library = ctypes.CDLL(found)
    except OSError:
        return "the display's library (libX11) is not installed"
    library.XOpenDisplay.restype = ctypes.c_void_p
    display = library.XOpenDisplay(None)
    if not display:
        return f"the display '{name}' cannot be opened"
    library.XCloseDisplay(ctypes.c_void_p(display))
    return ""


def run_rack(args: argparse.Namespace) -> int:
    """``tiller rack``."""
    from tiller.errors import TillerError
    from tiller.rack.keep import book_path
    from tiller.rack.session import Wanted, session
    from tiller.report.style import Units

    if not 0.1 <= args.speed <= 50:
        msg = f"--speed is {args.speed:g}: it must be from 0.1 to 50."
        raise TillerError(msg)
    plain = not (args.replay or args.software)
    wanted = Wanted(
        args.bow,
        Path(args.rig) if args.rig else None,
        None if args.no_camera else (args.camera or ("0" if plain else None)),
        args.scale,
        Path(args.replay) if args.replay else None,
        args.software,
        args.keep,
        Path(args.pulls) if args.pulls else None,
        Path(args.book) if args.book else book_path(),
        args.speed,
    )
    units = Units(args.units == "metric")
    with session(wanted) as rack:
        why = "" if args.headless or args.json_lines else why_no_window()
        if args.headless or args.json_lines or why:
            from tiller.rack.headless import run

            if why:
                print(f"tiller: {why}: the rack runs without a window.", file=sys.stderr)
            return run(rack, units, args.json_lines, for_s=args.for_s)
        from tiller.window.app import show

        return show(rack, units, wanted.book, for_s=args.for_s)


def run_bow(args: argparse.Namespace) -> int:
    """``tiller bow``."""
    from tiller.errors import TillerError
    from tiller.rack.newbow import bow_text, form, write_bow
    from tiller.rack.session import bow_file

    metric = args.units == "metric"
    path = bow_file(args.name)
    if path.exists():
        print(f"tiller: {path} is there already: edit it, or choose another name.", file=sys.stderr)
        return 2
    answers: dict[str, str | float] = {}
    for field in form():
        unit = {"mm": " [mm]" if metric else " [in]", "n": " [N]" if metric else " [lb]"}.get(field.kind, "")
        usual = f" (Enter: {field.usual})" if field.usual and (metric or field.kind == "text") else ""
        while field.key not in answers:
            print(f"{field.question}{unit}{usual}: ", end="", flush=True)
            line = sys.stdin.readline()
            if not line:
                print("\ntiller: the form was not filled in; nothing was written.", file=sys.stderr)
                return 2
            try:
                answers[field.key] = field.read(line, metric)
            except TillerError as err:
                print(err)
    text, bow = bow_text(args.name, answers)
    write_bow(path, text)
    print(f"{path} written: {bow.name}. At the rack: tiller rack {bow.name} --scale PORT")
    return 0
