"""Tails of the normal and the chi-squared distribution.

One verdict asks for a handful of them; `scipy.special` takes as long to import as a verdict takes to be found, so
it is used for populations only.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

STANDARD = NormalDist()
# Up to so many values are worked out one by one.
FEW = 64
# Terms after which a sum or a fraction that has not settled would never; about sqrt(dof) of them are needed.
MOST_TERMS = 10_000
TINY = 1e-300


def normal_below(z: float) -> float:
    """Chance that a standard normal variable lies below z."""
    return STANDARD.cdf(z)


def normal_quantile(p: float) -> float:
    """z below which a standard normal variable lies with chance p, 0 < p < 1."""
    return STANDARD.inv_cdf(p)


def chi_squared_above(dof: np.ndarray | float, value: np.ndarray | float) -> np.ndarray:
    """Chance that chi-squared with `dof` > 0 degrees of freedom, not whole ones either, lies above `value` >= 0.

    Parameters
    ----------
    dof, value : float or ndarray (n,)

    Returns
    -------
    ndarray of their common shape
        The regularised incomplete gamma function Q(dof / 2, value / 2): series 6.5.29 and continued fraction 6.5.31
        of Abramowitz and Stegun (1964, from memory).
    """
    dof, value = np.broadcast_arrays(np.asarray(dof, float), np.asarray(value, float))
    if dof.size > FEW:
        from scipy.special import chdtrc

        return chdtrc(dof, value)
    pairs = zip(dof.ravel(), value.ravel(), strict=True)
    return np.array([_gamma_above(k / 2, x / 2) for k, x in pairs]).reshape(dof.shape)


def _gamma_above(a: float, x: float) -> float:
    if not x > 0:
        return 1.0 if x == 0 else math.nan
    if math.isinf(x):
        return 0.0
    scale = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        for n in range(1, MOST_TERMS):
            term *= x / (a + n)
            total += term
            if term < total * 1e-17:
                break
        return 1 - scale * total
    # Evaluated forwards after Lentz (1976, from memory).
    b = x + 1 - a
    c, d = 1 / TINY, 1 / b
    fraction = d
    for n in range(1, MOST_TERMS):
        numerator = n * (a - n)
        b += 2
        d = 1 / _not_zero(numerator * d + b)
        c = _not_zero(b + numerator / c)
        fraction *= d * c
        if abs(d * c - 1) < 1e-15:
            break
    return scale * fraction


def _not_zero(x: float) -> float:
    return x if abs(x) > TINY else TINY
