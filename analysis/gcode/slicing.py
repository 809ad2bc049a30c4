"""What the slicing did, as data: walls, beads, speeds, seams and how the path is written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.analysis.gcode.layers import Layer
from fitassay.analysis.gcode.loop_map import LayerLoops
from fitassay.analysis.gcode.loops import PathLoop, strokes_of
from fitassay.analysis.gcode.probes import CORNER_RAD

SAME_PLACE_MM = 1.0
"""Seams of neighbouring layers this close together are in one place."""

MOSTLY = 0.8
ON_PATH_MM = 0.1
SHORTEST_MM = 0.1
FILLING_MM = 1.0
"""Shorter strokes say little about a speed."""

ROUNDNESS = 0.05
ROUND_POINTS = 24
"""A loop of so many points has round parts."""


@dataclass(frozen=True, kw_only=True)
class Slicing:
    """What the slicing did.

    Attributes
    ----------
    speeds : dict of str to float [mm/s]
        Of ``outer walls``, ``inner walls`` and ``filling``, as far as seen.
    seam : str
        Where outer walls begin, in words; empty where too little is seen.
    gap, coasting, scarf, wipe : float [mm]
        Largest gap that is left open at seams, and the usual lengths drawn without filament, as a ramp, and back
        along the loop; 0 without.
    strokes : int
        How many strokes most outer walls are drawn in.
    arcs : bool
        True where round outlines are drawn by arcs.
    segment_mm : float [mm]
        Usual length of the straight pieces of round outlines; NaN where arcs draw them or none is round.
    decimals : int
        Of the coordinates; 0 where none is written.
    """

    speeds: dict[str, float]
    seam: str
    gap: float
    coasting: float
    scarf: float
    wipe: float
    strokes: int
    arcs: bool
    segment_mm: float
    decimals: int


def fill_feed(layer: Layer, loops: tuple[PathLoop, ...]) -> float:
    """Usual rate of a layer's strokes that are no loops [mm/s]; NaN without any."""
    begins, stops = strokes_of(layer)
    step = np.hypot(*(layer.end - layer.start).T)
    run = np.concatenate([[0.0], np.cumsum(step)])
    fills = ~np.isin(begins, [loop.first for loop in loops]) & (run[stops] - run[begins] > FILLING_MM)
    return _median(layer.feed[begins[fills]].tolist())


def slicing_of(found: dict[str, CouponPaths], kept: list[LayerLoops], decimals: int) -> Slicing:
    """Gather it from the coupons' loops and the layers that were kept."""
    loops = [o for p in found.values() for o in p.outer]
    inner = [o.inner.feed for o in loops if o.inner is not None]
    filling = [layer.fill_feed for layer in kept]
    speeds = {
        "outer walls": _median([o.path.feed for o in loops]),
        "inner walls": _median(inner),
        "filling": _median(filling),
    }
    with_arcs = [o for o in loops if len(o.points) > ROUND_POINTS]
    whole_round = [o for o in with_arcs if _is_round(o.points)]
    round_loops = whole_round or with_arcs
    by_arcs = [o for o in round_loops if len(o.points) > 1.5 * o.path.lines]
    arcs = bool(round_loops) and len(by_arcs) > MOSTLY * len(round_loops)
    return Slicing(
        speeds={k: v for k, v in speeds.items() if np.isfinite(v)},
        seam=_seam_style(found),
        gap=max((o.path.gap for o in loops if not o.path.coasted and not o.path.scarf), default=0.0),
        coasting=_median([o.path.gap for o in loops if o.path.coasted], least=len(loops) / 2),
        scarf=_median([o.path.scarf for o in loops if o.path.scarf > 0], least=len(loops) / 2),
        wipe=_usual([_wipe(o) for o in loops]),
        strokes=int(np.median([1 + len(o.path.strokes) for o in loops])) if loops else 1,
        arcs=arcs,
        segment_mm=float("nan") if arcs else _median([_segment(o) for o in whole_round]),
        decimals=decimals,
    )


def _median(values: list[float], least: float | None = None) -> float:
    """Median of what is finite; with `least`, 0 where there are fewer values, else NaN without any."""
    good = [v for v in values if np.isfinite(v)]
    if least is not None and (not good or len(good) < least):
        return 0.0
    return float(np.median(good)) if good else float("nan")


def _usual(values: list[float]) -> float:
    """The median where most values are not nothing, else 0."""
    value = float(np.median(values)) if values else 0.0
    return value if value > SHORTEST_MM else 0.0


def _is_round(points: np.ndarray) -> bool:
    away = np.hypot(*(points - points.mean(axis=0)).T)
    return bool(np.ptp(away) < ROUNDNESS * away.mean())


def _segment(outer: OuterLoop) -> float:
    return float(np.median(np.hypot(*(np.roll(outer.points, -1, axis=0) - outer.points).T)))


def _wipe(outer: OuterLoop) -> float:
    """How far the nozzle goes back along the loop without filament, once it is closed [mm]."""
    import shapely

    path = outer.path
    if not len(path.after):
        return 0.0
    points = np.concatenate(
        [path.points[:1] if path.coasted or path.gap < SHORTEST_MM else path.points[-1:], path.after]
    )
    ring = shapely.LinearRing(path.points)
    middles = (points[1:] + points[:-1]) / 2
    off = (
        shapely.distance(ring, shapely.points(np.concatenate([points[1:], middles])))
        .reshape(2, -1)
        .max(axis=0)
    )
    away = np.flatnonzero(off > ON_PATH_MM)
    count = int(away[0]) if len(away) else len(off)
    length = float(np.hypot(*np.diff(points[: count + 1], axis=0).T).sum())
    return max(length - (path.gap if path.coasted else 0.0), 0.0)


def _seam_style(found: dict[str, CouponPaths]) -> str:
    """Whether the seams of neighbouring layers lie in one place, and at a corner."""
    groups: dict[tuple[str, float, int], list[OuterLoop]] = {}
    for key, paths in found.items():
        for o in paths.outer:
            groups.setdefault((key, o.height, o.ring), []).append(o)
    aligned, corner = [], []
    for outers in groups.values():
        seams = np.array([o.seam for o in outers])
        if len(outers) > 1:
            away = np.hypot(*(seams - np.median(seams, axis=0)).T)
            aligned.append(float(np.mean(away < SAME_PLACE_MM)))
        if len(outers[0].points) <= ROUND_POINTS or np.any(_turning(outers[0].points) > CORNER_RAD):
            corner += [float(_turning(o.points)[0] > CORNER_RAD) for o in outers]
    if not aligned:
        return ""
    place = ""
    if corner:
        share = float(np.mean(corner))
        place = ", at corners" if share > MOSTLY else (", away from corners" if share < 1 - MOSTLY else "")
    return ("one above the other" if np.mean(aligned) > MOSTLY else "scattered from layer to layer") + place


def _turning(points: np.ndarray) -> np.ndarray:
    """By how much a closed path turns at each point, ndarray (m,) [rad]."""
    ahead = np.roll(points, -1, axis=0) - points
    behind = points - np.roll(points, 1, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    return np.abs(np.arctan2(cross, np.sum(behind * ahead, axis=1)))
