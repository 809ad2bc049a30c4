"""Printed sizes of a drawing on a printer whose errors are known so well and no better, and what to draw instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fitassay.analysis.chain.mating import PathHabits
from fitassay.analysis.chain.shapes import Shape
from fitassay.analysis.chain.sizes import Side, Size, size_gains
from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.normal import Normal
from fitassay.analysis.tails import normal_below
from fitassay.analysis.terms import INDEX, PLAYS, SHAPING
from fitassay.coupons.errors import JobError
from fitassay.coupons.feature import Axis

DRAWS = 256
SEED = 20
# Two-sided 95 % of a normal distribution.
K95 = 1.959964
# Contributions smaller than this are not worth a line [mm].
VISIBLE_MM = 0.0005
# What is known to be less is nil.
NONE_MM = 1e-7
# A drawn size is found when the print misses what was wanted by less than this [mm].
CLOSE_MM = 1e-9


@dataclass(frozen=True, kw_only=True)
class State:
    """What is known of a printer: the posterior of its terms.

    Attributes
    ----------
    posterior : Normal
    width : float [mm]
        Commanded bead width w.
    scatter_mm : float [mm]
        Standard deviation by which one printed size differs from what the terms say.
    habits : PathHabits
        What is known of how the printer's parts are walked.
    holes : ConstantHoles
        What a constant hole compensation does beside the terms.
    as_read : tuple of Normal
        As `TransferredPrior` has it; by these, too, grades are judged.
    """

    posterior: Normal
    width: float
    scatter_mm: float = 0.0
    habits: PathHabits = field(default_factory=PathHabits)
    holes: ConstantHoles = field(default_factory=ConstantHoles)
    as_read: tuple[Normal, ...] = ()

    @property
    def axes(self) -> tuple[Axis, ...]:
        """Along which sizes miss differently: x and y, and the diagonals where crossed belts may have play."""
        belts = list(PLAYS[2:])
        has = np.abs(self.posterior.mean[belts]) + self.posterior.sd[belts] > NONE_MM
        return ("x", "y", "a", "b") if has.any() else ("x", "y")

    def draws(self, n: int = DRAWS) -> np.ndarray:
        """Equally likely printers, ndarray (n, terms); see `Normal.draws`."""
        if n not in self._drawn:
            self._drawn[n] = self.posterior.draws(n, SEED)
        return self._drawn[n].copy()

    def opened(self, size: Size) -> float:
        """A drawn size with what a constant hole compensation adds to it [mm]."""
        bore = size.side == "inside" and size.shape == "round"
        return size.nominal + (float(self.holes.surplus(size.nominal)) if bore else 0.0)

    def without(self, columns: Sequence[int]) -> State:
        """The same printer with these terms at zero for certain."""
        mean, cov = self.posterior.mean.copy(), self.posterior.cov.copy()
        index = list(columns)
        mean[index] = 0.0
        cov[index], cov[:, index] = 0.0, 0.0
        return replace(self, posterior=replace(self.posterior, mean=mean, cov=cov))

    @cached_property
    def _drawn(self) -> dict[int, np.ndarray]:
        return {}


@dataclass(frozen=True, kw_only=True)
class Spread:
    """A predicted length.

    Attributes
    ----------
    mean, u : float [mm]
        Expected value and standard uncertainty.
    low, high : float [mm]
        95 % interval.
    p_negative : float
        Probability of a value under zero (interference of a clearance).
    """

    mean: float
    u: float
    low: float
    high: float
    p_negative: float


def normal_spread(mean: float, u: float) -> Spread:
    """A normal prediction as `Spread`."""
    p = normal_below(-mean / u) if u > 0 else float(mean < 0)
    return Spread(mean=mean, u=u, low=mean - K95 * u, high=mean + K95 * u, p_negative=p)


def gains_of(size: Size, state: State, errors: np.ndarray) -> np.ndarray:
    """By how much each term changes a printed size, ndarray (terms,), where `errors` (terms,) are about right.

    A bore gains what a backlash compensation set too high mirrors, and loses as much where it jumps at the reversal.
    """
    row = size_gains(size, state.width)
    if state.habits.jumps and size.side == "inside" and size.shape == "round":
        plays = list(PLAYS)
        row[plays] = np.where(errors[plays] < 0, -row[plays], row[plays])
    return row


def predict_size(size: Size, state: State) -> Spread:
    """The printed size [mm]."""
    row = gains_of(size, state, state.posterior.mean)
    u = float(np.sqrt(row @ state.posterior.cov @ row + state.scatter_mm**2))
    return normal_spread(state.opened(size) + float(row @ state.posterior.mean), u)


def size_contributions(size: Size, state: State) -> dict[str, float]:
    """What each term adds to the printed size at the estimate, largest first [mm]."""
    parts = gains_of(size, state, state.posterior.mean) * state.posterior.mean
    return largest_first({n: float(parts[i]) for n, i in INDEX.items() if SHAPING[i]})


def largest_first(parts: dict[str, float]) -> dict[str, float]:
    """Contributions worth a line [mm], by size."""
    kept = {n: v for n, v in parts.items() if abs(v) >= VISIBLE_MM}
    return dict(sorted(kept.items(), key=lambda item: -abs(item[1])))


def nominal_for_size(side: Side, wanted: float, state: State, shape: Shape = "round") -> float:
    """What to draw so that the printed size, averaged over x and y, comes out at `wanted` [mm].

    Raises
    ------
    JobError
        No positive size would print like that.
    """
    drawn = wanted
    for _ in range(20):
        sizes = [Size(side=side, axis=a, nominal=drawn, shape=shape) for a in ("x", "y")]
        printed = np.mean(
            [state.opened(s) + gains_of(s, state, state.posterior.mean) @ state.posterior.mean for s in sizes]
        )
        missing = wanted - float(printed)
        drawn = next_drawn(drawn, missing, wanted)
        if abs(missing) < CLOSE_MM:
            break
    return drawn


def next_drawn(drawn: float, missing: float, wanted: float) -> float:
    """The next try for a drawn size that printed `missing` too small [mm]; JobError where none is left."""
    drawn += missing
    if not drawn > 0.05:
        raise JobError(f"no drawing prints as {wanted:g} mm on this printer; mend its errors first")
    return drawn
