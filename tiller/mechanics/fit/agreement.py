"""Do a pull's pictures agree? Each picture's line against the mechanics that was fitted to all of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEPART_OVER_MM, DEPART_MM, DEPART_TIMES, FEWEST_ALIKE = 60.0, 1.2, 5.0, 5
"""A line that lies off over so long a stretch by this much, and by so many times what is usual in this pull, is not the limb's; with fewer
pictures than this nothing is usual. (Independent rig, nine recordings: 0.07-0.76 mm usual; 0.9 mm, or 3 times the usual, the most of lines on the limb.)"""


UNSTEADY_MM = 0.4
"""Lines that usually lie off the fitted mechanics by more than this somewhere are worth a word (independent rig: 0.07-0.19 mm in good pictures,
0.57-0.76 mm with a hard shadow or a cheap webcam)."""


def off_by(residual_mm: Array, s_mm: Array) -> Array:
    """How far each picture's line (m,) lies off the fitted mechanics at its worst stretch of ``DEPART_OVER_MM``; NaN where too little is seen."""
    width = max(3, int(DEPART_OVER_MM / float(s_mm[1] - s_mm[0])))
    worst = np.full(len(residual_mm), np.nan)
    for k, row in enumerate(residual_mm):
        seen = np.isfinite(row)
        if np.count_nonzero(seen) >= 2 * width:
            mean = np.convolve(np.where(seen, row, 0.0), np.ones(width), "valid")
            count = np.convolve(seen.astype(float), np.ones(width), "valid")
            worst[k] = float(np.max(np.abs(mean[count > width // 2] / count[count > width // 2]), initial=0.0))
    return worst


def usual_of(values: Array) -> float:
    """The median of what is known; 0 where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def departing(residual_mm: Array, s_mm: Array) -> tuple[int, ...]:
    """Pictures (of m) in which a limb's line lies off the fitted mechanics over a stretch, by far more than in the others.

    Args:
        residual_mm: (m, n) measured minus fitted, NaN where not seen; s_mm: (n,).
    """
    worst = off_by(residual_mm, s_mm)
    known = np.isfinite(worst)
    if np.count_nonzero(known) < FEWEST_ALIKE:
        return ()
    usual = usual_of(worst)
    return tuple(int(k) for k in np.flatnonzero(known & (worst > max(DEPART_MM, DEPART_TIMES * usual))))
