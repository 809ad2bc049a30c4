"""Posteriors of any number of quantities, for tests that have no error terms."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import Normal


def posterior(
    gains: np.ndarray,
    residual: np.ndarray,
    u: np.ndarray,
    prior_sd: np.ndarray,
    prior_mean: np.ndarray | None = None,
) -> Normal:
    """Normal prior with these standard deviations, infinite for a flat one, after readings `residual`."""
    return Normal.independent(prior_sd, prior_mean).condition(gains, residual, u)
