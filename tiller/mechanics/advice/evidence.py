"""How much of a measured departure from even strain is to be believed, and so to be scraped.

A map of stiffness errs by some 2 %, alike over some 50 mm. Taken as it stands, that error is carved into the wood. What is acted on is the best guess of
the true departure instead: the measured one, averaged over what a scraper reaches, times a share that grows with its evidence (the positive-part
shrinkage of James and Stein 1961, locally: Efron and Morris 1973, both from memory). Where the departures of a stretch are no larger than the map's own
error, nothing of them is acted on; where they are several times as large, nearly all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair

Array = NDArray[np.float64]

SCRAPED_MM = 60.0
"""What departs over less than this is not scraped (a scraper's stroke, common practice, no source)."""
AROUND_MM = 120.0
"""The evidence of a place is judged over this much around it."""
CAUTION = 2.5
"""How many times the map's own variance a departure's square must be before any of it is acted on: wood cannot be put back."""
SECTION_SD = 0.015
"""What the section's shape and geometry add to the error of a stretch's strain (independent rig, nine recordings: 60 mm stretches err by 2.6 %
against their limb, where 2.1 % are stated)."""
BALANCE_SD = 0.004
"""What geometry adds to the error of one limb's strain against the other's (the same recordings: half the difference errs by 0.4 %)."""
EVEN_SD = 0.019
"""How far the true strain is from even where nothing shows (rms in the course of tillering with the independent rig's errors, tests.bench.course)."""


ALIKE_MM = 40.0
"""What nothing shows of errs alike over about this much (a Gaussian's sd; a scraper's stretch)."""
DRAWS = 400
TRY_SD = 0.5
"""How much more or less the true departures of a bow are than those of the usual one, relative sd (bows of tests.bench.course)."""


@dataclass(frozen=True)
class Believed:
    """What is believed of one limb's departures from the common level of strain.

    Attributes:
        departure: (n,) log of strain over the level, as it is acted on; 0 outside the working limb.
        sd: (n,) how far the true one is from that.
    """

    departure: Array
    sd: Array


@dataclass(frozen=True)
class Doubt:
    """What is not known of the departures of both limbs' working stations, left before right.

    Attributes:
        cov: (n, n) of the true departure about the one acted on, as far as the map shows anything; rest_cov: as far as it shows nothing.
        stretches: (n, n) the mean over a scraper's stretch about each station, within its limb.
    """

    cov: Array
    rest_cov: Array
    stretches: Array

    def stretch_sd(self) -> Array:
        """Sd (n,) of the departure of the stretch about each station."""
        both = self.cov + self.rest_cov
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", self.stretches, both, self.stretches)), dtype=float)

    @cached_property
    def _draws(self) -> Array:
        """True departures (n, DRAWS) of bows of that doubt, from the one acted on."""
        rng = np.random.default_rng(1)
        both = _root(self.cov) @ rng.standard_normal((len(self.cov), DRAWS))
        both += _root(self.rest_cov) @ rng.standard_normal((len(self.cov), DRAWS))
        return np.asarray(np.exp(TRY_SD * rng.standard_normal(DRAWS) - 0.5 * TRY_SD**2) * both, dtype=float)

    def unevenness(self, departure: Array) -> tuple[float, float, float]:
        """How uneven the true bow is, as rms: expected, and the ends of a band that holds it in 80 of 100 bows.

        Args:
            departure: (n,) what is acted on.
        """
        true = departure[:, None] + self._draws
        true -= np.median(true, axis=0)
        rms = np.sqrt(np.mean(true**2, axis=0))
        low, high = np.quantile(rms, (0.1, 0.9))
        return float(np.mean(rms)), float(low), float(high)


def _root(cov: Array) -> Array:
    values, vectors = np.linalg.eigh(cov)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), dtype=float)


def believed(
    s_mm: Pair[Array],
    log_strain: Pair[Array],
    cov: Pair[Array],
    working: Pair[NDArray[np.bool_]],
) -> tuple[Believed, Believed, Doubt]:
    """What is believed of both limbs' departures, and how far the truth may be from it.

    Args:
        s_mm: (n,) stations, evenly spaced; log_strain: (n,) at the target; cov: (n, n) of the log of EI; working: (n,) the working limb.
    """
    levels = [float(np.mean(log[work])) for log, work in zip(log_strain, working, strict=True)]
    common = 0.5 * (levels[0] + levels[1])
    # one limb against the other
    variance = BALANCE_SD**2
    for c, work in zip(cov, working, strict=True):
        variance += 0.25 * float(np.mean(c[np.ix_(work, work)]))
    off = 0.5 * (levels[0] - levels[1])
    share = off * off / (off * off + variance)
    rest_variance = (1.0 - share) * (0.5 * EVEN_SD) ** 2
    balance_sd = float(np.sqrt(share * variance + rest_variance))
    out, seen, unseen, stretches, sides = [], [], [], [], []
    for k in (0, 1):
        s, work = s_mm[k][working[k]], working[k]
        local = log_strain[k][work] - levels[k]
        near = _mean_over(s, SCRAPED_MM)
        level = near - 1.0 / len(s)
        smooth = near @ local
        alike = np.exp(-0.5 * ((s[:, None] - s[None, :]) / ALIKE_MM) ** 2)
        errs = level @ cov[k][np.ix_(work, work)] @ level.T + SECTION_SD**2 * alike
        error = np.diag(errs)
        around = _mean_over(s, AROUND_MM)
        weight = np.array([_share(e, v) for e, v in zip(around @ smooth**2, around @ error, strict=True)])
        departure, sd = np.zeros(len(working[k])), np.zeros(len(working[k]))
        departure[work] = (levels[k] - common) * share + weight * smooth
        sd[work] = np.sqrt(weight * error + (1.0 - weight) * EVEN_SD**2 + balance_sd**2)
        out.append(Believed(departure, sd))
        seen.append(np.sqrt(np.outer(weight, weight)) * errs)
        unseen.append(np.sqrt(np.outer(1.0 - weight, 1.0 - weight)) * EVEN_SD**2 * alike)
        stretches.append(near)
        sides.append(np.full(len(s), 1.0 - 2.0 * k))
    side = np.concatenate(sides)
    between = np.outer(side, side)
    doubt = Doubt(
        _side_by_side(*seen) + share * variance * between,
        _side_by_side(*unseen) + rest_variance * between,
        _side_by_side(*stretches),
    )
    return out[0], out[1], doubt


def _side_by_side(left: Array, right: Array) -> Array:
    out = np.zeros((len(left) + len(right), left.shape[1] + right.shape[1]))
    out[: len(left), : left.shape[1]] = left
    out[len(left) :, left.shape[1] :] = right
    return out


def shown_further(error_sd: float, draw_mm: float, further_mm: float, taut_mm: float) -> float:
    """Sd with which a pull that goes further will show a stretch.

    A picture shows a bend with the same sd whatever it is, so the map's relative sd falls as the bend grows, which goes with the draw beyond where
    the string comes taut; what the section's shape adds stays.

    Args:
        error_sd: as the pull to ``draw_mm`` shows it; taut_mm: draw at which the string is just taut.
    """
    less = (draw_mm - taut_mm) / (further_mm - taut_mm)
    return float(np.hypot(SECTION_SD, less * np.sqrt(max(error_sd**2 - SECTION_SD**2, 0.0))))


def _share(square: float, variance: float) -> float:
    return max(0.0, 1.0 - CAUTION * variance / square) if square > 0 else 0.0


def _mean_over(s_mm: Array, width_mm: float) -> Array:
    near = (np.abs(s_mm[:, None] - s_mm[None, :]) <= 0.5 * width_mm).astype(float)
    return np.asarray(near / near.sum(axis=1, keepdims=True), dtype=float)
