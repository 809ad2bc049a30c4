"""What is known of the error terms before anything is read: the table, the caliper, the case's own widths."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import SMALLEST_SD, Normal
from fitassay.analysis.terms import TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine


def prior(machine: Machine) -> Normal:
    """All error terms, each by itself, with `prior_sds` and `prior_means`."""
    sd = prior_sds(machine)
    return Normal.independent(sd, prior_means(sd))


def prior_means(sd: np.ndarray) -> np.ndarray:
    """Means (terms,) of priors that wide: narrowed by the case, what every printer has some of is less, too."""
    return np.array(
        [t.prior_mean * s / t.prior_sd if t.prior_mean else 0.0 for t, s in zip(TERMS, sd, strict=True)]
    )


def prior_sds(machine: Machine) -> np.ndarray:
    """Prior standard deviations (terms,), from the table, the caliper and the case's own ``[priors]``.

    What such a machine does not have is zero for certain.
    """
    known = {t.name for t in TERMS}
    for name in machine.priors:
        if name not in known:
            raise InputError(f"no error term is called {name}; known: {', '.join(sorted(known))}", "priors")
    sds = []
    for term in TERMS:
        # An error limit +-a without more is a rectangular distribution, u = a / sqrt(3) (GUM 4.3.7).
        default = machine[term.prior_limit] / np.sqrt(3) if term.prior_limit else term.prior_sd
        own = float(machine.priors.get(term.name, default)) if machine.kinematics in term.kinematics else 0.0
        sds.append(max(own, SMALLEST_SD))
    return np.array(sds)
