"""What becomes of pegs in their holes: clearances as put together and while they turn, and the peg to draw.

Clearances are no difference of sizes once the axes have play: see `chain.clearance`. What is not known of the way a
pair is walked and put together (`chain.mating.Ways`) is averaged over, so that it widens the clearance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Literal

import numpy as np

from fitassay.analysis.chain.mating import Joints, Ways, clearances, ways_of
from fitassay.analysis.chain.shapes import PROFILES, SHAPES, Shape
from fitassay.analysis.chain.sizes import Axis, Size, size_gains
from fitassay.analysis.controls import NO_CONSTANT, ConstantHoles
from fitassay.analysis.parts.mixture import Mixture
from fitassay.analysis.parts.shares import shapley
from fitassay.analysis.parts.sizes import DRAWS, Spread, State, largest_first, next_drawn, normal_spread
from fitassay.analysis.terms import INDEX, NAMES, SHAPING
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import listed


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A peg and its hole, or a tongue and its slot.

    Attributes
    ----------
    peg, hole : float [mm]
        Drawn diameters, sides or widths.
    shape : {"round", "square", "slot", "key", "tab", "dovetail", "t-slot", "t-head", "rack"}
        What the joints along edges are: see `chain.profiles`.
    rotation : float [rad]
        By which the peg is turned against how it was printed when it is put in.
    flipped : bool or None
        It is put in upside down against how it was printed; None: not known.
    turns : bool
        True where the peg must turn in the hole.
    exact_peg, exact_hole : bool
        That side is bought and exact, not printed.
    name : str
    across : {"", "x", "y"}
        Of joints along edges the printer's axis along which their width lies; empty: not known.
    angle : float, optional [rad]
        Of dovetails, flank against edge.
    """

    peg: float
    hole: float
    shape: Shape = "round"
    rotation: float = 0.0
    flipped: bool | None = None
    turns: bool = False
    exact_peg: bool = False
    exact_hole: bool = False
    name: str = ""
    across: Literal["", "x", "y"] = ""
    angle: float | None = None

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise InputError(f"a pair is {listed(SHAPES, 'or')} (got {self.shape})", self.name)
        if self.across not in ("", "x", "y"):
            raise InputError(f"a width lies along x or y (got {self.across})", self.name)
        for size in (self.peg, self.hole):
            if not 0 < size <= 10_000:
                raise InputError(
                    f"sizes of a pair must be greater than 0 and in mm (got {size:g})", self.name
                )
        if self.angle is not None and (
            self.shape != "dovetail" or not STEEPEST[0] <= self.angle < STEEPEST[1]
        ):
            raise InputError("an angle is said of a dovetail, from 30 to under 90 degrees", self.name)
        if self.turns and self.shape != "round":
            raise InputError("only a round peg turns in its hole; say round or leave out turning", self.name)
        if self.shape in PROFILES and self.rotation:
            raise InputError(
                "only round and square pegs are put in turned; leave the rotation out", self.name
            )
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
        What each term takes from (negative) or adds to the clearance that counts, at the estimate; together they are
        what it differs from the drawn one by.
    open_questions : tuple of str
        What is not known and widens the clearance: ``way_up``, ``direction``, ``seam``, ``manner``, ``across``.
    """

    pair: Pair
    by_caliper: tuple[Spread, Spread]
    sits: Spread
    turns: Spread | None
    contributions_mm: dict[str, float] = field(default_factory=dict)
    open_questions: tuple[str, ...] = ()

    @property
    def counts(self) -> Spread:
        """The clearance that decides: turning where it turns, else as put together."""
        return self.turns or self.sits


# Terms whose effects on a clearance depend on each other; all others add.
INTERACTING = (
    "scale_x", "scale_y", "scale_xy", "backlash_x", "backlash_y", "backlash_a", "backlash_b", "skew_xy",
)  # fmt: skip
# Less than this of an error is none [its unit].
NONE = 1e-9
# What is not known is worth a word where it makes so much of a difference at the estimate [mm].
ASKED_MM = 0.02
# Over-compensation by this much makes its manner tell [mm]; it is taken for possible from so many draws on.
OVER_MM = 0.02
FEW = 0.02
# Flanks of dovetails against the edge, from the flattest to upright [rad].
STEEPEST = (np.radians(30.0) - 1e-9, np.radians(90.0))
# So many pairs are worked out together; more would fill the memory with their draws.
AT_ONCE = 1000


def predict_pair(pair: Pair, state: State) -> PairPrediction:
    """Clearances of a pair, with the scatter of both printed sizes."""
    return predict_pairs((pair,), state)[0]


def predict_pairs(
    pairs: tuple[Pair, ...], state: State, progress: Callable[[int], object] = lambda done: None
) -> tuple[PairPrediction, ...]:
    """Clearances of many pairs at once, in their order; `progress` is told how many are done."""
    found: dict[int, PairPrediction] = {}
    for at in _alike(pairs):
        found.update(zip(at, _predict_alike(tuple(pairs[i] for i in at), state), strict=True))
        progress(len(found))
    return tuple(found[i] for i in range(len(pairs)))


def _predict_alike(pairs: tuple[Pair, ...], state: State) -> list[PairPrediction]:
    """Of pairs of one shape and way up."""
    theta = state.draws(DRAWS)
    over = _over(theta)
    ways = ways_of(pairs[0].shape, pairs[0].flipped, state.habits, over=over, across=pairs[0].across)
    scatter = state.scatter_mm * np.sqrt([2 - p.exact_peg - p.exact_hole for p in pairs])
    sits = _spreads(pairs, ways, state, theta, scatter, turning=False)
    turning = [i for i, p in enumerate(pairs) if p.turns]
    turns: dict[int, Spread] = {}
    if turning:
        some = tuple(pairs[i] for i in turning)
        turns = dict(
            zip(turning, _spreads(some, ways, state, theta, scatter[turning], turning=True), strict=True)
        )
    parts = contributions(pairs, ways, state)
    mean = state.posterior.mean[None]
    each = np.empty((len(ways), len(pairs)))
    for turn in (False, True):
        at = [i for i, p in enumerate(pairs) if p.turns == turn]
        if at:
            joints = joints_of(tuple(pairs[i] for i in at), state.holes, turning=turn)
            each[:, at] = [clearances(joints, w, mean, state.width)[:, 0] for w in ways]
    matters = np.ptp(each, axis=0) >= ASKED_MM

    def open_of(i: int, pair: Pair) -> tuple[str, ...]:
        if pair.shape in PROFILES:
            return _open_along_edges(ways, each[:, i])
        return open_questions(pair, state, over=over)

    return [
        PairPrediction(
            pair=p,
            by_caliper=(_by_caliper(p, state, "x", float(s)), _by_caliper(p, state, "y", float(s))),
            sits=sits[i],
            turns=turns.get(i),
            contributions_mm=largest_first(dict(zip(NAMES, map(float, parts[i]), strict=True))),
            open_questions=open_of(i, p) if matters[i] else (),
        )
        for i, (p, s) in enumerate(zip(pairs, scatter, strict=True))
    ]


PLAY = [INDEX["backlash_x"], INDEX["backlash_y"]]


def open_questions(pair: Pair, state: State, *, over: bool) -> tuple[str, ...]:
    """What is not known of a pair and matters: ``way_up``, ``direction``, ``seam``, ``manner``."""
    habits = state.habits
    if pair.shape == "square":
        return () if habits.own_approach else ("seam",)
    one_bought = pair.exact_peg or pair.exact_hole
    asked = []
    if not pair.turns and not one_bought:
        asked += ["way_up"] * (pair.flipped is None) + ["direction"] * (habits.holes_alike is None)
    return (*asked, *(["manner"] if over and habits.jumps is None else []))


def _open_along_edges(ways: tuple[Ways, ...], clearance: np.ndarray) -> tuple[str, ...]:
    """What is not known of a joint along edges and matters; `clearance` (ways,) is what each way leaves [mm]."""
    asked = []
    for question, of in (
        ("way_up", lambda w: w.flipped),
        ("across", lambda w: w.across),
        ("seam", lambda w: (w.late_peg, w.late_hole)),
    ):
        answers = {of(w) for w in ways}
        means = [np.mean([c for w, c in zip(ways, clearance, strict=True) if of(w) == a]) for a in answers]
        if np.ptp(means) >= ASKED_MM:
            asked.append(question)
    return tuple(asked)


def joints_of(pairs: tuple[Pair, ...], holes: ConstantHoles = NO_CONSTANT, *, turning: bool) -> Joints:
    """Pairs of one shape and angle as arrays, round holes opened as `holes` does; turning, or as put together."""
    opened = [
        p.hole + (float(holes.surplus(p.hole)) if p.shape == "round" and not p.exact_hole else 0.0)
        for p in pairs
    ]
    return Joints(
        peg=np.array([p.peg for p in pairs]),
        hole=np.array(opened),
        rotation=np.array([p.rotation for p in pairs]),
        turning=np.full(len(pairs), turning),
        exact_peg=np.array([p.exact_peg for p in pairs]),
        exact_hole=np.array([p.exact_hole for p in pairs]),
        shape=pairs[0].shape,
        angle=pairs[0].angle,
    )


def _spreads(
    pairs: tuple[Pair, ...],
    ways: tuple[Ways, ...],
    state: State,
    theta: np.ndarray,
    scatter: np.ndarray,
    *,
    turning: bool,
) -> list[Spread]:
    joints = joints_of(pairs, state.holes, turning=turning)
    values = np.stack([clearances(joints, w, theta, state.width) for w in ways], axis=1)
    mixture = Mixture.of(values, np.array([w.weight for w in ways]), scatter)
    low, high = mixture.quantile(0.025), mixture.quantile(0.975)
    mean, u, p = mixture.mean(), mixture.sd_whole(), mixture.below(np.zeros(len(pairs)))
    return [
        Spread(mean=float(m), u=float(s), low=float(a), high=float(b), p_negative=float(q))
        for m, s, a, b, q in zip(mean, u, low, high, p, strict=True)
    ]


def contributions(pairs: tuple[Pair, ...], ways: tuple[Ways, ...], state: State) -> np.ndarray:
    """What each term does to the clearance that counts, at the estimate, ndarray (pairs, terms) [mm].

    Shapley values: a term's effect averaged over all orders in which the errors could have come, so that all of them
    together are the whole difference.
    """
    own = np.where(SHAPING & (np.abs(state.posterior.mean) > NONE), state.posterior.mean, 0.0)
    out = np.empty((len(pairs), len(NAMES)))
    for turning in (False, True):
        at = [i for i, p in enumerate(pairs) if p.turns == turning]
        if at:
            joints = joints_of(tuple(pairs[i] for i in at), state.holes, turning=turning)

            def clearance(theta: np.ndarray, joints: Joints = joints) -> np.ndarray:
                return sum(w.weight * clearances(joints, w, theta, state.width) for w in ways)  # type: ignore[return-value]

            out[at] = shapley(clearance, own, [INDEX[n] for n in INTERACTING])
    return out


def _by_caliper(pair: Pair, state: State, axis: Axis, scatter: float) -> Spread:
    row, opened = np.zeros(len(NAMES)), pair.hole
    if not pair.exact_hole:
        hole = Size(side="inside", axis=axis, nominal=pair.hole, shape=pair.shape)
        opened = state.opened(hole)
        row += size_gains(hole, state.width)
    if not pair.exact_peg:
        row -= size_gains(Size(side="outside", axis=axis, nominal=pair.peg, shape=pair.shape), state.width)
    u = float(np.sqrt(row @ state.posterior.cov @ row + scatter**2))
    return normal_spread(opened - pair.peg + float(row @ state.posterior.mean), u)


def peg_for_clearance(pair: Pair, wanted: float, state: State) -> float:
    """The peg to draw so that the clearance that counts is `wanted` on average, the hole as drawn [mm]."""
    return pegs_for_clearances((pair,), (wanted,), state)[0]


def pegs_for_clearances(
    pairs: tuple[Pair, ...], wanted: tuple[float, ...], state: State
) -> tuple[float, ...]:
    """`peg_for_clearance` of many pairs at once, in their order."""
    theta = state.draws(128)
    over = _over(theta)
    drawn = [p.peg for p in pairs]
    for group in _alike(pairs, lambda p: p.turns):
        first = pairs[group[0]]
        ways = ways_of(first.shape, first.flipped, state.habits, over=over, across=first.across)
        for _ in range(6):
            now = tuple(replace(pairs[i], peg=drawn[i]) for i in group)
            joints = joints_of(now, state.holes, turning=first.turns)
            got = sum(w.weight * clearances(joints, w, theta, state.width).mean(axis=1) for w in ways)
            missing = np.array([wanted[i] for i in group]) - got
            for i, lack in zip(group, missing, strict=True):
                drawn[i] = next_drawn(drawn[i], -float(lack), pairs[i].peg)
            if np.abs(missing).max() < 1e-4:
                break
    return tuple(drawn)


def _alike(pairs: tuple[Pair, ...], also: Callable[[Pair], bool] = lambda _: False) -> Iterator[list[int]]:
    """Places of pairs of one shape, way up and lie, and alike in what `also` says, at most `AT_ONCE`."""

    def kind(i: int) -> tuple[str, int, str, float, bool]:
        p = pairs[i]
        return p.shape, {None: 0, False: 1, True: 2}[p.flipped], p.across, p.angle or 0.0, also(p)

    for _, group in groupby(sorted(range(len(pairs)), key=kind), key=kind):
        members = list(group)
        for first in range(0, len(members), AT_ONCE):
            yield members[first : first + AT_ONCE]


def _over(theta: np.ndarray) -> bool:
    """Whether some of these printers are over-compensated."""
    return bool(((theta[:, PLAY] < -OVER_MM).mean(axis=0) > FEW).any())


def hole_for_clearance(pair: Pair, wanted: float, state: State) -> float:
    """The hole to draw so that the clearance that counts is `wanted` on average, the peg as drawn or bought [mm]."""
    drawn = pair
    for _ in range(3):
        missing = wanted - predict_pair(drawn, state).counts.mean
        drawn = replace(drawn, hole=next_drawn(drawn.hole, missing, pair.hole))
    return drawn.hole
