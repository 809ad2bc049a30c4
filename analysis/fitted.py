"""One set of readings estimated: what was known before, slips set aside, the print's scatter measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.batch import Settled, settle
from analysis.evidence import Carried, Evidence
from analysis.walk import SetWalk


@dataclass(frozen=True, kw_only=True)
class Basis:
    """What was known before the readings: terms = middle + root z with z ~ N(0, I).

    Attributes
    ----------
    middle : ndarray (terms,)
    root : ndarray (terms, terms)
        Lower triangular. Printer terms stand first in `TERMS`, so that they depend on the first z alone.
    """

    middle: np.ndarray
    root: np.ndarray

    @classmethod
    def of(cls, prior_sd: np.ndarray, carried: Carried | None) -> Basis:
        """The table of priors, or what an earlier print left known."""
        if carried is None:
            return cls(middle=np.zeros(len(prior_sd)), root=np.diag(prior_sd))
        scaled = carried.covariance / np.outer(prior_sd, prior_sd)
        return cls(middle=carried.mean, root=prior_sd[:, None] * np.linalg.cholesky(scaled))

    def terms(self, z: np.ndarray) -> np.ndarray:
        """Terms (n, terms) of z (n, terms)."""
        return self.middle + z @ self.root.T


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One set of readings estimated.

    Attributes
    ----------
    evidence : Evidence
        Rows on the tangent through the estimate; uncertainties widened by the print's own scatter.
    inner : Evidence
        The same rows by what was known before, z of `Basis`: unit priors about zero.
    settled : Settled
        Of one set, in terms.
    stated_u : ndarray (m,) [mm]
        Uncertainties as they were before.
    """

    evidence: Evidence
    inner: Evidence
    settled: Settled
    stated_u: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        """Estimates (terms,)."""
        return self.settled.mean[0]

    @property
    def covariance(self) -> np.ndarray:
        """Posterior covariance (terms, terms)."""
        return self.settled.covariance[0]

    @property
    def sd(self) -> np.ndarray:
        """Standard uncertainties (terms,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def slips(self) -> np.ndarray:
        """Rows set aside (m,) of bool."""
        return self.settled.slips[0]


def fit(evidence: Evidence, walk: SetWalk, prior_sd: np.ndarray, carried: Carried | None = None) -> Fit:
    """Estimate with slips set aside, the print's scatter measured and the estimate walked.

    Parameters
    ----------
    evidence : Evidence
        From `analysis.evidence.gather`.
    walk : SetWalk
    prior_sd : ndarray (terms,)
    carried : Carried, optional
        What an earlier print left known, in place of the table of priors.
    """
    measured = evidence.column >= 0
    columns = evidence.column[measured]
    basis = Basis.of(prior_sd, carried)
    unit = np.ones(len(prior_sd))

    def forward(z: np.ndarray) -> np.ndarray:
        theta = basis.terms(z)
        out = evidence.base + theta @ evidence.gains.T
        out[:, measured] = walk.readings(theta)[:, columns]
        return out

    inner = replace(
        evidence,
        gains=evidence.gains @ basis.root,
        base=evidence.base + evidence.gains @ basis.middle,
    )
    own = settle(
        inner.gains, inner.base, inner.y[None], inner.u[None], unit, forward=forward, terms_of=basis.terms
    )
    u = np.hypot(evidence.u, own.scatter[0])
    settled = replace(
        own,
        mean=basis.terms(own.mean),
        covariance=basis.root @ own.covariance @ basis.root.T,
        base=own.base - evidence.gains @ basis.middle,
    )
    return Fit(
        evidence=replace(evidence, base=settled.base[0], u=u),
        inner=replace(inner, base=own.base[0], u=u),
        settled=settled,
        stated_u=evidence.u,
    )
