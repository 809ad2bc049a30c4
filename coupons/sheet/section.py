"""Outlines for the drawings: sections, tops and silhouettes cut from a coupon's mesh."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitassay.coupons.errors import InputError
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.sections import Ring, body_of, rings_of

if TYPE_CHECKING:
    from fitassay.coupons.feature import Coupon
    from fitassay.coupons.solid import Solid

# How far from a contact its face is still drawn as measured: half of a 3 mm jaw.
HALF_JAW_MM = 1.5
# A facet belongs to the touched face while its normal is within this angle of the jaw's direction; on a round
# bore this is what a flat or edged jaw can reach.
FACE_ANGLE = np.radians(25.0)
# A corner that turns by more than this is a seam notch's tip: square corners turn by 90 degrees.
NOTCH_TURN = np.radians(100.0)


@dataclass(frozen=True, kw_only=True)
class Face:
    """The part of an outline that a jaw touches.

    Attributes
    ----------
    line : ndarray (n, 2) [mm]
        Polyline along the outline, the contact on it.
    round_shape : bool
        The outline is a circle.
    """

    line: np.ndarray
    round_shape: bool


class Piece:
    """A coupon's solid, ready to be cut; outlines are vertices (n, 2) [mm], material on the left, none repeated.

    Parameters
    ----------
    solid : Solid
    place : str
        What to call the solid in an error.
    """

    def __init__(self, solid: Solid, place: str) -> None:
        self.body = body_of(solid.vertices, solid.faces, place)
        # Levels whose faces look up: what a view from above shows.
        corners = solid.corners
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1)
        flat = (normal[:, 2] > 0.9999 * length) & (length > 1e-9)
        self.levels: tuple[float, ...] = tuple(np.unique(np.round(corners[flat, 0, 2], 4)).tolist())

    @property
    def box(self) -> tuple[float, ...]:
        """x, y, z of the low corner, then of the high corner [mm]."""
        return tuple(self.body.bounding_box())

    def section(self, z: float) -> list[np.ndarray]:
        """Outlines at height `z` [mm]."""
        return [ring.points for ring in rings_of(self.body.slice(z).simplify(1e-6))]

    @functools.cached_property
    def tops(self) -> list[list[np.ndarray]]:
        """Regions seen from above, one list of outlines for each level, from the lowest."""
        step = 1e-3
        regions = []
        for z in self.levels:
            exposed = (self.body.slice(z - step) - self.body.slice(z + step)).simplify(1e-6)
            # Where triangulations differ or a slope meets the level, slivers about as wide as the step are left.
            rings = [ring for ring in rings_of(exposed) if 2 * abs(ring.area) > 4 * step * ring.perimeter]
            if rings:
                regions.append([ring.points for ring in rings])
        return regions

    def silhouette(self, axis: str) -> list[np.ndarray]:
        """Outlines seen along an axis: (x, z) from the front for "y", (y, z) from the right for "x", plan for "z"."""
        import manifold3d

        turn = {
            "y": [[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0]],
            "x": [[0.0, 1, 0, 0], [0, 0, 1, 0], [1, 0, 0, 0]],
            "z": [[1.0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]],
        }[axis]
        raw = self.body.transform(np.array(turn)).project().to_polygons()
        outline = manifold3d.CrossSection(raw, manifold3d.FillRule.Positive).simplify(1e-5)
        return [ring.points for ring in rings_of(outline)]


def load_piece(coupon: Coupon, source: Mapping[str, Solid] | str | Path) -> Piece:
    """The coupon's mesh from a mapping of solids by coupon id, or from its STL in a folder.

    Raises
    ------
    InputError
        There is no such solid or file, or it is not a closed mesh.
    """
    if isinstance(source, Mapping):
        solid = source.get(coupon.id)
        if solid is None:
            raise InputError("no solid is given for this coupon", coupon.id)
        return Piece(solid, coupon.id)
    return Piece(read_coupon(coupon, source), str(Path(source) / coupon.file))


def touched_face(rings: list[np.ndarray], contact: np.ndarray, direction: np.ndarray) -> Face:
    """The run of outline around a contact that faces along the measured direction.

    Parameters
    ----------
    rings : list of ndarray (n, 2) [mm]
    contact : ndarray (2,) [mm]
    direction : ndarray (2,)
        Unit vector of the measured direction.

    Returns
    -------
    Face
        At a corner a run of no more than a jaw's width; a point where no outline is near (a manifest edited
        by hand).
    """
    nearest, run = None, None
    for ring in rings:
        edges = np.roll(ring, -1, axis=0) - ring
        lengths = np.linalg.norm(edges, axis=1)
        ring, edges, lengths = ring[lengths > 1e-9], edges[lengths > 1e-9], lengths[lengths > 1e-9]
        if len(ring) < 3:
            continue
        along = np.clip(np.einsum("ij,ij->i", contact - ring, edges) / lengths**2, 0.0, 1.0)
        gaps = np.linalg.norm(ring + along[:, None] * edges - contact, axis=1)
        normals = np.stack([edges[:, 1], -edges[:, 0]], axis=1) / lengths[:, None]
        facing = np.abs(normals @ direction) >= np.cos(FACE_ANGLE)
        # Of the edges that meet at the contact, one that faces the jaw counts.
        rank = gaps - 1e-6 * facing
        k = int(np.argmin(rank))
        if nearest is None or rank[k] < nearest:
            nearest = float(rank[k])
            run = (ring, normals, facing, k)
    if run is None or nearest is None or nearest > 0.05:
        return Face(line=np.array([contact, contact]), round_shape=False)
    ring, normals, facing, k = run
    if not facing[k]:
        return Face(line=_corner(ring, contact), round_shape=False)
    first, last = k, k
    while first > k - len(ring) and normals[first - 1] @ normals[k] > np.cos(FACE_ANGLE):
        first -= 1
    while last < first + len(ring) - 1 and normals[(last + 1) % len(ring)] @ normals[k] > np.cos(FACE_ANGLE):
        last += 1
    line = ring[np.arange(first, last + 2) % len(ring)]
    return Face(line=line, round_shape=Ring(points=ring).circle() is not None)


def _corner(ring: np.ndarray, contact: np.ndarray) -> np.ndarray:
    """Half a jaw of outline on both sides of the corner nearest to `contact`."""
    k = int(np.argmin(np.linalg.norm(ring - contact, axis=1)))
    ends = []
    for other in (ring[k - 1], ring[(k + 1) % len(ring)]):
        step = other - ring[k]
        length = float(np.linalg.norm(step))
        ends.append(ring[k] + step * min(1.0, HALF_JAW_MM / max(length, 1e-9)))
    return np.array([ends[0], ring[k], ends[1]])


def notch_tips(rings: list[np.ndarray]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Seam notches: for each ring that has one, its tip and the unit vector towards its mouth.

    The tip is the ring's sharpest corner towards the material, where it turns by more than `NOTCH_TURN`; the
    corners at the mouth turn the other way.
    """
    tips = []
    for ring in rings:
        if len(ring) < 4:
            continue
        before = ring - np.roll(ring, 1, axis=0)
        after = np.roll(ring, -1, axis=0) - ring
        across = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn = np.arctan2(across, np.einsum("ij,ij->i", before, after))
        k = int(np.argmin(turn))  # material on the left: into it means turning right
        if turn[k] < -NOTCH_TURN:
            mouth = (ring[k - 1] + ring[(k + 1) % len(ring)]) / 2 - ring[k]
            tips.append((ring[k], mouth / max(float(np.linalg.norm(mouth)), 1e-9)))
    return tips
