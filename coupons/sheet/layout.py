"""A drawing laid out at a scale: dimension lines, jaws, seam marks and axes, none covering another.

Everything here is in millimetres of paper, x to the right, y up, the view's origin at (0, 0).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import shapely

from fitassay.coupons.sheet.dimension import POOR, Dimension, best_dimension
from fitassay.coupons.sheet.ground import UNREADABLE, Ground
from fitassay.coupons.sheet.measures import (
    AXIS,
    JAW_ACROSS,
    JAW_DEEP,
    NIB_ACROSS,
    NIB_CUT,
    NIB_DEEP,
    NIB_TIP,
    SEAM_RADIUS,
    WALL_LEAST,
)
from fitassay.coupons.sheet.view import Place, View


@dataclass(frozen=True, kw_only=True)
class Jaw:
    """A jaw's mark: outline (n, 2), its contact, its centre for the number."""

    number: int
    outline: np.ndarray
    contact: np.ndarray
    centre: np.ndarray


@dataclass(frozen=True, kw_only=True)
class SeamMark:
    """A letter or number in a circle, and the line from it to the place: S to the seam's notch."""

    centre: np.ndarray
    tip: np.ndarray
    text: str = "S"


@dataclass(kw_only=True)
class Layout:
    """A view laid out at one scale.

    Attributes
    ----------
    view : View
    scale : float
        Paper mm for each mm.
    conflicts : int
        Marks that could not be kept apart.
    poor : int
        Dimensions that had to cross much.
    axis_corner : ndarray (2,) or None
        Where the axes' arrows start.
    """

    view: View
    scale: float
    dimensions: list[Dimension] = field(default_factory=list)
    jaws: list[Jaw] = field(default_factory=list)
    seams: list[SeamMark] = field(default_factory=list)
    conflicts: int = 0
    poor: int = 0
    axis_corner: np.ndarray | None = None

    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of all that is drawn."""
        parts = [np.array(self.view.box).reshape(2, 2) * self.scale]
        for dimension in self.dimensions:
            parts += [dimension.line, dimension.label, *dimension.extensions]
        parts += [jaw.outline for jaw in self.jaws]
        parts += [np.stack([mark.centre - SEAM_RADIUS, mark.centre + SEAM_RADIUS]) for mark in self.seams]
        if self.axis_corner is not None:
            parts.append(np.stack([self.axis_corner - 1.5, self.axis_corner + AXIS]))
        points = np.concatenate(parts)
        low, high = points.min(axis=0) - 0.5, points.max(axis=0) + 0.5
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def lay_out(view: View, scale: float, text_width: Callable[[str], float]) -> Layout:
    """Place everything that belongs to a view at a scale.

    Parameters
    ----------
    view : View
    scale : float
        Paper mm for each mm.
    text_width : callable
        Width on paper [mm] of a figure.
    """
    layout = Layout(view=view, scale=scale)
    layout.jaws, layout.conflicts = jaw_marks(view, scale)
    ground = Ground(view, scale, [_body(jaw) for jaw in layout.jaws])
    pointers = [(tip, mouth, "S") for tip, mouth in view.notches]
    pointers += [(tip, way, str(number)) for tip, way, number in view.pointers]
    for tip, mouth, text in pointers:
        mark = _seam_mark(tip * scale, mouth, ground, text)
        if mark is None:
            layout.conflicts += 1
            continue
        layout.seams.append(mark)
        ground.solids.add(shapely.Point(mark.centre).buffer(SEAM_RADIUS + 0.3))
        ground.lines.add(shapely.LineString(np.stack([mark.tip, mark.centre])))
    # Diagonals have the least choice. Then short sizes: they end up next to the outline, longer ones pass around.
    for place in sorted(view.places, key=lambda p: (abs(math.sin(2 * p.angle)) < 1e-6, _span(p), p.number)):
        dimension, cost = best_dimension(place, scale, text_width(place.text), ground)
        layout.conflicts += cost >= UNREADABLE
        layout.poor += cost > POOR
        layout.dimensions.append(dimension)
        ground.add_dimension(dimension.line, dimension.label, dimension.extensions)
    layout.dimensions.sort(key=lambda d: d.number)
    layout.axis_corner = _axis_corner(layout, ground)
    return layout


def _span(place: Place) -> float:
    return round(float(np.linalg.norm(place.b - place.a)), 6)


def _body(jaw: Jaw) -> shapely.Geometry:
    """The jaw without its rim, which may touch its neighbours."""
    return shapely.Polygon(jaw.outline).buffer(-0.05)


def jaw_marks(view: View, scale: float) -> tuple[list[Jaw], int]:
    """The jaws of all places of a view, and how many stand in each other's way or hide a measured face."""
    jaws: list[Jaw] = []
    for place in view.places:
        along = np.array([math.cos(place.angle), math.sin(place.angle)])
        for contact, sign in ((place.a, -1.0), (place.b, 1.0)):
            out = along * (-sign if place.into_opening else sign)
            jaws.append(make_jaw(place.number, contact * scale, out, place.into_opening))
    bodies = np.array([_body(jaw) for jaw in jaws], dtype=object)
    apart = shapely.STRtree(bodies)
    pairs = apart.query(bodies, predicate="intersects")
    conflicts = int(np.count_nonzero(pairs[0] < pairs[1]))
    conflicts += int(np.count_nonzero(shapely.distance(bodies[::2], bodies[1::2]) < WALL_LEAST))
    # An upper step's jaws stand above the lower steps' outlines: only measured faces must stay visible.
    for place in view.places:
        for face in (place.face_a, place.face_b):
            if np.ptp(face.line, axis=0).max() == 0.0:
                continue
            for k in apart.query(shapely.LineString(face.line * scale), predicate="intersects").tolist():
                apart_from = np.linalg.norm(face.line * scale - jaws[k].contact, axis=1).min()
                conflicts += jaws[k].number != place.number and apart_from > 1.0
    return jaws, int(conflicts)


def make_jaw(number: int, contact: np.ndarray, out: np.ndarray, into_opening: bool) -> Jaw:
    """A jaw's mark: a block with a flat to the face, or in an opening a smaller one with an edge to it.

    Parameters
    ----------
    number : int
        The feature's.
    contact : ndarray (2,)
    out : ndarray (2,)
        Unit vector from the contact into the jaw.
    into_opening : bool
    """
    across = np.array([-out[1], out[0]])
    if not into_opening:
        half, back = across * JAW_ACROSS / 2, contact + out * JAW_DEEP
        points = [contact + half, back + half, back - half, contact - half]
        return Jaw(number=number, outline=np.array(points), contact=contact, centre=(contact + back) / 2)
    half, back = across * NIB_ACROSS / 2, contact + out * NIB_DEEP
    shoulder, heel = contact + out * NIB_TIP, back - out * NIB_CUT
    rear = half - across * NIB_CUT
    points = [contact, shoulder + half, heel + half, back + rear, back - rear, heel - half, shoulder - half]
    centre = contact + out * (NIB_DEEP / 2 + 0.15)
    return Jaw(number=number, outline=np.array(points), contact=contact, centre=centre)


def _seam_mark(tip: np.ndarray, mouth: np.ndarray, ground: Ground, text: str) -> SeamMark | None:
    """The free spot for a circle that is nearest to the notch, preferably before its mouth."""
    turns = np.arange(24) * math.pi / 12
    ways = np.stack(
        [
            mouth[0] * np.cos(turns) - mouth[1] * np.sin(turns),
            mouth[0] * np.sin(turns) + mouth[1] * np.cos(turns),
        ],
        axis=1,
    )
    distance = np.repeat([4.0, 5.5, 7.0, 9.0, 12.0], len(ways))
    way = np.tile(ways, (5, 1))
    centres = tip + way * distance[:, None]
    discs = shapely.buffer(shapely.points(centres), SEAM_RADIUS + 0.9)
    leaders = shapely.linestrings(np.stack([tip + way * 0.3, centres], axis=1))
    taken = ground.solids.near(discs, 0.0) + ground.lines.near(discs, 0.0) + ground.solids.near(leaders, 0.0)
    turned = np.tile(np.minimum(np.arange(24), 24 - np.arange(24)), 5)
    cost = distance + 0.8 * turned + 30.0 * shapely.intersects(ground.any_edge, discs)
    cost += 3.0 * shapely.intersects(ground.edges, leaders)
    cost[taken > 0] = np.inf
    k = int(np.argmin(cost))
    return SeamMark(centre=centres[k], tip=tip, text=text) if np.isfinite(cost[k]) else None


def _axis_corner(layout: Layout, ground: Ground) -> np.ndarray:
    """A free corner for the axes' arrows, below left of the piece where it is not taken."""
    left, bottom, _, top = layout.box()
    piece = ground.box
    side = AXIS + 1.0
    spots = [(piece[0] - side - 1.0, piece[1] - side - 1.0), (left + 2, bottom + 2), (left + 2, top - side)]
    spots += [(left - side, bottom + 2), (left - side, piece[1]), (left + 2, bottom - side)]
    for x, y in spots:
        room = shapely.box(x - 2.0, y - 2.0, x + side, y + side)
        taken = any(shapes.meets(room) for shapes in (ground.solids, ground.labels, ground.lines))
        if not taken and not room.intersects(shapely.box(*piece)):
            return np.array([x, y])
    return np.array([left - side, bottom - side])
