"""What makes a calibration good enough to be kept, and what the lath and a weight say of one that is there: the same for commands and window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import LoadCell, Rig
from tiller.force.calibrate import drifted
from tiller.quantity import mm, newton
from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY, SEAT, STICK
from tiller.vision.rig.board import Key, board_pose
from tiller.vision.rig.lens import LensFound
from tiller.vision.rig.rackfit import Known, Lath, RackFound, stick_length

Array = NDArray[np.float64]

BAR_MM, BAR_OFF_MM = 100.0, 1.0
LATH_OFF_MM = 1.5
"""A lath that measures further off tells of a rack that is not measured well (common practice, no source)."""
ENDS: tuple[Key, Key] = ((RACK_DICTIONARY, STICK[0].marker), (RACK_DICTIONARY, STICK[1].marker))
KEYS: tuple[Key, ...] = tuple((RACK_DICTIONARY, s.marker) for s in (*RACK, *HOOK, *SEAT, *STICK))
"""Every fiducial that may be seen while a rack is measured."""


def bar_fault(bar_mm: float) -> str:
    """What is wrong with a printed sheet whose check bar measures that, '' where nothing is."""
    if abs(bar_mm - BAR_MM) <= BAR_OFF_MM:
        return ""
    return (
        f"the check bar measures {mm(bar_mm, None)} where it must be {mm(BAR_MM)}: the sheet was printed at another scale; print it at 100 %"
        " ('actual size')."
    )


def lens_fault(found: LensFound) -> str:
    """Why a lens is not kept, '' where it is."""
    if found.sd[0] > 0.03 * found.lens.matrix[0, 0] or found.rms_px > 3.0:
        return "that is no lens to measure with: nothing was written; take more pictures, tilted and all over the picture, with the board flat."
    return ""


def rack_fault(found: RackFound) -> str:
    """Why a rack is not kept, '' where it is."""
    if not 5.0 <= found.bow_plane_z_mm <= 500.0 or any(abs(o) > 8.0 for o in found.tape_off_mm):
        return "tapes, lath and pictures contradict each other: nothing was written; measure again what the notes name."
    return ""


@dataclass(frozen=True, kw_only=True)
class LathMeasures:
    """What is measured on the lath: its fiducials' distance, their height over its lower edge, its thickness; the pivot right of the left one, NaN =
    half way."""

    apart_mm: float
    up_mm: float
    thick_mm: float
    middle_mm: float = float("nan")


def known_rack(
    pictures: Sequence[Mapping[Key, Array]],
    bar_mm: float,
    lath: LathMeasures,
    tapes: Sequence[tuple[Key, Key, float]],
) -> Known:
    """What is known of the rack before its pictures are fitted.

    Args:
        pictures: fiducials seen in each; bar_mm: what the sheets' check bars measure; tapes: two of the board's and the distance of their middles.
    """
    share = bar_mm / BAR_MM

    def key(number: int) -> Key:
        return (RACK_DICTIONARY, number)

    return Known(
        board={key(s.marker): s.side_mm * share for s in RACK if any(key(s.marker) in p for p in pictures)},
        lath=Lath(
            left=ENDS[0],
            right=ENDS[1],
            side_mm=STICK[0].side_mm * share,
            apart_mm=lath.apart_mm,
            up_mm=lath.up_mm,
            thick_mm=lath.thick_mm,
            middle_mm=lath.middle_mm,
        ),
        hook=(key(HOOK[0].marker), HOOK[0].side_mm * share),
        seat=(key(SEAT[0].marker), SEAT[0].side_mm * share),
        tapes=tapes,
    )


def rig_keys(rig: Rig) -> tuple[Key, ...]:
    """The rack's fiducials and the lath's."""
    return tuple(sorted({(f.dictionary, f.id) for f in rig.fiducials} | set(ENDS)))


def lath_seen_mm(marks: Mapping[Key, Array], rig: Rig, thick_mm: float) -> float:
    """The lath's length as the rack measures it in a picture, NaN where one of its fiducials is not in view.

    Raises:
        VisionFault: too few of the rack's fiducials are.
    """
    if not all(end in marks for end in ENDS):
        return float("nan")
    seen = board_pose({k: v for k, v in marks.items() if k not in ENDS}, rig)
    # its fiducials are on its front, half its thickness before the bow's plane
    return stick_length((marks[ENDS[0]], marks[ENDS[1]]), seen.view, rig.bow_plane_z_mm + 0.5 * thick_mm)


@dataclass(frozen=True)
class CellChecked:
    """A load cell held against one weight: how far its zero wandered, N, by what share it reads off, whether that is good, and what to do, in words."""

    shift_n: float
    off: float
    good: bool
    words: str


def check_cell(cell: LoadCell, zero_counts: float, load_n: float, read_n: float) -> CellChecked:
    """Judges it."""
    shift, off, sds = drifted(cell, zero_counts, load_n, read_n)
    most = min(cell.largest_n, 1000.0)
    good = False
    if off < -0.5:
        words = "The load reads the wrong way: the signal wires are exchanged, or the cell hangs upside down."
    elif abs(shift) > 0.05 * most + 5.0:
        words = "The zero is far from the calibration's: the cell was overloaded, or hangs otherwise; calibrate it anew before the next pull."
    elif abs(off) > 0.003 and abs(sds) > 3:
        words = "The load cell has drifted: calibrate it anew before the next pull."
    else:
        good, words = True, "The load cell is as it was calibrated, within the uncertainty."
    about = f"zero {newton(shift, 1, sign=True)} off the calibration's; {newton(load_n, 1)} reads {newton(read_n, 1)}: {100 * off:+.2f} % off."
    return CellChecked(shift, off, good, f"{about}\n{words}")
