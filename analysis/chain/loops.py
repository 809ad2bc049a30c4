"""From the outline at a height to the loops that the nozzle walks.

Loops run with the material on their left: outer outlines counter-clockwise, openings clockwise. A perfect
path stands half a bead inside the outline; a single-walled coupon is one bead about its wall's middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fitassay.analysis.terms import BORE_REFERENCE_MM
from fitassay.coupons.errors import InputError

# Float32 STL coordinates near 100 mm are good to 4e-6 mm; circles are drawn to a chord error of 1e-3 mm.
COLLINEAR_MM = 3e-5
ROUND_TOLERANCE_MM = 2e-3
ROUND_SIDES = 24
MITRE_LIMIT = 6.0


@dataclass(frozen=True, kw_only=True)
class Ring:
    """One closed outline of a section.

    Attributes
    ----------
    points : ndarray (m, 2) [mm]
        Vertices, the first not repeated; material on the left.
    """

    points: np.ndarray

    @property
    def area(self) -> float:
        """Signed area [mm2]; negative for openings."""
        x, y = self.points.T
        return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))

    def bore(self) -> tuple[np.ndarray, float] | None:
        """Centre (2,) [mm] and diameter [mm] if this is a round opening, else None.

        The diameter is the polygon's mean width, its perimeter over pi.
        """
        if self.area >= 0 or len(self.points) < ROUND_SIDES:
            return None
        centre = (self.points.min(axis=0) + self.points.max(axis=0)) / 2
        radii = np.linalg.norm(self.points - centre, axis=1)
        if np.ptp(radii) > ROUND_TOLERANCE_MM:
            return None
        sides = np.linalg.norm(np.roll(self.points, -1, axis=0) - self.points, axis=1)
        return centre, float(sides.sum() / np.pi)


@dataclass(frozen=True, kw_only=True)
class Loop:
    """A closed path that the nozzle walks, with how the error terms displace it.

    Attributes
    ----------
    points : ndarray (m, 2) [mm]
        Commanded vertices from the seam on, the first not repeated.
    outward : ndarray (m, 2)
        Displacement of each vertex per mm of path offset, away from the material (mitre).
    closing : ndarray (m, 2)
        Displacement of each vertex per mm of bore closure (zero but on round openings).
    lead_in : ndarray (k, 2) [mm], optional
        Commanded moves before the seam, which settle the play; None: the loop's own previous layer.
    width : float, optional [mm]
        Commanded bead width where a file tells it; None: the profile's.
    """

    points: np.ndarray
    outward: np.ndarray
    closing: np.ndarray
    lead_in: np.ndarray | None = None
    width: float | None = None


@dataclass(frozen=True, kw_only=True)
class Mesh:
    """A closed triangle mesh: vertices (n, 3) [mm], faces (m, 3)."""

    vertices: np.ndarray
    faces: np.ndarray


def load_mesh(path: Path) -> Mesh:
    """Read an STL and merge equal vertices.

    Raises
    ------
    InputError
        Missing or not an STL.
    """
    from stl import mesh as stl_mesh

    try:
        triangles = stl_mesh.Mesh.from_file(str(path), calculate_normals=False).vectors
    except FileNotFoundError as exc:
        raise InputError("is missing; run make again", str(path)) from exc
    except Exception as exc:  # numpy-stl raises bare Exceptions, AssertionErrors and RuntimeErrors
        raise InputError(f"is not a readable STL ({exc}); run make again", str(path)) from exc
    vertices, inverse = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    return Mesh(vertices=vertices.astype(float), faces=inverse.reshape(-1, 3))


class Slicer:
    """Sections of one mesh at chosen heights."""

    def __init__(self, mesh: Mesh, name: str = "mesh") -> None:
        from manifold3d import Error, Manifold, Mesh64

        self._solid = Manifold(
            Mesh64(
                vert_properties=np.ascontiguousarray(mesh.vertices, dtype=np.float64),
                tri_verts=np.ascontiguousarray(mesh.faces, dtype=np.uint64),
            )
        )
        if self._solid.status() != Error.NoError:
            raise InputError("the mesh is not closed, so it has no inside; repair it first", name)

    def section(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z [mm], material on the left; empty where nothing is cut."""
        cut = self._solid.slice(z).simplify(COLLINEAR_MM)
        return tuple(Ring(points=np.array(p, dtype=float)) for p in cut.to_polygons() if len(p) >= 3)


def polygons(rings: tuple[Ring, ...]):
    """The rings as shapely polygons, each opening in the outline that holds it."""
    import shapely

    outer = [shapely.Polygon(r.points) for r in rings if r.area > 0]
    holes = [r.points for r in rings if r.area < 0]
    inside: list[list[np.ndarray]] = [[] for _ in outer]
    for hole in holes:
        spot = shapely.Point(hole[0])
        owners = [i for i, o in enumerate(outer) if o.contains(spot)]
        if owners:
            inside[min(owners, key=lambda i: outer[i].area)].append(hole)
    return [shapely.Polygon(o.exterior.coords, h) for o, h in zip(outer, inside, strict=True)]


def mitre_vectors(points: np.ndarray) -> np.ndarray:
    """Displacement of each vertex of a closed path per mm of offset to its right.

    With edge directions d1, d2 at a vertex and right-hand normals n1, n2, an offset by p moves the vertex by
    p * (n1 + n2) / (1 + n1.n2).

    Parameters
    ----------
    points : ndarray (m, 2) [mm]

    Returns
    -------
    ndarray (m, 2)
    """
    edge = np.roll(points, -1, axis=0) - points
    edge /= np.linalg.norm(edge, axis=1, keepdims=True)
    after = np.column_stack([edge[:, 1], -edge[:, 0]])
    before = np.roll(after, 1, axis=0)
    return (before + after) / np.maximum(1 + np.sum(before * after, axis=1), 2 / MITRE_LIMIT**2)[:, None]


def turning_angles(points: np.ndarray) -> np.ndarray:
    """Change of direction at each vertex of a closed path, ndarray (m,) [rad], left positive."""
    edge = np.roll(points, -1, axis=0) - points
    before = np.roll(edge, 1, axis=0)
    cross = before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0]
    return np.arctan2(cross, np.sum(before * edge, axis=1))


def ideal_loops(rings: tuple[Ring, ...], width: float, single_wall: bool = False) -> tuple[Loop, ...]:
    """The loops of a perfect slicer for a section.

    Parameters
    ----------
    rings : tuple of Ring
    width : float [mm]
        Commanded bead width w.
    single_wall : bool
        One bead about the middle of a wall of width w; a path offset does not reach it.

    Returns
    -------
    tuple of Loop
        Each begins at its sharpest corner, where a slicer would hide the seam.
    """
    import shapely

    loops: list[Loop] = []
    bores = [b for b in (ring.bore() for ring in rings) if b]
    for polygon in polygons(rings):
        body = shapely.Polygon(polygon.exterior) if single_wall else polygon
        inner = body.buffer(-width / 2, join_style="mitre", mitre_limit=MITRE_LIMIT)
        for part in getattr(inner, "geoms", [inner]):
            if part.is_empty:
                continue
            part = shapely.geometry.polygon.orient(part)
            for ring in (part.exterior, *part.interiors):
                loops.append(path_loop(np.array(ring.coords)[:-1], bores, fixed=single_wall))
    return tuple(loops)


def path_loop(
    points: np.ndarray,
    bores: list[tuple[np.ndarray, float]],
    *,
    fixed: bool = False,
    seam: bool = True,
) -> Loop:
    """A `Loop` along `points` (m, 2) [mm], with the displacements that follow from its own shape.

    Parameters
    ----------
    bores : list of (centre, diameter)
        Round openings of the section; a loop about one of them closes with it.
    fixed : bool
        True where a path offset does not move the loop (single wall).
    seam : bool
        Begin at the sharpest corner; else at the first point given.
    """
    points = _without_repeats(points)
    if seam:
        points = np.roll(points, -int(np.argmax(np.abs(turning_angles(points)))), axis=0)
    outward = np.zeros_like(points) if fixed else mitre_vectors(points)
    closing = np.zeros_like(points)
    area = Ring(points=points).area
    for centre, diameter in bores:
        radial = points - centre
        distance = np.linalg.norm(radial, axis=1)
        about = area < 0 and np.ptp(distance) < 0.02 * diameter and distance.max() < 0.5 * diameter + 2.0
        if about:
            closing = -radial / distance[:, None] * (BORE_REFERENCE_MM / diameter / 2)
    return Loop(points=points, outward=outward, closing=closing)


def _without_repeats(points: np.ndarray) -> np.ndarray:
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    return points[step > 1e-9]
