"""What stands on a drawing's paper already, and what meeting it costs a new dimension line.

Everything here is in millimetres of paper, x to the right, y up, the view's origin at (0, 0).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely

from fitassay.coupons.sheet.measures import ARROW, ROW
from fitassay.coupons.sheet.view import View

# An outline that runs this near to a dimension line is taken for it.
BESIDE = 1.2
FACET = 0.02
# From this cost on two marks lie on each other.
UNREADABLE = 1000.0


class Shapes:
    """Shapes on the paper that a new one must not meet."""

    def __init__(self, shapes: Iterable[shapely.Geometry] = ()) -> None:
        self._all = list(shapes)
        self._tree: shapely.STRtree | None = None

    def add(self, shape: shapely.Geometry) -> None:
        """Put another one on the paper."""
        self._all.append(shape)
        self._tree = None

    def near(self, others: Any, distance: float) -> np.ndarray:
        """For each of `others`, how many shapes come within `distance`."""
        if not self._all:
            return np.zeros(len(others))
        if self._tree is None:
            self._tree = shapely.STRtree(self._all)
        pairs = self._tree.query(others, predicate="dwithin", distance=distance)
        return np.bincount(pairs[0], minlength=len(others)).astype(float)

    def meets(self, other: shapely.Geometry) -> bool:
        """Whether any is touched by `other`."""
        return bool(self.near(np.array([other]), 0.0)[0])


class Ground:
    """What already stands on the paper.

    Parameters
    ----------
    view : View
    scale : float
        Paper mm for each mm.
    solids : iterable of shapely geometry
        What nothing may cover: the jaws.
    """

    def __init__(self, view: View, scale: float, solids: Iterable[shapely.Geometry]) -> None:
        closed = [np.vstack([ring, ring[:1]]) * scale for ring in view.outlines]
        thin = [np.vstack([ring, ring[:1]]) * scale for region in view.regions for ring in region]
        # On paper nobody sees a round outline's facets, and few of them are met much faster than all.
        self.edges = shapely.simplify(shapely.MultiLineString(closed), FACET)
        self.any_edge = shapely.simplify(shapely.MultiLineString(closed + thin), FACET)
        self.segments = _segments(self.edges)
        shapely.prepare(self.edges)
        shapely.prepare(self.any_edge)
        self.box = np.array(view.box) * scale
        self.corners = np.concatenate([np.empty((0, 2)), *closed])
        self.solids = Shapes(solids)
        self.lines = Shapes()
        self.labels = Shapes()
        self.rows = Shapes()

    def add_dimension(self, line: np.ndarray, label: np.ndarray, extensions: Iterable[np.ndarray]) -> None:
        """Keep a dimension's place: its line, its figure's corners and its extension lines."""
        self.labels.add(shapely.Polygon(label))
        self.rows.add(shapely.LineString(line))
        for part in (line, *extensions):
            self.lines.add(shapely.LineString(part))

    def collisions(self, line: np.ndarray, label: np.ndarray) -> np.ndarray:
        """What lines (n, 2, 2) and figures (n, 4, 2) cost by meeting what stands already."""
        labels = shapely.polygons(label)
        padded = shapely.polygons(_grown(label, 0.4))
        lines = shapely.linestrings(line)
        # In line with its own jaws the dimension line touches them where its arrows end.
        bodies = shapely.linestrings(_shortened(line, 1.2))
        unreadable = (
            self.solids.near(labels, 0.4)
            + self.lines.near(labels, 0.4)
            + self.labels.near(labels, 1.0)
            + self.solids.near(bodies, 0.7)
            + self.labels.near(bodies, 0.4)
        )
        cost = 30.0 * shapely.intersects(self.any_edge, padded) + 30.0 * shapely.intersects(
            self.edges, padded
        )
        cost += 5.0 * self.lines.near(lines, 0.0) + 4.0 * self.rows.near(lines, ROW - 2.0)
        return cost + UNREADABLE * unreadable

    def row_cost(self, extensions: np.ndarray) -> np.ndarray:
        """What rows (2, n, 2, 2) cost by their extension lines' meeting what stands already, ndarray (n,)."""
        cost = np.zeros(extensions.shape[1])
        for side in extensions:
            there = np.isfinite(side).all(axis=(1, 2))
            lines = shapely.linestrings(side[there])
            met = 8.0 * self.solids.near(lines, 0.0) + 5.0 * self.rows.near(lines, 0.0)
            cost[there] += met + UNREADABLE * self.labels.near(lines, 0.3) + self._passages(side[there])
        return cost

    def crossings(self, lines: np.ndarray) -> np.ndarray:
        """What dimension lines (n, 2, 2) cost by crossing outlines, or by being taken for one that runs beside."""
        ends = _shortened(lines, 0.3)
        length = np.maximum(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), 1e-9)
        return self._passages(ends) + 25.0 * (self._beside(ends) > 3.0 * ARROW + 0.25 * length)

    def _beside(self, lines: np.ndarray) -> np.ndarray:
        """How much outline [mm] runs within `BESIDE` of each line (n, 2, 2), ndarray (n,).

        Each segment of the outlines is cut to the strip about the line, in the line's own coordinates: where it
        enters and leaves, as fractions of its length (as Liang and Barsky, 1984, clip to a window; from memory).
        """
        step = lines[:, 1] - lines[:, 0]
        length = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
        along = step / length[:, None]
        across = along[:, ::-1] * [-1.0, 1.0]
        start = self.segments[None, :, 0] - lines[:, None, 0]
        run = self.segments[:, 1] - self.segments[:, 0]
        enter, leave = np.zeros(start.shape[:2]), np.ones(start.shape[:2])
        # In units of the strip: from 0 to 1 along the line, from -1 to 1 across it.
        for axis, low in ((along / length[:, None], 0.0), (across / BESIDE, -1.0)):
            place, way = np.einsum("nmk,nk->nm", start, axis), axis @ run.T
            # A segment along the strip's edge never meets it, or always does: a tiny slope says the same.
            way = np.where(np.abs(way) < 1e-12, 1e-12, way)
            first, second = (low - place) / way, (1.0 - place) / way
            enter = np.maximum(enter, np.minimum(first, second))
            leave = np.minimum(leave, np.maximum(first, second))
        return np.maximum(leave - enter, 0.0) @ np.linalg.norm(run, axis=1)

    def _passages(self, lines: np.ndarray) -> np.ndarray:
        """The price of lines (n, 2, 2) for each time that they pass through an outline, and for meeting any edge."""
        bodies: Any = shapely.linestrings(lines)
        times = np.zeros(len(bodies))
        met = shapely.intersects(self.edges, bodies)
        times[met] = shapely.get_num_geometries(shapely.intersection(bodies[met], self.edges))
        return 1.5 * times + 1.5 * shapely.intersects(self.any_edge, bodies)


def _segments(lines: shapely.Geometry) -> np.ndarray:
    """The lines' straight pieces (n, 2, 2), each once."""
    corners, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    places = corners @ [1.0, 1.0j]  # complex numbers sort by x, then y
    pieces = np.stack([places[:-1], places[1:]], axis=1)[line[:-1] == line[1:]]
    pieces = np.unique(np.sort(pieces, axis=1), axis=0)
    return np.stack([pieces.real, pieces.imag], axis=-1)


def _grown(labels: np.ndarray, by: float) -> np.ndarray:
    """Rectangles (n, 4, 2) moved outwards by `by` on all sides."""
    along = labels[:, 1] - labels[:, 0]
    up = labels[:, 3] - labels[:, 0]
    along = by * along / np.linalg.norm(along, axis=1, keepdims=True)
    up = by * up / np.linalg.norm(up, axis=1, keepdims=True)
    return labels + np.stack([-along - up, along - up, along + up, up - along], axis=1)


def _shortened(lines: np.ndarray, cut: float) -> np.ndarray:
    step = lines[:, 1] - lines[:, 0]
    length = np.maximum(np.linalg.norm(step, axis=1), 1e-9)[:, None]
    off = step / length * np.minimum(cut, length / 4)
    return np.stack([lines[:, 0] + off, lines[:, 1] - off], axis=1)
