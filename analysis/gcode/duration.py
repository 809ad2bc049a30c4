"""How long moves take: slowed down where the path turns, at one acceleration."""

from __future__ import annotations

import numpy as np

ACCELERATION_MM_S2 = 500.0
"""A small printer's (common practice, no source)."""

CORNER_MM_S = 8.0
"""Through a sharp corner it still goes so fast (common practice, no source)."""

STRAIGHT = np.cos(np.deg2rad(20.0))
"""Where the path turns by less it goes on without slowing."""


def seconds_of(points: np.ndarray, feed: np.ndarray, acceleration: float = ACCELERATION_MM_S2) -> float:
    """Time of a path [s].

    Parameters
    ----------
    points : ndarray (n + 1, 3) [mm]
    feed : ndarray (n,) [mm/s]
    acceleration : float [mm/s2]

    Notes
    -----
    A run of moves without a sharp turn or a change of speed, of length L at speed v, begins and ends at speed j. It
    takes L / v + (v - j)^2 / (a v) where it gets up to speed, L >= (v^2 - j^2) / a, else 2 (p - j) / a at the peak
    p = sqrt(a L + j^2).
    """
    step = np.diff(points, axis=0)
    length = np.linalg.norm(step, axis=1)
    moved = length > 1e-9
    step, length, speed = step[moved], length[moved], feed[moved]
    if not len(length):
        return 0.0
    unit = step / length[:, None]
    stops = (np.sum(unit[1:] * unit[:-1], axis=1) < STRAIGHT) | (np.abs(np.diff(speed)) > 1e-9)
    run = np.concatenate([[0], np.cumsum(stops)])
    total = np.bincount(run, length)
    v = np.maximum.reduceat(speed, np.flatnonzero(np.diff(run, prepend=-1)))
    j = np.minimum(v, CORNER_MM_S)
    whole = total / v + (v - j) ** 2 / (acceleration * v)
    peak = np.sqrt(acceleration * total + j**2)
    return float(np.where(total >= (v**2 - j**2) / acceleration, whole, 2 * (peak - j) / acceleration).sum())
