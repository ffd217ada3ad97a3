"""Sub-pixel place of a limb's edge along a profile across it.

A profile runs outward across one edge, tau in px, tau < 0 inside the limb. Two channels are used:
luma, and the change of hue beyond what light explains (``frame.channels``). Each is modelled as

    y(tau) = background(tau) G + strip (Gs - G) + (inside + slope (tau - tau0 + ws)) (1 - Gs)

with ``G = Phi((tau - tau0) / blur)``, ``Gs`` the same a strip width ``ws`` further in (the sliver of
belly or back that the camera sees beside the limb's front), and the background taken from the
picture of the empty rack times an unknown shade. All but tau0 is linear; it is projected out and
tau0 found by Gauss-Newton (variable projection; Golub and Pereyra 1973, Kaufman 1975). At the
optimum the sd of tau0 follows from the same projected derivative; it reaches the Cramer-Rao bound
of the model for white noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Single = NDArray[np.float32]

HALF_WINDOW_PX = 7
"""Profiles are sampled at whole px from -7 to +7 about the expected edge."""
_RIDGE = 1e-3
HUE_ALIKE = 10.0
"""How firmly the hue of the sliver beside the front is held to the front's, against the levels' own ridge."""
SCAN_OVER = 15
"""The scan judges over this many neighbouring profiles."""
SCAN_SD_PX = 0.7
"""Weight of the expectation against a shift in the scan, in misfit units (common practice, no source)."""


def _along(levels: Single, width: int, parts: int) -> Single:
    """Running median, then running mean, of levels (2, n, k) over ``width`` neighbouring profiles of each of ``parts`` runs."""
    channels, n, columns = levels.shape
    runs = levels.reshape(channels * parts, n // parts, columns)
    half = width // 2
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(runs, ((0, 0), (half, half), (0, 0)), mode="edge"), width, axis=1
    )
    middle = np.partition(windows, half, axis=-1)[..., half]
    padded = np.pad(middle, ((0, 0), (half + 1, half), (0, 0)), mode="edge")
    total = np.cumsum(padded, axis=1, dtype=np.float64)
    mean = (total[:, width:] - total[:, :-width]) / width
    return mean.reshape(levels.shape).astype(np.float32)


@dataclass(frozen=True)
class EdgeFit:
    """Edges of n profiles.

    Attributes:
        tau_px: (n,) place of the edge along the profile, NaN where none could be fitted.
        sd_px: (n,) its sd from the noise of that profile, NaN likewise.
        step: (n,) size of the step across the edge over the picture noise.
        misfit: (n,) rms of what the model leaves over the picture noise.
    """

    tau_px: Array
    sd_px: Array
    step: Array
    misfit: Array


_TABLE_STEP = 1.0 / 512
_TABLE_END = 5.0
_AT = np.arange(-_TABLE_END, _TABLE_END + _TABLE_STEP, _TABLE_STEP)
_PHI = np.array([0.5 + 0.5 * erf(z / sqrt(2.0)) for z in _AT], dtype=np.float32)
_BELL = (np.exp(-0.5 * _AT * _AT) / np.sqrt(2 * np.pi)).astype(np.float32)


def _step_and_slope(z: Single) -> tuple[Single, Single]:
    """Phi(z) and its derivative, from a table (error below 0.001)."""
    index = ((np.clip(z, -_TABLE_END, _TABLE_END) + _TABLE_END) * np.float32(1 / _TABLE_STEP) + np.float32(0.5)).astype(
        np.int32
    )
    return _PHI.take(index), _BELL.take(index)


def _cholesky(normal: Single) -> Single:
    """Lower factors of many small positive definite matrices (..., k, k), laid out (k, k, ...): the loop runs over
    k, not over the matrices, which is several times quicker than a call to LAPACK for each."""
    lower = np.ascontiguousarray(np.moveaxis(normal, (-2, -1), (0, 1)))
    size = len(lower)
    for j in range(size):
        for i in range(j):
            lower[j:, j] -= lower[j, i] * lower[j:, i]
        lower[j:, j] *= 1.0 / np.sqrt(np.maximum(lower[j, j], 1e-12))
    return lower


def _solved(lower: Single, right: Single) -> Single:
    """Solutions (..., k) for the factors of ``_cholesky`` and right sides (..., k)."""
    out = np.ascontiguousarray(np.moveaxis(right, -1, 0))
    size = len(out)
    for i in range(size):
        for j in range(i):
            out[i] -= lower[i, j] * out[j]
        out[i] /= lower[i, i]
    for i in range(size - 1, -1, -1):
        for j in range(i + 1, size):
            out[i] -= lower[j, i] * out[j]
        out[i] /= lower[i, i]
    return np.moveaxis(out, 0, -1)


class _Profiles:
    """The linear part of the model for n profiles: what the picture is made of for edges at given places."""

    def __init__(
        self,
        picture: Single,
        empty: Single,
        strip: Single,
        blur_px: tuple[float, float],
        inside_px: Array | None,
    ) -> None:
        _, n, m = picture.shape
        self.tau = (np.arange(m) - (m - 1) / 2).astype(np.float32)
        self.use = np.ones((n, m), dtype=np.float32)
        if inside_px is not None:
            self.use = (self.tau[None, :] >= -inside_px[:, None]).astype(np.float32)
        self.picture = picture * self.use
        self.strip = strip
        self.blur = np.array(blur_px, dtype=np.float32)[:, None, None]
        scale = np.array([128.0, 64.0], dtype=np.float32)
        # pulls the strip's level to that of the front where the strip is too thin to be distinguished from it
        thin = (1.0 / (0.3 + strip)) ** 2 * 0.2
        ridge = np.zeros((n, 5, 5), dtype=np.float32)
        ridge[:, range(5), range(5)] = _RIDGE
        ridge[:, 1, 1] += thin
        ridge[:, 2, 2] += thin
        ridge[:, 1, 2] -= thin
        ridge[:, 2, 1] -= thin
        ridge[:, 3, 3] += 0.05
        ridge[:, 4, 4] += 0.1
        ridges = np.stack([ridge, ridge])
        # a sliver in its own shade is as much wood in its hue as the front
        ridges[1, :, 1, 1] += HUE_ALIKE
        ridges[1, :, 2, 2] += HUE_ALIKE
        ridges[1, :, 1, 2] -= HUE_ALIKE
        ridges[1, :, 2, 1] -= HUE_ALIKE
        self.ridges = ridges * (scale**2 * 0.02)[:, None, None, None]
        # luma: the empty rack's picture times a shade that may change across the profile (a soft shadow's edge);
        # hue: that of the empty rack, which is 0 but for dirt and the light's own unevenness
        self.behind = np.stack([empty[0], np.full_like(empty[1], 64.0)])
        self.tint = np.stack([np.zeros_like(empty[0]), empty[1]])
        self.extra = np.stack([empty[0] * (0.1 * self.tau), np.zeros_like(empty[1])])
        self.wide = scale[:, None, None]
        self.basis = np.empty((2, n, m, 5), dtype=np.float32)

    def shapes(self, at: Single) -> tuple[Single, Single, Single, Single, Single, Single]:
        """Fills ``basis`` for edges at ``at``; returns the target and what the derivative needs."""
        off = self.tau[None, :] - at[:, None]
        z = off[None] / self.blur
        g, dg = _step_and_slope(z)
        gs, dgs = _step_and_slope(z + self.strip[None, :, None] / self.blur)
        deep = np.minimum(off + self.strip[:, None], 0.0)[None]
        inner = 1 - gs
        basis, wide = self.basis, self.wide
        basis[..., 0] = self.behind * g
        basis[..., 1] = wide * (gs - g)
        basis[..., 2] = wide * inner
        basis[..., 3] = (0.1 * wide) * deep * inner
        basis[..., 4] = self.extra * g
        basis *= self.use[None, :, :, None]
        out = (self.picture - self.tint * g * self.use, g, dg / self.blur, dgs / self.blur, deep, inner)
        return tuple(part.astype(np.float32, copy=False) for part in out)  # type: ignore[return-value]

    def levels_of(self, target: Single) -> tuple[Single, Single]:
        """The levels (2, n, 5) that explain the target best, and the factors of their normal equations."""
        turned = self.basis.transpose(0, 1, 3, 2)
        factor = _cholesky(np.matmul(turned, self.basis) + self.ridges)
        return _solved(factor, np.matmul(turned, target[..., None])[..., 0]), factor


def _scan(model: _Profiles, weight: Single, scan_px: tuple[float, ...], limbs: int) -> Single:
    """Shift of the limb at each station, of those in ``scan_px`` the one that explains both edges there and nearby best."""
    n = len(model.strip)
    places = np.array(scan_px, dtype=np.float32)
    costs = []
    for place in places:
        target = model.shapes(np.full(n, place, dtype=np.float32))[0]
        left = target - np.matmul(model.basis, model.levels_of(target)[0][..., None])[..., 0]
        costs.append(np.sum(weight * np.einsum("cnm,cnm->cn", left, left), axis=0))
    # both edges move together, one outward and one inward: judged as one shift of the whole limb
    table = np.minimum(np.stack(costs, axis=-1), 400.0)
    together = table[: n // 2] + table[n // 2 :, ::-1] + (places / SCAN_SD_PX) ** 2
    return np.asarray(
        places[np.argmin(_along(together[None].astype(np.float32), SCAN_OVER, limbs)[0], axis=1)], dtype=np.float32
    )


def _weights(left: Single, floor: Single, over: int, parts: int) -> Single:
    """Weights (2, n) of luma and hue by what the model leaves of each along a stretch of profiles, never more than the noise allows.

    Where a shadow's edge, a seam or grain spoils one of them, the other counts.
    """
    size = np.sqrt(np.mean(left * left, axis=2) * np.float32(left.shape[2] / (left.shape[2] - LEVELS)))
    size = _along(size[..., None], over | 1, parts)[..., 0]
    return np.asarray(1.0 / np.maximum(size, floor) ** 2, dtype=np.float32)


LEVELS = 5


@dataclass(frozen=True, kw_only=True)
class EdgeSearch:
    """How the edges of n profiles are looked for.

    Attributes:
        rounds: Gauss-Newton rounds with levels of each profile's own.
        smooth: then ``polish`` rounds with levels averaged over this many neighbouring profiles (odd); 0 = none.
        parts: the profiles are this many runs of equal length; levels are not averaged across them.
        scan_px: shifts of the limb to try first, symmetric about 0; the first half of the profiles are then the
            limb's back edges, the second half its belly edges at the same stations. Each station starts from the
            shift that explains both edges there and at its neighbours best. A dark sliver has two sides, and
            Gauss-Newton alone keeps to the nearer one.
        start_px: (n,) where to begin; 0 where not given. reach_px: (n,) how far from there the edge may be found.
        inside_px: (n,) how far inward the profile is the limb's: half its thickness, beyond which the other edge begins.
    """

    rounds: int = 3
    smooth: int = 0
    polish: int = 2
    parts: int = 1
    scan_px: tuple[float, ...] = ()
    start_px: Array | None = None
    reach_px: Array | None = None
    inside_px: Array | None = None


@np.errstate(
    invalid="ignore"
)  # the small matrix kernels warn of numbers beyond a matrix's end now and then; what is not finite is lost below
def fit_edges(
    picture: Single,
    empty: Single,
    strip_px: Array,
    blur_px: tuple[float, float],
    noise: tuple[float, float],
    search: EdgeSearch | None = None,
) -> EdgeFit:
    """Fits the edge of each profile.

    Args:
        picture: (2, n, m) luma and hue along each profile, m = 2 HALF_WINDOW_PX + 1, outward.
        empty: (2, n, m) the same places in the picture of the empty rack.
        strip_px: (n,) width of the sliver beside the front, >= 0.
        blur_px: sd of the edge's blur in luma and hue.
        noise: sd of the picture's noise in luma and hue.
        search: where to begin, how far to look, how often.
    """
    search = search or EdgeSearch()
    _, n, m = picture.shape
    limit = (m - 1) / 2 - 2.0
    start, smooth, parts = search.start_px, search.smooth, search.parts
    at = np.zeros(n, dtype=np.float32) if start is None else np.clip(start, -limit, limit).astype(np.float32)
    strip = np.maximum(strip_px, 0.0).astype(np.float32)
    model = _Profiles(picture, empty, strip, blur_px, search.inside_px)
    low = np.full(n, -limit, dtype=np.float32)
    high = -low
    if search.reach_px is not None:
        low, high = np.maximum(low, at - search.reach_px), np.minimum(high, at + search.reach_px)
    weight = (1.0 / np.array(noise, dtype=np.float32) ** 2)[:, None]
    if search.scan_px:
        shift = _scan(model, weight, search.scan_px, parts // 2)
        at = np.concatenate([shift, -shift])
    floor, plain = np.array(noise, dtype=np.float32)[:, None], weight
    tint, behind, extra, wide = model.tint, model.behind, model.extra, model.wide
    basis = model.basis
    levels: Single | None = None
    rounds, final = search.rounds, search.polish if smooth > 1 else 0
    for k in range(rounds + final + 1):
        target, g, dg, dgs, deep, inner = model.shapes(at)
        factor: Single | None = None
        if levels is None:
            coef, factor = model.levels_of(target)
            if final and k == rounds:
                levels = _along(coef, smooth, parts)
        else:
            coef = levels
        left = target - np.matmul(basis, coef[..., None])[..., 0]
        if factor is not None and k + 1 == rounds:
            weight = _weights(left, floor, max(smooth, SCAN_OVER), parts)
        c0, c1, c2, c3, c4 = (coef[..., j][..., None] for j in range(5))
        slope = model.use * (c0 * behind + tint + c4 * extra) * dg - model.use * wide * (
            c1 * (dg - dgs) + c2 * dgs + 0.1 * c3 * (deep * dgs - inner * (deep < 0))
        )
        if factor is not None:
            turned = basis.transpose(0, 1, 3, 2)
            shared = _solved(factor, np.matmul(turned, slope[..., None])[..., 0])
            slope = slope - np.matmul(basis, shared[..., None])[..., 0]
        num = np.sum(weight * np.einsum("cnm,cnm->cn", slope, left), axis=0)
        den = np.sum(weight * np.einsum("cnm,cnm->cn", slope, slope), axis=0)
        if k == rounds + final:
            break
        if final and k == rounds:
            continue
        step = np.where(den > 0, -num / np.maximum(den, 1e-20), 0.0)
        at = np.clip(at + np.clip(step, -1.5, 1.5), low, high).astype(np.float32)
    squares = np.einsum("cnm,cnm->cn", left, left)
    rss, weighed = np.sum(plain * squares, axis=0), np.sum(weight * squares, axis=0)
    edge_in = coef[..., 1] * wide[:, :, 0]
    edge_out = coef[..., 0] * np.mean(behind[..., m // 2 :], axis=2) + np.mean((tint * g)[..., -4:], axis=2)
    edge_out += coef[..., 4] * np.mean(extra[..., m // 2 : m // 2 + 4], axis=2)
    steps = np.sqrt(np.sum(plain * (edge_in - edge_out) ** 2, axis=0))
    misfit, own = (np.sqrt(q / max(1, 2 * m - 9)).astype(float) for q in (rss, weighed))
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = (np.sqrt(1.0 / den) * np.maximum(own, 0.7)).astype(float)
    lost = ~np.isfinite(sd) | (np.abs(at) >= limit - 1e-6)
    return EdgeFit(np.where(lost, np.nan, at.astype(float)), np.where(lost, np.nan, sd), steps.astype(float), misfit)
