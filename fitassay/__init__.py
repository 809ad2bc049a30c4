"""fitassay: print coupons, read them with a caliper, learn what spoils the fit and which setting to change.

The names below are all a script or a notebook needs; each is loaded when first used. A case is the folder of one
printer, as the command line makes it too:

>>> import fitassay
>>> case = fitassay.Case.create("orrery", fitassay.Machine(name="orrery bench"))
>>> first = case.make(quick=True)
>>> len(first.simulate({"backlash_y": 0.24}, seed=1))
14
>>> diagnosis = first.diagnose()
>>> diagnosis.verdict.status, diagnosis.verdict.term
('dominant', 'backlash_y')
>>> [advice.setting for advice in diagnosis.advice]
['settings.backlash_y_mm']

Lengths are mm and angles rad throughout; positive always means printed larger than drawn.

Stable from one minor version to the next are the names of `fitassay.__all__` with the arguments and attributes that
their docstrings name, the files of a case, and the JSON answers. Everything below ``fitassay.coupons`` and
``fitassay.analysis`` may move.
"""

from __future__ import annotations

TYPE_CHECKING = (
    False  # as type checkers know it: typing itself would be most of what entering this package takes
)

if TYPE_CHECKING:
    from typing import Any

__version__ = "0.1.0"

# Public name -> the module that owns it. Lazy, so that `fitassay --help` does not load numpy.
_HOME = {
    "Case": "fitassay.scripting",
    "Print": "fitassay.scripting",
    "FitassayError": "fitassay.coupons.errors",
    "InputError": "fitassay.coupons.errors",
    "JobError": "fitassay.coupons.errors",
    "Machine": "fitassay.coupons.machine",
    "read_machine": "fitassay.coupons.machine_file",
    "machine_toml": "fitassay.coupons.machine_file",
    "Feature": "fitassay.coupons.feature",
    "Coupon": "fitassay.coupons.feature",
    "Manifest": "fitassay.coupons.feature",
    "build_set": "fitassay.coupons.make",
    "write_set": "fitassay.coupons.make",
    "read_manifest": "fitassay.coupons.export.manifest",
    "TERMS": "fitassay.analysis.terms",
    "Reading": "fitassay.analysis.readings.file",
    "read_readings": "fitassay.analysis.readings.file",
    "SetWalk": "fitassay.analysis.chain.sensitivities",
    "simulate": "fitassay.analysis.chain.simulate",
    "theta_of": "fitassay.analysis.chain.simulate",
    "Normal": "fitassay.analysis.normal",
    "prior": "fitassay.analysis.estimation.priors",
    "diagnose": "fitassay.analysis.diagnosis.diagnose",
    "interpret": "fitassay.analysis.diagnosis.diagnose",
    "Diagnosis": "fitassay.analysis.result",
    "interpret_many": "fitassay.analysis.validation.interpret_many",
    "Pair": "fitassay.analysis.parts.pairs",
    "PairPrediction": "fitassay.analysis.parts.pairs",
    "Comparison": "fitassay.analysis.prints.compare",
    "trace_file": "fitassay.analysis.gcode.trace",
    "diagnose_traced": "fitassay.analysis.gcode.traced_print",
}

__all__ = [*_HOME, "__version__"]  # pyright: ignore[reportUnsupportedDunderAll]

if TYPE_CHECKING:
    from fitassay.analysis.chain.sensitivities import SetWalk as SetWalk
    from fitassay.analysis.chain.simulate import simulate as simulate
    from fitassay.analysis.chain.simulate import theta_of as theta_of
    from fitassay.analysis.diagnosis.diagnose import diagnose as diagnose
    from fitassay.analysis.diagnosis.diagnose import interpret as interpret
    from fitassay.analysis.estimation.priors import prior as prior
    from fitassay.analysis.gcode.trace import trace_file as trace_file
    from fitassay.analysis.gcode.traced_print import diagnose_traced as diagnose_traced
    from fitassay.analysis.normal import Normal as Normal
    from fitassay.analysis.parts.pairs import Pair as Pair
    from fitassay.analysis.parts.pairs import PairPrediction as PairPrediction
    from fitassay.analysis.prints.compare import Comparison as Comparison
    from fitassay.analysis.readings.file import Reading as Reading
    from fitassay.analysis.readings.file import read_readings as read_readings
    from fitassay.analysis.result import Diagnosis as Diagnosis
    from fitassay.analysis.terms import TERMS as TERMS
    from fitassay.analysis.validation.interpret_many import interpret_many as interpret_many
    from fitassay.coupons.errors import FitassayError as FitassayError
    from fitassay.coupons.errors import InputError as InputError
    from fitassay.coupons.errors import JobError as JobError
    from fitassay.coupons.export.manifest import read_manifest as read_manifest
    from fitassay.coupons.feature import Coupon as Coupon
    from fitassay.coupons.feature import Feature as Feature
    from fitassay.coupons.feature import Manifest as Manifest
    from fitassay.coupons.machine import Machine as Machine
    from fitassay.coupons.machine_file import machine_toml as machine_toml
    from fitassay.coupons.machine_file import read_machine as read_machine
    from fitassay.coupons.make import build_set as build_set
    from fitassay.coupons.make import write_set as write_set
    from fitassay.scripting import Case as Case
    from fitassay.scripting import Print as Print


def __getattr__(name: str) -> Any:
    if name in _HOME:
        import importlib

        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'fitassay' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
