"""Where each coupon lies in a sliced file: loops matched to outlines by their geometry alone.

For a probe q on an outline with outward direction n, in the coupon's own frame, the path is expected at

    p = S (M q + c) + t + d n',     n' = M n

with M one of eight placements, t where the coupon stands, S = 1 + scale along x and y, and d the path's distance
from the outline (half a bead inside: -w/2). Linear in t, scale and d, so that a least-squares fit tells them
apart as soon as there are flanks of several sizes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.probes import Probes, Template, Turn, turn_shift

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


def largest_offset(width: float) -> float:
    return max(LARGEST_OFFSET_MM, LARGEST_OFFSET_BEADS * width)


def _is_tag(template: Template, z: float) -> bool:
    return template.coupon.single_wall and z not in template.contact_heights
