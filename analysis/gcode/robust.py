"""Fits and middles that outliers pull little: least squares with Cauchy loss, the median by weight."""

from __future__ import annotations

import numpy as np

MOST_ROUNDS = 60
SETTLED = 1e-7
"""A round that changes what is left of every row by less than this [mm] is the last."""


def cauchy_fit(rows: np.ndarray, right: np.ndarray, scale: float, start: np.ndarray) -> np.ndarray:
    """Unknowns x that minimise sum ln(1 + ((rows x - right) / scale)^2).

    Iteratively reweighted least squares, weights 1 / (1 + (residual / scale)^2) (Huber, Robust Statistics, section
    7.8, from memory); a general solver reaches the same minimum by a singular value decomposition of all rows in
    every step.

    Parameters
    ----------
    rows : ndarray (n, k)
    right : ndarray (n,) [mm]
    scale : float [mm]
        Residuals beyond this pull less and less.
    start : ndarray (k,)
    """
    x = start
    left = rows @ x - right
    for _ in range(MOST_ROUNDS):
        weighted = rows / (1 + (left / scale) ** 2)[:, None]
        x = np.linalg.lstsq(weighted.T @ rows, weighted.T @ right, rcond=1e-12)[0]
        before, left = left, rows @ x - right
        if np.abs(left - before).max() < SETTLED:
            break
    return x


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """Median by weight; NaN where there are only NaNs."""
    good = ~np.isnan(values)
    if not good.any():
        return float("nan")
    # np.quantile knows weights too, at ten times the price; this is done for every loop of a file.
    values, weight = values[good], weight[good]
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(share, share[-1] / 2)])
