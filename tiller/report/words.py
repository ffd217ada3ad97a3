"""A measured pull in words, for the terminal at the bench."""

from __future__ import annotations

import numpy as np

from tiller.bow.bowfile import SIDES, Bow
from tiller.bow.units import archery_draw_mm
from tiller.mechanics.results import PullResult
from tiller.report.style import Units

CAUTION = (
    "A bow can break without warning under load: eye protection, nobody in the plane of the limbs, pull by the rope from\n"
    "the side, and look for cracks, lifted grain and chrysals yourself. These numbers do not replace that look, local rules\n"
    "or a competent person's advice."
)


def pull_words(result: PullResult, bow: Bow, units: Units) -> str:
    """The result as text, 100 columns at most."""
    top = result.pictures[result.largest]
    out = [
        f"{result.bow} ({bow.wood}), recording {result.recording}",
        f"Largest draw {units.length(top.draw_mm)} (pivot to string; {units.length(archery_draw_mm(top.draw_mm))} by the archery convention),"
        f" {units.force(top.force_n)} on the way up.",
        "",
        f"{'picture':26s} {'branch':6s} {'draw':>12s} {'force':>12s}   sd of force",
    ]
    for p in result.pictures:
        held = "" if p.held else "  moving"
        name = p.file.rsplit("/", 1)[-1]
        out.append(
            f"{name:26s} {p.branch:6s} {units.length(p.draw_mm, 1 if units.metric else 2):>12s} {units.force(p.force_n):>12s}   {units.force(p.force_sd_n)}{held}"
        )
    out.append("")
    if np.isfinite(result.hysteresis):
        out.append(f"At the same bend the force is {100 * result.hysteresis:.1f} % lower on the way down.")
    lag = "found in this pull" if result.lag_from_data else "assumed, the pull says little about it"
    out.append(
        f"The scale is {1000 * result.lag_s:.0f} ms behind the camera (sd {1000 * result.lag_sd_s:.0f} ms; {lag})."
    )
    out += [
        "",
        f"{'along the limb':>14s}   {'left: bend 1/m':>18s} {'stiffness N m2':>18s} {'strain %':>9s}   {'right: bend 1/m':>18s} {'stiffness N m2':>18s} {'strain %':>9s}",
    ]
    longest = max(result.limb(side).s_mm[-1] for side in SIDES)
    for number in range(1, int(longest // units.tick_mm) + 1):
        s = number * units.tick_mm
        cells = [f"{units.tick(number) + ' ' + units.length_unit:>14s}  "]
        for side in SIDES:
            limb = result.limb(side)
            k = int(np.argmin(np.abs(limb.s_mm - s)))
            if abs(limb.s_mm[k] - s) > 6 or not np.isfinite(limb.bend_per_m[k]):
                cells.append(f" {'not seen':>18s} {'':18s} {'':9s}  ")
                continue
            bend = f"{limb.bend_per_m[k]:.3f} ±{limb.bend_sd[k]:.3f}"
            stiff = f"{limb.stiffness_n_m2[k]:.1f} ±{limb.stiffness_sd[k]:.1f}"
            cells.append(f" {bend:>18s} {stiff:>18s} {100 * limb.strain[k]:9.2f}  ")
        out.append("".join(cells).rstrip())
    out += ["", *_marks_words(result, units), ""]
    wood = bow.table_wood
    for side in SIDES:
        limb = result.limb(side)
        if np.isfinite(limb.implied_modulus_gpa):
            known = f"; the bow's file says {bow.modulus_gpa:.1f}" if bow.modulus_gpa else ""
            known += f"; {wood.source}: {wood.modulus_gpa:.1f}" if wood else "; this wood is not in the table"
            crown = "" if bow.crown_radius_mm else " (with the crown radius named in the note below)"
            out.append(
                f"Modulus that the {side} limb's stiffness and calipers imply: {limb.implied_modulus_gpa:.1f} GPa{known}{crown}."
            )
    if result.said:
        out += ["", *(f"Note: {text}" for text in result.said)]
    if result.left_out:
        out += ["", "Left out:", *(f"  {text}" for text in result.left_out)]
    out += ["", CAUTION]
    return "\n".join(out)


def _marks_words(result: PullResult, units: Units) -> list[str]:
    out = []
    for side in SIDES:
        for m in result.limb(side).marks:
            more = "less" if m.kind == "stiff" else "more"
            out.append(
                f"{m.kind.upper():5s} {side} limb, {units.length(m.from_mm)} to {units.length(m.to_mm)} from the pivot:"
                f" strained {abs(100 * m.departure):.0f} % {more} than even (sd {100 * m.sd:.0f} %)."
            )
    if not out:
        out.append("No stretch departs from even strain by more than 8 % and two standard deviations.")
    if np.isfinite(result.balance) and abs(result.balance) > max(0.03, 2 * result.balance_sd):
        more_side = "left" if result.balance > 0 else "right"
        out.append(
            f"As a whole the {more_side} limb is strained {abs(100 * result.balance):.0f} % more than the other (sd {100 * result.balance_sd:.0f} %)."
        )
    return out
