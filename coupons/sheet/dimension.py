"""Where a dimension line and its figure stand on a drawing, so that they cover nothing.

Practice of ISO 129-1 (from memory): dimension lines parallel to the size, extension lines at right angles with
a small gap to the outline and a little beyond the dimension line, closed filled arrows, the figure above the
line and readable from below or from the right.

Everything here is in millimetres of paper, x to the right, y up, the view's origin at (0, 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitassay.coupons.sheet.ground import Ground
from fitassay.coupons.sheet.measures import (
    ARROW,
    ARROWS_INSIDE,
    BALLOON,
    BEYOND,
    FIRST_ROW,
    GAP,
    ROW,
    TEXT_GAP,
)
from fitassay.coupons.sheet.view import Place

MOST_ROWS = 14
# How far from the touched faces a row between the outlines is looked for, and how finely.
NEAR, STEP = 8.0, 1.0
# So many of the cheapest choices are looked at together: first for what lies near them, then for what they cross.
NEAR_AT_ONCE, AT_ONCE = 64, 16
# What departs less from a straight line is taken for one.
FLAT = 0.05
# A face that reaches less far than this is a corner.
CORNER = 1.5
# From this cost on a larger scale is worth a try.
POOR = 25.0


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
        """From corner to corner, aslant: no faces that a row aside could start from."""
        return self.turned and all(top - bottom < CORNER for bottom, top in self.reach)

    @property
    def turned(self) -> bool:
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
    # About a row at 45 degrees the box of the drawing stands far off.
    outline = ground.corners if spot.turned and not spot.slanted else _corners(ground.box)
    choices = _choices(spot, BALLOON + 0.8 + text_width, outline)
    best, cost = _cheapest(choices, ground)
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


def _cheapest(choices: _Choices, ground: Ground) -> tuple[int, float]:
    """The choice that costs least, and its cost."""
    best, cost = -1, math.inf
    row_cost = np.full(len(choices.ends), np.nan)
    # What is dear to compute only adds: once what is known of a choice passes the best, nothing behind it wins.
    for some in _in_order(choices.price, NEAR_AT_ONCE):
        some = some[choices.price[some] < cost]
        if not len(some):
            break
        near = choices.price[some] + ground.collisions(choices.line[some], choices.label[some])
        for k in _in_order(near, AT_ONCE):
            k = k[near[k] < cost]
            if not len(k):
                break
            rows = np.unique(choices.row[some[k]])
            new = rows[np.isnan(row_cost[rows])]
            row_cost[new] = ground.row_cost(choices.extensions[:, new])
            full = near[k] + row_cost[choices.row[some[k]]] + ground.crossings(choices.line[some[k]])
            if full.min() < cost:
                best, cost = int(some[k[np.argmin(full)]]), float(full.min())
    return best, cost


def _in_order(prices: np.ndarray, at_once: int) -> list[np.ndarray]:
    """Which of `prices` come first, by so many at a time."""
    return np.split(np.argsort(prices, kind="stable"), range(at_once, len(prices), at_once))


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


def _corners(box: np.ndarray) -> np.ndarray:
    return np.array([[box[i], box[j]] for i in (0, 2) for j in (1, 3)])


def _choices(spot: _Spot, width: float, outline: np.ndarray) -> _Choices:
    rows = _rows(spot, outline)
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


def _rows(spot: _Spot, outline: np.ndarray) -> list[tuple[float, float]]:
    """Levels at which the dimension line may run about the points of `outline` (n, 2), and their prices."""
    corners = outline @ spot.across
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
