"""The closed loops that the nozzle draws in a layer, told from infill and travel by coming back to their start.

A loop may be open by a gap at its seam, end without filament (coasting), run over its own beginning, begin by a ramp
(a scarf seam), share one stroke with others, or be drawn in several strokes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.layers import Layer
from fitassay.analysis.gcode.open_strokes import (
    LONGEST_GAP_MM,
    LaterStroke,
    close_gap,
    coasting,
    joined_strokes,
    stroke_points,
    wall_within,
)
from fitassay.analysis.gcode.robust import weighted_median
from fitassay.analysis.gcode.rows import SAME_HEIGHT_MM
from fitassay.coupons.errors import InputError

CLOSING_GAP_MM = 1.5
"""A loop may stop this short of its start whatever the shape of what is missing."""

SMALL_GAP_MM = 0.1
"""So small a gap closes whatever its direction."""

PASSING_MM = 0.1
"""A path that overlaps its seam runs this close through its start."""

SHORTEST_LOOP_MM = 3.0

SETTLED_MM = 3.0
"""Once each axis has moved this far, play keeps no memory of what was before."""

LEAD_MOVES = 64
AFTER_MOVES = 24
"""So many moves behind a loop are remembered: a wipe runs along it."""

SHORTEST_OVERLAP_MM = 1.0
OPEN_SHARE = 0.1
OPEN_MM = 25.0
OPEN_ROUNDNESS = 0.005
"""A stroke that ends farther from its start than seams do is still a wall, left open, where what is missing is less
than this of it and it goes around something (area over squared length; filling that runs to and fro does not)."""

RAMP_FLOW = 0.8
"""A loop that runs over its seam, with less than this of its usual filament where it begins, has a scarf seam."""


@dataclass(frozen=True, kw_only=True)
class PathLoop:
    """A closed path of one layer.

    Attributes
    ----------
    points : ndarray (m, 2) [mm]
        From the seam on, the first not repeated.
    gap : float [mm]
        How far before its start the filament ended, along the path.
    coasted : bool
        True where the nozzle went on to the start without filament.
    scarf : float [mm]
        Length of the ramp with which it begins; 0 without.
    strokes : tuple of LaterStroke
        Behind the first one, along the loop.
    filament_per_mm : float
        Filament per path length, the median over its moves by length; the mean where it has a scarf seam.
    feed : float [mm/s]
        Likewise.
    lead : ndarray (k, 2) [mm]
        Commanded points before its start that settle the play.
    after : ndarray (k, 2) [mm]
        Points of the moves without filament behind it.
    first : int
        Its first move in the layer.
    line, lines : int
        Its first line in the file, and how many.
    z, thickness : float [mm]
        Of the layer.
    """

    points: np.ndarray
    gap: float
    coasted: bool
    scarf: float
    strokes: tuple[LaterStroke, ...]
    filament_per_mm: float
    feed: float
    lead: np.ndarray
    after: np.ndarray
    first: int
    line: int
    lines: int
    z: float
    thickness: float

    @property
    def area(self) -> float:
        """Signed area [mm2], counter-clockwise positive."""
        return signed_area(self.points)

    @property
    def low(self) -> np.ndarray:
        return self.points.min(axis=0)

    @property
    def high(self) -> np.ndarray:
        return self.points.max(axis=0)


def signed_area(points: np.ndarray) -> float:
    """Area of a closed path [mm2], counter-clockwise positive."""
    x, y = (points - points[0]).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def loops_of(layer: Layer) -> tuple[PathLoop, ...]:
    """The closed loops of a layer, in the order of printing.

    Raises
    ------
    InputError
        More than the limits allow.
    """
    begins, stops = strokes_of(layer)
    if not len(begins):
        return ()
    step = np.where(layer.prints, np.hypot(*(layer.end - layer.start).T), 0.0)
    run = np.concatenate([[0.0], np.cumsum(step)])
    length = run[stops] - run[begins]
    gap = np.hypot(*(layer.end[stops - 1] - layer.start[begins]).T)
    long_enough = (length >= SHORTEST_LOOP_MM) & (stops - begins >= 3)
    found: list[PathLoop] = []
    left_open: list[tuple[int, int]] = []
    for k in np.flatnonzero(length > SMALL_GAP_MM).tolist():
        begin, stop = int(begins[k]), int(stops[k])
        loops = _of_stroke(layer, begin, stop, float(gap[k]), float(length[k])) if long_enough[k] else []
        found += loops
        if not loops:
            left_open.append((begin, stop))
        if len(found) > layer.limits.loops:
            raise InputError(
                f"has more than {layer.limits.loops} loops in the layer at {layer.row.z:.2f} mm, so it is no file of "
                "coupons",
                f"{layer.name}, line {int(layer.line[begin])}",
            )
    joined = joined_strokes(layer.start, layer.end, left_open)
    found += [_of_parts(layer, parts) for parts in joined]
    taken = {begin for parts in joined for begin, _, _ in parts}
    found += [
        _loop(layer, a, b)
        for a, b in left_open
        if a not in taken and b - a >= 3 and _goes_around(layer, a, b)
    ]
    found.sort(key=lambda loop: loop.first)
    return tuple(_one_turn(found, layer.row.z) if layer.row.climbing else found)


def strokes_of(layer: Layer) -> tuple[np.ndarray, np.ndarray]:
    """First move of each stroke of a layer, and the move behind its last; a travel or a jump ends it."""
    prints = layer.prints & (np.arange(len(layer)) >= layer.before)
    joined = np.concatenate([[False], prints[:-1]]) & prints
    joined &= np.concatenate([[False], np.hypot(*(layer.start[1:] - layer.end[:-1]).T) < SAME_HEIGHT_MM])
    begins = np.flatnonzero(prints & ~joined)
    stops = np.flatnonzero(prints & ~np.concatenate([joined[1:], [False]])) + 1
    return begins, stops


def _of_stroke(layer: Layer, begin: int, stop: int, gap: float, length: float) -> list[PathLoop]:
    """The loops that one stroke draws; none where it does not come back."""
    first, last = layer.start[begin], layer.end[stop - 1]
    ways = layer.end[begin] - first, last - layer.start[stop - 1]
    closed = gap <= min(CLOSING_GAP_MM, length / 8) and _goes_on(first - last, *ways, gap)
    cuts = _turns(layer, begin, stop) if stop - begin > 5 else []
    if len(cuts) == 1 and cuts[0][0] == begin and _scarf(layer, begin, stop, cuts[0][1] - 1):
        return [_loop(layer, begin, stop, passing=cuts[0][1] - 1)]
    # One that closes exactly within a stroke that does not was led into, or left, by a little more of the stroke.
    if len(cuts) > 1 or (cuts and (not closed or gap >= SMALL_GAP_MM)):
        return [_loop(layer, a, b) for a, b in cuts]
    coasted = coasting(layer.start, layer.end, layer.prints, begin, stop)
    if gap >= SMALL_GAP_MM and coasted is not None:
        return [_loop(layer, begin, stop, tail=coasted, coasted=True)]
    if closed:
        return [_loop(layer, begin, stop)]
    passing = _overlap(layer, begin, stop)
    if passing is not None:
        return [_loop(layer, begin, stop, passing=passing)]
    path = np.concatenate([layer.start[begin : begin + 1], layer.end[begin:stop]])
    wall = wall_within(path, CLOSING_GAP_MM, OPEN_ROUNDNESS) if gap > CLOSING_GAP_MM else None
    if wall is not None:
        return [_loop(layer, begin + wall[0], begin + wall[1])]
    corner = close_gap(first - last, *ways)
    if corner is not None and gap <= length / 4:
        return [_loop(layer, begin, stop, tail=last + corner)]
    if gap <= min(LONGEST_GAP_MM, length / 8) and _goes_on(first - last, *ways, gap):
        return [_loop(layer, begin, stop)]
    return []


def _goes_on(missing: np.ndarray, first_way: np.ndarray, last_way: np.ndarray, gap: float) -> bool:
    """Whether what is missing of a loop continues its last move or leads into its first, as infill's does not."""
    return gap < SMALL_GAP_MM or any(
        float(missing @ way) > 0.5 * gap * float(np.hypot(*way)) for way in (first_way, last_way)
    )


def _goes_around(layer: Layer, begin: int, stop: int) -> bool:
    """Whether a stroke that does not come back is a wall left open."""
    points = np.concatenate([layer.start[begin : begin + 1], layer.end[begin:stop]])
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    gap = float(np.hypot(*(points[-1] - points[0])))
    ways = points[1] - points[0], points[-1] - points[-2]
    near = gap <= min(OPEN_MM, OPEN_SHARE * length) and _goes_on(points[0] - points[-1], *ways, gap)
    return near and abs(signed_area(points)) > OPEN_ROUNDNESS * length**2


def _one_turn(loops: list[PathLoop], z: float) -> list[PathLoop]:
    """Of the turns of an endless wall the one nearest to height z."""
    kept: dict[tuple[float, ...], PathLoop] = {}
    for loop in loops:
        place = tuple(np.round(np.concatenate([loop.low, loop.high]), 1).tolist())
        if place not in kept or abs(loop.z - z) < abs(kept[place].z - z):
            kept[place] = loop
    return list(kept.values())


def _overlap(layer: Layer, begin: int, stop: int) -> int | None:
    """The move on which a path runs through its own start and on, to close the seam well; None if it does not."""
    if stop - begin < 4:
        return None
    a, b = layer.start[begin + 3 : stop], layer.end[begin + 3 : stop]
    along = b - a
    to_start = layer.start[begin] - a
    share = np.clip(np.sum(to_start * along, axis=1) / np.sum(along**2, axis=1), 0.0, 1.0)
    gap = np.hypot(*(to_start - share[:, None] * along).T)
    passes = np.flatnonzero(gap < PASSING_MM)
    return begin + 3 + int(passes[0]) if len(passes) else None


def _turns(layer: Layer, begin: int, stop: int) -> list[tuple[int, int]]:
    """Parts of one path that come back to where they began: several loops drawn without a travel between."""
    grid = np.round(layer.end[begin:stop] / SAME_HEIGHT_MM).astype(np.int64)
    keys = grid[:, 0] * (1 << 32) + grid[:, 1]
    if len(np.unique(keys)) == len(keys):
        return []
    first = np.round(layer.start[begin] / SAME_HEIGHT_MM).astype(np.int64)
    seen = {int(first[0]) * (1 << 32) + int(first[1]): begin}
    cuts: list[tuple[int, int]] = []
    for i, key in enumerate(keys.tolist(), start=begin + 1):
        at = seen.get(key)
        if at is not None and i - at >= 3:
            cuts.append((at, i))
            seen.clear()
        seen[key] = i
    return [
        (a, b) for a, b in cuts if np.hypot(*(layer.end[a:b] - layer.start[a:b]).T).sum() >= SHORTEST_LOOP_MM
    ]


def _loop(
    layer: Layer,
    begin: int,
    stop: int,
    *,
    tail: np.ndarray | None = None,
    coasted: bool = False,
    passing: int | None = None,
) -> PathLoop:
    """The loop of the moves `begin` to `stop`.

    Parameters
    ----------
    tail : ndarray (k, 2) [mm], optional
        Points between the end of its filament and its start.
    coasted : bool
    passing : int, optional
        The move on which it runs through its start; what follows is overlap.
    """
    last = stop if passing is None else passing + 1
    points = stroke_points(layer, begin, last)
    gap = 0.0 if passing is not None else float(np.hypot(*(points[-1] - points[0])))
    if passing is not None or gap < SAME_HEIGHT_MM:
        points = points[:-1]
    if tail is not None:
        whole = np.concatenate([points[-1:], tail, points[:1]])
        gap = float(np.hypot(*np.diff(whole, axis=0).T).sum())
        points = np.concatenate([points, tail])
    while len(points) > 3 and np.hypot(*(points[-1] - points[0])) < SAME_HEIGHT_MM:
        points = points[:-1]
    scarf = _scarf(layer, begin, stop, passing)
    part = slice(begin, stop)
    step = np.hypot(*(layer.end[part] - layer.start[part]).T)
    if scarf:
        # What the ramp leaves out at the beginning is added as it ends.
        around = float(np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum())
        filament_per_mm = float(layer.filament[part].sum() / around)
    else:
        filament_per_mm = weighted_median(layer.filament[part] / step, step)
    climbing = layer.row.climbing
    return PathLoop(
        points=points,
        gap=gap,
        coasted=coasted,
        scarf=scarf,
        strokes=(),
        filament_per_mm=filament_per_mm,
        feed=weighted_median(layer.feed[part], step),
        lead=_lead(layer, begin),
        after=_after(layer, stop),
        first=begin,
        line=int(layer.line[begin]),
        lines=len(np.unique(layer.line[part])),
        z=float(layer.z[stop - 1]) if climbing else layer.row.z,
        # An endless wall climbs by its layer's thickness on each turn.
        thickness=float(layer.z[stop - 1] - layer.z[max(begin - 1, 0)]) if climbing else layer.row.thickness,
    )


def _of_parts(layer: Layer, parts: list[tuple[int, int, bool]]) -> PathLoop:
    """One loop of several strokes (first move, the move behind the last, whether reversed)."""
    points, strokes = [], []
    step, filament, feed, lines = [], [], [], 0
    for begin, stop, reversed_ in parts:
        path = stroke_points(layer, begin, stop)
        path = path[::-1] if reversed_ else path
        strokes.append(LaterStroke(start=path[0], lead=_lead(layer, begin), backward=reversed_))
        points.append(
            path if not points or np.hypot(*(points[-1][-1] - path[0])) > SMALL_GAP_MM else path[1:]
        )
        length = np.hypot(*(layer.end[begin:stop] - layer.start[begin:stop]).T)
        step.append(length)
        filament.append(layer.filament[begin:stop] / length)
        feed.append(layer.feed[begin:stop])
        lines += len(np.unique(layer.line[begin:stop]))
    whole = np.concatenate(points)
    gap = float(np.hypot(*(whole[-1] - whole[0])))
    first = parts[0][0]
    return PathLoop(
        points=whole[:-1] if gap < SMALL_GAP_MM else whole,
        gap=gap if gap > SMALL_GAP_MM else 0.0,
        coasted=False,
        scarf=0.0,
        strokes=tuple(strokes[1:]),
        filament_per_mm=weighted_median(np.concatenate(filament), np.concatenate(step)),
        feed=weighted_median(np.concatenate(feed), np.concatenate(step)),
        lead=strokes[0].lead,
        after=_after(layer, parts[-1][1]),
        first=first,
        line=int(layer.line[first]),
        lines=lines,
        z=layer.row.z,
        thickness=layer.row.thickness,
    )


def _scarf(layer: Layer, begin: int, stop: int, passing: int | None) -> float:
    """Length of the ramp with which a loop joins its own beginning [mm]; 0 without one."""
    if passing is None:
        return 0.0
    part = slice(begin, stop)
    step = np.hypot(*(layer.end[part] - layer.start[part]).T)
    over = float(step[passing - begin + 1 :].sum())
    if over < SHORTEST_OVERLAP_MM:
        return 0.0
    rises = bool(layer.ramp[begin])
    per_mm = layer.filament[part] / step
    thin = per_mm[0] < RAMP_FLOW * float(per_mm.max()) and per_mm[-1] < RAMP_FLOW * float(per_mm.max())
    return over if rises or thin else 0.0


def _lead(layer: Layer, first: int) -> np.ndarray:
    """Commanded points before a loop's start, ndarray (k, 2) [mm], as many as settle the play."""
    begin = max(0, first - LEAD_MOVES)
    points = np.concatenate([layer.start[begin:first], layer.start[first : first + 1]])
    back = points[::-1]
    reach = np.minimum(
        np.maximum.accumulate(back, axis=0) - np.minimum.accumulate(back, axis=0), SETTLED_MM
    ).min(axis=1)
    enough = np.flatnonzero(reach >= SETTLED_MM)
    if len(enough):
        points = points[len(points) - 1 - int(enough[0]) :]
    # The seam itself is the loop's own first point.
    lead = points[:-1]
    return (lead if len(lead) else points).copy()


def _after(layer: Layer, stop: int) -> np.ndarray:
    """Points of the moves without filament behind a stroke, ndarray (k, 2) [mm]."""
    prints = layer.prints[stop : stop + AFTER_MOVES]
    count = int(np.argmax(prints)) if prints.any() else len(prints)
    return layer.end[stop : stop + count].copy()
