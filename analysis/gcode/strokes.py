"""Every stroke of a file in a few figures: what was printed without a travel between, where, how high, how much."""

from __future__ import annotations

import numpy as np

MOST_STROKES = 3_000_000
"""So many are taken down; what a file holds beyond is no plate of coupons."""

FIELDS = ("x low", "y low", "x high", "y high", "z low", "z", "length", "filament", "feed")
LOW_Z, TOP_Z, LENGTH, FILAMENT, FEED = range(4, 9)


class Strokes:
    """Bounds, heights, lengths and filament of all strokes, in the order of printing.

    The table has a row a stroke: lowest and highest x and y, the height it begins at and its highest, its length, its
    filament [mm each], and its slowest rate [mm/s]. Single precision keeps a large file small.

    Attributes
    ----------
    falling_length : float [mm]
        What is printed downward within strokes that change their height all the time; nothing on an endless wall.
    """

    def __init__(self) -> None:
        self._parts: list[np.ndarray] = []
        self._count = 0
        self.falling_length = 0.0

    def add(
        self,
        start: np.ndarray,
        end: np.ndarray,
        filament: np.ndarray,
        feed: np.ndarray,
        first: np.ndarray,
    ) -> None:
        """Take down strokes.

        Parameters
        ----------
        start, end : ndarray (n, 3) [mm]
            Of the printing moves.
        filament, feed : ndarray (n,) [mm, mm/s]
        first : ndarray of int
            Where each stroke begins.
        """
        if self._count > MOST_STROKES:
            return
        part = np.empty((len(first), len(FIELDS)), dtype=np.float32)
        part[:, :2] = np.minimum.reduceat(np.minimum(start, end)[:, :2], first)
        part[:, 2:4] = np.maximum.reduceat(np.maximum(start, end)[:, :2], first)
        part[:, 4] = start[first, 2]
        part[:, 5] = np.maximum.reduceat(end[:, 2], first)
        part[:, 6] = np.add.reduceat(np.hypot(*(end - start)[:, :2].T), first)
        part[:, 7] = np.add.reduceat(filament, first)
        part[:, 8] = np.fmin.reduceat(feed, first)
        self._parts.append(part)
        self._count += len(part)

    def table(self) -> np.ndarray:
        """All strokes, ndarray (n, 9) of float32."""
        if len(self._parts) != 1:
            self._parts = [np.concatenate(self._parts) if self._parts else np.empty((0, 9), np.float32)]
        return self._parts[0]

    def within(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Strokes that lie wholly between two corners of a box (x, y) [mm], ndarray (k, 9)."""
        table = self.table()
        inside = np.all(table[:, :2] >= low, axis=1) & np.all(table[:, 2:4] <= high, axis=1)
        return table[inside]

    def over(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Strokes whose bounds meet a box, ndarray (k, 9)."""
        table = self.table()
        return table[np.all(table[:, :2] < high, axis=1) & np.all(table[:, 2:4] > low, axis=1)]
