"""Which setting to change, from what to what, in which order."""

from __future__ import annotations

import math

import numpy as np

from fitassay.analysis.diagnosis.verdict import Reference
from fitassay.analysis.result import Advice
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.cost import bead_area
from fitassay.coupons.machine import Machine

# Mechanics first: they move all that comes after; then bead, path, bores and feet; scale last, since it is read
# off sizes that the others have shifted.
ORDER = (
    "skew_xy",
    "backlash_x",
    "backlash_y",
    "layer_datum",
    "bead_excess",
    "contour_offset",
    "bore_closure",
    "first_layer_flare",
    "scale_x",
    "scale_y",
    "scale_z",
)
SIGNIFICANT_SDS = 2.0


def new_value(term: str, error: float, old: float, machine: Machine) -> float:
    """The setting that removes `error`, an amount of `term`, with `old` in force."""
    if term.startswith("scale_"):
        return old / (1 + error)
    if term.startswith("backlash_") or term == "bore_closure":
        return old + error
    if term == "bead_excess":
        w, h = machine.line_width_mm, machine.layer_height_mm
        return old * bead_area(w, h) / bead_area(w + error, h)
    if term == "skew_xy":
        return old - math.degrees(error)
    return old - error


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
    for name in ORDER:
        i = INDEX[name]
        term = TERMS[i]
        if abs(mean[i]) < SIGNIFICANT_SDS * sd[i] or effect[i] < visible_mm:
            continue
        removed[i] = True
        advice.append(_change(name, float(mean[i]), float(sd[i]), machine, term.label, term.cause))
    before = _misfit(mean, covariance, reference)
    after = _misfit(np.where(removed, 0.0, mean), covariance, reference)
    return tuple(advice), before, after


def _change(name: str, error: float, sd: float, machine: Machine, label: str, cause: str) -> Advice:
    key = TERMS[INDEX[name]].setting
    old = machine[key]
    new = new_value(name, error, old, machine)
    u = abs(new_value(name, error + sd, old, machine) - new_value(name, error - sd, old, machine)) / 2
    unit = {"steps_per_mm": "steps/mm", "flow_percent": "%", "skew_deg": "degree"}.get(
        next((p for p in ("steps_per_mm", "flow_percent", "skew_deg") if p in key), ""), "mm"
    )
    return Advice(
        setting=key,
        from_value=old,
        to_value=new,
        std_uncertainty=u,
        unit=unit,
        why=f"{label}: {cause}",
        term=name,
    )


def _misfit(mean: np.ndarray, covariance: np.ndarray, reference: Reference) -> float:
    a = reference.gains
    if not len(a):
        return 0.0
    square = (a @ mean) ** 2 + np.einsum("ij,jk,ik->i", a, covariance, a)
    return float(np.sqrt(square.mean()))
