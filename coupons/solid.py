"""Closed triangle meshes: vertices, faces, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed triangle mesh.

    Attributes
    ----------
    vertices : ndarray (n, 3) of float64 [mm]
    faces : ndarray (m, 3) of int
        Corner indices, counter-clockwise seen from outside.
    """

    vertices: np.ndarray
    faces: np.ndarray

    @property
    def corners(self) -> np.ndarray:
        """Corner coordinates of every face, ndarray (m, 3, 3) [mm]."""
        return self.vertices[self.faces]

    @property
    def volume(self) -> float:
        """Enclosed volume [mm3], by the divergence theorem; positive when the normals point outwards."""
        a, b, c = np.moveaxis(self.corners - self.vertices.mean(axis=0), 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)

    @property
    def bounds(self) -> np.ndarray:
        """Lowest and highest coordinates, ndarray (2, 3) [mm]."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])


def merge(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distinct points, in lexical order, and the index of each point among them; exact equality, any number type."""
    order = np.lexsort(points.T[::-1])
    ranked = points[order]
    first = np.concatenate([[True], np.any(ranked[1:] != ranked[:-1], axis=1)])
    index = np.empty(len(points), dtype=np.int64)
    index[order] = np.cumsum(first) - 1
    return ranked[first], index


def gaps_words(vertices: np.ndarray, gaps: np.ndarray) -> str:
    """How many edges are open, and where one of them is; `gaps` as `open_edges` gives them."""
    x, y, z = vertices[gaps[0]].mean(axis=0)
    at = f"at ({x:.4g}, {y:.4g}, {z:.4g}) mm"
    if len(gaps) == 1:
        return f"an edge belongs to one facet only, {at}"
    return f"{len(gaps)} edges belong to one facet only, one of them {at}"


def open_edges(faces: np.ndarray, count: int) -> np.ndarray:
    """Edges whose two directions are not walked equally often, ndarray (k, 2); a closed mesh has none.

    Parameters
    ----------
    faces : ndarray (m, 3) of int
    count : int
        Number of vertices.
    """
    a, b = faces[:, [0, 1, 2]].ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(a, b).astype(np.int64) * count + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    starts = np.flatnonzero(np.concatenate([[True], sorted_key[1:] != sorted_key[:-1]]))
    balance = np.add.reduceat(np.where(a < b, 1, -1)[order], starts)
    bad = order[starts[balance != 0]]
    return np.column_stack([a[bad], b[bad]])
