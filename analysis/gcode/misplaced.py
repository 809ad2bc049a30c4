"""Why a coupon was not found although it is in the file: turned askew, or enlarged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.loops import PathLoop
from fitassay.analysis.gcode.probes import TURNS, Template, Turn
from fitassay.analysis.gcode.registration import (
    ANGLE_LIMIT,
    COARSE,
    FOUND_SHARE,
    LARGEST_SCALE,
    Place,
    found_share,
    is_another_part,
    largest_offset,
    refine,
)

CERTAIN_SHARE = 0.85
PLAIN_CORNERS = 12
"""An outline of so few corners is anybody's; no loop of another size is taken for it."""


def why_not_found(
    templates: list[Template],
    maps: dict[str, dict[float, LoopMap]],
    width: float,
    taken: list[Place],
) -> tuple[str, str] | None:
    """Which coupon is there after all though it was not found, and why: turned askew or enlarged.

    Parameters
    ----------
    templates : list of Template
        Those not found.
    maps : dict by coupon id
    taken : list of Place
        Where other coupons are; their loops are not looked at.

    Returns
    -------
    (coupon id, reason) or None
    """
    # Where other coupons lie at their size, a larger loop is another part.
    for placements in (_askew,) if taken else (_askew, _enlarged):
        for template in templates:
            if template.coupon.single_wall and (taken or placements is _enlarged):
                continue  # two plain outlines, which are anybody's
            key = template.coupon.id
            for z in maps[key]:
                reason = _fits_otherwise(template, z, maps[key], width, taken, placements)
                if reason:
                    return key, reason
    return None


def _fits_otherwise(
    template: Template,
    z: float,
    maps: dict[float, LoopMap],
    width: float,
    taken: list[Place],
    placements: Callable[[Template, np.ndarray, PathLoop, float], list[Place]],
) -> str:
    """What is wrong with the loop that fits once it is put right; empty if none does."""
    rings = template.rings(z)
    if not rings:
        return ""
    ring = max(rings, key=lambda r: r.area)
    near = {z: maps[z]}
    for loop in maps[z].loops:
        centre = (loop.low + loop.high) / 2
        if any(np.all(np.abs(centre - p.shift - p.middle) < p.middle) for p in taken):
            continue
        for place in placements(template, ring.points, loop, width):
            fitted = refine(refine(place, near, 0.45, COARSE), near, 0.15, COARSE)
            plain = placements is _enlarged and len(ring.points) <= PLAIN_CORNERS
            if (
                found_share(fitted, near) >= (FOUND_SHARE if placements is _askew else CERTAIN_SHARE)
                and not plain
                and not is_another_part(fitted, maps)
            ):
                if place.turn.text:
                    return f"is {place.turn.text} (give or take quarter turns)"
                return f"is sliced at about {100 * (1 + fitted.scale.mean()):.0f} % of its size"
    return ""


def _askew(template: Template, ring: np.ndarray, loop: PathLoop, width: float) -> list[Place]:
    """Placements of an outline on a loop of its own size, turned by no quarter turn."""
    import shapely

    outline, path = shapely.Polygon(ring), shapely.Polygon(loop.points)
    offset = (path.area - outline.area) / outline.length
    alike = abs(path.length - outline.length - 2 * np.pi * offset) < 0.05 * outline.length
    tilt = (_tilt(path) - _tilt(outline) + np.pi / 4) % (np.pi / 2) - np.pi / 4
    if abs(offset + width / 2) > largest_offset(width) or not alike or abs(tilt) < ANGLE_LIMIT:
        return []
    c, s = np.cos(tilt), np.sin(tilt)
    text = f"turned by {abs(np.rad2deg(tilt)):.2g} degrees"
    return [
        _centred(
            template,
            Turn(matrix=np.array([[c, -s], [s, c]]) @ t.matrix, text=text),
            outline,
            path,
            offset,
            0.0,
        )
        for t in TURNS
    ]


def _enlarged(template: Template, ring: np.ndarray, loop: PathLoop, width: float) -> list[Place]:
    """Placements of an outline on a loop of its form but not its size."""
    import shapely

    outline, path = shapely.Polygon(ring), shapely.Polygon(loop.points)
    grown = (path.length + 4 * width) / outline.length
    if not 0.3 < grown < 3 or abs(grown - 1) < LARGEST_SCALE / 2:
        return []
    if abs((path.area / outline.area) / grown**2 - 1) > 0.25:
        return []
    return [
        _centred(template, Turn(matrix=t.matrix, text=""), outline, path, -width / 2, grown - 1)
        for t in TURNS
    ]


def _centred(template: Template, turn: Turn, outline, path, offset: float, scale: float) -> Place:
    """A placement that brings the outline's centroid onto the path's."""
    place = Place(
        template=template,
        turn=turn,
        shift=np.zeros(2),
        scale=np.full(2, scale),
        offset=offset,
        angle=0.0,
        share=0.0,
    )
    centre = place.to_bed(np.array([[outline.centroid.x, outline.centroid.y]]))[0]
    return replace(place, shift=np.array([path.centroid.x, path.centroid.y]) - centre)


def _tilt(polygon) -> float:
    import shapely

    # Of a loop without an area, there and back along a line, it is that line.
    box = shapely.get_coordinates(polygon.minimum_rotated_rectangle)
    return float(np.arctan2(box[1, 1] - box[0, 1], box[1, 0] - box[0, 0]))
