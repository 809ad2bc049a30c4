"""Readings sorted by feature, each with its standard uncertainty and its row of sensitivities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Feature
from fitassay.coupons.machine import Machine

# Flexible plastic gives under the jaws: one reading scatters about three times as much (common practice, no source).
SOFT_FACTOR = 3.0
# The caliper's stated repeatability weighs as much as this many degrees of freedom against the repeats at hand.
STATED_DOF = 6.0
# Jaws over a rim stand less firmly, and knife edges bite: further standard uncertainty of such a reading (common
# practice, no source) [mm].
RIM_HOLD_MM, EDGE_BITE_MM = 0.01, 0.015
# Repeats by one hand at one place share this much of the stated repeatability (common practice, no source).
COMMON_SHARE = 0.6
REFERENCE = "reference"


@dataclass(frozen=True, kw_only=True)
class Observations:
    """What was read, a row per measured feature.

    Attributes
    ----------
    keys : tuple of (coupon, feature)
    column : ndarray (m,) of int
        Column of the row's feature in the `SetWalk`; -1 for reference pieces.
    y : ndarray (m,) [mm]
        Mean of the repeats.
    u : ndarray (m,) [mm]
        Standard uncertainty of that mean, without the caliper's own zero error.
    count : ndarray (m,) of int
        Repeats.
    base : ndarray (m,) [mm]
        What a perfect printer and caliper read.
    gains : ndarray (m, terms)
        d reading / d term.
    repeatability_mm : float [mm]
        Pooled with the stated one.
    repeat_dof : int
        Degrees of freedom of the repeats alone.
    repeat_sd_mm : float [mm]
        Pooled standard deviation of the repeats alone; nan where there are none.
    """

    keys: tuple[tuple[str, str], ...]
    column: np.ndarray
    y: np.ndarray
    u: np.ndarray
    count: np.ndarray
    base: np.ndarray
    gains: np.ndarray
    repeatability_mm: float
    repeat_dof: int
    repeat_sd_mm: float


def pooled_repeatability(
    groups: list[np.ndarray], stated: float, step: float = 0.0
) -> tuple[float, int, float]:
    """Repeatability from repeats (type A, pooled over features) weighed with the stated one (type B).

    s^2 = (nu0 * stated^2 + sum of squares - nu a^2 / 12) / (nu0 + nu), nu0 = `STATED_DOF` (GUM 4.2.4, H.3; weighing
    as in a conjugate update). Repeats scatter by the caliper's steps a, too, which count by themselves (F.2.2.1).

    Parameters
    ----------
    groups : list of ndarray [mm]
        Repeats per feature.
    stated : float [mm]
    step : float [mm]
        a, of the display.

    Returns
    -------
    repeatability : float [mm]
    dof : int
        Of the repeats alone.
    sd : float [mm]
        Of the repeats alone, steps and all; nan without repeats.
    """
    squares = float(sum(np.sum((g - g.mean()) ** 2) for g in groups))
    dof = int(sum(len(g) - 1 for g in groups))
    sd = float(np.sqrt(squares / dof)) if dof else float("nan")
    own = max(squares - dof * step**2 / 12, 0.0)
    return float(np.sqrt((STATED_DOF * stated**2 + own) / (STATED_DOF + dof))), dof, sd


def stated_repeatability(machine: Machine) -> float:
    """The caliper's stated scatter of one reading [mm] on this machine's plastic."""
    return machine["caliper.repeatability_mm"] * (SOFT_FACTOR if machine.soft else 1.0)


def repeats_share(machine: Machine, count: np.ndarray) -> np.ndarray:
    """What repeats of one feature have in common and so do not average away, a standard deviation each [mm].

    A hand that repeats its own way of holding the jaws; of one reading alone it is part of the repeatability.
    """
    return np.where(count > 1, COMMON_SHARE * stated_repeatability(machine), 0.0)


def single_reading_sd(machine: Machine) -> float:
    """Standard uncertainty [mm] of one reading before any repeats are known, without the caliper's zero error."""
    return float(np.hypot(stated_repeatability(machine), machine["caliper.resolution_mm"] / np.sqrt(12)))


def hold_sd(feature: Feature) -> float:
    """Further standard uncertainty [mm] of a reading from how the jaws are held; 0 for usual ones."""
    if feature.edge:
        return EDGE_BITE_MM
    return RIM_HOLD_MM if feature.kind == "rim" else 0.0


def reference_row(feature: str) -> tuple[float, np.ndarray]:
    """Known size [mm] and sensitivities (terms,) of a reference piece, e.g. ``outside:10.000``."""
    side, _, size = feature.partition(":")
    if side not in ("outside", "inside"):
        raise InputError(
            f"a reference piece is written outside:10.000 or inside:8.000 (got {feature})", "readings"
        )
    row = np.zeros(len(TERMS))
    row[INDEX[f"{side}_bias"]] = 1.0
    return float(size), row


def gather(
    readings: tuple[Reading, ...], walk: SetWalk, machine: Machine, known: Known | None = None
) -> Observations:
    """Sort readings into `Observations`, linearised about the perfect printer.

    Parameters
    ----------
    known : Known, optional
        Some readings may be less certain by what it knows of the sliced file.

    Raises
    ------
    InputError
        No reading at all, and nothing else that is known or was tried.
    """
    groups: dict[tuple[str, str], list[float]] = {}
    for r in readings:
        if r.reading_mm is not None:
            groups.setdefault((r.coupon, r.feature), []).append(r.reading_mm)
    if not groups and not (known is not None and known.facts) and not any(r.by_hand for r in readings):
        raise InputError("holds no readings yet; measure a feature and enter it", "readings.csv")
    values = [np.array(g) for g in groups.values()]
    step = machine["caliper.resolution_mm"]
    repeatability, dof, sd = pooled_repeatability(values, stated_repeatability(machine), step)
    count = np.array([len(g) for g in values], dtype=int)
    # Rounding to the caliper's step is not averaged away by repeats that all round alike (GUM F.2.2.1).
    u = np.sqrt(repeatability**2 / count + repeats_share(machine, count) ** 2 + step**2 / 12)
    if known is not None:
        u = np.hypot(u, [known.widen.get(key, 0.0) for key in groups])
    where = {key: i for i, key in enumerate(walk.keys)}
    u = np.hypot(u, [hold_sd(walk.features[where[key]]) if key in where else 0.0 for key in groups])
    base, gains = walk.linearise()
    rows = [_row(key, where, base, gains) for key in groups]
    return Observations(
        keys=tuple(groups),
        column=np.array([where.get(key, -1) for key in groups], dtype=int),
        y=np.array([g.mean() for g in values]),
        u=u,
        count=count,
        base=np.array([b for b, _ in rows]),
        gains=np.array([g for _, g in rows]).reshape(-1, len(TERMS)),
        repeatability_mm=repeatability,
        repeat_dof=dof,
        repeat_sd_mm=sd,
    )


def _row(
    key: tuple[str, str], where: dict[tuple[str, str], int], base: np.ndarray, gains: np.ndarray
) -> tuple[float, np.ndarray]:
    if key[0] == REFERENCE:
        return reference_row(key[1])
    i = where[key]
    return float(base[i]), gains[i]
