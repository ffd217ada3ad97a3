"""Laying a bow out: the thickness along both limbs that strains them evenly at full draw and gives the weight that is wanted.

A flat limb that is strained evenly by e and bears the moment M has the thickness t = sqrt(6 M / (E w e)); under a crown the section's
own figures stand in its place. The moment comes of the forward model with that very limb, so shape, moment and thickness are found
by turns; the strain is the one at which the bow has its weight. Alike limbs, stiff handle and stiff tips.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import crowned_section
from tiller.mechanics.forward.chain import WholeBow, chain_of
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError

Array = NDArray[np.float64]

STATION_MM = 10.0
TIP_MM = 120.0
"""So far from the nock the limb is left stiff enough to hold its shape (common practice, no source)."""
HANDLE_TIMES, FADE_MM = 2.2, 60.0
THINNEST_MM, THICKEST_MM = 4.0, 60.0
ROUNDS = 40
FAR_FROM_SETTLED = 0.01


@dataclass(frozen=True)
class Outline:
    """Widths along a limb.

    Attributes:
        s_mm, width_mm: (n,) from the pivot to the nock.
    """

    s_mm: Array
    width_mm: Array


def outline(
    family: str, length_mm: float, handle_mm: float, width_mm: float, tip_mm: float, parallel_share: float = 0.5
) -> Outline:
    """A limb's widths: 'straight' tapers from the fade to the nock, 'parallel' keeps its width for a share of the limb first.

    Raises:
        ValueError: another family, or sizes that make no limb.
    """
    if family not in ("straight", "parallel"):
        msg = f"'{family}' is no outline that is known: straight or parallel"
        raise ValueError(msg)
    if not (length_mm > handle_mm + FADE_MM + 200 and width_mm >= tip_mm > 3 and 0 <= parallel_share < 1):
        msg = "the limb is too short for its handle, or its tip is wider than its root"
        raise ValueError(msg)
    s = np.arange(0.0, length_mm + 0.5 * STATION_MM, STATION_MM)
    s[-1] = length_mm
    start = handle_mm + FADE_MM
    out = np.clip((s - start) / (length_mm - start), 0.0, 1.0)
    if family == "parallel":
        out = np.clip((out - parallel_share) / (1 - parallel_share), 0.0, 1.0)
    grip = 0.5 + 0.5 * np.clip((s - handle_mm) / FADE_MM, 0, 1)
    width = (width_mm + (tip_mm - width_mm) * out) * np.maximum(grip, min(1.0, 28.0 / width_mm))
    return Outline(s, width)


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the bow shall be. Lengths mm, N, modulus GPa; draw is the bare one, from the pivot."""

    draw_mm: float
    weight_n: float
    brace_mm: float
    modulus_gpa: float
    density_kg_m3: float
    crown_radius_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A bow laid out, both limbs alike.

    Attributes:
        s_mm, width_mm, thickness_mm: (n,) final sizes, without the allowance.
        strain: (n,) at the back at full draw; level: even strain of the working limb.
        working: (n,) bool.
        weight_n, string_mm: at full draw, and the string's length.
        uneven: rms departure from even over the working limb.
    """

    s_mm: Array
    width_mm: Array
    thickness_mm: Array
    strain: Array
    level: float
    working: NDArray[np.bool_]
    weight_n: float
    string_mm: float
    uneven: float


def _solve(shape: Outline, thick: Array, wanted: Wanted, handle_mm: float) -> tuple[float, float, Array, Array]:
    """Weight, string, moment and change of curvature (n,) at the outline's stations, at full draw."""
    section = crowned_section(shape.width_mm, thick, wanted.crown_radius_mm)
    ei = wanted.modulus_gpa * 1e3 * section.second_moment_mm4
    mass = section.area_mm2 * wanted.density_kg_m3 * 1e-9
    line = np.column_stack([shape.s_mm, np.zeros_like(shape.s_mm)])
    limb = chain_of(shape.s_mm, line, ei, mass, 80, handle_mm)
    bow = WholeBow(left=limb, right=limb)
    string, _ = brace(bow, wanted.brace_mm)
    draws = np.linspace(wanted.brace_mm + 20.0, wanted.draw_mm, 6)
    solved = solve_draws(bow, string, draws)
    moment = np.interp(shape.s_mm, limb.s_mm, solved.moment_nmm[-1, 1])
    bend = np.interp(shape.s_mm, limb.s_mm, solved.bend_per_mm[-1, 1])
    return float(solved.force_n[-1]), string, moment, bend


def lay_out(shape: Outline, handle_mm: float, wanted: Wanted, like: Layout | None = None) -> Layout:
    """Thicknesses for even strain and the weight. ``like``: a bow to start from, laid out before; it changes nothing but the time that it takes.

    Raises:
        NoEquilibriumError: no bow of that length can be drawn so far or braced so high.
        ValueError: the bow asked for is thicker or thinner than wood can be.
    """
    s = shape.s_mm
    length = float(s[-1])
    working = (s >= handle_mm + FADE_MM) & (s <= length - TIP_MM)
    if like is None:
        thick = np.interp(s, [0, handle_mm + FADE_MM, length], [24.0, 15.0, 10.0])
    else:
        thick = np.interp(s / length, like.s_mm / like.s_mm[-1], like.thickness_mm)
    weight, string = float("nan"), float("nan")
    moment = bend = np.zeros_like(s)
    moved = float("inf")
    for _ in range(ROUNDS):
        weight, string, moment, bend = _solve(shape, thick, wanted, handle_mm)
        # strain goes by one over the square of the thickness where the moment stays; the weight by its cube
        section = crowned_section(shape.width_mm, thick, wanted.crown_radius_mm)
        strain = np.maximum(moment, 1.0) * section.to_back_mm / (wanted.modulus_gpa * 1e3 * section.second_moment_mm4)
        inner = strain[working]
        new = thick.copy()
        new[working] *= np.sqrt(inner / np.mean(inner)) * (wanted.weight_n / weight) ** (1 / 3)
        new = _ends(s, new, working, handle_mm)
        moved = float(np.max(np.abs(new / thick - 1)))
        thick = np.exp(0.3 * np.log(thick) + 0.7 * np.log(new))
        if not (np.all(thick < THICKEST_MM) and np.all(thick > THINNEST_MM)):
            msg = (
                "it would be thicker than 60 mm or thinner than 4 mm somewhere: choose another length, width or weight"
            )
            raise ValueError(msg)
        if moved < 2e-4 and abs(weight / wanted.weight_n - 1) < 1e-3:
            break
    else:
        if moved > FAR_FROM_SETTLED or abs(weight / wanted.weight_n - 1) > FAR_FROM_SETTLED:
            msg = "thickness and bend do not come to rest: choose another length, width, draw or weight"
            raise NoEquilibriumError(msg)
    section = crowned_section(shape.width_mm, thick, wanted.crown_radius_mm)
    strain = bend * section.to_back_mm
    level = float(np.mean(strain[working]))
    return Layout(
        s_mm=s,
        width_mm=shape.width_mm,
        thickness_mm=thick,
        strain=strain,
        level=level,
        working=working,
        weight_n=weight,
        string_mm=string,
        uneven=float(np.sqrt(np.mean((strain[working] / level - 1) ** 2))),
    )


def _ends(s: Array, thick: Array, working: NDArray[np.bool_], handle_mm: float) -> Array:
    """Handle and fade thicker than the limb, the tip as thick as the limb is there."""
    first, last = np.flatnonzero(working)[[0, -1]]
    out = thick.copy()
    out[last + 1 :] = thick[last]
    root = thick[first]
    fade = np.clip((s[:first] - handle_mm) / FADE_MM, 0.0, 1.0)
    out[:first] = root * (HANDLE_TIMES + (1 - HANDLE_TIMES) * fade)
    return out


STEPS = 7
"""Halvings of a bracket: its edge is then known to a hundredth of the bracket."""


def _edge(
    laid_at: Callable[[float, Layout | None], Layout], most_strain: float, values: Sequence[float]
) -> float | None:
    """The first place along ``values`` from which on the strain stays under a limit, from the side that does; None where none does.

    A value at which no bow can be laid out counts as one that does not. ``laid_at``: the bow there, started from another one.
    """
    last: Layout | None = None

    def under(value: float) -> bool:
        nonlocal last
        try:
            last = laid_at(value, last)
        except (NoEquilibriumError, ValueError):
            last = None
            return False
        return last.level <= most_strain

    before: float | None = None
    for value in values:
        if not under(value):
            before = value
            continue
        if before is None:
            return value
        bad, good = before, value
        for _ in range(STEPS):
            middle = 0.5 * (bad + good)
            bad, good = (bad, middle) if under(middle) else (middle, good)
        return good
    return None


def least_width(shape: Outline, handle_mm: float, wanted: Wanted, most_strain: float) -> float | None:
    """By what factor the limb must be wider for the strain to stay under a limit; None where no width up to three times does."""

    def laid(factor: float, like: Layout | None) -> Layout:
        return lay_out(Outline(shape.s_mm, shape.width_mm * factor), handle_mm, wanted, like)

    return _edge(laid, most_strain, (1.0, 1.25, 1.5, 2.0, 2.5, 3.0))


def least_length(
    family: str, handle_mm: float, width_mm: float, tip_mm: float, length_mm: float, wanted: Wanted, most_strain: float
) -> float | None:
    """How long a limb must be for the strain to stay under a limit, mm; None where none up to half as long again does."""

    def laid(factor: float, like: Layout | None) -> Layout:
        return lay_out(outline(family, length_mm * factor, handle_mm, width_mm, tip_mm), handle_mm, wanted, like)

    factor = _edge(laid, most_strain, (1.0, 1.1, 1.2, 1.35, 1.5))
    return factor * length_mm if factor is not None else None


def most_weight(shape: Outline, handle_mm: float, wanted: Wanted, most_strain: float) -> float | None:
    """What a limb like that may weigh at that draw for the strain to stay under a limit, N; None where not even a quarter does."""

    def laid(share: float, like: Layout | None) -> Layout:
        return lay_out(shape, handle_mm, replace(wanted, weight_n=share * wanted.weight_n), like)

    share = _edge(laid, most_strain, (1.0, 0.85, 0.7, 0.5, 0.35, 0.25))
    return share * wanted.weight_n if share is not None else None


def most_draw(shape: Outline, handle_mm: float, wanted: Wanted, most_strain: float) -> float | None:
    """How far a bow like that may be drawn at that weight for the strain to stay under a limit, mm; None where not even half as far does."""

    def laid(share: float, like: Layout | None) -> Layout:
        if share * wanted.draw_mm < wanted.brace_mm + LEAST_DRAW_MM:
            msg = "that is hardly drawn at all"
            raise ValueError(msg)
        return lay_out(shape, handle_mm, replace(wanted, draw_mm=share * wanted.draw_mm), like)

    share = _edge(laid, most_strain, (1.0, 0.9, 0.8, 0.7, 0.6, 0.5))
    return share * wanted.draw_mm if share is not None else None


LEAST_DRAW_MM = 60.0
"""A bow is drawn at least so far beyond its brace height."""
