"""What is worth saying at the start of a session at the rack."""

from __future__ import annotations

import contextlib
from datetime import date

from tiller.bow.rigfile import LoadCell

ZERO_SHIFT_N, OLD_DAYS = 5.0, 365
"""A zero this far off the calibration's, and a calibration this old, are said (common practice, no source)."""


def scale_notes(cell: LoadCell | None, shift_n: float, board: str, today: date) -> list[str]:
    """How far the zero is off the calibration's, how old that is, and whether another board reads the cell now.

    Args:
        cell: what ``rig.toml`` says, None where it has no scale; shift_n: the zero against its own.
        board: name and version that the board told, empty where it told none.
    """
    if cell is None:
        return []
    said = []
    if abs(shift_n) > ZERO_SHIFT_N:
        said.append(
            f"the scale's zero is {shift_n:+.0f} N off its calibration's: with a known mass 'tiller calibrate check' tells whether it has drifted."
        )
    with contextlib.suppress(ValueError):  # an old file has no date
        age = (today - date.fromisoformat(cell.calibrated)).days
        if age > OLD_DAYS:
            said.append(
                f"the load cell was calibrated {age} days ago: check it with a known mass ('tiller calibrate check')."
            )
    if cell.firmware and board and board != cell.firmware:
        said.append(
            f"the scale's board says '{board}', it was calibrated with '{cell.firmware}': check it with a known mass."
        )
    return said
