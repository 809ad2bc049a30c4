"""Where a dimension line and its figure stand on a drawing, so that they cover nothing.

Practice of ISO 129-1 (from memory): dimension lines parallel to the size, extension lines at right angles with
a small gap to the outline and a little beyond the dimension line, closed filled arrows, the figure above the
line and readable from below or from the right.

Everything here is in millimetres of paper, x to the right, y up, the view's origin at (0, 0).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from fitassay.coupons.sheet.view import Place, View

# Paper sizes [mm].
ARROW = 2.5
ARROWS_INSIDE = 2 * ARROW + 1.0
GAP = 0.8
BEYOND = 1.5
FIRST_ROW = 9.0
ROW = 6.0
TEXT_GAP = 0.7
BALLOON = 4.2

MOST_ROWS = 14
# How far from the touched faces a row between the outlines is looked for, and how finely.
NEAR = 8.0
STEP = 1.0
# An outline that runs this near to a dimension line is taken for it.
BESIDE = 1.2
FACET = 0.02
# So many of the cheapest choices are looked at together.
AT_ONCE = 16
# What departs less from a straight line is taken for one.
FLAT = 0.05
# From this cost on a larger scale is worth a try; from the other on two marks lie on each other.
POOR = 25.0
UNREADABLE = 1000.0


@dataclass(frozen=True, kw_only=True)
class Dimension:
    """A dimension line with its figure.

    Attributes
    ----------
    number, text
        What the balloon and the figure say.
    angle : float [rad]
        Direction in which the figure is read, in (-pi/2, pi/2].
    ends : ndarray (2, 2)
        Where the arrows point.
    line : ndarray (2, 2)
        The whole line, longer than `ends` where arrows or figure stand outside.
    extensions : tuple of ndarray (2, 2)
    arrows_outside : bool
    label : ndarray (4, 2)
        Corners of the figure's space: lower left, lower right, upper right, upper left as it is read.
    """

    number: int
    text: str
    angle: float
    ends: np.ndarray
    line: np.ndarray
    extensions: tuple[np.ndarray, ...]
    arrows_outside: bool
    label: np.ndarray


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
        """For each of `others`, how many shapes come within `distance`; missing ones (None) meet nothing."""
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
        shapely.prepare(self.edges)
        shapely.prepare(self.any_edge)
        self.box = np.array(view.box) * scale
        self.solids = Shapes(solids)
        self.lines = Shapes()
        self.labels = Shapes()
        self.rows = Shapes()

    def add_dimension(self, dimension: Dimension) -> None:
        """Keep a dimension's place."""
        self.labels.add(shapely.Polygon(dimension.label))
        self.rows.add(shapely.LineString(dimension.line))
        for line in (dimension.line, *dimension.extensions):
            self.lines.add(shapely.LineString(line))


@dataclass(frozen=True, kw_only=True)
class _Spot:
    """Where a place's contacts lie along and across its measured direction, and how far its faces reach."""

    angle: float
    along: np.ndarray
    across: np.ndarray
    ends: tuple[float, float]
    here: float
    reach: tuple[tuple[float, float], tuple[float, float]]

    @property
    def span(self) -> float:
        return self.ends[1] - self.ends[0]

    @property
    def slanted(self) -> bool:
        return abs(math.sin(2 * self.angle)) > 1e-6


@dataclass(frozen=True, kw_only=True)
class _Choices:
    """All rows and figure positions worth a look, as arrays over the choices.

    Attributes
    ----------
    price : ndarray (n,)
        What a choice costs by itself.
    row : ndarray (n,) of int
        Which row the choice stands on.
    line : ndarray (n, 2, 2)
    label : ndarray (n, 4, 2)
    ends : ndarray (rows, 2, 2)
    extensions : ndarray (2, rows, 2, 2)
        One at each contact, not a number where none is needed.
    """

    price: np.ndarray
    row: np.ndarray
    line: np.ndarray
    label: np.ndarray
    ends: np.ndarray
    extensions: np.ndarray


def best_dimension(place: Place, scale: float, text_width: float, ground: Ground) -> tuple[Dimension, float]:
    """The cheapest way to draw one dimension, and its cost: beyond `POOR` it crosses much, see `UNREADABLE`.

    Parameters
    ----------
    place : Place
    scale : float
        Paper mm for each mm.
    text_width : float [mm of paper]
        Width of the figure.
    ground : Ground
    """
    spot = _spot(place, scale)
    choices = _choices(spot, BALLOON + 0.8 + text_width, ground.box)
    cheap = choices.price + _collisions(choices, ground)
    best, cost = -1, math.inf
    aside = np.full(len(choices.ends), np.nan)
    # What is dear to compute only adds: once the cheap part alone passes the best, nothing better follows.
    order = np.argsort(cheap, kind="stable")
    for some in np.split(order, range(AT_ONCE, len(order), AT_ONCE)):
        some = some[cheap[some] < cost]
        if not len(some):
            break
        rows = np.unique(choices.row[some])
        new = rows[np.isnan(aside[rows])]
        aside[new] = _aside_crossings(choices.extensions[:, new], ground)
        full = cheap[some] + aside[choices.row[some]] + _crossings(choices.line[some], ground)
        k = int(np.argmin(full))
        if full[k] < cost:
            best, cost = int(some[k]), float(full[k])
    row = choices.row[best]
    extensions = tuple(part[row] for part in choices.extensions if np.isfinite(part[row]).all())
    dimension = Dimension(
        number=place.number,
        text=place.text,
        angle=spot.angle,
        ends=choices.ends[row],
        line=choices.line[best],
        extensions=extensions,
        arrows_outside=spot.span < ARROWS_INSIDE,
        label=choices.label[best],
    )
    return dimension, cost


def _spot(place: Place, scale: float) -> _Spot:
    angle = math.remainder(place.angle, math.pi)
    if angle <= -math.pi / 2 + 1e-9:
        angle += math.pi
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    sides = []
    for contact, face in ((place.a, place.face_a), (place.b, place.face_b)):
        line = np.vstack([face.line, contact]) * scale
        # Only the flat part: at rounded ends, and on a bore, the outline leaves the extension line.
        flat = np.abs((line - contact * scale) @ along) < FLAT
        reach = line[flat] @ across
        sides.append((float(contact @ along) * scale, (float(reach.min()), float(reach.max()))))
    sides.sort()
    return _Spot(
        angle=angle,
        along=along,
        across=across,
        ends=(sides[0][0], sides[1][0]),
        here=float((place.a + place.b) @ across) * scale / 2,
        reach=(sides[0][1], sides[1][1]),
    )


def _choices(spot: _Spot, width: float, box: np.ndarray) -> _Choices:
    rows = _rows(spot, box)
    starts = _figure_starts(spot, width)
    levels, row_prices = np.array(rows).T
    figures, figure_prices = np.array(starts).T
    row = np.tile(np.arange(len(rows)), len(starts))
    level, start = levels[row], np.repeat(figures, len(rows))
    low, high = spot.ends
    tail = ARROW + 2.0 if spot.span < ARROWS_INSIDE else 0.0
    first = np.where(start < 0, np.minimum(start - 0.5, -tail), -tail)
    last = np.where(
        start + width > spot.span, np.maximum(start + width + 0.5, spot.span + tail), spot.span + tail
    )

    def at(u: np.ndarray | float, v: np.ndarray) -> np.ndarray:
        return np.multiply.outer(u + 0.0 * v, spot.along) + np.multiply.outer(v, spot.across)

    foot, head = level + TEXT_GAP, level + TEXT_GAP + BALLOON
    corners = (start, start + width, start + width, start), (foot, foot, head, head)
    extensions = []
    for u, (bottom, top) in zip(spot.ends, spot.reach, strict=True):
        above, below = levels > top + 2 * GAP, levels < bottom - 2 * GAP
        near = np.where(above, top + GAP, np.where(below, bottom - GAP, np.nan))
        far = np.where(above, levels + BEYOND, levels - BEYOND)
        extensions.append(np.stack([at(u, near), at(u, np.where(np.isnan(near), np.nan, far))], axis=1))
        row_prices = row_prices + 0.25 * np.maximum(np.maximum(levels - top, bottom - levels), 0.0)
    return _Choices(
        price=row_prices[row] + np.repeat(figure_prices, len(rows)),
        row=row,
        line=np.stack([at(low + first, level), at(low + last, level)], axis=1),
        label=np.stack([at(low + u, v) for u, v in zip(*corners, strict=True)], axis=1),
        ends=np.stack([at(low, levels), at(high, levels)], axis=1),
        extensions=np.stack(extensions),
    )


def _rows(spot: _Spot, box: np.ndarray) -> list[tuple[float, float]]:
    """Levels at which the dimension line may run, and their prices."""
    corners = np.array([[box[i], box[j]] for i in (0, 2) for j in (1, 3)]) @ spot.across
    low, high = float(corners.min()), float(corners.max())
    # A diagonal's extension lines would run far: it is drawn from corner to corner.
    aside = 30.0 if spot.slanted else 0.0
    rows = [(spot.here, 3.0)]
    reach = [end for ends in spot.reach for end in ends]
    inside = np.arange(max(low, min(reach) - NEAR) + 1.0, min(high, max(reach) + NEAR) - 0.5, STEP)
    rows += [(float(level), 7.0 + aside) for level in inside]
    for k in range(MOST_ROWS):
        out = FIRST_ROW + k * ROW
        rows += [(low - out, 0.5 * k + aside), (high + out, 0.5 * k + aside)]
    return rows


def _figure_starts(spot: _Spot, width: float) -> list[tuple[float, float]]:
    """Where the figure may begin along the dimension line, from its low end, and what that costs."""
    starts, span = [], spot.span
    if spot.slanted:
        # Two diagonals cross in the middle: no figure there.
        for start in np.arange(1.5 * ARROW, span / 2 - width - 2.0, 3.0).tolist():
            starts += [(start, 0.6), (span - start - width, 0.7)]
    elif width <= span - 1.0:
        starts.append(((span - width) / 2, 0.0))
    if span > 2 * width + 4 * ARROW and not spot.slanted:
        first = max(span * 0.25 - width / 2, 1.5 * ARROW)
        starts += [(first, 0.6), (span - first - width, 0.7)]
    beside = ARROW + 0.5 if span < ARROWS_INSIDE else 1.5
    return [*starts, (span + beside, 2.0), (-beside - width, 2.2)]


def _collisions(choices: _Choices, ground: Ground) -> np.ndarray:
    """What each choice costs by meeting what stands already."""
    labels = shapely.polygons(choices.label)
    padded = shapely.polygons(_grown(choices.label, 0.4))
    lines = shapely.linestrings(choices.line)
    # In line with its own jaws the dimension line touches them where its arrows end.
    bodies = shapely.linestrings(_shortened(choices.line, 1.2))
    unreadable = (
        ground.solids.near(labels, 0.4)
        + ground.lines.near(labels, 0.4)
        + ground.labels.near(labels, 1.0)
        + ground.solids.near(bodies, 0.7)
        + ground.labels.near(bodies, 0.4)
    )
    cost = 30.0 * shapely.intersects(ground.any_edge, padded) + 30.0 * shapely.intersects(
        ground.edges, padded
    )
    cost += 5.0 * ground.lines.near(lines, 0.0) + 4.0 * ground.rows.near(lines, ROW - 2.0)
    for side in choices.extensions:
        there = np.isfinite(side).all(axis=(1, 2))
        parts = np.full(len(side), None, dtype=object)
        parts[there] = shapely.linestrings(side[there])
        unreadable += ground.labels.near(parts, 0.3)[choices.row]
        met = 8.0 * ground.solids.near(parts, 0.0) + 5.0 * ground.rows.near(parts, 0.0)
        cost += met[choices.row]
    return cost + UNREADABLE * unreadable


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


def _crossings(lines: np.ndarray, ground: Ground) -> np.ndarray:
    """What dimension lines (n, 2, 2) cost by crossing outlines, or by running along one and being taken for it."""
    ends = _shortened(lines, 0.3)
    step = ends[:, 1] - ends[:, 0]
    length = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    across = step[:, ::-1] * [-1.0, 1.0] * (BESIDE / length)[:, None]
    start, end = ends[:, 0], ends[:, 1]
    strips = shapely.polygons(np.stack([start - across, end - across, end + across, start + across], axis=1))
    beside = shapely.length(shapely.intersection(ground.edges, strips))
    return _passages(ends, ground) + 25.0 * (beside > 3.0 * ARROW + 0.25 * length)


def _aside_crossings(extensions: np.ndarray, ground: Ground) -> np.ndarray:
    """What rows (2, n, 2, 2) cost by their extension lines' crossing outlines, ndarray (n,)."""
    cost = np.zeros(extensions.shape[1])
    for side in extensions:
        there = np.isfinite(side).all(axis=(1, 2))
        cost[there] += _passages(side[there], ground)
    return cost


def _passages(lines: np.ndarray, ground: Ground) -> np.ndarray:
    """The price of lines (n, 2, 2) for each time that they pass through an outline, and for meeting any edge."""
    bodies = shapely.linestrings(lines)
    met = shapely.intersection(bodies, ground.edges)
    times = np.where(shapely.is_empty(met), 0, shapely.get_num_geometries(met))
    return 1.5 * times + 1.5 * shapely.intersects(ground.any_edge, bodies)
