"""A measured pull in words, for the terminal at the bench."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tiller.bow.bowfile import Bow, Feature
from tiller.bow.sides import SIDES, Pair, of_sides
from tiller.bow.units import archery_draw_mm
from tiller.mechanics.fit.marks import SURE, THRESHOLD, Mark
from tiller.mechanics.fit.results import LimbResult, PullPicture, PullResult
from tiller.records.stored_pull import StoredLimb, StoredPicture, StoredPull
from tiller.report.style import Units

CAUTION = (
    "A bow can break without warning under load: eye protection, nobody in the plane of the limbs, pull by the rope from\n"
    "the side, and look for cracks, lifted grain and chrysals yourself. These numbers do not replace that look, local rules\n"
    "or a competent person's advice."
)


def _picture_line(picture: PullPicture | StoredPicture, units: Units) -> str:
    name, force_n = picture.file.rsplit("/", 1)[-1], picture.force_n
    draw = units.length(picture.draw_mm, 1 if units.metric else 2)
    if not np.isfinite(force_n):
        return f"{name:26s} {picture.branch:6s} {draw:>12s} {'--':>12s}"
    force, sd = units.force(force_n), units.force(picture.force_sd_n, 2)
    return f"{name:26s} {picture.branch:6s} {draw:>12s} {force:>12s}   {sd}{'' if picture.held else '  moving'}"


def _force_there(force_n: float, units: Units) -> str:
    return f"{units.force(force_n)} on the way up" if np.isfinite(force_n) else "without a scale"


_PICTURES_HEAD = f"{'picture':26s} {'branch':6s} {'draw':>12s} {'force':>12s}   sd of force"


def _limb_rows(limbs: Pair[LimbResult] | Pair[StoredLimb], units: Units) -> list[str]:
    bend_head, stiff_head = f"bend {units.bend_unit}", f"stiffness {units.stiffness_unit}"
    head = f"{'along the limb':>14s}   " + "   ".join(
        f"{side + ': ' + bend_head:>18s} {stiff_head:>18s} {'strain %':>9s}" for side in SIDES
    )
    out = [head]
    longest = max(float(limbs[side].s_mm[-1]) for side in SIDES)
    for number in range(1, int(longest // units.tick_mm) + 1):
        s = number * units.tick_mm
        cells = [f"{units.tick(number) + ' ' + units.length_unit:>14s}  "]
        for side in SIDES:
            limb = limbs[side]
            k = int(np.argmin(np.abs(limb.s_mm - s)))
            if abs(limb.s_mm[k] - s) > 6 or not np.isfinite(limb.bend_per_m[k]):
                cells.append(f" {'not seen':>18s} {'':18s} {'':9s}  ")
                continue
            bend = units.bend(float(limb.bend_per_m[k]), float(limb.bend_sd[k]))
            stiffness = float(limb.stiffness_n_m2[k])
            stiff = units.stiffness(stiffness, float(limb.stiffness_sd[k])) if np.isfinite(stiffness) else "--"
            cells.append(f" {bend:>18s} {stiff:>18s} {100 * limb.strain[k]:9.2f}  ")
        out.append("".join(cells).rstrip())
    return out


NEAR_MM = 20.0
"""A feature this near to a mark may explain it."""


def _mark_line(side: str, mark: Mark, units: Units, features: Sequence[Feature] = ()) -> str:
    more = "less" if mark.kind == "stiff" else "more"
    there = [
        f"a {f.kind} at {units.length(f.from_mm)} to {units.length(f.to_mm)}"
        for f in features
        if f.from_mm <= mark.to_mm + NEAR_MM and f.to_mm >= mark.from_mm - NEAR_MM
    ]
    return (
        f"{mark.kind.upper():5s} {side} limb, {units.length(mark.from_mm)} to {units.length(mark.to_mm)} from the pivot:"
        f" strained {abs(100 * mark.departure):.0f} % {more} than is wanted (sd {100 * mark.sd:.0f} %)."
        + (f" By the bow's file there is {' and '.join(there)}, which may explain it." if there else "")
    )


NO_MARKS = (
    f"No stretch departs from the wanted strain by more than {100 * THRESHOLD:.0f} % and {SURE:g} standard deviations."
)


def _hysteresis_line(hysteresis: float) -> list[str]:
    if not np.isfinite(hysteresis):
        return []
    return [f"At the same bend the force is {100 * hysteresis:.1f} % lower on the way down."]


def _balance_line(balance: float, sd: float) -> list[str]:
    if not np.isfinite(balance) or abs(balance) <= max(0.03, 2 * sd):
        return []
    side = "left" if balance > 0 else "right"
    return [
        f"As a whole the {side} limb is strained {abs(100 * balance):.0f} % more against the other than is wanted (sd {100 * sd:.0f} %)."
    ]


def _handle_line(result: PullResult, bow: Bow, units: Units) -> list[str]:
    """How far the handle bends, where the bow's file lets it or it is sure."""
    h = result.handle
    if not np.isfinite(h.turn_rad):
        return []
    hides = all(bow.limb(side).working_from_mm < reach for side, reach in zip(SIDES, h.reach_mm, strict=True))
    bend = h.strain / max(float(np.nanmax(np.concatenate([result.left.strain, result.right.strain]))), 1e-9)
    if not hides and bend < HANDLE_WORKS:
        return []
    text = (
        f"Handle, {units.length(h.reach_mm[0])} left to {units.length(h.reach_mm[1])} right of the pivot: both limbs' roots turn towards each other by"
        f" {np.rad2deg(h.turn_rad):.2f} ± {np.rad2deg(h.turn_sd_rad):.2f} degrees at the largest draw"
    )
    if np.isfinite(h.stiffness_n_m2):
        text += f"; mean stiffness there {units.stiffness(h.stiffness_n_m2, h.stiffness_sd)} {units.stiffness_unit}"
    return [text + f", strain about {100 * h.strain:.2f} ± {100 * h.strain_sd:.2f} %."]


HANDLE_WORKS = 0.3
"""A handle that is strained by this share of the limbs' most works like a limb (common practice, no source)."""


def _twist_line(result: PullResult, units: Units) -> list[str]:
    parts = []
    for limb in (result.left, result.right):
        t = limb.twist
        if np.isfinite(t.rest_rad):
            rest, rest_sd, drawn, drawn_sd = np.rad2deg([t.rest_rad, t.rest_sd_rad, t.drawn_rad, t.drawn_sd_rad])
            if t.sure:
                parts.append(
                    f"{limb.side} {rest:+.1f} ±{rest_sd:.1f} at rest, {drawn:+.1f} ±{drawn_sd:.1f} drawn, beginning at"
                    f" {units.length(t.from_mm)} ±{units.length(t.from_sd_mm)}"
                )
            else:
                parts.append(
                    f"{limb.side} not told from none ({rest:+.1f} ±{rest_sd:.1f} at rest, {drawn:+.1f} ±{drawn_sd:.1f} drawn)"
                )
    return (
        [f"Twist at the nock, degrees (+: the belly turned towards the camera): {'; '.join(parts)}."] if parts else []
    )


def pull_words(result: PullResult, bow: Bow, units: Units, caution: bool = True) -> str:
    """The result as text."""
    top = result.pictures[result.largest]
    out = [
        f"{result.bow} ({bow.wood}), recording {result.recording}",
        f"Largest draw {units.length(top.draw_mm)} (pivot to string; {units.length(archery_draw_mm(top.draw_mm))} to the back, by the archery convention),"
        f" {_force_there(top.force_n, units)}.",
        "",
        _PICTURES_HEAD,
    ]
    out += [_picture_line(p, units) for p in result.pictures]
    out += ["", *_hysteresis_line(result.hysteresis)]
    if result.weighed:
        lag = "found in this pull" if result.lag_from_data else "assumed, the pull shows little of it"
        out.append(
            f"The scale is {1000 * result.lag_s:.0f} ms behind the camera (sd {1000 * result.lag_sd_s:.0f} ms; {lag})."
        )
    out += ["", *_limb_rows(of_sides(result.limb), units)]
    marks = [_mark_line(side, m, units, bow.limb(side).features) for side in SIDES for m in result.limb(side).marks]
    out += [
        "",
        *(marks or [NO_MARKS]),
        *_balance_line(result.off_balance, result.balance_sd),
        *_handle_line(result, bow, units),
        *_twist_line(result, units),
        "",
    ]
    out += _modulus_lines(result, bow)
    if result.notes:
        out += ["", *(f"Note: {units.words(note.text)}" for note in result.notes)]
    if result.left_out:
        out += ["", "Left out:", *(f"  {units.words(text)}" for text in result.left_out)]
    if caution:
        out += ["", CAUTION]
    return "\n".join(out)


def _modulus_lines(result: PullResult, bow: Bow) -> list[str]:
    out = []
    wood = bow.table_wood
    for side in SIDES:
        limb = result.limb(side)
        if np.isfinite(limb.implied_modulus_gpa):
            known = [f"bow.toml says {bow.modulus_gpa:.1f}"] if bow.modulus_gpa else []
            known.append(f"{wood.source}: {wood.modulus_gpa:.1f}" if wood else f"no table has '{bow.wood}'")
            if not bow.crown_radius_mm:
                known.append("the crown radius is a guess, see the note")
            out.append(
                f"Modulus that the {side} limb's stiffness and calipers imply: {limb.implied_modulus_gpa:.1f} GPa ({'; '.join(known)})."
            )
    return out


def kept_words(pull: StoredPull, units: Units) -> str:
    """A pull of the book as text: what ``pull_words`` said when it was measured."""
    out = [
        f"Pull {pull.pull_id} of {pull.bow} ({pull.wood}), {pull.day}, recording {pull.recording}",
        f"Recording in {pull.folder}; measured {pull.made_at} by version {pull.program}.",
        f"Largest draw {units.length(pull.largest_draw_mm)} (pivot to string; {units.length(archery_draw_mm(pull.largest_draw_mm))} by the"
        f" archery convention), {_force_there(pull.force_there_n, units)}.",
        "",
        _PICTURES_HEAD,
    ]
    out += [_picture_line(p, units) for p in pull.pictures]
    out += ["", *_hysteresis_line(pull.hysteresis), "", *_limb_rows(of_sides(pull.limb), units), ""]
    out += [_mark_line(side, mark, units) for side, mark in pull.marks] or [NO_MARKS]
    tiller = pull.advice.tiller_at_brace
    wanted = tiller.wanted_left_over_right_strain if tiller is not None else 1.0
    over = (1.0 + pull.balance) / (wanted if wanted > 0 else 1.0) - 1.0
    out += _balance_line(over, pull.balance_sd)
    out += [f"Note: {units.words(note.text)}" for note in pull.notes]
    if pull.left_out:
        out += ["", "Left out:", *(f"  {units.words(text)}" for text in pull.left_out)]
    return "\n".join(out)
