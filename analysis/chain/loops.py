"""The loops that the nozzle walks along the outlines of a section.

Loops run with the material on their left: outer outlines counter-clockwise, openings clockwise. A perfect
path stands half a bead inside the outline; a single-walled coupon is one bead about its wall's middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.terms import BORE_REFERENCE_MM
from fitassay.coupons.sections import Ring, is_round, polygons
from fitassay.coupons.toolpath.walls import MITRE_LIMIT, from_sharpest, loops_inside

# A loop about a bore stands no farther than this inside its material.
BESIDE_MM = 2.0


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """A further part of a loop that is drawn after a travel of its own.

    Attributes
    ----------
    first : int
        The loop's vertex with which it begins, along the loop; it reaches to the next stroke's first, or to the seam.
    lead_in : ndarray (k, 2) [mm]
        Commanded moves before it, which settle the play.
    backward : bool
        True where it is drawn from its last vertex to its first.
    """

    first: int
    lead_in: np.ndarray
    backward: bool = False


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
    strokes : tuple of Stroke
        Along the loop, where it is not drawn in one go.
    """

    points: np.ndarray
    outward: np.ndarray
    closing: np.ndarray
    lead_in: np.ndarray | None = None
    strokes: tuple[Stroke, ...] = ()


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

    bores = [b for b in (ring.bore() for ring in rings) if b]
    return tuple(
        path_loop(points, bores, fixed=single_wall)
        for polygon in polygons(rings)
        for points in loops_inside(shapely.Polygon(polygon.exterior) if single_wall else polygon, width / 2)
    )


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
        points = from_sharpest(points)
    outward = np.zeros_like(points) if fixed else mitre_vectors(points)
    closing = np.zeros_like(points)
    area = Ring(points=points).area
    for centre, diameter in bores:
        radial = points - centre
        distance = np.linalg.norm(radial, axis=1)
        if area < 0 and is_round(distance) and distance.max() < 0.5 * diameter + BESIDE_MM:
            closing = -radial / distance[:, None] * (BORE_REFERENCE_MM / diameter / 2)
    return Loop(points=points, outward=outward, closing=closing)


def _without_repeats(points: np.ndarray) -> np.ndarray:
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    return points[step > 1e-9]
