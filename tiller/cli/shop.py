"""``tiller`` by itself: the shop, in a window where there is a display, else in words; and what cameras and scales there are."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from tiller.cli.common import book_of, units_of


def add_commands(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds them to the parser's sub-commands."""
    shop = commands.add_parser(
        "shop",
        parents=[shown, booked],
        help="staves and bows with what is next for each, in words",
        description="Lists staves, bows in work and finished bows, each with its next step.",
    )
    shop.set_defaults(run=run_shop)
    sources = commands.add_parser(
        "sources",
        help="cameras and serial ports that are found",
        description="Lists cameras and serial ports that are found; none is opened.",
    )
    sources.set_defaults(run=run_sources)
    menu = commands.add_parser(
        "install-menu",
        help="an entry in the desktop's menu, with its icon (Linux)",
        description="Writes an entry into your own desktop's menu, from which the shop's window opens without a terminal.",
    )
    menu.add_argument("--remove", action="store_true", help="take it away again")
    menu.set_defaults(run=run_menu)


def run_shop(args: argparse.Namespace) -> int:
    """``tiller shop``."""
    from datetime import date

    from tiller.paths import data_folder
    from tiller.shop.overview import shop_items

    units = units_of(args)
    items = shop_items(data_folder(), book_of(args), date.today())
    if not items:
        print(
            "The shop is empty. 'tiller demo' shows everything without any hardware; 'tiller stave NAME' keeps a stave, 'tiller bow NAME' asks for what must be"
            " known of a bow; 'tiller targets' and 'tiller calibrate' make a rack measure."
        )
        return 0
    for item in items:
        about = ", ".join(part for part in (item.wood, item.figures, item.day) if part)
        print(f"{item.name}: {item.state}{f' ({units.words(about)})' if about else ''}")
        print(f"    next: {units.words(item.next_step)}.")
    return 0


def run_sources(args: argparse.Namespace) -> int:
    """``tiller sources``."""
    from tiller.sources.found import cameras_found, scales_found

    del args
    cameras, scales = cameras_found(), scales_found()
    for found in cameras:
        print(f"camera  --camera {found.where}  {found.name}")
    for found in scales:
        built_in = "" if found.plugged else "  built in: a scale's board is usually on USB"
        print(f"scale   --scale {found.where}  {found.name}{built_in}")
    if not cameras:
        print("No camera is found: is it plugged in? A phone's address ('--camera http://...') works as well.")
    if not scales:
        print("No serial port is found: is the scale's board plugged in, with a cable that carries data?")
    return 0


def run_menu(args: argparse.Namespace) -> int:
    """``tiller install-menu``."""
    import os

    from tiller.paths import data_folder
    from tiller.setup.menu import put_in_menu, take_from_menu

    if args.remove:
        print("The menu's entry was taken away." if take_from_menu() else "There was no entry in the menu.")
        return 0
    put = put_in_menu(str(data_folder()) if os.environ.get("TILLER_HOME") else None)
    print(
        f"{put.entry}\n{put.icon}\n'Tiller' is in the desktop's menu now; some desktops show it after the next login."
    )
    return 0


def run_window(args: argparse.Namespace) -> int:
    """``tiller`` alone: the shop's window, from which the rack's opens."""
    from tiller.cli.rack import why_no_window, window_size
    from tiller.paths import book_path, data_folder
    from tiller.setup.settings import read_settings
    from tiller.window.shop.app import ShopApp

    if why_no_window():
        code = run_shop(args)
        print("\n'tiller --help' lists all commands; with a display 'tiller' opens a window.", file=sys.stderr)
        return code
    app = ShopApp(data_folder(), book_path(), read_settings(), window_size() or (1600, 900))
    try:
        app.run()
    except KeyboardInterrupt:
        pass
    finally:
        app.close()
    return 0
