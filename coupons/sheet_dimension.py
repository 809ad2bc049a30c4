"""Where dimension lines, jaws and marks stand on a drawing, so that nothing covers anything else.

Practice of ISO 129-1 (from memory): dimension lines parallel to the size, extension lines at right angles with
a small gap to the outline and a little beyond the dimension line, closed filled arrows, the figure above the
line and readable from below or from the right.

Everything here is in millimetres of paper, x to the right, y up, the view's origin at (0, 0).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import shapely

from coupons.sheet_view import Place, View

# Paper sizes [mm].
ARROW = 2.5
GAP = 0.8
BEYOND = 1.5
FIRST_ROW = 9.0
ROW = 6.0
TEXT_GAP = 0.7
BALLOON = 4.2
JAW_ACROSS = 3.4
JAW_DEEP = 3.2
SEAM_RADIUS = 1.8
AXIS = 11.0
ARROWS_INSIDE = 2 * ARROW + 1.0
# Jaws of one wall that come nearer than this hide it.
WALL_LEAST = 1.5

MOST_ROWS = 24
# How far from the touched faces a row between the outlines is looked for [mm].
NEAR = 8.0
# From this cost on two marks lie on each other.
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


@dataclass(frozen=True, kw_only=True)
class Jaw:
    """A jaw's mark: outline (n, 2), its contact, its centre for the number."""

    number: int
    outline: np.ndarray
    contact: np.ndarray
    centre: np.ndarray


@dataclass(frozen=True, kw_only=True)
class SeamMark:
    """The letter S in a circle, and the line from it to the notch."""

    centre: np.ndarray
    tip: np.ndarray


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
    axis_corner : ndarray (2,) or None
        Where the axes' arrows start.
    """

    view: View
    scale: float
    dimensions: list[Dimension] = field(default_factory=list)
    jaws: list[Jaw] = field(default_factory=list)
    seams: list[SeamMark] = field(default_factory=list)
    conflicts: int = 0
    axis_corner: np.ndarray | None = None

    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of all that is drawn."""
        parts = [np.array(self.view.box).reshape(2, 2) * self.scale]
        for dimension in self.dimensions:
            parts += [dimension.line, dimension.label, *dimension.extensions]
        parts += [jaw.outline for jaw in self.jaws]
        parts += [np.stack([mark.centre - SEAM_RADIUS, mark.centre + SEAM_RADIUS]) for mark in self.seams]
        if self.axis_corner is not None:
            parts.append(np.stack([self.axis_corner - 1.0, self.axis_corner + AXIS]))
        points = np.concatenate(parts)
        low, high = points.min(axis=0) - 0.5, points.max(axis=0) + 0.5
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def jaw_marks(view: View, scale: float) -> tuple[list[Jaw], int]:
    """The jaws of all places of a view, and how many of them stand in each other's or the material's way."""
    jaws: list[Jaw] = []
    for place in view.places:
        along = np.array([math.cos(place.angle), math.sin(place.angle)])
        for contact, sign in ((place.a, -1.0), (place.b, 1.0)):
            out = along * (-sign if place.into_opening else sign)
            jaws.append(_jaw(place, contact * scale, out))
    shapes = [shapely.Polygon(jaw.outline).buffer(-0.05) for jaw in jaws]
    conflicts = sum(
        shapes[i].intersects(shapes[j]) for i in range(len(shapes)) for j in range(i + 1, len(shapes))
    )
    conflicts += sum(a.distance(b) < WALL_LEAST for a, b in zip(shapes[::2], shapes[1::2], strict=True))
    for jaw, shape in zip(jaws, shapes, strict=True):
        reach = shape.difference(shapely.Point(jaw.contact).buffer(0.6))
        # An upper step's jaws stand above the lower steps' outlines: only measured faces must stay visible.
        conflicts += _other_faces(view, jaw, scale).intersects(reach)
    return jaws, int(conflicts)


def _other_faces(view: View, jaw: Jaw, scale: float) -> shapely.MultiLineString:
    """Measured faces of the other places, which this jaw must not cover."""
    lines = []
    for place in view.places:
        for face in (place.face_a, place.face_b):
            near = np.linalg.norm(face.line * scale - jaw.contact, axis=1).min()
            if place.number != jaw.number and near > 1.0 and len(face.line) > 1:
                lines.append(face.line * scale)
    return shapely.MultiLineString([line for line in lines if np.ptp(line, axis=0).max() > 0])


def _jaw(place: Place, contact: np.ndarray, out: np.ndarray) -> Jaw:
    """A block with a flat to the face outside, with an edge to the face in an opening."""
    across = np.array([-out[1], out[0]]) * JAW_ACROSS / 2
    back = contact + out * JAW_DEEP
    if place.into_opening:
        shoulder = contact + out * 0.9
        points = [contact, shoulder + across, back + across, back - across, shoulder - across]
    else:
        points = [contact + across, back + across, back - across, contact - across]
    centre = contact + out * (JAW_DEEP / 2 + (0.3 if place.into_opening else 0.0))
    return Jaw(number=place.number, outline=np.array(points), contact=contact, centre=centre)


def lay_out(view: View, scale: float, text_width: Callable[[str], float]) -> Layout:
    """Place everything that belongs to a view at a scale.

    Parameters
    ----------
    view : View
    scale : float
    text_width : callable
        Width on paper [mm] of a figure.
    """
    layout = Layout(view=view, scale=scale)
    layout.jaws, layout.conflicts = jaw_marks(view, scale)
    ground = _Ground(layout)
    for tip, mouth in view.notches:
        mark = _seam_mark(tip * scale, mouth, ground)
        if mark is not None:
            layout.seams.append(mark)
            ground.add_seam(mark)
    # Short sizes first: they end up next to the outline, and longer ones pass around them.
    for place in sorted(view.places, key=lambda p: (_span(p), p.number)):
        dimension, clean = _best(place, scale, text_width(place.text), ground)
        layout.conflicts += not clean
        layout.dimensions.append(dimension)
        ground.add_dimension(dimension)
    layout.dimensions.sort(key=lambda d: d.number)
    layout.axis_corner = _axis_corner(layout, ground)
    return layout


def _span(place: Place) -> float:
    return round(float(np.linalg.norm(place.b - place.a)), 6)


class _Ground:
    """What already stands on the paper."""

    def __init__(self, layout: Layout) -> None:
        scale = layout.scale
        closed = [np.vstack([ring, ring[:1]]) * scale for ring in layout.view.outlines]
        thin = [np.vstack([r, r[:1]]) * scale for region in layout.view.regions for r in region]
        self.edges = shapely.MultiLineString(closed)
        self.any_edge = shapely.MultiLineString(closed + thin)
        shapely.prepare(self.edges)
        shapely.prepare(self.any_edge)
        self.box = np.array(layout.view.box) * scale
        self.solids = _Shapes([shapely.Polygon(jaw.outline).buffer(-0.05) for jaw in layout.jaws])
        self.lines = _Shapes()
        self.labels = _Shapes()
        self.rows = _Shapes()

    def add_seam(self, mark: SeamMark) -> None:
        """Keep a seam mark's place."""
        self.solids.add(shapely.Point(mark.centre).buffer(SEAM_RADIUS + 0.3))
        self.lines.add(shapely.LineString(np.stack([mark.tip, mark.centre])))

    def add_dimension(self, dimension: Dimension) -> None:
        """Keep a dimension's place."""
        self.labels.add(shapely.Polygon(dimension.label))
        self.rows.add(shapely.LineString(dimension.line))
        for line in (dimension.line, *dimension.extensions):
            self.lines.add(shapely.LineString(line))


class _Shapes:
    """Shapes that a new one must not meet."""

    def __init__(self, shapes: Iterable[shapely.Geometry] = ()) -> None:
        self.all = np.array(list(shapes), dtype=object)

    def add(self, shape: shapely.Geometry) -> None:
        self.all = np.append(self.all, shape)

    def met(self, shape: shapely.Geometry) -> int:
        """How many are met by `shape`."""
        return int(np.count_nonzero(shapely.intersects(self.all, shape))) if len(self.all) else 0

    def within(self, shape: shapely.Geometry, distance: float) -> int:
        """How many come nearer to `shape` than `distance` [mm]."""
        return int(np.count_nonzero(shapely.dwithin(self.all, shape, distance))) if len(self.all) else 0


def _seam_mark(tip: np.ndarray, mouth: np.ndarray, ground: _Ground) -> SeamMark | None:
    """The free spot for an S that is nearest to the notch, preferably before its mouth."""
    best: tuple[float, SeamMark] | None = None
    for distance in (4.0, 5.5, 7.0, 9.0, 12.0):
        for step in range(24):
            turn = math.pi / 12 * step
            way = np.array(
                [
                    mouth[0] * math.cos(turn) - mouth[1] * math.sin(turn),
                    mouth[0] * math.sin(turn) + mouth[1] * math.cos(turn),
                ]
            )
            centre = tip + way * distance
            disc = shapely.Point(centre).buffer(SEAM_RADIUS + 0.4)
            if ground.solids.met(disc) or ground.lines.met(disc):
                continue
            leader = shapely.LineString([tip + way * 0.3, centre])
            if ground.solids.met(leader):
                continue
            cost = distance + 1.2 * min(step, 24 - step) + 8.0 * ground.any_edge.intersects(disc)
            cost += 3.0 * ground.edges.intersects(leader)
            if best is None or cost < best[0]:
                best = (cost, SeamMark(centre=centre, tip=tip))
    return best[1] if best else None


@dataclass(frozen=True, kw_only=True)
class _Spot:
    """Where a place's contacts lie along and across its measured direction, and how far its faces reach."""

    angle: float
    along: np.ndarray
    across: np.ndarray
    ends: tuple[float, float]
    here: float
    reach: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class _Choice:
    """A row and a figure's start, with a lower bound of what it costs."""

    bound: float
    level: float
    start: float


def _best(place: Place, scale: float, text_width: float, ground: _Ground) -> tuple[Dimension, bool]:
    """The cheapest way to draw one dimension; whether it is free of collisions."""
    spot = _spot(place, scale)
    width = BALLOON + 0.8 + text_width
    best: tuple[float, Dimension] | None = None
    # Once the lower bound passes the best found, nothing better follows.
    for choice in sorted(_choices(spot, width, ground.box), key=lambda c: c.bound):
        if best is not None and choice.bound >= best[0]:
            break
        dimension = _dimension(place, spot, choice, width)
        cost = choice.bound + _collisions(dimension, ground, 1e9 if best is None else best[0] - choice.bound)
        if best is None or cost < best[0]:
            best = (cost, dimension)
    assert best is not None  # rows outside the outline always exist
    return best[1], best[0] < UNREADABLE


def _spot(place: Place, scale: float) -> _Spot:
    angle = math.remainder(place.angle, math.pi)
    if angle <= -math.pi / 2 + 1e-9:
        angle += math.pi
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    sides = []
    for contact, face in ((place.a, place.face_a), (place.b, place.face_b)):
        line = face.line * scale
        # A round face leaves the tangent at once: its extension line starts at the contact.
        straight = np.ptp(line @ along) < 0.05
        reach = line @ across if straight else (contact * scale @ across)[None]
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


def _choices(spot: _Spot, width: float, box: np.ndarray) -> Iterator[_Choice]:
    """All rows and figure positions worth a look."""
    corners = np.array([[box[i], box[j]] for i in (0, 2) for j in (1, 3)]) @ spot.across
    low, high = float(corners.min()), float(corners.max())
    rows = [(spot.here, 3.0)]
    near = (min(r[0] for r in spot.reach) - NEAR, max(r[1] for r in spot.reach) + NEAR)
    inside = np.arange(max(low, near[0]) + 1.0, min(high, near[1]) - 0.5, 0.75)
    rows += [(float(level), 7.0) for level in inside]
    for k in range(MOST_ROWS):
        rows += [(low - FIRST_ROW - k * ROW, 0.5 * k), (high + FIRST_ROW + k * ROW, 0.5 * k)]
    span = spot.ends[1] - spot.ends[0]
    starts = _figure_starts(span, width, span < ARROWS_INSIDE)
    for level, price in rows:
        length = sum(max(level - high, low - level, 0.0) for low, high in spot.reach)
        for start, extra in starts:
            yield _Choice(bound=price + extra + 0.25 * length, level=level, start=start)


def _figure_starts(span: float, width: float, outside: bool) -> list[tuple[float, float]]:
    """Where the figure may begin along the dimension line, from its low end, and what that costs."""
    starts = []
    if width <= span - 1.0:
        starts.append(((span - width) / 2, 0.0))
    if span > 3 * width:
        starts += [(span * 0.25 - width / 2, 0.6), (span * 0.75 - width / 2, 0.7)]
    beside = ARROW + 0.5 if outside else 1.5
    return [*starts, (span + beside, 2.0), (-beside - width, 2.2)]


def _dimension(place: Place, spot: _Spot, choice: _Choice, width: float) -> Dimension:
    """Lines and figure of a choice."""
    low, high = spot.ends
    span = high - low
    outside = span < ARROWS_INSIDE
    start, end = choice.start, choice.start + width
    tail = ARROW + 2.0 if outside else 0.0
    first = min(start - 0.5, -tail) if start < 0 else -tail
    last = max(end + 0.5, span + tail) if end > span else span + tail

    def at(u: float, v: float) -> np.ndarray:
        return spot.along * u + spot.across * v

    extensions = []
    for u, (bottom, top) in zip(spot.ends, spot.reach, strict=True):
        if choice.level > top + 2 * GAP:
            extensions.append(np.stack([at(u, top + GAP), at(u, choice.level + BEYOND)]))
        elif choice.level < bottom - 2 * GAP:
            extensions.append(np.stack([at(u, bottom - GAP), at(u, choice.level - BEYOND)]))
    foot, head = choice.level + TEXT_GAP, choice.level + TEXT_GAP + BALLOON
    label = [at(low + start, foot), at(low + end, foot), at(low + end, head), at(low + start, head)]
    return Dimension(
        number=place.number,
        text=place.text,
        angle=spot.angle,
        ends=np.stack([at(low, choice.level), at(high, choice.level)]),
        line=np.stack([at(low + first, choice.level), at(low + last, choice.level)]),
        extensions=tuple(extensions),
        arrows_outside=outside,
        label=np.stack(label),
    )


def _collisions(dimension: Dimension, ground: _Ground, limit: float) -> float:
    """What a dimension costs by meeting what stands already; no need to go on beyond `limit`."""
    label = shapely.Polygon(dimension.label)
    cost = UNREADABLE * (
        ground.solids.within(label, 0.4) + ground.lines.within(label, 0.4) + ground.labels.within(label, 1.0)
    )
    if cost > limit:
        return cost
    line = shapely.LineString(dimension.line)
    # In line with its own jaws the dimension line touches them where its arrows end.
    body = shapely.LineString(_shortened(dimension.line, 0.3))
    extensions = [shapely.LineString(part) for part in dimension.extensions]
    cost += UNREADABLE * (ground.solids.met(body) + ground.labels.within(body, 0.4))
    cost += UNREADABLE * sum(ground.labels.within(part, 0.3) for part in extensions)
    cost += 20.0 * ground.any_edge.intersects(label)
    cost += 5.0 * ground.lines.met(line) + 4.0 * ground.rows.within(line, ROW - 2.0)
    if cost > limit:
        return cost
    cost += 1.5 * _crossings(body, ground.edges)
    for part in extensions:
        cost += 8.0 * ground.solids.met(part) + 1.5 * _crossings(part, ground.edges)
        cost += 5.0 * ground.rows.met(part)
    if cost > limit:
        return cost
    # A dimension line along an outline would be taken for it.
    beside = ground.edges.intersection(body.buffer(1.2, cap_style="flat"))
    return cost + (25.0 if beside.length > 3.0 * ARROW + 0.25 * line.length else 0.0)


def _shortened(line: np.ndarray, cut: float) -> np.ndarray:
    step = line[1] - line[0]
    length = max(float(np.linalg.norm(step)), 1e-9)
    cut = min(cut, length / 4)
    return np.stack([line[0] + step * cut / length, line[1] - step * cut / length])


def _crossings(line: shapely.LineString, edges: shapely.Geometry) -> int:
    """How many times a line passes through outlines."""
    met = line.intersection(edges)
    return 0 if met.is_empty else len(getattr(met, "geoms", [met]))


def _axis_corner(layout: Layout, ground: _Ground) -> np.ndarray:
    """A free corner for the axes' arrows, below left of the piece where it is not taken."""
    left, bottom, right, top = layout.box()
    piece = ground.box
    taken = (ground.solids, ground.labels, ground.lines)
    side = AXIS + 1.0
    spots = [(piece[0] - side - 1.0, piece[1] - side - 1.0), (left, bottom), (left, top - side)]
    spots += [(left - side, bottom), (left - side, piece[1]), (left, bottom - side)]
    for x, y in spots:
        room = shapely.box(x - 1.5, y - 1.5, x + side, y + side)
        if not any(shapes.met(room) for shapes in taken) and not room.intersects(shapely.box(*piece)):
            return np.array([x, y])
    return np.array([left - side, bottom])
