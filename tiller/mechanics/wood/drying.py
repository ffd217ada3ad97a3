"""How a stave dries: its mass over time comes to a level; when it will be dry enough, with the band.

Wood dries by diffusion: quick at first, with the root of time, then slower and slower. The mass left to lose of a plate is

    dw/dt = d/dx (D(w) dw/dx),   -D dw/dx = B w at the surface

with B how freely the surface gives (Crank, The Mathematics of Diffusion, 2nd ed. 1975, chapter 4, from memory) and D = exp(k w)
greater in wet wood than in dry; a square bar loses through four sides, E squared. Neither B nor k nor the shape is known, and
weigh-ins alone hardly tell them: all of them are tried on a grid and count by how well they fit, so that the band holds what the
weigh-ins leave open.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

Array = NDArray[np.float64]

FEWEST = 4
LEAST_SD_KG = 0.003
"""A kitchen scale and a hand do no better than this (common practice, no source)."""
DRAWS = 400
RESISTANCES = (0.1, 0.5, 1.2, 3.0, 8.0, 40.0, 1000.0)
SLOWER = (1.0, 2.0, 4.0, 8.0)
"""Dry wood gives its water so many times more slowly than the stave did at first (common practice, no source)."""
CELLS, STEPS = 40, 400
AIR_SHARE = 0.008
"""The air that a stave dries in wanders by so much that its level does, as a share (5 % of humidity; common practice, no source)."""
PACES = 160
UNLIKELY = 14.0
"""Paces whose log likelihood is this much under the best one's are left out of the finer grid."""
MODEL_SHARE = 0.1
"""Wood does not dry quite as any such curve: the mass still to be lost is known to no better than this (common practice, no source)."""
LEVEL_SHARE, LEVEL_SPREAD = 0.85, 0.2
"""Before anything is fitted the level lies about here, as a share of the last weigh-in (common practice, no source)."""
LEAST_SURE = 0.3
"""A level whose sd is more than this share of what was lost and is to be lost is none."""


@lru_cache(maxsize=1)
def _forms() -> tuple[Array, Array]:
    """Of each form (surface resistance, how much slower dry wood is, plate or bar) what is left to lose: times u (k,) in units of its
    slowest e-time, and E (f, k). By finite differences, implicit in time, all forms at once."""
    resistance, slower = (v.ravel() for v in np.meshgrid(RESISTANCES, np.log(SLOWER), indexing="ij"))
    first = np.array([brentq(lambda b, r=r: b * np.sin(b) - r * np.cos(b), 1e-9, 0.5 * np.pi) for r in resistance])
    u = np.concatenate([[0.0], np.geomspace(1e-6, 40.0, STEPS)])
    h = 1.0 / CELLS
    wet = np.ones((len(resistance), CELLS))  # cell 0 in the middle, the last one under the surface
    rows = [np.ones(len(resistance))]
    for step in np.diff(u):
        dt = (step / first**2)[:, None]  # the slowest part falls as exp(-first^2 t)
        give = np.exp(slower[:, None] * wet)
        between = 0.5 * (give[:, 1:] + give[:, :-1]) / h**2
        out = 1.0 / (h * (1 / resistance + 0.5 * h / give[:, -1]))
        lower = np.concatenate([np.zeros((len(first), 1)), -between], axis=1) * dt
        upper = np.concatenate([-between, np.zeros((len(first), 1))], axis=1) * dt
        middle = 1 - lower - upper
        middle[:, -1] += out * dt[:, 0]
        # Thomas' algorithm over the cells, side by side for all forms
        c, d = np.empty_like(wet), np.empty_like(wet)
        c[:, 0], d[:, 0] = upper[:, 0] / middle[:, 0], wet[:, 0] / middle[:, 0]
        for k in range(1, CELLS):
            below = middle[:, k] - lower[:, k] * c[:, k - 1]
            c[:, k] = upper[:, k] / below
            d[:, k] = (wet[:, k] - lower[:, k] * d[:, k - 1]) / below
        wet = d.copy()
        for k in range(CELLS - 2, -1, -1):
            wet[:, k] = d[:, k] - c[:, k] * wet[:, k + 1]
        rows.append(np.mean(wet, axis=1))
    plate = np.array(rows).T
    return u, np.concatenate([plate, plate**2])


def _left(form: NDArray[np.int64] | int, u: Array) -> Array:
    grid, rows = _forms()
    return np.asarray(np.interp(u, grid, rows[form], right=0.0), dtype=float)


@dataclass(frozen=True, kw_only=True)
class Drying:
    """The curves that weigh-ins allow, as DRAWS draws of the posterior.

    Attributes:
        level_kg, level_sd_kg: where it comes to.
        levels_kg, firsts_kg, paces_days, forms: (k,) of each draw: level, mass at the first weigh-in, slowest e-time, form.
        rms_kg: how far weigh-ins lie off the likeliest curve.
    """

    level_kg: float
    level_sd_kg: float
    levels_kg: Array
    firsts_kg: Array
    paces_days: Array
    forms: NDArray[np.int64]
    rms_kg: float

    def masses(self, days: Array) -> Array:
        """Mass of every draw at those days, (k, n) kg."""
        left = np.array([_left(int(f), np.asarray(days) / p) for f, p in zip(self.forms, self.paces_days, strict=True)])
        return np.asarray(self.levels_kg[:, None] + (self.firsts_kg - self.levels_kg)[:, None] * left, dtype=float)

    def mass(self, days: Array) -> Array:
        """Mass at those days (n,), kg: the median of the draws."""
        return np.asarray(np.median(self.masses(days), axis=0), dtype=float)


@dataclass(frozen=True)
class Ready:
    """When the stave will have come down to a mass: days from the first weigh-in, median and 1-sd band; inf = not in sight."""

    days: float
    early_days: float
    late_days: float


def fit_drying(days: Array, mass_kg: Array, seed: int = 0) -> Drying | None:
    """The curves through weigh-ins (n,), None where they do not tell one: too few, or no level in sight yet.

    Args:
        days: from the first weigh-in, ascending; mass_kg: kg.
        seed: of the draws.
    """
    t, m = np.asarray(days, dtype=float), np.asarray(mass_kg, dtype=float)
    if len(t) < FEWEST or t[-1] - t[0] < 10.0 or m[0] - m[-1] < 3 * LEAST_SD_KG:
        return None
    forms = np.arange(len(_forms()[1]))
    at, spread = LEVEL_SHARE * m[-1], LEVEL_SPREAD * m[-1]

    def curves(paces: Array) -> tuple[NDArray[np.int64], Array, Array]:
        """Forms and paces (g,) in all pairs, and what level and first mass do to each weigh-in, (g, n, 2); paces (f, p)."""
        left = np.array([_left(int(f), t[None, :] / paces[f][:, None]) for f in forms]).reshape(-1, len(t))
        return np.repeat(forms, paces.shape[1]), paces.ravel(), np.stack([1 - left, left], axis=-1)

    def solve(design: Array, noise: float) -> tuple[Array, Array, Array]:
        precision = np.einsum("gni,gnj->gij", design, design) / noise**2
        precision[:, 0, 0] += 1 / spread**2
        right = np.einsum("gni,n->gi", design, m) / noise**2
        right[:, 0] += at / spread**2
        cov = np.linalg.inv(precision + 1e-12 * np.eye(2))
        mean = np.einsum("gij,gj->gi", cov, right)
        off = m - np.einsum("gni,gi->gn", design, mean)
        score = -0.5 * np.sum(off**2, axis=1) / noise**2 - 0.5 * ((mean[:, 0] - at) / spread) ** 2
        return mean, cov, score + 0.5 * np.linalg.slogdet(cov)[1]

    coarse = np.tile(np.geomspace(0.05 * t[-1], 20.0 * t[-1], PACES), (len(forms), 1))
    form, pace, design = curves(coarse)
    mean, cov, score = solve(design, LEAST_SD_KG)
    best = int(np.argmax(score))
    rms = float(np.sqrt(np.mean((m - design[best] @ mean[best]) ** 2)))
    noise = max(LEAST_SD_KG, rms * float(np.sqrt(len(t) / max(len(t) - 3, 1))))
    _, _, score = solve(design, noise)
    by_form = score.reshape(len(forms), PACES)
    fine = np.empty_like(coarse)
    for f, row in enumerate(by_form):  # where each form is likely at all, a finer grid
        near = np.flatnonzero(row > np.max(row) - UNLIKELY)
        low, high = coarse[f, max(near[0] - 1, 0)], coarse[f, min(near[-1] + 1, PACES - 1)]
        fine[f] = np.geomspace(low, high, PACES)
    form, pace, design = curves(fine)
    mean, cov, score = solve(design, noise)
    step = np.repeat(np.log(fine[:, -1] / fine[:, 0]), PACES)  # each form's grid has its own
    weight = np.exp(score - np.max(score)) * step
    rng = np.random.default_rng(seed)
    pick = rng.choice(len(weight), size=DRAWS, p=weight / np.sum(weight))
    root = np.linalg.cholesky(cov[pick])
    drawn = mean[pick] + np.einsum("kij,kj->ki", root, rng.normal(size=(DRAWS, 2)))
    to_lose = np.maximum(m[-1] - drawn[:, 0], 0.0) * (1 + MODEL_SHARE * rng.normal(size=DRAWS))
    levels = np.clip(np.where(to_lose > 0, m[-1] - to_lose, drawn[:, 0]), 0.1 * m[-1], m[-1] + 3 * LEAST_SD_KG)
    levels = levels * (1 + AIR_SHARE * rng.normal(size=DRAWS))
    sd = float(np.std(levels))
    level = float(np.median(levels))
    if sd > LEAST_SURE * (m[0] - level):
        return None
    return Drying(
        level_kg=level,
        level_sd_kg=sd,
        levels_kg=levels,
        firsts_kg=drawn[:, 1],
        paces_days=pace[pick],
        forms=form[pick],
        rms_kg=rms,
    )


BAND, OWN_BAND = (16, 50, 84), (2, 50, 90)
"""Percentiles of the draws that the day's band is made of; where the wanted mass hangs on the curve's own level, which errs to
the wet side while a stave is still far from it, a wider one that reaches further to the early side (set on simulated bars of
tests/staves; no weigh-ins of a real stave are at hand)."""


def ready(curve: Drying, wanted_kg: float | Array, own_level: bool = False) -> Ready:
    """When the curve passes a mass.

    Args:
        wanted_kg: the mass, or one for each draw (k,) where it hangs on the same unknowns.
        own_level: it hangs on the level that these weigh-ins come to.
    """
    wanted = np.broadcast_to(np.asarray(wanted_kg, dtype=float), curve.levels_kg.shape)
    share = (wanted - curve.levels_kg) / (curve.firsts_kg - curve.levels_kg)
    grid, rows = _forms()
    days = np.full(len(share), np.inf)
    for k, (part, form, pace) in enumerate(zip(share, curve.forms, curve.paces_days, strict=True)):
        if part >= 1:
            days[k] = 0.0
        elif part > rows[form][-1] and part > 1e-6:
            days[k] = pace * float(np.interp(-part, -rows[form], grid))
    early, middle, late = np.percentile(days, OWN_BAND if own_level else BAND, method="nearest")
    return Ready(float(middle), float(early), float(late))
