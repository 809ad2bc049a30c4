"""Whether a typed reading can be meant: the question asked before it is written down."""

from __future__ import annotations

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


def _usual_mm(feature: Feature) -> float:
    """How far off a reading may be before it is asked about [mm]."""
    if feature.kind == "thickness":
        return 0.6 * feature.nominal_mm
    # Three standard deviations of what the priors allow: bead, path and backlash together, then scale and skew.
    return min(1.4 + 0.01 * feature.nominal_mm, max(0.15 * feature.nominal_mm, 0.6))


def _meant(feature: Feature, value: float) -> str:
    """The slip that would explain the value, as a question; empty where none does."""
    near = 0.5 * _usual_mm(feature)
    nominal = feature.nominal_mm
    if abs(value * INCH_MM - nominal) <= near:
        return f"is it in inches? Then it is {value * INCH_MM:.2f} mm."
    for factor in (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001):
        if abs(value * factor - nominal) <= near:
            return f"was {value * factor:.6g} meant?"
    return ""
