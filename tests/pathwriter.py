"""Writes RS-274 tool paths of coupons for the tests, in many styles; nothing here is used by the program.

It cuts the solids with manifold3d, offsets the outlines with shapely and knows nothing of what reads them back.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import manifold3d
import numpy as np
import shapely
from shapely import affinity

from fitassay.coupons.feature import Coupon
from fitassay.coupons.solid import Solid

INCH = 25.4
# Signed permutations of x and y, as a, b, c, d of (x, y) -> (a x + b y, c x + d y).
TURNS = {
    "as drawn": (1, 0, 0, 1),
    "90": (0, -1, 1, 0),
    "180": (-1, 0, 0, -1),
    "270": (0, 1, -1, 0),
    "mirrored": (-1, 0, 0, 1),
    "mirrored 90": (0, 1, 1, 0),
}


@dataclass(frozen=True, kw_only=True)
class Style:
    """How the file is written and where the path stands; lengths in mm."""

    width: float = 0.45
    layer: float = 0.2
    first_layer: float | None = None
    filament: float = 1.75
    offset: float = 0.0
    hole_offset: float = 0.0
    bore_offset: float = 0.0
    scale: float = 1.0
    turn: str = "as drawn"
    angle_deg: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    walls: int = 2
    outer_first: bool = False
    outer_second: bool = False
    reverse: bool = False
    seam: str = "sharpest"
    seam_at: tuple[float, float] | None = None
    seam_gap: float = 0.0
    seam_overlap: float = 0.0
    single: str = "one"
    infill: bool = True
    skirt: bool = False
    brim: int = 0
    raft: int = 0
    speed: float = 30.0
    relative_feed: bool = True
    relative_moves: bool = False
    inches: bool = False
    arcs: str = ""
    blanks: bool = True
    lower: bool = False
    numbered: bool = False
    comments: str = ""
    end: str = "\n"
    decimals: int = 4
    offset_origin: bool = False
    retract: bool = True
    one_by_one: bool = False
    spiral: bool = False
    # What slicing programs do beside it.
    crumbs: bool = False
    coast: float = 0.0
    coast_moves: bool = True
    split: bool = False
    split_back: bool = False
    scarf: float = 0.0
    scarf_rising: bool = True
    wipe: float = 0.0
    flow: float = 1.0
    uneven: float = 0.0
    by_volume: bool = False
    declared: bool = True
    pitch: str = "width"
    square_beads: bool = False
    inner_width: float | None = None
    dense: bool = False
    inner_speed: float | None = None
    first_inset: float = 0.0
    first_width: float | None = None
    z_scale: float = 1.0
    z_offset: float = 0.0
    purge_z: float = 0.25
    tower: float = 0.0
    other_part: bool = False
    look_alike: bool = False
    joined: tuple[tuple[str, tuple[float, float, float, float]], ...] = ()
    off: tuple[tuple[str, float], ...] = ()
    twice: tuple[str, ...] = ()
    cut_at_z: float | None = None
    number_gap: bool = False
    words: tuple[str, ...] = ()
    words_at_z: float = 0.0
    late_words: tuple[str, ...] = ()
    ending: tuple[str, ...] = ("M2",)
    # Habits: of inner walls, of every second layer, of single coupons, of what stands beside them.
    inner_flow: float = 1.0
    outer_pitch: str = ""
    alternate: bool = False
    extra_wall: bool = False
    heights: tuple[float, ...] = ()
    widths: tuple[tuple[str, float], ...] = ()
    flows: tuple[tuple[str, float], ...] = ()
    turns: tuple[tuple[str, str], ...] = ()
    places: tuple[tuple[str, tuple[float, float]], ...] = ()
    shield: float = 0.0
    concentric: bool = False
    zigzag: bool = False
    polygon_holes: int = 0
    simplify: float = 0.0
    skew: float = 0.0
    lead: float = 0.0


def bead_area(width: float, layer: float) -> float:
    """Cross-section of a bead with round ends [mm2]."""
    return (width - layer) * layer + np.pi * layer**2 / 4


def area_of(style: Style, width: float, layer: float) -> float:
    """Cross-section of a bead as the program counts it [mm2]."""
    return width * layer if style.square_beads else bead_area(width, layer)


class Pen:
    """Turns moves into lines of text in one style."""

    def __init__(self, style: Style) -> None:
        self.style = style
        self.lines: list[str] = []
        self.unit = INCH if style.inches else 1.0
        self.at = np.zeros(3)
        self.told = np.zeros(3)
        self.fed = 0.0
        self.number = 0
        self.speed = style.speed

    def line(self, *words: str, comment: str = "") -> None:
        style = self.style
        text = (" " if style.blanks else "").join(words)
        if style.lower:
            text = text.lower()
        if style.numbered and text:
            self.number += 3 if style.number_gap and self.number % 500 == 499 else 1
            text = f"N{self.number}" + (" " if style.blanks else "") + text
            total = 0
            for byte in text.encode():
                total ^= byte
            text += f"*{total}"
        if comment and style.comments == ";":
            text += f" ; {comment}"
        if comment and style.comments == "(":
            text = f"({comment}) " + text
        self.lines.append(text)

    def _words(self, point: np.ndarray) -> list[str]:
        words = []
        for letter, k in zip("XYZ", range(3), strict=True):
            if abs(point[k] - self.at[k]) > 1e-9:
                digits = self.style.decimals + (1 if self.style.inches else 0)
                if k == 2:
                    point = point * [1, 1, self.style.z_scale] + [0, 0, self.style.z_offset]
                if self.style.relative_moves:
                    value = round(float(point[k] - self.told[k]) / self.unit, digits)
                    self.told[k] += value * self.unit
                else:
                    value = round(float(point[k]) / self.unit, digits)
                words.append(f"{letter}{value:.{digits}f}")
        return words

    def _feed(self, length: float) -> str:
        digits = 5 + (1 if self.style.inches else 0)
        if self.style.by_volume:
            length *= np.pi * self.style.filament**2 / 4
        if self.style.relative_feed:
            return f"E{length / self.unit:.{digits + 1}f}"
        self.fed += length
        return f"E{self.fed / self.unit:.{digits}f}"

    def go(self, x: float, y: float, z: float | None = None) -> None:
        point = np.array([x, y, self.at[2] if z is None else z])
        words = self._words(point)
        if words:
            self.line("G0", *words)
        self.at = point

    def move(self, x: float, y: float) -> None:
        """A move of the printing kind without filament."""
        point = np.array([x, y, self.at[2]])
        words = self._words(point)
        if words:
            self.line("G1", *words)
        self.at = point

    def retract(self, length: float) -> None:
        if self.style.retract:
            self.line("G1", self._feed(length), f"F{2400 / self.unit:g}")
            self.line("G1", f"F{self.speed * 60 / self.unit:g}")

    def draw(self, x: float, y: float, per_mm: float, z: float | None = None) -> None:
        point = np.array([x, y, self.at[2] if z is None else z])
        words = self._words(point)
        if words:
            self.line("G1", *words, self._feed(per_mm * float(np.hypot(*(point - self.at)[:2]))))
        self.at = point

    def arc(self, x: float, y: float, centre: np.ndarray, left: bool, per_mm: float) -> None:
        """An arc of at most half a turn about `centre`."""
        point = np.array([x, y, self.at[2]])
        start = self.at[:2] - centre
        end = point[:2] - centre
        turn = np.arctan2(start[0] * end[1] - start[1] * end[0], start @ end) % (2 * np.pi)
        turn = turn if left else 2 * np.pi - turn
        radius = float(np.hypot(*start))
        digits = self.style.decimals + 1
        if self.style.arcs == "R":
            how = [f"R{radius / self.unit:.{digits}f}"]
        else:
            how = [f"I{-start[0] / self.unit:.{digits}f}", f"J{-start[1] / self.unit:.{digits}f}"]
        self.line("G3" if left else "G2", *self._words(point), *how, self._feed(per_mm * radius * turn))
        self.at = point


@dataclass(frozen=True)
class Drawn:
    """What the writer did, for the tests to compare with.

    Seams are where outer walls begin by coupon and height, joints where their further strokes do.
    """

    text: str
    seams: dict[tuple[str, float], list[np.ndarray]] = field(default_factory=dict)


def write(coupons: list[tuple[Coupon, Solid]], style: Style, seed: int = 0) -> Drawn:
    """The file of all coupons on one plate, and where the outer walls' seams are."""
    rng = np.random.default_rng(seed)
    pen = Pen(style)
    _head(pen, style)
    parts = _parts(coupons, style)
    seams: dict[tuple[str, float], list[np.ndarray]] = {}
    _purge(pen, style)
    _raft(pen, parts, style)
    groups = [[p] for p in parts] if style.one_by_one else [parts]
    for group in groups:
        top = max(
            [p.coupon.size_mm[2] for p in group]
            + ([12.0] if style.other_part or style.look_alike else [])
            + [style.tower]
        )
        top = top if style.cut_at_z is None else style.cut_at_z
        z, k, later = 0.0, 0, list(style.late_words)
        while z < top - 1e-6:
            if z >= style.words_at_z:
                for text in later:
                    pen.line(*text.split())
                later = []
            h = style.first_layer if k == 0 and style.first_layer else style.layer
            if style.heights and k:
                h = style.heights[k % len(style.heights)]
            middle = z + h / 2
            z = round(z + h, 6)
            pen.line(
                "G1", *pen._words(np.array([*pen.at[:2], z + style.raft * style.layer])), "F600", comment="up"
            )
            pen.at[2] = z + style.raft * style.layer
            pen.speed = style.speed
            pen.line(f"F{style.speed * 60 / pen.unit:g}")
            if k == 0 and style.skirt:
                _skirt(pen, group, style, h)
            _extras(pen, style, middle, h)
            if middle < style.shield:
                per_mm = bead_area(style.width, h) / (np.pi * style.filament**2 / 4)
                _closed(pen, _around(parts, 6.0, style), per_mm, replace(style, coast=0.0))
            for part in group:
                if middle < part.coupon.size_mm[2]:
                    _layer(pen, part, middle, h, k, style, rng, seams)
            k += 1
        pen.go(*pen.at[:2], pen.at[2] + 5)
    if style.cut_at_z is not None:
        return Drawn(text=style.end.join(pen.lines) + style.end, seams=seams)
    pen.line("M104", "S0", comment="done")
    pen.line("M84")
    for text in style.ending:
        pen.line(*text.split())
    return Drawn(text=style.end.join(pen.lines) + style.end, seams=seams)


def sections(solid: Solid, z: float) -> list[shapely.Polygon]:
    """What a plane cuts out of a solid, openings in their outlines."""
    body = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(solid.vertices, dtype=np.float64),
            tri_verts=np.ascontiguousarray(solid.faces, dtype=np.uint64),
        )
    )
    rings = [shapely.Polygon(p) for p in body.slice(z).simplify(3e-5).to_polygons() if len(p) >= 3]
    region = shapely.Polygon()
    for ring in sorted(rings, key=lambda r: -r.area):
        region = region.symmetric_difference(ring)
    parts = getattr(region, "geoms", [region])
    return [p for p in parts if p.geom_type == "Polygon" and p.area > 1e-3]


def _head(pen: Pen, style: Style) -> None:
    """Units, modes and whatever else stands at the top of the file."""
    pen.line(comment="made for a test")
    pen.line("G20" if style.inches else "G21", *(["G90"] if style.blanks else []), comment="units")
    pen.line("G91" if style.relative_moves else "G90")
    if style.declared:
        pen.line("M83" if style.relative_feed else "M82")
    pen.line("M104", "S200")
    for text in style.words:
        pen.line(*text.split())
    pen.line("G28")
    pen.line("G92", "E0")
    if style.offset_origin:
        # What is called x = 5 is where x = 0 was: the machine stands at home.
        pen.line("G92", f"X{5 / pen.unit:.6f}", f"Y{-3 / pen.unit:.6f}")
        pen.at = pen.at + [5, -3, 0]
        pen.told = pen.at.copy()


def _parts(coupons: list[tuple[Coupon, Solid]], style: Style) -> list[_Part]:
    """The coupons, and copies of those that lie on the plate twice."""
    parts = [_Part(c, m, style) for c, m in coupons]
    for part in parts.copy():
        if part.coupon.id in style.twice:
            x, y = part.coupon.origin_on_plate_mm
            parts.append(_Part(replace(part.coupon, origin_on_plate_mm=(x, y + 100.0)), part.mesh, style))
    return parts


# Sections by height of each solid drawn before, and the solid itself, so that its id stays its own.
_SECTIONS: dict[int, tuple[Solid, dict[float, list[shapely.Polygon]]]] = {}


class _Part:
    def __init__(self, coupon: Coupon, mesh: Solid, style: Style) -> None:
        at = dict(style.places).get(coupon.id)
        self.coupon = coupon if at is None else replace(coupon, origin_on_plate_mm=at)
        self.mesh = mesh
        self.style = replace(
            style,
            width=dict(style.widths).get(coupon.id, style.width),
            flow=dict(style.flows).get(coupon.id, style.flow),
            turn=dict(style.turns).get(coupon.id, style.turn),
        )
        self.walls: dict[tuple, tuple] = {}

    def drawn(self, z: float) -> list[shapely.Polygon]:
        shapes = _SECTIONS.setdefault(id(self.mesh), (self.mesh, {}))[1]
        key = round(z, 6)
        if key not in shapes:
            shapes[key] = sections(self.mesh, z)
        return shapes[key]

    def to_bed(self, shape):
        """From drawn to bed coordinates: turned about the bed's origin, enlarged, moved."""
        a, b, c, d = TURNS[self.style.turn]
        x, y = self.coupon.origin_on_plate_mm
        shape = affinity.translate(shape, x, y)
        shape = affinity.affine_transform(shape, [a, b, c, d, 0, 0])
        shape = affinity.rotate(shape, self.style.angle_deg, origin=(0, 0))
        shape = affinity.scale(shape, self.style.scale, self.style.scale, origin=(0, 0))
        if self.style.skew:
            shape = affinity.affine_transform(shape, [1, self.style.skew, 0, 1, 0, 0])
        return affinity.translate(shape, *self.style.shift)

    def _joined(self, shapes: list[shapely.Polygon]) -> list[shapely.Polygon]:
        """With the box that runs through the coupon, as one outline."""
        box = dict(self.style.joined).get(self.coupon.id)
        if box is None or not shapes:
            return shapes
        whole = shapely.unary_union([*shapes, shapely.box(*box)])
        return list(getattr(whole, "geoms", [whole]))

    def section(self, z: float, first: bool, k: int = 0) -> tuple[list[tuple[int, np.ndarray]], object]:
        """Wall loops (depth, points, material on the left) and what is left to fill at height z."""
        shapes = self._joined(self.drawn(z))
        odd = k % 2 if self.style.extra_wall or self.style.polygon_holes else 0
        key = (first, odd, *(shapely.to_wkb(s) for s in shapes))
        if key not in self.walls:
            self.walls[key] = self._walls(shapes, first, odd)
        return self.walls[key]

    def _walls(self, shapes: list[shapely.Polygon], first: bool, odd: int):
        style = self.style
        if odd and style.extra_wall:
            style = replace(style, walls=style.walls + 1)
        width = style.first_width if first and style.first_width else style.width
        inset = style.first_inset if first else 0.0
        loops: list[tuple[int, np.ndarray]] = []
        fill = []
        if self.coupon.single_wall:
            tube = shapely.Polygon(self.drawn(self.coupon.size_mm[2] - 0.01)[0].exterior)
            line = self.to_bed(tube).buffer(-width / 2, join_style="mitre", mitre_limit=6)
            if style.single == "one":
                loops.append((0, _left(line)))
            elif style.single == "two":
                for by in (-width / 2, -width * 1.2):
                    ring = self.to_bed(tube).buffer(by, join_style="mitre", mitre_limit=6)
                    loops.append((0, _left(ring)))
            rest = shapely.unary_union([s.difference(tube.buffer(0.01)) for s in shapes])
            shapes = [g for g in getattr(rest, "geoms", [rest]) if not g.is_empty and g.area > 1]
        depths = wall_depths(style, width)
        for shape in shapes:
            shape = self._compensated(self.to_bed(shape), odd).buffer(-inset, join_style="mitre")
            if style.simplify:
                shape = shape.simplify(style.simplify)
            for depth, by in enumerate(depths[:-1]):
                inner = shape.buffer(-by, join_style="mitre", mitre_limit=6)
                for part in getattr(inner, "geoms", [inner]):
                    if not part.is_empty:
                        part = shapely.geometry.polygon.orient(part)
                        loops += [(depth, _ring(r)) for r in (part.exterior, *part.interiors)]
            fill.append(shape.buffer(-depths[-1], join_style="mitre"))
        return loops, shapely.unary_union(fill)

    def _compensated(self, shape, odd: int):
        style = self.style
        extra = dict(style.off).get(self.coupon.id, 0.0)
        solid = shapely.Polygon(shape.exterior).buffer(
            style.offset + extra, join_style="mitre", mitre_limit=6
        )
        holes = []
        for ring in shape.interiors:
            hole = shapely.Polygon(ring)
            round_ = len(ring.coords) > 24 and abs(hole.area * 4 * np.pi / hole.length**2 - 1) < 0.01
            by = style.offset + extra + style.hole_offset + (style.bore_offset if round_ else 0.0)
            if round_ and style.polygon_holes:
                hole = _few_sided(hole, style.polygon_holes, odd)
            holes.append(hole.buffer(-by, join_style="mitre", mitre_limit=6))
        return solid.difference(shapely.unary_union(holes)) if holes else solid


def _few_sided(hole: shapely.Polygon, sides: int, odd: int) -> shapely.Polygon:
    """A regular polygon with the hole's circle inside it, every second layer turned by half a side."""
    radius = np.sqrt(hole.area / np.pi) / np.cos(np.pi / sides)
    angle = 2 * np.pi * (np.arange(sides) + odd / 2) / sides
    at = np.array([hole.centroid.x, hole.centroid.y])
    return shapely.Polygon(at + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def pitch_of(style: Style, width: float, h: float | None = None) -> float:
    """Distance of neighbouring beads of this width [mm]."""
    h = style.layer if h is None else h
    return width - h * (1 - np.pi / 4) if style.pitch == "rounded" else width


def wall_depths(style: Style, width: float) -> list[float]:
    """How deep under the outline each wall's path lies, and where the filling begins [mm]."""
    inner = style.inner_width or width
    outer_pitch, inner_pitch = pitch_of(style, width), pitch_of(style, inner)
    depths = [width / 2]
    for i in range(1, style.walls):
        second = (width + inner) / 2 if style.outer_pitch == "width" else (outer_pitch + inner_pitch) / 2
        depths.append(depths[-1] + (second if i == 1 else inner_pitch))
    return [*depths, depths[-1] + (inner_pitch if style.walls > 1 else outer_pitch) / 2]


def _ring(ring) -> np.ndarray:
    """The ring's points, in its own direction."""
    return np.array(ring.coords)[:-1]


def _left(polygon) -> np.ndarray:
    """The outer ring, counter-clockwise."""
    return _ring(shapely.geometry.polygon.orient(polygon).exterior)


def _depths(loops, style: Style) -> list[float]:
    """Walls in the order in which they are drawn."""
    depths = sorted({d for d, _ in loops}, reverse=not style.outer_first and not style.outer_second)
    return [*depths[1:2], depths[0], *depths[2:]] if style.outer_second else depths


def _layer(pen, part, middle, h, k, style, rng, seams) -> None:
    first = k == 0
    style = part.style
    loops, fill = part.section(middle, first, k)
    width = style.first_width if first and style.first_width else style.width
    inner = style.inner_width or width
    cross = np.pi * style.filament**2 / 4
    flows = (style.flow, style.flow * style.inner_flow)
    per_mm = [f * area_of(style, w, h) / cross for w, f in zip((width, inner), flows, strict=True)]
    if first and style.brim:
        body = shapely.unary_union([part.to_bed(p) for p in part.drawn(middle)])
        for i in range(style.brim, 0, -1):
            edge = body.buffer(style.width * (i - 0.5) + max(style.offset, 0), join_style="round")
            for piece in getattr(edge, "geoms", [edge]):
                _closed(pen, _ring(piece.exterior), per_mm[0], style)
    for depth in _depths(loops, style):
        if style.inner_speed and not part.coupon.single_wall:
            pen.speed = style.inner_speed if depth else style.speed
            pen.line("G1", f"F{pen.speed * 60 / pen.unit:g}")
        for d, points in loops:
            if d != depth:
                continue
            back = style.reverse != (style.alternate and k % 2 == 1)
            points = _started(points[::-1] if back else points, style, rng)
            if depth == 0:
                seams.setdefault((part.coupon.id, round(middle, 6)), []).append(points[0])
            fed = per_mm[min(depth, 1)] * (1 + style.uneven * float(rng.uniform(-1, 1)))
            if style.lead and depth == 0 and shapely.LinearRing(points).is_ccw == back:
                _led_in(pen, points, fed, style)
            _wall(pen, points, fed, style, depth == 0, part.coupon.single_wall, h, k)
    if style.infill and not fill.is_empty:
        if style.concentric:
            _concentric(pen, fill, per_mm[1], pitch_of(style, inner, h), style)
        else:
            _fill(pen, fill, per_mm[1], style, k, pitch_of(style, inner, h) if style.dense else 3.0)


def _wall(pen, points, fed, style, outer, single, h, k) -> None:
    """One wall, in the way that the style has outer walls drawn."""
    if style.spiral and single:
        _climbing(pen, points, fed, h)
    elif style.scarf and outer:
        _scarfed(pen, points, fed, style, h, k)
    elif style.split and outer:
        _in_two(pen, points, fed, style)
    else:
        _closed(pen, points, fed, style)


def _led_in(pen: Pen, points: np.ndarray, per_mm: float, style: Style) -> None:
    """A stroke with filament through the air of an opening, to where its outer wall begins."""
    way = points.mean(axis=0) - points[0]
    pen.go(*(points[0] + way * style.lead / np.hypot(*way)))
    pen.draw(*points[0], per_mm)


def _started(points: np.ndarray, style: Style, rng) -> np.ndarray:
    """The loop from its seam on; the seam may lie between two vertices."""
    if style.seam_at is not None:
        ring = shapely.LinearRing(points)
        at = ring.project(shapely.Point(style.seam_at))
        return _cut(points, at)
    if style.seam == "random":
        return _cut(points, float(rng.uniform(0, shapely.LinearRing(points).length)))
    if style.seam == "vertex":
        return np.roll(points, -int(rng.integers(len(points))), axis=0)
    edge = np.roll(points, -1, axis=0) - points
    before = np.roll(edge, 1, axis=0)
    angle = np.arctan2(before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0], np.sum(before * edge, axis=1))
    return np.roll(points, -int(np.argmax(np.abs(angle))), axis=0)


def _cut(points: np.ndarray, at: float) -> np.ndarray:
    edge = np.roll(points, -1, axis=0) - points
    run = np.concatenate([[0.0], np.cumsum(np.hypot(edge[:, 0], edge[:, 1]))])
    i = int(np.clip(np.searchsorted(run, at, side="right") - 1, 0, len(points) - 1))
    share = (at - run[i]) / (run[i + 1] - run[i])
    start = points[i] + share * edge[i]
    return np.concatenate([[start], np.roll(points, -(i + 1), axis=0)])


def _closed(pen: Pen, points: np.ndarray, per_mm: float, style: Style) -> None:
    pen.retract(-0.8)
    pen.go(*points[0])
    pen.retract(0.8)
    path = np.concatenate([points[1:], points[:1]])
    centre = points.mean(axis=0)
    radii = np.hypot(*(points - centre).T)
    if style.arcs and len(points) > 24 and np.ptp(radii) < 0.01:
        area = np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
        for i in (len(path) // 3, 2 * len(path) // 3, len(path) - 1):
            pen.arc(*path[i], centre, bool(area > 0), per_mm)
        return
    if style.coast:
        path, rest = _shortened(np.concatenate([points[:1], path]), style.coast)
        for x, y in path[1:]:
            pen.draw(x, y, per_mm)
        if style.coast_moves:
            for x, y in rest:
                pen.move(x, y)
        _wipe(pen, points, style)
        return
    if style.seam_gap:
        last = path[-1] - path[-2]
        short = np.hypot(*last)
        if short > 2 * style.seam_gap:
            path[-1] = path[-1] - last / short * style.seam_gap
    for i, (x, y) in enumerate(path):
        pen.draw(x, y, per_mm)
        if style.crumbs and i in (len(path) // 3, len(path) // 2):
            # What three decimals leave of a rounded vertex: a step without a feed worth writing.
            pen.move(x + 0.001, y)
    on = path[0] - points[0]
    if style.seam_overlap and not style.seam_gap and np.hypot(*on) > 2 * style.seam_overlap:
        pen.draw(*(points[0] + on / np.hypot(*on) * style.seam_overlap), per_mm)
    _wipe(pen, points, style)


def _wipe(pen: Pen, points: np.ndarray, style: Style) -> None:
    """Back along the loop's beginning without feed."""
    if style.wipe:
        path, _ = _first_part(np.concatenate([points, points[:1]]), style.wipe)
        for x, y in path[1:]:
            pen.move(x, y)


def _shortened(path: np.ndarray, by: float) -> tuple[np.ndarray, np.ndarray]:
    """An open path without its last `by` mm, and the vertices of what is left off."""
    total = float(np.hypot(*np.diff(path, axis=0).T).sum())
    return _first_part(path, total - by)


def _first_part(path: np.ndarray, length: float) -> tuple[np.ndarray, np.ndarray]:
    """The first `length` mm of an open path, and the vertices after them."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    i = int(np.clip(np.searchsorted(run, length) - 1, 0, len(path) - 2))
    share = (length - run[i]) / (run[i + 1] - run[i])
    end = path[i] + share * (path[i + 1] - path[i])
    return np.concatenate([path[: i + 1], [end]]), path[i + 1 :]


def _in_two(pen: Pen, points: np.ndarray, per_mm: float, style: Style) -> None:
    """The loop in two strokes, one after the other, with a travel move away between them."""
    path = np.concatenate([points, points[:1]])
    total = float(np.hypot(*np.diff(path, axis=0).T).sum())
    one, rest = _first_part(path, total * 0.55)
    two = np.concatenate([one[-1:], rest])
    for part in (one, two[::-1] if style.split_back else two):
        pen.retract(-0.8)
        pen.go(*(part[0] + (7.0, 5.0)))
        pen.go(*part[0])
        pen.retract(0.8)
        for x, y in part[1:]:
            pen.draw(x, y, per_mm)


def _scarfed(pen: Pen, points: np.ndarray, per_mm: float, style: Style, h: float, k: int) -> None:
    """The seam as a ramp: the loop begins low and thin, and ends by running thin over its own beginning."""
    pen.retract(-0.8)
    top = float(pen.at[2])
    low = top - h * (k > 0) if style.scarf_rising else top
    pen.go(*points[0], low + 0.1 * (top - low))
    pen.retract(0.8)
    path = np.concatenate([points, points[:1]])
    total = float(np.hypot(*np.diff(path, axis=0).T).sum())
    ramp, rest = _first_part(path, min(style.scarf, 0.8 * total))
    ramp = _resampled(ramp, 12)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ramp, axis=0).T))])
    share = run / run[-1]
    for (x, y), s0, s1 in zip(ramp[1:], share[:-1], share[1:], strict=True):
        pen.draw(x, y, per_mm * (s0 + s1) / 2, z=low + (0.1 + 0.9 * s1) * (top - low))
    for x, y in rest:
        pen.draw(x, y, per_mm)
    for (x, y), s0, s1 in zip(ramp[1:], share[:-1], share[1:], strict=True):
        pen.draw(x, y, per_mm * (1 - (s0 + s1) / 2))


def _resampled(path: np.ndarray, count: int) -> np.ndarray:
    """An open path with at least so many pieces, its vertices kept."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.unique(np.round(np.concatenate([run, np.linspace(0, run[-1], count + 1)]), 6))
    return np.column_stack([np.interp(at, run, path[:, k]) for k in (0, 1)])


def _climbing(pen: Pen, points: np.ndarray, per_mm: float, h: float) -> None:
    """One turn of an endless wall: climbs by a layer on its way round."""
    z0 = pen.at[2] - h
    if np.hypot(*(pen.at[:2] - points[0])) > 1e-3:
        pen.go(*points[0])
    path = np.concatenate([points[1:], points[:1]])
    step = np.hypot(*(path - points).T)
    for (x, y), share in zip(path, np.cumsum(step) / step.sum(), strict=True):
        pen.draw(x, y, per_mm, z=z0 + h * (1 + share))


def _fill(pen: Pen, fill, per_mm: float, style: Style, k: int, gap: float = 3.0) -> None:
    """Lines across, mostly wide apart so that the files stay small; alternately along x and along y."""
    x0, y0, x1, y1 = fill.bounds
    lines = []
    for v in np.arange((x0 if k % 2 else y0) + gap / 2, x1 if k % 2 else y1, gap):
        lines.append([(v, y0 - 1), (v, y1 + 1)] if k % 2 else [(x0 - 1, v), (x1 + 1, v)])
    cut = fill.intersection(shapely.MultiLineString(lines)) if lines else shapely.LineString()
    for i, line in enumerate(getattr(cut, "geoms", [cut])):
        if line.length > 0.5:
            a, b = np.array(line.coords)[[0, -1]]
            if style.zigzag and i % 2:
                a, b = b, a
            near = np.hypot(*(a - pen.at[:2])) < 1.5 * gap
            if style.zigzag and near:
                pen.draw(*a, per_mm)
            else:
                pen.go(*a)
            pen.draw(*b, per_mm)


def _concentric(pen: Pen, fill, per_mm: float, pitch: float, style: Style) -> None:
    """Closed loops one inside the other until the middle is full."""
    inner = fill.buffer(-pitch / 2, join_style="mitre", mitre_limit=6)
    while not inner.is_empty:
        for part in getattr(inner, "geoms", [inner]):
            part = shapely.geometry.polygon.orient(part)
            for ring in (part.exterior, *part.interiors):
                if ring.length > 2:
                    _plain(pen, _ring(ring), per_mm)
        inner = inner.buffer(-pitch, join_style="mitre", mitre_limit=6)


def _purge(pen: Pen, style: Style) -> None:
    pen.go(1.0, 1.0, style.purge_z)
    pen.draw(40.0, 1.0, 0.05)
    pen.draw(40.0, 1.6, 0.05)
    pen.draw(1.0, 1.6, 0.05)


def _extras(pen: Pen, style: Style, middle: float, h: float) -> None:
    """Things on the plate that are no coupons: a tower that wipes the nozzle, somebody's box with a square hole."""
    shapes = []
    if middle < style.tower:
        shapes.append(shapely.box(150, 150, 158, 158))
    if style.other_part and middle < 12:
        shapes.append(shapely.box(150, 10, 180, 30).difference(shapely.box(160, 15, 170, 25)))
    if style.look_alike and middle < 12:
        # Foot of the stepped boss, all the way up.
        shapes.append(shapely.box(150, 40, 172, 62))
    for shape in shapes:
        for depth in (0.5, 1.5):
            wall = shape.buffer(-style.width * depth, join_style="mitre")
            wall = affinity.translate(wall, *style.shift)
            per_mm = style.flow * area_of(style, style.width, h) / (np.pi * style.filament**2 / 4)
            for ring in (wall.exterior, *wall.interiors):
                _plain(pen, _ring(ring), per_mm)


def _plain(pen: Pen, points: np.ndarray, per_mm: float) -> None:
    pen.go(*points[0])
    for x, y in np.concatenate([points[1:], points[:1]]):
        pen.draw(x, y, per_mm)


def _around(parts, by: float, style: Style) -> np.ndarray:
    shapes = [part.to_bed(p) for part in parts for p in part.drawn(style.layer / 2)]
    return _ring(
        shapely.MultiPoint([c for s in shapes for c in s.exterior.coords]).convex_hull.buffer(by).exterior
    )


def _skirt(pen: Pen, parts, style: Style, h: float) -> None:
    per_mm = bead_area(style.width, h) / (np.pi * style.filament**2 / 4)
    for by in (4.0, 4.0 + style.width):
        _closed(pen, _around(parts, by, style), per_mm, style)


def _raft(pen: Pen, parts, style: Style) -> None:
    per_mm = bead_area(style.width, style.layer) / (np.pi * style.filament**2 / 4)
    for i in range(style.raft):
        z = round((i + 1) * style.layer, 6)
        pen.go(*pen.at[:2], z)
        hull = shapely.Polygon(_around(parts, 2.0, style))
        _closed(pen, _ring(hull.exterior), per_mm, style)
        _fill(pen, hull.buffer(-style.width), per_mm, style, i)
