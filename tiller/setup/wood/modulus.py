"""The modulus of a stave, an offcut or a lath before the first cut, by taps or by a load: measured, put into the stave's file and the shop's book."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from tiller.bow.section import sagitta_mm
from tiller.bow.stavefile import OwnModulus, Stave, read_stave
from tiller.bow.wood.moisture import TABLED
from tiller.bow.wood.shear import shear_ratio
from tiller.bow.wood.woods import MODULUS_VARIATION, find_wood
from tiller.errors import TillerError
from tiller.mechanics.wood.hearing import Rung, heard_modulus
from tiller.mechanics.wood.ringing import Bar, deflected_modulus_gpa, deflected_sd
from tiller.quantity import mm
from tiller.records.book import Book
from tiller.records.wood.findings import Figure, Finding, keep_finding
from tiller.setup.guided.stave_facts import MM_OF
from tiller.setup.guided.staves import write_stave
from tiller.sources.sounds import Sound

OF_TREE_SD = 0.10
"""Relative sd of a piece's modulus by another piece of the same tree (common practice, no source; between trees it is 0.22 by the Wood Handbook)."""
GRAVITY = 9.80665
FAR_FROM_TABLE = 3.0
"""A modulus so many sd of its wood's spread off the table's is named."""
NUMBER = r"(\d+(?:\.\d*)?|\.\d+)\s*(mm|cm|in)?"
SIZE = re.compile(rf"{NUMBER}\s*:\s*{NUMBER}\s*x\s*{NUMBER}")


@dataclass(frozen=True, kw_only=True)
class Found:
    """What came of it.

    Attributes:
        own: the modulus with its sd, as moist as the piece is; None where nothing is told.
        rung: the taps, None where it was loaded. remarks: what to know, with marked quantities. why_not: why nothing is told.
    """

    own: OwnModulus | None
    rung: Rung | None
    remarks: tuple[str, ...] = ()
    why_not: str = ""


def sizes_of(text: str, metric: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, widths and thicknesses (n,) in mm from '0:45x25,600:44x24,...', each number in its own unit or in those that are meant.

    Raises:
        TillerError: it is not of that form, or makes no bar.
    """
    usual = "mm" if metric else "in"
    rows = []
    for part in text.split(","):
        found = SIZE.fullmatch(part.strip())
        if not found:
            msg = f"'{part.strip()}' is no size: type PLACE:WIDTHxTHICKNESS for some places from one end to the other, such as 0:45x25,600:44x24,1750:42x23."
            raise TillerError(msg)
        rows.append([float(found[k]) * MM_OF[found[k + 1] or usual] for k in (1, 3, 5)])
    table = np.array(rows)
    if len(table) < 2 or table[0, 0] != 0 or np.any(np.diff(table[:, 0]) <= 0):
        msg = "sizes go from one end (0) to the other, at two places or more, each further on: the last place is the length."
        raise TillerError(msg)
    if not 150 <= table[-1, 0] <= 3000 or np.any(table[:, 1:] < 3) or np.any(table[:, 1:] > 250):
        msg = f"a bar {mm(float(table[-1, 0]))} long, {mm(float(table[:, 1].min()))} to {mm(float(table[:, 1].max()))} wide and {mm(float(table[:, 2].min()))} to {mm(float(table[:, 2].max()))} thick is no stave or lath: measure again."
        raise TillerError(msg)
    if float(np.median(table[:, 2])) * 8 > table[-1, 0]:
        msg = "it is too short for its thickness to be told by taps: at least eight times as long as thick."
        raise TillerError(msg)
    return table[:, 0], table[:, 1], table[:, 2]


def bar_of(stave: Stave, sizes: tuple[np.ndarray, np.ndarray, np.ndarray], mass_kg: float, crowned: bool) -> Bar:
    """The piece as it is rung; ``crowned``: its back is the stave's, round as the log.

    Raises:
        TillerError: a mass that no wood of that size has.
    """
    s, width, thick = sizes
    density = mass_kg / float(np.trapezoid(width * thick, s)) * 1e9
    if not 200 <= density <= 1600:
        msg = f"{mass_kg:.3g} kg in that size is a density of {density:.0f} kg/m3, which no wood has: weigh and measure again."
        raise TillerError(msg)
    crown = stave.back_radius_mm if crowned else None
    if crown is not None:
        hollow = crown < 0.5 * width
        high = np.where(hollow, np.inf, sagitta_mm(np.where(hollow, 0.0, width), crown))
        if np.any(high >= thick):
            k = int(np.argmax(high >= thick))
            msg = f"at {mm(float(s[k]))} a piece {mm(float(width[k]), 1)} wide and {mm(float(thick[k]), 1)} thick cannot have the back of {mm(crown)} radius that the stave's file says: say that it is flat (--offcut), or measure again."
            raise TillerError(msg)
    return Bar(
        s_mm=s, width_mm=width, thickness_mm=thick, crown_mm=crown, mass_kg=mass_kg, shear_ratio=shear_ratio(stave.wood).mean,
        mass_sd_kg=max(0.002, 0.003 * mass_kg),
    )  # fmt: skip


def by_taps(stave: Stave, bar: Bar, sound: Sound, moisture_percent: float | None) -> Found:
    """The modulus by the taps in a recording."""
    rung = heard_modulus(sound.samples, sound.rate_hz, bar)
    if rung.why_not:
        return Found(own=None, rung=rung, why_not=rung.why_not)
    # shear is a guess by the table: it counts in thick pieces
    other = heard_modulus(sound.samples, sound.rate_hz, replace(bar, shear_ratio=0.75 * bar.shear_ratio))
    shear = abs(other.modulus_gpa - rung.modulus_gpa) if np.isfinite(other.modulus_gpa) else 0.0
    own = OwnModulus(rung.modulus_gpa, float(np.hypot(rung.sd_gpa, shear)), moisture_percent)
    return Found(own=own, rung=rung, remarks=_against_table(stave, own))


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """A lath on two supports with a mass hung at its middle; mm and kg. ``reading_mm``: to what a ruler or dial is read."""

    span_mm: float
    width_mm: float
    thickness_mm: float
    mass_kg: float
    deflection_mm: float
    reading_mm: float = 0.1


def by_load(stave: Stave, loaded: Loaded, moisture_percent: float | None) -> Found:
    """The modulus by a deflection.

    Raises:
        TillerError: sizes that make no such test.
    """
    if not (150 <= loaded.span_mm <= 2500 and loaded.span_mm >= 10 * loaded.thickness_mm and loaded.thickness_mm >= 2):
        msg = f"a span of {mm(loaded.span_mm)} with {mm(loaded.thickness_mm, 1)} of thickness: supports at least ten times as far apart as it is thick."
        raise TillerError(msg)
    if not 0.3 <= loaded.deflection_mm <= 0.1 * loaded.span_mm:
        msg = f"a deflection of {mm(loaded.deflection_mm, 1)} over {mm(loaded.span_mm)} tells little: choose a mass that bends it by {mm(1.0)} to {mm(0.05 * loaded.span_mm)}."
        raise TillerError(msg)
    modulus = deflected_modulus_gpa(
        loaded.span_mm, loaded.width_mm, loaded.thickness_mm, GRAVITY * loaded.mass_kg, loaded.deflection_mm, shear_ratio(stave.wood).mean
    )  # fmt: skip
    if not 2.0 <= modulus <= 35.0:
        msg = f"that is a modulus of {modulus:.1f} GPa, which no wood has: were mass, span, thickness and deflection read right?"
        raise TillerError(msg)
    sd = deflected_sd(
        loaded.span_mm, loaded.width_mm, loaded.thickness_mm, loaded.deflection_mm, (1.0, 0.15, 0.07, float(np.sqrt(2)) * loaded.reading_mm)
    )  # fmt: skip
    own = OwnModulus(modulus, modulus * float(np.hypot(sd, 0.01)), moisture_percent)
    return Found(own=own, rung=None, remarks=_against_table(stave, own))


def _against_table(stave: Stave, own: OwnModulus) -> tuple[str, ...]:
    wood = find_wood(stave.wood)
    if wood is None:
        return ()
    tabled = replace(own, gpa=wood.modulus_gpa, moisture_percent=12.0).at(wood, own.moisture_percent)
    off = (own.gpa / tabled - 1.0) / MODULUS_VARIATION
    if abs(off) < FAR_FROM_TABLE:
        return ()
    return (
        f"the table has {tabled:.1f} GPa for {wood.name}: {'more' if off > 0 else 'less'} than nearly any piece of it would show. Are the measures, the mass and the wood's name right?",
    )


def against_before(stave: Stave, own: OwnModulus) -> str:
    """What is said where the stave has a modulus already; '' where both agree."""
    before = stave.modulus
    if before is None:
        return ""
    wood = find_wood(stave.wood)
    now = own.at(wood, before.moisture_percent)
    if abs(now - before.gpa) <= 3.0 * float(np.hypot(own.sd_gpa, before.sd_gpa)):
        return ""
    return f"before it was {before.gpa:.1f} ± {before.sd_gpa:.1f} GPa: both cannot be right; measure again, by the other way too."


def keep_modulus(path: Path, stave: Stave, found: Found, book: Path | None, at: datetime, recording: str = "") -> bool:
    """Puts a modulus into the stave's file, and into the book where there is one; False where the file keeps the one it has, as that can be used and this cannot.

    Raises:
        FileFault, BookFault: it cannot be written; where the book says no, the stave's file is as it was.
    """
    own = found.own
    if own is None:
        return False
    table: dict[str, float] = {"gpa": round(own.gpa, 2), "sd_gpa": round(own.sd_gpa, 2)}
    if own.moisture_percent is not None:
        table["moisture_percent"] = round(own.moisture_percent, 1)
    figures = (Figure("modulus_gpa", own.gpa, own.sd_gpa),)
    name = Path(recording).name if recording else ""
    if book is not None and book.is_file():  # first what may say no
        with Book(book) as shop:
            keep_finding(shop, Finding(stave=stave.name, kind="modulus", at=at, figures=figures, picture=name))
    before = stave.modulus
    if own.moisture_percent is None and before is not None and before.moisture_percent is not None:
        return False
    write_stave(path, stave.name, {"modulus": table})
    return True


UNKNOWN_MOIST = (
    "how moist the piece is nobody knows, so that layout and bow do not go by it yet: wet wood is much softer. Weigh the stave over some weeks or dry an offcut"
    " (G in the shop), or give its moisture to 'tiller modulus' (--moisture)."
)
"""What is said where a modulus cannot be used."""


def of_tree(path: Path, stave: Stave) -> tuple[OwnModulus, str] | None:
    """The stave's own modulus with '', else the mean of what was measured on others of its tree, less surely, with their names; None where neither is."""
    if stave.modulus is not None and stave.modulus.moisture_percent is not None:
        return stave.modulus, ""
    if not stave.tree:
        return None
    others = []
    for other in sorted(path.resolve().parent.parent.glob("*/stave.toml")):
        if other == path.resolve():
            continue
        try:
            one = read_stave(other)
        except TillerError:
            continue  # the shop's list says of it that it cannot be read
        if (
            one.tree.casefold() == stave.tree.casefold()
            and one.wood == stave.wood
            and one.modulus is not None
            and one.modulus.moisture_percent is not None
        ):
            others.append(one)
    if not others:
        return None
    wood = find_wood(stave.wood)
    # each as it would be at the table's moisture
    moduli = [(o.modulus.at(wood, TABLED), o.modulus.sd_at(wood, TABLED)) for o in others if o.modulus is not None]
    gpa = float(np.mean([m for m, _ in moduli]))
    spread = float(np.var([m for m, _ in moduli])) if len(moduli) > 1 else 0.0
    sd = float(np.sqrt((np.mean([s**2 for _, s in moduli]) + spread) / len(moduli) + (OF_TREE_SD * gpa) ** 2))
    return OwnModulus(gpa, sd, TABLED), ", ".join(o.name for o in others)
