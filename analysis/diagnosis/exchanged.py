"""Coupons of the same features whose readings were written down under each other's name."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.estimation.model_error import ModelError
from fitassay.analysis.estimation.readout import Readout, read_out
from fitassay.analysis.readings.reading import Reading
from fitassay.coupons.machine import Machine

# Read the other way round, chi-squared must fall by so much and the rest must agree so well.
LEAST_FALL = 25.0
LEAST_P = 0.01
# A reading that need not be set aside any more is worth as much chi-squared: three standard deviations.
SET_ASIDE = 9.0
LEAST_FEATURES = 3


def exchanged_coupons(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    known: Known | None,
    budget: ModelError,
    found: Readout,
) -> tuple[str, str] | None:
    """The two coupons without whose exchange the readings do not fit together; None where there are none.

    Looked for only where readings disagree, or where several or the same of two coupons were set aside.

    Parameters
    ----------
    found : Readout
        The readings as they are written down.
    """
    agreement = found.fit.estimate.agreement
    aside = {(s.coupon, s.feature) for s in found.suspects}
    several = agreement.p_value < LEAST_P or len(found.suspects) >= LEAST_FEATURES
    was = float(agreement.chi2)
    for first, second in _alike(walk, readings):
        if not several and not any((second, f) in aside for c, f in aside if c == first):
            continue
        other = {first: second, second: first}
        turned = tuple(replace(r, coupon=other.get(r.coupon, r.coupon)) for r in readings)
        again = read_out(walk, turned, machine, known, budget)
        now = again.fit.estimate.agreement
        kept = len(found.suspects) - len(again.suspects)
        falls = was - float(now.chi2) + SET_ASIDE * kept > LEAST_FALL and kept >= 0
        if now.p_value >= LEAST_P and (falls or kept >= LEAST_FEATURES):
            return first, second
    return None


def _alike(walk: SetWalk, readings: tuple[Reading, ...]) -> list[tuple[str, str]]:
    """Pairs of coupons whose features have the same names and sizes, both read."""
    read = {r.coupon for r in readings if r.reading_mm is not None}
    sizes = {c.id: {(f.id, f.nominal_mm) for f in c.asked} for c in walk.manifest.coupons if c.id in read}
    return [
        (a, b) for a, b in combinations(sizes, 2) if sizes[a] == sizes[b] and len(sizes[a]) >= LEAST_FEATURES
    ]
