"""Outlines for the drawings: sections, tops and silhouettes cut from a coupon's mesh."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from fitassay.coupons.errors import InputError

if TYPE_CHECKING:
    from fitassay.coupons.feature import Coupon

Ring = np.ndarray
"""Vertices (n, 2) [mm] of a closed outline, material on the left, the first not repeated."""

# How far from a contact its face is still drawn as measured: half of a 3 mm jaw.
HALF_JAW_MM = 1.5
# A facet belongs to the touched face while its normal is within this angle of the jaw's direction; on a round
# bore this is what a flat or edged jaw can reach.
FACE_ANGLE = np.radians(25.0)
# A corner that turns by more than this is a seam notch's tip: square corners turn by 90 degrees.
NOTCH_TURN = np.radians(100.0)


class MeshLike(Protocol):
    """What is needed of a solid."""

    @property
    def vertices(self) -> np.ndarray:
        """Coordinates (n, 3) [mm]."""
        ...

    @property
    def faces(self) -> np.ndarray:
        """Vertex numbers (m, 3), counter-clockwise seen from outside."""
        ...


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
    """A coupon's mesh, ready to be cut.

    Parameters
    ----------
    vertices : ndarray (n, 3) [mm]
    faces : ndarray (m, 3)
    place : str
        What to call the mesh in an error.
    """

    def __init__(self, vertices: np.ndarray, faces: np.ndarray, place: str) -> None:
        import manifold3d

        points = np.array(vertices, dtype=np.float64, order="C")
        if points.ndim != 2 or points.shape[1:] != (3,) or not np.isfinite(points).all():
            raise InputError("the mesh has coordinates that are no numbers; make the coupons again", place)
        mesh = manifold3d.Mesh64(points, np.array(faces, dtype=np.uint64, order="C"))
        mesh.merge()
        self.solid: Any = manifold3d.Manifold(mesh)
        if self.solid.is_empty():
            raise InputError("the mesh is empty or not watertight; make the coupons again", place)
        # Levels whose faces look up: what a view from above shows.
        corners = points[np.asarray(faces, dtype=np.int64)]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1)
        flat = (normal[:, 2] > 0.9999 * length) & (length > 1e-9)
        self.levels: tuple[float, ...] = tuple(np.unique(np.round(corners[flat, 0, 2], 4)).tolist())

    @property
    def box(self) -> tuple[float, ...]:
        """x, y, z of the low corner, then of the high corner [mm]."""
        return tuple(self.solid.bounding_box())

    def section(self, z: float) -> list[Ring]:
        """Outlines at height `z` [mm]."""
        return [np.asarray(ring) for ring in self.solid.slice(z).simplify(1e-6).to_polygons()]

    @functools.cached_property
    def tops(self) -> list[list[Ring]]:
        """Regions seen from above, one list of outlines for each level, from the lowest."""
        step = 1e-3
        regions = []
        for z in self.levels:
            exposed = (self.solid.slice(z - step) - self.solid.slice(z + step)).simplify(1e-6)
            # Where triangulations differ or a slope meets the level, slivers about as wide as the step are left.
            rings = [ring for ring in map(np.asarray, exposed.to_polygons()) if _width(ring) > 4 * step]
            if rings:
                regions.append(rings)
        return regions

    def silhouette(self, axis: str) -> list[Ring]:
        """Outlines seen along an axis: (x, z) from the front for "y", (y, z) from the right for "x", plan for "z"."""
        import manifold3d

        turn = {
            "y": [[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0]],
            "x": [[0.0, 1, 0, 0], [0, 0, 1, 0], [1, 0, 0, 0]],
            "z": [[1.0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]],
        }[axis]
        raw = self.solid.transform(np.array(turn)).project().to_polygons()
        outline = manifold3d.CrossSection(raw, manifold3d.FillRule.Positive).simplify(1e-5)
        return [np.asarray(ring) for ring in outline.to_polygons()]


def _width(ring: Ring) -> float:
    """Twice the area over the perimeter [mm]: the width of something long and thin."""
    x, y = ring.T
    area = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2
    around = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum()
    return float(2 * area / max(around, 1e-12))


def load_piece(coupon: Coupon, source: Mapping[str, MeshLike] | str | Path) -> Piece:
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
        return Piece(solid.vertices, solid.faces, coupon.id)
    if Path(coupon.file).name != coupon.file:
        raise InputError("must be a file beside the manifest, without a folder", f"coupon {coupon.id}, file")
    path = Path(source) / coupon.file
    vertices, faces = _read_stl(path)
    return Piece(vertices, faces, str(path))


def _read_stl(path: Path) -> tuple[np.ndarray, np.ndarray]:
    from stl.mesh import Mesh
    from stl.stl import Mode

    try:
        # numpy-stl takes a binary file whose header begins with "solid" for text unless told by its size.
        raw = path.read_bytes()
        binary = len(raw) >= 84 and len(raw) == 84 + 50 * int.from_bytes(raw[80:84], "little")
        found = Mesh.from_file(str(path), mode=Mode.BINARY if binary else Mode.ASCII)
    except OSError as exc:
        reason = exc.strerror or str(exc)
        raise InputError(f"cannot be read ({reason}); make the coupons again", str(path)) from exc
    except Exception as exc:  # the reader raises whatever a broken file leads it into
        raise InputError("is not an STL file; make the coupons again", str(path)) from exc
    corners = np.asarray(found.vectors, dtype=np.float64).reshape(-1, 3)
    vertices, index = np.unique(corners, axis=0, return_inverse=True)
    return vertices, index.reshape(-1, 3)


def touched_face(rings: list[Ring], contact: np.ndarray, direction: np.ndarray) -> Face:
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
    return Face(line=line, round_shape=is_round(ring))


def _corner(ring: Ring, contact: np.ndarray) -> np.ndarray:
    """Half a jaw of outline on both sides of the corner nearest to `contact`."""
    k = int(np.argmin(np.linalg.norm(ring - contact, axis=1)))
    ends = []
    for other in (ring[k - 1], ring[(k + 1) % len(ring)]):
        step = other - ring[k]
        length = float(np.linalg.norm(step))
        ends.append(ring[k] + step * min(1.0, HALF_JAW_MM / max(length, 1e-9)))
    return np.array([ends[0], ring[k], ends[1]])


def is_round(ring: Ring) -> bool:
    """True where the vertices lie on a circle within 1 %."""
    if len(ring) < 12:
        return False
    radius = np.linalg.norm(ring - (ring.min(axis=0) + ring.max(axis=0)) / 2, axis=1)
    return bool(radius.max() - radius.min() < 0.01 * radius.max())


def notch_tips(rings: list[Ring]) -> list[tuple[np.ndarray, np.ndarray]]:
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
