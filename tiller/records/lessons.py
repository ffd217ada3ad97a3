"""What the bows taught: over all bows of a wood, what was found, and a working strain for this shop once there are enough of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.sides import SIDES, Side
from tiller.bow.units import NMM2_PER_NM2
from tiller.bow.wood.woods import find_wood, working_strain
from tiller.records.stored_pull import StoredLimb, StoredPull

Array = NDArray[np.float64]
ENOUGH_BOWS = 5
"""With fewer no working strain of the shop's own is offered (common practice, no source)."""
WHOLE = "whole"
LITTLE_SET_MM = 12.0
"""Set at the nock that a bow may have and count as not overstrained (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Taught:
    """One bow's lesson; NaN where its pulls do not tell.

    Attributes:
        modulus_gpa: by its stiffness and calipers, the back flat where its file tells no crown; strain: largest that its working limb was evenly brought to, median of the
            upper half; set_mm: at the nock, the larger; stroke_mm: depth of a stroke at its end; off: forecast over what the plan had
            promised, minus one, each pass.
        fate: what became of it, '' where nobody said; table_strain: what the wood's table allows.
        crown_known: the modulus does not rest on a back that was taken as flat; gone: its newest recording is not where it was.
    """

    bow: str
    pulls: int
    modulus_gpa: float
    strain: float
    set_mm: float
    stroke_mm: float
    off: tuple[float, ...]
    fate: str = ""
    table_strain: float = float("inf")
    crown_known: bool = True
    gone: bool = False

    @property
    def modulus_counts(self) -> bool:
        """Whether its modulus is one to go by."""
        return self.crown_known and bool(np.isfinite(self.modulus_gpa))


def lesson(name: str, pulls: Sequence[StoredPull], bow: Bow | None, fate: str = "") -> Taught:
    """What one bow's pulls taught. ``bow``: its file as it was at the last pull, None where that is gone."""
    weighed = [p for p in pulls if p.weighed]
    last = (weighed or list(pulls))[-1]
    modulus: list[float] = []
    for side in SIDES if bow is not None else ():
        modulus += _modulus_gpa(last.limb(side), bow, side) if bow is not None else []
    strains = []
    for pull in pulls:
        values = np.concatenate([_working(limb, limb.strain) for limb in (pull.left, pull.right)])
        if len(values):
            strains.append(float(np.median(np.sort(values)[len(values) // 2 :])))
    counted = weighed or list(pulls)
    off = [
        p.advice.weight_n / p.comparison.promised_n - 1.0
        for p in counted
        if p.comparison.promised_n > 0 and p.advice.weight_n > 0 and p.comparison.passes_done
    ]
    return Taught(
        bow=name,
        pulls=len(pulls),
        modulus_gpa=float(np.median(modulus)) if modulus else float("nan"),
        strain=max(strains, default=float("nan")),
        set_mm=counted[-1].comparison.set_mm,
        stroke_mm=counted[-1].comparison.stroke_mm if any(p.scrapings for p in pulls) else float("nan"),
        off=tuple(off),
        fate=fate,
        table_strain=working_strain(find_wood(last.wood))[0],
        crown_known=bow is not None and bow.crown_radius_mm is not None,
        gone=bow is None,
    )


def _working(limb: StoredLimb, values: Array) -> Array:
    """The values of the working limb that were seen."""
    return values[np.isfinite(limb.strain) & np.isfinite(limb.departure)]


def _modulus_gpa(kept: StoredLimb, bow: Bow, side: Side) -> list[float]:
    """By place, from stiffness and calipers."""
    s, ei = _working(kept, kept.s_mm), _working(kept, kept.stiffness_n_m2)
    s, ei = s[ei > 0], ei[ei > 0]
    if not len(s):
        return []
    limb, above = bow.limb(side), bow.above(side, s)
    section = limb_section(limb.width_at(s), thick_enough(limb.thickness_at(s), 1.0, above), bow.crown_radius_mm, above)
    return [float(v) for v in ei * NMM2_PER_NM2 / section.second_moment_mm4 * 1e-3]


def shop_modulus(lessons: Sequence[Taught]) -> tuple[float, float, int]:
    """Mean modulus of the bows whose modulus tells, GPa, its sd between bows (NaN of fewer than two), and how many they are."""
    found = [o.modulus_gpa for o in lessons if o.modulus_counts]
    if not found:
        return float("nan"), float("nan"), 0
    return float(np.mean(found)), float(np.std(found, ddof=1)) if len(found) > 1 else float("nan"), len(found)


def shop_strain(lessons: Sequence[Taught]) -> tuple[float, float, int]:
    """A working strain for this shop: mean of what bows that stayed whole with little set were brought to, its sd, and how many
    they were; NaN with fewer than ``ENOUGH_BOWS``. It says what was borne, not what would break."""
    good = [o.strain for o in lessons if np.isfinite(o.strain) and o.set_mm <= LITTLE_SET_MM and o.fate == WHOLE]
    if len(good) < ENOUGH_BOWS:
        return float("nan"), float("nan"), len(good)
    return float(np.mean(good)), float(np.std(good, ddof=1)), len(good)
