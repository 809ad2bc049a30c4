"""Which setting to change, from what to what, in which order."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.diagnosis.verdict import Reference
from fitassay.analysis.result import Advice
from fitassay.analysis.terms import TERMS, Term
from fitassay.coupons.machine import Machine, figure

SIGNIFICANT_SDS = 2.0


def change_order() -> list[int]:
    """Columns of the terms that a setting removes, in the order in which settings are best changed."""
    return sorted((i for i, t in enumerate(TERMS) if t.control), key=lambda i: (TERMS[i].change_rank, i))


def advise(
    mean: np.ndarray, covariance: np.ndarray, reference: Reference, machine: Machine, visible_mm: float
) -> tuple[tuple[Advice, ...], float, float]:
    """Settings to change, and the misfit of the reference features before and after [mm, rms].

    A term is worth a change when it is significant (over twice its standard uncertainty) and its effect on some
    reference feature is larger than the standard uncertainty of one caliper reading.
    """
    sd = np.sqrt(np.diag(covariance))
    effect = np.abs(reference.gains).max(axis=0, initial=0.0) * np.abs(mean)
    advice, removed = [], np.zeros(len(mean), dtype=bool)
    for i in change_order():
        if abs(mean[i]) < SIGNIFICANT_SDS * sd[i] or effect[i] < visible_mm:
            continue
        removed[i] = True
        advice.append(_change(TERMS[i], float(mean[i]), float(sd[i]), machine))
    before = _misfit(mean, covariance, reference)
    after = _misfit(np.where(removed, 0.0, mean), covariance, reference)
    return tuple(advice), before, after


def _change(term: Term, error: float, sd: float, machine: Machine) -> Advice:
    control = term.control
    assert control is not None
    low, high = (control.removing(error + k * sd, machine) for k in (-1, 1))
    return Advice(
        setting=control.key,
        from_value=machine[control.key],
        to_value=control.removing(error, machine),
        std_uncertainty=abs(high - low) / 2,
        unit=figure(control.key).unit,
        why=f"{term.label}: {term.cause}",
        term=term.name,
    )


def _misfit(mean: np.ndarray, covariance: np.ndarray, reference: Reference) -> float:
    a = reference.gains
    if not len(a):
        return 0.0
    square = (a @ mean) ** 2 + np.einsum("ij,jk,ik->i", a, covariance, a)
    return float(np.sqrt(square.mean()))
