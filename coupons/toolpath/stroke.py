"""One stroke of the nozzle: a line of plastic drawn without lifting it, and how the nozzle comes to it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

Line = Literal["outer wall", "inner wall", "single wall", "filling", "solid", "rail", "tick", "slow tick"]
"""What a stroke is for; its speed goes by it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stroke:
    """One bead.

    Attributes
    ----------
    points : ndarray (m, 2) [mm]
        Its middle line; a closed one ends where it begins.
    line : Line
    lead : ndarray (k, 2) [mm]
        Moves of the empty nozzle that lead to its first point: they settle the play. Empty: the straight way.
    piece : str
        Id of the coupon that it belongs to; empty where that is not said.
    """

    points: np.ndarray
    line: Line
    lead: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    piece: str = ""

    @property
    def length(self) -> float:
        """Of the bead's middle line [mm]."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())

    def turned(self, matrix: np.ndarray) -> Stroke:
        """The same turned about the origin, matrix (2, 2)."""
        return replace(self, points=self.points @ matrix.T, lead=self.lead @ matrix.T)

    def moved(self, by: tuple[float, float]) -> Stroke:
        """The same elsewhere."""
        return replace(self, points=self.points + by, lead=self.lead + by)


@dataclass(frozen=True, kw_only=True)
class PathLayer:
    """All strokes of one layer, in order.

    Attributes
    ----------
    z, height : float [mm]
        Of the nozzle above the bed, and of the layer.
    strokes : tuple of Stroke
        On the bed.
    """

    z: float
    height: float
    strokes: tuple[Stroke, ...]
