"""Which reading to take next: the one that removes most of the doubt about which error is the largest.

Closed form at every step: the posterior's covariance does not depend on what will be read, so the gain of a
reading is known beforehand. With covariance C, a reading's sensitivities a and its uncertainty u, the variance of
term t falls by (C a)_t^2 / (u^2 + a C a).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.estimate import prior_sds
from analysis.evidence import single_reading_sd
from analysis.readings import Reading
from analysis.result import Status
from analysis.terms import PRINTER, TERMS
from analysis.verdict import STATUSES, judge_many, reference_of, visible_limits
from analysis.walk import SetWalk
from coupons.machine import Machine

SAFE: tuple[Status, ...] = ("dominant", "within-noise")
# A verdict that only just holds may fall again with the next reading; guided entry stops when this many in a row
# have it.
IN_A_ROW = 2
# Draws cannot tell a chance under this from none.
SMALLEST_CHANCE = 1e-3


@dataclass(frozen=True, kw_only=True)
class Step:
    """Where guided entry stands.

    Attributes
    ----------
    column : int
        The most telling feature not yet read, a column of the walk; -1 when all are read.
    status : str
        The verdict as of now.
    term : str
        The error most probably the largest.
    chance : float
        What the verdict rests on.
    """

    column: int
    status: Status
    term: str
    chance: float

    @property
    def safe(self) -> bool:
        """True when the verdict can be relied on without further readings."""
        return self.status in SAFE


class Guide:
    """Guided entry for one set of coupons and one machine.

    Parameters
    ----------
    walk : SetWalk
    machine : Machine
    cost : ndarray (features,) [min], optional
        Time that each reading takes; equal by default.
    """

    def __init__(self, walk: SetWalk, machine: Machine, cost: np.ndarray | None = None) -> None:
        self.walk = walk
        self.base, self.gains = walk.linearise()
        self.prior_sd = prior_sds(machine)
        self.u = single_reading_sd(machine)
        self.cost = np.ones(len(walk.keys)) if cost is None else cost
        self.reference = reference_of(walk, self.gains, set(range(len(walk.keys))))
        self._visible = visible_limits(self.reference, machine, self.u)
        # Terms that some reference feature feels can be accused; the others cannot spoil the verdict.
        self.printer = PRINTER & (self.reference.weights > 0)

    def start(self) -> Progress:
        """Before the first reading."""
        return Progress(self)

    def taken(self, readings: tuple[Reading, ...]) -> Progress:
        """After readings that are there already; repeats count as further readings, unknown rows not at all."""
        progress = self.start()
        where = {key: i for i, key in enumerate(self.walk.keys)}
        for r in readings:
            column = where.get((r.coupon, r.feature))
            if column is not None and r.reading_mm is not None:
                progress.read(column, r.reading_mm)
        return progress


class Progress:
    """The posterior after the readings so far, updated one reading at a time."""

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        self.mean = np.zeros(len(TERMS))
        self.covariance = np.diag(guide.prior_sd**2)
        self.read_columns: set[int] = set()

    def read(self, column: int, value_mm: float) -> None:
        """Take in one reading (rank-one update)."""
        a = self.guide.gains[column]
        ca = self.covariance @ a
        variance = self.guide.u**2 + a @ ca
        self.mean = self.mean + ca * ((value_mm - self.guide.base[column] - a @ self.mean) / variance)
        self.covariance = self.covariance - np.outer(ca, ca) / variance
        self.read_columns.add(column)

    def step(self) -> Step:
        """The verdict now, and the most telling reading to take next."""
        judged = judge_many(
            self.mean[None],
            self.covariance[None],
            self.guide.reference,
            self.guide._visible,
            self.guide.prior_sd,
            np.ones(1),
            np.zeros(1),
        )
        return Step(
            column=self._most_telling(judged.chances[0]),
            status=STATUSES[int(judged.status[0])],
            term=TERMS[int(judged.term[0])].name,
            chance=float(judged.probability[0]),
        )

    def _most_telling(self, chances: np.ndarray) -> int:
        gain = self.doubt_removed(chances) / self.guide.cost
        gain[list(self.read_columns)] = -1.0
        best = int(np.argmax(gain))
        return best if gain[best] >= 0 else -1

    def doubt_removed(self, chances: np.ndarray) -> np.ndarray:
        """How much of the chance of a wrong verdict each feature's reading can be expected to remove, (features,).

        The chance of a wrong verdict is shared out: a rival's is its own chance of being the largest, the
        leader's that of not being so. A reading removes of each the share by which it shrinks that term's sd.
        """
        doubt = chances + SMALLEST_CHANCE * self.guide.printer
        leader = int(np.argmax(doubt))
        doubt[leader] = 1 - chances[leader]
        ca = self.covariance @ self.guide.gains.T
        variance = self.guide.u**2 + np.sum(self.guide.gains.T * ca, axis=0)
        left = 1 - ca**2 / variance / np.diag(self.covariance)[:, None]
        return doubt @ (1 - np.sqrt(np.maximum(left, 0.0)))


def readings_needed(guide: Guide, values: np.ndarray, order: list[int] | None = None) -> tuple[int, Step]:
    """How many readings lead to a safe verdict.

    Parameters
    ----------
    guide : Guide
    values : ndarray (features,) [mm]
        What each feature reads.
    order : list of int, optional
        Columns in the order of the sheet; by default the guided order.

    Returns
    -------
    count : int
        Readings taken when the verdict had been safe `IN_A_ROW` times; all of them if it never was.
    step : Step
        The verdict then.
    """
    progress, run, step = guide.start(), 0, guide.start().step()
    for n in range(len(values)):
        column = step.column if order is None else order[n]
        progress.read(column, float(values[column]))
        step = progress.step()
        run = run + 1 if step.safe else 0
        if run == IN_A_ROW:
            return n + 1, step
    return len(values), step
