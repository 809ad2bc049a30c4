"""What a change of settings does to a printer's errors: the terms' `controls`, applied to all of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitassay.analysis.result import Advice
from fitassay.analysis.terms import TERMS
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

    Parameters
    ----------
    theta : ndarray (..., terms)
    old, new : Machine

    Returns
    -------
    ndarray (..., terms)
    """
    out = np.array(theta, dtype=float)
    for i, term in enumerate(TERMS):
        if term.control and new.kinematics in term.kinematics:
            out[..., i] = term.control.error_after(out[..., i], old, new)
    return out


def apply(machine: Machine, advice: tuple[Advice, ...]) -> Machine:
    """The machine with the advised settings in force."""
    values = dict(machine.values)
    for a in advice:
        if a.to_value is not None:
            values[a.setting] = float(a.to_value)
    return replace(machine, values=values)


def change_of_errors(old: Machine, new: Machine) -> tuple[np.ndarray, np.ndarray]:
    """`errors_after` as what it is, error' = slope error + offset: both ndarray (terms,)."""
    offset = errors_after(np.zeros(len(TERMS)), old, new)
    return errors_after(np.ones(len(TERMS)), old, new) - offset, offset
