"""Readings taken one by one until the verdict was safe: what guided entry is put to the test by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.diagnosis.sequential import IN_A_ROW, Guide, Step, retake
from fitassay.analysis.diagnosis.verdict import DOMINANT


@dataclass(frozen=True, kw_only=True)
class Replay:
    """Readings taken one by one until the verdict was safe.

    Attributes
    ----------
    columns : tuple of int
        In the order taken.
    repeats : tuple of int
        To be read a second time, since nothing else checks them.
    step : Step
        The verdict then.
    reached : bool
        False where all readings were taken and it never was safe.
    """

    columns: tuple[int, ...]
    repeats: tuple[int, ...]
    step: Step
    reached: bool


def replay(
    guide: Guide, values: np.ndarray, order: Sequence[int] | None = None, stop_when: float = DOMINANT
) -> Replay:
    """`retake` until the verdict has been safe `IN_A_ROW` times, or nothing is left.

    Parameters
    ----------
    guide, values, order
        As in `retake`.
    stop_when : float
        The chance from which on a verdict is safe.
    """
    taken, run, step = [], 0, guide.start().step()
    for column, step in retake(guide, values, order):
        taken.append(column)
        run = run + 1 if step.reaches(stop_when) else 0
        if run == IN_A_ROW:
            break
    progress = guide.start()
    for column in taken:
        progress.read(column, float(values[column]))
    return Replay(
        columns=tuple(taken), repeats=progress.unchecked(), step=step, reached=step.reaches(stop_when)
    )
