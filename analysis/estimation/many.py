"""Posteriors of many sets of readings of one layout at once, each with its own readings left out.

    y_i = base_i + A theta_i + noise,   noise ~ N(0, diag(v_i)),   theta_i ~ N(0, diag(s^2))

In units of the priors, B = A diag(s) and W_i = diag(1 / v_i), 0 where a reading is left out:

    C_i = (I + B' W_i B)^-1,   mean_i = C_i B' W_i r_i

The same as `analysis.normal.Normal.condition`, which is the reference for one set; priors in their own units keep
the normal equations well conditioned (no eigenvalue under 1).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.normal import Normal

# Chunks of sets are worked on side by side. A linear algebra library that starts threads of its own for large
# products gets in their way, so products are kept below the size at which it does.
ROWS = 24


def product(rows: np.ndarray, other: np.ndarray) -> np.ndarray:
    """``rows @ other.T`` of (n, k) and (m, k) without a library's threads."""
    return np.einsum("nk,mk->nm", rows, other)


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Posteriors of n sets.

    Attributes
    ----------
    posterior : Normal
        Of n sets, in units of the priors.
    residual : ndarray (n, m) [mm]
        Readings less prediction, also of those left out.
    leverage : ndarray (n, m) [mm2]
        Variance of the prediction of each reading.
    weight : ndarray (n, m) [1/mm2]
    """

    posterior: Normal
    residual: np.ndarray
    leverage: np.ndarray
    weight: np.ndarray

    @property
    def freedom(self) -> np.ndarray:
        """Share of each residual that its own reading does not explain away, (n, m), 0..1; 1 where left out."""
        return 1.0 - self.weight * self.leverage

    def deleted(self, variance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Each reading less what all *other* kept readings and the priors predict for it.

        With V = A S A' + diag(v) over the kept rows, e_i = (V^-1 r)_i / (V^-1)_ii with variance 1 / (V^-1)_ii; rows
        left out are predicted from all kept ones.

        Parameters
        ----------
        variance : ndarray (n, m) [mm2]
            Of the single readings.

        Returns
        -------
        residual, sd : ndarray (n, m) [mm]
        """
        free = np.maximum(self.freedom, 1e-12)
        spread = np.where(self.weight > 0, variance / free, variance + self.leverage)
        return self.residual / free, np.sqrt(spread)


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What is common to many sets of readings.

    Attributes
    ----------
    gains : ndarray (m, k)
        d reading / d term.
    prior_sd : ndarray (k,)
    """

    gains: np.ndarray
    prior_sd: np.ndarray

    @property
    def scaled(self) -> np.ndarray:
        """B = A diag(s), ndarray (m, k) [mm]: effect of one prior standard deviation."""
        return self.gains * self.prior_sd

    def widened(self, factor: np.ndarray) -> Layout:
        """With the priors times `factor` (k,)."""
        return replace(self, prior_sd=self.prior_sd * factor)

    def solve(self, residual: np.ndarray, weight: np.ndarray) -> Solution:
        """Posteriors given readings less base, `residual` (n, m) [mm], and `weight` (n, m) [1/mm2].

        Readings with weight 0 are left out; their residual must be finite all the same.
        """
        b = self.scaled
        m, k = b.shape
        squares = (b[:, :, None] * b[:, None, :]).reshape(m, k * k)
        precision = np.empty((len(weight), k * k))
        for i in range(0, len(weight), ROWS):
            np.matmul(weight[i : i + ROWS], squares, out=precision[i : i + ROWS])
        precision = precision.reshape(-1, k, k) + np.eye(k)
        covariance = np.linalg.inv(precision)
        mean = np.einsum("nij,nj->ni", covariance, product(weight * residual, b.T))
        leverage = np.einsum("nmk,mk->nm", np.matmul(b, covariance), b)
        return Solution(
            posterior=Normal(mean=mean, cov=covariance),
            residual=residual - product(mean, b),
            leverage=leverage,
            weight=weight,
        )
