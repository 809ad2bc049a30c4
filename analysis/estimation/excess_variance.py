"""Excess variance: how much more the readings of a print disagree than their uncertainties explain.

No print is as even as the model: blobs, jitter, ringing. What the readings disagree about beyond any printer
error is given to an excess variance t^2, the same for all readings of the print, by the rule of Mandel and Paule
(1970, from memory): t^2 >= 0 such that

    Q(t^2) = r' (S + t^2 I)^-1 r = degrees of freedom

with S the covariance of the readings under priors so wide that no printer error is held to be rare. In a sound model
half of all sets disagree a little more than expected by chance alone, so t^2 counts only as far as chance does not
explain it: times 1 - p / `FADE_P`, none from there on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.tails import chi_squared_above, normal_quantile
from fitassay.analysis.terms import PRINTER


@dataclass(frozen=True, kw_only=True)
class Disagreement:
    """How well n sets of readings agree with the model.

    Attributes
    ----------
    chi2, dof, p_value : float or ndarray (n,)
        At the uncertainties as they are; `dof` is the number of readings less the printer errors that they
        determine.
    excess : float or ndarray (n,) [mm2]
        t^2.
    """

    chi2: np.ndarray
    dof: np.ndarray
    p_value: np.ndarray
    excess: np.ndarray
    birge: np.ndarray


# Chi-square must not depend on how common an error is thought to be: the printer's priors are made this much wider.
FLAT = 100.0
# Disagreement that happens to a true model more often than this is no sign of an uneven print.
FADE_P = 0.2
# Fewer degrees of freedom say nothing about scatter.
LEAST_DOF = 3.0
# Halvings of the interval in which t^2 is sought.
HALVINGS = 48


def disagreement(model: Model, residual: np.ndarray, worst_out: int = 0) -> Disagreement:
    """Chi-square and excess variance.

    Parameters
    ----------
    model : Model
    residual : ndarray (m,) or (n, m) [mm]
        Readings less base and prior mean.
    worst_out : int
        How many readings were left out for being the worst: without them the rest agrees better than chance
        would have it, and the scatter is measured against that.
    """
    if not len(model.gains):
        none = np.zeros(residual.shape[:-1])
        return Disagreement(chi2=none, dof=none, p_value=none + 1, excess=none, birge=none + 1)
    # In the directions of S every Q(t^2) is a sum.
    values, directions = np.linalg.eigh(model.widened(PRINTER, FLAT).cov)
    squares = np.einsum("...j,...jk->...k", residual, directions) ** 2
    expected = np.einsum("...jk,...ji,...ik->...k", directions, model.cov, directions, optimize=True)

    def chi2_at(t2: np.ndarray) -> np.ndarray:
        return np.sum(squares / (values + t2[..., None]), axis=-1)

    def dof_at(t2: np.ndarray) -> np.ndarray:
        # Expected chi-square where all is as modelled.
        return np.sum((expected + t2[..., None]) / (values + t2[..., None]), axis=-1)

    zero = np.zeros(residual.shape[:-1])
    chi2, dof = chi2_at(zero), dof_at(zero) + zero
    p_value = np.where(dof > 0.5, chi_squared_above(np.maximum(dof, 0.5), chi2), 1.0)
    aim = 1.0
    if worst_out:
        aim = np.maximum(1 - _worst_share(len(model.gains) + worst_out, worst_out) / dof, 0.25)
    low, high = zero, np.sum(squares, axis=-1)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        above = chi2_at(middle) > aim * dof_at(middle)
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    t2 = (low + high) / 2
    # Known from so many degrees of freedom only: as wide as a t distribution, whose variance is dof / (dof - 2).
    typical = np.mean(np.einsum("...jj->...j", model.noise), axis=-1)
    wide = (typical + t2) * dof / np.maximum(dof - 2, 1.0) - typical
    real = np.maximum(1 - chi_squared_above(np.maximum(dof, 0.5), chi2 / aim) / FADE_P, 0.0)
    excess = np.where((dof >= LEAST_DOF) & (chi2 > aim * dof), wide * real, 0.0)
    ratio = np.where(dof >= LEAST_DOF, chi2 / np.maximum(aim * dof, 1e-9), 1.0)
    birge = 1 + np.maximum(ratio - 1, 0.0) * real
    return Disagreement(chi2=chi2, dof=dof, p_value=p_value, excess=excess, birge=birge)


def _worst_share(readings: int, worst: int) -> float:
    """Chi-square that the `worst` of so many normal residuals are expected to hold beyond their own number."""
    rank = np.arange(1, worst + 1)
    # Expected normal order statistics, after Blom (1958, from memory), of absolute values.
    z = np.array([normal_quantile(1 - (k - 0.375) / (2 * readings + 0.5)) for k in rank])
    return float(np.sum(z**2 - 1))
