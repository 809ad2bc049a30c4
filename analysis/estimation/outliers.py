"""Outliers: readings that were mistyped or misread.

A slip is modelled as a shift of one reading by any amount. With Q the misfit of a set (residuals and priors
together), leaving readings L out lowers Q by a gain that has a closed form (`estimation.marginal`); the L sought
makes

    Q(without L) + limit^2 * |L|

smallest, over L of none, one or two readings, then one by one more. Two at once, because two slips can hide each
other: either alone looks good in the light of the other. Last, each reading set aside may come back.

Naming slips and guessing what was meant is `estimation.outlier_causes`' job.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.marginal import Model, deleted, times
from fitassay.analysis.tails import normal_quantile
from fitassay.analysis.terms import TERMS

# Chance that a set without any slip has a reading accused, by Bonferroni over its readings.
FALSE_ALARM = 0.015
# A slip is gross: smaller misfits are the printer's or the hand's and stay in.
SMALLEST_SLIP_SDS = 3.0
# More accused readings than this share means the model is wrong, not the hand.
LARGEST_SHARE = 0.25
# Below this many readings nothing can contradict anything.
LEAST_READINGS = 4
FORM = np.array([t.kind == "form" for t in TERMS])
FORM_FACTOR = 3.0
# Sets whose worst reading stands out less than this are not searched for pairs that hide each other.
PAIR_SDS = 2.5
# A print's own scatter is judged without so many of the worst readings, and without those further off than any print
# is: they are the hand's [mm].
SLIPS_AT_ONCE = 2
HAND_MM = 2.0


def slip_limit(readings: int) -> float:
    """How many standard deviations off a reading must be, in a set of so many readings."""
    return -normal_quantile(FALSE_ALARM / (2 * max(readings, 1)))


def search_model(model: Model) -> Model:
    """As outliers are searched: what the model does not claim to know must not make a slip of a reading."""
    return model.widened(FORM, FORM_FACTOR)


def most_outliers(readings: int) -> int:
    """How many readings may be set aside at most."""
    return max(1, int(LARGEST_SHARE * readings)) if readings >= LEAST_READINGS else 0


def find_outliers(model: Model, residual: np.ndarray) -> np.ndarray:
    """Which readings of one set do not belong, ndarray (m,) of bool.

    Parameters
    ----------
    model : Model
    residual : ndarray (m,) [mm]
        Readings less base and prior mean.
    """
    removed = _search(search_model(model), residual)
    return _readmit(model, residual, removed) if removed else np.zeros(len(residual), dtype=bool)


def worst_readings(
    precision: np.ndarray, residual: np.ndarray, u: np.ndarray, limit: float, pairs: bool
) -> np.ndarray:
    """The reading or the pair that is best left out next, ndarray (..., m) of bool; none where none pays.

    Parameters
    ----------
    precision : ndarray (m, m) or (n, m, m)
        P of the readings still kept.
    residual : ndarray (..., m) [mm]
    u : ndarray (..., m) [mm]
        Standard uncertainties that the readings do not share: from `Model.own_u`.
    limit : float
        From `slip_limit`.
    pairs : bool
        Whether pairs that hide each other are looked for too.
    """
    off, sd = deleted(precision, residual)
    gain = (off / sd) ** 2
    single = np.where(np.abs(off) >= SMALLEST_SLIP_SDS * u, gain, 0.0)
    best = single.max(axis=-1)
    out = (single == best[..., None]) & (best >= limit**2)[..., None]
    if pairs:
        look = gain.max(axis=-1) >= PAIR_SDS**2
        if look.any():
            taken = ... if residual.ndim == 1 else np.flatnonzero(look)
            own = precision if precision.ndim == 2 else precision[taken]
            pair_gain, pair = _best_pair(own, residual[taken], np.broadcast_to(u, residual.shape)[taken])
            pays = (pair_gain >= 2 * limit**2) & (pair_gain >= best[taken] + limit**2)
            out[taken] = np.where(pays[..., None], pair, out[taken])
    return out


def _best_pair(precision: np.ndarray, residual: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gain by leaving out the best pair (...), and that pair (..., m) of bool."""
    m = residual.shape[-1]
    pull = times(precision, residual)
    own = np.einsum("...jj->...j", precision)
    det = own[..., :, None] * own[..., None, :] - precision**2
    allowed = (det > 1e-9 * own[..., :, None] * own[..., None, :]) & np.triu(np.ones((m, m), dtype=bool), 1)
    det = np.where(allowed, det, 1.0)
    # Shifts of both readings that fit best.
    first = (own[..., None, :] * pull[..., :, None] - precision * pull[..., None, :]) / det
    second = (own[..., :, None] * pull[..., None, :] - precision * pull[..., :, None]) / det
    gross = SMALLEST_SLIP_SDS * u
    allowed = allowed & (np.abs(first) >= gross[..., :, None]) & (np.abs(second) >= gross[..., None, :])
    gain = np.where(allowed, pull[..., :, None] * first + pull[..., None, :] * second, 0.0)
    flat = gain.reshape(*gain.shape[:-2], m * m)
    best = np.argmax(flat, axis=-1)
    index = np.arange(m)
    pair = (index == (best // m)[..., None]) | (index == (best % m)[..., None])
    return np.take_along_axis(flat, best[..., None], axis=-1)[..., 0], pair


def _search(model: Model, residual: np.ndarray) -> list[int]:
    """Readings set aside, the worst first."""
    limit, most = slip_limit(len(residual)), most_outliers(len(residual))
    removed: list[int] = []
    while len(removed) < most:
        kept = np.setdiff1d(np.arange(len(residual)), removed)
        own = model.taking(kept)
        precision = np.linalg.inv(own.cov)
        pairs = not removed and most >= 2
        out = np.flatnonzero(worst_readings(precision, residual[kept], own.own_u, limit, pairs))
        if not out.size:
            break
        off, sd = deleted(precision, residual[kept])
        removed += [int(kept[i]) for i in sorted(out, key=lambda i: -abs(off[i]) / sd[i])]
    return removed


def _readmit(model: Model, residual: np.ndarray, removed: list[int]) -> np.ndarray:
    """Readings to leave out in the end, ndarray (m,) of bool.

    Some come back because the whole print scatters that much, or because a worse slip made them look bad.
    """
    limit = slip_limit(len(residual))
    everything = np.arange(len(residual))
    rest = np.setdiff1d(everything, removed[:SLIPS_AT_ONCE])
    worst_out = len(removed[:SLIPS_AT_ONCE])
    wide = search_model(model).plus(disagreement(model.taking(rest), residual[rest], worst_out).excess)
    out = sorted(removed)
    while out:
        off, sd = predicted(wide.cov, residual, np.setdiff1d(everything, out), np.array(out))
        z = np.abs(off) / sd
        if z.min() >= limit:
            break
        out.pop(int(np.argmin(z)))
    return np.isin(everything, out)


def predicted(
    cov: np.ndarray, residual: np.ndarray, kept: np.ndarray, others: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Readings left out less what those kept say of each, and its standard deviation, ndarray (others,) each [mm]."""
    weights = np.linalg.solve(cov[np.ix_(kept, kept)], cov[np.ix_(kept, others)])
    off = residual[others] - residual[kept] @ weights
    variance = np.diag(cov)[others] - np.sum(cov[np.ix_(kept, others)] * weights, axis=0)
    return off, np.sqrt(variance)
