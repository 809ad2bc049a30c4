"""What each step of a plan may do to joints and grades: made alone, together with the next, or not yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fitassay.analysis.chain.mating import clearances, ways_of
from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.parts.pairs import Pair, joints_of
from fitassay.analysis.parts.sizes import State

Making = Literal["alone", "with-next", "held"]

# A step that makes the joints miss by so much more [mm, rms] harms them; it is not made with this chance of that.
WORSE_MM, RISK = 0.02, 0.1
# What a step may add to that on average before another is asked to go with it [mm]; less than this nobody sees.
SEEN_MM = 0.001
# Printers that what is known leaves possible, looked at for that.
DRAWN = 256


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What a step does.

    Attributes
    ----------
    shift : ndarray (terms,)
        What it adds to the errors.
    holes : ConstantHoles or None
        The constant of all round holes that it sets; None where it leaves that.
    """

    shift: np.ndarray
    holes: ConstantHoles | None = None

    def on(self, state: State) -> State:
        """What is expected of a printer once the step is made; the doubt stays."""
        posterior, *as_read = (
            replace(n, mean=n.mean + self.shift) for n in (state.posterior, *state.as_read)
        )
        return replace(state, posterior=posterior, as_read=tuple(as_read), holes=self.holes or state.holes)


def making(
    effects: Sequence[Effect],
    state: State,
    pairs: tuple[Pair, ...],
    coarser: Callable[[State, State], bool] = lambda before, after: False,
) -> list[Making]:
    """How the steps of a plan are best made.

    Errors that cancel each other in a joint show once the first of them is gone, so that some steps help only
    together; where even the last of them may leave the joints worse, the first one waits until more is known. Those
    that leave the joints a little worse to be expected, or cost a range of sizes its grade, are made together with
    what wins it back, or alone where nothing does.

    Parameters
    ----------
    effects : sequence of Effect
        What each step does, in order.
    state : State
        What is known before the first.
    pairs : tuple of Pair
        The joints.
    coarser : callable (State, State) -> bool
        Whether some range of sizes loses its grade from the first to the second.
    """
    theta = state.draws(DRAWN)
    now, before = state, _miss(pairs, state, theta)
    out: list[Making] = []
    while len(out) < len(effects):
        first = len(out)
        safe: list[tuple[int, State, np.ndarray]] = []
        better: list[tuple[int, State, np.ndarray]] = []
        then = now
        for last in range(first, len(effects)):
            then = effects[last].on(then)
            after = _miss(pairs, then, theta + then.posterior.mean - state.posterior.mean)
            if np.mean(after > before + WORSE_MM) >= RISK:
                continue
            safe.append((last, then, after))
            if np.mean(after) > np.mean(before) + SEEN_MM:
                continue
            better.append(safe[-1])
            if not coarser(now, then):
                better = better[-1:]
                break
        if not safe:
            out.append("held")
            continue
        last, now, before = (better or safe)[0]
        out.extend("with-next" for _ in effects[first:last])
        out.append("alone")
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
