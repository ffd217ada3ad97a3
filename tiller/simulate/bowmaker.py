"""Bows for the rack in software: outline, thickness for even strain, faults, crooks, knots, wandering modulus.

Made by a recipe of our own. Nothing here is shared with the measuring side but units and the section's formula.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import crowned_section

Array = NDArray[np.float64]
Kind = Literal["weak", "stiff"]

STEP_MM = 5.0


@dataclass(frozen=True)
class Spot:
    """A stretch thinner (negative) or thicker than even; relative thickness."""

    limb: str
    from_mm: float
    to_mm: float
    rel_thickness: float

    @property
    def kind(self) -> Kind:
        """Weak where it is thinner."""
        return "weak" if self.rel_thickness < 0 else "stiff"


@dataclass(frozen=True)
class Knot:
    """A knot: a bump on the outline and a dark spot, without effect on the stiffness."""

    limb: str
    at_mm: float
    height_mm: float


@dataclass(frozen=True, kw_only=True)
class LimbTruth:
    """One true limb on a grid of s (mm from the middle of the handle along the back)."""

    s_mm: Array
    width_mm: Array
    thickness_mm: Array
    even_thickness_mm: Array
    modulus_gpa: Array
    rest_curvature_per_m: Array
    length_mm: float
    bend_from_mm: float
    bend_to_mm: float
    crown_radius_mm: float

    @property
    def ei_n_m2(self) -> Array:
        """Bending stiffness."""
        section = crowned_section(self.width_mm, self.thickness_mm, self.crown_radius_mm)
        return np.asarray(self.modulus_gpa * section.second_moment_mm4 * 1e-3, dtype=float)


@dataclass(frozen=True, kw_only=True)
class BowTruth:
    """A true bow.

    Attributes:
        string_mm: length of the string between the nocks; kind long or braced.
        spots, knots: what was put in.
        weight_n, draw_mm, brace_mm: what the bowyer wants.
        handle_mm: stiff part from the pivot.
    """

    name: str
    wood: str
    left: LimbTruth
    right: LimbTruth
    string_kind: str
    string_mm: float
    spots: tuple[Spot, ...]
    knots: tuple[Knot, ...]
    weight_n: float
    draw_mm: float
    brace_mm: float
    density_kg_m3: float
    handle_mm: float = 50.0

    def limb(self, side: str) -> LimbTruth:
        """The limb on that side."""
        return self.left if side == "left" else self.right


def through_handle(bow: BowTruth, from_mm: float = 20.0) -> BowTruth:
    """The bow with no stiff handle: as thick there as at the end of its fades, and bending where it rests."""

    def limb(one: LimbTruth) -> LimbTruth:
        def filled(thick: Array) -> Array:
            return np.where(one.s_mm < one.bend_from_mm, np.interp(one.bend_from_mm, one.s_mm, thick), thick)

        return replace(
            one,
            bend_from_mm=from_mm,
            thickness_mm=filled(one.thickness_mm),
            even_thickness_mm=filled(one.even_thickness_mm),
        )

    return replace(bow, left=limb(bow.left), right=limb(bow.right), handle_mm=0.0)


def wandering(s: Array, length_mm: float, sd: float, rng: np.random.Generator) -> Array:
    """A smooth random line of the given sd and correlation length (sum of a few sines)."""
    out = np.zeros_like(s)
    for k in range(1, 7):
        wave = length_mm * 4.0 / k * rng.uniform(0.7, 1.4)
        out += rng.normal() / np.sqrt(6) * np.sqrt(2) * np.sin(2 * np.pi * (s / wave + rng.uniform()))
    return sd * out


def _fade(s: Array, handle: float, end: float) -> Array:
    """1 in the handle, 0 from the end of the fade, smooth between."""
    x = np.clip((s - handle) / (end - handle), 0.0, 1.0)
    return 1.0 - x * x * (3.0 - 2.0 * x)


@dataclass(frozen=True, kw_only=True)
class LimbPlan:
    """A limb as it is wanted.

    Attributes:
        length_mm, width_mm, root_mm: length, full width and thickness at the root.
        parallel: the share of the limb that keeps its full width before it tapers.
        modulus_gpa, modulus_sd: of the wood, and its relative scatter along the limb.
        crown_mm: radius of the back; crook_per_m: scatter of its own curvature.
    """

    length_mm: float
    width_mm: float
    root_mm: float
    parallel: float
    modulus_gpa: float
    crown_mm: float
    crook_per_m: float
    modulus_sd: float


def make_limb(plan: LimbPlan, rng: np.random.Generator) -> LimbTruth:
    """A limb whose thickness makes the strain even under a moment that falls linearly to the nock."""
    length_mm, width_mm, parallel = plan.length_mm, plan.width_mm, plan.parallel
    s = np.linspace(0.0, length_mm, int(round(length_mm / STEP_MM)) + 1)
    handle, fade_end = 50.0, 110.0
    taper_from = fade_end + parallel * (length_mm - fade_end)
    tip_width = 13.0
    width = np.where(
        s < taper_from, width_mm, width_mm + (tip_width - width_mm) * (s - taper_from) / (length_mm - taper_from)
    )
    width = np.maximum(width, tip_width)
    stiff_from = 0.865 * length_mm
    lever = (length_mm - np.minimum(s, stiff_from)) * (1.0 + 0.12 * np.minimum(s, stiff_from) / length_mm)
    root_lever = (length_mm - fade_end) * (1.0 + 0.12 * fade_end / length_mm)
    modulus = plan.modulus_gpa * (1.0 + wandering(s, 70.0, plan.modulus_sd, rng))
    # strain ~ M / (E w h^2): even when h ~ sqrt(M / (E w))
    at_root = np.interp(fade_end, s, modulus * width)
    thickness = plan.root_mm * np.sqrt(lever / root_lever * at_root / (modulus * width))
    tip = float(np.interp(stiff_from, s, thickness))
    thickness = np.where(s >= stiff_from, tip, thickness)
    share = _fade(s, handle, fade_end)
    thickness = thickness * (1 - share) + 29.0 * share
    width = width * (1 - share) + 29.0 * share
    crook = wandering(s, 60.0, plan.crook_per_m, rng) * np.clip((s - 60.0) / 60.0, 0.0, 1.0)
    # a stave is trued up before it comes to the rack: the crook leaves the nock within a centimetre of the line
    free = np.clip((s - 60.0) / 60.0, 0.0, 1.0)
    swing = float(np.sum(crook * (length_mm - s)) / np.sum(free * (length_mm - s)))
    crook = crook - free * (swing + rng.normal(0.0, 0.015))
    return LimbTruth(
        s_mm=s,
        width_mm=width,
        thickness_mm=thickness,
        even_thickness_mm=thickness.copy(),
        modulus_gpa=modulus,
        rest_curvature_per_m=crook,
        length_mm=length_mm,
        bend_from_mm=fade_end,
        bend_to_mm=stiff_from,
        crown_radius_mm=plan.crown_mm,
    )


def with_spot(limb: LimbTruth, spot: Spot) -> LimbTruth:
    """The limb with a spot of other thickness, its ends run out over 25 mm."""
    up = np.clip((limb.s_mm - spot.from_mm + 12.5) / 25.0, 0.0, 1.0)
    down = np.clip((spot.to_mm + 12.5 - limb.s_mm) / 25.0, 0.0, 1.0)
    return replace(limb, thickness_mm=limb.thickness_mm * (1.0 + spot.rel_thickness * np.minimum(up, down)))


def random_bow(
    rng: np.random.Generator,
    name: str = "rack_bow",
    spots: tuple[Spot, ...] | None = None,
    knots: int = 0,
    crook_per_m: float = 0.5,
    string_kind: str | None = None,
) -> BowTruth:
    """A bow at random; spots of 6-8 % over 90-130 mm where none are given."""
    length = rng.uniform(800, 880)
    width = rng.uniform(34, 48)
    parallel = float(rng.choice([0.0, 0.35, 0.5]))
    modulus = rng.uniform(9.0, 15.0)
    weight = rng.uniform(130, 240)
    # a bow of this length pulls about weight when the root is this thick (rule of thumb, refined by the solver)
    root = 14.6 * (weight / 190.0) ** (1 / 3) * (42.0 / width) ** (1 / 3) * (12.0 / modulus) ** (1 / 3)
    crown = rng.uniform(60, 140)
    limbs = {
        side: make_limb(
            LimbPlan(
                length_mm=length + rng.normal(0, 3),
                width_mm=width,
                root_mm=root * (1 + rng.normal(0, 0.006)),
                parallel=parallel,
                modulus_gpa=modulus,
                crown_mm=crown,
                crook_per_m=crook_per_m,
                modulus_sd=0.025,
            ),
            rng,
        )
        for side in ("left", "right")
    }
    if spots is None:
        at = rng.uniform(180, 0.72 * length)
        size = rng.uniform(90, 130)
        spots = (
            Spot(
                str(rng.choice(["left", "right"])), at, at + size, float(rng.choice([-1, 1])) * rng.uniform(0.06, 0.08)
            ),
        )
    for spot in spots:
        limbs[spot.limb] = with_spot(limbs[spot.limb], spot)
    lumps = tuple(
        Knot(str(rng.choice(["left", "right"])), rng.uniform(180, 0.75 * length), rng.uniform(1.0, 2.5))
        for _ in range(knots)
    )
    kind = string_kind or str(rng.choice(["long", "braced"]))
    both = limbs["left"].length_mm + limbs["right"].length_mm
    string = both * (1.012 if kind == "long" else 0.966)
    return BowTruth(
        name=name,
        wood="black locust",
        left=limbs["left"],
        right=limbs["right"],
        string_kind=kind,
        string_mm=string,
        spots=spots,
        knots=lumps,
        weight_n=weight,
        draw_mm=rng.uniform(600, 660),
        brace_mm=150.0,
        density_kg_m3=690.0,
    )
