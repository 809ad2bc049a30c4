"""What an earlier print left known, carried to the next one as its prior.

Between prints a printer drifts by itself, each error by about its `Term.drift_sd` d. Drift that goes on
for ever would leave any bounds, so it is taken to pull back towards the table of priors as much as it spreads: with
s the table's standard deviation and rho = sqrt(1 - d^2 / s^2)

    mean' = m + rho (mean - m)        C' = rho C rho + diag(d^2)        m the table's mean

An error about which nothing is known stays as unknown as the table has it, and one known well gets d wider. Settings
changed since move the mean and, where they multiply, the spread: see `prints.setting_changes`. Another material or
speed adds what usually goes with it: see `prints.mixed_model.FACTORS`.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.estimation.known import Scattered, TransferredPrior
from fitassay.analysis.estimation.priors import prior_means
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.mixed_model import FACTORS, PrintResult, drift_sds
from fitassay.analysis.prints.setting_changes import change_of_errors
from fitassay.analysis.terms import BEAD, PATH
from fitassay.coupons.machine import Machine

PROGRAMS_MM = 0.02
"""By so much the bead differs between programs that count its cross-section by other rules, rectangle or rounded ends
(standard deviation; common practice, no source)."""


def carry(earlier: PrintResult, now: Machine, own_path: bool = False) -> TransferredPrior:
    """The prior for a print made with `now`'s settings.

    Parameters
    ----------
    earlier : PrintResult
        With the settings that it was printed under.
    now : Machine
    own_path : bool
        Whether a path of our own draws it. From such a print to a slicing program's, or back, nothing is known of
        the path's place, and the bead's width only as far as programs count plastic alike.
    """
    drift = np.minimum(drift_sds(now.kinematics), earlier.prior_sd)
    rho = np.sqrt(1 - (drift / earlier.prior_sd) ** 2)
    table = prior_means(earlier.prior_sd)
    mean = table + rho * (earlier.posterior.mean - table)
    covariance = rho[:, None] * earlier.posterior.cov * rho + np.diag(drift**2)
    for factor in FACTORS:
        if factor.level(earlier.machine) != factor.level(now):
            # Each level has its own deviation, of this spread.
            covariance = covariance + 2 * factor.spread(now.kinematics)
    if earlier.own_path != own_path:
        mean[PATH] = 0.0
        covariance[PATH], covariance[:, PATH] = 0.0, 0.0
        covariance[PATH, PATH] = earlier.prior_sd[PATH] ** 2
        covariance[BEAD, BEAD] += PROGRAMS_MM**2
    slope, offset = change_of_errors(earlier.machine, now)
    alike = earlier.own_path == own_path and all(f.level(earlier.machine) == f.level(now) for f in FACTORS)
    return TransferredPrior(
        name=earlier.name,
        terms=Normal(mean=slope * mean + offset, cov=slope[:, None] * covariance * slope),
        jumps=earlier.jumps,
        as_read=tuple(n.affine(np.diag(slope), offset) for n in (*earlier.as_read, earlier.posterior))
        if alike
        else (),
        scattered=earlier.scattered if alike else Scattered(),
    )
