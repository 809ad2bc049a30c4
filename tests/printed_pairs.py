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


def played(points, theta):
    """Two laps through an axis with play, the second kept; the recursion of play, point by point (derived here)."""
    out = np.empty_like(points)
    for axis, name in enumerate(("backlash_x", "backlash_y")):
        r = theta[INDEX[name]] / 2
        w = points[0, axis]
        for lap in range(2):
            for i, u in enumerate(points[:, axis]):
                w = max(u - abs(r), min(u + abs(r), w))
                if lap:
                    out[i, axis] = w if r >= 0 else 2 * u - w
    return out


def path_of(kind, nominal, theta, n=1440):
    """Nozzle path of a round or square peg ("out") or hole ("in")."""
    shape, side = kind
    e = {t: theta[INDEX[t]] for t in NAMES}
    sign = 1 if side == "out" else -1
    half = (nominal - sign * WIDTH) / 2 + sign * e["contour_offset"]
    if shape == "round":
        if side == "in":
            half -= e["bore_closure"] * 3.0 / nominal / 2
        a = sign * 2 * math.pi * np.arange(n) / n
        points = half * np.column_stack([np.cos(a), np.sin(a)])
    else:
        s = np.linspace(-1, 1, n // 4, endpoint=False)
        one = np.ones_like(s)
        points = half * np.concatenate(
            [np.column_stack(p) for p in ((s, -one), (one, s), (-s, one), (-one, -s))]
        )
        points = points if side == "out" else points[::-1]
    points = points * [1 + e["scale_x"], 1 + e["scale_y"]]
    points = played(points, theta)
    points[:, 0] += e["skew_xy"] * points[:, 1]
    return points


def geometric_clearance(pair, theta, rotation, shift=(0.0, 0.0)):
    """Twice the gap of the two paths, less both beads."""
    peg = Polygon(path_of((pair.shape, "out"), pair.peg, theta))
    peg = affinity.translate(affinity.rotate(peg, rotation, origin=(0, 0), use_radians=True), *shift)
    hole = LinearRing(path_of((pair.shape, "in"), pair.hole, theta))
    assert peg.is_valid and Polygon(hole).buffer(0).contains(peg)
    return 2 * (peg.distance(hole) - WIDTH - theta[INDEX["bead_excess"]])


class PrintedPair:
    """A round peg and its hole, as printed."""

    def __init__(self, peg, hole, theta):
        self._peg = Polygon(path_of(("round", "out"), peg, theta, 720))
        self._hole = LinearRing(path_of(("round", "in"), hole, theta, 720))
        self._beads = 2 * (WIDTH + theta[INDEX["bead_excess"]])

    def sits(self, rotation):
        """Clearance with the peg turned by so much [mm]."""
        turned = affinity.rotate(self._peg, rotation, origin=(0, 0), use_radians=True)
        return 2 * _signed_gap(turned, self._hole) - self._beads

    def turns(self):
        """Clearance at the tightest place of a turn [mm]."""
        circle = shapely.minimum_bounding_radius(self._peg)
        return 2 * (shapely.Point(0, 0).distance(self._hole) - circle) - self._beads


def _signed_gap(peg, hole):
    """Gap of a convex peg within a ring; where they cross, less what the peg must shrink to be free."""
    shrink = 0.0
    while True:
        smaller = affinity.scale(peg, 1 - shrink, 1 - shrink, origin=(0, 0))
        if Polygon(hole).buffer(0).contains(smaller):
            radius = np.linalg.norm(shapely.get_coordinates(peg), axis=1).mean()
            return smaller.distance(hole) - shrink * radius
        shrink += 0.02
