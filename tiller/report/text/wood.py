"""What was found of wood before the rack, in words."""

from __future__ import annotations

import numpy as np

from tiller.bow.stavefile import Stave
from tiller.bow.wood.woods import find_wood
from tiller.mechanics.wood.hearing import Rung
from tiller.report.style import METRIC, Units


def modulus_words(
    stave: Stave, gpa: float, sd_gpa: float, moisture_percent: float | None, rung: Rung | None, units: Units = METRIC
) -> str:
    """A modulus, and by what."""
    moist = f" at {moisture_percent:.1f} % moisture" if moisture_percent is not None else " (its moisture is not known)"
    lines = [f"{stave.name} ({stave.wood}): modulus along the grain {gpa:.1f} ± {sd_gpa:.1f} GPa{moist}."]
    if rung is not None:
        modes = np.array([tap.modes_hz for tap in rung.taps])
        middle = [f"{np.nanmedian(m):.1f}" for m in modes.T if np.any(np.isfinite(m))]
        lines.append(
            f"{len(rung.taps)} tap{'s' if len(rung.taps) > 1 else ''} rang as such a piece does, at {', '.join(middle)} Hz."
        )
    wood = find_wood(stave.wood)
    if wood is not None:
        lines.append(
            f"The table has {wood.modulus_gpa:.1f} GPa at 12 % for {wood.name} ({wood.source}), 22 % between pieces (1 sd)."
        )
    return "\n".join(units.words(line) for line in lines)
