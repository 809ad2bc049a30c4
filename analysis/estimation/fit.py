"""One set of readings estimated: what was known before, slips set aside, the print's scatter measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.batch import Settled, settle
from fitassay.analysis.estimation.observations import Evidence, TransferredPrior
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PRINTER

# Readings that differ from what was carried by more than this chance allows mean that the printer has changed.
CHANGED_P = 0.001


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One set of readings estimated.

    Attributes
    ----------
    evidence : Evidence
        Rows on the tangent through the estimate; uncertainties widened by the print's own scatter.
    inner : Evidence
        The same rows by what was known before: terms = mean + root z with z ~ N(0, I) before the readings.
    settled : Settled
        Of one set, in terms.
    stated_u : ndarray (m,) [mm]
        Uncertainties as they were before.
    agreement_p : float
        Of the estimate with what was carried from an earlier print, from `agreement`; 1 without one.
    transferred : TransferredPrior or None
        What an earlier print left known, where it was used; None too where the readings contradict it.
    """

    evidence: Evidence
    inner: Evidence
    settled: Settled
    stated_u: np.ndarray
    agreement_p: float
    transferred: TransferredPrior | None

    @property
    def posterior(self) -> Normal:
        """Of the terms."""
        return self.settled.posterior[0]

    @property
    def slips(self) -> np.ndarray:
        """Rows set aside (m,) of bool."""
        return self.settled.slips[0]


def fit(evidence: Evidence, walk: SetWalk, prior: Normal, transferred: TransferredPrior | None = None) -> Fit:
    """Estimate with slips set aside, the print's scatter measured and the estimate walked.

    Parameters
    ----------
    evidence : Evidence
        From `estimation.observations.gather`.
    walk : SetWalk
    prior : Normal
        From the table.
    transferred : TransferredPrior, optional
        What an earlier print left known, in place of the table of priors; dropped where the readings contradict it.
    """
    done = _fit(evidence, walk, prior if transferred is None else transferred.terms)
    if transferred is None or done.agreement_p >= CHANGED_P:
        return replace(done, transferred=transferred)
    return replace(_fit(evidence, walk, prior), agreement_p=done.agreement_p)


def _fit(evidence: Evidence, walk: SetWalk, prior: Normal) -> Fit:
    measured = evidence.column >= 0
    columns = evidence.column[measured]
    root = prior.root
    # Chi-square is taken about flat priors on the printer's errors, so these must depend on the first z alone.
    if not PRINTER[: PRINTER.sum()].all():
        raise ValueError("printer terms must stand first in the table of terms")

    def terms_of(z: np.ndarray) -> np.ndarray:
        return prior.mean + z @ root.T

    def forward(z: np.ndarray) -> np.ndarray:
        theta = terms_of(z)
        out = evidence.base + theta @ evidence.gains.T
        out[:, measured] = walk.readings(theta)[:, columns]
        return out

    inner = replace(
        evidence,
        gains=evidence.gains @ root,
        base=evidence.base + evidence.gains @ prior.mean,
    )
    own = settle(
        inner.gains,
        inner.base,
        inner.y[None],
        inner.u[None],
        np.ones(len(root)),
        forward=forward,
        terms_of=terms_of,
    )
    u = np.hypot(evidence.u, own.scatter[0])
    settled = replace(
        own,
        posterior=own.posterior.affine(root, prior.mean),
        base=own.base - evidence.gains @ prior.mean,
    )
    return Fit(
        evidence=replace(evidence, base=settled.base[0], u=u),
        inner=replace(inner, base=own.base[0], u=u),
        settled=settled,
        stated_u=evidence.u,
        agreement_p=agreement(own.posterior[0]),
        transferred=None,
    )


def agreement(z: Normal) -> float:
    """Chance of estimates as far from what was known before, if nothing else has changed.

    In units of what was known before, prior N(0, I), the estimate z is distributed as N(0, I - C) before the
    readings, C its posterior covariance; z' (I - C)^-1 z is chi-squared over the directions that the readings
    determine.

    Parameters
    ----------
    z : Normal
        Posterior.
    """
    left, directions = np.linalg.eigh(z.cov)
    determined = left < 0.9
    if not determined.any():
        return 1.0
    square = float(np.sum((z.mean @ directions[:, determined]) ** 2 / (1 - left[determined])))
    return float(chdtrc(int(determined.sum()), square))
