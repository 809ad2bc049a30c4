"""Pegs and holes as a printer with errors draws them, by plain geometry: independent of what predicts them."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LinearRing, Polygon

from fitassay.analysis.terms import INDEX, NAMES

WIDTH = 0.45
"""Bead width of the default machine [mm]."""


def played(points, theta, jumps=False, arrival=None):
    """A lap through an axis with play; the recursion of play, point by point (derived here).

    A negative play is a compensation set too high: it mirrors the play, or jumps ahead by half of it at once.
    `arrival` are the signs of the last moves in x and y before the lap; without it a lap like it went before.
    """
    out = np.empty_like(points)
    for axis, name in enumerate(("backlash_x", "backlash_y")):
        r = theta[INDEX[name]] / 2
        u = points[:, axis]
        if r < 0 and jumps:
            moves = np.diff(u, prepend=u[-1])
            sign = arrival[axis] if arrival else np.sign(moves[np.abs(moves) > 1e-12])[-1]
            for i, move in enumerate(moves):
                sign = np.sign(move) if abs(move) > 1e-12 and (i or not arrival) else sign
                out[i, axis] = u[i] - r * sign
            continue
        w = u[0]
        if arrival:
            w = u[0] - arrival[axis] * abs(r)
        else:
            for v in u:
                w = max(v - abs(r), min(v + abs(r), w))
        for i, v in enumerate(u):
            w = max(v - abs(r), min(v + abs(r), w))
            out[i, axis] = w if r >= 0 else 2 * v - w
    return out


def path_of(kind, nominal, theta, n=1440, ccw=None, jumps=False, corner=0, arrival=None):
    """Nozzle path of a round or square peg ("out") or hole ("in"), counter-clockwise unless it is a hole.

    `corner` is where a square's loop begins, from the lower left one on; `arrival` as in `played`.
    """
    shape, side = kind
    e = {t: theta[INDEX[t]] for t in NAMES}
    sign = 1 if side == "out" else -1
    turn = sign if ccw is None else (1 if ccw else -1)
    half = (nominal - sign * WIDTH) / 2 + sign * e["contour_offset"]
    if shape == "round":
        if side == "in":
            half -= e["bore_closure"] * 3.0 / nominal / 2
        a = turn * 2 * math.pi * np.arange(n) / n
        points = half * np.column_stack([np.cos(a), np.sin(a)])
    else:
        s = np.linspace(-1, 1, n // 4, endpoint=False)
        one = np.ones_like(s)
        points = half * np.concatenate(
            [np.column_stack(p) for p in ((s, -one), (one, s), (-s, one), (-one, -s))]
        )
        points = points if turn > 0 else np.concatenate([points[:1], points[:0:-1]])
        points = np.roll(points, -corner * (n // 4), axis=0)
    points = points * [1 + e["scale_x"], 1 + e["scale_y"]]
    if arrival:
        # The lap is closed where it began, by its own last move.
        points = np.concatenate([points, points[:1]])
    points = played(points, theta, jumps, arrival)
    points[:, 0] += e["skew_xy"] * points[:, 1]
    return points


def stands_out(theta):
    """By how much a printed size is larger outside, and smaller inside, than path and bare bead make it [mm].

    Layers stand out by their unevenness in all, dense filling pushes each wall out.
    """
    return theta[INDEX["bead_excess"]] + theta[INDEX["uneven_layers"]] + 2 * theta[INDEX["push_out"]]


def geometric_clearance(pair, theta, rotation, shift=(0.0, 0.0)):
    """Twice the gap of the two paths, less both beads."""
    peg = Polygon(path_of((pair.shape, "out"), pair.peg, theta))
    peg = affinity.translate(affinity.rotate(peg, rotation, origin=(0, 0), use_radians=True), *shift)
    hole = LinearRing(path_of((pair.shape, "in"), pair.hole, theta))
    assert peg.is_valid and Polygon(hole).buffer(0).contains(peg)
    return 2 * (peg.distance(hole) - WIDTH - stands_out(theta))


class PrintedPair:
    """A round peg and its hole, as printed; a bought peg is a circle."""

    def __init__(self, peg, hole, theta, *, flipped=False, holes_ccw=False, jumps=False, bought=False):
        outline = path_of(("round", "out"), peg, theta, 720, jumps=jumps)
        bead = stands_out(theta)
        if bought:
            outline, bead = path_of(("round", "out"), peg, np.zeros(len(NAMES)), 720), 0.0
        self._peg = Polygon(outline * [-1, 1] if flipped else outline)
        self._hole = LinearRing(path_of(("round", "in"), hole, theta, 720, holes_ccw, jumps))
        self._beads = 2 * WIDTH + bead + stands_out(theta)

    def sits(self, rotation):
        """Clearance with the peg turned by so much [mm]."""
        turned = affinity.rotate(self._peg, rotation, origin=(0, 0), use_radians=True)
        return 2 * _signed_gap(turned.convex_hull, self._hole) - self._beads

    def turns(self):
        """Clearance at the tightest place of a turn [mm]."""
        circle = shapely.hausdorff_distance(shapely.Point(0, 0), self._peg.exterior)
        return 2 * (shapely.Point(0, 0).distance(self._hole) - circle) - self._beads


def square_clearance(peg, hole, theta, peg_seam=(0, None), hole_seam=(0, None)):
    """Clearance of a square peg between the flanks of its square hole, free to move sideways [mm].

    Measured between points on the middles of the flanks; a seam is (corner, arrival) as in `path_of`.
    """
    beads = 2 * (WIDTH + stands_out(theta))
    gaps = []
    paths = [
        path_of(("square", side), size, theta, 1440, corner=corner, arrival=arrival)
        for side, size, (corner, arrival) in (("out", peg, peg_seam), ("in", hole, hole_seam))
    ]
    for axis in (0, 1):
        spans = []
        for path, size in zip(paths, (peg, hole), strict=True):
            middle = path[np.abs(path[:, 1 - axis]) < size / 8][:, axis]
            spans.append(middle.max() - middle.min())
        gaps.append(spans[1] - spans[0] - beads)
    return min(gaps)


def _signed_gap(peg, hole):
    """Gap of a convex peg within a ring; where they cross, less what the peg must shrink to be free."""
    shrink = 0.0
    while True:
        smaller = affinity.scale(peg, 1 - shrink, 1 - shrink, origin=(0, 0))
        if Polygon(hole).buffer(0).contains(smaller):
            radius = np.linalg.norm(shapely.get_coordinates(peg), axis=1).mean()
            return smaller.distance(hole) - shrink * radius
        shrink += 0.02
