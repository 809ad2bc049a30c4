"""Slips among the repeats of one feature: caught before they are averaged in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.estimation.outlier_causes import intended
from fitassay.analysis.estimation.outliers import slip_limit
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.result import Suspect

# Expected size and its standard uncertainty [mm] of a feature, from everything else; None where there is none.
Expect = Callable[[tuple[str, str]], tuple[float, float] | None]


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Readings sorted by whether their repeats agree.

    Attributes
    ----------
    kept : tuple of Reading
    suspects : tuple of Suspect
        Repeats that do not agree with the others of their feature.
    torn : tuple of (coupon, feature)
        Features whose only two repeats disagree, so that these cannot tell which is wrong.
    """

    kept: tuple[Reading, ...]
    suspects: tuple[Suspect, ...]
    torn: tuple[tuple[str, str], ...]


def sort_repeats(readings: tuple[Reading, ...], sd_mm: float) -> Repeats:
    """Set aside repeats that disagree with their feature's median.

    Parameters
    ----------
    readings : tuple of Reading
    sd_mm : float [mm]
        Standard deviation of one reading, as stated; where the repeats at hand scatter more, theirs is used.
    """
    several = {key: g for key, g in _by_feature(readings).items() if len(g) > 1}
    if not several:
        return Repeats(kept=readings, suspects=(), torn=())
    middle = {key: float(np.median([v for _, v in g])) for key, g in several.items()}
    spreads = [float(np.ptp([v for _, v in g])) for g in several.values()]
    # Expected range of two normal values is 1.13 standard deviations; the median does not mind a few slips.
    sd = max(sd_mm, float(np.median(spreads)) / 1.13 if len(spreads) >= 4 else 0.0)
    limit = slip_limit(sum(map(len, several.values()))) * sd
    wrong: dict[int, Suspect] = {}
    torn = []
    for key, group in several.items():
        # Two values lie half their difference from their mean.
        off = [(i, v) for i, v in group if abs(v - middle[key]) > limit * (1.0 if len(group) > 2 else 0.71)]
        if len(off) == len(group):
            torn.append(key)
        else:
            wrong.update({i: suspect_repeat(key, v, middle[key], limit) for i, v in off})
    kept = tuple(r for i, r in enumerate(readings) if i not in wrong)
    return Repeats(kept=kept, suspects=tuple(wrong.values()), torn=tuple(torn))


def _by_feature(readings: tuple[Reading, ...]) -> dict[tuple[str, str], list[tuple[int, float]]]:
    groups: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for i, r in enumerate(readings):
        if r.reading_mm is not None and np.isfinite(r.reading_mm):
            groups.setdefault((r.coupon, r.feature), []).append((i, r.reading_mm))
    return groups


def settle_torn(
    readings: tuple[Reading, ...], torn: tuple[tuple[str, str], ...], expect: Expect, limit: float
) -> tuple[tuple[Reading, ...], tuple[Suspect, ...]]:
    """Of two repeats that disagree keep the one that everything else expects; neither where that cannot tell.

    Parameters
    ----------
    expect : callable
        Expected size and its standard uncertainty, of a reading, from all other features.
    limit : float
        How many standard uncertainties off a slip must be.
    """
    dropped: dict[int, Suspect] = {}
    groups = _by_feature(readings)
    for key in torn:
        group = groups[key]
        found = expect(key)
        good = [v for _, v in group if found and abs(v - found[0]) <= limit * found[1]]
        for i, value in group:
            if len(good) != 1:
                dropped[i] = Suspect(
                    coupon=key[0],
                    feature=key[1],
                    reading_mm=value,
                    expected_mm=found[0] if found else float(np.mean([v for _, v in group])),
                    likely_mm=None,
                    reason="the two readings of this feature disagree; measure it a third time",
                )
            elif value != good[0]:
                dropped[i] = suspect_repeat(key, value, good[0], 0.1)
    return tuple(r for i, r in enumerate(readings) if i not in dropped), tuple(dropped.values())


def suspect_repeat(key: tuple[str, str], value: float, expected: float, spread: float) -> Suspect:
    """The slip's name, its feature's other repeats being the measure."""
    likely, reason = intended(value, expected, max(spread, 0.02))
    if likely is None:
        reason = "does not agree with the other readings of this feature; measure it again"
    return Suspect(
        coupon=key[0],
        feature=key[1],
        reading_mm=value,
        expected_mm=expected,
        likely_mm=likely,
        reason=reason,
    )
