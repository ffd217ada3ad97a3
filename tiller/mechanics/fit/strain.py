"""Strain of back and belly, and what the fitted stiffness says about thickness."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import Section
from tiller.mechanics.fit.prior import StiffnessPrior

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class StrainProfile:
    """Strain along a limb in one picture.

    Attributes:
        s_mm: (n,).
        thickness_mm: (n,) thickness that agrees with calipers, outline and stiffness; sd its sd.
        back, belly: (n,) strain of the outermost fibres (back in tension positive, belly in compression positive).
        log_cov: (n, n) covariance of log strain (bend and thickness, not the force's scale).
    """

    s_mm: Array
    thickness_mm: Array
    thickness_sd_mm: Array
    back: Array
    belly: Array
    log_cov: Array


def strain_profile(
    prior: StiffnessPrior,
    log_ei_cov: Array,
    log_ei: Array,
    bend_per_mm: Array,
    section_of: Callable[[Array], Section],
    log_ei_force_cov: Array | None = None,
    log_force_var: float = 0.0,
) -> StrainProfile:
    """Surface strain = bend times distance from the neutral axis (beam theory).

    The pull measures EI; how much of a departure from the caliper's EI is thickness and how much modulus
    follows from the prior (Gaussian conditioning): log h given log EI.

    Args:
        prior: joint knowledge of log h and log EI before the pull.
        log_ei, log_ei_cov: after the pull, same stations.
        bend_per_mm: (n,) curvature change from rest.
        section_of: the limb's sections (n,) by its thickness.
        log_ei_force_cov, log_force_var: covariance (n,) of log EI with the log of the force, and its variance, where the force
            was fitted with it; without, the force's scale is left out of ``log_cov``.
    """
    gain = np.linalg.solve(prior.cov, prior.cross.T).T
    log_h = prior.log_h + gain @ (log_ei - prior.log_ei)
    cov_h = prior.cov_h - gain @ prior.cov @ gain.T + gain @ log_ei_cov @ gain.T
    thickness = np.exp(log_h)
    section = section_of(thickness)
    # log strain = log M - log EI + log c(h), c grows as h
    shared = np.zeros(len(log_ei)) if log_ei_force_cov is None else log_ei_force_cov
    with_bend = log_ei_cov - shared[:, None]  # of log EI (rows) with log EI - log M
    half = gain @ with_bend
    log_cov = with_bend - shared[None, :] + log_force_var + cov_h - half - half.T
    return StrainProfile(
        s_mm=prior.s_mm,
        thickness_mm=thickness,
        thickness_sd_mm=thickness * np.sqrt(np.maximum(np.diag(cov_h), 0.0)),
        back=bend_per_mm * section.to_back_mm,
        belly=bend_per_mm * section.to_belly_mm,
        log_cov=0.5 * (log_cov + log_cov.T),
    )
