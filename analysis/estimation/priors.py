"""What is known of the error terms before anything is read: the table, the caliper, the case's own widths."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import SMALLEST_SD, Normal
from fitassay.analysis.terms import TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine


def prior(machine: Machine) -> Normal:
    """All error terms, each by itself and about zero, with `prior_sds`."""
    return Normal.independent(prior_sds(machine))


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
