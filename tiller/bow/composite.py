"""Cross-section of a limb of several layers: backed or laminated, glue lines level, the back crowned as the whole limb's is.

Every layer counts by its modulus over the belly layer's (transformed section: Gere and Timoshenko, Mechanics of Materials, chapter on composite beams,
from memory). What lies between two levels of a crowned section has closed forms: the whole section, less the part that rises over the upper level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.bow.section import Section, crowned_section

Array = NDArray[np.float64]

LEAST_BELLY_MM = 1.0
"""So much of the belly's layer is left at least: nobody scrapes through a glue line."""


@dataclass(frozen=True)
class Above:
    """The layers over the belly's on some stations, the back's first.

    Attributes:
        thickness_mm: (k, n) of each, at the crown.
        stiffness: (k,) modulus over the belly layer's; density: likewise; bears: likewise, the strain that its material bears.
    """

    thickness_mm: Array
    stiffness: tuple[float, ...]
    density: tuple[float, ...]
    bears: tuple[float, ...]

    @property
    def total_mm(self) -> Array:
        """(n,) thickness of all of them."""
        return np.asarray(np.sum(self.thickness_mm, axis=0), dtype=float)


def thick_enough(thickness_mm: Array, least_mm: float, above: Above | None) -> Array:
    """The thickness (n,), and at least ``least_mm``, and something of the belly's layer."""
    least = least_mm if above is None else np.maximum(least_mm, above.total_mm + LEAST_BELLY_MM)
    return np.asarray(np.maximum(thickness_mm, least), dtype=float)


def limb_section(
    width_mm: ArrayLike, thickness_mm: ArrayLike, crown_radius_mm: float | None, above: Above | None
) -> Section:
    """Section of a limb whose belly layer is as thick as the others leave it.

    Args:
        width_mm, thickness_mm: (n,) or any shape that broadcasts with the layers' stations; thickness of the whole limb at the crown.
        crown_radius_mm: of the back; None = flat. above: None = of one piece.

    Returns:
        area_mm2 is that of a limb all of the belly layer's wood that weighs as much; neutral axis and second moment are those of a limb all of its
        modulus that is as stiff.

    Raises:
        ValueError: as ``crowned_section``, or the layers above leave nothing of the belly's.
    """
    if above is None:
        return crowned_section(width_mm, thickness_mm, crown_radius_mm)
    w, h = np.broadcast_arrays(np.asarray(width_mm, dtype=float), np.asarray(thickness_mm, dtype=float))
    levels = _levels(h, above)
    if np.any(levels[-2] <= 0):
        msg = "the layers are thicker than the limb: check them against the calipers"
        raise ValueError(msg)
    parts = [_under(w, h, crown_radius_mm, level) for level in levels]
    weight = np.zeros_like(w)
    area, first, second = np.zeros_like(w), np.zeros_like(w), np.zeros_like(w)
    for k, (stiff, dense) in enumerate(zip((*above.stiffness, 1.0), (*above.density, 1.0), strict=True)):
        own = [top - bottom for top, bottom in zip(parts[k], parts[k + 1], strict=True)]
        weight += dense * own[0]
        area, first, second = area + stiff * own[0], first + stiff * own[1], second + stiff * own[2]
    axis = first / area
    return Section(weight, axis, second - area * axis**2, h - axis, axis)


def bearing_mm(
    width_mm: ArrayLike, thickness_mm: ArrayLike, crown_radius_mm: float | None, above: Above | None
) -> Array:
    """From the neutral axis to the fibre that comes to its limit first, (n,), as far as if it bore what the belly's wood bears.

    Args and errors as ``limb_section``.
    """
    section = limb_section(width_mm, thickness_mm, crown_radius_mm, above)
    out = np.maximum(section.to_back_mm, section.to_belly_mm)
    if above is None:
        return np.asarray(out, dtype=float)
    levels = _levels(np.broadcast_to(np.asarray(thickness_mm, dtype=float), out.shape), above)
    out = np.maximum(section.to_belly_mm, np.abs(levels[-2] - section.neutral_axis_mm))
    for k, bears in enumerate(above.bears):
        far = np.maximum(np.abs(levels[k] - section.neutral_axis_mm), np.abs(levels[k + 1] - section.neutral_axis_mm))
        out = np.maximum(out, far / bears)
    return np.asarray(out, dtype=float)


def _levels(h: Array, above: Above) -> list[Array]:
    """Heights over the belly of the back, of every glue line, and of the belly itself."""
    out = [h]
    for thick in above.thickness_mm:
        out.append(out[-1] - thick)
    return [*out, np.zeros_like(h)]


def _under(w: Array, h: Array, radius: float | None, level: Array) -> tuple[Array, Array, Array]:
    """Area and its first and second moment about the belly of what lies under a level over it."""
    flat = radius is None or not np.isfinite(radius)
    edge = h if flat or radius is None else h - (radius - np.sqrt(np.maximum(radius**2 - 0.25 * w**2, 0.0)))
    level = np.clip(level, 0.0, h)
    block = (w * level, 0.5 * w * level**2, w * level**3 / 3.0)
    risen = level > edge
    if flat or radius is None or not np.any(risen):
        return block
    whole = _about_belly(w, h, radius)
    # over the level stands the middle of the crown, as wide as its chord there
    chord = 2.0 * np.sqrt(np.maximum(radius**2 - (radius - h + level) ** 2, 0.0))
    chord = np.where(risen, np.minimum(chord, w), w)
    cap = _about_belly(np.maximum(chord, 1e-9), h, radius)
    stump = (chord * level, 0.5 * chord * level**2, chord * level**3 / 3.0)
    cut = [a - b + c for a, b, c in zip(whole, cap, stump, strict=True)]
    return tuple(np.where(risen, c, b) for c, b in zip(cut, block, strict=True))  # type: ignore[return-value]


def _about_belly(w: Array, h: Array, radius: float) -> tuple[Array, Array, Array]:
    section = crowned_section(w, h, radius)
    first = section.area_mm2 * section.neutral_axis_mm
    return section.area_mm2, first, section.second_moment_mm4 + first * section.neutral_axis_mm
