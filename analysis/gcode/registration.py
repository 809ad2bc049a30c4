"""Where each coupon lies in a sliced file: loops matched to outlines by their geometry alone.

For a probe q on an outline with outward direction n, in the coupon's own frame, the path is expected at

    p = S (M q + c) + t + (d + a [opening] + b [bore]) n',     n' = M n

with M one of eight placements, t where the coupon stands, S = 1 + scale along x and y, d the path's distance from
the outline (half a bead inside: -w/2), a what programs add to it around openings and b around round ones. Linear in
t, scale, d, a and b, so that a least-squares fit tells them apart as soon as there are flanks of several sizes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.probes import BORE, OPENING, OUTSIDE, Probes, Template, Turn, turn_shift
from fitassay.analysis.gcode.robust import cauchy_fit

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

CLOSE_MM = 0.02
"""Residuals beyond this count less in the fit: such a probe may see another path than its own (Cauchy loss)."""

# Standard deviations by which weak priors hold at nothing what the flanks of a coupon cannot tell apart: scale x and
# y, extra of openings and of bores [mm], angle and shear [rad]; beside CLOSE_MM / 2 of residual.
PRIOR_SCALE, PRIOR_EXTRA_MM, PRIOR_ANGLE, PRIOR_SHEAR = 3e-3, 0.15, 1e-3, 1e-3
RESIDUAL_MM = 0.01

OUTER_SHARE = 0.7
"""Paths farther out are the outer walls when they follow so much of what the nearer ones follow."""

OUTER_STEP_MM = 0.06


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
        Distance of the path from outlines around material, outward from it (half a bead inside: -w/2).
    opening, bore : float [mm]
        What openings add to that, and round ones to openings; positive: a smaller opening.
    angle : float [rad]
        Small rotation beyond the turn, counter-clockwise.
    shear : float [rad]
        Of the path beyond that: x grows by so much of y.
    share : float
        Of the probes that found their path.
    mark_share : float
        Of the probes at heights where the coupon is not measured: near the bed, and under the top with its mark.
    raised : float [mm]
        How much higher than drawn it stands.
    """

    template: Template
    turn: Turn
    shift: np.ndarray
    scale: np.ndarray
    offset: float
    angle: float
    share: float
    opening: float = 0.0
    bore: float = 0.0
    shear: float = 0.0
    mark_share: float = 0.0
    raised: float = 0.0

    @property
    def middle(self) -> np.ndarray:
        """Half the turned coupon's size, ndarray (2,) [mm]; scale acts about it."""
        return np.abs(self.turn.matrix @ np.array(self.template.coupon.size_mm[:2])) / 2

    @property
    def offsets(self) -> np.ndarray:
        """The path's distance from outlines of each kind, ndarray (3,) [mm]."""
        return np.array([self.offset, self.offset + self.opening, self.offset + self.opening + self.bore])

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
    return place.to_bed(probes.points) + place.offsets[probes.kind][:, None] * outward, outward


def refine(place: Place, maps: dict[float, LoopMap], reach: float, every: int = 1) -> Place:
    """Fit shift, scale, offsets and small angle to the paths near the expected ones, by every n-th probe.

    Parameters
    ----------
    place : Place
        Where to begin.
    maps : dict of float to LoopMap
        Loops by the coupon's height.
    reach : float [mm]
        How far from where it is expected a path is looked for.
    every : int
    """
    seen = [_equations(place, z, loops, reach, every) for z, loops in maps.items() if _counts(place, z, maps)]
    seen = [pair for pair in seen if len(pair[1])]
    if not seen:
        return place
    rows = np.concatenate([a for a, _ in seen])
    right = np.concatenate([r for _, r in seen])
    extra = (PRIOR_SCALE, PRIOR_SCALE, 1e3, PRIOR_EXTRA_MM, PRIOR_EXTRA_MM, PRIOR_ANGLE, PRIOR_SHEAR)
    prior = np.diag(RESIDUAL_MM / np.array([1e3, 1e3, *extra]))
    matrix = np.concatenate([rows, prior])
    target = np.concatenate([right, np.zeros(len(prior))])
    start = np.linalg.lstsq(matrix, target, rcond=None)[0]
    step = cauchy_fit(matrix, target, CLOSE_MM, start)
    return replace(
        place,
        shift=place.shift + step[:2],
        scale=place.scale + step[2:4],
        offset=place.offset + float(step[4]),
        opening=place.opening + float(step[5]),
        bore=place.bore + float(step[6]),
        angle=float(step[7]),
        shear=float(step[8]),
    )


def _counts(place: Place, z: float, maps: dict[float, LoopMap]) -> bool:
    """Whether the fit looks at height z; at a tag only where there is nothing else."""
    return not _is_tag(place.template, z) or all(_is_tag(place.template, other) for other in maps)


def _equations(
    place: Place, z: float, loops: LoopMap, reach: float, every: int
) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives by the nine unknowns, (n, 9), and what is seen beyond the expected, (n,) [mm]."""
    probes = place.template.probes(z, every)
    at, out = expected(place, probes)
    residual, _ = loops.nearest(at, out, reach)
    good = ~np.isnan(residual)
    n = out[good]
    local = place.to_bed(probes.points[good]) - place.shift - place.middle
    kind = probes.kind[good]
    columns = (
        n,
        n * local,
        np.ones(len(n)),
        kind >= OPENING,
        kind == BORE,
        n[:, 1] * local[:, 0] - n[:, 0] * local[:, 1],
        n[:, 0] * local[:, 1],
    )
    return np.column_stack(columns).astype(float), residual[good]


Hits = dict[float, tuple[int, int]]
"""By height, how many probes found a path where it is expected, and of how many."""


def hits_of(place: Place, maps: dict[float, LoopMap], every: int = 1) -> Hits:
    """Which probes (every n-th) find a path where it is expected, by height."""
    hits = {}
    for z, loops in maps.items():
        probes = place.template.probes(z, every)
        at, out = expected(place, probes)
        reach = HIT_MM
        if _is_tag(place.template, z):
            reach += TAG_REACH_BEADS * 2 * abs(place.offset)  # a single wall's path is half a bead inside it
        residual, _ = loops.nearest(at, out, reach)
        hits[z] = int(np.sum(~np.isnan(residual))), len(at)
    return hits


def share_of(hits: Hits) -> float:
    """Share of the probes that found their path; 0 without probes."""
    total = sum(n for _, n in hits.values())
    return sum(found for found, _ in hits.values()) / total if total else 0.0


def found_share(place: Place, maps: dict[float, LoopMap], every: int = 1) -> float:
    """Share of the probes (every n-th) that find a path where it is expected; 0 without probes."""
    return share_of(hits_of(place, maps, every))


def is_another_part(place: Place, maps: dict[float, LoopMap], hits: Hits | None = None) -> bool:
    """Whether something else stands there that has one of the coupon's outlines at all heights, as a plain tower has.

    A coupon of several outlines shows at least two of them where two should be, whatever its heights were scaled by.

    Parameters
    ----------
    hits : dict of float to tuple of int, optional
        Of all probes, where they were counted before.
    """
    measured = [z for z in maps if z in place.template.contact_heights]
    if hits is None:
        hits = hits_of(place, {z: maps[z] for z in measured})
    if all(share_of({z: hits[z]}) >= FOUND_SHARE for z in measured):
        return False
    area = {z: round(sum(ring.area for ring in place.template.rings(z)), 1) for z in measured}
    middle = place.shift + place.middle
    printed = [
        z
        for z in measured
        if np.any(np.all(np.abs((maps[z].low + maps[z].high) / 2 - middle) < place.middle, axis=1))
    ]
    if len({area[z] for z in printed}) < 2:
        return False
    outlines = {area[z]: z for z in measured}
    seen = {
        of
        for z in printed
        for of, drawn in outlines.items()
        if found_share(place, {drawn: maps[z]}, COARSE) >= FOUND_SHARE
    }
    return len(seen) < 2


def outermost(place: Place, maps: dict[float, LoopMap], width: float) -> Place:
    """The same place with the outer walls of each kind of outline in view, not walls behind them.

    Parameters
    ----------
    place : Place
        Fitted.
    maps : dict of float to LoopMap
        Measured heights.
    width : float [mm]
        About the distance of walls side by side.
    """
    if place.template.coupon.single_wall:
        return place
    # Each kind has its own way to go: an inner wall may have been taken for one kind and the outer one for another.
    most = largest_offset(width) - (place.offsets + width / 2) + OUTER_STEP_MM
    steps = np.arange(max(0.2, 0.35 * width), max(1.7 * width, 0.8), OUTER_STEP_MM)
    seen = _seen_by_kind(place, maps, 0.0)
    moved = np.zeros(3)
    for step in steps[steps <= most.max()].tolist():
        for kind, (share, residual) in _seen_by_kind(place, maps, step).items():
            if step <= most[kind] and share > OUTER_SHARE * max(seen[kind][0], 0.5):
                moved[kind] = step + residual
    if not moved.any():
        return place
    for kind in set(range(3)) - set(seen):
        moved[kind] = moved[OUTSIDE]  # what is not measured goes along
    outer = place.offsets + moved
    pushed = replace(
        place, offset=float(outer[0]), opening=float(outer[1] - outer[0]), bore=float(outer[2] - outer[1])
    )
    return refine(pushed, maps, 0.15)


def _seen_by_kind(place: Place, maps: dict[float, LoopMap], outward: float) -> dict[int, tuple[float, float]]:
    """Share of the probes of each kind that see a path so far outward [mm], and how far beside, the median."""
    moved = replace(place, offset=place.offset + outward)
    kinds, residuals = [], []
    for z, loops in maps.items():
        probes = place.template.probes(z)
        at, out = expected(moved, probes)
        residuals.append(loops.nearest(at, out, OUTER_STEP_MM)[0])
        kinds.append(probes.kind)
    kind, residual = np.concatenate(kinds), np.concatenate(residuals)
    result = {}
    for k in np.unique(kind).tolist():
        of_kind = residual[kind == k]
        hit = ~np.isnan(of_kind)
        result[k] = (float(hit.mean()), float(np.median(of_kind[hit])) if hit.any() else 0.0)
    return result


def largest_offset(width: float) -> float:
    """How far from half a bead inside the outline a path is looked for [mm]."""
    return max(LARGEST_OFFSET_MM, LARGEST_OFFSET_BEADS * width)


def _is_tag(template: Template, z: float) -> bool:
    return template.coupon.single_wall and z not in template.contact_heights
