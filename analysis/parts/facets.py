"""A mesh's facets as flat patches, and the bends between patches that meet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

# Facets that turn by less are one plane: float32 coordinates on thin facets turn by a tenth of this [rad].
FLAT = np.radians(0.05)


@dataclass(frozen=True, eq=False, kw_only=True)
class Bend:
    """Edges between patches, one row for each pair of patches that meet.

    Attributes
    ----------
    a, b : ndarray (n,) of int
        The patches.
    angle : ndarray (n,) [rad]
        Between their normals; positive where the body bulges, negative where it is hollow.
    axis : ndarray (n, 3)
        Unit vector across both normals, its largest component positive: the axis of a cylinder that both lie on.
    length : ndarray (n,) [mm]
        Of the edges they share.
    """

    a: np.ndarray
    b: np.ndarray
    angle: np.ndarray
    axis: np.ndarray
    length: np.ndarray


class Facets:
    """Flat patches of a closed mesh.

    Parameters
    ----------
    vertices : ndarray (n, 3) [mm]
    faces : ndarray (m, 3) of int
        Counter-clockwise from outside.
    """

    def __init__(self, vertices: np.ndarray, faces: np.ndarray) -> None:
        across = np.cross(
            vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]
        )
        doubled = np.linalg.norm(across, axis=1)
        kept = doubled > 1e-12
        self.vertices, self.faces = vertices, faces[kept]
        self._area = doubled[kept] / 2
        self._normal = across[kept] / doubled[kept, None]
        self._edges = _shared_edges(self.faces, len(vertices))
        self.patch = self._patches()

    def _patches(self) -> np.ndarray:
        """The patch of every face, ndarray (m,) of int."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        first, second = self._edges[:, 0], self._edges[:, 1]
        turn = np.linalg.norm(np.cross(self._normal[first], self._normal[second]), axis=1)
        flat = (turn < np.sin(FLAT)) & (np.einsum("ij,ij->i", self._normal[first], self._normal[second]) > 0)
        n = len(self.faces)
        graph = coo_array((np.ones(int(flat.sum()), dtype=bool), (first[flat], second[flat])), shape=(n, n))
        return connected_components(graph, directed=False)[1]

    @cached_property
    def count(self) -> int:
        """Number of patches."""
        return int(self.patch.max()) + 1

    @cached_property
    def area(self) -> np.ndarray:
        """Of every patch, ndarray (count,) [mm2]."""
        return np.bincount(self.patch, self._area, self.count)

    @cached_property
    def normal(self) -> np.ndarray:
        """Outward unit normal of every patch, ndarray (count, 3)."""
        summed = _sums(self.patch, self._normal * self._area[:, None], self.count)
        return summed / np.linalg.norm(summed, axis=1)[:, None]

    def corners(self, patch: int) -> np.ndarray:
        """Distinct vertices of a patch, ndarray (k, 3) [mm]."""
        low, high = self._begins[patch : patch + 2]
        return self.vertices[np.unique(self.faces[self._order[low:high]])]

    @cached_property
    def _order(self) -> np.ndarray:
        return np.argsort(self.patch, kind="stable")

    @cached_property
    def _begins(self) -> np.ndarray:
        """Where each patch begins in `_order`, and where the last one ends, ndarray (count + 1,)."""
        return np.searchsorted(self.patch[self._order], np.arange(self.count + 1))

    @cached_property
    def bend(self) -> Bend:
        """The pairs of patches that meet."""
        first, second, start, end = self._edges.T
        a, b = self.patch[first], self.patch[second]
        apart = a != b
        first, second, start, end, a, b = (x[apart] for x in (first, second, start, end, a, b))
        length = np.linalg.norm(self.vertices[end] - self.vertices[start], axis=1)
        # The far corner of the second face lies below the first one's plane where the body bulges.
        middle = self.vertices[self.faces[second]].mean(axis=1) - self.vertices[start]
        bulge = np.where(np.einsum("ij,ij->i", middle, self._normal[first]) < 0, 1.0, -1.0)
        low, high = np.minimum(a, b), np.maximum(a, b)
        key, index = np.unique(low * np.int64(self.count) + high, return_inverse=True)
        total = np.bincount(index, length, len(key))
        side = np.bincount(index, length * bulge, len(key))
        a, b = key // self.count, key % self.count
        across = np.cross(self.normal[a], self.normal[b])
        sine = np.linalg.norm(across, axis=1)
        cosine = np.einsum("ij,ij->i", self.normal[a], self.normal[b])
        axis = across / np.maximum(sine, 1e-15)[:, None]
        axis *= np.where(np.take_along_axis(axis, np.abs(axis).argmax(axis=1)[:, None], 1) < 0, -1.0, 1.0)
        angle = np.where(side >= 0, 1.0, -1.0) * np.arctan2(sine, cosine)
        return Bend(a=a, b=b, angle=angle, axis=axis, length=total)


def _shared_edges(faces: np.ndarray, count: int) -> np.ndarray:
    """Edges of exactly two faces, ndarray (n, 4): the faces, and the edge's ends."""
    start, end = faces[:, [0, 1, 2]].ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(start, end).astype(np.int64) * count + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    begins = np.flatnonzero(np.concatenate([[True], ranked[1:] != ranked[:-1]]))
    pairs = begins[np.diff(np.append(begins, len(ranked))) == 2]
    one, two = order[pairs], order[pairs + 1]
    return np.column_stack([one // 3, two // 3, start[one], end[one]])


def _sums(index: np.ndarray, rows: np.ndarray, count: int) -> np.ndarray:
    """Sums of the rows of each index, ndarray (count, columns)."""
    return np.column_stack([np.bincount(index, column, count) for column in rows.T])
