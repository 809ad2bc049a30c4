"""Whether a typed reading can be meant: the question asked before it is written down."""

from __future__ import annotations

import math

from fitassay.analysis.rounding import reading
from fitassay.coupons.feature import Feature
from fitassay.coupons.machine import Machine

INCH_MM = 25.4


def plausible(feature: Feature, value: float, machine: Machine) -> str:
    """A sentence of doubt about a reading, or ``""`` where nothing speaks against it.

    Parameters
    ----------
    feature : Feature
    value : float [mm]
    machine : Machine
        For the caliper's range.

    Notes
    -----
    A printer may well be some tenths of a millimetre off, and a single bead by half its width; that must pass
    without a question. Beyond it the usual slips are tried: the decimal mark, inches, a whole millimetre.
    """
    nominal = feature.nominal_mm
    if not value > 0:  # NaN too
        return f"{value:g} cannot be a length; a reading is greater than 0."
    off = value - nominal
    # The tenths agree and a millimetre is gained or lost: a scale read one division off.
    if abs(abs(off) - 1.0) <= 0.1 and feature.kind != "thickness":
        return f"{reading(value)} mm is 1 mm off the drawn {nominal:g} mm; was the millimetre misread?"
    if abs(off) <= _usual_mm(feature):
        return ""
    meant = _meant(feature, value)
    if meant:
        return f"{reading(value)} mm is far from the drawn {nominal:g} mm; {meant}"
    if value > machine["caliper.range_mm"]:
        return f"{reading(value)} mm is beyond the caliper's range of {machine['caliper.range_mm']:g} mm."
    if feature.kind == "thickness" and abs(value - 2 * nominal) <= 0.3 * nominal:
        return (
            f"{reading(value)} mm is about twice the drawn {nominal:g} mm; "
            "this wall is to be one bead, was it sliced as two?"
        )
    way = "over" if off > 0 else "under"
    return (
        f"{reading(value)} mm is {abs(off):.3g} mm {way} the drawn {nominal:g} mm; is it the right feature?"
    )


def suggestion(feature: Feature, value: float) -> float | None:
    """What was probably meant by a doubted reading [mm]; None where no usual slip explains it."""
    if not value > 0:
        return None
    off = value - feature.nominal_mm
    if abs(abs(off) - 1.0) <= 0.1 and feature.kind != "thickness":
        return round(value - math.copysign(1.0, off), 6)
    if abs(off) <= _usual_mm(feature):
        return None
    if _in_inches(feature, value):
        return round(value * INCH_MM, 2)
    factor = _decimal_slip(feature, value)
    return None if factor is None else round(value * factor, 6)


def _usual_mm(feature: Feature) -> float:
    """How far off a reading may be before it is asked about [mm]."""
    if feature.kind == "thickness":
        return 0.6 * feature.nominal_mm
    # Three standard deviations of what the priors allow: bead, path and backlash together, then scale and skew.
    return min(1.4 + 0.01 * feature.nominal_mm, max(0.15 * feature.nominal_mm, 0.6))


def _meant(feature: Feature, value: float) -> str:
    """The slip that would explain the value, as a question; empty where none does."""
    if _in_inches(feature, value):
        return f"is it in inches? Then it is {value * INCH_MM:.2f} mm."
    factor = _decimal_slip(feature, value)
    return "" if factor is None else f"was {value * factor:.6g} meant?"


def _in_inches(feature: Feature, value: float) -> bool:
    return abs(value * INCH_MM - feature.nominal_mm) <= 0.5 * _usual_mm(feature)


def _decimal_slip(feature: Feature, value: float) -> float | None:
    """The power of ten that brings the value near the drawn size; None where none does."""
    near = 0.5 * _usual_mm(feature)
    for factor in (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001):
        if abs(value * factor - feature.nominal_mm) <= near:
            return factor
    return None
