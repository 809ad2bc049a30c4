"""One set of readings estimated: what was known before, slips set aside, the print's scatter measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.batch import Settled, settle
from fitassay.analysis.estimation.observations import Carried, Evidence

# Readings that differ from what was carried by more than this chance allows mean that the printer has changed.
CHANGED_P = 0.001


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
    agreement_p : float
        Of the estimate with what was carried from an earlier print, from `agreement`; 1 without one.
    carried : Carried or None
        What was carried and used; None too where the readings contradict it.
    """

    evidence: Evidence
    inner: Evidence
    settled: Settled
    stated_u: np.ndarray
    agreement_p: float
    carried: Carried | None

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
        From `estimation.observations.gather`.
    walk : SetWalk
    prior_sd : ndarray (terms,)
    carried : Carried, optional
        What an earlier print left known, in place of the table of priors; dropped where the readings contradict it.
    """
    done = _fit(evidence, walk, prior_sd, carried)
    if carried is None or done.agreement_p >= CHANGED_P:
        return done
    return replace(_fit(evidence, walk, prior_sd, None), agreement_p=done.agreement_p)


def _fit(evidence: Evidence, walk: SetWalk, prior_sd: np.ndarray, carried: Carried | None) -> Fit:
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
        agreement_p=1.0 if carried is None else agreement(own.mean[0], own.covariance[0]),
        carried=carried,
    )


def agreement(z: np.ndarray, covariance: np.ndarray) -> float:
    """Chance of estimates as far from what was known before, if nothing else has changed.

    Before the readings the estimate z (in units of what was known before, prior N(0, I)) is distributed as
    N(0, I - C), C its posterior covariance; z' (I - C)^-1 z is chi-squared over the directions that the readings
    determine.

    Parameters
    ----------
    z : ndarray (terms,)
    covariance : ndarray (terms, terms)
    """
    left, directions = np.linalg.eigh(covariance)
    told = left < 0.9
    if not told.any():
        return 1.0
    square = float(np.sum((z @ directions[:, told]) ** 2 / (1 - left[told])))
    return float(chdtrc(int(told.sum()), square))
