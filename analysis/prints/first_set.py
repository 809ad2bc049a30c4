"""Which coupons tell most of the user's own joints within a printing time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fitassay.analysis.chain.mating import PathHabits, clearances, ways_of
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.pairs import Pair, joints_of
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.cost import Cost

# A clearance bends with play; it is followed about printers of these plays of x and y [mm].
PLAYS_MM = ((0.15, 0.05), (0.05, 0.15))
# Ten more minutes are worth their while where they lower the doubt by this share at least.
WORTH, WORTH_MINUTES = 0.03, 10.0
# Coupons that take no more than this share of the time go along: the single wall is what weighing needs.
CHEAP = 0.05


@dataclass(frozen=True, kw_only=True)
class FirstSet:
    """Coupons for a first print.

    Attributes
    ----------
    coupons : tuple of str
        In measuring order; empty where not even one fits into the time.
    minutes, all_minutes : float
        Of these, and of all.
    u_mm, all_u_mm : float [mm]
        Standard uncertainty that they leave on the joints' clearance (root mean square), and that all would.
    """

    coupons: tuple[str, ...]
    minutes: float
    all_minutes: float
    u_mm: float
    all_u_mm: float


def first_set(
    shelf: SetWalk,
    costs: Mapping[str, Cost],
    known: Normal,
    u: float,
    pairs: tuple[Pair, ...],
    minutes: float,
    width: float,
    model_cov: np.ndarray | None = None,
) -> FirstSet:
    """Of all choices of coupons within `minutes` the one that leaves least doubt about the pairs' clearance.

    Among choices that leave nearly the same the quicker. What is cheap goes along wherever the time allows it.

    Parameters
    ----------
    shelf : SetWalk
        All coupons that could be printed.
    costs : mapping of str to Cost
        By coupon id.
    known : Normal
        Of the terms, before.
    u : float [mm]
        Standard uncertainty of one reading.
    pairs : tuple of Pair
    minutes : float
    width : float [mm]
        Commanded bead width.
    model_cov : ndarray (features, features) [mm^2], optional
        What readings are off by beside the terms, of the whole shelf (`estimation.model_error`); none by default.
    """
    asked = np.array([row for pair in pairs for row in _clearance_rows(pair, width)])
    _, gains = shelf.linearise()
    names = [c.id for c in shelf.manifest.coupons]
    owner = np.array([coupon for coupon, _ in shelf.keys])
    noise = np.diag(np.full(len(owner), u**2)) + (0.0 if model_cov is None else model_cov)

    def doubt(chosen: tuple[str, ...]) -> float:
        at = np.flatnonzero(np.isin(owner, chosen))
        rows, root = gains[at], known.root
        added = rows.T @ np.linalg.solve(noise[np.ix_(at, at)], rows)
        # C = R (I + R'Λ R)^-1 R' needs no inverse of what is known for certain.
        inner = np.eye(root.shape[1]) + root.T @ added @ root
        spread = asked @ root
        return float(np.sqrt(np.mean(np.sum(spread * np.linalg.solve(inner, spread.T).T, axis=1))))

    def cost(chosen: tuple[str, ...]) -> float:
        return sum(costs[c].minutes for c in chosen)

    choices = [c for n in range(1, len(names) + 1) for c in combinations(names, n) if cost(c) <= minutes]
    cheap = {c for c in names if cost((c,)) <= CHEAP * minutes}
    choices = [c for c in choices if cheap <= set(c)] or choices
    everything = tuple(names)
    if not choices:
        return FirstSet(
            coupons=(),
            minutes=0.0,
            all_minutes=cost(everything),
            u_mm=doubt(()),
            all_u_mm=doubt(everything),
        )
    told = {c: doubt(c) for c in choices}
    best = min(choices, key=lambda c: told[c] * (1 + WORTH * cost(c) / WORTH_MINUTES))
    return FirstSet(
        coupons=best,
        minutes=cost(best),
        all_minutes=cost(everything),
        u_mm=told[best],
        all_u_mm=doubt(everything),
    )


def _clearance_rows(pair: Pair, width: float) -> list[np.ndarray]:
    """d clearance / d term about printers with play, ndarray (terms,) each."""
    ways = ways_of(
        pair.shape,
        pair.flipped,
        PathHabits(holes_alike=False, own_approach=True),
        over=False,
        across=pair.across,
    )
    joints = joints_of((pair,), ConstantHoles(), turning=pair.turns)
    steps = np.array([t.step for t in TERMS])
    rows = []
    for x, y in PLAYS_MM:
        about = np.zeros(len(TERMS))
        about[INDEX["backlash_x"]], about[INDEX["backlash_y"]] = x, y
        theta = np.concatenate([about[None], about + np.diag(steps)])
        value = np.sum([w.weight * clearances(joints, w, theta, width)[0] for w in ways], axis=0)
        rows.append((value[1:] - value[0]) / steps)
    return rows
