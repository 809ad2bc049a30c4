"""Walls: loops of beads side by side inside an outline, each begun at its sharpest corner."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from fitassay.coupons.toolpath.stroke import Line, Stroke

MITRE_LIMIT = 6.0

ROUND_RAD = math.radians(30)
"""A path that nowhere turns by more has no corner to hide a seam in."""

LEAD_MM = 3.0
"""The empty nozzle goes along a loop's end until it has moved so far in x and in y, farther than any play."""


def inside(body: Any, depth: float) -> Any:
    """The shapely region `depth` [mm] inside a region's edges, corners kept sharp."""
    return body.buffer(-depth, join_style="mitre", mitre_limit=MITRE_LIMIT)


def loops_inside(body: Any, depth: float) -> list[np.ndarray]:
    """Closed paths `depth` [mm] inside a shapely region, material on the left; ndarrays (m, 2), open."""
    import shapely

    inner = inside(body, depth)
    return [
        np.array(ring.coords)[:-1]
        for part in getattr(inner, "geoms", [inner])
        if not part.is_empty
        for oriented in [shapely.geometry.polygon.orient(part)]
        for ring in (oriented.exterior, *oriented.interiors)
    ]


def turning_angles(points: np.ndarray) -> np.ndarray:
    """Change of direction at each vertex of a closed path, ndarray (m,) [rad], left positive."""
    edge = np.roll(points, -1, axis=0) - points
    before = np.roll(edge, 1, axis=0)
    cross = before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0]
    return np.arctan2(cross, np.sum(before * edge, axis=1))


def from_sharpest(points: np.ndarray) -> np.ndarray:
    """The closed path begun where a seam does least harm: at its sharpest corner, or, round, between the jaws.

    Of a round one that is the low left vertex farthest from where x and y are measured.
    """
    turns = np.abs(turning_angles(points))
    first = int(np.argmax(turns))
    if turns[first] < ROUND_RAD:
        x, y = ((points.min(axis=0) + points.max(axis=0)) / 2 - points).T
        first = int(np.argmax(np.round(np.minimum(x, y), 6)))
    return np.roll(points, -first, axis=0)


def closed_stroke(points: np.ndarray, line: Line) -> Stroke:
    """One lap along a closed path; outer ones are led to along their own end, as every further lap would be."""
    lap = np.concatenate([points, points[:1]])
    # What lies inside is not measured.
    lead = np.empty((0, 2)) if line == "inner wall" else _lead(points)
    return Stroke(points=lap, line=line, lead=lead)


def _lead(points: np.ndarray) -> np.ndarray:
    """The path's last vertices, from where on x and y each move `LEAD_MM` before the seam; else all of them.

    It begins on the edge where the later axis has moved so far, not at that edge's far end.
    """
    back = np.concatenate([points[:1], points[::-1]])
    reach = np.abs(back - points[0])
    far = np.maximum.accumulate(reach, axis=0).min(axis=1) >= LEAD_MM
    if not far.any():
        return back[1:][::-1]
    last = int(np.argmax(far))
    lead = back[1 : last + 1]
    near, end = reach[last - 1], reach[last]
    short = np.maximum.accumulate(reach[:last], axis=0)[-1] < LEAD_MM
    share = float(np.max(((LEAD_MM - near) / np.where(short, end - near, 1.0))[short]))
    lead[-1] = back[last - 1] + min(share, 1.0) * (back[last] - back[last - 1])
    return lead[::-1]


def wall_strokes(body: Any, width: float, walls: int, outer_first: bool = False) -> list[Stroke]:
    """The walls of a region, inner ones first unless asked otherwise.

    Parameters
    ----------
    body : shapely Polygon or MultiPolygon
    width : float [mm]
        Of the bead; beads lie side by side at this distance.
    walls : int
        How many, where there is room.
    """
    strokes = [
        closed_stroke(from_sharpest(points), "inner wall" if depth else "outer wall")
        for depth in range(walls)
        for points in loops_inside(body, (depth + 0.5) * width)
    ]
    return strokes if outer_first else strokes[::-1]


def single_wall_stroke(body: Any, width: float) -> list[Stroke]:
    """One bead about the middle of a wall of that width: half a bead inside the outer edge of `body`."""
    import shapely

    return [
        closed_stroke(from_sharpest(points), "single wall")
        for part in getattr(body, "geoms", [body])
        for points in loops_inside(shapely.Polygon(part.exterior), width / 2)
    ]


def as_parts(region: Any, least: float) -> Iterable[Any]:
    """Polygons of a shapely region that are larger than `least` [mm2]."""
    return [p for p in getattr(region, "geoms", [region]) if p.geom_type == "Polygon" and p.area > least]
