"""What a slip was: the reading expected, what was likely meant and why; and where a slip could hide."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from fitassay.analysis.estimation.fit import Fit
from fitassay.analysis.estimation.outliers import LEAST_READINGS, slip_limit
from fitassay.analysis.result import Suspect

# A slip this large must be found, else the user is told that nothing checks the reading [mm].
LARGEST_HIDDEN_MM = 1.0
# A term is measured where the readings leave it less than this share of its prior.
MEASURED_SHARE = 0.5


def name_outliers(fit: Fit) -> tuple[Suspect, ...]:
    """Say of each outlier what was expected, what was likely meant and why."""
    o, outliers = fit.observations, fit.outliers
    expected = o.y - fit.residual
    spread = np.hypot(3.5 * fit.residual_sd, 0.02)
    suspects = []
    for i in map(int, np.flatnonzero(outliers)):
        likely, reason = intended(float(o.y[i]), float(expected[i]), float(spread[i]))
        swap = _swapped(i, o.y, expected, spread, outliers)
        if swap is not None:
            likely = float(o.y[swap])
            reason = f"looks swapped with {o.keys[swap][1]} on {o.keys[swap][0]}"
        suspects.append(
            Suspect(
                coupon=o.keys[i][0],
                feature=o.keys[i][1],
                reading_mm=float(o.y[i]),
                expected_mm=float(expected[i]),
                likely_mm=likely,
                reason=reason,
            )
        )
    return tuple(suspects)


def unchecked(fit: Fit) -> tuple[tuple[str, str], ...]:
    """Coupon and feature of readings taken once that nothing else checks.

    A slip of 1 mm there would be taken for the printer's.
    """
    o = fit.observations
    if len(o.y) < LEAST_READINGS:
        return ()
    open_to_slips = ~fit.outliers & (o.count == 1) & (o.column >= 0)
    hidden = open_to_slips & (slip_limit(len(o.y)) * fit.residual_sd > LARGEST_HIDDEN_MM)
    return tuple(o.keys[i] for i in np.flatnonzero(hidden))


def sole_witness(fit: Fit, prior_sd: np.ndarray, term: int) -> tuple[str, str] | None:
    """The one reading, taken once, without which a term would be as good as unmeasured; None if there is none.

    Without reading i, which moves the estimate by h and by itself has a residual of standard deviation d, the
    estimate's covariance is C + h h' d^2.
    """
    limit = (MEASURED_SHARE * prior_sd[term]) ** 2
    variance = fit.posterior.cov[term, term]
    if variance > limit:
        return None
    o = fit.observations
    without = variance + (fit.influence[term] * fit.residual_sd) ** 2
    for i in np.flatnonzero((without > limit) & ~fit.outliers & (o.count == 1) & (o.column >= 0)):
        return o.keys[i]
    return None


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
    i: int, y: np.ndarray, expected: np.ndarray, spread: np.ndarray, outliers: np.ndarray
) -> int | None:
    """The other outlier whose value fits here while this one fits there."""
    for j in np.flatnonzero(outliers):
        if j != i and abs(y[j] - expected[i]) < spread[i] and abs(y[i] - expected[j]) < spread[j]:
            return int(j)
    return None
