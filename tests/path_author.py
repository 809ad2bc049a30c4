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
from tests.path_hand import Hand
from tests.path_job import Job
from tests.pathwriter import sections

QUARTERS = {"as drawn": 0, "90": 90, "180": 180, "270": 270}


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
    hand = Hand(job)
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
