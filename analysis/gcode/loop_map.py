"""The closed loops at one height, searchable by place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitassay.analysis.gcode.layers import LayerRow
from fitassay.analysis.gcode.loops import PathLoop

VIEWS_KEPT = 8
"""Search trees over parts of a map that are kept; a plate's coupons are looked at one after another."""


@dataclass(frozen=True, kw_only=True)
class LayerLoops:
    """What is kept of a layer: figures, closed loops in the order of printing, the speed of its filling [mm/s]."""

    row: LayerRow
    loops: tuple[PathLoop, ...]
    fill_feed: float = float("nan")


class LoopMap:
    """The closed loops at one height, searchable by place.

    Pieces printed one after another each have a layer of their own at the same height.

    Attributes
    ----------
    rows : tuple of LayerRow
    loops : tuple of PathLoop
    row_of : ndarray (loops,) of int
        Which row each loop belongs to.
    low, high : ndarray (loops, 2) [mm]
        Bounds.
    """

    def __init__(self, layers: Sequence[LayerLoops]) -> None:
        self.rows = tuple(layer.row for layer in layers)
        self.loops: tuple[PathLoop, ...] = tuple(p for layer in layers for p in layer.loops)
        self.row_of = np.repeat(np.arange(len(layers)), [len(layer.loops) for layer in layers])
        self.low = np.array([p.low for p in self.loops]).reshape(-1, 2)
        self.high = np.array([p.high for p in self.loops]).reshape(-1, 2)
        self._views: dict[bytes, _View] = {}

    def _view(self, low: np.ndarray, high: np.ndarray) -> _View:
        """The loops whose bounds meet a box."""
        near = np.flatnonzero(np.all(self.low <= high, axis=1) & np.all(self.high >= low, axis=1))
        key = near.tobytes()
        if key not in self._views:
            if len(self._views) >= VIEWS_KEPT:
                del self._views[next(iter(self._views))]
            self._views[key] = _View(self.loops, near)
        return self._views[key]

    def nearest(self, points: np.ndarray, outward: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
        """The nearest path to each point, seen along its outward direction.

        Returns
        -------
        residual : ndarray (n,) [mm]
            Signed distance along `outward`; NaN where no path runs square to it within `reach`.
        loop : ndarray (n,) of int
            Which loop; -1 where none.
        """
        if not len(points) or not len(self.loops):
            return np.full(len(points), np.nan), np.full(len(points), -1)
        view = self._view(points.min(axis=0) - reach, points.max(axis=0) + reach)
        return view.nearest(points, outward, reach)


class _View:
    """Some loops' straight pieces in a search tree."""

    def __init__(self, loops: tuple[PathLoop, ...], index: np.ndarray) -> None:
        import shapely

        chosen = [loops[i].points for i in index.tolist()]
        ends = [np.stack([p, np.roll(p, -1, axis=0)], axis=1) for p in chosen]
        self.pieces = np.concatenate(ends) if ends else np.empty((0, 2, 2))
        self.owner = np.repeat(index, [len(e) for e in ends]).astype(int)
        lines: Any = shapely.linestrings(self.pieces) if len(ends) else ()
        self._tree = shapely.STRtree(lines) if len(ends) else None

    def nearest(self, points: np.ndarray, outward: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
        import shapely

        residual = np.full(len(points), np.nan)
        loop = np.full(len(points), -1)
        if self._tree is None:
            return residual, loop
        found, piece = self._tree.query_nearest(shapely.points(points), max_distance=reach, all_matches=False)
        a, b = self.pieces[piece, 0], self.pieces[piece, 1]
        along = b - a
        share = np.sum((points[found] - a) * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-18)
        gap = a + np.clip(share, 0, 1)[:, None] * along - points[found]
        out = outward[found]
        s = np.sum(gap * out, axis=1)
        aside = np.abs(gap[:, 0] * out[:, 1] - gap[:, 1] * out[:, 0])
        square = aside < 0.02 + 0.05 * np.abs(s)
        residual[found[square]] = s[square]
        loop[found[square]] = self.owner[piece[square]]
        return residual, loop
