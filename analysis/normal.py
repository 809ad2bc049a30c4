"""One normal distribution of named quantities: what is known of the error terms, before readings and after them.

    x ~ N(m, C)
    values = A x + noise,   noise ~ N(0, V)

    C' = (A' V^-1 A + C^-1)^-1,   m' = m + C' A' V^-1 (values - A m)

(textbook conjugate update; GUM terms: the roots of C's diagonal are standard uncertainties). It is solved by QR of
the rows over the inverse root of C, so that neither wide priors nor flat ones cost digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from fitassay.analysis.terms import NAMES
from fitassay.coupons.errors import InputError

# A quantity that is known exactly gets this in place of zero, so that the algebra stays regular [its unit].
SMALLEST_SD = 1e-9
SEED = 20201


@dataclass(frozen=True, kw_only=True)
class Normal:
    """Joint normal distribution of k quantities, or n of them at once.

    Attributes
    ----------
    mean : ndarray (k,) or (n, k)
    cov : ndarray (k, k) or (n, k, k)
        Covariance; (k, k) beside n means: shared by all. An infinite variance is a flat prior.
    names : tuple of str
        Of the k quantities; by default the error terms in the order of `terms.TERMS`, else x0, x1 and so on.

    Raises
    ------
    ValueError
        Shapes that do not belong together.
    """

    mean: np.ndarray
    cov: np.ndarray
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        k = self.mean.shape[-1]
        if not self.names:
            default = NAMES if k == len(NAMES) else tuple(f"x{i}" for i in range(k))
            object.__setattr__(self, "names", default)
        batch = self.mean.shape[:-1]
        if len(self.names) != k or self.cov.shape not in ((k, k), (*batch, k, k)):
            raise ValueError(
                f"a normal distribution of {len(self.names)} quantities (got {self.mean.shape}, {self.cov.shape})"
            )

    @classmethod
    def independent(
        cls, sd: np.ndarray, mean: np.ndarray | None = None, names: tuple[str, ...] = ()
    ) -> Normal:
        """Quantities that know nothing of each other: standard deviations and means (k,), means zero by default."""
        sd = np.asarray(sd, dtype=float)
        mean = np.zeros(len(sd)) if mean is None else np.asarray(mean, dtype=float)
        # np.diag would turn infinity times zero into nan off the diagonal.
        cov = np.zeros((len(sd), len(sd)))
        cov[np.diag_indices(len(sd))] = np.maximum(sd, SMALLEST_SD) ** 2
        return cls(mean=mean, cov=cov, names=names)

    def __len__(self) -> int:
        """How many distributions."""
        return 1 if self.mean.ndim == 1 else len(self.mean)

    def __getitem__(self, which: int | slice | np.ndarray) -> Normal:
        """One or some of n."""
        return Normal(
            mean=self.mean[which], cov=self.cov if self.cov.ndim == 2 else self.cov[which], names=self.names
        )

    @property
    def sd(self) -> np.ndarray:
        """Standard uncertainties, ndarray (k,) or (n, k)."""
        return np.sqrt(np.einsum("...jj->...j", self.cov))

    @property
    def root(self) -> np.ndarray:
        """Lower triangular L with L L' = cov, ndarray (..., k, k)."""
        size = np.maximum(self.sd, SMALLEST_SD)
        scaled = self.cov / (size[..., :, None] * size[..., None, :])
        try:
            return np.linalg.cholesky(scaled) * size[..., :, None]
        except np.linalg.LinAlgError:
            # Rounded to just short of positive definite.
            values, vectors = np.linalg.eigh(scaled)
            r = np.linalg.qr(np.swapaxes(vectors * np.sqrt(np.maximum(values, 1e-14))[..., None, :], -1, -2))[
                1
            ]
            sign = np.where(np.einsum("...jj->...j", r) < 0, -1.0, 1.0)
            return np.swapaxes(r * sign[..., :, None], -1, -2) * size[..., :, None]

    def marginal(self, names: Sequence[str]) -> Normal:
        """Of these quantities alone, in this order."""
        at = [self.names.index(name) for name in names]
        return Normal(mean=self.mean[..., at], cov=self.cov[..., at, :][..., :, at], names=tuple(names))

    def linear(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard uncertainty of ``rows @ x``: ndarray (..., m) each for rows (m, k)."""
        square = np.einsum("...j,...j->...", rows @ self.cov, rows)
        return self.mean @ rows.T, np.sqrt(square)

    def affine(
        self, matrix: np.ndarray, offset: np.ndarray | float = 0.0, names: tuple[str, ...] | None = None
    ) -> Normal:
        """Distribution of ``matrix @ x + offset``, matrix (r, k), offset (r,)."""
        return Normal(
            mean=self.mean @ matrix.T + offset,
            cov=matrix @ self.cov @ matrix.T,
            names=self.names if names is None else names,
        )

    def draws(self, n: int, seed: int = SEED) -> np.ndarray:
        """Equally likely values, ndarray (..., n, k), in pairs mirrored about the mean; the same on every run.

        Their mean and covariance are exactly those of the distribution.
        """
        return self.mean[..., None, :] + standard_draws(self.mean.shape[-1], n, seed) @ np.swapaxes(
            self.root, -1, -2
        )

    def condition(
        self,
        rows: np.ndarray,
        values: np.ndarray | float,
        u: np.ndarray | float | None = None,
        *,
        cov: np.ndarray | None = None,
    ) -> Normal:
        """What is known once ``rows @ x`` has been read.

        Parameters
        ----------
        rows : ndarray (m, k) or (k,)
        values : ndarray (m,), (n, m) or float
            One set of readings or n sets.
        u : ndarray (m,) or float
            Their standard uncertainties, where they are independent.
        cov : ndarray (m, m)
            Their covariance V, where they are not; in place of `u`.

        Returns
        -------
        Normal
            Of n means and one covariance where n sets were given.

        Raises
        ------
        InputError
            Fewer rows than quantities under flat priors, or a number that is not finite.
        """
        rows = np.atleast_2d(np.asarray(rows, dtype=float))
        values = np.atleast_1d(np.asarray(values, dtype=float))
        noise = np.broadcast_to(np.nan if u is None else u, (len(rows),)) if cov is None else cov
        if not (np.isfinite(rows).all() and np.isfinite(values).all() and np.isfinite(noise).all()):
            raise InputError("a reading or a sensitivity is not a finite number", "estimate")
        residual = values - rows @ self.mean
        if cov is None:
            white, right = rows / noise[:, None], residual / noise
        else:
            root = np.linalg.cholesky(cov)
            white, right = np.linalg.solve(root, rows), np.linalg.solve(root, residual.T).T
        # Columns in units of a typical size keep QR accurate for quantities of very different magnitude.
        weights = self._inverse_root()
        size = np.sqrt(np.sum(white**2, axis=0) + np.sum(weights**2, axis=0))
        q, r = np.linalg.qr(np.concatenate([white, weights]) / size)
        if np.abs(np.diag(r)).min() < 1e-13:
            raise InputError(
                "the readings do not fix all terms and a prior is flat; give it a width", "estimate"
            )
        solved = np.linalg.solve(r, (right @ q[: len(rows)]).T).T
        inverse = np.linalg.inv(r) / size[:, None]
        return Normal(mean=self.mean + solved / size, cov=inverse @ inverse.T, names=self.names)

    def _inverse_root(self) -> np.ndarray:
        """W with W' W = inverse of the covariance, ndarray (k, k); zero rows for flat priors."""
        finite = np.isfinite(np.diag(self.cov))
        at = np.ix_(finite, finite)
        weights = np.zeros_like(self.cov)
        root = Normal(
            mean=self.mean[finite], cov=self.cov[at], names=tuple(np.array(self.names)[finite])
        ).root
        weights[at] = np.linalg.solve(root, np.eye(len(root)))
        return weights


@cache
def standard_draws(k: int, n: int, seed: int = SEED) -> np.ndarray:
    """The same standard normal draws (n, k) on every run, so that nothing flickers.

    Antithetic, and turned so that mean and covariance are exactly those of the normal distribution; fewer pairs
    than quantities span less, and only their mean is exact.
    """
    half = np.random.default_rng(seed).standard_normal((n // 2, k))
    if len(half) >= k:
        root = np.linalg.cholesky(half.T @ half / len(half))
        half = np.linalg.solve(root, half.T).T
    return np.concatenate([half, -half])
