"""Filling: parallel beads inside the walls, apart or side by side, that touch the walls without pressing on them."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.coupons.toolpath.stroke import Line, Stroke

SHORTEST_MM = 0.4
"""Shorter pieces of filling hold nothing and only leave blobs."""

LINK_PITCHES = 2.0
"""Lines whose ends lie nearer, in pitches, are drawn as one."""

EDGE_MM = 1e-3


def filling_strokes(region: Any, pitch: float, angle_deg: float, line: Line) -> list[Stroke]:
    """Straight beads `pitch` [mm] apart, their middle lines inside `region`, to and fro.

    Parameters
    ----------
    region : shapely region
        Where the beads' middle lines may be.
    pitch : float [mm]
        Lines lie on one grid about the origin, so that layers meet each other.
    angle_deg : float [degree]
        Direction of the beads.
    """
    import shapely
    from shapely import affinity

    if region.is_empty:
        return []
    level = affinity.rotate(region, -angle_deg, origin=(0.0, 0.0))
    x0, y0, x1, y1 = level.bounds
    rows = np.arange(np.ceil(y0 / pitch), np.floor(y1 / pitch) + 1) * pitch
    turn = np.deg2rad(angle_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    lines: list[np.ndarray] = []
    for k, y in enumerate(rows.tolist()):
        cut = shapely.LineString([(x0 - 1, y), (x1 + 1, y)]).intersection(level)
        pieces = [
            np.array(g.coords)
            for g in getattr(cut, "geoms", [cut])
            if g.geom_type == "LineString" and g.length >= SHORTEST_MM
        ]
        pieces.sort(key=lambda p: p[:, 0].min(), reverse=bool(k % 2))
        for piece in pieces:
            ends = piece[np.argsort(piece[:, 0])[[0, -1]]]
            lines.append(ends[::-1] if k % 2 else ends)
    near = level.buffer(EDGE_MM)
    shapely.prepare(near)
    return [Stroke(points=run @ matrix, line=line) for run in _linked(lines, near, LINK_PITCHES * pitch)]


def _linked(lines: list[np.ndarray], near: Any, longest: float) -> list[np.ndarray]:
    """Lines, each after the one whose end is nearest, joined where the way there is short and stays inside.

    Rows that cross several arms of a region are drawn arm by arm, not to and fro across the empty room between.
    """
    import shapely

    if not lines:
        return []
    ends = np.array(lines)
    left = np.ones(len(ends), dtype=bool)
    at, turned = 0, False
    runs: list[list[np.ndarray]] = []
    while True:
        left[at] = False
        line = ends[at][::-1] if turned else ends[at]
        link = np.array([runs[-1][-1][-1], line[0]]) if runs else None
        if (
            link is not None
            and float(np.hypot(*(link[1] - link[0]))) < longest
            and near.covers(shapely.LineString(link))
        ):
            runs[-1].append(line)
        else:
            runs.append([line])
        if not left.any():
            return [np.concatenate(run) for run in runs]
        # Rounded, so that equal ways are told apart by their order alone on every machine.
        away = np.round(np.linalg.norm(ends - line[-1], axis=2), 6)
        away[~left] = np.inf
        at, turned = divmod(int(np.argmin(away)), 2)
