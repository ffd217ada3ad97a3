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
    from tiller.vision.rig.board import Key

CHECK_MM = 1.5
"""A lath that measures further off tells of a rack that is not measured well (common practice, no source)."""


def run_board(args: argparse.Namespace) -> int:
    """``tiller calibrate board``."""
    from tiller.bow.rigfile import read_lens, read_rig
    from tiller.errors import FileFault, TillerError
    from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY, SEAT, STICK
    from tiller.report.style import Units
    from tiller.report.text.calibration import board_words
    from tiller.setup.capture import pictures_in, see_all
    from tiller.setup.rig_writer import put_rack
    from tiller.vision.rig.rackfit import Known, Lath, find_rack

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

    ends = (key(STICK[0].marker), key(STICK[1].marker))
    keys = [key(s.marker) for s in (*RACK, *HOOK, *SEAT, *STICK)]
    if args.check:
        return _checked(args, read_rig(path), images, ends)
    pictures = see_all(images, keys, lambda text: print(text, flush=True))
    share = args.bar / 100.0 if args.bar else 1.0
    lath = Lath(
        left=ends[0],
        right=ends[1],
        side_mm=STICK[0].side_mm * share,
        apart_mm=args.lath,
        up_mm=args.lath_up,
        thick_mm=args.lath_thick,
        middle_mm=float("nan") if args.pivot is None else args.pivot,
    )
    present = {key(s.marker): s.side_mm * share for s in RACK if any(key(s.marker) in p for p in pictures)}
    known = Known(
        board=present,
        lath=lath,
        hook=(key(HOOK[0].marker), HOOK[0].side_mm * share),
        seat=(key(SEAT[0].marker), SEAT[0].side_mm * share),
        tapes=[_tape(text, key) for text in args.tape],
    )
    found = find_rack(pictures, lens, known)
    print(board_words(found, Units(args.units == "metric")))
    if not 5.0 <= found.bow_plane_z_mm <= 500.0 or any(abs(o) > 8.0 for o in found.tape_off_mm):
        msg = "tapes, lath and pictures contradict each other: nothing was written; measure again what the notes name."
        raise TillerError(msg)
    if not args.dry:
        put_rack(path, found)
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
