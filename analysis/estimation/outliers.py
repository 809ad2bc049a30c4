"""Readings that were mistyped or misread: found among many sets at once.

A slip is modelled as a shift of one reading by any amount. With Q the misfit of a set (residuals and priors
together), leaving readings S out lowers Q by a gain that has a closed form; the S sought makes

    Q(without S) + limit^2 * |S|

smallest, over S of none, one or two readings, then one by one more. Two at once, because two slips can hide each
other: either alone looks good in the light of the other. Last, each reading set aside may come back.

Naming slips and guessing what was meant is `estimation.outlier_causes`' job.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from fitassay.analysis.estimation.excess_variance import measure_scatter
from fitassay.analysis.estimation.many import Layout, Solution
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


def slip_limit(readings: np.ndarray) -> np.ndarray:
    """How many standard deviations off a reading must be, for sets of so many readings."""
    return -ndtri(FALSE_ALARM / (2 * np.maximum(readings, 1)))


def find_slips(
    layout: Layout, flat: Layout, residual: np.ndarray, variance: np.ndarray, present: np.ndarray
) -> np.ndarray:
    """Which readings do not belong, ndarray (n, m) of bool.

    Parameters
    ----------
    layout : Layout
    flat : Layout
        From `estimation.excess_variance.flat_layout`.
    residual : ndarray (n, m) [mm]
        Readings less base; zero where there is none.
    variance : ndarray (n, m) [mm2]
    present : ndarray (n, m) of bool
    """
    limit = slip_limit(present.sum(axis=1))
    # What the model does not claim to know must not make a slip of one of the few readings that it touches.
    layout = layout.widened(np.where(FORM, FORM_FACTOR, 1.0))
    keep, order = _search(layout, residual, variance, present, limit)
    found = np.flatnonzero((present & ~keep).any(axis=1))
    if found.size:
        keep[found] = _readmit(
            layout,
            flat,
            residual[found],
            variance[found],
            present[found],
            keep[found],
            order[found],
            limit[found],
        )
    return present & ~keep


def _search(
    layout: Layout, residual: np.ndarray, variance: np.ndarray, present: np.ndarray, limit: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Readings kept (n, m), and the step at which each other one was set aside."""
    keep = present.copy()
    order = np.full(present.shape, np.inf)
    count = present.sum(axis=1)
    most = np.maximum(1, (LARGEST_SHARE * count).astype(int))
    active = np.flatnonzero(count >= LEAST_READINGS)
    step = 0
    while active.size:
        v, on = variance[active], keep[active]
        solution = layout.solve(residual[active], on / v)
        off, sd = solution.deleted(v)
        gain = np.where(on, (off / sd) ** 2, 0.0)
        gross = on & (np.abs(off) >= SMALLEST_SLIP_SDS * np.sqrt(v))
        single = np.where(gross, gain, 0.0)
        out = np.zeros_like(on)
        best = np.argmax(single, axis=1)
        rows = np.arange(len(active))
        cost = limit[active] ** 2
        out[rows, best] = single[rows, best] >= cost
        if step == 0:
            look = np.flatnonzero((gain.max(axis=1) >= PAIR_SDS**2) & (most[active] >= 2))
            if look.size:
                _choose_pairs(
                    layout, _taken(solution, look), v[look], out, look, single[look].max(axis=1), cost
                )
        keep[active] &= ~out
        # Of a pair the greater misfit counts as the earlier.
        order[active] = np.where(out, step + 1 / (1 + gain), order[active])
        step += 1
        active = active[out.any(axis=1) & ((present & ~keep)[active].sum(axis=1) < most[active])]
    return keep, order


def _choose_pairs(
    layout: Layout,
    solution: Solution,
    variance: np.ndarray,
    out: np.ndarray,
    look: np.ndarray,
    single: np.ndarray,
    cost: np.ndarray,
) -> None:
    """Mark in `out` the best pair of each set of `look` where it pays over the best single reading."""
    b, w = layout.scaled, solution.weight
    cross = -w[:, :, None] * w[:, None, :] * (b @ solution.posterior.cov @ b.T)
    own = w * solution.freedom
    pull = w * solution.residual
    det = own[:, :, None] * own[:, None, :] - cross**2
    allowed = det > 1e-9 * own[:, :, None] * own[:, None, :]
    allowed &= np.triu(np.ones(det.shape[1:], dtype=bool), 1)
    det = np.where(allowed, det, 1.0)
    # Shifts of both readings that fit best, and the gain by leaving both out.
    first = (own[:, None, :] * pull[:, :, None] - cross * pull[:, None, :]) / det
    second = (own[:, :, None] * pull[:, None, :] - cross * pull[:, :, None]) / det
    gain = pull[:, :, None] * first + pull[:, None, :] * second
    least = SMALLEST_SLIP_SDS * np.sqrt(variance)
    allowed &= (np.abs(first) >= least[:, :, None]) & (np.abs(second) >= least[:, None, :])
    gain = np.where(allowed, gain, 0.0).reshape(len(look), -1)
    best = np.argmax(gain, axis=1)
    gain = gain[np.arange(len(look)), best]
    pays = (gain >= 2 * cost[look]) & (gain >= single + cost[look])
    for at, pair in zip(look[pays], best[pays], strict=True):
        out[at] = False
        out[at, list(divmod(int(pair), len(b)))] = True


def _readmit(
    layout: Layout,
    flat: Layout,
    residual: np.ndarray,
    variance: np.ndarray,
    present: np.ndarray,
    keep: np.ndarray,
    order: np.ndarray,
    limit: np.ndarray,
) -> np.ndarray:
    """Readings to keep after all, because the whole print scatters that much, or a worse slip made them look bad."""
    rank = np.argsort(np.argsort(order, axis=1), axis=1)
    worst = ~keep & present & (rank < SLIPS_AT_ONCE)
    scatter = measure_scatter(flat, residual, variance, present & ~worst, worst.sum(axis=1))
    wide = variance + scatter.variance[:, None]
    keep = keep.copy()
    active = np.arange(len(keep))
    while active.size:
        solution = layout.solve(residual[active], keep[active] / wide[active])
        off, sd = solution.deleted(wide[active])
        z = np.where(present[active] & ~keep[active], np.abs(off) / sd, np.inf)
        least = np.argmin(z, axis=1)
        back = z[np.arange(len(active)), least] < limit[active]
        keep[active[back], least[back]] = True
        active = active[back]
    return keep


def _taken(s: Solution, rows: np.ndarray) -> Solution:
    return Solution(
        posterior=s.posterior[rows],
        residual=s.residual[rows],
        leverage=s.leverage[rows],
        weight=s.weight[rows],
    )
