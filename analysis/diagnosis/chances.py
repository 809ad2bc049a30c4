"""How probably each error is the largest, counted over draws from what is known of them all."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import standard_draws

DRAWS = 1024


def largest(
    draws: np.ndarray, errors: np.ndarray, surface: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Chance of each error to be the largest, and of each with its surface effect.

    An error counts, accused or rival, by what it does alone or with its surface effect, whichever is less: what the
    surface makes good spoils no size, and what the surface alone does is no error's.

    Parameters
    ----------
    draws : ndarray (n, k, draws)
        From `posterior_draws`.
    errors : ndarray (m,) of int
        Rows of the k that are errors.
    surface : ndarray (m,) of int
        Row of each one's surface effect; -1 for none.
    weights : ndarray (m,)
        Sum over features of the error's squared gains.

    Returns
    -------
    ndarray (n, m), ndarray (n, m)
        Rows sum to 1, or are 0 where nothing has an effect.
    """
    size = np.sqrt(weights).astype(np.float32)[:, None]
    alone = draws[:, errors]
    felt = alone.copy()
    for row in np.flatnonzero(surface >= 0):
        felt[:, row] += draws[:, surface[row]]
    alone, felt = np.abs(alone) * size, np.abs(felt) * size
    return _first(np.minimum(alone, felt)), _first(felt)


def _first(effect: np.ndarray) -> np.ndarray:
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
