"""A bow as it would be with wood off: what thinning does to stiffness, weight and strain, and the thinning that a weight asks.

The level of even strain of a given weight is found by secants: a bow of that weight carries a known moment at every station, so
each level fixes the thickness, and the thinned bow is solved anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.composite import Above, bearing_mm, limb_section, thick_enough
from tiller.bow.section import Section
from tiller.bow.sides import Pair
from tiller.mechanics.forward.belief import BowBelief, LimbBelief, bow_from
from tiller.mechanics.forward.elastica import brace, solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved
from tiller.quantity import newton

Array = NDArray[np.float64]

NEAR_WEAK_MM = 10.0
"""As far from a weak stretch or a feature no wood comes off either: a hand errs by as much (common practice, no source)."""
THINNEST_MM = 4.0
"""No limb is planned thinner than this (common practice, no source)."""
SEGMENTS = 40
"""The plan compares bows with each other: half as many segments as the forecast do."""


@dataclass(frozen=True, kw_only=True)
class LimbWood:
    """What the plan must know of a limb's wood, on the belief's stations (n,).

    Attributes:
        width_mm, thickness_mm: as calipers, outline and stiffness agree.
        from_mm, to_mm: working limb, from the end of the fade to the stiff tip.
        leave: stations that were not seen well enough to be touched.
        strain_share: share of the working strain that each may bear.
        features: places in the wood to be left alone: what, from, to.
        wanted: strain that is wanted over the common level; None = one everywhere.
        above: layers over the belly's wood; None where the limb is of one piece.
    """

    width_mm: Array
    thickness_mm: Array
    from_mm: float
    to_mm: float
    leave: NDArray[np.bool_]
    strain_share: Array
    features: tuple[tuple[str, float, float], ...] = ()
    wanted: Array | None = None
    above: Above | None = None


@dataclass(frozen=True)
class Aim:
    """What the bow shall be: weight at a draw when braced at a height, and the strain that its wood may bear."""

    draw_mm: float
    weight_n: float
    brace_mm: float
    working_strain: float


def inside(s_mm: Array, stretches: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    """Stations in any of the stretches (from, to)."""
    mask = np.zeros(len(s_mm), dtype=bool)
    for a, b in stretches:
        mask |= (s_mm >= a) & (s_mm <= b)
    return mask


def near_features(s_mm: Array, wood: LimbWood) -> NDArray[np.bool_]:
    """Stations of places to be left alone and beside them, as far as a hand may miss by."""
    return inside(s_mm, [(a - NEAR_WEAK_MM, z + NEAR_WEAK_MM) for _, a, z in wood.features])


@dataclass(frozen=True, kw_only=True)
class State:
    """A thinned bow at the target draw: by limb what was removed, strain of the back, and that over the wanted one; weight."""

    removal: Pair[Array]
    weight_n: float
    strain: Pair[Array]
    over_wanted: Pair[Array]
    moment: Pair[Array]
    solved: Solved


class Shop:
    """The bow that is planned for: belief, wood and section, and what thinning does to them."""

    def __init__(self, belief: BowBelief, wood: Pair[LimbWood], crown_mm: float | None, aim: Aim) -> None:
        self.belief, self.wood, self.crown, self.aim = belief, wood, crown_mm, aim
        self.limbs: Pair[LimbBelief] = Pair(belief.left, belief.right)
        self.inertia = tuple(self._section(k, w.thickness_mm).second_moment_mm4 for k, w in enumerate(wood))
        self.modulus = tuple(np.exp(b.log_ei) / i for b, i in zip(self.limbs, self.inertia, strict=True))
        self.thinnest = tuple(
            np.minimum(
                thick_enough(np.maximum(THINNEST_MM, self._crown_height(w) + 1.0), THINNEST_MM, w.above),
                w.thickness_mm - 0.01,
            )
            for w in wood
        )
        self.leave = tuple(w.leave | near_features(b.s_mm, w) for b, w in zip(self.limbs, wood, strict=True))
        self.wanted = tuple(np.ones(len(w.width_mm)) if w.wanted is None else w.wanted for w in wood)
        self.working = tuple((b.s_mm >= w.from_mm) & (b.s_mm <= w.to_mm) for b, w in zip(self.limbs, wood, strict=True))

    def _crown_height(self, wood: LimbWood) -> Array:
        if self.crown is None or not np.isfinite(self.crown):
            return np.zeros_like(wood.width_mm)
        return self.crown - np.sqrt(np.maximum(self.crown**2 - 0.25 * wood.width_mm**2, 0.0))

    def _section(self, k: int, thickness: Array) -> Section:
        return limb_section(self.wood[k].width_mm, thickness, self.crown, self.wood[k].above)

    def limiting(self, k: int, state: State) -> Array:
        """Strain (n,) that counts against the working strain: of the fibre that comes to its material's limit first."""
        left = np.maximum(self.wood[k].thickness_mm - state.removal[k], self.thinnest[k])
        far = bearing_mm(self.wood[k].width_mm, left, self.crown, self.wood[k].above)
        return np.asarray(state.strain[k] * far / self._section(k, left).to_back_mm, dtype=float)

    def log_ei(self, k: int, removal: Array) -> Array:
        """Log EI (n,) of limb k with that much off."""
        left = np.maximum(self.wood[k].thickness_mm - removal, self.thinnest[k])
        new = self._section(k, left).second_moment_mm4
        return np.asarray(self.limbs[k].log_ei + np.log(new / self.inertia[k]), dtype=float)

    def string(self, removal: Pair[Array]) -> float:
        """Length of the string that braces the bow so thinned."""
        bow = bow_from(self.belief, self.log_ei(0, removal[0]), self.log_ei(1, removal[1]), segments=SEGMENTS)
        return brace(bow, self.aim.brace_mm)[0]

    def drawn(self, removal: Pair[Array], string_mm: float, start: Solved | None) -> State:
        """The bow so thinned at the target draw."""
        bow = bow_from(self.belief, self.log_ei(0, removal[0]), self.log_ei(1, removal[1]), segments=SEGMENTS)
        solved = solve_draws(bow, string_mm, np.array([self.aim.draw_mm]), start)
        strain, moment = [], []
        for k, chain in enumerate((bow.left, bow.right)):
            s = self.limbs[k].s_mm
            m = np.interp(s, chain.s_mm, solved.moment_nmm[0, k])
            left = np.maximum(self.wood[k].thickness_mm - removal[k], self.thinnest[k])
            section = self._section(k, left)
            strain.append(m / (self.modulus[k] * section.second_moment_mm4) * section.to_back_mm)
            moment.append(m)
        over = Pair(strain[0] / self.wanted[0], strain[1] / self.wanted[1])
        return State(
            removal=removal,
            weight_n=float(solved.force_n[0]),
            strain=Pair(strain[0], strain[1]),
            over_wanted=over,
            moment=Pair(moment[0], moment[1]),
            solved=solved,
        )

    def even_removal(self, k: int, moment: Array, level: float) -> Array:
        """Removal (n,) at which the strain under that moment is the wanted share of ``level``; negative where wood is missing.

        Outside the working limb none. Strain falls nearly as the inverse square of the thickness: steps by that power.
        """
        wood = self.wood[k]
        thick = wood.thickness_mm.copy()
        for _ in range(4):
            section = self._section(k, thick)
            strain = moment / (self.modulus[k] * section.second_moment_mm4) * section.to_back_mm
            thick = np.clip(
                thick * np.sqrt(np.maximum(strain, 1e-9) / (level * self.wanted[k])),
                self.thinnest[k],
                1.6 * wood.thickness_mm,
            )
        return np.where(self.working[k], wood.thickness_mm - thick, 0.0)

    def even_at(self, level: float, weight_n: float, string_mm: float, state: State, turns: int = 1) -> State:
        """The bow thinned, where it is thick enough, to what would be strained to ``level`` by a weight of ``weight_n``."""
        for _ in range(turns):
            share = weight_n / state.weight_n
            removal = tuple(
                np.where(self.leave[k], 0.0, np.maximum(self.even_removal(k, share * state.moment[k], level), 0.0))
                for k in (0, 1)
            )
            state = self.drawn(Pair(removal[0], removal[1]), string_mm, state.solved)
        return state

    def level_of(self, state: State) -> float:
        """Median strain of both working limbs, over the wanted one."""
        return float(np.median(np.concatenate([state.over_wanted[k][self.working[k]] for k in (0, 1)])))

    def uneven(self, state: State) -> float:
        """Departure of the strain from what is wanted, rms of its logarithm over both working limbs."""
        logs = np.concatenate([np.log(state.over_wanted[k][self.working[k]]) for k in (0, 1)])
        return float(np.sqrt(np.mean((logs - np.median(logs)) ** 2)))

    def for_weight(self, weight_n: float, string_mm: float, state: State) -> tuple[State, float]:
        """The thinned bow that has this weight, and its level of strain."""
        strains = np.concatenate([state.over_wanted[k][self.working[k]] for k in (0, 1)]) * weight_n / state.weight_n
        low, high = 0.7 * float(np.min(strains)), 1.05 * float(np.max(strains))
        for turns in (1, 2, 3):
            state, level = self._between(low, high, weight_n, string_mm, state, turns)
            if abs(np.log(state.weight_n / weight_n)) < 1e-3:
                return state, level
            # the moments of a bow far from this one misled it: once more, from near by
            low, high = 0.97 * level, 1.03 * level
        msg = f"no thinning of the limbs that may be touched brings the bow to {newton(weight_n)}"
        raise NoEquilibriumError(msg)

    def _between(
        self, low: float, high: float, weight_n: float, string_mm: float, state: State, turns: int
    ) -> tuple[State, float]:
        """The level of strain between these (or beyond) with that weight, as near as it is found, and its bow."""
        state = self.even_at(high, weight_n, string_mm, state, 2)
        for _ in range(8):
            if state.weight_n < weight_n:
                break
            low, high = high, 1.25 * high
            state = self.even_at(high, weight_n, string_mm, state, 2)
        # weight falls with the level; halving, then secants in logarithms
        x0, x1 = np.log(low), np.log(high)
        y0, y1 = np.inf, np.log(state.weight_n / weight_n)
        level = high
        for _ in range(20):
            share = 0.5 if not np.isfinite(y0) else float(np.clip(y0 / max(y0 - y1, 1e-12), 0.1, 0.9))
            x = x0 + share * (x1 - x0)
            level = float(np.exp(x))
            state = self.even_at(level, weight_n, string_mm, state, turns)
            y = float(np.log(state.weight_n / weight_n))
            if abs(y) < 3e-4 or x1 - x0 < 1e-5:
                break
            if y > 0:
                x0, y0 = x, y
            else:
                x1, y1 = x, y
        return state, level
