"""``tiller calibrate scale`` and ``tiller calibrate check``: the load cell."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tiller.bow.units import STANDARD_GRAVITY
from tiller.cli.calibrate.shared import draw, rig_path

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tiller.force.calibrate import Load


def _gravity(args: argparse.Namespace) -> float:
    import math

    from tiller.errors import TillerError
    from tiller.force.calibrate import normal_gravity

    if args.gravity is not None:
        if not 9.7 < args.gravity < 9.9:
            msg = f"--gravity is {args.gravity:g}: on this planet it is 9.76 to 9.84 m/s2."
            raise TillerError(msg)
        return float(args.gravity)
    if args.latitude is None:
        msg = "masses pull differently from place to place: give --latitude (degrees) and --height (m), or --gravity."
        raise TillerError(msg)
    if not (-90 <= args.latitude <= 90 and -500 <= args.height <= 9000):
        msg = f"--latitude {args.latitude:g} and --height {args.height:g} are on no mountain: degrees from -90 to 90, metres from -500 to 9000."
        raise TillerError(msg)
    return normal_gravity(math.radians(args.latitude), args.height)


def _numbers(text: str, name: str) -> list[float]:
    from tiller.errors import TillerError

    try:
        values = [float(part) for part in text.replace(";", ",").split(",") if part.strip()]
    except ValueError:
        values = []
    if not values or min(values) <= 0 or len(set(values)) < len(values):
        msg = f"{name} is '{text}': numbers above 0 with commas between are expected, each once."
        raise TillerError(msg)
    return values


def _ask(text: str) -> None:
    from tiller.errors import TillerError

    print(text, end=" ", flush=True)
    if not sys.stdin.readline():
        msg = "the calibration was not finished; nothing was written."
        raise TillerError(msg)


@dataclass(frozen=True)
class _Hung:
    """What was hung on the scale and read, the gravity that weights were taken at, and the scale's firmware."""

    loads: tuple[Load, ...]
    gravity: float
    firmware: str = ""
    creep: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None


def _from_readings(args: argparse.Namespace) -> _Hung:
    """What a file says was read before.

    Raises:
        TillerError: the file or an option beside it makes no sense.
    """
    from tiller.errors import TillerError
    from tiller.force.calibrate import weight_n
    from tiller.setup.capture import has_forces, read_loads

    clash = [n for n, v in (("--masses", args.masses), ("--forces", args.forces), ("--creep", args.creep)) if v]
    if clash:
        msg = f"{clash[0]} has no effect with --readings: leave it out."
        raise TillerError(msg)
    gravity = (args.gravity or STANDARD_GRAVITY) if has_forces(Path(args.readings)) else _gravity(args)
    return _Hung(read_loads(Path(args.readings), lambda kg: weight_n(kg, gravity)), gravity)


def _levels(args: argparse.Namespace, gravity: float) -> dict[float, str]:
    """The loads to hang, N, and how each is called.

    Raises:
        TillerError: they or the series make no sense.
    """
    import math

    from tiller.errors import TillerError
    from tiller.force.calibrate import weight_n

    if args.forces:
        levels = {f: f"{f:g} N" for f in _numbers(args.forces, "--forces")}
    else:
        levels = {weight_n(kg, gravity): f"{kg:g} kg" for kg in _numbers(args.masses, "--masses")}
    if len(levels) < 5 or max(levels) > 5000 or not all(map(math.isfinite, levels)):
        msg = f"{len(levels)} loads up to {max(levels):.0f} N are asked for: at least five, in kg (or N with --forces), up to the largest pull."
        raise TillerError(msg)
    if not 1 <= args.series <= 10:
        msg = f"--series is {args.series}: it must be from 1 to 10."
        raise TillerError(msg)
    return levels


def _hung(args: argparse.Namespace) -> _Hung:
    """Asks for each load and reads it.

    Raises:
        TillerError: an option makes no sense, or the scale cannot be read.
    """
    from datetime import datetime

    from tiller.errors import TillerError
    from tiller.force.calibrate import Load
    from tiller.paths import data_folder
    from tiller.setup.capture import keep_load, listen, settled, steps_of
    from tiller.sources.scales import SerialScale

    if bool(args.masses) == bool(args.forces):
        msg = "give --masses in kg, or --forces in N by a reference scale."
        raise TillerError(msg)
    gravity = (args.gravity or STANDARD_GRAVITY) if args.forces else _gravity(args)
    levels = _levels(args, gravity)
    scale = SerialScale(args.scale)
    scale.open()
    noted = data_folder() / "calibration" / f"scale-{datetime.now():%Y%m%d-%H%M%S}.csv"
    print(f"What is read is noted in {noted}: --readings takes it again, with a row corrected or left out.")
    firmware, creep = "", None
    loads: list[Load] = []
    try:
        scale.write("hello\n")
        print("Hang each load, let it hang still, then press Enter. Stand clear of what hangs; pad the floor.")
        for series, rising, force in steps_of(list(levels), args.series):
            what = levels.get(force, "nothing")
            _ask(f"series {series} of {args.series}, {'up' if rising else 'down'}: hang {what}, Enter:")
            while True:
                try:
                    reading = settled(scale)
                    break
                except TillerError as err:
                    print(err)
                    _ask("Enter to read it again:")
            firmware = f"{reading.hello.name} {reading.hello.version}" if reading.hello else firmware
            print(f"  {reading.counts:.0f} ± {reading.sd:.0f} counts")
            loads.append(Load(series, rising, force, reading.counts, reading.sd))
            keep_load(noted, loads[-1])
        if args.creep > 0:
            _ask(f"creep: hang {levels[max(levels)]}, Enter; it is read for {args.creep:g} minutes:")
            t, counts, _ = listen(scale, 60.0 * args.creep)
            creep = (t, counts)
    finally:
        scale.close()
    return _Hung(tuple(loads), gravity, firmware, creep)


def run_scale(args: argparse.Namespace) -> int:
    """``tiller calibrate scale``."""
    from datetime import date

    from tiller.errors import TillerError
    from tiller.force.calibrate import calibrate
    from tiller.report.plots.calibration import scale_plot
    from tiller.report.style import Units
    from tiller.report.text.calibration import scale_words
    from tiller.setup.rig_writer import CellNoted, put_cell

    units = Units(args.units == "metric")
    if not 0 <= args.mass_sd <= 0.05:
        msg = f"--mass-sd is {args.mass_sd:g}: it is a share from 0 to 0.05 (0.0005 is 0.05 %)."
        raise TillerError(msg)
    if bool(args.readings) == bool(args.scale):
        msg = "give --scale PORT and hang masses as you are asked to, or --readings FILE with what was read."
        raise TillerError(msg)
    if args.creep and not 1.5 <= args.creep <= 60:
        msg = f"--creep is {args.creep:g}: 1.5 to 60 minutes."
        raise TillerError(msg)
    hung = _from_readings(args) if args.readings else _hung(args)
    found = calibrate(hung.loads, args.mass_sd, hung.creep)
    print(scale_words(found, units))
    if not args.dry:
        path = rig_path(args)
        put_cell(path, found, CellNoted(date.today().isoformat(), args.cell, hung.firmware, hung.gravity))
        print(f"[load_cell] written into {path}.")
    if args.plot:
        draw(args.plot, scale_plot(found, units))
    return 0


def run_check(args: argparse.Namespace) -> int:
    """``tiller calibrate check``."""
    import numpy as np

    from tiller.bow.rigfile import read_cell
    from tiller.errors import TillerError
    from tiller.force.calibrate import weight_n
    from tiller.report.style import Units
    from tiller.setup.capture import settled
    from tiller.setup.guided.keep import check_cell
    from tiller.sources.scales import SerialScale

    units = Units(args.units == "metric")
    if not 0.1 <= args.mass <= 200:
        msg = f"--mass is {args.mass:g} kg: from 0.1 to 200 makes sense."
        raise TillerError(msg)
    cell = read_cell(rig_path(args))
    given = args.gravity is not None or args.latitude is not None
    force = weight_n(args.mass, _gravity(args) if given else cell.gravity)
    scale = SerialScale(args.scale)
    scale.open()
    try:
        _ask("hang nothing, Enter:")
        zero = settled(scale)
        _ask(f"hang {args.mass:g} kg, Enter:")
        loaded = settled(scale)
    finally:
        scale.close()
    read = float(cell.newtons(np.array(loaded.counts - zero.counts)))
    found = check_cell(cell, zero.counts, force, read)
    print(units.words(found.words))
    return 0 if found.good else 2
