"""Whether a corrected part can still be printed: nothing turned over, no outline through another, no wall gone."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.analysis.parts.correct import FLAT_SINE, Correction
from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.parts.walls import cut, levels_of, unit_normals
from fitassay.coupons.errors import JobError
from fitassay.coupons.sections import Ring, polygons

# At most so many heights are looked at.
HEIGHTS = 40
# A wall needs this share of a bead's width, or slicers leave it out.
WALL_SHARE = 0.95
# Facets narrower than this, and folds of outlines no larger, are below what any nozzle draws [mm].
NARROW_MM = 0.05
FOLD_MM = 0.04


def check(part: Part, correction: Correction, width: float, layer: float, *, thin: bool = False) -> None:
    """Refuse a correction that spoils the part.

    Parameters
    ----------
    part : Part
        The wanted part.
    correction : Correction
    width, layer : float [mm]
        Commanded bead width and layer height.
    thin : bool
        Let walls pass that become thinner than a bead.

    Raises
    ------
    JobError
        With the place and what to do.
    """
    _check_turned(part, correction)
    levels = levels_of(part, layer)
    if len(levels) > HEIGHTS:
        levels = levels[np.linspace(0, len(levels) - 1, HEIGHTS).astype(int)]
    low, high = part.bounds[:, 2]
    low_after, high_after = correction.part.bounds[:, 2]
    after = low_after + (levels - low) * (high_after - low_after) / (high - low)
    for z, rings, drawn in zip(levels, rings_at(part, levels), rings_at(correction.part, after), strict=True):
        _check_crossing(part, z, rings, drawn)
        if not thin:
            _check_walls(part, z, rings, drawn, width)


def rings_at(part: Part, levels: np.ndarray) -> list[tuple[Ring, ...]]:
    """The raw outlines of a mesh at each level, crossing or not."""
    segments = cut(part, levels)
    found: list[list[Ring]] = [[] for _ in levels]
    done = np.zeros(len(segments.face), dtype=bool)
    for first in range(len(done)):
        if done[first]:
            continue
        chain = []
        i = first
        while not done[i]:
            done[i] = True
            chain.append(i)
            i = int(segments.after[i])
        points = segments.start[chain]
        step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        points = points[step > 1e-7]
        if len(points) >= 3:
            found[int(segments.level[first])].append(Ring(points=points))
    return [tuple(rings) for rings in found]


def _place(part: Part, x: float, y: float, z: float) -> str:
    return f"{part.name} at ({x:.1f}, {y:.1f}, {z:.1f}) mm"


def _check_turned(part: Part, correction: Correction) -> None:
    """Refuse wall facets that turn over; flat faces stay in their plane however their triangles shift."""
    before, after = unit_normals(part), unit_normals(correction.part)
    corners = part.vertices[part.faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    narrow = 2 * area < NARROW_MM * longest
    wall = np.linalg.norm(before[:, :2], axis=1) > FLAT_SINE
    turned = wall & ~narrow & (np.sum(before * after, axis=1) < 0)
    if turned.any():
        i = int(np.argmax(np.where(turned, area, 0.0)))
        x, y, z = corners[i].mean(axis=0)
        raise JobError(
            f"{_place(part, x, y, z)}: this detail is smaller than the correction and would turn inside out; "
            "draw it larger or mend the printer's settings instead"
        )


def _check_crossing(part: Part, z: float, rings: tuple[Ring, ...], drawn: tuple[Ring, ...]) -> None:
    """Refuse outlines that cross once corrected and did not before."""
    spot = _crossing(drawn)
    if spot is None or _crossing(rings) is not None:
        return
    raise JobError(
        f"{_place(part, spot[0], spot[1], z)}: corrected surfaces would run through each other; leave more room "
        "there or mend the printer's settings instead"
    )


def _crossing(rings: tuple[Ring, ...]) -> tuple[float, float] | None:
    """A place where outlines cross themselves or each other, None if they do not."""
    import shapely

    closed: Any = shapely.simplify(
        [shapely.LinearRing(r.points) for r in rings], FOLD_MM, preserve_topology=False
    )
    lines = [r for r in closed if r.length > 4 * FOLD_MM]
    if not lines or shapely.is_simple(shapely.multilinestrings(lines)):
        return None
    coords = [shapely.get_coordinates(line) for line in lines]
    pieces: Any = shapely.linestrings(np.concatenate([np.stack([c[:-1], c[1:]], axis=1) for c in coords]))
    tree = shapely.STRtree(pieces)
    a, b = tree.query(pieces, predicate="crosses")
    i, j = (int(a[0]), int(b[0])) if len(a) else (0, 0)
    where = shapely.intersection(pieces[i], pieces[j]).centroid
    return float(where.x), float(where.y)


def _check_walls(
    part: Part, z: float, rings: tuple[Ring, ...], drawn: tuple[Ring, ...], width: float
) -> None:
    """Refuse walls that held a bead before and do not any more."""
    import shapely

    thin = _thin(drawn, width)
    if thin.is_empty:
        return
    news = thin.difference(_thin(rings, width).buffer(width / 2))
    pieces = [p for p in shapely.get_parts(news) if p.area > 0.5 * width**2]
    if pieces:
        spot = max(pieces, key=lambda p: p.area).representative_point()
        raise JobError(
            f"{_place(part, spot.x, spot.y, z)}: the corrected wall is thinner than one bead of {width:g} mm and "
            "would be left out; draw it thicker, mend the bead first, or let thin walls pass (--thin)"
        )


def _thin(rings: tuple[Ring, ...], width: float) -> Any:
    """What of a section is too thin for a bead."""
    import shapely

    body = shapely.union_all([shapely.make_valid(p) for p in polygons(rings)])
    half = WALL_SHARE * width / 2
    opened = body.buffer(-half, join_style="mitre").buffer(half * 1.02, join_style="mitre")
    return body.difference(opened)
