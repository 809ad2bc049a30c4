"""Which error spoils the fit: shares, the probability that each is the largest, and the status.

Errors are judged by sizes against the drawing, over the ordinary features measured. With a_ft the gain of term t on
reference feature f and theta the posterior:

    share of t       what E[sum_f (a_f theta)^2] owes to it, over the sum of all (`judging.expected_shares`)
    probability of t P(|theta_t| sqrt(sum_f a_ft^2) is the largest)

The words are `diagnosis.verdict_words`' job.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.shapes import Shape
from fitassay.analysis.chain.sizes import Side, Size, size_gains
from fitassay.analysis.result import Status
from fitassay.analysis.terms import PLAYS, PRINTER, SHAPING, TERMS, acting_on, told_on
from fitassay.coupons.feature import Axis
from fitassay.coupons.machine import Kinematics, Machine

DOMINANT, LEADING = 0.95, 0.80
# A printer without fault is acquitted when more likely than not no size misses the drawing by more than one caliper
# reading can see (expanded, k = 2) ...
ACQUIT = 0.50
COVERAGE_FACTOR = 2.0
# ... unless an error surely does, and others only hide it.
SURE = 0.95
# Residuals as large as this happen to a true model once in a thousand sets; where they scatter less than the other
# [mm] a hand a little less steady than stated explains them.
UNEXPLAINED_P = 0.001
UNEVEN_MM = 0.04
# Then no error is accused unless its effect is this many times the print's own scatter.
CLEAR_OF_SCATTER = 4.0
# An accusation must also hold when every other error is taken to be this many times as common as the table of priors
# has it: it has to come from the readings.
RIVAL_FACTOR = 2.0
# And it must be loud: with 95 % (one-sided) its own effect on some size is more than the caliper can see, even where
# layers are as uneven, and dense filling pushes out as much, as is usual at worst.
LOUD_SDS = 1.645
# No model of a printer is surer than this, whatever its readings say.
SUREST = 0.99
STATUSES: tuple[Status, ...] = get_args(Status)


ORDINARY: tuple[tuple[str, Side, Shape, float], ...] = (
    ("outside", "outside", "square", 20.0),
    ("inside", "inside", "square", 20.0),
    ("round bore", "inside", "round", 8.0),
)
"""Sizes that parts are made of: sort of feature, side, shape, nominal [mm]."""

AXIS_WORDS = {"x": "x", "y": "y", "a": "at +45°", "b": "at -45°"}
"""Where a size is taken along, as labels have it."""


@dataclass(frozen=True, kw_only=True)
class Reference:
    """The features that the errors are judged by.

    Attributes
    ----------
    labels : tuple of str
    gains : ndarray (f, terms)
        Contributions of the terms to the size that a part is felt by; instrument and form terms are zero.
    inside : ndarray (f,) of bool
        Measured with the inside jaws.
    """

    labels: tuple[str, ...]
    gains: np.ndarray
    inside: np.ndarray

    @property
    def weights(self) -> np.ndarray:
        """Sum over features of squared gains of the terms that can be accused, ndarray (terms,)."""
        return np.where(PRINTER, np.sum(self.gains**2, axis=0), 0.0)


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Verdicts of n posteriors as numbers.

    Attributes
    ----------
    status : ndarray (n,) of int
        Index into `STATUSES`.
    term : ndarray (n,) of int
        The term most probably the largest, index into `TERMS`; accused where the status is dominant or leading. Of
        sum-known, the error of the sum.
    probability : ndarray (n,)
        What the status rests on: of an accusation, the lesser of `chances` of the term under the priors and under
        rivals twice as common; of within-noise, `quiet`; of sum-known, that of the sum to be the largest; else the
        term's chance. Never above `SUREST`.
    chances, shares : ndarray (n, terms)
        Probability of being the largest, and expected share.
    sturdy : ndarray (n,)
        Chance of `term` with rivals taken for twice as common.
    quiet : ndarray (n,)
        Probability that no reference size misses by more than the caliper can see.
    loud : ndarray (n,)
        Greatest probability, over the errors, that this one alone would.
    visible : ndarray (n,) of bool
        The effect of `term` on some reference size surely exceeds what the caliper can see.
    """

    status: np.ndarray
    term: np.ndarray
    probability: np.ndarray
    chances: np.ndarray
    shares: np.ndarray
    sturdy: np.ndarray
    quiet: np.ndarray
    loud: np.ndarray
    visible: np.ndarray


def visible_sd(machine: Machine, single_mm: float, side: str = "outside") -> float:
    """Standard uncertainty [mm] of one reading, scatter `single_mm`, with the zero error of those jaws."""
    limit = machine["caliper.error_limit_mm" if side == "outside" else "caliper.inside_error_limit_mm"]
    return float(np.hypot(single_mm, limit / np.sqrt(3)))


def visible_limits(reference: Reference, machine: Machine, single_mm: float) -> np.ndarray:
    """What the caliper can see of each reference feature, ndarray (f,) [mm]: expanded uncertainty, k = 2."""
    outside, inside = (visible_sd(machine, single_mm, side) for side in ("outside", "inside"))
    return COVERAGE_FACTOR * np.where(reference.inside, inside, outside)


def reference_of(
    walk: SetWalk, gains: np.ndarray, measured: set[int], kinematics: Kinematics = "cartesian"
) -> Reference:
    """The middle size of each sort of ordinary feature among those measured.

    Ordinary features are what parts are made of: outlines and openings (gain -1 to backlash), round bores, heights,
    how much a foot stands out, and how square a square of the middle outside size is. Undercut and single-walled ones
    serve to tell errors apart; nobody's fit hangs on them.

    Parameters
    ----------
    walk : SetWalk
    gains : ndarray (features, terms)
        Sensitivities, columns of the walk as rows.
    measured : set of int
        Columns with a reading.
    kinematics : Kinematics
        Errors that such a machine does not have, or that are not told of it, contribute nothing.
    """
    told = SHAPING & told_on(kinematics)
    groups: dict[str, list[int]] = {}
    for i in sorted(measured):
        label = _sort_of(walk, gains, i)
        if label:
            groups.setdefault(label, []).append(i)
    if not groups:
        groups = {"all": sorted(measured)} if measured else {}
    labels, rows, inside = [], [], []
    judged_on = np.array([t.judged_on for t in TERMS])
    outside = [walk.features[i].nominal_mm for k, g in groups.items() if k.startswith("outside") for i in g]
    middle = float(np.median(outside)) if outside else 20.0
    for label, members in groups.items():
        members.sort(key=lambda i: walk.features[i].nominal_mm)
        i = members[len(members) // 2]
        row = np.where(told & (judged_on == "sizes"), gains[i], 0.0)
        size = walk.features[i].nominal_mm
        if label == "squareness":
            # Jaws on corners also see how full these print; what spoils a fit is x gained along the square's side.
            row, size = np.where(told & (judged_on == label), middle, 0.0), middle
        if label == "foot":
            # What else makes it wider makes the body wider too and counts there.
            row = np.where(told & (judged_on == label), gains[i], 0.0)
        labels.append(f"{label}, {size:.4g} mm")
        rows.append(row)
        inside.append(walk.features[i].kind == "inside")
    return Reference(
        labels=tuple(labels),
        gains=np.array(rows).reshape(-1, len(TERMS)),
        inside=np.array(inside, dtype=bool),
    )


def with_ordinary(reference: Reference, width: float, kinematics: Kinematics = "cartesian") -> Reference:
    """The reference with ordinary sizes for the sorts of feature that it lacks.

    A print of one coupon adds to what is known of the whole printer, which is judged by all that parts are made of.
    """
    have = {label.partition(",")[0] for label in reference.labels}
    shaping = SHAPING & told_on(kinematics) & np.array([t.judged_on == "sizes" for t in TERMS])
    axes: tuple[Axis, ...] = ("x", "y", "a", "b") if kinematics == "crossed-belts" else ("x", "y")
    labels, rows, inside = list(reference.labels), list(reference.gains), list(reference.inside)
    for sort, side, shape, nominal in ORDINARY:
        for axis in axes:
            label = f"{sort} {AXIS_WORDS[axis]}"
            if label in have:
                continue
            size = Size(side=side, axis=axis, nominal=nominal, shape=shape)
            labels.append(f"{label}, {nominal:.4g} mm")
            rows.append(np.where(shaping, size_gains(size, width), 0.0))
            inside.append(side == "inside")
    return Reference(labels=tuple(labels), gains=np.array(rows), inside=np.array(inside))


def _sort_of(walk: SetWalk, gains: np.ndarray, i: int) -> str:
    feature = walk.features[i]
    if feature.kind == "thickness" or feature.optional:
        return ""
    if feature.kind == "height":
        return "height"
    if feature.kind == "diagonal":
        return "squareness"
    # Outlines and openings lose the play of the axis across which their faces stand, whichever axes have play.
    if gains[i, PLAYS["xyab".index(feature.axis)]] > -0.5:
        return ""
    if gains[i, acting_on("flare")].any():
        return "foot"
    return f"{'round bore' if walk.round[i] else feature.kind} {AXIS_WORDS[feature.axis]}"
