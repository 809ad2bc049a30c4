"""The closed loops that the nozzle draws in a layer: told from infill and travel by coming back to their start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.layers import SAME_HEIGHT_MM, Layer
from fitassay.coupons.errors import InputError

CLOSING_GAP_MM = 1.5
"""A loop may stop this short of its start: programs leave a gap at the seam or let pressure run out."""

SMALL_GAP_MM = 0.1
"""So small a gap closes whatever its direction."""

PASSING_MM = 0.1
"""A path that overlaps its seam runs this close through its start."""

SHORTEST_LOOP_MM = 3.0


@dataclass(frozen=True, kw_only=True)
class PathLoop:
    """A closed path of one layer.

    Attributes
    ----------
    points : ndarray (m, 2) [mm]
        From the seam on, the first not repeated.
    gap : float [mm]
        How far from its start it ended.
    filament_per_mm : float
        Filament per path length, the median over its moves by length.
    feed : float [mm/s]
        Likewise.
    first : int
        Its first move in the layer.
    line : int
        Its first line in the file.
    z, thickness : float [mm]
        Of the layer.
    """

    points: np.ndarray
    gap: float
    filament_per_mm: float
    feed: float
    first: int
    line: int
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
    n = len(layer)
    index = np.arange(n)
    prints = layer.prints & (index >= layer.before)
    if not prints.any():
        return ()
    # A path ends where a travel move lies between, or where it jumps (homing).
    joined = np.concatenate([[False], prints[:-1]]) & prints
    joined &= np.concatenate([[False], np.hypot(*(layer.start[1:] - layer.end[:-1]).T) < SAME_HEIGHT_MM])
    begins = np.flatnonzero(prints & ~joined)
    stops = np.flatnonzero(prints & ~np.concatenate([joined[1:], [False]])) + 1
    step = np.where(prints, np.hypot(*(layer.end - layer.start).T), 0.0)
    run = np.concatenate([[0.0], np.cumsum(step)])
    length = run[stops] - run[begins]
    gap = np.hypot(*(layer.end[stops - 1] - layer.start[begins]).T)
    long_enough = (length >= SHORTEST_LOOP_MM) & (stops - begins >= 3)
    closed = (
        long_enough
        & (gap <= np.minimum(CLOSING_GAP_MM, length / 8))
        & _goes_on(layer, begins, stops - 1, gap)
    )
    found: list[PathLoop] = []
    for k in np.flatnonzero(long_enough).tolist():
        begin, stop = int(begins[k]), int(stops[k])
        cuts = _turns(layer, begin, stop) if stop - begin > 5 else []
        if len(cuts) > 1 or (cuts and not closed[k]):
            found += [_loop(layer, step, a, b) for a, b in cuts]
        elif closed[k]:
            found.append(_loop(layer, step, begin, stop))
        elif (last := _overlap(layer, begin, stop)) is not None:
            found.append(_loop(layer, step, begin, last + 1, overlaps=True))
        if len(found) > layer.limits.loops:
            raise InputError(
                f"has more than {layer.limits.loops} loops in the layer at {layer.row.z:.2f} mm, "
                "so it is no file of coupons",
                f"{layer.name}, line {int(layer.line[begins[k]])}",
            )
    return tuple(_one_turn(found, layer.row.z) if layer.row.climbing else found)


def _goes_on(layer: Layer, first: np.ndarray, last: np.ndarray, gap: np.ndarray) -> np.ndarray:
    """Whether what is missing of a loop continues its last move or leads into its first, as infill's does not."""
    missing = layer.start[first] - layer.end[last]
    ways = (layer.end[last] - layer.start[last], layer.end[first] - layer.start[first])
    straight = np.zeros(len(first), dtype=bool)
    for way in ways:
        straight |= np.sum(missing * way, axis=1) > 0.5 * gap * np.hypot(way[:, 0], way[:, 1])
    return straight | (gap < SMALL_GAP_MM)


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
    return begin + 3 + int(passes[-1]) if len(passes) else None


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


def _loop(layer: Layer, step: np.ndarray, begin: int, stop: int, overlaps: bool = False) -> PathLoop:
    part = slice(begin, stop)
    points = np.concatenate([layer.start[begin : begin + 1], layer.end[part]])
    gap = 0.0 if overlaps else float(np.hypot(*(points[-1] - points[0])))
    if overlaps or gap < SAME_HEIGHT_MM:
        points = points[:-1]
    if np.hypot(*(points[-1] - points[0])) < SAME_HEIGHT_MM:
        points = points[:-1]
    weight = step[part]
    return PathLoop(
        points=points,
        gap=gap,
        filament_per_mm=_median(layer.filament[part] / weight, weight),
        feed=_median(layer.feed[part], weight),
        first=begin,
        line=int(layer.line[begin]),
        z=float(layer.z[stop - 1]) if layer.row.climbing else layer.row.z,
        # An endless wall climbs by its layer's thickness on each turn.
        thickness=float(layer.z[stop - 1] - layer.z[max(begin - 1, 0)])
        if layer.row.climbing
        else layer.row.thickness,
    )


def _median(values: np.ndarray, weight: np.ndarray) -> float:
    """Median by weight; NaN where there are only NaNs."""
    good = ~np.isnan(values)
    if not good.any():
        return float("nan")
    values, weight = values[good], weight[good]
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(share, share[-1] / 2)])
