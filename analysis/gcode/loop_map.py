"""The closed loops at one height, searchable by place."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.analysis.gcode.layers import Layer
from fitassay.analysis.gcode.loops import PathLoop, loops_of


class LoopMap:
    """The closed loops at one height, searchable by place.

    Pieces printed one after another each have a layer of their own at the same height.

    Attributes
    ----------
    layers : tuple of Layer
    loops : tuple of PathLoop
    layer_of : ndarray (loops,) of int
        Which layer each loop belongs to.
    owner : ndarray (pieces,) of int
        Which loop each straight piece belongs to.
    """

    def __init__(self, layers: list[Layer]) -> None:
        import shapely

        self.layers = tuple(layers)
        by_layer = [loops_of(layer) for layer in layers]
        self.loops: tuple[PathLoop, ...] = tuple(p for loops in by_layer for p in loops)
        self.layer_of = np.repeat(np.arange(len(layers)), [len(loops) for loops in by_layer])
        ends = [np.stack([p.points, np.roll(p.points, -1, axis=0)], axis=1) for p in self.loops]
        self.pieces = np.concatenate(ends) if ends else np.empty((0, 2, 2))
        self.owner = np.repeat(np.arange(len(ends)), [len(e) for e in ends])
        self.low = np.array([p.low for p in self.loops]).reshape(-1, 2)
        self.high = np.array([p.high for p in self.loops]).reshape(-1, 2)
        lines: Any = shapely.linestrings(self.pieces) if len(ends) else ()
        self._tree = shapely.STRtree(lines) if len(lines) else None

    def nearest(self, points: np.ndarray, outward: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
        """The nearest path to each point, seen along its outward direction.

        Returns
        -------
        residual : ndarray (n,) [mm]
            Signed distance along `outward`; NaN where no path runs square to it within `reach`.
        loop : ndarray (n,) of int
            Which loop; -1 where none.
        """
        import shapely

        residual = np.full(len(points), np.nan)
        loop = np.full(len(points), -1)
        if self._tree is None or not len(points):
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
