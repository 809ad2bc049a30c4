"""Whether what readings say agrees with what was known before them."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import Normal
from fitassay.analysis.tails import chi_squared_above


def agreement(prior: Normal, posterior: Normal) -> float:
    """Chance of estimates as far from what was known before, if nothing else has changed.

    In units of what was known before, prior N(0, I), the estimate z is distributed as N(0, I - C) before the
    readings, C its posterior covariance; z' (I - C)^-1 z is chi-squared over the directions that the readings
    determine.
    """
    root = prior.root
    z = np.linalg.solve(root, posterior.mean - prior.mean)
    cov = np.linalg.solve(root, np.linalg.solve(root, posterior.cov).T)
    left, directions = np.linalg.eigh((cov + cov.T) / 2)
    determined = left < 0.9
    if not determined.any():
        return 1.0
    square = float(np.sum((z @ directions[:, determined]) ** 2 / (1 - left[determined])))
    return float(chi_squared_above(int(determined.sum()), square))
