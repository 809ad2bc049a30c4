"""What the play of an axis does to the trust in readings beyond their sensitivities to it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fitassay.analysis.terms import PLAYS

# Large play of one axis turns a round bore under the jaws, so that they rest where the other axis, if its play is
# small, has not reversed yet: sensitivities of such readings to the small play are wrong, and they are trusted less.
SMALL_PLAY_MM, LARGE_PLAY_MM = 0.1, 0.25
PLAY_STEP_MM = 0.01
WRONG_GAIN = 0.3
KINK_MM = 0.05
# y of x, belt b of belt a, and back.
PARTNER = [1, 0, 3, 2]

Forward = Callable[[np.ndarray], np.ndarray]
"""Noise-free readings (n, m) of printers (n, terms)."""


def kink_variance(theta: np.ndarray, gains: np.ndarray, forward: Forward) -> np.ndarray:
    """Variance (n, m) [mm2] for readings whose sensitivity to a small play is not that of the perfect printer.

    Parameters
    ----------
    theta : ndarray (n, terms)
        Estimates.
    gains : ndarray (m, terms)
    forward : callable
        Noise-free readings (n, m) of printers (n, terms).
    """
    extra = np.zeros((len(theta), len(gains)))
    play = np.abs(theta[:, PLAYS])
    small = (play < SMALL_PLAY_MM) & (play[:, PARTNER] > LARGE_PLAY_MM)
    rows = np.flatnonzero(small.any(axis=1))
    if rows.size and len(gains):
        which = np.array(PLAYS)[np.argmax(small[rows], axis=1)]
        step = np.zeros((len(rows), theta.shape[1]))
        step[np.arange(len(rows)), which] = PLAY_STEP_MM
        slope = (forward(theta[rows] + step) - forward(theta[rows] - step)) / (2 * PLAY_STEP_MM)
        off = np.abs(slope - gains.T[which])
        extra[rows] = np.where(off > WRONG_GAIN, off * KINK_MM, 0.0) ** 2
    return extra
