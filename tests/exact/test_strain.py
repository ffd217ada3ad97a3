"""Strain at the surface and its covariance: by the errors written out one by one, and by draws of them."""

from __future__ import annotations

import numpy as np
import pytest

from tiller.bow.section import Section, crowned_section
from tiller.mechanics.fit.prior import StiffnessPrior
from tiller.mechanics.fit.strain import strain_profile

RNG = np.random.default_rng(8)
S = np.array([100.0, 150.0, 200.0, 250.0])
BEND = np.array([1.2e-3, 1.3e-3, 1.25e-3, 1.1e-3])
WIDTH = 30.0


def spread(sd: float, length: float) -> np.ndarray:
    return sd**2 * np.exp(-np.abs(S[:, None] - S[None, :]) / length) + 1e-8 * np.eye(4)


THICK = spread(0.02, 60.0)
PRIOR = StiffnessPrior(
    s_mm=S,
    log_ei=np.log(np.full(4, 8e7)),
    cov=9 * THICK + spread(0.05, 80.0),
    log_h=np.log(np.full(4, 14.0)),
    cov_h=THICK,
    cross=3 * THICK,
)
GAIN = PRIOR.cross @ np.linalg.inv(PRIOR.cov)
LEFT = PRIOR.cov_h - GAIN @ PRIOR.cov @ GAIN.T
"""What stays unknown of the thickness once the stiffness is known."""
ERRS = spread(0.015, 50.0)
"""Errors of the fitted stiffness."""


def flat(thick: np.ndarray) -> Section:
    return crowned_section(np.full(len(thick), WIDTH), thick, None)


def test_thickness_follows_the_stiffness_as_far_as_the_prior_says() -> None:
    found = strain_profile(PRIOR, ERRS, PRIOR.log_ei + 0.09, BEND, flat)
    # a ninth: three of thickness to one of modulus, shared by their variances
    assert np.log(found.thickness_mm) == pytest.approx(PRIOR.log_h + GAIN @ np.full(4, 0.09))
    assert np.all(found.thickness_mm > 14.0)
    assert found.thickness_sd_mm == pytest.approx(found.thickness_mm * np.sqrt(np.diag(LEFT + GAIN @ ERRS @ GAIN.T)))
    # the middle of a rectangle: back and belly alike, half the thickness off
    assert found.back == pytest.approx(0.5 * BEND * found.thickness_mm)
    assert found.belly == pytest.approx(found.back)


@pytest.mark.parametrize("with_force", [False, True])
def test_covariance_of_the_strain(with_force: bool) -> None:
    """log strain = log M - log EI + log h: an error e of log EI, phi of log M, f of log h beside what it follows of e."""
    var = 0.02**2 if with_force else 0.0
    shared = 0.4 * np.sqrt(np.diag(ERRS) * var) if with_force else np.zeros(4)
    found = strain_profile(PRIOR, ERRS, PRIOR.log_ei, BEND, flat, shared if with_force else None, var)
    joint = np.block([[ERRS, shared[:, None]], [shared[None, :], np.array([[var]])]])
    through = np.hstack([-(np.eye(4) - GAIN), np.ones((4, 1))])
    assert found.log_cov == pytest.approx(through @ joint @ through.T + LEFT, abs=1e-12)
    draws = RNG.multivariate_normal(np.zeros(5), joint + 1e-15 * np.eye(5), 40_000)
    own = RNG.multivariate_normal(np.zeros(4), LEFT, 40_000)
    assert np.cov((draws @ through.T + own).T) == pytest.approx(found.log_cov, abs=3e-2 * np.max(found.log_cov))
