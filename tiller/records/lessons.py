"""What the bows taught: over all bows of a wood, what was found, and a working strain for this shop once there are enough of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tiller.bow.bowfile import SIDES, Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.wood.woods import find_wood, working_strain

Pull = dict[str, Any]
ENOUGH_BOWS = 5
"""With fewer no working strain of the shop's own is offered (common practice, no source)."""
WHOLE = "whole"
LITTLE_SET_MM = 12.0
"""Set at the nock that a bow may have and count as not overstrained (common practice, no source)."""


@dataclass(frozen=True)
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
    def modulus_tells(self) -> bool:
        """Whether its modulus is one to go by."""
        return self.crown_known and bool(np.isfinite(self.modulus_gpa))


def lesson(name: str, pulls: Sequence[Pull], bow: Bow | None, fate: str = "") -> Taught:
    """What one bow's pulls taught. ``bow``: its file as it was at the last pull, None where that is gone."""
    weighed = [p for p in pulls if p["force_there_n"] is not None]
    last = (weighed or list(pulls))[-1]
    modulus, strains = [], []
    for side in SIDES:
        rows = [
            r
            for r in last["profiles"][side]
            if r["stiffness_n_m2"] and r["strain"] is not None and r["departure"] is not None
        ]
        if bow is not None and rows:
            s = np.array([r["s_mm"] for r in rows])
            limb = bow.limb(side)
            above = bow.above(side, s)
            thick = thick_enough(limb.thickness_at(s), 1.0, above)
            section = limb_section(limb.width_at(s), thick, bow.crown_radius_mm, above)
            modulus += (np.array([r["stiffness_n_m2"] for r in rows]) * 1e6 / section.second_moment_mm4 * 1e-3).tolist()
    for pull in pulls:
        values = [
            r["strain"]
            for side in SIDES
            for r in pull["profiles"][side]
            if r["strain"] is not None and r["departure"] is not None
        ]
        if values:
            strains.append(float(np.median(np.sort(values)[len(values) // 2 :])))
    told = [p.get("advice") or {} for p in (weighed or pulls)]
    sets = [abs(float(o["nock_mm"])) for o in told[-1].get("set") or [] if o.get("nock_mm") is not None]
    off = [
        float(o["forecast"]["braced_weight_n"]) / float(o["promised_n"]) - 1.0
        for o in told
        if o.get("promised_n") and (o.get("forecast") or {}).get("braced_weight_n") and o.get("passes_done")
    ]
    return Taught(
        name,
        len(pulls),
        float(np.median(modulus)) if modulus else float("nan"),
        max(strains, default=float("nan")),
        max(sets, default=float("nan")),
        float(told[-1].get("stroke_mm") or "nan") if any(p.get("scrapings") for p in pulls) else float("nan"),
        tuple(off),
        fate,
        working_strain(find_wood(str(last["wood"])))[0],
        bow is not None and bow.crown_radius_mm is not None,
        bow is None,
    )


def shop_modulus(lessons: Sequence[Taught]) -> tuple[float, float, int]:
    """Mean modulus of the bows whose modulus tells, GPa, its sd between bows (NaN of fewer than two), and how many they are."""
    found = [o.modulus_gpa for o in lessons if o.modulus_tells]
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
