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
from fitassay.analysis.notes import Note
from fitassay.analysis.tails import chi_squared_above
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


def repeat_notes(observations: Observations, machine: Machine) -> tuple[Note, ...]:
    """Whether the repeats scatter otherwise than the caliper's stated figure has it."""
    dof, sd = observations.repeat_dof, observations.repeat_sd_mm
    if dof < LEAST_DOF:
        return ()
    step = machine["caliper.resolution_mm"]
    stated = stated_repeatability(machine)
    # Repeats are rounded too.
    expected = np.hypot(stated, step / np.sqrt(12))
    ratio = dof * (sd / expected) ** 2
    chance = float(chi_squared_above(dof, ratio))
    more, less = chance < FALSE_ALARM / 2, chance > 1 - FALSE_ALARM / 2
    # A step as coarse as the scatter hides it: equal repeats then say little.
    if not more and not (less and step <= stated):
        return ()
    data = {"sd_mm": sd, "dof": dof, "stated_mm": stated, "used_mm": observations.repeatability_mm}
    return (Note("repeats-scatter", {"more": more, **data}),)


def dof_notes(term: str, dof: float) -> tuple[Note, ...]:
    """Whether k = 2 does not cover 95 % of a term's estimate for want of repeats."""
    if dof >= MANY_DOF:
        return ()
    from scipy.special import stdtrit

    data = {"term": term, "dof": dof, "coverage_factor": float(stdtrit(dof, 0.975))}
    return (Note("few-degrees-of-freedom", data),)
