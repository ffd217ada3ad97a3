"""``tiller calibrate board``: the rack, from pictures, tapes and a lath."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.calibrate.shared import check_bar, rig_path

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tiller.bow.rigfile import Lens, Rig


def run_board(args: argparse.Namespace) -> int:
    """``tiller calibrate board``."""
    from datetime import date

    from tiller.bow.rigfile import read_lens, read_rig
    from tiller.errors import FileFault, TillerError
    from tiller.report.sheets.targets import RACK_DICTIONARY
    from tiller.report.style import Units
    from tiller.report.text.calibration import board_words
    from tiller.setup.capture import pictures_in, see_all
    from tiller.setup.guided.keep import KEYS, LathMeasures, known_rack, rack_fault
    from tiller.setup.rig_writer import put_rack
    from tiller.vision.rig.rackfit import find_rack

    path = rig_path(args)
    if not args.check:
        check_bar(args.bar)
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
        for text in args.tape:  # a slip in them is reported before the camera is carried round
            _tape(text, lambda number: (RACK_DICTIONARY, number))
        _take_rack(args, lens)
    images = pictures_in(Path(args.pictures))
    size = (images[0][1].shape[1], images[0][1].shape[0])
    if size != lens.image_size:
        msg = f"the pictures have {size[0]}x{size[1]} pixels, the lens in {path} was calibrated at {lens.image_size[0]}x{lens.image_size[1]}: take them at that size, or calibrate the lens at this one."
        raise TillerError(msg)

    def key(number: int) -> tuple[str, int]:
        return (RACK_DICTIONARY, number)

    if args.check:
        return _checked(args, read_rig(path), images)
    pictures = see_all(images, KEYS, lambda text: print(text, flush=True))
    lath = LathMeasures(
        apart_mm=args.lath,
        up_mm=args.lath_up,
        thick_mm=args.lath_thick,
        middle_mm=float("nan") if args.pivot is None else args.pivot,
    )
    known = known_rack(pictures, args.bar or 100.0, lath, [_tape(text, key) for text in args.tape])
    found = find_rack(pictures, lens, known)
    print(board_words(found, Units(args.units == "metric")))
    if rack_fault(found):
        raise TillerError(rack_fault(found))
    if not args.dry:
        put_rack(path, found, date.today().isoformat(), float(lens.matrix[0, 0]))
        print(f"fiducials, bow's plane{' and hook' if found.hook else ''} written into {path}.")
    return 0


def _checked(args: argparse.Namespace, rig: Rig, images: Sequence[tuple[str, NDArray[np.uint8]]]) -> int:
    """The lath's length in each picture by the rack as it is; 0 where it is right, 2 where it is not or was not seen."""
    from tiller.setup.capture import see_all
    from tiller.setup.guided.keep import LATH_OFF_MM, lath_seen_mm, rig_keys

    off: list[float] = []
    for (name, _), marks in zip(images, see_all(images, rig_keys(rig), lambda _: None), strict=True):
        length = lath_seen_mm(marks, rig, args.lath_thick)
        if length != length:
            print(f"{name}: the lath's fiducials are not both in view")
            continue
        off.append(length - args.lath)
        print(f"{name}: the lath of {args.lath:.1f} mm measures {length:.1f} mm: {off[-1]:+.1f} mm")
    if not off:
        print("No picture shows both ends of the lath: nothing was checked.")
        return 2
    if max(map(abs, off)) > LATH_OFF_MM:
        print(
            f"More than {LATH_OFF_MM:g} mm off: measure lath and tapes again, then calibrate the rack anew; or was the camera's focus changed?"
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
    from tiller.setup.capture import capture_rack
    from tiller.setup.guided.keep import KEYS
    from tiller.sources.cameras import camera_of

    if not 3 <= args.wanted <= 100:
        msg = f"--wanted is {args.wanted}: 3 to 100 pictures."
        raise TillerError(msg)
    print(
        "Lay the lath into the cradle. Carry the camera to the left, the right, above, below and where it will stand; hold it still for a moment each"
        " time, the whole rack in view. Focus and zoom stay as they were for the lens.",
        flush=True,
    )
    taken = capture_rack(
        camera_of(args.camera, lens.image_size),
        KEYS,
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
