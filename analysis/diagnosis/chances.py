"""How probably each error is the largest, counted over draws from what is known of them all."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import standard_draws

DRAWS = 1024


def largest_probabilities(mean: np.ndarray, covariance: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Probability that each term contributes most, from draws.

    Parameters
    ----------
    mean, covariance : ndarray (n, k), (n, k, k)
    weights : ndarray (k,)

    Returns
    -------
    ndarray (n, k)
    """
    return largest(posterior_draws(mean, covariance), weights)


def largest(draws: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """The same of draws (n, k, draws), ndarray (n, k)."""
    effect = np.abs(draws) * np.sqrt(weights).astype(np.float32)[:, None]
    best = effect.max(axis=1, keepdims=True)
    return np.mean((effect == best) & (best > 0), axis=2)


def posterior_draws(mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Draws (n, k, DRAWS) from n posteriors; single precision, since they are only compared and counted."""
    # Exact zeros on the diagonal (a pinned term) would stop the factorisation.
    size = np.sqrt(np.einsum("njj->nj", covariance)) + 1e-12
    scaled = covariance / (size[:, :, None] * size[:, None, :]) + 1e-9 * np.eye(mean.shape[1])
    root = np.linalg.cholesky(scaled) * size[:, :, None]
    draws = root.astype(np.float32) @ standard_draws(mean.shape[1], DRAWS).T.astype(np.float32)
    draws += mean.astype(np.float32)[:, :, None]
    return draws
