"""A coupon's outlines as probes: points on them with their outward directions, in each of eight placements."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sections import Ring, Slicer
from fitassay.coupons.solid import Solid

PROBE_STEP_MM = 0.5
CORNER_RAD = np.deg2rad(25.0)
"""A vertex that turns more is a corner; near one the path's distance from the outline is not its offset."""

CORNER_MARGIN_MM = 0.7
FOOT_MM = 0.5
"""Below this height programs shift the path on purpose."""

LOW_MM = 0.8
"""Above the chamfered foot and within the tag of a single-walled coupon."""


@dataclass(frozen=True, kw_only=True)
class Turn:
    """How a coupon lies on the bed: a signed permutation of x and y.

    Attributes
    ----------
    matrix : ndarray (2, 2)
        Bed direction = matrix @ drawn direction.
    text : str
        In words; empty as drawn.
    """

    matrix: np.ndarray
    text: str

    @property
    def mirrored(self) -> bool:
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def quarter(self) -> bool:
        """True where x and y change places."""
        return bool(self.matrix[0, 0] == 0)


def _turn(a: int, b: int, c: int, d: int, text: str) -> Turn:
    return Turn(matrix=np.array([[a, b], [c, d]], dtype=float), text=text)


TURNS: tuple[Turn, ...] = (
    _turn(1, 0, 0, 1, ""),
    _turn(0, -1, 1, 0, "turned by 90 degrees counter-clockwise"),
    _turn(-1, 0, 0, -1, "turned by 180 degrees"),
    _turn(0, 1, -1, 0, "turned by 90 degrees clockwise"),
    _turn(-1, 0, 0, 1, "mirrored left to right"),
    _turn(1, 0, 0, -1, "mirrored front to back"),
    _turn(0, 1, 1, 0, "mirrored, x and y exchanged"),
    _turn(0, -1, -1, 0, "mirrored, x and y exchanged and both reversed"),
)


@dataclass(frozen=True, kw_only=True)
class Probes:
    """Points on a section's outlines, away from corners.

    Attributes
    ----------
    points : ndarray (n, 2) [mm]
    outward : ndarray (n, 2)
        Unit vectors away from the material.
    ring : ndarray (n,) of int
        Which outline.
    kind : ndarray (n,) of int
        `OUTSIDE`, `OPENING` or `BORE`.
    """

    points: np.ndarray
    outward: np.ndarray
    ring: np.ndarray
    kind: np.ndarray

    def of(self, mask: np.ndarray) -> Probes:
        """Some of them: a mask, an index or a slice."""
        return Probes(
            points=self.points[mask], outward=self.outward[mask], ring=self.ring[mask], kind=self.kind[mask]
        )


OUTSIDE, OPENING, BORE = 0, 1, 2
"""Kinds of outline that slicing programs treat apart: around material, around an opening, around a round one."""


def kind_of(ring: Ring) -> int:
    """What an outline stands around."""
    if ring.area > 0:
        return OUTSIDE
    return OPENING if ring.bore() is None else BORE


def probes_on(rings: tuple[Ring, ...], step: float = PROBE_STEP_MM) -> Probes:
    """Probes every `step` mm along each ring; a ring of corners alone gets none."""
    found = [_ring_probes(ring.points, step) for ring in rings]
    return Probes(
        points=np.concatenate([p for p, _ in found] or [np.empty((0, 2))]),
        outward=np.concatenate([n for _, n in found] or [np.empty((0, 2))]),
        ring=np.repeat(np.arange(len(found)), [len(p) for p, _ in found]),
        kind=np.repeat([kind_of(ring) for ring in rings], [len(p) for p, _ in found]).astype(int),
    )


def _ring_probes(points: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    edge = np.roll(points, -1, axis=0) - points
    length = np.hypot(edge[:, 0], edge[:, 1])
    run = np.concatenate([[0.0], np.cumsum(length)])
    total = run[-1]
    at = (np.arange(max(int(total / step), 1)) + 0.5) * (total / max(int(total / step), 1))
    index = np.clip(np.searchsorted(run, at, side="right") - 1, 0, len(points) - 1)
    direction = edge / length[:, None]
    before = np.roll(direction, 1, axis=0)
    angle = np.arctan2(
        before[:, 0] * direction[:, 1] - before[:, 1] * direction[:, 0], np.sum(before * direction, axis=1)
    )
    corners = run[:-1][np.abs(angle) > CORNER_RAD]
    if len(corners):
        away = np.abs(at[:, None] - corners[None])
        clear = np.minimum(away, total - away).min(axis=1) > CORNER_MARGIN_MM
        at, index = at[clear], index[clear]
    spot = points[index] + (at - run[index])[:, None] * direction[index]
    return spot, np.column_stack([direction[index, 1], -direction[index, 0]])


def turned_points(points: np.ndarray, turn: Turn, size: tuple[float, ...]) -> np.ndarray:
    """Coupon coordinates (n, 2) [mm] as the coupon lies on the bed, its box's low corner in the origin."""
    return points @ turn.matrix.T + turn_shift(turn, size)


def turn_shift(turn: Turn, size: tuple[float, ...]) -> np.ndarray:
    """What brings the turned box's low corner back into the origin [mm]."""
    corners = np.array([[0.0, 0.0], [size[0], 0.0], [0.0, size[1]], [size[0], size[1]]])
    return -(corners @ turn.matrix.T).min(axis=0)


def turned_ring(ring: Ring, turn: Turn, size: tuple[float, ...]) -> Ring:
    """The outline as it lies on the bed, material still on the left."""
    points = turned_points(ring.points, turn, size)
    return Ring(points=points[::-1] if turn.mirrored else points)


def turned_coupon(coupon: Coupon, turn: Turn) -> Coupon:
    """The coupon as it lies on the bed: readings keep their names, their directions follow the piece."""
    size = coupon.size_mm
    x, y = np.abs(turn.matrix @ np.array(size[:2]))
    return replace(
        coupon,
        size_mm=(float(x), float(y), size[2]),
        features=tuple(_turned_feature(f, turn, size) for f in coupon.features),
    )


def _turned_feature(feature: Feature, turn: Turn, size: tuple[float, ...]) -> Feature:
    ends = np.array([feature.contact_a_mm[:2], feature.contact_b_mm[:2]])
    a, b = (
        (float(p[0]), float(p[1]), c[2])
        for p, c in zip(
            np.round(turned_points(ends, turn, size), 9),
            (feature.contact_a_mm, feature.contact_b_mm),
            strict=True,
        )
    )
    if feature.kind == "height":
        return replace(feature, contact_a_mm=a, contact_b_mm=b)
    along = turn.matrix @ feature.direction
    degrees = float(np.round(np.rad2deg(np.arctan2(along[1], along[0])), 9)) % 360.0
    if degrees >= 180.0:  # a reading has no sign: a is the low end
        degrees, a, b = degrees - 180.0, b, a
    return replace(feature, direction_deg=degrees, contact_a_mm=a, contact_b_mm=b)


def turned_mesh(mesh: Solid, turn: Turn, size: tuple[float, ...]) -> Solid:
    """The mesh as it lies on the bed, faces still outward."""
    vertices = np.array(mesh.vertices, dtype=float)
    vertices[:, :2] = turned_points(vertices[:, :2], turn, size)
    return Solid(vertices, mesh.faces[:, ::-1] if turn.mirrored else mesh.faces)


class Template:
    """A coupon to be looked for in a file.

    Attributes
    ----------
    coupon : Coupon
    mesh : Solid
    slicer : Slicer
    contact_heights : tuple of float [mm]
        Where it is measured; those in the first millimetre, where feet are treated specially, last.
    other_heights : tuple of float [mm]
        One near the bed and one under the top, where tags and marks tell its sides apart.
    """

    def __init__(self, coupon: Coupon, mesh: Solid, layer_height: float) -> None:
        self.coupon = coupon
        self.mesh = mesh
        self.slicer = Slicer(mesh, coupon.file)
        self._rings: dict[float, tuple[Ring, ...]] = {}
        self._probes: dict[tuple[float, int], Probes] = {}
        self.contact_heights = tuple(
            sorted({f.contact_height for f in coupon.asked if f.kind != "height"}, key=lambda z: (z < 1, z))
        )
        self.other_heights = (LOW_MM, round(coupon.size_mm[2] - 0.5 * layer_height, 6))

    def rings(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z, as drawn."""
        if z not in self._rings:
            self._rings[z] = self.slicer.section(z)
        return self._rings[z]

    def probes(self, z: float, every: int = 1) -> Probes:
        """Probes on the outlines at height z, as drawn; every n-th of them."""
        if (z, 1) not in self._probes:
            self._probes[z, 1] = probes_on(self.rings(z))
        if (z, every) not in self._probes:
            self._probes[z, every] = self._probes[z, 1].of(
                np.arange(0, len(self._probes[z, 1].points), every)
            )
        return self._probes[z, every]
