"""A second writer of RS-274 paths for the tests, unlike tests/pathwriter.py in everything that must not matter.

Written from what slicing programs are known to do (common practice, no source): order of pieces and walls, seams,
fillings, retractions, arcs, numbers and comments are all of another make. Nothing here is used by the program.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry.polygon import orient

from fitassay.coupons.feature import Coupon
from fitassay.coupons.solid import Solid
from tests.pathwriter import sections

QUARTERS = {"as drawn": 0, "90": 90, "180": 180, "270": 270}


@dataclass(frozen=True, kw_only=True)
class Job:
    """Everyday settings, and the manner of writing; lengths in mm, speeds in mm/s."""

    width: float = 0.45
    inner: float = 0.45
    first_width: float = 0.45
    layer: float = 0.2
    first_layer: float = 0.2
    walls: int = 2
    flow: float = 1.0
    sides: float = 0.0
    holes: float = 0.0
    foot: float = 0.0
    overlap: bool = False
    square: bool = False
    filament: float = 1.75
    volume: bool = False
    order: str = "in"
    by_island: bool = True
    clockwise: bool = False
    seam: str = "rear"
    end_gap: float = 0.0
    coast: float = 0.0
    scarf: float = 0.0
    fill: str = "lines"
    density: float = 0.15
    solid: int = 3
    join: str = "mitre"
    chord: float = 0.0
    turn: str = "as drawn"
    at: tuple[float, float] = (0.0, 0.0)
    skirt: int = 0
    brim: int = 0
    tower: bool = False
    other: bool = False
    copies: bool = False
    in_turn: bool = False
    # Manner.
    hop: float = 0.0
    retract: str = "E"
    wipe: float = 0.0
    arcs: str = ""
    absolute: bool = False
    resets: bool = True
    decimals: int = 3
    strip: bool = False
    modal: bool = False
    rate_first: bool = False
    comments: str = ";"
    travel: str = "G0"
    outer_rate: float = 25.0
    inner_rate: float = 45.0


def everyday(rng: np.random.Generator) -> Job:
    """Settings as people have them, several unusual at once now and then."""

    def pick(*values):
        return values[int(rng.integers(len(values)))]

    def seldom(value, usual, share=0.2):
        return value if rng.random() < share else usual

    width = pick(0.45, 0.45, 0.4, 0.42, 0.44, 0.48, 0.5, 0.6)
    layer = pick(0.2, 0.2, 0.2, 0.2, 0.1, 0.12, 0.15, 0.16, 0.24, 0.25, 0.28, 0.3)
    end = rng.random()
    return Job(
        width=width,
        inner=pick(width, width, 0.45, 0.5),
        first_width=pick(width, 0.5, 0.42, 0.6),
        layer=layer,
        first_layer=pick(layer, layer, 0.2, 0.25, 0.3),
        walls=pick(2, 2, 3, 4),
        flow=seldom(round(float(rng.uniform(0.9, 1.08)), 2), 1.0, 0.35),
        sides=seldom(round(float(rng.uniform(-0.2, 0.2)), 2), 0.0, 0.3),
        holes=seldom(round(float(rng.uniform(-0.15, 0.15)), 2), 0.0, 0.25),
        foot=seldom(pick(0.1, 0.15, 0.2), 0.0, 0.3),
        overlap=pick(True, False),
        square=seldom(True, False, 0.3),
        filament=seldom(2.85, 1.75, 0.05),
        volume=seldom(True, False, 0.08),
        order=pick("in", "out", "in out in"),
        by_island=pick(True, False),
        clockwise=seldom(True, False),
        seam=pick("rear", "near", "random", "corner"),
        end_gap=pick(0.0, 0.0, 0.05, 0.1, 0.2),
        coast=float(rng.uniform(0.2, 1.5)) if end < 0.12 else 0.0,
        scarf=float(rng.uniform(4, 20)) if 0.12 <= end < 0.24 else 0.0,
        fill=pick("lines", "grid", "rings", "waves", "none"),
        density=pick(0.1, 0.15, 0.2, 0.3),
        solid=pick(2, 3, 4),
        join=pick("mitre", "round"),
        chord=pick(0.0, 0.0, 0.01, 0.02),
        turn=pick("as drawn", "as drawn", "90", "180", "270"),
        at=(round(float(rng.uniform(-120, 40)), 2), round(float(rng.uniform(-120, 40)), 2)),
        skirt=pick(0, 1, 2),
        brim=seldom(5, 0),
        tower=seldom(True, False),
        other=seldom(True, False),
        copies=seldom(True, False, 0.1),
        in_turn=seldom(True, False, 0.1),
        hop=pick(0.0, 0.0, 0.2, 0.4),
        retract=pick("E", "E", "G10", "wipe", "none"),
        wipe=pick(0.0, 0.0, 1.5),
        arcs=pick("", "", "", "parts", "whole"),
        absolute=pick(True, False),
        resets=pick(True, False),
        decimals=pick(3, 3, 3, 4, 5),
        strip=pick(True, False),
        modal=seldom(True, False, 0.1),
        rate_first=pick(True, False),
        comments=pick(";", ";", "(", ""),
        travel=pick("G0", "G1"),
        outer_rate=float(pick(20, 25, 40, 120)),
        inner_rate=float(pick(25, 60, 150)),
    )


@dataclass
class Authored:
    """The file, and where its outer walls begin by coupon [mm]."""

    text: str
    seams: dict[str, list[np.ndarray]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Piece:
    key: str
    solid: Solid
    corner: tuple[float, float]
    height: float


def author(coupons: list[tuple[Coupon, Solid]], job: Job, seed: int) -> Authored:
    """Write the file of these coupons."""
    rng = np.random.default_rng(seed)
    hand = _Hand(job)
    made = Authored("")
    pieces = [_Piece(c.id, s, c.origin_on_plate_mm, c.size_mm[2]) for c, s in coupons]
    if job.copies:
        first = pieces[0]
        pieces.append(replace(first, corner=(first.corner[0] + 3.0, first.corner[1] + 130.0)))
    hand.head()
    slicer = _Slicer(job)
    plates = [[p] for p in pieces] if job.in_turn else [pieces]
    for k, plate in enumerate(plates):
        if k:
            hand.rise(hand.z + 8.0)
        _plate(hand, slicer, plate, job, rng, made, first=k == 0)
    hand.tail()
    made.text = "\n".join(hand.lines) + "\n"
    return made


def _plate(hand, slicer, plate, job, rng, made, first) -> None:
    top, z, k = max(p.height for p in plate), 0.0, 0
    while z + (h := job.first_layer if k == 0 else job.layer) / 2 < top:
        z = round(z + h, 5)
        hand.note(f"layer {k} at {z:g}")
        if job.resets:
            hand.reset()
        hand.rise(z)
        if k == 0 and first:
            hull = shapely.union_all([slicer.flat(p, h / 2) for p in plate]).convex_hull
            for i in range(job.skirt, 0, -1):
                ring = hull.buffer(3 + i * job.width).exterior
                hand.loop(np.array(ring.coords)[:-1], slicer.per_mm(job.width, h), job.inner_rate)
        if job.tower:
            _tower(hand, slicer, job, h, k)
        if job.other and z < 9:
            ring = affinity.translate(shapely.Point(0, 0).buffer(11, quad_segs=24), *_far(job, 1))
            body = ring.difference(ring.centroid.buffer(4, quad_segs=16))
            for _, loop in slicer.loops(body, first=False, h=h)[0]:
                hand.loop(loop, slicer.per_mm(job.inner, h), job.inner_rate)
        order = list(range(len(plate)))
        if rng.random() < 0.5:
            order.reverse()
        for i in order:
            piece = plate[i]
            if z - h / 2 < piece.height:
                seams = made.seams.setdefault(piece.key, [])
                _layer(hand, slicer, piece, (z - h / 2, h, k), job, rng, seams)
        k += 1


def _far(job: Job, k: int) -> tuple[float, float]:
    return job.at[0] + 190.0, job.at[1] + 30.0 + 40 * k


def _tower(hand, slicer, job, h, k) -> None:
    x, y = _far(job, 0)
    box = shapely.box(x, y, x + 14, y + 14)
    per_mm = slicer.per_mm(job.width, h)
    for i in (0, 1):
        hand.loop(np.array(box.buffer(-i * job.width).exterior.coords)[:-1], per_mm, job.inner_rate)
    for line in _hatching(box.buffer(-1.2), 0.0 if k % 2 else 90.0, 0.9):
        hand.line(line, per_mm, job.inner_rate)


def _layer(hand, slicer, piece, level, job, rng, seams) -> None:
    middle, h, k = level
    islands = []
    for body in slicer.bodies(piece, middle, h, k == 0):
        islands.append(slicer.loops(body, k == 0, h))
    if k == 0 and job.brim:
        hull = shapely.union_all([slicer.flat(piece, middle)])
        for i in range(job.brim, 0, -1):
            edge = hull.buffer(max(job.sides, 0) + (i - 0.5) * job.width, join_style="round")
            for part in getattr(edge, "geoms", [edge]):
                hand.loop(np.array(part.exterior.coords)[:-1], slicer.per_mm(job.width, h), job.inner_rate)
    groups = [[i] for i in islands] if job.by_island else [islands]
    groups.sort(key=lambda g: float(np.hypot(*(g[0][0][0][1][0] - hand.at[:2]))) if g[0][0] else 0.0)
    whole = k < job.solid or middle > piece.height - job.solid * job.layer
    for group in groups:
        depths = _order(job)
        for depth in depths:
            loops = [(d, p) for walls, _ in group for d, p in walls if d == depth]
            for _, points in _nearest_first(loops, hand):
                wide = slicer.width_of(depth, k == 0)
                per_mm = slicer.per_mm(wide, h)
                rate = job.inner_rate if depth else job.outer_rate
                points = _begun(points, job, hand, rng)
                if depth == 0:
                    seams.append(points[0])
                hand.loop(points, per_mm, rate if k else 20.0, outer=depth == 0, climb=h if k else 0.0)
        for _, rest in group:
            _filling(hand, slicer, rest, (h, k), whole, job)


def _order(job: Job) -> list[int]:
    depths = list(range(job.walls))
    if job.order == "in":
        return depths[::-1]
    if job.order == "in out in" and job.walls > 2:
        return [1, 0, *depths[2:]]
    return depths


def _nearest_first(loops, hand) -> Iterator[tuple[int, np.ndarray]]:
    left = list(loops)
    while left:
        i = int(np.argmin([np.hypot(*(p - hand.at[:2]).T).min() for _, p in left]))
        yield left.pop(i)


def _begun(points: np.ndarray, job: Job, hand, rng) -> np.ndarray:
    """The loop from its seam on."""
    if job.seam == "random":
        ring = shapely.LinearRing(points)
        at = float(rng.uniform(0, ring.length))
        run = np.concatenate(
            [[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T))]
        )
        i = int(np.searchsorted(run, at, side="right")) - 1
        start = np.array(ring.interpolate(at).coords[0])
        rest = np.roll(points, -(i + 1), axis=0)
        return np.vstack([start, rest[np.hypot(*(rest - start).T) > 1e-6]])
    if job.seam == "near":
        i = int(np.argmin(np.hypot(*(points - hand.at[:2]).T)))
    elif job.seam == "rear":
        i = int(np.argmax(points[:, 1] + 1e-3 * points[:, 0]))
    else:
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        i = int(np.argmin(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]))
    return np.roll(points, -i, axis=0)


def _hatching(shape, angle: float, gap: float) -> list[np.ndarray]:
    """Lines across a shape, by turns there and back."""
    turned = affinity.rotate(shape, -angle, origin=(0, 0))
    if turned.is_empty:
        return []
    x0, y0, x1, y1 = turned.bounds
    rows = np.arange(np.ceil(y0 / gap) * gap + 1e-4, y1, gap)
    cut = turned.intersection(shapely.MultiLineString([[(x0 - 1, y), (x1 + 1, y)] for y in rows.tolist()]))
    back = affinity.rotate(cut, angle, origin=(0, 0))
    lines = [np.array(g.coords) for g in getattr(back, "geoms", [back]) if g.length > 0.6]
    return [line[::-1] if i % 2 else line for i, line in enumerate(lines)]


def _filling(hand, slicer, rest, level, whole, job) -> None:
    h, k = level
    per_mm = slicer.per_mm(job.inner, h)
    pitch = slicer.pitch(job.inner, h)
    if rest.is_empty:
        return
    if whole:
        _solid(hand, rest, per_mm, pitch, 45.0 if k % 2 else 135.0, job)
        return
    gap = pitch / job.density
    if job.fill in ("lines", "grid"):
        for angle in (45.0, 135.0) if job.fill == "grid" else (45.0 + 90.0 * (k % 2),):
            for line in _hatching(rest, angle, gap):
                hand.line(line, per_mm, job.inner_rate)
    elif job.fill == "rings":
        inner = rest.buffer(-gap / 2)
        while not inner.is_empty:
            for part in getattr(inner, "geoms", [inner]):
                if part.exterior.length > 4:
                    hand.loop(np.array(part.exterior.coords)[:-1], per_mm, job.inner_rate)
            inner = inner.buffer(-gap)
    elif job.fill == "waves":
        for wave in _waves(rest, gap, k):
            hand.line(wave, per_mm, job.inner_rate)


def _solid(hand, rest, per_mm: float, pitch: float, angle: float, job: Job) -> None:
    """Lines side by side, each joined to the next where they end near each other."""
    joined: list[np.ndarray] = []
    for line in _hatching(rest, angle, pitch):
        if joined and np.hypot(*(joined[-1][-1] - line[0])) < 2.2 * pitch:
            joined[-1] = np.vstack([joined[-1], line])
        else:
            joined.append(line)
    for line in joined:
        hand.line(line, per_mm, job.inner_rate)


def _waves(rest, gap: float, k: int) -> Iterator[np.ndarray]:
    x0, y0, x1, y1 = rest.bounds
    x = np.arange(x0, x1 + 0.8, 0.8)
    for y in np.arange(y0, y1, gap).tolist() if len(x) > 1 else ():
        wave = shapely.LineString(np.column_stack([x, y + 0.6 * np.sin(x + k)])).intersection(rest)
        for part in getattr(wave, "geoms", [wave]):
            if part.length > 1:
                yield np.array(part.coords)


class _Slicer:
    """Sections, walls and cross-sections under one job's settings."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self._flat: dict[tuple[str, tuple[float, float], float], object] = {}
        self._loops: dict[bytes, tuple] = {}

    def flat(self, piece: _Piece, z: float):
        key = (piece.key, piece.corner, round(z, 5))
        if key not in self._flat:
            shape = shapely.union_all(sections(piece.solid, z))
            shape = affinity.translate(shape, *piece.corner)
            shape = affinity.rotate(shape, QUARTERS[self.job.turn], origin=(60.0, 60.0))
            self._flat[key] = affinity.translate(shape, *self.job.at)
        return self._flat[key]

    def bodies(self, piece: _Piece, z: float, h: float, first: bool) -> list[shapely.Polygon]:
        """What is drawn, compensated."""
        job = self.job
        inset = job.foot if first else 0.0
        bodies = []
        shape = self.flat(piece, z)
        for part in getattr(shape, "geoms", [shape]):
            outside = shapely.Polygon(part.exterior).buffer(job.sides - inset, join_style="mitre")
            inside = [
                shapely.Polygon(r).buffer(-(job.sides + job.holes) + inset, join_style="mitre")
                for r in part.interiors
            ]
            body = outside.difference(shapely.union_all(inside)) if inside else outside
            bodies += [b for b in getattr(body, "geoms", [body]) if b.area > 0.05]
        return bodies

    def width_of(self, depth: int, first: bool) -> float:
        job = self.job
        if first:
            return job.first_width
        return job.inner if depth else job.width

    def pitch(self, width: float, h: float) -> float:
        return width - h * (1 - np.pi / 4) if self.job.overlap else width

    def per_mm(self, width: float, h: float) -> float:
        area = width * h if self.job.square else (width - h) * h + np.pi * h * h / 4
        return self.job.flow * area / (np.pi * self.job.filament**2 / 4)

    def loops(self, body, first: bool, h: float) -> tuple[list[tuple[int, np.ndarray]], object]:
        key = shapely.to_wkb(body) + bytes([first]) + repr(round(h, 4)).encode()
        if key in self._loops:
            return self._loops[key]
        job = self.job
        found: list[tuple[int, np.ndarray]] = []
        deep = self.width_of(0, first) / 2
        for depth in range(job.walls):
            if depth:
                one, two = self.width_of(depth - 1, first), self.width_of(depth, first)
                deep += (self.pitch(one, h) + self.pitch(two, h)) / 2
            inner = body.buffer(-deep, join_style=job.join, quad_segs=12)
            for part in getattr(inner, "geoms", [inner]):
                if part.is_empty:
                    continue
                if job.chord:
                    part = part.simplify(job.chord)
                part = orient(part, -1.0 if job.clockwise else 1.0)
                found += [(depth, np.array(r.coords)[:-1]) for r in (part.exterior, *part.interiors)]
        last = self.width_of(job.walls - 1, first)
        rest = body.buffer(-deep - self.pitch(last, h) / 2)
        self._loops[key] = (found, rest)
        return self._loops[key]


class _Hand:
    """Writes moves."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.lines: list[str] = []
        self.at = np.array([0.0, 0.0, 30.0])
        self.e = 0.0
        self.z = 0.0
        self.rate = 0.0
        self.code = ""
        self.back = False

    def note(self, text: str) -> None:
        if self.job.comments == ";":
            self.lines.append(f";{text.upper()}")
        elif self.job.comments == "(":
            self.lines.append(f"({text})")

    def raw(self, text: str) -> None:
        self.lines.append(text)
        self.code = ""

    def head(self) -> None:
        job = self.job
        self.note("an orrery kit, X10 Y20 E3 in all")
        for text in ("M73 P0 R12", "M201 X500 Y500", "M140 S60", "M104 S205", "G21", "G90"):
            self.raw(text)
        self.raw("M82" if job.absolute else "M83")
        if job.volume:
            self.raw(f"M200 D{job.filament:g}")
        for text in ("M190 S60", "G28 ; home", "M109 S205", "M107"):
            self.raw(text.split(" ;")[0] if not job.comments else text)
        self.reset()
        self._move([2.0, -3.0, 0.3], 0.0, 80.0)
        self._move([62.0, -3.0, 0.3], 0.06 * 60, 15.0)
        self._move([62.0, -2.6, 0.3], 0.0, 80.0)
        self._move([2.0, -2.6, 0.3], 0.06 * 60, 15.0)
        self.reset()

    def tail(self) -> None:
        self._retract()
        for text in ("G91", "G1 Z8 F600", "G90", "M104 S0", "M140 S0", "M84"):
            self.raw(text)
        self.note("width = 0.9, layers = 77")

    def reset(self) -> None:
        self.raw("G92 E0")
        self.e = 0.0

    def rise(self, z: float) -> None:
        self._retract()
        self.z = z
        self._move([self.at[0], self.at[1], z], 0.0, 10.0)

    def _number(self, value: float, digits: int) -> str:
        text = f"{value:.{digits}f}"
        if self.job.strip and "." in text:
            text = text.rstrip("0").rstrip(".")
            text = text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
        return "0" if text in ("-0", "") else text

    def _words(self, to: np.ndarray, fed: float | None, rate: float) -> list[str]:
        words = []
        for letter, a, b in zip("XYZ", self.at, to, strict=True):
            if abs(a - b) > 1e-7:
                words.append(letter + self._number(b, self.job.decimals))
        if fed:
            if self.job.volume:
                fed *= np.pi * self.job.filament**2 / 4
            self.e += fed
            words.append("E" + self._number(self.e if self.job.absolute else fed, 5))
        if rate and rate != self.rate:
            words.insert(0 if self.job.rate_first else len(words), f"F{rate * 60:g}")
            self.rate = rate
        return words

    def _move(self, to, fed: float, rate: float, code: str = "", extra: str = "") -> None:
        to = np.array(to, dtype=float)
        code = code or ("G1" if fed else self.job.travel)
        words = self._words(to, fed, rate)
        if not words:
            return
        if extra:
            words.insert(len(words) - (1 if words[-1][0] == "E" else 0), extra)
        head = [] if self.job.modal and code == self.code else [code]
        self.lines.append(" ".join([*head, *words]))
        self.code = code
        self.at = to

    def _retract(self, path: np.ndarray | None = None) -> None:
        if self.back or self.job.retract == "none":
            return
        if self.job.retract == "G10":
            self.raw("G10")
        elif self.job.retract == "wipe" and path is not None and len(path) > 1:
            # Back over what was drawn, while the filament is drawn back.
            target, length = path[-2], float(np.hypot(*(path[-2] - path[-1])))
            if length > 0.3:
                target = path[-1] + (path[-2] - path[-1]) * min(1.0, 1.0 / length)
            self._move([*target, self.at[2]], -0.8, 40.0, "G1")
        else:
            self._move(self.at, -0.8, 40.0, "G1")
        self.back = True

    def _ready(self) -> None:
        if self.back:
            if self.job.retract == "G10":
                self.raw("G11")
            else:
                self._move(self.at, 0.8, 40.0, "G1")
            self.back = False

    def _travel(self, to: np.ndarray, z: float) -> None:
        far = float(np.hypot(*(to - self.at[:2])))
        if far < 1e-6 and abs(z - self.at[2]) < 1e-6:
            return
        if far > 1.5:
            self._retract()
            if self.job.hop:
                self._move([*self.at[:2], self.z + self.job.hop], 0.0, 12.0)
                self._move([*to, self.z + self.job.hop], 0.0, 150.0)
        self._move([*to, self.at[2]], 0.0, 150.0)
        self._move([*to, z], 0.0, 12.0)
        self._ready()

    def line(self, points: np.ndarray, per_mm: float, rate: float) -> None:
        self._travel(points[0], self.z)
        for a, b in zip(points[:-1], points[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)

    def loop(
        self, points: np.ndarray, per_mm: float, rate: float, outer: bool = False, climb: float = 0.0
    ) -> None:
        """A closed path from its first point on; outer walls have the job's way of ending."""
        job = self.job
        path = np.vstack([points, points[:1]])
        length = float(np.hypot(*np.diff(path, axis=0).T).sum())
        if outer and job.scarf and climb and length > 2.5 * job.scarf:
            self._scarf(path, per_mm, rate, climb)
            return
        off = job.coast if outer and length > 8 else 0.0
        gap = job.end_gap if outer and length > 4 else 0.0
        circle = None if not job.arcs or off or gap else _circle(points)
        self._travel(points[0], self.z)
        if circle is not None:
            self._round(points, circle, per_mm, rate)
            return
        drawn, rest = _parted(path, length - off - gap)
        for a, b in zip(drawn[:-1], drawn[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)
        if off:
            for b in _parted(rest, off)[0][1:]:
                self._move([*b, self.z], 0.0, rate, "G1")
        if job.wipe and outer and not gap:
            for b in _parted(path, min(job.wipe, length / 3))[0][1:]:
                self._move([*b, self.z], 0.0, rate, "G1")
        self._retract(drawn)

    def _scarf(self, path: np.ndarray, per_mm: float, rate: float, climb: float) -> None:
        """The beginning rises from the layer below with growing feed; the end runs thin over it."""
        ramp, rest = _parted(path, self.job.scarf)
        steps = max(int(self.job.scarf / 1.0), 4)
        ramp = _with_points(ramp, steps)
        run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ramp, axis=0).T))])
        share = run / run[-1]
        low = self.z - climb
        self._travel(ramp[0], low + 0.05 * climb)
        for a, b, s, t in zip(ramp[:-1], ramp[1:], share[:-1], share[1:], strict=True):
            fed = per_mm * float(np.hypot(*(b - a))) * (s + t) / 2
            self._move([*b, low + climb * max(t, 0.05)], fed, rate)
        for a, b in zip(rest[:-1], rest[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)
        for a, b, s, t in zip(ramp[:-1], ramp[1:], share[:-1], share[1:], strict=True):
            fed = per_mm * float(np.hypot(*(b - a))) * (1 - (s + t) / 2)
            self._move([*b, self.z], fed, rate)

    def _round(self, points: np.ndarray, circle, per_mm: float, rate: float) -> None:
        centre, radius = circle
        area = float(
            np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
        )
        code = "G3" if area > 0 else "G2"
        ends = (
            [0] if self.job.arcs == "whole" else [len(points) // 4, len(points) // 2, 3 * len(points) // 4, 0]
        )
        begin = 0
        for end in ends:
            a, b = points[begin], points[end]
            angle = 2 * np.pi * ((end - begin) % len(points) or len(points)) / len(points)
            if begin != end:
                u, v = a - centre, b - centre
                angle = float(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)) % (2 * np.pi)
                angle = angle if area > 0 else 2 * np.pi - angle
            way = " ".join(
                letter + self._number(float(c), self.job.decimals)
                for letter, c in zip("IJ", centre - a, strict=True)
            )
            self._move([*b, self.z], per_mm * radius * angle, rate, code, way)
            begin = end


def _circle(points: np.ndarray) -> tuple[np.ndarray, float] | None:
    if len(points) < 20:
        return None
    centre = (points.max(axis=0) + points.min(axis=0)) / 2
    radii = np.hypot(*(points - centre).T)
    return (centre, float(radii.mean())) if np.ptp(radii) < 0.004 else None


def _parted(path: np.ndarray, length: float) -> tuple[np.ndarray, np.ndarray]:
    """An open path's first so many millimetres, and what follows, from the same point on."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    if length >= run[-1] - 1e-9:
        return path, path[-1:]
    i = int(np.searchsorted(run, length, side="right")) - 1
    share = (length - run[i]) / (run[i + 1] - run[i])
    at = path[i] + share * (path[i + 1] - path[i])
    before = path[: i + 1] if share < 1e-9 else np.vstack([path[: i + 1], at])
    return before, np.vstack([at, path[i + 1 :]])


def _with_points(path: np.ndarray, steps: int) -> np.ndarray:
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.unique(np.round(np.concatenate([run, np.linspace(0, run[-1], steps + 1)]), 6))
    return np.column_stack([np.interp(at, run, path[:, k]) for k in (0, 1)])
