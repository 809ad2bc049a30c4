"""The virtual print of a part's sections, and how far its surface then stands from the wanted one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop, ideal_loops
from fitassay.analysis.controls import NO_CONSTANT, ConstantHoles
from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.terms import BORE_REFERENCE_MM, errors_of
from fitassay.coupons.errors import InputError
from fitassay.coupons.sections import Ring, Slicer

# Surface points are compared this far apart along the outline, and not nearer than this to a corner [mm].
STEP_MM = 0.5
CORNER_MM = 1.0
# A corner turns by more than this [rad].
CORNER_RAD = 0.35
# Farther than this from its place a surface is not looked for [mm].
REACH_MM = 1.5


class Sections:
    """Sections of one part at chosen heights, as rings with the material on the left."""

    def __init__(self, part: Part) -> None:
        self.part = part
        self._slicer = Slicer(part, part.name)

    def at(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z [mm]."""
        return self._slicer.section(z)


def round_openings(rings: tuple[Ring, ...]) -> tuple[tuple[np.ndarray, float], ...]:
    """Centre (2,) and diameter [mm] of the round openings of a section, as coarse as parts are drawn."""
    return tuple(bore for bore in (ring.bore() for ring in rings) if bore)


def drawn_loops(
    rings: tuple[Ring, ...],
    width: float,
    bores: tuple[tuple[np.ndarray, float], ...],
    holes: ConstantHoles = NO_CONSTANT,
) -> list[Loop]:
    """The loops of a section; those about one of `bores` close with it even where they were drawn out of round.

    They open by what `holes` adds.
    """
    loops = []
    for loop in ideal_loops(rings, width):
        if Ring(points=loop.points).area < 0:
            radial = loop.points - (loop.points.min(axis=0) + loop.points.max(axis=0)) / 2
            size = np.linalg.norm(radial, axis=1)
            diameter = 2 * float(size.mean()) - width
            about = [d for c, d in bores if np.linalg.norm(loop.points.mean(axis=0) - c) < 0.2 * d]
            if any(abs(diameter - d) < 0.3 * d for d in about):
                closing = -radial / size[:, None] * (BORE_REFERENCE_MM / diameter / 2)
                opened = radial / size[:, None] * (float(holes.surplus(diameter)) / 2)
                loop = replace(loop, closing=closing, points=loop.points + opened)
        loops.append(loop)
    return loops


def printed_region(
    rings: tuple[Ring, ...],
    theta: np.ndarray,
    width: float,
    bores: tuple[tuple[np.ndarray, float], ...] | None = None,
    holes: ConstantHoles = NO_CONSTANT,
    *,
    jumps: bool = False,
) -> Any:
    """What one printer makes of a section: paths walked, beads swept, insides filled.

    Parameters
    ----------
    rings : tuple of Ring
        The drawn section.
    theta : ndarray (terms,)
    width : float [mm]
        Commanded bead width.
    bores : tuple of (centre, diameter), optional
        Round openings, if the drawn ones are bent out of round on purpose; default: those of `rings`.
    holes : ConstantHoles, optional
        What a constant hole compensation does to them beside the errors.
    jumps : bool
        A backlash compensation set too high jumps at the reversal; else it mirrors the play.

    Returns
    -------
    shapely Polygon or MultiPolygon [mm]
    """
    import shapely

    errors = errors_of(np.asarray(theta)[None])
    errors.jumps = jumps
    radius = (width + float(errors.swept[0])) / 2
    outer, openings, beads = [], [], []
    bores = round_openings(rings) if bores is None else bores
    for loop in drawn_loops(rings, width, bores, holes):
        path = printed_path(loop, errors)[0].reshape(-1, 2)
        keep = np.concatenate([[True], np.linalg.norm(np.diff(path, axis=0), axis=1) > 1e-9])
        closed = np.concatenate([path[keep], path[:1]])
        line = shapely.LineString(closed)
        beads.append(line.buffer(radius, quad_segs=12))
        area = shapely.make_valid(shapely.Polygon(closed))
        (outer if Ring(points=loop.points).area > 0 else openings).append(area)
    if not outer:
        return shapely.Polygon()
    body = shapely.difference(shapely.union_all(outer), shapely.union_all(openings))
    return shapely.union_all([body, *beads])


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """How far a printed surface stands from the wanted one.

    Attributes
    ----------
    mean_mm, worst_mm : float [mm]
        Mean absolute and largest deviation over the compared points.
    points : int
    lost : int
        Points near which the print has no surface at all.
    """

    mean_mm: float
    worst_mm: float
    points: int
    lost: int


def surface_points(rings: tuple[Ring, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Points along the outlines, away from corners, and their outward normals; two ndarrays (k, 2) [mm]."""
    points, normals = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for ring in rings:
        p, n = _ring_points(ring.points)
        points.append(p)
        normals.append(n)
    return np.concatenate(points), np.concatenate(normals)


def _ring_points(ring: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    edge = np.roll(ring, -1, axis=0) - ring
    length = np.linalg.norm(edge, axis=1)
    along = np.concatenate([[0.0], np.cumsum(length)])
    total = along[-1]
    before = np.roll(edge, 1, axis=0)
    turn = np.arctan2(before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0], np.sum(before * edge, axis=1))
    corners = along[:-1][np.abs(turn) > CORNER_RAD]
    s = (np.arange(max(int(total / STEP_MM), 8)) + 0.5) / max(int(total / STEP_MM), 8) * total
    if len(corners):
        gap = np.abs(s[:, None] - corners)
        s = s[np.minimum(gap, total - gap).min(axis=1) > CORNER_MM]
    i = np.clip(np.searchsorted(along, s, side="right") - 1, 0, len(ring) - 1)
    unit = edge[i] / length[i, None]
    return ring[i] + unit * (s - along[i])[:, None], np.column_stack([unit[:, 1], -unit[:, 0]])


def deviations(points: np.ndarray, normals: np.ndarray, region: Any) -> np.ndarray:
    """Signed distance of the nearest surface of `region` along each normal, ndarray (k,) [mm]; nan: none near.

    Positive: the print stands out.
    """
    import shapely

    rays = shapely.linestrings(np.stack([points - REACH_MM * normals, points + REACH_MM * normals], axis=1))
    inside = shapely.intersection(rays, region)
    out = np.full(len(points), np.nan)
    parts, index = shapely.get_parts(inside, return_index=True)
    coords, part_of = shapely.get_coordinates(parts, return_index=True)
    if not len(coords):
        return out
    ray = index[part_of]
    t = np.sum((coords - points[ray]) * normals[ray], axis=1)
    # Ends of the ray itself lie inside the material or a neighbour; they are no surface.
    real = np.abs(t) < REACH_MM - 1e-6
    ray, t = ray[real], t[real]
    order = np.lexsort((np.abs(t), ray))
    first = np.concatenate([[True], np.diff(ray[order]) > 0]) if len(order) else np.zeros(0, bool)
    out[ray[order][first]] = t[order][first]
    return out


def misfit(
    wanted: Sections,
    drawn: Sections,
    theta: np.ndarray,
    width: float,
    heights: list[tuple[float, float]],
    holes: ConstantHoles = NO_CONSTANT,
    *,
    jumps: bool = False,
) -> Misfit:
    """Print `drawn` and compare it with `wanted`, each section shifted to its best place.

    Parameters
    ----------
    heights : list of (float, float) [mm]
        Heights in the wanted and in the drawn part that belong together.

    Raises
    ------
    InputError
        Nothing to compare: no outline at any of the heights.
    """
    apart, lost = [], 0
    for z_wanted, z_drawn in heights:
        rings = wanted.at(z_wanted)
        points, normals = surface_points(rings)
        if not len(points):
            continue
        region = printed_region(drawn.at(z_drawn), theta, width, round_openings(rings), holes, jumps=jumps)
        d = deviations(points, normals, region)
        found = np.isfinite(d)
        lost += int((~found).sum())
        if found.sum() >= 4:
            # A part that is only displaced fits as well as one that is not.
            shift = np.linalg.lstsq(normals[found], d[found], rcond=1e-6)[0]
            apart.append(d[found] - normals[found] @ shift)
    if not apart:
        raise InputError("has no walls to compare", wanted.part.name)
    every = np.abs(np.concatenate(apart))
    return Misfit(mean_mm=float(every.mean()), worst_mm=float(every.max()), points=len(every), lost=lost)


@dataclass(frozen=True, kw_only=True)
class Proof:
    """Virtual prints of one part: as drawn, scaled alone, corrected; each averaged over likely printers.

    Attributes
    ----------
    before, scaled, after : Misfit
    printers : int
        How many printers, drawn from what is known of this one.
    heights : tuple of float [mm]
        Where the sections were taken.
    """

    before: Misfit
    scaled: Misfit
    after: Misfit
    printers: int
    heights: tuple[float, ...]


def prove(
    part: Part,
    scaled: Part,
    corrected: Part,
    printers: np.ndarray,
    width: float,
    holes: ConstantHoles = NO_CONSTANT,
    *,
    jumps: bool = False,
) -> Proof:
    """Print a part three ways on each of the `printers` (n, terms) and compare the surfaces with the wanted ones."""
    heights = telling_heights(part)
    wanted = Sections(part)
    found = []
    for drawn in (part, scaled, corrected):
        sections = wanted if drawn is part else Sections(drawn)
        low, high = part.bounds[:, 2]
        drawn_low, drawn_high = drawn.bounds[:, 2]
        pairs = [(z, drawn_low + (z - low) * (drawn_high - drawn_low) / (high - low)) for z in heights]
        each = [misfit(wanted, sections, theta, width, pairs, holes, jumps=jumps) for theta in printers]
        found.append(
            Misfit(
                mean_mm=float(np.mean([m.mean_mm for m in each])),
                worst_mm=max(m.worst_mm for m in each),
                points=each[0].points,
                lost=max(m.lost for m in each),
            )
        )
    return Proof(
        before=found[0], scaled=found[1], after=found[2], printers=len(printers), heights=tuple(heights)
    )


def telling_heights(part: Part, count: int = 3) -> list[float]:
    """Heights [mm] at which to compare: in the tallest stretches of unchanged outline, else spread evenly."""
    z = np.unique(np.round(part.vertices[:, 2], 3))
    if len(z) - 1 > 100:
        return [float(z[0] + share * (z[-1] - z[0])) for share in (0.2, 0.5, 0.8)]
    tallest = np.argsort(-np.diff(z), kind="stable")[:count]
    # Not exactly half way, where a mesh of regular facets may have corners.
    return sorted(float(z[i] + 0.49 * (z[i + 1] - z[i])) for i in tallest)
