"""Readings that were mistyped or misread: found, named, and what was likely meant."""

from __future__ import annotations

from itertools import permutations

import numpy as np
from scipy.special import ndtri

from analysis.evidence import Evidence
from analysis.result import Suspect

# Chance that a set without any slip has a reading accused, by Bonferroni over its readings.
FALSE_ALARM = 0.02
# A slip is gross: smaller misfits are the printer's or the hand's and stay in.
SMALLEST_SLIP_SDS = 3.0
# More accused readings than this share means the model is wrong, not the hand.
LARGEST_SHARE = 0.25


def deleted_residuals(
    evidence: Evidence, prior_sd: np.ndarray, keep: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Each reading less what all *other* kept readings and the priors predict for it.

    With V = A S A' + U over the kept rows, e_i = (V^-1 r)_i / (V^-1)_ii with variance 1 / (V^-1)_ii; rows not
    kept are predicted from all kept ones.

    Returns
    -------
    residual, sd : ndarray (m,) [mm]
    """
    a, u = evidence.gains, evidence.u
    r = evidence.y - evidence.base
    cov = (a * prior_sd**2) @ a.T + np.diag(u**2)
    inner = np.linalg.inv(cov[np.ix_(keep, keep)])
    solved = inner @ r[keep]
    residual, sd = np.empty(len(r)), np.empty(len(r))
    diagonal = np.diag(inner)
    residual[keep], sd[keep] = solved / diagonal, 1 / np.sqrt(diagonal)
    for i in np.flatnonzero(~keep):
        link = cov[i, keep]
        residual[i] = r[i] - link @ solved
        sd[i] = np.sqrt(cov[i, i] - link @ inner @ link)
    return residual, sd


def find_slips(evidence: Evidence, prior_sd: np.ndarray) -> np.ndarray:
    """Which readings do not belong, ndarray (m,) of bool.

    The worst reading is set aside and the rest looked at again, until none stands out; then each one set aside
    is given the chance to come back, so that one slip does not blame its neighbours.
    """
    m = len(evidence.y)
    limit = -float(ndtri(FALSE_ALARM / (2 * max(m, 1))))
    keep = np.ones(m, dtype=bool)
    most = max(1, int(LARGEST_SHARE * m))
    # Below this many readings nothing can contradict anything.
    while m >= 4 and (~keep).sum() < most:
        residual, sd = deleted_residuals(evidence, prior_sd, keep)
        z = np.where(keep, np.abs(residual) / sd, 0.0)
        worst = int(np.argmax(z))
        if z[worst] < limit or abs(residual[worst]) < SMALLEST_SLIP_SDS * evidence.u[worst]:
            break
        keep[worst] = False
    for i in np.flatnonzero(~keep):
        residual, sd = deleted_residuals(evidence, prior_sd, keep)
        if abs(residual[i]) < limit * sd[i]:
            keep[i] = True
    return ~keep


def name_slips(evidence: Evidence, prior_sd: np.ndarray, slips: np.ndarray) -> tuple[Suspect, ...]:
    """Say of each slip what was expected, what was likely meant and why."""
    residual, sd = deleted_residuals(evidence, prior_sd, ~slips)
    suspects = []
    for i in np.flatnonzero(slips):
        expected = float(evidence.y[i] - residual[i])
        spread = float(np.hypot(3.5 * sd[i], 0.02))
        likely, reason = _intended(float(evidence.y[i]), expected, spread)
        swap = _swapped(i, evidence, residual, spread, slips)
        if likely is None and swap is not None:
            likely = float(evidence.y[swap])
            reason = f"looks swapped with {evidence.keys[swap][1]} on {evidence.keys[swap][0]}"
        suspects.append(
            Suspect(
                coupon=evidence.keys[i][0],
                feature=evidence.keys[i][1],
                reading_mm=float(evidence.y[i]),
                expected_mm=expected,
                likely_mm=likely,
                reason=reason,
            )
        )
    return tuple(suspects)


def _intended(value: float, expected: float, spread: float) -> tuple[float | None, str]:
    candidates = [
        (value * 25.4, "looks like inches"),
        (value / 25.4, "looks like mm taken for inches"),
        (value * 10, "the decimal point slipped by one place"),
        (value / 10, "the decimal point slipped by one place"),
        (value + 1, "looks misread by 1 mm"),
        (value - 1, "looks misread by 1 mm"),
        (value + 10, "looks misread by 10 mm"),
        (value - 10, "looks misread by 10 mm"),
        *((v, "two digits look swapped") for v in _digit_swaps(value)),
        (value + 0.1, "looks misread by 0.1 mm"),
        (value - 0.1, "looks misread by 0.1 mm"),
    ]
    fitting = [(abs(v - expected), v, why) for v, why in candidates if abs(v - expected) <= spread]
    if not fitting:
        return None, "does not fit the other readings; measure it again"
    _, likely, why = min(fitting)
    return round(likely, 4), why


def _digit_swaps(value: float) -> list[float]:
    text = f"{value:.2f}"
    spots = [i for i, c in enumerate(text) if c.isdigit()]
    swaps = []
    for i, j in permutations(spots, 2):
        if i < j and text[i] != text[j]:
            t = list(text)
            t[i], t[j] = t[j], t[i]
            swaps.append(float("".join(t)))
    return swaps


def _swapped(
    i: int, evidence: Evidence, residual: np.ndarray, spread: float, slips: np.ndarray
) -> int | None:
    """The other slip whose value fits here while this one fits there."""
    expected = evidence.y - residual
    for j in np.flatnonzero(slips):
        if j != i and abs(evidence.y[j] - expected[i]) < spread and abs(evidence.y[i] - expected[j]) < spread:
            return int(j)
    return None
