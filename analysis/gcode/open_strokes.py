"""Strokes that do not come back to their start: ends without filament, gaps that continue a path, loops in parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.layers import Layer
from fitassay.analysis.gcode.rows import CRUMB_MM

ROUNDING_MM = 0.003
"""Shorter steps of a path are rounding, even where they are fed."""

COASTING_SHARE = 0.35
LONGEST_COASTING_MM = 12.0
"""A loop may end without filament over this much of it."""

BACKWARD = -0.9
"""Moves whose directions have a smaller cosine run to and fro, as filling does."""

MEETING_MM = 0.1
"""Ends this close to each other are one place."""

LONGEST_GAP_MM = 3.5
"""A longer gap is not closed; what a loop is like there nobody knows."""

LONGEST_DETOUR = 3.0
"""A corner farther off than this many times the gap closes nothing: 39 degrees between the two moves."""

MOST_PARTS = 6
MOST_OPEN = 5000
"""A layer with more open strokes is filling; loops in parts are not looked for there."""


@dataclass(frozen=True, kw_only=True)
class LaterStroke:
    """A further stroke of a loop.

    Attributes
    ----------
    start : ndarray (2,) [mm]
        Where it joins the stroke before it, along the loop.
    lead : ndarray (k, 2) [mm]
        Commanded points before it that settle the play.
    backward : bool
        True where it is drawn towards that place.
    """

    start: np.ndarray
    lead: np.ndarray
    backward: bool


def stroke_points(layer: Layer, begin: int, stop: int) -> np.ndarray:
    """Points of the moves `begin` to `stop`, ndarray (m, 2) [mm], without the steps that rounding leaves.

    A step back of a thousandth of a millimetre would be a spike to whatever follows the path.
    """
    step = np.hypot(*(layer.end[begin:stop] - layer.start[begin:stop]).T)
    rounding = (step < ROUNDING_MM) | ((layer.filament[begin:stop] == 0) & (step < CRUMB_MM))
    return np.concatenate([layer.start[begin : begin + 1], layer.end[begin:stop][~rounding]])


def coasting(
    start: np.ndarray, end: np.ndarray, prints: np.ndarray, begin: int, stop: int
) -> np.ndarray | None:
    """Where the nozzle goes without filament behind a stroke until it is back at the stroke's start.

    Parameters
    ----------
    start, end : ndarray (n, 2) [mm]
        All moves of the layer.
    prints : ndarray (n,) of bool
    begin, stop : int
        The stroke.

    Returns
    -------
    ndarray (k, 2) [mm] or None
        Points before the start, which may be none; None where it does not come back soon.
    """
    length = float(np.hypot(*(end[begin:stop] - start[begin:stop]).T).sum())
    allowed = min(COASTING_SHARE * length, LONGEST_COASTING_MM)
    home, went = start[begin], 0.0
    points = []
    for i in range(stop, len(end)):
        if prints[i]:
            return None
        along = end[i] - start[i]
        square = float(along @ along)
        share = float(np.clip((home - start[i]) @ along / square, 0.0, 1.0)) if square else 0.0
        if np.hypot(*(start[i] + share * along - home)) < MEETING_MM:
            went += share * np.sqrt(square)
            return np.array(points).reshape(-1, 2) if went <= allowed else None
        went += float(np.sqrt(square))
        if went > allowed:
            return None
        points.append(end[i])
    return None


def close_gap(missing: np.ndarray, first_way: np.ndarray, last_way: np.ndarray) -> np.ndarray | None:
    """The corner by which a path goes on from its end to its start, as seen from the end.

    Parameters
    ----------
    missing, first_way, last_way : ndarray (2,) [mm]
        From end to start; the path's first and last move.

    Returns
    -------
    ndarray (k, 2) [mm] or None
        No row where it goes straight on; None where no path that leaves along the last move and arrives along the
        first can close it, or where the gap is too long.
    """
    gap = float(np.hypot(*missing))
    if gap > LONGEST_GAP_MM:
        return None
    a, b = last_way / np.hypot(*last_way), first_way / np.hypot(*first_way)
    if abs(float(a[0] * b[1] - a[1] * b[0])) < 0.02:
        off = float(abs(a[0] * missing[1] - a[1] * missing[0]))
        straight = float(a @ b) > 0 and float(a @ missing) > 0 and off < max(0.05, 0.05 * gap)
        return np.empty((0, 2)) if straight else None
    along, into = np.linalg.solve(np.column_stack([a, b]), missing)
    if along < -0.02 or into < -0.02 or along + into > LONGEST_DETOUR * gap:
        return None
    return (along * a)[None]


def wall_within(points: np.ndarray, longest: float, roundness: float) -> tuple[int, int] | None:
    """Where a stroke is a wall that goes on into filling, or comes from it, without a travel between.

    Parameters
    ----------
    points : ndarray (m, 2) [mm]
    longest : float [mm]
        A wider gap at its seam is none.
    roundness : float
        A wall's area over its squared length is at least this.

    Returns
    -------
    (first, last) point of the wall, or None
    """
    last = len(points) - 1
    leaves = _stops_short(points, longest, roundness)
    if leaves is not None and leaves < last:
        return 0, leaves
    comes = _stops_short(points[::-1], longest, roundness)
    return (last - comes, last) if comes is not None and comes < last else None


def _stops_short(points: np.ndarray, longest: float, roundness: float) -> int | None:
    """The first point at which a path has gone around and stands so near its start that a seam is between."""
    missing = points[0] - points
    way = np.diff(points, axis=0)
    for i in (3 + np.flatnonzero(np.hypot(*missing[3:].T) <= longest)).tolist():
        corner = close_gap(missing[i], way[0], way[i - 1])
        turned = float(way[0] @ way[i - 1]) / (np.hypot(*way[0]) * np.hypot(*way[i - 1]))
        if corner is None or turned < BACKWARD:
            continue
        x, y = (points[: i + 1] - points[0]).T
        area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
        if area > roundness * float(np.hypot(*way[:i].T).sum()) ** 2:
            return i
    return None


def joined_strokes(
    start: np.ndarray, end: np.ndarray, strokes: list[tuple[int, int]]
) -> list[list[tuple[int, int, bool]]]:
    """Loops drawn in several strokes, each beginning where another ends.

    Parameters
    ----------
    start, end : ndarray (n, 2) [mm]
    strokes : list of (first move, the move behind the last)
        Those that do not close by themselves.

    Returns
    -------
    list of list of (first move, the move behind the last, reversed)
        The stroke drawn first in front, the others in the way it runs.
    """
    if not 1 < len(strokes) <= MOST_OPEN:
        return []
    from scipy.spatial import KDTree

    heads = np.array([start[a] for a, _ in strokes])
    tails = np.array([end[b - 1] for _, b in strokes])
    ends = KDTree(np.concatenate([heads, tails]))
    used = np.zeros(len(strokes), dtype=bool)
    found = []
    for k in range(len(strokes)):
        if used[k]:
            continue
        chain = _chain(k, heads, tails, ends, used)
        moves = sum(strokes[i][1] - strokes[i][0] for i, _ in chain)
        if len(chain) > 1 and moves >= 3:
            for i, _ in chain:
                used[i] = True
            found.append([(*strokes[i], back) for i, back in chain])
    return found


def _chain(k: int, heads: np.ndarray, tails: np.ndarray, ends, used: np.ndarray) -> list[tuple[int, bool]]:
    """Strokes from `k` on that close; empty where they do not."""
    n = len(heads)
    chain, at = [(k, False)], tails[k]
    taken = {k}
    while len(chain) <= MOST_PARTS:
        if len(chain) > 1 and np.hypot(*(at - heads[k])) < MEETING_MM:
            return chain
        near = [int(i) for i in ends.query_ball_point(at, MEETING_MM)]
        near = [i for i in near if i % n not in taken and not used[i % n]]
        if not near:
            return []
        # One that begins here is taken rather than one that ends here.
        i = min(near, key=lambda j: (j >= n, j))
        back = i >= n
        chain.append((i % n, back))
        taken.add(i % n)
        at = heads[i % n] if back else tails[i % n]
    return []
