"""What the shop's bows taught, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tiller.records.lessons import ENOUGH_BOWS, Taught, shop_modulus, shop_strain
from tiller.report.style import METRIC, Units


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
                " a working strain of the shop's own means anything."
            )
    return "\n".join(out)
