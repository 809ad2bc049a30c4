"""What each step of a plan may do to the joints: made alone, together with the next, or not yet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from fitassay.analysis.chain.mating import clearances, ways_of
from fitassay.analysis.parts.pairs import Pair, joints_of
from fitassay.analysis.parts.sizes import State

Making = Literal["alone", "with-next", "held"]

# A step that makes the joints miss by so much more [mm, rms] harms them; it is not made with this chance of that.
WORSE_MM, RISK = 0.02, 0.1
# Printers that what is known leaves possible, looked at for that.
DRAWN = 256


def making(shifts: Sequence[np.ndarray], state: State, pairs: tuple[Pair, ...]) -> list[Making]:
    """How the steps of a plan are best made.

    Errors that cancel each other in a joint show once the first of them is gone, so that some steps help only
    together; where even the last of them may leave the joints worse, the first one waits until more is known.

    Parameters
    ----------
    shifts : sequence of ndarray (terms,)
        What each step adds to the errors, in order.
    state : State
        What is known before the first.
    pairs : tuple of Pair
        The joints.
    """
    theta = state.draws(DRAWN)
    before = _miss(pairs, state, theta)
    out: list[Making] = []
    while len(out) < len(shifts):
        first = len(out)
        moved = theta
        for last in range(first, len(shifts)):
            moved = moved + shifts[last]
            after = _miss(pairs, state, moved)
            if np.mean(after > before + WORSE_MM) < RISK:
                out.extend("with-next" for _ in shifts[first:last])
                out.append("alone")
                theta, before = moved, after
                break
        else:
            out.append("held")
    return out


def _miss(pairs: tuple[Pair, ...], state: State, theta: np.ndarray) -> np.ndarray:
    """By how much the joints miss the play they are drawn with, root mean square of each printer (n,) [mm]."""
    squares = np.zeros(len(theta))
    for pair in pairs:
        ways = ways_of(pair.shape, pair.flipped, state.habits, over=False, across=pair.across)
        joints = joints_of((pair,), state.holes, turning=pair.turns)
        got = sum(w.weight * clearances(joints, w, theta, state.width)[0] for w in ways)
        squares += (got - (pair.hole - pair.peg)) ** 2
    return np.sqrt(squares / len(pairs))
