"""What is known of a case's printer, for the commands that go on from a diagnosis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coupons.errors import InputError
from coupons.machine import Machine
from fitassay.case import Print

if TYPE_CHECKING:
    from analysis.predict import State
    from analysis.result import Diagnosis


def read_diagnosis(target: Print, machine: Machine) -> Diagnosis:
    """Diagnose a print from its readings; nothing is written.

    Raises
    ------
    InputError
        Something is wrong with the files, or nothing has been read yet.
    """
    from analysis.readings import read_readings

    manifest = target.manifest()
    readings = read_readings(target.readings_path, manifest)
    if not readings:
        raise InputError(
            f"holds no readings yet; run 'fitassay enter {target.case.path}'", str(target.readings_path)
        )
    from analysis.interpret import diagnose

    return diagnose(manifest, target.folder, readings, machine)


def state_of(diagnosis: Diagnosis, machine: Machine, scatter_mm: float | None = None) -> State:
    """The posterior as `State`.

    Parameters
    ----------
    scatter_mm : float [mm], optional
        By how much single pieces vary; default: by what the print scattered beyond the caliper.
    """
    from analysis.predict import State

    if scatter_mm is None:
        scatter_mm = float(diagnosis.extra.get("scatter_mm", 0.0))
    return State(
        mean=np.array([t.estimate for t in diagnosis.terms]),
        covariance=np.asarray(diagnosis.covariance),
        width=machine.line_width_mm,
        scatter_mm=scatter_mm,
    )
