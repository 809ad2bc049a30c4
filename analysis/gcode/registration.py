"""Where each coupon lies in a sliced file: loops matched to outlines by their geometry alone.

For a probe q on an outline with outward direction n, in the coupon's own frame, the path is expected at

    p = S (M q + c) + t + d n',     n' = M n

with M one of eight placements, t where the coupon stands, S = 1 + scale along x and y, and d the path's distance
from the outline (half a bead inside: -w/2). Linear in t, scale and d, so that a least-squares fit tells them
apart as soon as there are flanks of several sizes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitassay.analysis.gcode.layers import Layer
from fitassay.analysis.gcode.loops import PathLoop, loops_of
from fitassay.analysis.gcode.probes import TURNS, Probes, Template, Turn, turn_shift

LARGEST_SCALE = 0.06
LARGEST_OFFSET_MM = 0.6
LARGEST_OFFSET_BEADS = 0.7
"""How far from their place paths are looked for: the larger of the two; a path on the outline is half a bead off."""

HIT_MM = 0.05
"""A probe has found its path when it lies this close to where the fit expects it."""

SAME_SCALE = 0.005
ANGLE_LIMIT = np.deg2rad(0.1)
"""A coupon that lies more askew is refused: its x and y are no longer the machine's [rad]."""
TAG_REACH_BEADS = 0.6
"""A single-walled coupon's tag may be drawn half a bead beside the wall's offset, so it is only looked for nearby."""

FOUND_SHARE = 0.6
"""A coupon is there when this share of its probes have found their path."""

COARSE = 4
"""Every so many probes are enough to see whether a placement is worth a closer look."""

TIE = 0.004
"""Placements whose shares differ by less fit alike; the one nearest to the drawing is taken."""


class LoopMap:
    """The closed loops at one height, searchable by place.

    Pieces printed one after another each have a layer of their own at the same height.

    Attributes
    ----------
    layers : tuple of Layer
    loops : tuple of PathLoop
    layer_of : ndarray (loops,) of int
        Which layer each loop belongs to.
    owner : ndarray (pieces,) of int
        Which loop each straight piece belongs to.
    """

    def __init__(self, layers: list[Layer]) -> None:
        import shapely

        self.layers = tuple(layers)
        by_layer = [loops_of(layer) for layer in layers]
        self.loops: tuple[PathLoop, ...] = tuple(p for loops in by_layer for p in loops)
        self.layer_of = np.repeat(np.arange(len(layers)), [len(loops) for loops in by_layer])
        ends = [np.stack([p.points, np.roll(p.points, -1, axis=0)], axis=1) for p in self.loops]
        self.pieces = np.concatenate(ends) if ends else np.empty((0, 2, 2))
        self.owner = np.repeat(np.arange(len(ends)), [len(e) for e in ends])
        self.low = np.array([p.low for p in self.loops]).reshape(-1, 2)
        self.high = np.array([p.high for p in self.loops]).reshape(-1, 2)
        lines: Any = shapely.linestrings(self.pieces) if len(ends) else ()
        self._tree = shapely.STRtree(lines) if len(lines) else None

    def nearest(self, points: np.ndarray, outward: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
        """The nearest path to each point, seen along its outward direction.

        Returns
        -------
        residual : ndarray (n,) [mm]
            Signed distance along `outward`; NaN where no path runs square to it within `reach`.
        loop : ndarray (n,) of int
            Which loop; -1 where none.
        """
        import shapely

        residual = np.full(len(points), np.nan)
        loop = np.full(len(points), -1)
        if self._tree is None or not len(points):
            return residual, loop
        found, piece = self._tree.query_nearest(shapely.points(points), max_distance=reach, all_matches=False)
        a, b = self.pieces[piece, 0], self.pieces[piece, 1]
        along = b - a
        share = np.sum((points[found] - a) * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-18)
        gap = a + np.clip(share, 0, 1)[:, None] * along - points[found]
        out = outward[found]
        s = np.sum(gap * out, axis=1)
        aside = np.abs(gap[:, 0] * out[:, 1] - gap[:, 1] * out[:, 0])
        square = aside < 0.02 + 0.05 * np.abs(s)
        residual[found[square]] = s[square]
        loop[found[square]] = self.owner[piece[square]]
        return residual, loop


@dataclass(frozen=True, kw_only=True)
class Place:
    """One coupon found in a file.

    Attributes
    ----------
    template : Template
    turn : Turn
    shift : ndarray (2,) [mm]
        Bed position of the turned coupon's low corner, at scale 1 about its middle.
    scale : ndarray (2,)
        Relative enlargement of the path along the bed's x and y.
    offset : float [mm]
        Distance of the path from the outline, outward from material (half a bead inside: -w/2).
    angle : float [rad]
        Small rotation beyond the turn, counter-clockwise.
    share : float
        Of the probes that found their path.
    raised : float [mm]
        How much higher than drawn it stands (a raft).
    """

    template: Template
    turn: Turn
    shift: np.ndarray
    scale: np.ndarray
    offset: float
    angle: float
    share: float
    raised: float = 0.0

    @property
    def middle(self) -> np.ndarray:
        """Half the turned coupon's size, ndarray (2,) [mm]; scale acts about it."""
        return np.abs(self.turn.matrix @ np.array(self.template.coupon.size_mm[:2])) / 2

    def to_bed(self, points: np.ndarray) -> np.ndarray:
        """Coupon coordinates (n, 2) [mm] as bed coordinates."""
        size = self.template.coupon.size_mm
        local = points @ self.turn.matrix.T + turn_shift(self.turn, size) - self.middle
        return local * (1 + self.scale) + self.middle + self.shift

    def from_bed(self, points: np.ndarray) -> np.ndarray:
        """Bed coordinates (n, 2) [mm] as coordinates of the turned coupon, scale left in."""
        return points - self.shift


def expected(place: Place, probes: Probes) -> tuple[np.ndarray, np.ndarray]:
    """Where the path is expected on the bed, and the outward directions there, ndarrays (n, 2)."""
    outward = probes.outward @ place.turn.matrix.T
    return place.to_bed(probes.points) + place.offset * outward, outward


def refine(place: Place, maps: dict[float, LoopMap], reach: float, every: int = 1) -> Place:
    """Fit shift, scale, offset and small angle to the paths near the expected ones, by every n-th probe.

    Weak pulls (scale 0.3 %, angle 1 mrad, against 0.01 mm of residual) keep what the flanks cannot tell apart at
    nothing.
    """
    rows, rights = [], []
    for z, loops in maps.items():
        if _is_tag(place.template, z) and any(not _is_tag(place.template, other) for other in maps):
            continue
        probes = place.template.probes(z, every)
        at, out = expected(place, probes)
        residual, _ = loops.nearest(at, out, reach)
        good = ~np.isnan(residual)
        if not good.any():
            continue
        local = place.to_bed(probes.points[good]) - place.shift - place.middle
        n = out[good]
        rows.append(
            np.column_stack(
                [
                    n,
                    n * local,
                    np.ones(len(n)),
                    n[:, 1] * local[:, 0] - n[:, 0] * local[:, 1],
                ]
            )
        )
        rights.append(residual[good])
    if not rows:
        return place
    a, r = np.concatenate(rows), np.concatenate(rights)
    pull = np.diag((0.01 / np.array([1e3, 1e3, 3e-3, 3e-3, 1.0, 1e-3])) ** 2)
    weight = np.ones(len(r))
    step = np.zeros(6)
    for _ in range(4):
        weighted = a * weight[:, None]
        step = np.linalg.solve(a.T @ weighted + pull, weighted.T @ r)
        # Probes that see another path than theirs must not pull (Cauchy weights).
        weight = 1 / (1 + ((r - a @ step) / 0.02) ** 2)
    return replace(
        place,
        shift=place.shift + step[:2],
        scale=place.scale + step[2:4],
        offset=place.offset + float(step[4]),
        angle=float(step[5]),
    )


def found_share(place: Place, maps: dict[float, LoopMap], every: int = 1) -> float:
    """Share of the probes (every n-th) that find a path where it is expected."""
    hits = total = 0
    for z, loops in maps.items():
        probes = place.template.probes(z, every)
        at, out = expected(place, probes)
        reach = HIT_MM
        if _is_tag(place.template, z):
            reach += TAG_REACH_BEADS * 2 * abs(place.offset)  # a single wall's path is half a bead inside it
        residual, _ = loops.nearest(at, out, reach)
        hits += int(np.sum(~np.isnan(residual)))
        total += len(at)
    return hits / total if total else 0.0


def _largest_offset(width: float) -> float:
    return max(LARGEST_OFFSET_MM, LARGEST_OFFSET_BEADS * width)


def _is_tag(template: Template, z: float) -> bool:
    return template.coupon.single_wall and z not in template.contact_heights


def candidates(template: Template, maps: dict[float, LoopMap], width: float) -> list[Place]:
    """All placements of a coupon that its outlines allow, best first.

    Parameters
    ----------
    maps : dict of float to LoopMap
        What is printed at the heights where the coupon is looked for, measured heights first.
    width : float [mm]
        Bead width of the profile.
    """
    for z in maps:
        if not template.rings(z):
            continue
        found = [p for turn in TURNS for p in _placements(template, turn, z, maps[z], width)]
        places = []
        for place in found:
            near = {z: maps[z]}
            fitted = refine(refine(place, near, 0.45, COARSE), near, 0.15, COARSE)
            if (
                np.abs(fitted.scale).max() < 2 * LARGEST_SCALE
                and found_share(fitted, near, COARSE) >= FOUND_SHARE
            ):
                fitted = refine(refine(fitted, maps, 0.15), maps, 0.15)
                in_reach = abs(fitted.offset + width / 2) <= _largest_offset(width)
                if in_reach and found_share(fitted, near) >= FOUND_SHARE:
                    places.append(replace(fitted, share=found_share(fitted, maps)))
        if places:
            return sorted(_outermost(places), key=lambda p: -p.share)
    return []


def _outermost(places: list[Place]) -> list[Place]:
    """Without those that took an inner wall for the outer one, and without repeats."""
    kept: list[Place] = []
    for place in sorted(places, key=lambda p: -p.offset):
        outer = [
            k
            for k in kept
            if k.turn is place.turn
            and np.hypot(*(k.shift - place.shift)) < 0.5
            and np.abs(k.scale - place.scale).max() < SAME_SCALE
        ]
        if not any(k.share > 0.9 * place.share for k in outer):
            kept.append(place)
    return kept


def _placements(template: Template, turn: Turn, z: float, loops: LoopMap, width: float) -> list[Place]:
    """Starting points: loops whose bounds could be those of the section's largest outline."""
    if not loops.loops:
        return []
    size = template.coupon.size_mm
    ring = max(template.rings(z), key=lambda r: r.area)
    corners = ring.points @ turn.matrix.T + turn_shift(turn, size)
    low, high = corners.min(axis=0), corners.max(axis=0)
    span = loops.high - loops.low
    excess = span - (high - low - width)
    close = np.all(np.abs(excess) < 2 * _largest_offset(width) + LARGEST_SCALE * (high - low), axis=1)
    places: list[Place] = []
    for i in np.flatnonzero(close).tolist():
        centre = (loops.low[i] + loops.high[i]) / 2
        options = [(float(excess[i].mean()) / 2 - width / 2, np.zeros(2))]
        if np.abs(excess[i]).max() > 0.004 * (high - low).max():
            options.append((-width / 2, excess[i] / (high - low)))
        for offset, scale in options:
            middle = np.abs(turn.matrix @ np.array(size[:2])) / 2
            local = (low + high) / 2 - middle
            shift = centre - local * (1 + scale) - middle
            if abs(offset + width / 2) <= _largest_offset(width):
                places.append(
                    Place(
                        template=template,
                        turn=turn,
                        shift=shift,
                        scale=scale,
                        offset=offset,
                        angle=0.0,
                        share=0.0,
                    )
                )
    return places


def assign(options: dict[str, list[Place]]) -> dict[str, Place]:
    """One placement per coupon: the best that fits, no two in one place.

    Coupons that look the same turned are told apart by what the others do: on a plate that lies as drawn they lie as
    drawn.
    """
    order = {id(turn): i for i, turn in enumerate(TURNS)}
    votes = np.zeros(len(TURNS))
    for places in options.values():
        best = places[0].share if places else 0.0
        for i in {order[id(p.turn)] for p in places if p.share > best - TIE}:
            votes[i] += 1
    taken: dict[str, Place] = {}
    ranked = sorted(
        ((name, p) for name, places in options.items() for p in places),
        key=lambda item: (
            -round(item[1].share / TIE) * TIE,
            -votes[order[id(item[1].turn)]],
            order[id(item[1].turn)],
            float(np.hypot(*item[1].shift)),
        ),
    )
    for name, place in ranked:
        if name in taken:
            continue
        if any(_overlap(place, other) for other in taken.values()):
            continue
        taken[name] = place
    return taken


def _overlap(one: Place, two: Place) -> bool:
    gap = np.abs(one.shift + one.middle - two.shift - two.middle) - one.middle - two.middle
    return bool(np.all(gap < -1.0))


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
    for placements in (_askew, _enlarged):
        for template in templates:
            key = template.coupon.id
            for z, loops in maps[key].items():
                reason = _fits_otherwise(template, z, loops, width, taken, placements)
                if reason:
                    return key, reason
    return None


def _fits_otherwise(
    template: Template,
    z: float,
    loops: LoopMap,
    width: float,
    taken: list[Place],
    placements: Callable[[Template, np.ndarray, PathLoop, float], list[Place]],
) -> str:
    """What is wrong with the loop that fits once it is put right; empty if none does."""
    rings = template.rings(z)
    if not rings:
        return ""
    ring = max(rings, key=lambda r: r.area)
    near = {z: loops}
    for loop in loops.loops:
        centre = (loop.low + loop.high) / 2
        if any(np.all(np.abs(centre - p.shift - p.middle) < p.middle) for p in taken):
            continue
        for place in placements(template, ring.points, loop, width):
            fitted = refine(refine(place, near, 0.45, COARSE), near, 0.15, COARSE)
            if found_share(fitted, near) >= FOUND_SHARE:
                if place.turn.text:
                    return f"is {place.turn.text} (give or take quarter turns)"
                return f"is enlarged to about {100 * (1 + fitted.scale.mean()):.0f} %"
    return ""


def _askew(template: Template, ring: np.ndarray, loop: PathLoop, width: float) -> list[Place]:
    """Placements of an outline on a loop of its own size, turned by no quarter turn."""
    import shapely

    outline, path = shapely.Polygon(ring), shapely.Polygon(loop.points)
    offset = (path.area - outline.area) / outline.length
    alike = abs(path.length - outline.length - 2 * np.pi * offset) < 0.05 * outline.length
    tilt = (_tilt(path) - _tilt(outline) + np.pi / 4) % (np.pi / 2) - np.pi / 4
    if abs(offset + width / 2) > _largest_offset(width) or not alike or abs(tilt) < ANGLE_LIMIT:
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
    box = np.array(polygon.minimum_rotated_rectangle.exterior.coords)
    return float(np.arctan2(box[1, 1] - box[0, 1], box[1, 0] - box[0, 0]))
