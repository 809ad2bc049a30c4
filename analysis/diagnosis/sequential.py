"""Which reading to take next: the one that removes most of the doubt about which error is the largest.

The posterior is updated one reading at a time, and every reading's gain is known beforehand: see
`diagnosis.information_gain`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.evidence import READING_MINUTES, Offer, reading_minutes, worth_reading
from fitassay.analysis.diagnosis.information_gain import doubt_of, removed_by_each
from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.verdict import DOMINANT, STATUSES, Judged, reference_of, visible_limits
from fitassay.analysis.estimation.fit import solve
from fitassay.analysis.estimation.known import Known, with_facts
from fitassay.analysis.estimation.marginal import Model, deleted
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.estimation.observations import hold_sd, single_reading_sd
from fitassay.analysis.estimation.outliers import LEAST_READINGS, slip_limit
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.estimation.repeats import sort_repeats
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.result import Status
from fitassay.analysis.terms import PRINTER, TERMS
from fitassay.coupons.machine import Machine

# A verdict that only just holds may fall again with the next reading; guided entry stops when this many in a row
# have it.
IN_A_ROW = 2
# The least slip of the hand that must not go unnoticed before a verdict counts as safe [mm]: half a millimetre.
HIDDEN_MM = 0.5
# The coupon at hand is read on until another tells so many times as much a minute.
AT_HAND = 3.0


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
        return self.reaches(DOMINANT)

    def reaches(self, chance: float) -> bool:
        """True when an error or a sum is named with at least this chance, or nothing exceeds what can be seen."""
        return sure_enough(self.status, self.chance, chance)


def sure_enough(status: Status, chance: float, wanted: float) -> bool:
    """Whether a verdict of this status, resting on `chance`, is as sure as `wanted`."""
    return status == "within-noise" or (status in ("dominant", "leading", "sum-known") and chance >= wanted)


class Guide:
    """Guided entry for one set of coupons and one machine.

    Parameters
    ----------
    walk : SetWalk
    machine : Machine
    cost : ndarray (features,) [min], optional
        Time that each reading takes; by default that of `diagnosis.evidence`.
    known : Known, optional
        What is known before the first reading.
    """

    def __init__(
        self, walk: SetWalk, machine: Machine, cost: np.ndarray | None = None, known: Known | None = None
    ) -> None:
        self.walk = walk
        self.base, self.gains = walk.linearise()
        self.prior = prior(machine)
        self.known = known or Known()
        self.single = single_reading_sd(machine)
        further = [
            np.hypot(self.known.widen.get(key, 0.0), hold_sd(f))
            for key, f in zip(walk.keys, walk.features, strict=True)
        ]
        self.u = np.hypot(self.single, further)
        self.budget = model_error(walk, machine)
        minutes = np.array([reading_minutes(f) for f in walk.features])
        self.cost = minutes / READING_MINUTES if cost is None else cost
        self.readable = worth_reading(walk, self.gains)
        self.reference = reference_of(walk, self.gains, set(range(len(walk.keys))), machine.kinematics)
        self.visible_mm = visible_limits(self.reference, machine, self.single)
        # Terms that some reference feature feels can be accused; the others cannot spoil the verdict.
        self.printer = PRINTER & (self.reference.weights > 0)

    def start(self) -> Progress:
        """Before the first reading."""
        return Progress(self)

    def taken(self, readings: tuple[Reading, ...]) -> Progress:
        """After readings that are there already; repeats count as further readings, unknown rows not at all.

        Repeats that contradict their feature's others are left out, and both of two that disagree.
        """
        progress = self.start()
        where = {key: i for i, key in enumerate(self.walk.keys)}
        repeats = sort_repeats(readings, self.single)
        for r in repeats.kept:
            column = where.get((r.coupon, r.feature))
            if column is None or r.reading_mm is None:
                continue
            if (r.coupon, r.feature) in repeats.torn:
                progress.torn.add(column)
            else:
                progress.read(column, r.reading_mm)
        return progress


class Progress:
    """The posterior after the readings so far, updated one reading at a time.

    Attributes
    ----------
    posterior : Normal
    readings : list of int
        Columns read, repeats again, in order.
    torn : set of int
        Columns whose two readings disagree, so that neither counts.
    """

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        transferred = guide.known.transferred
        self.before = guide.prior if transferred is None else transferred.terms
        self.posterior = with_facts(self.before, guide.known.facts)
        self.readings: list[int] = []
        self.values: list[float] = []
        self.torn: set[int] = set()

    def read(self, column: int, value_mm: float) -> None:
        """Take in one reading."""
        guide = self.guide
        self.readings.append(column)
        self.values.append(value_mm)
        at = self.readings
        expected = (guide.base + guide.budget.shift)[at]
        model = Model(gains=guide.gains[at], prior=self.before, noise=self._noise())
        found = solve(model, np.array(self.values) - expected - model.gains @ self.before.mean)
        self.posterior = with_facts(found, guide.known.facts)

    def unchecked(self, hidden_mm: float = HIDDEN_MM) -> tuple[int, ...]:
        """Columns read once where a slip of that size would not be noticed; they are worth reading twice.

        A reading less what all others say of it has standard deviation 1 / sqrt(P_jj), P the inverse of the
        readings' covariance; a slip shows from `estimation.outliers.slip_limit` of them on.
        """
        counts = Counter(self.readings)
        limit = slip_limit(len(self.readings))
        known = with_facts(self.before, self.guide.known.facts)
        model = Model(gains=self.guide.gains[self.readings], prior=known, noise=self._noise())
        _, sds = deleted(np.linalg.inv(model.cov), np.zeros(len(self.readings)))
        return tuple(
            column
            for column, sd in zip(self.readings, sds, strict=True)
            if counts[column] == 1 and (limit * sd > hidden_mm or len(counts) < LEAST_READINGS)
        )

    def _noise(self) -> np.ndarray:
        """Covariance of the readings so far, the model's own error among them, about what the terms make them."""
        guide, at = self.guide, self.readings
        return guide.budget.cov[np.ix_(at, at)] + np.diag(guide.u[at] ** 2)

    def chances(self) -> np.ndarray:
        """Probability of each error to be the largest, ndarray (terms,)."""
        return self._judged().chances[0]

    def _judged(self) -> Judged:
        return judge_many(
            Normal(mean=self.posterior.mean[None], cov=self.posterior.cov[None]),
            self.guide.reference,
            self.guide.visible_mm,
            self.guide.prior.sd,
            np.ones(1),
            np.zeros(1),
        )

    def step(self, among: Collection[int] | None = None) -> Step:
        """The verdict now, and the most telling reading to take next.

        Parameters
        ----------
        among : collection of int, optional
            Columns to choose from; default all that can be read.
        """
        judged = self._judged()
        return Step(
            column=self._most_telling(judged.chances[0], among),
            status=STATUSES[int(judged.status[0])],
            term=TERMS[int(judged.term[0])].name,
            chance=float(judged.probability[0]),
        )

    def _most_telling(self, chances: np.ndarray, among: Collection[int] | None) -> int:
        gain = self.doubt_removed(chances) / self.guide.cost
        left = set(self.guide.readable if among is None else among) - set(self.readings)
        keys = self.guide.walk.keys
        at_hand = keys[self.readings[-1]][0] if self.readings else ""
        return max(
            sorted(left), key=lambda j: gain[j] * (AT_HAND if keys[j][0] == at_hand else 1.0), default=-1
        )

    def gain_per_minute(self, offer: Offer) -> float:
        """Doubt that evidence beside the features would remove, per minute."""
        doubt = doubt_of(self.chances(), self.guide.printer)
        removed = removed_by_each(self.posterior.cov, offer.row[None], offer.u)
        return float(doubt @ removed[:, 0]) / offer.minutes

    def best_per_minute(self, among: Collection[int]) -> float:
        """The same of the most telling of these features; 0 where none is left."""
        gain = self.doubt_removed(self.chances()) / (READING_MINUTES * self.guide.cost)
        return max((float(gain[i]) for i in among if i not in self.readings), default=0.0)

    def doubt_removed(self, chances: np.ndarray) -> np.ndarray:
        """How much of the chance of a wrong verdict each feature's reading can be expected to remove, (features,)."""
        guide, at = self.guide, self.readings
        doubt = doubt_of(chances, guide.printer)
        rows, variance = guide.gains, np.diag(guide.budget.cov) + guide.u**2
        if at:
            # What the readings so far tell of the model's error in the next one is theirs, not its own.
            shared = guide.budget.cov[:, at]
            weights = np.linalg.solve(self._noise(), shared.T).T
            rows = rows - weights @ guide.gains[at]
            variance = variance - np.sum(weights * shared, axis=1)
        return doubt @ removed_by_each(self.posterior.cov, rows, np.sqrt(variance))


def retake(
    guide: Guide, values: np.ndarray, order: Sequence[int] | None = None
) -> Iterator[tuple[int, Step]]:
    """Take readings that are known already one by one; yields each column and the verdict with it.

    Parameters
    ----------
    guide : Guide
    values : ndarray (features,) [mm]
        What each feature reads; nan where it was not read.
    order : sequence of int, optional
        Columns in the order of the sheet; by default the guided order.
    """
    progress = guide.start()
    left = [int(c) for c in (np.flatnonzero(np.isfinite(values)) if order is None else order)]
    step = progress.step(left)
    while left:
        column = step.column if order is None else left[0]
        left.remove(column)
        progress.read(column, float(values[column]))
        step = progress.step(left)
        yield column, step
