"""Whether a typed reading can be meant: the question asked before it is written down."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from statistics import fmean, median

from fitassay.analysis.rounding import reading
from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.machine import Machine

INCH_MM = 25.4
LEAST_OTHERS = 2


def off_of_others(
    feature: Feature, order: Iterable[tuple[Coupon, Feature]], values: Callable[[str, str], Sequence[float]]
) -> float | None:
    """By how much features of the same kind and direction were read off their drawn size, the median [mm].

    Parameters
    ----------
    feature : Feature
    order : iterable of (Coupon, Feature)
        All that is to be read.
    values : callable (coupon, feature) -> sequence of float [mm]
        What was read there so far.

    Returns
    -------
    float or None
        None of fewer than `LEAST_OTHERS` others: one may be the slip itself.
    """
    off = [
        fmean(read) - other.nominal_mm
        for coupon, other in order
        if other != feature
        and other.kind == feature.kind
        and other.direction_deg % 180 == feature.direction_deg % 180
        and (read := values(coupon.id, other.id))
    ]
    return median(off) if len(off) >= LEAST_OTHERS else None


def plausible(feature: Feature, value: float, machine: Machine, others: float | None = None) -> str:
    """A sentence of doubt about a reading, or ``""`` where nothing speaks against it.

    Parameters
    ----------
    feature : Feature
    value : float [mm]
    machine : Machine
        For the caliper's range.
    others : float [mm], optional
        What `off_of_others` says: of a printer that is off, a millimetre lost shows against its other readings only.

    Notes
    -----
    A printer may well be some tenths of a millimetre off, and a single bead by half its width; that must pass
    without a question. Beyond it the usual slips are tried: the decimal mark, inches, a whole millimetre.
    """
    nominal = feature.nominal_mm
    if not value > 0:  # NaN too
        return f"{value:g} cannot be a length; a reading is greater than 0."
    off = value - nominal
    if _a_millimetre_lost(feature, off):
        return f"{reading(value)} mm is 1 mm off the drawn {nominal:g} mm; was the millimetre misread?"
    if others is not None and _a_millimetre_lost(feature, off - others):
        less = "less" if off < others else "more"
        return (
            f"{reading(value)} mm is 1 mm {less} than like sizes of this print let expect; "
            "was the millimetre misread?"
        )
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


def suggestion(feature: Feature, value: float, others: float | None = None) -> float | None:
    """What was probably meant by a doubted reading [mm]; None where no usual slip explains it."""
    if not value > 0:
        return None
    off = value - feature.nominal_mm
    for missed in (off,) if others is None else (off, off - others):
        if _a_millimetre_lost(feature, missed):
            return round(value - math.copysign(1.0, missed), 6)
    if abs(off) <= _usual_mm(feature):
        return None
    if _in_inches(feature, value):
        return round(value * INCH_MM, 2)
    factor = _decimal_slip(feature, value)
    return None if factor is None else round(value * factor, 6)


def _a_millimetre_lost(feature: Feature, off: float) -> bool:
    """Whether the tenths agree and a millimetre is gained or lost: a scale read one division off."""
    return abs(abs(off) - 1.0) <= 0.1 and feature.kind != "thickness"


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
