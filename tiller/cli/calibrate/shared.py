"""What the commands of a calibration share: the rig's file, a plot, the printed sheet's check bar."""

from __future__ import annotations

import argparse
from pathlib import Path


def rig_path(args: argparse.Namespace) -> Path:
    """The rig.toml that is meant: the one named, else the shop's."""
    from tiller.paths import data_folder

    return Path(args.rig) if args.rig else data_folder() / "rig.toml"


def draw(name: str, data: bytes) -> None:
    """Writes a plot and says where."""
    from tiller.files import write_whole

    write_whole(Path(name), data)
    print(f"Picture: {name}")


def check_bar(bar: float | None) -> None:
    """Refuses a check bar that was not measured, or that no print has.

    Raises:
        TillerError: it is not given, or too far off.
    """
    from tiller.errors import TillerError
    from tiller.setup.guided.keep import bar_fault

    if bar is None:
        msg = "measure the check bars of the printed sheet and give what they measure: --bar 100 (mm)."
        raise TillerError(msg)
    if bar_fault(bar):
        raise TillerError(bar_fault(bar))
