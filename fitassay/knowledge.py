"""What is known of a case's printer, for the commands that go on from a diagnosis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitassay.case import Print
from fitassay.coupons.machine import Machine

if TYPE_CHECKING:
    from fitassay.analysis.parts.sizes import State
    from fitassay.analysis.prints.mixed_model import PrintResult
    from fitassay.analysis.result import Diagnosis


def read_diagnosis(target: Print, machine: Machine) -> Diagnosis:
    """Diagnose a print from its readings, and from its sliced file where one was traced; nothing is written.

    Raises
    ------
    InputError
        Something is wrong with the files, or nothing has been read yet.
    """
    from fitassay.workflow import work_out

    return work_out(target, machine)[0]


def result_of(target: Print) -> tuple[PrintResult, Diagnosis]:
    """One print of a case as `PrintResult`, and its diagnosis."""
    from fitassay.analysis.estimation.posterior import prior_sds
    from fitassay.analysis.prints.mixed_model import PrintResult

    machine = target.machine()
    diagnosis = read_diagnosis(target, machine)
    result = PrintResult(
        name=target.name,
        mean=np.array([t.estimate for t in diagnosis.terms]),
        covariance=np.asarray(diagnosis.covariance),
        prior_sd=prior_sds(machine),
        machine=machine,
        misfit_p=diagnosis.p_value,
    )
    return result, diagnosis


def state_of(diagnosis: Diagnosis, machine: Machine, scatter_mm: float | None = None) -> State:
    """The posterior as `State`.

    Parameters
    ----------
    scatter_mm : float [mm], optional
        By how much single pieces vary; default: by what the print scattered beyond the caliper.
    """
    from fitassay.analysis.parts.sizes import State

    if scatter_mm is None:
        scatter_mm = float(diagnosis.extra.get("scatter_mm", 0.0))
    return State(
        mean=np.array([t.estimate for t in diagnosis.terms]),
        covariance=np.asarray(diagnosis.covariance),
        width=machine.line_width_mm,
        scatter_mm=scatter_mm,
    )
