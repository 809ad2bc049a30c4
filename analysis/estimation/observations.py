"""Readings sorted by feature, each with its standard uncertainty and its row of sensitivities."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import INDEX, PATH, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine

# Flexible plastic gives under the jaws: one reading scatters about three times as much (common practice, no source).
SOFT_FACTOR = 3.0
# The caliper's stated repeatability weighs as much as this many degrees of freedom against the repeats at hand.
STATED_DOF = 6.0
REFERENCE = "reference"
FILE = "sliced file"
"""Stands for the coupon in the row that a sliced file adds."""


@dataclass(frozen=True, kw_only=True)
class Evidence:
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


@dataclass(frozen=True, kw_only=True)
class Fact:
    """Something known of the terms beside the readings, weighed like one.

    Attributes
    ----------
    source, name : str
        Stand where a reading has coupon and feature.
    row : ndarray (terms,)
    value, u : float [mm]
        Of row @ terms, with its standard uncertainty.
    """

    source: str
    name: str
    row: np.ndarray
    value: float
    u: float


@dataclass(frozen=True, kw_only=True)
class TransferredPrior:
    """What an earlier print left known, in place of the table of priors.

    Attributes
    ----------
    name : str
        That print.
    terms : Normal
    """

    name: str
    terms: Normal


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known before anything is measured: from a sliced file, from the filament, from an earlier print.

    Attributes
    ----------
    contour_mm : float or None [mm]
        How far its path stands outward of its place; None where it does not show.
    contour_u_mm : float [mm]
        Standard uncertainty of the printed path's place, given that.
    widen : mapping of (coupon, feature) to float [mm]
        Further standard uncertainty of readings that the file spoils.
    notes : tuple of str
        Sentences for the user.
    facts : tuple of Fact
    transferred : TransferredPrior or None
    """

    contour_mm: float | None = None
    contour_u_mm: float = 0.02
    widen: Mapping[tuple[str, str], float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    facts: tuple[Fact, ...] = ()
    transferred: TransferredPrior | None = None

    @property
    def all_facts(self) -> tuple[Fact, ...]:
        """With the path's place that a sliced file shows."""
        if self.contour_mm is None:
            return self.facts
        row = np.zeros(len(TERMS))
        row[PATH] = 1.0
        place = Fact(source=FILE, name="path offset", row=row, value=self.contour_mm, u=self.contour_u_mm)
        return (place, *self.facts)


def pooled_repeatability(groups: list[np.ndarray], stated: float) -> tuple[float, int, float]:
    """Repeatability from repeats (type A, pooled over features) weighed with the stated one (type B).

    s^2 = (nu0 * stated^2 + sum of squares) / (nu0 + nu), nu0 = `STATED_DOF` (GUM 4.2.4, H.3; weighing as in a
    conjugate update).

    Parameters
    ----------
    groups : list of ndarray [mm]
        Repeats per feature.
    stated : float [mm]

    Returns
    -------
    repeatability : float [mm]
    dof : int
        Of the repeats alone.
    sd : float [mm]
        Of the repeats alone; nan without repeats.
    """
    squares = float(sum(np.sum((g - g.mean()) ** 2) for g in groups))
    dof = int(sum(len(g) - 1 for g in groups))
    sd = float(np.sqrt(squares / dof)) if dof else float("nan")
    return float(np.sqrt((STATED_DOF * stated**2 + squares) / (STATED_DOF + dof))), dof, sd


def stated_repeatability(machine: Machine) -> float:
    """The caliper's stated scatter of one reading [mm] on this machine's plastic."""
    return machine["caliper.repeatability_mm"] * (SOFT_FACTOR if machine.soft else 1.0)


def single_reading_sd(machine: Machine) -> float:
    """Standard uncertainty [mm] of one reading before any repeats are known, without the caliper's zero error."""
    return float(np.hypot(stated_repeatability(machine), machine["caliper.resolution_mm"] / np.sqrt(12)))


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
) -> Evidence:
    """Sort readings into `Evidence`, linearised about the perfect printer.

    What a sliced file shows of the path's place is one row more, weighed like a reading.

    Raises
    ------
    InputError
        No reading at all.
    """
    groups: dict[tuple[str, str], list[float]] = {}
    for r in readings:
        if r.reading_mm is not None:
            groups.setdefault((r.coupon, r.feature), []).append(r.reading_mm)
    if not groups and not (known is not None and known.all_facts):
        raise InputError("holds no readings yet; measure a feature and enter it", "readings.csv")
    values = [np.array(g) for g in groups.values()]
    repeatability, dof, sd = pooled_repeatability(values, stated_repeatability(machine))
    count = np.array([len(g) for g in values], dtype=int)
    # Rounding to the caliper's step is not averaged away by repeats that all round alike (GUM F.2.2.1).
    u = np.sqrt(repeatability**2 / count + machine["caliper.resolution_mm"] ** 2 / 12)
    if known is not None:
        u = np.hypot(u, [known.widen.get(key, 0.0) for key in groups])
    where = {key: i for i, key in enumerate(walk.keys)}
    base, gains = walk.linearise()
    rows = [_row(key, where, base, gains) for key in groups]
    evidence = Evidence(
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
    return evidence if known is None else _with_facts(evidence, known.all_facts)


def _with_facts(evidence: Evidence, facts: tuple[Fact, ...]) -> Evidence:
    """A row more for each fact."""
    if not facts:
        return evidence
    none = np.zeros(len(facts))
    return replace(
        evidence,
        keys=(*evidence.keys, *((f.source, f.name) for f in facts)),
        column=np.append(evidence.column, np.full(len(facts), -1)),
        y=np.append(evidence.y, [f.value for f in facts]),
        u=np.append(evidence.u, [f.u for f in facts]),
        count=np.append(evidence.count, none.astype(int)),
        base=np.append(evidence.base, none),
        gains=np.concatenate([evidence.gains, [f.row for f in facts]]),
    )


def _row(
    key: tuple[str, str], where: dict[tuple[str, str], int], base: np.ndarray, gains: np.ndarray
) -> tuple[float, np.ndarray]:
    if key[0] == REFERENCE:
        return reference_row(key[1])
    i = where[key]
    return float(base[i]), gains[i]
