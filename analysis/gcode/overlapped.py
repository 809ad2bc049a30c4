"""Coupons that another part is drawn over, or joined with, found by the corners that stand where they were drawn.

Slicing programs draw parts that overlap as one outline, or one over the other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitassay.analysis.chain.loops import mitre_vectors
from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.probes import CORNER_RAD, FOOT_MM, TURNS, Template, Turn, turn_shift
from fitassay.analysis.gcode.registration import COARSE, Place, found_share, refine
from fitassay.coupons.sections import polygons

CLEAR_MM = 1.0
"""A path that comes so far within an outline, and goes so far out of it, is another part's."""

SAME_CORNER_MM = 0.5
SAME_WAY = 0.03
"""Corners are alike where both their edges run alike, to within this [rad]."""

FEWEST_CORNERS = 3
PART_SHARE = 0.35
"""A coupon is there in part where so many of its corners are, and this share of its outlines."""

SHORTEST_MM = 15.0
"""Shorter loops are letters and the like."""


def crossed_at(place: Place, maps: dict[float, LoopMap]) -> float | None:
    """The lowest measured height at which another part's path runs through a coupon [mm]; None where none does."""
    import shapely

    for z in sorted(z for z in maps if z in place.template.contact_heights and z >= FOOT_MM):
        rings = place.template.rings(z)
        loops = maps[z]
        way = -1 if place.turn.mirrored else 1
        on_bed = tuple(replace(r, points=place.to_bed(r.points)[::way]) for r in rings)
        whole = shapely.union_all(polygons(on_bed))
        shapely.prepare(inner := whole.buffer(-CLEAR_MM))
        shapely.prepare(outer := whole.buffer(CLEAR_MM))
        x0, y0, x1, y1 = whole.bounds
        near = np.all((loops.low < [x1, y1]) & (loops.high > [x0, y0]), axis=1)
        for i in np.flatnonzero(near).tolist():
            path = shapely.LinearRing(loops.loops[i].points)
            if not outer.contains(path) and inner.intersects(path):
                return z
    return None


def joined(template: Template, maps: dict[float, LoopMap], width: float, taken: list[Place]) -> float | None:
    """Where a coupon that was not found is joined with another part: the height [mm]; None where it is not there."""
    measured = {z: m for z, m in maps.items() if z in template.contact_heights and z >= FOOT_MM}
    for z in measured:
        for turn in TURNS:
            start = _by_corners(template, turn, z, measured[z], width, taken)
            if start is None:
                continue
            near = {z: measured[z]}
            place = refine(refine(start, near, SAME_CORNER_MM, COARSE), near, 0.15, COARSE)
            seen = [h for h in measured if found_share(place, {h: measured[h]}, COARSE) >= PART_SHARE]
            if len(seen) >= min(2, len(measured)) and (at := crossed_at(place, measured)) is not None:
                return at
    return None


def _by_corners(
    template: Template, turn: Turn, z: float, loops: LoopMap, width: float, taken: list[Place]
) -> Place | None:
    """Where most of a section's corners meet corners of paths; None where few do."""
    from scipy.spatial import KDTree

    drawn, drawn_ways = [], []
    for ring in template.rings(z):
        at, ways = _corners(ring.points, -width / 2 * mitre_vectors(ring.points))
        drawn.append(at @ turn.matrix.T + turn_shift(turn, template.coupon.size_mm))
        drawn_ways.append(ways @ turn.matrix.T)
    seen, seen_ways = [], []
    for loop in loops.loops:
        centre = (loop.low + loop.high) / 2
        known = any(np.all(np.abs(centre - p.shift - p.middle) < p.middle) for p in taken)
        if not known and float(np.sum(loop.high - loop.low)) > SHORTEST_MM:
            at, ways = _corners(loop.points)
            seen.append(at)
            seen_ways.append(ways)
    if not drawn or not seen:
        return None
    corners, ways = np.concatenate(drawn), np.concatenate(drawn_ways)
    paths, path_ways = np.concatenate(seen), np.concatenate(seen_ways)
    # Paths may run either way round.
    alike = [
        np.all(np.abs(ways[:, None] - other[None]).max(axis=3) < SAME_WAY, axis=2)
        for other in (path_ways, path_ways[:, ::-1])
    ]
    of, by = np.nonzero(alike[0] | alike[1])
    if len(of) < FEWEST_CORNERS:
        return None
    shifts = paths[by] - corners[of]
    groups = KDTree(shifts).query_ball_point(shifts, SAME_CORNER_MM)
    best = max(groups, key=lambda g: len(set(of[g].tolist())))
    if len(set(of[best].tolist())) < FEWEST_CORNERS:
        return None
    return Place(
        template=template,
        turn=turn,
        shift=np.median(shifts[best], axis=0),
        scale=np.zeros(2),
        offset=-width / 2,
        angle=0.0,
        share=0.0,
    )


def _corners(points: np.ndarray, moved: np.ndarray | float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Corners (k, 2) [mm] of a closed path, `moved` added, and the directions of both edges from there, (k, 2, 2)."""
    back, on = np.roll(points, 1, axis=0) - points, np.roll(points, -1, axis=0) - points
    length = np.stack([np.hypot(*back.T), np.hypot(*on.T)], axis=1)
    ways = np.stack([back, on], axis=1) / np.maximum(length, 1e-9)[..., None]
    straight = -np.sum(ways[:, 0] * ways[:, 1], axis=1)
    sharp = (straight < np.cos(CORNER_RAD)) & (length.min(axis=1) > 1e-3)
    return (points + moved)[sharp], ways[sharp]
