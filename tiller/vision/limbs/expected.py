"""Where the limbs are to be expected at a draw, from the rest shape, the calipers and the string alone: geometry, no stiffness.

Limbs made for a bow bend about as even strain bends them: curvature over the thickness' inverse, running out at the tip. One
amplitude for both limbs is left, and the string's length gives it: from nock to hook to nock it is as long as it was made. This
is right to some 10-20 mm at the tips; how far the bow departs from it is taken from the nearest draw at which it was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Pair, Side, both, of_sides
from tiller.vision.limbs.limb import LimbModel

Array = NDArray[np.float64]

STEPS = 90
MOST_TURN = 2.0
"""Largest turn of a tip against its root that is tabled, rad."""
TIP_FROM = 0.85
"""From here on outward the bending runs out to nothing at the nock, as a share of the limb (common practice, no source)."""
STRAIN_PLAY = 0.06
"""The string stretches and its loops sit somewhere about the nock: within this share of the half string the amplitude is still sought."""


@dataclass(frozen=True)
class Bending:
    """The bow's expected shapes by amplitude.

    Attributes:
        models: the limbs at rest.
        lines: for each limb (m, n, 2), the line at each amplitude.
        nocks: for each limb (m, 2), its nock.
        string_mm: the string's length.
    """

    models: Pair[LimbModel]
    lines: Pair[Array]
    nocks: Pair[Array]
    string_mm: float

    @classmethod
    def of(cls, bow: Bow, models: Pair[LimbModel]) -> Bending:
        """The table for a bow whose limbs at rest are known."""
        lines: dict[Side, Array] = {}
        nocks: dict[Side, Array] = {}
        for side in SIDES:
            limb, model = bow.limb(side), models[side]
            s, sign = model.s_mm, model.sign
            mid = 0.5 * (s[1:] + s[:-1])
            bends = 1.0 / np.interp(mid, s, model.thickness_mm)
            out = (limb.length_mm - mid) / ((1.0 - TIP_FROM) * limb.length_mm)
            bends = np.where(mid < limb.working_from_mm, 0.0, bends * np.clip(out, 0.0, 1.0))
            turn = np.cumsum(bends * np.diff(s))
            turn = turn / turn[-1]
            step = np.diff(model.rest_mm, axis=0)
            rest = np.unwrap(np.arctan2(step[:, 1], step[:, 0] * sign))
            angle = rest[None, :] - np.linspace(0.0, MOST_TURN, STEPS)[:, None] * turn[None, :]
            way = np.stack([sign * np.cos(angle), np.sin(angle)], axis=-1) * np.diff(s)[None, :, None]
            root = np.broadcast_to(model.rest_mm[0], (STEPS, 1, 2))
            lines[side] = np.concatenate([root, model.rest_mm[0] + np.cumsum(way, axis=1)], axis=1)
            ahead = np.stack([sign * np.cos(angle[:, -1]), np.sin(angle[:, -1])], axis=-1)
            nocks[side] = lines[side][:, -1] + (limb.length_mm - s[-1]) * ahead
        return cls(models, both(lines), both(nocks), bow.string.length_mm)

    def at(self, hook_mm: tuple[float, float]) -> Pair[Array]:
        """The limbs' lines (n, 2) with the string's seat there; at rest where the string would be slack, and at the table's end beyond it."""
        hook = np.array(hook_mm)
        reach = sum(np.linalg.norm(self.nocks[side] - hook, axis=1) for side in SIDES)
        over = np.asarray(reach) - self.string_mm
        slack = np.flatnonzero(over <= 0.0)
        if len(slack) == 0:
            place = float(np.argmin(over))
        elif slack[0] == 0:
            place = 0.0
        else:
            k = int(slack[0])
            place = k - 1 + float(over[k - 1] / (over[k - 1] - over[k]))
        low = min(int(place), STEPS - 2)
        share = place - low
        return of_sides(lambda side: (1 - share) * self.lines[side][low] + share * self.lines[side][low + 1])


Shown = tuple[tuple[float, float], Pair[Array]]
"""The string's seat and the limbs' lines (n, 2) as they were seen with it there."""


def expected(bending: Bending, shown: Sequence[Shown], hook_mm: tuple[float, float]) -> Pair[Array]:
    """The limbs' lines (n, 2) with the string's seat there: as last seen at the nearest draws, carried on by what geometry says changed."""
    now = bending.at(hook_mm)
    if not shown:
        return now
    ordered = sorted(shown, key=lambda item: abs(item[0][1] - hook_mm[1]))
    first = ordered[0]
    then = bending.at(first[0])
    # the same departure from geometry is expected here; from two draws it is known how it goes on with the draw
    second = next((item for item in ordered[1:] if abs(item[0][1] - first[0][1]) > FAR_APART_MM), None)
    before = bending.at(second[0]) if second is not None else None

    def one(side: Side) -> Array:
        off = first[1][side] - then[side]
        if second is not None and before is not None:
            share = (hook_mm[1] - first[0][1]) / (second[0][1] - first[0][1])
            off = off + float(np.clip(share, -1.0, 1.0)) * (second[1][side] - before[side] - off)
        return np.asarray(now[side] + off)

    return of_sides(one)


FAR_APART_MM = 8.0
"""Two draws nearer than this tell no trend."""


def reach_of(shown: Sequence[Shown], hook_mm: tuple[float, float]) -> float:
    """How far the expectation may be off, mm."""
    if not shown:
        return UNSEEN_MM
    gap = min(abs(item[0][1] - hook_mm[1]) for item in shown)
    return min(3.0 + 0.08 * gap, UNSEEN_MM)


UNSEEN_MM = 45.0
"""How far the first drawn shape may lie off geometry: a bow with one limb a tenth stiffer has its tips 25 mm off at half its draw (statics of two
limbs of unlike stiffness, by the forward model)."""
