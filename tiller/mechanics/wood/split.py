"""How a log is split through its pith into staves: which parts a stave of a wanted width and depth fits in, with knots and checks kept where they do least.

A part between two radial splits an angle apart is, at a distance d from the pith, 2 d tan(angle / 2) wide; a stave of width w keeps its back under the bark
and reaches inward until the part is narrower than w.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.wood.logshape import Rim, crown_radius_mm

Array = NDArray[np.float64]

PARTS = (2, 3, 4, 6, 8)
CORE_MM = 10.0
"""The pith and what is next to it is left away: it checks (common practice, no source)."""
SPLIT_LOSS_MM = 4.0
"""A split wanders; so much is hewn off either side (common practice, no source)."""
MIDDLE_SHARE = 0.6
"""A knot within this share of the stave's width about its middle is in the way (common practice, no source)."""
STEP_RAD = float(np.deg2rad(2.0))


@dataclass(frozen=True)
class Flaw:
    """A knot or a check of the log: at which angle (counter-clockwise from x, as seen at this end), and how far it reaches to either side at the surface, mm."""

    kind: str
    angle_rad: float
    half_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Part:
    """One piece of a split log.

    Attributes:
        from_rad, to_rad: its splits; middle_rad: where the stave's back lies.
        depth_mm: how deep a stave of the wanted width is in it; crown_mm: radius of its back; fits: it is deep enough.
        spoiled: flaws in the middle of it.
    """

    from_rad: float
    to_rad: float
    middle_rad: float
    depth_mm: float
    crown_mm: float
    fits: bool
    spoiled: tuple[Flaw, ...]

    @property
    def clear(self) -> bool:
        """It gives a stave, and nothing spoils its middle."""
        return self.fits and not self.spoiled


@dataclass(frozen=True)
class Splitting:
    """A log split evenly into ``count`` parts."""

    count: int
    parts: tuple[Part, ...]

    @property
    def staves(self) -> int:
        """How many clear staves it gives."""
        return sum(part.clear for part in self.parts)


def depth_in(radius_mm: float, angle_rad: float, width_mm: float) -> float:
    """How deep a stave of a width is that lies under the surface of a round part, between splits an angle apart; negative where it does not fit."""
    half = 0.5 * width_mm
    if radius_mm <= half:
        return -1.0
    outer = float(np.sqrt(radius_mm**2 - half**2))  # where the crown meets the stave's sides
    if angle_rad >= np.pi - 1e-9:
        inner = CORE_MM
    else:
        inner = max(CORE_MM, (half + SPLIT_LOSS_MM / np.cos(0.5 * angle_rad)) / np.tan(0.5 * angle_rad))
    return outer - inner


def split(rim: Rim, count: int, width_mm: float, depth_mm: float, flaws: Sequence[Flaw] = ()) -> Splitting:
    """The log split evenly through its pith into parts, turned so that it gives the most clear staves.

    Among ways that give as many, flaws lie farthest from the middles, then the staves are deepest.

    Args:
        width_mm, depth_mm: of a stave, with what is hewn off. flaws: knots and checks.
    """
    angle = 2 * np.pi / count
    tried: list[tuple[tuple[float, float, float], Splitting]] = []
    for first in np.arange(0.0, angle - 1e-9, STEP_RAD):
        parts = tuple(_part(rim, first + k * angle, angle, width_mm, depth_mm, flaws) for k in range(count))
        away = [
            abs(_off(f.angle_rad, p.middle_rad))
            for p in parts
            for f in flaws
            if abs(_off(f.angle_rad, p.middle_rad)) <= angle / 2
        ]
        merit = (
            float(sum(p.clear for p in parts)),
            round(min(away, default=angle), 3),
            float(min(p.depth_mm for p in parts)),
        )
        tried.append((merit, Splitting(count, parts)))
    return max(tried, key=lambda one: one[0])[1]


def ways(rim: Rim, width_mm: float, depth_mm: float, flaws: Sequence[Flaw] = ()) -> tuple[Splitting, ...]:
    """All splittings of ``PARTS``, those that give most staves first, of as many the one with fewer splits."""
    every = [split(rim, count, width_mm, depth_mm, flaws) for count in PARTS]
    return tuple(sorted(every, key=lambda s: (-s.staves, s.count)))


def _part(rim: Rim, first: float, angle: float, width: float, depth: float, flaws: Sequence[Flaw]) -> Part:
    middle = first + 0.5 * angle
    # the side where the stave's own edges come out may be nearer to the pith than its middle
    half = float(np.arcsin(np.clip(0.5 * width / float(rim.radius_mm(middle)[0]), 0.0, 1.0)))
    at = rim.radius_mm(np.linspace(middle - half, middle + half, 9))
    deep = depth_in(float(np.min(at)), angle, width)
    radius = float(rim.radius_mm(middle)[0])
    spoiled = []
    for flaw in flaws:
        off = _off(flaw.angle_rad, middle)
        if abs(off) > 0.5 * angle:
            continue
        # a check runs to the pith: it comes nearest to the stave's middle at its inner face
        at_mm = max(radius - depth, CORE_MM) if flaw.kind == "check" else radius
        aside = abs(off) * at_mm - flaw.half_mm
        # a knot at the edge may stay; a check opens the stave wherever it passes through it
        if aside < 0.5 * width * (1.0 if flaw.kind == "check" else MIDDLE_SHARE):
            spoiled.append(flaw)
    return Part(
        from_rad=float(first % (2 * np.pi)),
        to_rad=float((first + angle) % (2 * np.pi)),
        middle_rad=float(middle % (2 * np.pi)),
        depth_mm=deep,
        crown_mm=crown_radius_mm(rim, middle, width),
        fits=deep >= depth,
        spoiled=tuple(spoiled),
    )


def _off(angle: float, middle: float) -> float:
    """Angle from a middle, -pi to pi."""
    return float((angle - middle + np.pi) % (2 * np.pi) - np.pi)
