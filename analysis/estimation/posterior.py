"""The posterior of the error terms: linear Gaussian model, solved once by QR with the prior as pseudo-rows.

    y = base + A theta + noise,   noise ~ N(0, diag(u^2)),   theta ~ N(m, diag(s^2))
    C = (A' diag(u^-2) A + diag(s^-2))^-1,   mean = m + C A' diag(u^-2) (y - base - A m)

(textbook conjugate update; GUM terms: u and the root of C's diagonal are standard uncertainties).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.terms import TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine

# A term pinned by the user gets this in place of zero, so that the algebra stays regular [unit of the term].
SMALLEST_SD = 1e-9


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """Normal posterior of k terms, for one set of readings or for n at once.

    Attributes
    ----------
    mean : ndarray (k,) or (n, k)
    covariance : ndarray (k, k)
        Shared by all n: it does not depend on what was read.
    root : ndarray (k, k)
        Upper triangular R with inv(R) inv(R)' = covariance.
    """

    mean: np.ndarray
    covariance: np.ndarray
    root: np.ndarray

    @property
    def sd(self) -> np.ndarray:
        """Standard uncertainties (k,)."""
        return np.sqrt(np.diag(self.covariance))


def posterior(
    gains: np.ndarray,
    residual: np.ndarray,
    u: np.ndarray,
    prior_sd: np.ndarray,
    prior_mean: np.ndarray | None = None,
) -> Posterior:
    """Posterior of terms seen through `gains`.

    Parameters
    ----------
    gains : ndarray (m, k)
        d reading / d term.
    residual : ndarray (m,) or (n, m) [mm]
        Readings less what zero terms read.
    u : ndarray (m,) [mm]
        Standard uncertainties of the readings.
    prior_sd, prior_mean : ndarray (k,)
        Prior; mean zero by default. An infinite prior sd is a flat prior (the readings must then fix the term).

    Returns
    -------
    Posterior

    Raises
    ------
    InputError
        Fewer rows than terms under flat priors, or a non-finite number.
    """
    gains = np.asarray(gains, dtype=float)
    residual = np.asarray(residual, dtype=float)
    prior_sd = np.asarray(prior_sd, dtype=float)
    mean = np.zeros(gains.shape[1]) if prior_mean is None else np.asarray(prior_mean, dtype=float)
    if not (np.isfinite(gains).all() and np.isfinite(residual).all() and np.isfinite(u).all()):
        raise InputError("a reading or a sensitivity is not a finite number", "estimate")
    weights = 1.0 / np.maximum(prior_sd, SMALLEST_SD)
    # Columns in units of a typical size keep QR accurate for terms of very different magnitude.
    size = np.sqrt(np.sum((gains / u[:, None]) ** 2, axis=0) + weights**2)
    rows = np.concatenate([gains / u[:, None], np.diag(weights)]) / size
    q, r = np.linalg.qr(rows)
    if np.abs(np.diag(r)).min() < 1e-13:
        raise InputError("the readings do not fix all terms and a prior is flat; give it a width", "estimate")
    right = (residual - gains @ mean) / u
    solved = np.linalg.solve(r, (right @ q[: len(u)]).T).T
    root = r * size
    inverse = np.linalg.inv(r) / size[:, None]
    return Posterior(mean=mean + solved / size, covariance=inverse @ inverse.T, root=root)


def prior_sds(machine: Machine) -> np.ndarray:
    """Prior standard deviations (terms,), from the table, the caliper and the case's own ``[priors]``."""
    limits = {
        "outside_bias": machine["caliper.error_limit_mm"],
        "inside_bias": machine["caliper.inside_error_limit_mm"],
    }
    known = {t.name for t in TERMS}
    for name in machine.priors:
        if name not in known:
            raise InputError(f"no error term is called {name}; known: {', '.join(sorted(known))}", "priors")
    sds = []
    for term in TERMS:
        # An error limit +-a without more is a rectangular distribution, u = a / sqrt(3) (GUM 4.3.7).
        default = limits[term.name] / np.sqrt(3) if term.prior_sd is None else term.prior_sd
        sds.append(max(float(machine.priors.get(term.name, default)), SMALLEST_SD))
    return np.array(sds)
