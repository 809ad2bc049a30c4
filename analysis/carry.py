"""What an earlier print left known, carried to the next one as its prior.

Between prints a printer drifts by itself, each error by about `DRIFT` (a standard deviation d). Drift that goes on
for ever would leave any bounds, so it is taken to pull back towards the table of priors as much as it spreads: with
s the table's standard deviation and rho = sqrt(1 - d^2 / s^2)

    mean' = rho mean        C' = rho C rho + diag(d^2)

An error about which nothing is known stays as unknown as the table has it, and one known well gets d wider. Settings
changed since move the mean and, where they multiply, the spread: see `analysis.settings`.
"""

from __future__ import annotations

import numpy as np

from analysis.evidence import Carried
from analysis.settings import errors_after
from analysis.several import DRIFT, PrintResult
from analysis.terms import NAMES
from coupons.machine import Machine

# Readings that differ from what was carried by more than this chance allows mean that the printer has changed.
CHANGED_P = 0.001


def carry(earlier: PrintResult, now: Machine) -> Carried:
    """The prior for a print made with `now`'s settings.

    Parameters
    ----------
    earlier : PrintResult
        With the settings that it was printed under.
    now : Machine
    """
    drift = np.minimum([DRIFT.get(name, 0.0) for name in NAMES], earlier.prior_sd)
    rho = np.sqrt(1 - (drift / earlier.prior_sd) ** 2)
    mean = rho * earlier.mean
    covariance = rho[:, None] * earlier.covariance * rho + np.diag(drift**2)
    # Settings act on each error by itself, and as a straight line.
    zero = np.zeros(len(NAMES))
    slope = errors_after(np.ones(len(NAMES)), earlier.machine, now) - errors_after(zero, earlier.machine, now)
    return Carried(
        name=earlier.name,
        mean=errors_after(mean, earlier.machine, now),
        covariance=slope[:, None] * covariance * slope,
    )


def agreement(z: np.ndarray, covariance: np.ndarray) -> float:
    """Chance of estimates as far from what was known before, if nothing else has changed.

    Before the readings the estimate z (in units of what was known before, prior N(0, I)) is distributed as
    N(0, I - C), C its posterior covariance; z' (I - C)^-1 z is chi-squared over the directions that the readings
    determine.

    Parameters
    ----------
    z : ndarray (terms,)
    covariance : ndarray (terms, terms)
    """
    from scipy.special import chdtrc

    left, directions = np.linalg.eigh(covariance)
    told = left < 0.9
    if not told.any():
        return 1.0
    square = float(np.sum((z @ directions[:, told]) ** 2 / (1 - left[told])))
    return float(chdtrc(int(told.sum()), square))
