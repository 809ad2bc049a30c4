"""fitassay: print coupons, read them with a caliper, learn what spoils the fit and which setting to change.

The names below are all a script or a notebook needs; each is loaded when first used::

    import fitassay

    machine = fitassay.Machine(name="orrery", values={"volume.x_mm": 100})
    coupons = fitassay.build_set(machine)
    fitassay.write_set(coupons, folder)
    manifest = fitassay.read_manifest(folder / "coupons.json")
    readings = fitassay.read_readings(folder / "readings.csv", manifest)
    diagnosis = fitassay.diagnose(manifest, folder, readings, machine)
    print(diagnosis.verdict.text)

Lengths are mm and angles rad throughout; positive always means printed larger than drawn.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# Public name -> the module that owns it. Lazy, so that `fitassay --help` does not load numpy.
_HOME = {
    "FitassayError": "coupons.errors",
    "InputError": "coupons.errors",
    "JobError": "coupons.errors",
    "Machine": "coupons.machine",
    "read_machine": "coupons.machine_file",
    "machine_toml": "coupons.machine_file",
    "Feature": "coupons.feature",
    "Coupon": "coupons.feature",
    "Manifest": "coupons.feature",
    "build_set": "coupons.make",
    "write_set": "coupons.make",
    "read_manifest": "coupons.manifest",
    "TERMS": "analysis.terms",
    "Reading": "analysis.readings",
    "read_readings": "analysis.readings",
    "SetWalk": "analysis.walk",
    "simulate": "analysis.simulate",
    "theta_of": "analysis.simulate",
    "posterior": "analysis.estimate",
    "diagnose": "analysis.interpret",
    "interpret": "analysis.interpret",
    "Diagnosis": "analysis.result",
    "trace_file": "analysis.trace",
    "diagnose_traced": "analysis.traced_print",
}

__all__ = [*_HOME, "__version__"]  # pyright: ignore[reportUnsupportedDunderAll]

if TYPE_CHECKING:
    from analysis.estimate import posterior as posterior
    from analysis.interpret import diagnose as diagnose
    from analysis.interpret import interpret as interpret
    from analysis.readings import Reading as Reading
    from analysis.readings import read_readings as read_readings
    from analysis.result import Diagnosis as Diagnosis
    from analysis.simulate import simulate as simulate
    from analysis.simulate import theta_of as theta_of
    from analysis.terms import TERMS as TERMS
    from analysis.trace import trace_file as trace_file
    from analysis.traced_print import diagnose_traced as diagnose_traced
    from analysis.walk import SetWalk as SetWalk
    from coupons.errors import FitassayError as FitassayError
    from coupons.errors import InputError as InputError
    from coupons.errors import JobError as JobError
    from coupons.feature import Coupon as Coupon
    from coupons.feature import Feature as Feature
    from coupons.feature import Manifest as Manifest
    from coupons.machine import Machine as Machine
    from coupons.machine_file import machine_toml as machine_toml
    from coupons.machine_file import read_machine as read_machine
    from coupons.make import build_set as build_set
    from coupons.make import write_set as write_set
    from coupons.manifest import read_manifest as read_manifest


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'fitassay' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
