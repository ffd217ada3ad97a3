"""A bow that is roughed out from a layout, and the hand that scrapes it: both err as wood and people do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Side
from tiller.simulate.bowmaker import BowTruth, Knot, LimbTruth, wandering

Array = NDArray[np.float64]
Scrape = tuple[str, float, float, float]
"""Limb, from and to along the back from the pivot, depth; mm."""

HAND_MM = 60.0
HAND_SD, PLACE_SD, EDGE_SD_MM = 0.07, 0.16, 8.0
"""The hand's depth errs by 7 % in a whole pass and by 13 % from place to place, alike in all layers there, its ends by 8 mm
(common practice, no source)."""
GRID_MM = 5.0
FADE_MM, TIP_SHARE = 60.0, 0.865


def scraped(bow: BowTruth, passes: Sequence[Scrape], rng: np.random.Generator) -> BowTruth:
    """The bow after a pass by hand."""
    limbs = {side: bow.limb(side) for side in SIDES}
    hand = float(rng.normal(1.0, HAND_SD))
    place = {}
    for key in SIDES:
        knots = np.arange(0.0, limbs[key].length_mm + HAND_MM, HAND_MM)
        place[key] = np.interp(limbs[key].s_mm, knots, np.clip(rng.normal(1.0, PLACE_SD, len(knots)), 0.6, 1.4))
    for name, a, b, depth in passes:
        side = Side(name)
        limb: LimbTruth = limbs[side]
        shift = rng.normal(0, EDGE_SD_MM, 2)
        real = depth * hand * place[side]
        low, high = a + shift[0], b + shift[1]
        cut = np.clip((limb.s_mm - low + 8) / 16, 0, 1) * np.clip((high + 8 - limb.s_mm) / 16, 0, 1)
        limbs[side] = replace(limb, thickness_mm=limb.thickness_mm - real * cut)
    return replace(bow, left=limbs[Side.LEFT], right=limbs[Side.RIGHT])


@dataclass(frozen=True, kw_only=True)
class LaidOut:
    """A bow as it was laid out, and the wood that it is roughed out of.

    Attributes:
        stations: (n,) each, place along the back from the pivot, width and thickness; mm.
        allowance: share by which it is left thicker.
        wanted: draw and weight and brace height (mm, N, mm).
        handle_mm: stiff part from the pivot.
        modulus_gpa, density_kg_m3, crown_mm: of the piece; knots: lumps in its outline.
    """

    name: str
    wood: str
    stations: tuple[Array, Array, Array]
    allowance: float
    wanted: tuple[float, float, float]
    handle_mm: float
    modulus_gpa: float
    density_kg_m3: float
    crown_mm: float
    knots: tuple[Knot, ...] = ()


def roughed_out(laid: LaidOut, rng: np.random.Generator) -> BowTruth:
    """The true bow that comes of a layout: thicker by the allowance, with saw and axe's faults, in wood of its own modulus."""
    s0, width0, thick0 = laid.stations
    handle_mm, allowance = laid.handle_mm, laid.allowance
    length = float(s0[-1])
    limbs = {}
    for side in SIDES:
        s = np.linspace(0.0, length, int(round(length / GRID_MM)) + 1)
        even = np.interp(s, s0, thick0)
        fault = rng.normal(0, 0.01) + wandering(s, 90.0, 0.022, rng)
        working = np.clip((s - handle_mm - 20) / 40, 0, 1)
        crook = wandering(s, 60.0, 0.35, rng) * np.clip((s - 60.0) / 60.0, 0.0, 1.0)
        free = np.clip((s - 60.0) / 60.0, 0.0, 1.0)
        swing = float(np.sum(crook * (length - s)) / np.sum(free * (length - s)))
        limbs[side] = LimbTruth(
            s_mm=s,
            width_mm=np.interp(s, s0, width0),
            thickness_mm=even * (1 + working * (allowance + np.maximum(fault, 0.01 - allowance))),
            even_thickness_mm=even,
            modulus_gpa=laid.modulus_gpa * (1 + wandering(s, 70.0, 0.02, rng)),
            rest_curvature_per_m=crook - free * swing,
            length_mm=length,
            bend_from_mm=handle_mm + FADE_MM,
            bend_to_mm=TIP_SHARE * length,
            crown_radius_mm=laid.crown_mm,
        )
    draw, weight, brace = laid.wanted
    string = 2 * length * 1.012
    left, right = limbs[Side.LEFT], limbs[Side.RIGHT]
    return BowTruth(
        name=laid.name,
        wood=laid.wood,
        left=left,
        right=right,
        string_kind="long",
        string_mm=string,
        spots=(),
        knots=laid.knots,
        weight_n=weight,
        draw_mm=draw,
        brace_mm=brace,
        density_kg_m3=laid.density_kg_m3,
    )
