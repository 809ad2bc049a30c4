"""Shares of each error in a length that they make together: Shapley values.

A term's share is its effect averaged over all orders in which the errors could have come one after the other
(L. S. Shapley, A value for n-person games, 1953; from memory). The shares add up to the whole.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from math import factorial

import numpy as np


def shapley(
    length: Callable[[np.ndarray], np.ndarray], theta: np.ndarray, interacting: list[int]
) -> np.ndarray:
    """Share of every term in length(theta) - length(0), ndarray (rows, terms).

    Parameters
    ----------
    length : callable
        ndarray (n, terms) to ndarray (rows, n).
    theta : ndarray (terms,)
    interacting : list of int
        Terms whose effects depend on each other; those of the others add, and are taken one by one.
    """
    players = [i for i in interacting if theta[i] != 0]
    alone = [i for i in np.flatnonzero(theta) if i not in interacting]
    sets = [c for n in range(len(players) + 1) for c in combinations(players, n)]
    # The others stand in full beside every set, so that the shares are those about the estimate.
    common = theta.copy()
    common[interacting] = 0.0
    trial = np.tile(common, (len(sets) + len(alone) + 1, 1))
    for row, chosen in zip(trial, sets, strict=False):
        row[list(chosen)] = theta[list(chosen)]
    trial[len(sets) :] = 0.0
    for row, i in zip(trial[len(sets) :], alone, strict=False):
        row[i] = theta[i]
    got = length(trial)
    value = {frozenset(c): got[:, k] for k, c in enumerate(sets)}
    shares = np.zeros((len(got), len(theta)))
    m = len(players)
    for i in players:
        for chosen in sets:
            if i not in chosen:
                weight = factorial(len(chosen)) * factorial(m - len(chosen) - 1) / factorial(m)
                shares[:, i] += weight * (value[frozenset((*chosen, i))] - value[frozenset(chosen)])
    zero = got[:, -1]
    for k, i in enumerate(alone):
        shares[:, i] = got[:, len(sets) + k] - zero
    # What products of the others leave, micrometres, goes to the largest of them.
    if alone:
        rest = value[frozenset()] - zero - shares[:, alone].sum(axis=1)
        largest = np.array(alone)[np.abs(shares[:, alone]).argmax(axis=1)]
        shares[np.arange(len(got)), largest] += rest
    return shares
