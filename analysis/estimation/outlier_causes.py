"""What a slip was: the reading expected, what was likely meant and why; and where a slip could hide."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from fitassay.analysis.estimation.many import Layout
from fitassay.analysis.estimation.observations import FILE, REFERENCE, Evidence
from fitassay.analysis.estimation.outliers import LEAST_READINGS, slip_limit
from fitassay.analysis.result import Suspect

# A slip this large must be found, else the user is told that nothing checks the reading [mm].
LARGEST_HIDDEN_MM = 1.0
# A term is measured where the readings leave it less than this share of its prior.
MEASURED_SHARE = 0.5


def deleted_residuals(
    evidence: Evidence, prior_sd: np.ndarray, keep: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Each reading less what all *other* kept readings and the priors predict for it, and its sd, (m,) [mm]."""
    variance = evidence.u[None] ** 2
    residual = (evidence.y - evidence.base)[None]
    solution = Layout(gains=evidence.gains, prior_sd=prior_sd).solve(residual, keep / variance)
    off, sd = solution.deleted(variance)
    return off[0], sd[0]


def name_slips(evidence: Evidence, prior_sd: np.ndarray, slips: np.ndarray) -> tuple[Suspect, ...]:
    """Say of each slip what was expected, what was likely meant and why."""
    residual, sd = deleted_residuals(evidence, prior_sd, ~slips)
    expected = evidence.y - residual
    spread = np.hypot(3.5 * sd, 0.02)
    suspects = []
    for i in map(int, np.flatnonzero(slips)):
        likely, reason = intended(float(evidence.y[i]), float(expected[i]), float(spread[i]))
        swap = _swapped(i, evidence.y, expected, spread, slips)
        if swap is not None:
            likely = float(evidence.y[swap])
            reason = f"looks swapped with {evidence.keys[swap][1]} on {evidence.keys[swap][0]}"
        suspects.append(
            Suspect(
                coupon=evidence.keys[i][0],
                feature=evidence.keys[i][1],
                reading_mm=float(evidence.y[i]),
                expected_mm=float(expected[i]),
                likely_mm=likely,
                reason=reason,
            )
        )
    return tuple(suspects)


def unchecked(evidence: Evidence, prior_sd: np.ndarray, slips: np.ndarray) -> tuple[tuple[str, str], ...]:
    """Coupon and feature of readings taken once that nothing else checks.

    A slip of 1 mm there would be taken for the printer's.
    """
    if len(evidence.y) < LEAST_READINGS:
        return ()
    _, sd = deleted_residuals(evidence, prior_sd, ~slips)
    limit = float(slip_limit(np.array([len(evidence.y)]))[0])
    return tuple(
        (coupon, feature)
        for i, (coupon, feature) in enumerate(evidence.keys)
        if not slips[i]
        and evidence.count[i] == 1
        and coupon not in (FILE, REFERENCE)
        and limit * sd[i] > LARGEST_HIDDEN_MM
    )


def sole_witness(
    evidence: Evidence, cov: np.ndarray, prior_sd: np.ndarray, slips: np.ndarray, term: int
) -> str:
    """The one reading, taken once, without which a term would be as good as unmeasured; empty if there is none.

    Without row a of variance v the covariance is C + C a a' C / (v - a' C a).
    """
    limit = (MEASURED_SHARE * prior_sd[term]) ** 2
    if cov[term, term] > limit:
        return ""
    ca = evidence.gains @ cov
    left = np.maximum(evidence.u**2 - np.sum(ca * evidence.gains, axis=1), 1e-12)
    without = cov[term, term] + ca[:, term] ** 2 / left
    for i in np.flatnonzero((without > limit) & ~slips & (evidence.count == 1) & (evidence.column >= 0)):
        return f"{evidence.keys[i][1]} on {evidence.keys[i][0]}"
    return ""


def intended(value: float, expected: float, spread: float) -> tuple[float | None, str]:
    """What was likely meant by `value` where `expected` was due, give or take `spread` [mm]; None: cannot be told."""
    candidates = [
        (value * 25.4, "looks like inches"),
        (value / 25.4, "looks like mm taken for inches"),
        (value * 10, "the decimal point slipped by one place"),
        (value / 10, "the decimal point slipped by one place"),
        (value * 100, "the decimal point is missing or two places off"),
        (value / 100, "the decimal point is missing or two places off"),
        *((value + s, "looks misread by 1 mm") for s in (1, -1)),
        *((value + s, "looks misread by 10 mm") for s in (10, -10)),
        *((v, "two digits look swapped") for v in _digit_swaps(value)),
        *((value + s, "looks misread by 0.5 mm") for s in (0.5, -0.5)),
        *((value + s, "looks misread by 0.1 mm") for s in (0.1, -0.1)),
    ]
    # A guess that is hardly nearer than what was read explains nothing.
    near = min(spread, abs(value - expected) / 2)
    fitting = [(abs(v - expected), v, why) for v, why in candidates if abs(v - expected) <= near]
    if not fitting:
        return None, "does not fit the other readings; measure it again, away from any seam or blob"
    _, likely, why = min(fitting)
    return round(likely, 4), why


def _digit_swaps(value: float) -> list[float]:
    text = f"{value:.2f}"
    spots = [i for i, c in enumerate(text) if c.isdigit()]
    swaps = []
    for i, j in combinations(spots, 2):
        if text[i] != text[j]:
            t = list(text)
            t[i], t[j] = t[j], t[i]
            swaps.append(float("".join(t)))
    return swaps


def _swapped(
    i: int, y: np.ndarray, expected: np.ndarray, spread: np.ndarray, slips: np.ndarray
) -> int | None:
    """The other slip whose value fits here while this one fits there."""
    for j in np.flatnonzero(slips):
        if j != i and abs(y[j] - expected[i]) < spread[i] and abs(y[i] - expected[j]) < spread[j]:
            return int(j)
    return None
