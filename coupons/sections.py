"""Sections of solids: the outlines at a height, which of them are round, and which contact stands on which."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from fitassay.coupons.errors import InputError
from fitassay.coupons.solid import gaps_words, open_edges

if TYPE_CHECKING:
    from fitassay.coupons.feature import Feature

# Float32 STL coordinates near 100 mm are good to 4e-6 mm; circles are drawn to a chord error of 1e-3 mm.
COLLINEAR_MM = 3e-5
# A ring is round when it has this many sides and its corners' distances from the middle differ by no more than
# this fraction of their mean; people draw their own holes with as few sides as ten.
ROUND_SIDES = 10
ROUNDNESS = 0.02


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

    @property
    def perimeter(self) -> float:
        """Length of the outline [mm]."""
        return float(np.linalg.norm(np.roll(self.points, -1, axis=0) - self.points, axis=1).sum())

    def circle(self) -> tuple[np.ndarray, float] | None:
        """Centre (2,) [mm] and diameter [mm] of a round ring, else None.

        The diameter is the polygon's mean width, its perimeter over pi.
        """
        if len(self.points) < ROUND_SIDES:
            return None
        centre = (self.points.min(axis=0) + self.points.max(axis=0)) / 2
        if not is_round(np.linalg.norm(self.points - centre, axis=1)):
            return None
        return centre, self.perimeter / np.pi

    def bore(self) -> tuple[np.ndarray, float] | None:
        """`circle` of a round opening; None for anything else."""
        return self.circle() if self.area < 0 else None


def is_round(radii: np.ndarray) -> bool:
    """Whether distances of corners from a middle [mm] are those of a circle."""
    return bool(np.ptp(radii) < ROUNDNESS * radii.mean())


def bore_at(feature: Feature, rings: Iterable[Ring]) -> tuple[np.ndarray, float] | None:
    """Centre (2,) and diameter [mm] of the round opening across which an inside feature is read, else None."""
    if feature.kind != "inside":
        return None
    middle = (np.array(feature.contact_a_mm[:2]) + np.array(feature.contact_b_mm[:2])) / 2
    for bore in (ring.bore() for ring in rings):
        if bore and np.linalg.norm(bore[0] - middle) < 0.25 * bore[1]:
            return bore
    return None


def body_of(vertices: np.ndarray, faces: np.ndarray, name: str) -> Any:
    """The closed mesh as a `manifold3d.Manifold`, for cutting and projecting.

    Raises
    ------
    InputError
        The mesh is empty, not closed, or has coordinates that are no numbers.
    """
    from manifold3d import Error, Manifold, Mesh64

    if not len(vertices):
        raise InputError("the mesh is empty; make it again", name)
    if not np.isfinite(vertices).all():
        facet = int(np.argmin(np.isfinite(vertices[faces]).all(axis=(1, 2)))) + 1
        raise InputError("has coordinates that are no numbers; make it again", f"{name}, facet {facet}")
    body = Manifold(
        Mesh64(
            vert_properties=np.ascontiguousarray(vertices, dtype=np.float64),
            tri_verts=np.ascontiguousarray(faces, dtype=np.uint64),
        )
    )
    if body.status() != Error.NoError or body.is_empty():
        gaps = open_edges(np.asarray(faces), len(vertices))
        where = f" ({gaps_words(vertices, gaps)})" if len(gaps) else ""
        raise InputError(f"the mesh is not watertight{where}, so it has no inside; make it again", name)
    return body


class Meshed(Protocol):
    """A closed triangle mesh: vertices (n, 3) [mm], faces (m, 3) counter-clockwise from outside."""

    @property
    def vertices(self) -> np.ndarray: ...

    @property
    def faces(self) -> np.ndarray: ...


class Sliceable(Protocol):
    """What has outlines at any height: a meshed solid's `Slicer`, or a draft."""

    def section(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z [mm], material on the left; empty where nothing is."""
        ...


class Slicer:
    """Sections of one solid at chosen heights.

    Attributes
    ----------
    body : manifold3d.Manifold
    """

    def __init__(self, solid: Meshed, name: str = "mesh") -> None:
        self.body = body_of(solid.vertices, solid.faces, name)

    def section(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z [mm], material on the left; empty where nothing is cut."""
        return rings_of(self.body.slice(z).simplify(COLLINEAR_MM))


def rings_of(section: Any) -> tuple[Ring, ...]:
    """The outlines of a `manifold3d.CrossSection`."""
    return tuple(Ring(points=np.array(p, dtype=float)) for p in section.to_polygons() if len(p) >= 3)


def polygons(rings: Iterable[Ring]) -> list[Any]:
    """The rings as shapely polygons, each opening in the outline that holds it."""
    import shapely
    from manifold3d import CrossSection, FillRule

    whole = CrossSection([ring.points for ring in rings], FillRule.Positive)
    found = []
    for part in whole.decompose():
        outer, *openings = sorted(rings_of(part), key=lambda ring: ring.area, reverse=True)
        found.append(shapely.Polygon(outer.points, [ring.points for ring in openings]))
    return found
