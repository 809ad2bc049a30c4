"""Go/no-go answers in the posterior: what is known of a size is an interval, not a number.

A rung that goes says that its clearance lies above a bound, one that does not go below it, one that sticks
between two. With s = a.theta + noise of sd u, the likelihood of low < s < high is
Phi((high - a.theta) / u) - Phi((low - a.theta) / u). Each such factor is replaced by the normal factor that gives
the same mean and variance next to all the others (expectation propagation, Minka 2001, from memory): exact for
one answer, and close for many since the factors are smooth and log-concave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from fitassay.analysis.estimation.posterior import Posterior, posterior
from fitassay.coupons.errors import InputError

SWEEPS = 60
SETTLED = 1e-10


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """Interval answers, one a row.

    Attributes
    ----------
    gains : ndarray (c, terms)
        d size / d term.
    low, high : ndarray (c,) [mm]
        Bounds of the size less what zero terms give; infinite where open.
    u : ndarray (c,) [mm]
        Standard deviation of the bound itself: roughness, feel of the hand.
    """

    gains: np.ndarray
    low: np.ndarray
    high: np.ndarray
    u: np.ndarray

    def __post_init__(self) -> None:
        if not (np.all(self.low < self.high) and np.all(self.u > 0)):
            raise InputError("an interval answer must have its low bound under its high one", "go/no-go")


def interval_moments(
    mean: float, variance: float, low: float, high: float, u: float
) -> tuple[float, float, float]:
    """log probability of an answer and its first two derivatives by the mean of the size.

    With S^2 = u^2 + variance, Z = Phi((high - mean)/S) - Phi((low - mean)/S).
    """
    if np.isneginf(low) and np.isposinf(high):
        return 0.0, 0.0, 0.0
    s = np.sqrt(u**2 + variance)
    a, b = (low - mean) / s, (high - mean) / s
    if a + b > 0:  # the far tail is computed on the side where Phi does not round to one
        a, b, flip = -b, -a, -1.0
    else:
        flip = 1.0
    log_b = log_ndtr(b)
    log_z = log_b + (np.log1p(-np.exp(log_ndtr(a) - log_b)) if np.isfinite(a) else 0.0)
    pa, pb = (
        np.exp(-0.5 * t * t - 0.5 * np.log(2 * np.pi) - log_z) if np.isfinite(t) else 0.0 for t in (a, b)
    )
    first = (pa - pb) / s
    second = -(first**2) + ((a * pa if np.isfinite(a) else 0.0) - (b * pb if np.isfinite(b) else 0.0)) / s**2
    return float(log_z), float(flip * first), float(second)


def bounded_posterior(
    gains: np.ndarray,
    residual: np.ndarray,
    u: np.ndarray,
    bounds: Bounds,
    prior_sd: np.ndarray,
    prior_mean: np.ndarray | None = None,
) -> Posterior:
    """`estimation.posterior.posterior` with interval answers beside the readings.

    Parameters
    ----------
    gains : ndarray (m, terms); residual, u : ndarray (m,) [mm]
        Readings; m may be zero.
    bounds : Bounds
    prior_sd, prior_mean : ndarray (terms,)

    Returns
    -------
    Posterior
    """
    count = len(bounds.u)
    precision, shift = np.zeros(count), np.zeros(count)
    post = posterior(gains, residual, u, prior_sd, prior_mean)
    for _ in range(SWEEPS):
        worst = 0.0
        for i in range(count):
            change = _tune(i, post, bounds, precision, shift)
            worst = max(worst, change)
            post = _with_sites(gains, residual, u, bounds, precision, shift, prior_sd, prior_mean)
        if worst < SETTLED:
            break
    return post


def _tune(i: int, post: Posterior, bounds: Bounds, precision: np.ndarray, shift: np.ndarray) -> float:
    """Refit the normal factor of answer i; how much its precision moved, relative."""
    a = bounds.gains[i]
    m, v = float(a @ post.mean), float(a @ post.covariance @ a)
    # Without its own factor ...
    rest = 1 / v - precision[i]
    cavity_v = 1 / rest
    cavity_m = cavity_v * (m / v - shift[i])
    _, d1, d2 = interval_moments(cavity_m, cavity_v, bounds.low[i], bounds.high[i], bounds.u[i])
    # ... and with the answer itself: mean + v d1, variance v + v^2 d2.
    new_precision = max(-d2 / (1 + cavity_v * d2), 0.0)
    new_shift = (d1 - d2 * cavity_m) / (1 + cavity_v * d2)
    change = abs(new_precision - precision[i]) * v
    precision[i], shift[i] = new_precision, new_shift
    return change


def _with_sites(
    gains: np.ndarray,
    residual: np.ndarray,
    u: np.ndarray,
    bounds: Bounds,
    precision: np.ndarray,
    shift: np.ndarray,
    prior_sd: np.ndarray,
    prior_mean: np.ndarray | None,
) -> Posterior:
    told = precision > 0
    return posterior(
        np.concatenate([gains, bounds.gains[told]]),
        np.concatenate([residual, shift[told] / precision[told]]),
        np.concatenate([u, 1 / np.sqrt(precision[told])]),
        prior_sd,
        prior_mean,
    )
