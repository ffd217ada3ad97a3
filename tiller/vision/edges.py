"""Sub-pixel place of a limb's edge along a profile across it.

A profile runs outward across one edge, tau in px, tau < 0 inside the limb. Two channels are used:
luma and one chroma direction. Each is modelled as

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

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

HALF_WINDOW_PX = 7
"""Profiles are sampled at whole px from -7 to +7 about the expected edge."""
_RIDGE = 1e-3


def _along(values: Array, width: int) -> Array:
    """Running median, then running mean, over ``width`` neighbouring profiles (odd)."""
    half = width // 2
    padded = np.pad(values, half, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.convolve(np.pad(middle, half, mode="edge"), np.ones(width) / width, mode="valid")


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


def _project(basis: Array, target: Array, ridge: Array) -> tuple[Array, Array]:
    """Least-squares coefficients (n, k) and residual (n, m) of target (n, m) on basis (n, m, k)."""
    normal = np.matmul(basis.transpose(0, 2, 1), basis) + ridge
    right = np.matmul(basis.transpose(0, 2, 1), target[:, :, None])
    coef = np.linalg.solve(normal, right)
    return coef[:, :, 0], target - np.matmul(basis, coef)[:, :, 0]


def fit_edges(
    picture: Array,
    empty: Array,
    strip_px: Array,
    blur_px: tuple[float, float],
    noise: tuple[float, float],
    start_px: Array | None = None,
    rounds: int = 4,
    smooth: int = 0,
    parts: int = 1,
) -> EdgeFit:
    """Fits the edge of each profile.

    Args:
        picture: (n, m, 2) luma and chroma along each profile, m = 2 HALF_WINDOW_PX + 1, outward.
        empty: (n, m, 2) the same places in the picture of the empty rack.
        strip_px: (n,) width of the sliver beside the front, >= 0.
        blur_px: sd of the edge's blur in luma and chroma.
        noise: sd of the picture's noise in luma and chroma.
        start_px: (n,) where to start; 0 where not given.
        rounds: Gauss-Newton rounds with levels of each profile's own.
        smooth: then two rounds with levels averaged over this many neighbouring profiles (odd); 0 = none.
        parts: the profiles are this many runs of equal length; levels are not averaged across them.
    """
    n, m, _ = picture.shape
    tau = np.arange(m, dtype=float) - (m - 1) / 2
    at = np.zeros(n) if start_px is None else np.clip(start_px, -4.0, 4.0)
    limit = (m - 1) / 2 - 2.0
    ws = np.maximum(strip_px, 0.0)
    # pulls the strip's level to that of the front where the strip is too thin to be told from it
    thin = (1.0 / (0.3 + ws)) ** 2 * 0.2
    ridge = np.zeros((n, 4, 4))
    ridge[:, range(4), range(4)] = _RIDGE
    ridge[:, 1, 1] += thin
    ridge[:, 2, 2] += thin
    ridge[:, 1, 2] -= thin
    ridge[:, 2, 1] -= thin
    ridge[:, 3, 3] += 0.05
    levels: list[Array | None] = [None, None]
    final = 2 if smooth > 1 else 0
    for k in range(rounds + final + 1):
        num, den, rss = np.zeros(n), np.zeros(n), np.zeros(n)
        steps = np.zeros(n)
        for ch in (0, 1):
            z = (tau[None, :] - at[:, None]) / blur_px[ch]
            zs = z + (ws / blur_px[ch])[:, None]
            g, gs = ndtr(z), ndtr(zs)
            dg = np.exp(-0.5 * z * z) * (0.3989422804014327 / blur_px[ch])
            dgs = np.exp(-0.5 * zs * zs) * (0.3989422804014327 / blur_px[ch])
            deep = np.minimum(tau[None, :] - at[:, None] + ws[:, None], 0.0)
            behind = empty[:, :, ch] if ch == 0 else np.ones_like(g) * 64.0
            known = np.zeros_like(g) if ch == 0 else empty[:, :, ch] * g
            scale = 128.0 if ch == 0 else 64.0
            basis = np.stack([behind * g, scale * (gs - g), scale * (1 - gs), scale * 0.1 * deep * (1 - gs)], axis=2)
            fixed = levels[ch]
            if fixed is None:
                coef, left = _project(basis, picture[:, :, ch] - known, ridge * scale**2 * 0.02)
                if final and k == rounds:
                    levels[ch] = np.vstack(
                        [np.column_stack([_along(c, smooth) for c in part.T]) for part in np.split(coef, parts)]
                    )
            else:
                coef = fixed
                left = picture[:, :, ch] - known - np.matmul(basis, coef[:, :, None])[:, :, 0]
            dknown = np.zeros_like(g) if ch == 0 else -empty[:, :, ch] * dg
            slope = -(
                dknown
                + coef[:, 0:1] * behind * (-dg)
                + coef[:, 1:2] * scale * (dg - dgs)
                + coef[:, 2:3] * scale * dgs
                + coef[:, 3:4] * scale * 0.1 * (deep * dgs - (1 - gs) * (deep < 0))
            )
            if fixed is None:
                _, slope = _project(basis, slope, ridge * scale**2 * 0.02)
            w = 1.0 / noise[ch] ** 2
            num += w * np.sum(slope * left, axis=1)
            den += w * np.sum(slope * slope, axis=1)
            rss += w * np.sum(left * left, axis=1)
            edge_in = coef[:, 1] * scale
            edge_out = coef[:, 0] * np.mean(behind[:, m // 2 :], axis=1) + np.mean(known[:, -4:], axis=1)
            steps = np.hypot(steps, (edge_in - edge_out) / noise[ch])
        if k == rounds + final:
            break
        if k == rounds:
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(den > 0, -num / den, 0.0)
        at = np.clip(at + np.clip(step, -1.5, 1.5), -limit, limit)
    misfit = np.sqrt(rss / max(1, 2 * m - 9))
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.sqrt(1.0 / den) * np.maximum(misfit, 0.7)
    lost = ~np.isfinite(sd) | (np.abs(at) >= limit - 1e-9)
    return EdgeFit(np.where(lost, np.nan, at), np.where(lost, np.nan, sd), steps, misfit)
