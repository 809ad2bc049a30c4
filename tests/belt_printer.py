"""A printer whose two belts cross, simulated for the tests with no code of the product but the coupons' own files.

Its meshes are cut into outlines here, its path is offset, sampled every few hundredths to a tenth of a millimetre and
led through belts with play (w = min(u + r, max(u - r, w before)), the play operator, from memory), and the bead is
swept as a disc at every sample. What moves together: belt a by x + y, belt b by x - y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely

LONG_MM = 60.0  # loops longer than this are sampled more widely
FINE_MM, WIDE_MM = 0.02, 0.1
FOOT_MM = 0.5


@dataclass(kw_only=True)
class BeltPrinter:
    """n printers; all values ndarray (n,) [mm, fractions, rad]; zero where nothing is said."""

    n: int
    play_a: np.ndarray = field(default_factory=lambda: np.zeros(1))
    play_b: np.ndarray = field(default_factory=lambda: np.zeros(1))
    steps_a: np.ndarray = field(default_factory=lambda: np.zeros(1))
    steps_b: np.ndarray = field(default_factory=lambda: np.zeros(1))
    steps_z: np.ndarray = field(default_factory=lambda: np.zeros(1))
    bead: np.ndarray = field(default_factory=lambda: np.zeros(1))
    outward: np.ndarray = field(default_factory=lambda: np.zeros(1))
    foot: np.ndarray = field(default_factory=lambda: np.zeros(1))
    closing: np.ndarray = field(default_factory=lambda: np.zeros(1))
    lean: np.ndarray = field(default_factory=lambda: np.zeros(1))
    high: np.ndarray = field(default_factory=lambda: np.zeros(1))

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            if name != "n":
                setattr(self, name, np.broadcast_to(np.asarray(getattr(self, name), float), (self.n,)).copy())

    def placed(self, path: np.ndarray) -> np.ndarray:
        """Where the nozzle goes for a commanded path (n, m, 2), twice round so that the belts have settled."""
        lap = np.concatenate([path, path], axis=1)
        drawn = []
        for play, steps, command in (
            (self.play_a, self.steps_a, lap[..., 0] + lap[..., 1]),
            (self.play_b, self.steps_b, lap[..., 0] - lap[..., 1]),
        ):
            u = np.ascontiguousarray((command * (1 + steps[:, None])).T)
            r, w = play / 2, u[0].copy()
            out = np.empty_like(u)
            for k, at in enumerate(u):
                w = np.minimum(at + r, np.maximum(at - r, w))
                out[k] = w
            drawn.append(out[path.shape[1] :].T)
        a, b = drawn
        x, y = (a + b) / 2, (a - b) / 2
        return np.stack([x + self.lean[:, None] * y, y], axis=2)


def section(vertices: np.ndarray, faces: np.ndarray, z: float) -> shapely.Polygon:
    """The mesh cut at height z: its largest outline with the openings in it."""
    lines = []
    for corners in vertices[faces]:
        ends = []
        for p, q in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            if (p[2] - z) * (q[2] - z) < 0:
                # From below, so that both triangles at an edge find the same point.
                p, q = (p, q) if p[2] < q[2] else (q, p)
                t = (z - p[2]) / (q[2] - p[2])
                ends.append(tuple(np.round(p[:2] + t * (q[:2] - p[:2]), 6)))
        if len(ends) == 2 and ends[0] != ends[1]:
            lines.append(ends)
    found = shapely.get_parts(shapely.polygonize([shapely.LineString(s) for s in lines]))
    body, *openings = sorted((shapely.Polygon(p.exterior) for p in found), key=lambda p: -p.area)
    return body.difference(shapely.union_all(openings)) if openings else body


def sampled(ring: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A closed ring (m, 2) walked in small steps from its sharpest corner, and how each sample moves per mm outward.

    Outward is to the right of the way walked: away from the material, which lies on the left.
    """
    keep = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1) > 1e-9
    ring = ring[keep]
    step = np.roll(ring, -1, axis=0) - ring
    way = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs((way - np.roll(way, 1) + np.pi) % (2 * np.pi) - np.pi)
    first = int(np.argmax(turn))
    ring, way = np.roll(ring, -first, axis=0), np.roll(way, -first)
    before = np.roll(way, 1)
    # Both neighbouring edges are moved outward by one; their lines meet at ring + shift.
    half = (way - before + np.pi) % (2 * np.pi) - np.pi
    middle = before + half / 2 - np.pi / 2
    shift = np.column_stack([np.cos(middle), np.sin(middle)]) / np.maximum(np.cos(half / 2), 1 / 6)[:, None]
    length = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    small = WIDE_MM if length.sum() > LONG_MM else FINE_MM
    points, moves = [], []
    for i in range(len(ring)):
        t = np.arange(math.ceil(length[i] / small)) / math.ceil(length[i] / small)
        j = (i + 1) % len(ring)
        points.append(ring[i] + t[:, None] * (ring[j] - ring[i]))
        moves.append(shift[i] + t[:, None] * (shift[j] - shift[i]))
    return np.concatenate(points), np.concatenate(moves)


def readings(manifest, solids, printer: BeltPrinter) -> np.ndarray:
    """What a perfect caliper reads of every feature, ndarray (n, features) [mm], in the manifest's order."""
    columns = []
    for coupon in manifest.coupons:
        solid = solids[coupon.id]
        drawn: dict[float, list[np.ndarray]] = {}
        for feature in coupon.features:
            z = round((feature.contact_a_mm[2] + feature.contact_b_mm[2]) / 2, 6)
            if feature.kind == "height":
                columns.append(feature.nominal_mm * (1 + printer.steps_z) + printer.high)
                continue
            if z not in drawn:
                drawn[z] = _paths(
                    section(solid.vertices, solid.faces, z), coupon.single_wall, manifest, printer, z
                )
            columns.append(_read(feature, drawn[z], manifest.line_width_mm + printer.bead, printer))
    return np.stack(columns, axis=1)


def _paths(body, single_wall: bool, manifest, printer: BeltPrinter, z: float) -> list[np.ndarray]:
    width = manifest.line_width_mm
    if single_wall:
        body = shapely.Polygon(body.exterior)
    inner = shapely.orient_polygons(body.buffer(-width / 2, join_style="mitre", mitre_limit=6.0))
    out = printer.outward * (0.0 if single_wall else 1.0) + (printer.foot if z < FOOT_MM else 0.0)
    paths = []
    for part in getattr(inner, "geoms", [inner]):
        for i, ring in enumerate((part.exterior, *part.interiors)):
            points, moves = sampled(shapely.get_coordinates(ring)[:-1])
            path = points + out[:, None, None] * moves
            middle = points.mean(axis=0)
            away = np.linalg.norm(points - middle, axis=1)
            if i and np.ptp(away) < 0.01 * away.mean():
                bore = 2 * away.mean() - width
                inward = -(points - middle) / away[:, None]
                path = path + (printer.closing * 3.0 / bore / 2)[:, None, None] * inward
            paths.append(printer.placed(path))
    return paths


def _read(feature, paths: list[np.ndarray], width: np.ndarray, printer: BeltPrinter) -> np.ndarray:
    angle = math.radians(feature.direction_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    outside = -1.0 if feature.kind == "inside" else 1.0
    narrow = feature.kind == "diagonal" or _on_a_bore(feature, paths)
    places = [_drawn_to(np.array(p[:2]), printer) for p in (feature.contact_a_mm, feature.contact_b_mm)]
    value = (places[1] - places[0]) @ along
    for place, end in zip(places, (-1.0, 1.0), strict=True):
        side = along * end * outside
        best = np.full(printer.n, -np.inf)
        for path in paths:
            rest = path - place[:, None]
            s, v = rest @ side, rest @ np.array([-side[1], side[0]])
            if narrow:
                over = np.maximum(np.abs(v) - feature.jaw_mm / 2, 0.0)
                top = s + np.sqrt(np.maximum((width[:, None] / 2) ** 2 - over**2, 0.0))
                under = over < width[:, None] / 2
            else:
                # A jaw lies flush with a plain flank: what counts is where the path crosses its middle.
                after_s, after_v = np.roll(s, -1, axis=1), np.roll(v, -1, axis=1)
                under = v * after_v <= 0
                share = v / np.where(np.abs(v - after_v) > 1e-12, v - after_v, np.inf)
                top = s + share * (after_s - s) + width[:, None] / 2
            best = np.maximum(best, np.where(under & (np.abs(s) < 1.5), top, -np.inf).max(axis=1))
        value = value + outside * best
    return value


def _on_a_bore(feature, paths: list[np.ndarray]) -> bool:
    """Whether both contacts of an opening lie on one round ring."""
    if feature.kind != "inside":
        return False
    middle = (np.array(feature.contact_a_mm[:2]) + np.array(feature.contact_b_mm[:2])) / 2
    for path in paths:
        ring = path[0]
        centre = (ring.max(axis=0) + ring.min(axis=0)) / 2
        away = np.linalg.norm(ring - centre, axis=1)
        if np.ptp(away) < 0.15 * away.mean() and np.linalg.norm(centre - middle) < 0.5 and len(ring) > 60:
            return np.sum(np.abs(away - away.mean()) < 0.1 * away.mean()) > 0.95 * len(ring) and _many_sided(
                ring
            )
    return False


def _many_sided(ring: np.ndarray) -> bool:
    step = np.roll(ring, -1, axis=0) - ring
    way = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return len(np.unique(np.round(way, 2))) > 24


def _drawn_to(point: np.ndarray, printer: BeltPrinter) -> np.ndarray:
    """Where the hand finds a drawn point: belts stretched and frame leant, (n, 2)."""
    a, b = (point[0] + point[1]) * (1 + printer.steps_a), (point[0] - point[1]) * (1 + printer.steps_b)
    x, y = (a + b) / 2, (a - b) / 2
    return np.column_stack([x + printer.lean * y, y])
