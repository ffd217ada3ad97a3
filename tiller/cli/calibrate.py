"""The commands that make a rack measure: ``tiller calibrate scale|lens|board|check`` and ``tiller targets``."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import number, whole
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from tiller.bow.rigfile import Lens, Rig
    from tiller.force.calibrate import Load
    from tiller.vision.rig.board import Key

STANDARD_GRAVITY = 9.80665
"""m/s2, the conventional value (CGPM 1901)."""
CHECK_MM = 1.5
"""A lath that measures further off tells of a rack that is not measured well (common practice, no source)."""


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
    rig.add_argument("--dry", action="store_true", help="only say it, write nothing")

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
        "--bar", type=number, metavar="MM", help="what the printed sheet's check bars measure; must be told"
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
        "--bar", type=number, metavar="MM", help="what the printed sheets' check bars measure; must be told"
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


def _rig_path(args: argparse.Namespace) -> Path:
    from tiller.paths import data_folder

    return Path(args.rig) if args.rig else data_folder() / "rig.toml"


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
        msg = f"{clash[0]} does nothing beside --readings: leave it out."
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
    print(f"What is read is noted in {noted}: --readings takes it again, with a row mended or left out.")
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
                    told = settled(scale)
                    break
                except TillerError as err:
                    print(err)
                    _ask("Enter to read it again:")
            firmware = f"{told.hello.name} {told.hello.version}" if told.hello else firmware
            print(f"  {told.counts:.0f} ± {told.sd:.0f} counts")
            loads.append(Load(series, rising, force, told.counts, told.sd))
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
    from tiller.setup.rig_writer import cell_table, put

    units = Units(args.units == "metric")
    if not 0 <= args.mass_sd <= 0.05:
        msg = f"--mass-sd is {args.mass_sd:g}: it is a share from 0 to 0.05 (0.0005 is 0.05 %)."
        raise TillerError(msg)
    if bool(args.readings) == bool(args.scale):
        msg = "give --scale PORT and hang masses as you are told, or --readings FILE with what was read."
        raise TillerError(msg)
    if args.creep and not 1.5 <= args.creep <= 60:
        msg = f"--creep is {args.creep:g}: 1.5 to 60 minutes."
        raise TillerError(msg)
    hung = _from_readings(args) if args.readings else _hung(args)
    found = calibrate(hung.loads, args.mass_sd, hung.creep)
    print(scale_words(found, units))
    if not args.dry:
        path = _rig_path(args)
        put(path, cell_table(found, date.today().isoformat(), args.cell, hung.firmware, hung.gravity))
        print(f"[load_cell] written into {path}.")
    if args.plot:
        _draw(args.plot, scale_plot(found, units))
    return 0


def _draw(name: str, data: bytes) -> None:
    from tiller.files import write_whole

    write_whole(Path(name), data)
    print(f"Picture: {name}")


def run_check(args: argparse.Namespace) -> int:
    """``tiller calibrate check``."""
    import numpy as np

    from tiller.bow.rigfile import read_cell
    from tiller.errors import TillerError
    from tiller.force.calibrate import drifted, weight_n
    from tiller.report.style import Units
    from tiller.setup.capture import settled
    from tiller.sources.scales import SerialScale

    units = Units(args.units == "metric")
    if not 0.1 <= args.mass <= 200:
        msg = f"--mass is {args.mass:g} kg: from 0.1 to 200 makes sense."
        raise TillerError(msg)
    cell = read_cell(_rig_path(args))
    told = args.gravity is not None or args.latitude is not None
    force = weight_n(args.mass, _gravity(args) if told else cell.gravity)
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
    shift, off, sds = drifted(cell, zero.counts, force, read)
    print(
        f"zero {shift:+.1f} N off the calibration's; {units.force(force)} reads {units.force(read)}: {100 * off:+.2f} % off."
    )
    most = min(cell.largest_n, 1000.0)
    if off < -0.5:
        print("The load reads the wrong way: the signal wires are exchanged, or the cell hangs upside down.")
        return 2
    if abs(shift) > 0.05 * most + 5.0:
        print(
            "The zero is far from the calibration's: the cell was overloaded, or hangs otherwise; calibrate it anew before the next pull."
        )
        return 2
    if abs(off) > 0.003 and abs(sds) > 3:
        print("The load cell has drifted: calibrate it anew before the next pull.")
        return 2
    print("The load cell is as it was calibrated, within what can be told.")
    return 0


def run_lens(args: argparse.Namespace) -> int:
    """``tiller calibrate lens``."""
    from tiller.errors import TillerError
    from tiller.report.plots.calibration import lens_plot
    from tiller.report.sheets.targets import lens_board_points
    from tiller.report.text.calibration import lens_words
    from tiller.setup.capture import capture_lens, pictures_in
    from tiller.setup.rig_writer import lens_table, put
    from tiller.sources.cameras import camera_of
    from tiller.vision.rig.lens import (
        BLUR_SHARE,
        SeenCorners,
        calibrate_lens,
        see_chessboard,
        see_lens_board,
        worth_taking,
    )

    if bool(args.camera) == bool(args.pictures):
        msg = "give --camera (it takes pictures by itself when the board is held still) or --pictures FOLDER."
        raise TillerError(msg)
    if not args.chessboard:
        _check_bar(args.bar)
    if not 8 <= args.wanted <= 200:
        msg = f"--wanted is {args.wanted}: 8 to 200 pictures."
        raise TillerError(msg)
    board, _ = lens_board_points()
    if args.pictures:
        images = pictures_in(Path(args.pictures))
        size = (images[0][1].shape[1], images[0][1].shape[0])
        if args.chessboard:
            inner = _pair(args.chessboard, "--chessboard")
            if not args.square or args.square <= 0:
                msg = "--chessboard needs --square: the side of its squares in mm."
                raise TillerError(msg)
            seen = [see_chessboard(image, inner, args.square) for _, image in images]
        else:
            seen = [see_lens_board(image, board) for _, image in images]
        if not any(v is not None for v in seen) and any(see_lens_board(i[:, ::-1].copy(), board) for _, i in images):
            msg = (
                "the pictures are mirrored: switch the mirror picture off in the camera's settings and take them again."
            )
            raise TillerError(msg)
        views: list[SeenCorners] = []
        sharpest = max((v.sharpness for v in seen if v is not None), default=0.0)
        for (name, _), view in zip(images, seen, strict=True):
            if view is None:
                why = "no board in view (glare on it? another board?)"
            elif view.sharpness < BLUR_SHARE * sharpest:
                why = "blurred"
            else:
                why = worth_taking(view, views, size[0])
            if why or view is None:
                print(f"{name}: not used: {why}")
            else:
                views.append(view)
    else:
        size = _pair(args.size, "--size")
        print(
            "Hold the lens board before the camera, tilted this way and that, near and far, into every corner; hold it still for a moment each time."
        )
        views = capture_lens(
            camera_of(args.camera, size), board, size, args.wanted, lambda text: print(text, flush=True)
        )
    found = calibrate_lens(views, size)
    print(lens_words(found))
    if found.sd[0] > 0.03 * found.lens.matrix[0, 0] or found.rms_px > 3.0:
        msg = "that is no lens to measure with: nothing was written; take more pictures, tilted and all over the picture, with the board flat."
        raise TillerError(msg)
    if not args.dry:
        path = _rig_path(args)
        put(path, lens_table(found.lens))
        print(
            f"[camera] written into {path}: it holds for this camera at {size[0]}x{size[1]} with this focus and zoom only."
        )
    if args.plot:
        _draw(args.plot, lens_plot(found))
    return 0


def _check_bar(bar: float | None) -> None:
    from tiller.errors import TillerError

    if bar is None:
        msg = "measure the check bars of the printed sheet and say what they measure: --bar 100 (mm)."
        raise TillerError(msg)
    if not 99.0 <= bar <= 101.0:
        msg = f"the check bar measures {bar:g} mm where it must be 100: the sheet was printed at another scale; print it at 100 % ('actual size')."
        raise TillerError(msg)


def _pair(text: str, name: str) -> tuple[int, int]:
    from tiller.errors import TillerError

    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() and int(p) > 1 for p in parts):
        msg = f"{name} is '{text}': two whole numbers with an x between are expected."
        raise TillerError(msg)
    return int(parts[0]), int(parts[1])


def run_board(args: argparse.Namespace) -> int:
    """``tiller calibrate board``."""
    from tiller.bow.rigfile import read_lens, read_rig
    from tiller.errors import FileFault, TillerError
    from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY, SEAT, STICK
    from tiller.report.style import Units
    from tiller.report.text.calibration import board_words
    from tiller.setup.capture import pictures_in, see_all
    from tiller.setup.rig_writer import board_tables, put
    from tiller.vision.rig.rackfit import Known, Lath, find_rack

    path = _rig_path(args)
    if not args.check:
        _check_bar(args.bar)
        if len(args.tape) < 2:
            msg = "give at least two taped distances between middles of the board's fiducials, such as --tape 0-2:1391.5 --tape 3-4:1270: printed sides alone set no scale."
            raise TillerError(msg)
    if not 300 <= args.lath <= 4000:
        msg = f"--lath is {args.lath:g} mm: 300 to 4000 makes sense."
        raise TillerError(msg)
    try:
        lens = read_lens(path)
    except FileFault as err:
        msg = f"the lens comes first ('tiller calibrate lens'): {err}"
        raise TillerError(msg) from err
    if args.camera:
        for text in args.tape:  # a slip in them is said before the camera is carried round
            _tape(text, lambda number: (RACK_DICTIONARY, number))
        _take_rack(args, lens)
    images = pictures_in(Path(args.pictures))
    size = (images[0][1].shape[1], images[0][1].shape[0])
    if size != lens.image_size:
        msg = f"the pictures have {size[0]}x{size[1]} pixels, the lens in {path} was calibrated at {lens.image_size[0]}x{lens.image_size[1]}: take them at that size, or calibrate the lens at this one."
        raise TillerError(msg)

    def key(number: int) -> tuple[str, int]:
        return (RACK_DICTIONARY, number)

    ends = (key(STICK[0].marker), key(STICK[1].marker))
    keys = [key(s.marker) for s in (*RACK, *HOOK, *SEAT, *STICK)]
    if args.check:
        return _checked(args, read_rig(path), images, ends)
    pictures = see_all(images, keys, lambda text: print(text, flush=True))
    share = args.bar / 100.0 if args.bar else 1.0
    lath = Lath(
        *ends,
        STICK[0].side_mm * share,
        args.lath,
        args.lath_up,
        args.lath_thick,
        middle_mm=float("nan") if args.pivot is None else args.pivot,
    )
    present = {key(s.marker): s.side_mm * share for s in RACK if any(key(s.marker) in p for p in pictures)}
    known = Known(
        present,
        lath,
        (key(HOOK[0].marker), HOOK[0].side_mm * share),
        (key(SEAT[0].marker), SEAT[0].side_mm * share),
        [_tape(text, key) for text in args.tape],
    )
    found = find_rack(pictures, lens, known)
    print(board_words(found, Units(args.units == "metric")))
    if not 5.0 <= found.bow_plane_z_mm <= 500.0 or any(abs(o) > 8.0 for o in found.tape_off_mm):
        msg = "tapes, lath and pictures contradict each other: nothing was written; measure again what the notes name."
        raise TillerError(msg)
    if not args.dry:
        put(path, board_tables(found))
        print(f"fiducials, bow's plane{' and hook' if found.hook else ''} written into {path}.")
    return 0


def _checked(
    args: argparse.Namespace, rig: Rig, images: Sequence[tuple[str, NDArray[np.uint8]]], ends: tuple[Key, Key]
) -> int:
    """The lath's length in each picture by the rack as it is; 0 where it is right, 2 where it is not or was not seen."""
    from tiller.setup.capture import see_all
    from tiller.vision.rig.board import board_pose
    from tiller.vision.rig.rackfit import stick_length

    keys = sorted({(f.dictionary, f.id) for f in rig.fiducials} | set(ends))
    off: list[float] = []
    for (name, _), marks in zip(images, see_all(images, keys, lambda _: None), strict=True):
        if not all(e in marks for e in ends):
            print(f"{name}: the lath's fiducials are not both in view")
            continue
        seen = board_pose({k: v for k, v in marks.items() if k not in ends}, rig)
        # its fiducials are on its front, half its thickness before the bow's plane
        plane = rig.bow_plane_z_mm + 0.5 * args.lath_thick
        length = stick_length((marks[ends[0]], marks[ends[1]]), seen.view, plane)
        off.append(length - args.lath)
        print(f"{name}: the lath of {args.lath:.1f} mm measures {length:.1f} mm: {off[-1]:+.1f} mm")
    if not off:
        print("No picture shows both ends of the lath: nothing was checked.")
        return 2
    if max(map(abs, off)) > CHECK_MM:
        print(
            f"More than {CHECK_MM:g} mm off: measure lath and tapes again, then calibrate the rack anew; or was the camera's focus changed?"
        )
        return 2
    print("Good: the rack measures.")
    return 0


def _take_rack(args: argparse.Namespace, lens: Lens) -> None:
    """Takes the rack's pictures by the camera, at the size of the lens.

    Raises:
        TillerError: see ``capture_rack``; or none was taken.
    """
    from tiller.errors import TillerError
    from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY, SEAT, STICK
    from tiller.setup.capture import capture_rack
    from tiller.sources.cameras import camera_of

    if not 3 <= args.wanted <= 100:
        msg = f"--wanted is {args.wanted}: 3 to 100 pictures."
        raise TillerError(msg)
    print(
        "Lay the lath into the cradle. Carry the camera to the left, the right, above, below and where it will stand; hold it still for a moment each"
        " time, the whole rack in view. Focus and zoom stay as they were for the lens.",
        flush=True,
    )
    keys = [(RACK_DICTIONARY, s.marker) for s in (*RACK, *HOOK, *SEAT, *STICK)]
    taken = capture_rack(
        camera_of(args.camera, lens.image_size),
        keys,
        Path(args.pictures),
        lens,
        args.wanted,
        lambda text: print(text, flush=True),
    )
    if taken < args.wanted:
        print(f"{taken} of {args.wanted} pictures were taken.", flush=True)


def _tape(text: str, key: Any) -> tuple[Any, Any, float]:
    from tiller.errors import TillerError

    try:
        pair, distance = text.split(":")
        a, b = (int(n) for n in pair.split("-"))
        value = float(distance)
        if a == b or not 10 < value < 20_000:
            raise ValueError
    except ValueError:
        msg = f"--tape is '{text}': two fiducials' numbers and the distance of their middles in mm, such as 0-3:1450.5, are expected."
        raise TillerError(msg) from None
    return key(a), key(b), value
