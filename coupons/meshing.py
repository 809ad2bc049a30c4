"""From drawing to solid: slabs of a draft as prisms, united into one watertight body."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from fitassay.coupons.draft import Slab
from fitassay.coupons.solid import Solid

if TYPE_CHECKING:
    from manifold3d import CrossSection, Manifold


def solid_of(slabs: Sequence[Slab], one_body: bool = True) -> Solid:
    """Unite slabs that stand on each other into one body; of several pieces only where that is allowed.

    Raises
    ------
    ValueError
        The slabs do not make one watertight body.
    """
    from manifold3d import CrossSection, FillRule, Manifold, OpType

    prisms = []
    for slab in slabs:
        rings = []
        for polygon in getattr(slab.outline, "geoms", [slab.outline]):
            rings += [np.asarray(r.coords)[:-1] for r in (polygon.exterior, *polygon.interiors)]
        prisms.append(_prism(CrossSection(rings, FillRule.EvenOdd), slab.z0, slab.z1))
    body = Manifold.batch_boolean(prisms, OpType.Add).as_original().simplify(1e-6)
    parts = len(body.decompose())
    if parts != 1 and one_body:
        raise ValueError(f"a coupon must be one body (got {parts})")
    return _canonical(body)


def _prism(section: CrossSection, z0: float, z1: float) -> Manifold:
    """The section from z0 to z1, its ends at exactly these heights: a last bit between two slabs parts them."""

    def placed(points: np.ndarray) -> np.ndarray:
        return np.column_stack([points[:, :2], np.where(points[:, 2] > 0.5, z1, z0)])

    return section.extrude(1.0).warp_batch(placed)


def _canonical(body: Manifold) -> Solid:
    """The mesh in an order that depends on its geometry alone, so that files are the same on every run."""
    mesh = body.to_mesh64()
    vertices = np.round(np.array(mesh.vert_properties, dtype=np.float64, copy=True)[:, :3], 6) + 0.0
    faces = np.array(mesh.tri_verts, dtype=np.int64, copy=True)
    order = np.lexsort(vertices.T[::-1])
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    faces = rank[faces]
    first = np.argmin(faces, axis=1)
    faces = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    return Solid(vertices[order], faces[np.lexsort(faces.T[::-1])])
