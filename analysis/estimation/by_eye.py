"""Rows read by eye: which pair lines up, which gap is the first one open, and what that says of the error terms.

A row's answer y is an interval of what the row shows, s = a' terms (`chain.pairs`), blurred by the eye and the beads,
and now and then a neighbour of the right pair:

    P(y | s) = (1 - p) I(s) + p/2 (I(s - c) + I(s + c)),    I(s) = Phi((high - s) / sigma) - Phi((low - s) / sigma)

Vernier: low, high = y -+ c/4, since halves between two pairs are read too. Gap: the first open one and the one
before. None of them: outside the row. All answers together are taken by expectation propagation (Minka, 2001; from
memory): each by a normal that leaves the same mean and variance of s as the answer itself does, given all others. So
one wrong count among several weighs little. The normals are handed on as facts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.pairs import pair_row
from fitassay.analysis.estimation.known import Fact, with_facts
from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.readings.reading import Reading
from fitassay.coupons.feature import Feature, Manifest

EYE_MM = 0.016
"""Scatter of one row: the eye's, and the beads' own (common practice, no source)."""

SLOW_MM = 0.01
"""Slow rows lose motion otherwise than usual ones by about so much even where nothing is loose."""

NEIGHBOUR = 0.1
"""Chance of a neighbour's number in one count."""

NEIGHBOUR_OF_THREE = 0.02
"""And where three counts agree."""

TORN = 0.3
"""And where counts of one row are more than a pair apart."""

SPEED_MM = 0.08
"""Slow and usual rows that differ by more, and by more than `SPEED_SDS`, tell of lost motion that goes with speed."""

SPEED_SDS = 3.5
ROUNDS = 30
POINTS = 401
# Of a cavity's spread: how far the quadrature reaches.
REACH = 7.0
# Precision below which an answer says nothing.
LEAST = 1e-3


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One row's answer.

    Attributes
    ----------
    coupon : str
    feature : Feature
    row : ndarray (terms,)
        d s / d term.
    low, high : float [mm]
        Bounds of s; a `high` below `low` means outside of both.
    step : float [mm]
        To a neighbour.
    blur : float [mm]
    wrong : float
        Chance of a neighbour.
    """

    coupon: str
    feature: Feature
    row: np.ndarray
    low: float
    high: float
    step: float
    blur: float
    wrong: float

    @property
    def middle(self) -> float:
        """Of the interval [mm]; its finite end where it has one only, NaN outside of both."""
        if self.high < self.low:
            return float("nan")
        ends = [v for v in (self.low, self.high) if np.isfinite(v)]
        return float(np.mean(ends))

    def likelihood(self, s: np.ndarray) -> np.ndarray:
        """P(answer | s), ndarray as `s`."""
        from scipy.special import ndtr

        def within(shift: float) -> np.ndarray:
            inside = ndtr((self.high + shift - s) / self.blur) - ndtr((self.low + shift - s) / self.blur)
            return 1 + inside if self.high < self.low else inside

        beside = (within(self.step) + within(-self.step)) / 2
        return (1 - self.wrong) * within(0.0) + self.wrong * beside


def answers(
    manifest: Manifest, readings: tuple[Reading, ...], width: float
) -> tuple[tuple[Answer, ...], tuple[Note, ...]]:
    """One answer a row, counts of one row taken together, and what to count again."""
    counted: dict[tuple[str, str], list[Reading]] = {}
    for r in readings:
        if r.by_hand and manifest.feature(r.coupon, r.feature)[1].by_eye:
            counted.setdefault((r.coupon, r.feature), []).append(r)
    found, torn = [], []
    for (coupon, name), group in counted.items():
        feature = manifest.feature(coupon, name)[1]
        numbers = [r.pair for r in group if r.pair is not None]
        apart = bool(numbers) and (max(numbers) - min(numbers) > 1.01 or len(numbers) < len(group))
        if apart:
            torn.append((coupon, name))
        wrong = TORN if apart else NEIGHBOUR_OF_THREE if len(group) > 2 else NEIGHBOUR
        base, row = pair_row(feature, width)
        low, high = _interval(feature, float(np.median(numbers)) if numbers else None)
        pairs = feature.pairs
        assert pairs is not None
        found.append(
            Answer(
                coupon=coupon,
                feature=feature,
                row=row,
                low=low - base,
                high=high - base,
                step=pairs.step_mm,
                blur=float(np.hypot(EYE_MM, SLOW_MM if pairs.slow else 0.0)),
                wrong=wrong,
            )
        )
    return tuple(found), (Note("counts-apart", {"rows": torn}),) if torn else ()


def _interval(feature: Feature, number: float | None) -> tuple[float, float]:
    """Bounds of what the row shows [mm]; exchanged where it is outside of them."""
    pairs = feature.pairs
    assert pairs is not None
    c = pairs.step_mm
    if feature.kind == "gap":
        if number is None:
            return pairs.last * c, float("inf")
        return (number - 1) * c if number > pairs.first else float("-inf"), number * c
    if number is None:
        return (pairs.last + 0.5) * c, (pairs.first - 0.5) * c
    half = 0.5 if number == round(number) else 0.25
    return (number - half) * c, (number + half) * c


def eye_facts(
    manifest: Manifest, readings: tuple[Reading, ...], width: float, before: Normal
) -> tuple[tuple[Fact, ...], tuple[Note, ...]]:
    """What rows read by eye add to what is known `before`, as normal facts, for a bead of `width` [mm].

    The notes are of rows to count again, and of lost motion that goes with the speed.
    """
    found, notes = answers(manifest, readings, width)
    if not found:
        return (), ()
    facts = _propagated(found, before)
    speed = _speed(found, before)
    if speed:
        usual = tuple(a for a in found if not (a.feature.pairs and a.feature.pairs.slow))
        facts = _propagated(usual, before)
        notes += speed
    return facts, notes


def _speed(found: tuple[Answer, ...], before: Normal) -> tuple[Note, ...]:
    """Axes on which slow and usual rows differ."""
    notes = []
    for axis, name in (("x", "x"), ("y", "y"), ("a", "belt a"), ("b", "belt b")):
        said = []
        for slow in (True, False):
            rows = [
                a
                for a in found
                if a.feature.kind == "vernier"
                and a.feature.axis == axis
                and a.feature.pairs is not None
                and a.feature.pairs.slow is slow
                and np.isfinite(a.middle)
            ]
            # Ways exchanged, so that squareness leaves their mean.
            if len({a.feature.pairs.ways for a in rows if a.feature.pairs}) < 2:
                break
            facts = _propagated(tuple(rows), before)
            after = with_facts(before, facts)
            mean_row = np.mean([a.row for a in rows], axis=0)
            value, _ = after.linear(mean_row)
            said.append((float(value), float(1 / np.sqrt(sum(1 / f.u**2 for f in facts)))))
        if len(said) == 2:
            (slow_mm, u_slow), (usual_mm, u_usual) = said
            off, u = slow_mm - usual_mm, float(np.hypot(u_slow, u_usual))
            if abs(off) > max(SPEED_MM, SPEED_SDS * u):
                data = {"axis": name, "slow_mm": slow_mm, "usual_mm": usual_mm, "u_mm": u}
                notes.append(Note("play-with-speed", data))
    return tuple(notes)


def _propagated(found: tuple[Answer, ...], before: Normal) -> tuple[Fact, ...]:
    """Each answer as a normal fact of its own row."""
    precision, pull = np.zeros(len(found)), np.zeros(len(found))

    def facts() -> tuple[Fact, ...]:
        return tuple(
            Fact(
                kind="by eye",
                row=a.row,
                value=float(pull[i] / precision[i]),
                u=float(precision[i] ** -0.5),
                origin=f"{a.coupon} {a.feature.id}",
            )
            for i, a in enumerate(found)
            if precision[i] > LEAST
        )

    for _ in range(ROUNDS):
        moved = 0.0
        for i, answer in enumerate(found):
            mean, sd = with_facts(before, facts()).linear(answer.row)
            left = 1 / float(sd) ** 2 - precision[i]
            if left <= 0:
                continue
            middle = (float(mean) / float(sd) ** 2 - pull[i]) / left
            new_mean, new_variance = _moments(answer, middle, left**-0.5)
            new = max(1 / new_variance - left, LEAST)
            new_pull = new_mean / new_variance - middle * left if new > LEAST else new * middle
            moved = max(moved, abs(new - precision[i]) / (new + precision[i]))
            precision[i], pull[i] = new, new_pull
        if moved < 1e-4:
            break
    return facts()


def _moments(answer: Answer, mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of s ~ N(mean, sd^2) given the answer."""
    # Dense where the answer is, and over the whole of what was known.
    centre = answer.middle if np.isfinite(answer.middle) else mean
    near = centre + np.linspace(-4, 4, POINTS) * answer.step
    s = np.unique(np.concatenate([mean + np.linspace(-REACH, REACH, POINTS) * sd, near]))
    weight = np.gradient(s) * np.exp(-0.5 * ((s - mean) / sd) ** 2) * answer.likelihood(s)
    total = weight.sum()
    if not total > 1e-300:
        return mean, sd**2
    weight /= total
    new = float(weight @ s)
    return new, float(weight @ (s - new) ** 2)
