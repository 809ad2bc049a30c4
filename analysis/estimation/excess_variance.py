"""Scatter of the print itself: how much more the readings disagree than the caliper explains.

No print is as even as the model: blobs, jitter, ringing. What the readings disagree about beyond any printer
error is given to an extra variance t^2, the same for all readings, by the rule of Mandel and Paule (1970, from
memory): t^2 >= 0 such that

    Q(t^2) = sum (y_i - fit_i)^2 / (u_i^2 + t^2) = degrees of freedom

It is zero where the readings agree, or disagree no more than chance makes them in one set of ten; else every
interval widens with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, ndtri

from fitassay.analysis.estimation.many import Layout, Solution
from fitassay.analysis.terms import PRINTER

# Chi-square must not depend on how common an error is thought to be: the printer's priors are made this much wider.
FLAT = 100.0
ROUNDS = 4
# Residuals that happen to a true model more often than this are no sign of scatter: intervals stay as stated.
SIGNIFICANT_P = 0.1
# Fewer degrees of freedom say nothing about scatter.
LEAST_DOF = 3.0


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """Fit of n sets of readings.

    Attributes
    ----------
    chi2, dof, p_value : ndarray (n,)
        Of the stated uncertainties, without extra variance. `dof` is the number of readings kept less the
        printer errors that they determine.
    variance : ndarray (n,) [mm2]
        t^2.
    """

    chi2: np.ndarray
    dof: np.ndarray
    p_value: np.ndarray
    variance: np.ndarray


def flat_layout(layout: Layout) -> Layout:
    """The layout with priors on printer errors so wide that they do not pull."""
    return layout.widened(np.where(PRINTER, FLAT, 1.0))


def measure_scatter(
    flat: Layout,
    residual: np.ndarray,
    variance: np.ndarray,
    keep: np.ndarray,
    worst_out: np.ndarray | None = None,
) -> Scatter:
    """Chi-square and extra variance of n sets.

    Parameters
    ----------
    flat : Layout
        From `flat_layout`.
    residual : ndarray (n, m) [mm]
        Readings less base.
    variance : ndarray (n, m) [mm2]
        Stated, of each reading.
    keep : ndarray (n, m) of bool
    worst_out : ndarray (n,) of int, optional
        How many readings were left out for being the worst: without them the rest agrees better than chance
        would have it, and the scatter is measured against that.
    """
    solution = flat.solve(residual, keep / variance)
    chi2 = _quadratic(solution)
    dof = _freedom(solution, keep)
    enough = dof >= LEAST_DOF
    p_value = np.where(dof > 0.5, chdtrc(np.maximum(dof, 0.5), chi2), 1.0)
    aim = np.ones(len(residual))
    if worst_out is not None:
        aim = 1 - _worst_share(keep.sum(axis=1) + worst_out, worst_out) / np.maximum(dof, 1e-9)
        aim = np.maximum(aim, 0.25)
    extra = np.zeros(len(residual))
    typical = np.sum(np.where(keep, variance, 0.0), axis=1) / np.maximum(keep.sum(axis=1), 1)
    active = np.flatnonzero(enough & (chdtrc(np.maximum(dof, 0.5), chi2 / aim) < SIGNIFICANT_P))
    ratio = chi2[active] / (dof * aim)[active]
    for round_ in range(ROUNDS):
        if not active.size:
            break
        # Exact where all readings are equally uncertain; else it settles within a few rounds.
        extra[active] = np.maximum((typical[active] + extra[active]) * ratio - typical[active], 0.0)
        if round_ == ROUNDS - 1:
            break
        wide = variance[active] + extra[active, None]
        s = flat.solve(residual[active], keep[active] / wide)
        ratio = _quadratic(s) / np.maximum(_freedom(s, keep[active]) * aim[active], 1e-9)
        off = np.abs(ratio - 1) > 1e-3
        active, ratio = active[off], ratio[off]
    # Known from so many degrees of freedom only: as wide as a t distribution, whose variance is dof / (dof - 2).
    wide = (typical + extra) * dof / np.maximum(dof - 2, 1.0) - typical
    extra = np.where(extra > 0, wide, 0.0)
    return Scatter(chi2=chi2, dof=dof, p_value=p_value, variance=extra)


def _worst_share(readings: np.ndarray, worst: np.ndarray) -> np.ndarray:
    """Chi-square that the `worst` of so many normal residuals are expected to hold beyond their own number."""
    rank = np.arange(1, int(worst.max(initial=0)) + 1)
    # Expected normal order statistics, after Blom (1958, from memory), of absolute values.
    z = ndtri(1 - (rank - 0.375) / (2 * np.maximum(readings, 1)[:, None] + 0.5))
    return np.sum(np.where(rank <= worst[:, None], z**2 - 1, 0.0), axis=1)


def _quadratic(solution: Solution) -> np.ndarray:
    return np.sum(solution.weight * solution.residual**2, axis=1) + np.sum(solution.posterior.mean**2, axis=1)


def _freedom(solution: Solution, keep: np.ndarray) -> np.ndarray:
    spread = solution.posterior.sd**2
    return keep.sum(axis=1) - np.sum(np.where(PRINTER, 1.0 - spread, 0.0), axis=1)
