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
