"""Repeats: whether they agree with the caliper's stated figure, and how many degrees of freedom an estimate has.

Pooled repeatability s with nu degrees of freedom (`estimation.observations.pooled_repeatability`) makes the share phi
of an estimate's variance; all else (steps, error limits, priors) counts as known. By Welch and Satterthwaite (GUM
G.4.1, one component of finite degrees of freedom)

    nu_eff = nu / phi^2
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.estimation.fit import Fit
from fitassay.analysis.estimation.observations import STATED_DOF, Observations, stated_repeatability
from fitassay.coupons.machine import Machine

# Chance that repeats which scatter as stated are said to disagree.
FALSE_ALARM = 0.01
LEAST_DOF = 3
# From so many on k = 2 covers 95 % well enough (t of 20 degrees of freedom: 2.09).
MANY_DOF = 20.0


def effective_dof(fit: Fit) -> np.ndarray:
    """Effective degrees of freedom of each term's estimate, ndarray (terms,); infinite without repeats.

    The variance that repeatability gives an estimate is the sum over readings of (d estimate / d reading)^2 s^2 / n.
    """
    o = fit.observations
    if o.repeat_dof == 0:
        return np.full(len(fit.posterior.mean), np.inf)
    own = fit.influence**2 @ (o.repeatability_mm**2 / np.maximum(o.count, 1))
    phi = own / np.diag(fit.posterior.cov)
    with np.errstate(divide="ignore"):
        return (STATED_DOF + o.repeat_dof) / phi**2


def repeat_note(observations: Observations, machine: Machine) -> str:
    """A sentence where the repeats scatter otherwise than the caliper's stated figure has it, else empty."""
    from scipy.special import chdtri

    dof, sd = observations.repeat_dof, observations.repeat_sd_mm
    if dof < LEAST_DOF:
        return ""
    step = machine["caliper.resolution_mm"]
    stated = stated_repeatability(machine)
    # Repeats are rounded too.
    expected = np.hypot(stated, step / np.sqrt(12))
    ratio = dof * (sd / expected) ** 2
    least, most = chdtri(dof, 1 - FALSE_ALARM / 2), chdtri(dof, FALSE_ALARM / 2)
    seen = f"{sd:.3f} mm (standard deviation of one reading, {dof} degrees of freedom)"
    used = f"readings are weighed by {observations.repeatability_mm:.3f} mm, both pooled"
    if ratio > most:
        return (
            f"Repeats scatter by {seen}, more than the {stated:g} mm stated for the caliper: {used}. Open and close "
            "the jaws alike each time, or state in machine.toml what is seen."
        )
    # A step as coarse as the scatter hides it: equal repeats then say little.
    if ratio < least and step <= stated:
        return f"Repeats scatter by {seen}, less than the {stated:g} mm stated for the caliper: {used}."
    return ""


def dof_note(label: str, dof: float) -> str:
    """A sentence where k = 2 does not cover 95 % of an estimate for want of repeats, else empty."""
    if dof >= MANY_DOF:
        return ""
    from scipy.special import stdtrit

    return (
        f"The estimate of {label} has {dof:.0f} effective degrees of freedom, since few readings were repeated: a "
        f"coverage factor of {float(stdtrit(dof, 0.975)):.2f} in place of 2 covers 95 % (GUM G.4)."
    )
