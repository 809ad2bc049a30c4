"""What a change of settings does to a printer's errors: the inverse of `diagnosis.advice.new_value`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fitassay.analysis.result import Advice
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.cost import bead_area
from fitassay.coupons.machine import Machine

# Settings that differ by less than this share of themselves are the same, written with fewer digits.
SAME = 1e-9


def changed_settings(old: Machine, new: Machine) -> dict[str, tuple[float, float]]:
    """Settings that differ, with their values before and after."""
    return {
        key: (old[key], new[key])
        for key in old.values
        if key.startswith("settings.") and abs(new[key] - old[key]) > SAME * max(abs(old[key]), 1.0)
    }


def errors_after(theta: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
    """The errors with the settings of `new` in force, if the printer itself stays as it was under `old`.

    Compensations add; steps per mm and feed multiply. Flow and filament diameter act on the bead's cross-section
    together: feed per length goes with flow / diameter^2.

    Parameters
    ----------
    theta : ndarray (..., terms)
    old, new : Machine

    Returns
    -------
    ndarray (..., terms)
    """
    out = np.array(theta, dtype=float)
    for term in TERMS:
        if not term.setting or term.name == "bead_excess":
            continue
        a, b = old[term.setting], new[term.setting]
        i = INDEX[term.name]
        if term.name.startswith("scale_"):
            out[..., i] = (1 + out[..., i]) * b / a - 1
        elif term.name.startswith("backlash_") or term.name == "bore_closure":
            out[..., i] += a - b
        elif term.name == "skew_xy":
            out[..., i] += math.radians(b - a)
        else:
            out[..., i] += b - a
    i = INDEX["bead_excess"]
    # Area is linear in the width, A = (w - h) h + pi h^2 / 4, so that A / h gives the width back.
    area = bead_area(old.line_width_mm, old.layer_height_mm) / old.layer_height_mm
    out[..., i] = (area + out[..., i]) * _feed_ratio(old, new) - area
    return out


def _feed_ratio(old: Machine, new: Machine) -> float:
    """Plastic per length of path under the new settings over that under the old ones."""
    flow = new["settings.flow_percent"] / old["settings.flow_percent"]
    return flow * (old["settings.filament_diameter_mm"] / new["settings.filament_diameter_mm"]) ** 2


def apply(machine: Machine, advice: tuple[Advice, ...]) -> Machine:
    """The machine with the advised settings in force."""
    values = dict(machine.values)
    for a in advice:
        if a.to_value is not None:
            values[a.setting] = float(a.to_value)
    return replace(machine, values=values)
