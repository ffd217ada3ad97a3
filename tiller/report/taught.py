"""What the bows taught: over all bows of a wood, what was found, and a working strain for this shop once there are enough of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tiller.bow.bowfile import SIDES, Bow
from tiller.bow.composite import limb_section, thick_enough
from tiller.bow.woods import find_wood, working_strain
from tiller.report.style import METRIC, Units

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


def taught_words(by_wood: Mapping[str, Sequence[Taught]], units: Units = METRIC) -> str:
    """All of it as a table by wood."""
    out: list[str] = []
    for wood, lessons in sorted(by_wood.items()):
        out.append(f"{wood}: {len(lessons)} bow(s)")
        out.append(
            f"  {'bow':24s} {'pulls':>5s} {'modulus':>9s} {'strain':>8s} {'set':>9s} {'stroke':>9s} {'plan off by':>12s} {'fate':>9s}"
        )
        for o in lessons:
            cells = [
                f"{o.modulus_gpa:.1f} GPa{'' if o.crown_known else '*'}" if np.isfinite(o.modulus_gpa) else "-",
                f"{100 * o.strain:.2f} %" if np.isfinite(o.strain) else "-",
                units.depth(o.set_mm) if np.isfinite(o.set_mm) else "-",
                units.depth(o.stroke_mm) if np.isfinite(o.stroke_mm) else "-",
                f"{100 * float(np.sqrt(np.mean(np.square(o.off)))):.1f} % rms" if o.off else "-",
            ]
            out.append(
                f"  {o.bow[:24]:24s} {o.pulls:5d} {cells[0]:>9s} {cells[1]:>8s} {cells[2]:>9s} {cells[3]:>9s} {cells[4]:>12s} {o.fate or '-':>9s}"
            )
        mean, between, count = shop_modulus(lessons)
        if count > 1:
            out.append(f"  modulus {mean:.1f} GPa, sd between bows {between:.1f} GPa")
        if any(np.isfinite(o.modulus_gpa) and not o.crown_known for o in lessons):
            out.append(
                "  * its back's crown is not on record and was taken as flat: a guess, not counted in the mean (crown_radius_mm in bow.toml)"
            )
        gone = [o.bow for o in lessons if o.gone]
        if gone:
            out.append(
                f"  no modulus of {', '.join(gone)}: the newest recording is not where it was when it was measured"
            )
        strain, sd, many = shop_strain(lessons)
        if np.isfinite(strain):
            most = min(strain - sd, *(o.table_strain for o in lessons))
            out.append(
                f"  a working strain for this shop: {100 * strain:.2f} ± {100 * sd:.2f} %, borne by {many} bows that stayed whole with little set;"
                f" what would break is not known from them. It is offered, not used: put 'working_strain = {most:.4f}' under [target] if you"
                " trust it (one sd under the mean, and no more than the wood's table)."
            )
        else:
            out.append(
                f"  {many} bow(s) that stayed whole ('tiller book fate BOW whole' says so) with strain and set known: {ENOUGH_BOWS} are needed before"
                " a working strain of the shop's own says anything."
            )
    return "\n".join(out)
