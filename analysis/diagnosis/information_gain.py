"""Doubt about the verdict, and how much of it a reading can be expected to remove.

The chance of a wrong verdict is shared out among the errors: a rival's share is its own chance of being the largest,
the leader's that of not being so. A reading removes of each share as much as it shrinks that error's standard
uncertainty. With posterior covariance C and readings with rows A and uncertainty u

    C' = C - C A' (A C A' + u^2 I)^-1 A C         removed = sum of doubt_t (1 - sqrt(C'_tt / C_tt)) / sum of doubt_t

None of it depends on what will be read, so the gain of a reading is known before it is taken, in closed form.
"""

from __future__ import annotations

import numpy as np

# Draws cannot tell a chance under this from none.
SMALLEST_CHANCE = 1e-3


def doubt_of(chances: np.ndarray, accusable: np.ndarray) -> np.ndarray:
    """The chance of a wrong verdict, shared out, ndarray (terms,).

    Parameters
    ----------
    chances : ndarray (terms,)
        Of being the largest.
    accusable : ndarray (terms,) of bool
        Errors that some size of a part feels.
    """
    doubt = chances + SMALLEST_CHANCE * accusable
    leader = int(np.argmax(doubt))
    doubt[leader] = 1 - chances[leader]
    return doubt


def removed_by_each(covariance: np.ndarray, gains: np.ndarray, u: np.ndarray | float) -> np.ndarray:
    """Share of each term's standard uncertainty that each reading, taken alone, removes, ndarray (terms, readings).

    Parameters
    ----------
    covariance : ndarray (terms, terms)
    gains : ndarray (readings, terms)
    u : float or ndarray (readings,) [mm]
    """
    ca = covariance @ gains.T
    variance = u**2 + np.sum(gains.T * ca, axis=0)
    return _shrunk(ca**2 / variance, covariance)


def removed_by_all(covariance: np.ndarray, gains: np.ndarray, u: np.ndarray | float) -> np.ndarray:
    """Share of each term's standard uncertainty that all readings together remove, ndarray (terms,)."""
    ca = covariance @ gains.T
    inner = gains @ ca + np.diag(np.broadcast_to(np.square(u), len(gains)))
    return _shrunk(np.einsum("ij,ji->i", ca, np.linalg.solve(inner, ca.T)), covariance)


def _shrunk(drop: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """1 - sqrt(C'/C) from the fall in variance."""
    before = np.diag(covariance).reshape(-1, *[1] * (drop.ndim - 1))
    return 1 - np.sqrt(np.clip(1 - drop / before, 0.0, 1.0))


def share_removed(doubt: np.ndarray, removed: np.ndarray) -> np.ndarray:
    """Share of all doubt that is removed, 0..1; `removed` from `removed_by_each` or `removed_by_all`."""
    total = float(doubt.sum())
    return doubt @ removed / total if total > 0 else np.zeros(removed.shape[1:])
