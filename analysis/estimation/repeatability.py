"""Repeats: whether they agree with the caliper's stated figure, and how many degrees of freedom an estimate has.

Pooled repeatability s with nu degrees of freedom (`estimation.observations.pooled_repeatability`) makes the share phi
of an estimate's variance; all else (steps, error limits, priors) counts as known. By Welch and Satterthwaite (GUM
G.4.1, one component of finite degrees of freedom)

    nu_eff = nu / phi^2
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.estimation.observations import REFERENCE, STATED_DOF, Evidence, stated_repeatability
from fitassay.coupons.machine import Machine

# Chance that repeats which scatter as stated are said to disagree.
FALSE_ALARM = 0.01
LEAST_DOF = 3
# From so many on k = 2 covers 95 % well enough (t of 20 degrees of freedom: 2.09).
MANY_DOF = 20.0


def effective_dof(evidence: Evidence, cov: np.ndarray, slips: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Effective degrees of freedom of each term's estimate, ndarray (terms,); infinite without repeats.

    Parameters
    ----------
    evidence : Evidence
        Uncertainties as used.
    cov : ndarray (terms, terms)
        Of the estimates.
    slips : ndarray (m,) of bool
    share : ndarray (m,)
        Of each row's variance that is repeatability, 0..1.
    """
    if evidence.repeat_dof == 0:
        return np.full(len(cov), np.inf)
    keep = ~slips
    gain = cov @ evidence.gains[keep].T / evidence.u[keep] ** 2
    part = (gain**2) @ (evidence.u[keep] ** 2 * share[keep])
    phi = part / np.diag(cov)
    with np.errstate(divide="ignore"):
        return (STATED_DOF + evidence.repeat_dof) / phi**2


def repeatability_share(evidence: Evidence) -> np.ndarray:
    """Share of each row's variance that is repeatability, ndarray (m,); zero for facts beside the readings."""
    read = (evidence.column >= 0) | np.array([c == REFERENCE for c, _ in evidence.keys], dtype=bool)
    own = evidence.repeatability_mm**2 / np.maximum(evidence.count, 1)
    return np.where(read, np.minimum(own / evidence.u**2, 1.0), 0.0)


def repeat_note(evidence: Evidence, machine: Machine) -> str:
    """A sentence where the repeats scatter otherwise than the caliper's stated figure has it, else empty."""
    from scipy.special import chdtri

    dof, sd = evidence.repeat_dof, evidence.repeat_sd_mm
    if dof < LEAST_DOF:
        return ""
    step = machine["caliper.resolution_mm"]
    stated = stated_repeatability(machine)
    # Repeats are rounded too.
    expected = np.hypot(stated, step / np.sqrt(12))
    ratio = dof * (sd / expected) ** 2
    least, most = chdtri(dof, 1 - FALSE_ALARM / 2), chdtri(dof, FALSE_ALARM / 2)
    seen = f"{sd:.3f} mm (standard deviation of one reading, {dof} degrees of freedom)"
    used = f"readings are weighed by {evidence.repeatability_mm:.3f} mm, both pooled"
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
