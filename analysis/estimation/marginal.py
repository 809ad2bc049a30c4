"""The readings' own distribution: what is expected of each, by the prior and by all the others.

    y = base + A theta + noise,   theta ~ N(m, C),   noise ~ N(0, V)
    r = y - base - A m ~ N(0, S),   S = A C A' + V

With P = S^-1 over the readings kept and g = P r, a reading i less what all the others say of it is

    e_i = g_i / P_ii,   standard deviation 1 / sqrt(P_ii)

and leaving readings L out lowers the misfit r' P r by g_L' (P_LL)^-1 g_L (inverse of a block matrix, textbook).
All arrays may have a leading axis of n sets.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import SURFACE


@dataclass(frozen=True, kw_only=True)
class Model:
    """How readings of one layout come about.

    Attributes
    ----------
    gains : ndarray (m, terms)
        Sensitivity coefficients, d reading / d term.
    prior : Normal
        Of the terms.
    noise : ndarray (m, m) or (n, m, m) [mm2]
        V.
    """

    gains: np.ndarray
    prior: Normal
    noise: np.ndarray

    @property
    def cov(self) -> np.ndarray:
        """S, ndarray (m, m) or (n, m, m) [mm2]."""
        return self.gains @ self.prior.cov @ self.gains.T + self.noise

    @property
    def u(self) -> np.ndarray:
        """Standard uncertainties of the readings, ndarray (m,) or (n, m) [mm]."""
        return np.sqrt(np.einsum("...jj->...j", self.noise))

    @property
    def own_u(self) -> np.ndarray:
        """What of each reading's uncertainty no other reading shares, ndarray (m,) or (n, m) [mm]."""
        return 1 / np.sqrt(np.einsum("...jj->...j", np.linalg.inv(self.noise)))

    def widened(self, terms: np.ndarray, factor: float) -> Model:
        """With these terms (terms,) of bool `factor` times as uncertain beforehand.

        What they are correlated with stays as uncertain as it is.
        """
        block = np.outer(terms, terms) * self.prior.cov
        return replace(self, prior=replace(self.prior, cov=self.prior.cov + (factor**2 - 1) * block))

    def scaled(self, factor: np.ndarray | float) -> Model:
        """With noise and surface, all that is not known of them, `factor`, () or (n,), times the variance."""
        if np.ndim(factor) == 0:
            root = np.where(SURFACE, np.sqrt(factor), 1.0)
            prior = replace(self.prior, cov=self.prior.cov * np.outer(root, root))
            return replace(self, noise=self.noise * factor, prior=prior)
        each = np.asarray(factor)[:, None, None]
        root = np.where(SURFACE, np.sqrt(factor)[:, None], 1.0)
        mean = np.broadcast_to(self.prior.mean, root.shape)
        cov = self.prior.cov * root[:, :, None] * root[:, None, :]
        return replace(self, noise=self.noise * each, prior=replace(self.prior, mean=mean, cov=cov))

    def taking(self, rows: np.ndarray) -> Model:
        """Of some of the readings only."""
        return replace(self, gains=self.gains[rows], noise=self.noise[..., rows, :][..., :, rows])

    def plus(self, variance: np.ndarray | float) -> Model:
        """With further variance: float for all readings, or (..., m), (n, 1) or a covariance (m, m) [mm2]."""
        if np.shape(variance) == (len(self.gains),) * 2:
            return replace(self, noise=self.noise + variance)
        each = np.atleast_1d(np.asarray(variance, dtype=float))
        return replace(self, noise=self.noise + each[..., None] * np.eye(len(self.gains)))


def deleted(precision: np.ndarray, residual: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each reading less what all others say of it, and its standard deviation, ndarray (..., m) each [mm].

    Parameters
    ----------
    precision : ndarray (m, m) or (n, m, m)
        P.
    residual : ndarray (..., m) [mm]
        r.
    """
    own = np.einsum("...jj->...j", precision)
    return times(precision, residual) / own, np.broadcast_to(1 / np.sqrt(own), residual.shape)


def times(matrix: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """``matrix @ v`` for each of the vectors (..., m); one symmetric matrix for all, or one for each."""
    return vectors @ matrix if matrix.ndim == 2 else np.einsum("nij,nj->ni", matrix, vectors)
