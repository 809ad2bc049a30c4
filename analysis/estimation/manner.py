"""What a backlash compensation set too high does to round holes: mirror the play or jump; which one the bores fit.

Straight flanks stand alike in both. A bore gains what play would have taken where the play is mirrored, and loses as
much where the axis jumps at the reversal: jaws rest on the tips of the dents (see `chain.clearance`).
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.fit import Fit
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PLAYS

# A compensation of lost motion is clearly set too high from here on [mm], where it is significant.
OVER_MM, OVER_SDS = 0.03, 2.0
# Chance from which on a manner is told.
TOLD_P = 0.95
# Both manners are as likely until bores tell, and no earlier print is surer of one than this.
NOT_TOLD, SUREST = 0.5, 0.99
# Logarithm of how likely a reading is a slip, which may be off by anything within a millimetre (common practice).
SLIP_LOG = float(np.log(0.01))


def over_compensated(mean: np.ndarray, sds: np.ndarray) -> np.ndarray:
    """Columns, ndarray (plays,) of bool in the order of `PLAYS`, whose compensation is clearly set too high."""
    plays = list(PLAYS)
    return mean[plays] < -np.maximum(OVER_SDS * sds[plays], OVER_MM)


def chance_of_jumps(mirrored: Fit, jumping: Fit, walk: SetWalk, before: float = NOT_TOLD) -> float:
    """How likely the axes jump, by the bores that were read.

    Parameters
    ----------
    mirrored, jumping : Fit
        The same readings, walked along `walk` and along `SetWalk.jumping`.
    before : float
        How likely that was beforehand; taken as no surer than `SUREST`.
    """
    bores = np.array([c >= 0 and walk.round[c] for c in mirrored.observations.column])
    if not bores.any():
        return before
    kept = ~mirrored.outliers & ~jumping.outliers & ~bores
    odds = _fit_of_bores(jumping, bores, kept) - _fit_of_bores(mirrored, bores, kept)
    held = float(np.clip(before, 1 - SUREST, SUREST))
    odds += float(np.log(held / (1 - held)))
    return float(1 / (1 + np.exp(-np.clip(odds, -500, 500))))


def _fit_of_bores(done: Fit, bores: np.ndarray, others: np.ndarray) -> float:
    """Logarithm of how likely the bores' readings are by what was known before and by the `others`.

    One of them may be a slip, which tells nothing of the manner: the best of all sets that leave one out counts, too.
    """
    o = done.observations
    off, u = o.y - done.estimate.base, o.u.copy()
    own = o.column >= 0
    u[own] = np.sqrt(np.diag(done.noise))
    known = done.prior.condition(o.gains[others], off[others], u[others])
    rows = np.flatnonzero(bores)
    best = _log_likelihood(known, o.gains[rows], off[rows], u[rows])
    for i in range(len(rows) if len(rows) > 2 else 0):
        left = np.delete(rows, i)
        best = max(best, SLIP_LOG + _log_likelihood(known, o.gains[left], off[left], u[left]))
    return best


def _log_likelihood(prior: Normal, gains: np.ndarray, y: np.ndarray, u: np.ndarray) -> float:
    off = y - gains @ prior.mean
    cov = gains @ prior.cov @ gains.T + np.diag(u**2)
    return float(-(off @ np.linalg.solve(cov, off) + np.linalg.slogdet(2 * np.pi * cov)[1]) / 2)


def which(p: float) -> bool | None:
    """Whether the axes jump, by the chance `p` that they do; None where that tells neither manner."""
    return p > 1 / 2 if max(p, 1 - p) >= TOLD_P else None


def mixed(mirrored: Normal, jumping: Normal, p: float) -> Normal:
    """Mean and covariance of two posteriors of which the second holds with chance p."""
    apart = jumping.mean - mirrored.mean
    cov = (1 - p) * mirrored.cov + p * jumping.cov + p * (1 - p) * np.outer(apart, apart)
    return Normal(mean=mirrored.mean + p * apart, cov=cov)
