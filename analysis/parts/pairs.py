"""What becomes of a peg in its hole: clearances as put together and while it turns, and the peg to draw.

Clearances are no difference of sizes once the axes have play: see `chain.mating`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from fitassay.analysis.chain.mating import PairWalk, Shape
from fitassay.analysis.chain.sizes import Axis, Size, size_gains
from fitassay.analysis.parts.sizes import DRAWS, Spread, State, largest_first, next_drawn, normal_spread
from fitassay.analysis.terms import INDEX, NAMES, PRINTER
from fitassay.coupons.errors import InputError


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A peg and its hole.

    Attributes
    ----------
    peg, hole : float [mm]
        Drawn diameters or sides.
    shape : {"round", "square"}
    rotation : float [rad]
        By which the peg is turned against how it was printed when it is put in.
    turns : bool
        True where the peg must turn in the hole.
    exact_peg, exact_hole : bool
        That side is bought and exact, not printed.
    name : str
    """

    peg: float
    hole: float
    shape: Shape = "round"
    rotation: float = 0.0
    turns: bool = False
    exact_peg: bool = False
    exact_hole: bool = False
    name: str = ""

    def __post_init__(self) -> None:
        for size in (self.peg, self.hole):
            if not 0 < size <= 10_000:
                raise InputError(
                    f"sizes of a pair must be greater than 0 and in mm (got {size:g})", self.name
                )
        if self.turns and self.shape == "square":
            raise InputError("only a round peg turns in its hole; say round or leave out turning", self.name)
        if self.exact_peg and self.exact_hole:
            raise InputError("one side of a pair must be printed", self.name)


@dataclass(frozen=True, kw_only=True)
class PairPrediction:
    """What becomes of a pair.

    Attributes
    ----------
    pair : Pair
    by_caliper : tuple of 2 Spread
        Hole less peg as a caliper would find them in x and in y, each printed direction on its own.
    sits : Spread
        Diametral clearance as put together.
    turns : Spread or None
        Tightest diametral clearance over a whole turn; None unless it turns.
    contributions_mm : dict of str to float [mm]
        What each term takes from (negative) or adds to the clearance that counts, at the estimate.
    """

    pair: Pair
    by_caliper: tuple[Spread, Spread]
    sits: Spread
    turns: Spread | None
    contributions_mm: dict[str, float] = field(default_factory=dict)

    @property
    def counts(self) -> Spread:
        """The clearance that decides: turning where it turns, else as put together."""
        return self.turns or self.sits


def predict_pair(pair: Pair, state: State) -> PairPrediction:
    """Clearances of a pair, with the scatter of both printed sizes."""
    theta = np.concatenate([state.draws(), _leave_one_out(state.posterior.mean)])
    walk = _walk(pair, state.width, theta)
    sits = walk.sits(pair.rotation)
    turns = walk.turns() if pair.turns else None
    decisive = sits if turns is None else turns
    scatter = state.scatter_mm * np.sqrt(2 - pair.exact_peg - pair.exact_hole)
    full, without = decisive[DRAWS], decisive[DRAWS + 1 :]
    terms = [n for n in NAMES if PRINTER[INDEX[n]]]
    return PairPrediction(
        pair=pair,
        by_caliper=(_by_caliper(pair, state, "x", scatter), _by_caliper(pair, state, "y", scatter)),
        sits=_spread(sits[:DRAWS], scatter),
        turns=None if turns is None else _spread(turns[:DRAWS], scatter),
        contributions_mm=largest_first({n: float(full - w) for n, w in zip(terms, without, strict=True)}),
    )


def _walk(pair: Pair, width: float, theta: np.ndarray) -> PairWalk:
    return PairWalk(
        pair.peg,
        pair.hole,
        width,
        theta,
        shape=pair.shape,
        exact_peg=pair.exact_peg,
        exact_hole=pair.exact_hole,
    )


def _leave_one_out(mean: np.ndarray) -> np.ndarray:
    """The estimate, then the estimate with each part-shaping term set to zero in turn."""
    rows = [mean]
    for i in np.flatnonzero(PRINTER):
        row = mean.copy()
        row[i] = 0.0
        rows.append(row)
    return np.array(rows)


def _spread(values: np.ndarray, scatter: float) -> Spread:
    """Mean, spread and quantiles of drawn clearances, blurred by the normal scatter of single parts."""
    from scipy.special import ndtr, ndtri

    if scatter > 0:
        # Each draw stands for a normal of its own; a fixed fan of its quantiles takes its place.
        fan = scatter * ndtri((np.arange(15) + 0.5) / 15)
        p = float(ndtr(-values / scatter).mean())
        blurred = (values[:, None] + fan).ravel()
    else:
        p, blurred = float((values < 0).mean()), values
    low, high = np.quantile(blurred, (0.025, 0.975), method="weibull")
    u = float(np.hypot(values.std(), scatter))
    return Spread(mean=float(values.mean()), u=u, low=float(low), high=float(high), p_negative=p)


def _by_caliper(pair: Pair, state: State, axis: Axis, scatter: float) -> Spread:
    row = np.zeros(len(NAMES))
    if not pair.exact_hole:
        row += size_gains(Size(side="inside", axis=axis, nominal=pair.hole, shape=pair.shape), state.width)
    if not pair.exact_peg:
        row -= size_gains(Size(side="outside", axis=axis, nominal=pair.peg, shape=pair.shape), state.width)
    u = float(np.sqrt(row @ state.posterior.cov @ row + scatter**2))
    return normal_spread(pair.hole - pair.peg + float(row @ state.posterior.mean), u)


def peg_for_clearance(pair: Pair, wanted: float, state: State) -> float:
    """The peg to draw so that the clearance that counts is `wanted` on average, the hole as drawn [mm]."""
    drawn = pair.peg
    theta = state.draws(128)
    for _ in range(6):
        walk = _walk(replace(pair, peg=drawn), state.width, theta)
        now = walk.turns() if pair.turns else walk.sits(pair.rotation)
        missing = wanted - float(now.mean())
        drawn = next_drawn(drawn, -missing, pair.peg)
        if abs(missing) < 1e-4:
            break
    return drawn
