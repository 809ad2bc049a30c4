"""What a corrected part still misses, dimension by dimension, by the virtual print; and walls moved by what is left.

The features of `part_listing` are the dimensions. Each is looked at where jaws would go: how far the printed surface
stands from the wanted one there, along the wall's normal. What a wall misses is taken off its drawing, again and
again, until every dimension is nearer than it is known, or no longer gets nearer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitassay.analysis.parts.correct import Correction
from fitassay.analysis.parts.flat_features import FlatFeature
from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.parts.part_listing import PartListing
from fitassay.analysis.parts.round_features import RoundFeature
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.parts.virtual_print import Sections, deviations, printed_region, round_openings
from fitassay.analysis.parts.walls import unit_normals
from fitassay.coupons.sections import Ring, polygons

ROUNDS = 4
# Where every dimension misses less than this share of its standard uncertainty, nothing is gained by more rounds.
NEAR = 0.5
# Over so much of its length a wall is looked at, in so many places; about a round one, so far to both sides [rad].
SHARE, PLACES, ASIDE = 0.7, 9, 0.2
# A facet belongs to a wall within this of it [mm], a round one also within this share of its radius.
ON_WALL_MM, ON_ROUND = 0.02, 0.02
# Fewer places with a surface near them tell nothing of a wall.
FEWEST = 3


@dataclass(frozen=True, kw_only=True)
class Residual:
    """A dimension of a part and what its print will miss it by.

    Attributes
    ----------
    number, kind : int, str
        Of the feature, as `predict --part` lists it.
    direction_rad : float [rad]
        In which it is measured, from x towards y.
    nominal_mm : float [mm]
        Wanted size.
    before_mm, left_mm : float [mm]
        Printed less wanted size, of the part as drawn and as corrected; positive: larger. At the estimated errors,
        mean along the walls.
    uneven_mm : float [mm]
        By how much single places of the corrected walls differ from that mean, at most: a leaning frame with play
        bends walls, which no drawing of flat walls undoes.
    u_mm : float [mm]
        Standard uncertainty of the printed size.
    """

    number: int
    kind: str
    direction_rad: float
    nominal_mm: float
    before_mm: float
    left_mm: float
    uneven_mm: float
    u_mm: float

    @property
    def worth_naming(self) -> bool:
        """More is left than the size is known to: u in the mean, 2 u at its worst place."""
        return abs(self.left_mm) > self.u_mm or abs(self.left_mm) + self.uneven_mm > 2 * self.u_mm


@dataclass(frozen=True, kw_only=True)
class _Wall:
    """One of the two surfaces that a dimension lies between.

    Attributes
    ----------
    points, normals : ndarray (k, 2) [mm]
        Where it is looked at, each place opposite that of the other wall, and out of the material there.
    z : float [mm]
    facets : ndarray (n,) of int
    share : ndarray (n,)
        How much of what is missing here each facet makes good: 1 on flat walls, cos^2 of the angle on round ones.
    """

    points: np.ndarray
    normals: np.ndarray
    z: float
    facets: np.ndarray
    share: np.ndarray


@dataclass(frozen=True, kw_only=True)
class _Dimension:
    residual: Residual
    walls: tuple[_Wall, _Wall]
    sign: float


class Dimensions:
    """The dimensions of a part, looked at in its virtual prints.

    Parameters
    ----------
    part : Part
        Wanted surface, in the printer's axes.
    state : State
        What is known of the printer; prints are those of the estimate.
    """

    def __init__(self, part: Part, state: State) -> None:
        self.part, self.state = part, state
        self.wanted = Sections(part)
        listing = PartListing(part, state.width)
        self._dimensions = tuple(_dimensions(listing, state))
        self._u = np.array([d.residual.u_mm for d in self._dimensions])
        self._before, _ = self._missing(part)

    def refine(
        self, best: Correction, correct: Callable[[np.ndarray], Correction]
    ) -> tuple[Correction, tuple[Residual, ...]]:
        """Move the walls of a correction until no dimension gets nearer.

        Parameters
        ----------
        best : Correction
        correct : function of ndarray (facets,) [mm]
            Makes the correction, with every facet moved outwards by so much more.
        """
        extra = np.zeros(len(self.part.faces))
        missing, uneven = self._missing(best.part)
        for _ in range(ROUNDS):
            if self._worst(missing) <= NEAR:
                break
            extra = extra - self._asked(missing)
            tried = correct(extra)
            found, bent = self._missing(tried.part)
            if not self._worst(found) < self._worst(missing):
                break
            best, missing, uneven = tried, found, bent
        return best, self._residuals(missing, uneven)

    def _residuals(self, missing: np.ndarray, uneven: np.ndarray) -> tuple[Residual, ...]:
        rows = zip(self._dimensions, self._before, missing, uneven, strict=True)
        return tuple(
            replace(
                d.residual,
                before_mm=d.sign * float(before),
                left_mm=d.sign * float(left),
                uneven_mm=float(bent),
            )
            for d, before, left, bent in rows
            if np.isfinite(before) and np.isfinite(left)
        )

    def _worst(self, missing: np.ndarray) -> float:
        """What the worst of the dimensions misses, in its standard uncertainty."""
        return float(np.nanmax(np.abs(missing) / self._u, initial=0.0))

    def _asked(self, missing: np.ndarray) -> np.ndarray:
        """By how much each facet stands too far out, ndarray (facets,) [mm]: mean over the walls it belongs to."""
        total, weight = np.zeros(len(self.part.faces)), np.zeros(len(self.part.faces))
        for d, off in zip(self._dimensions, missing, strict=True):
            if np.isfinite(off):
                for wall in d.walls:
                    total[wall.facets] += wall.share * off / 2
                    weight[wall.facets] += wall.share
        return total / np.where(weight > 0, weight, 1.0)

    def _missing(self, drawn: Part) -> tuple[np.ndarray, np.ndarray]:
        """How far the two walls of each dimension stand out together in the print of `drawn`, ndarray (n,) [mm].

        Mean along the walls and largest difference from it; nan where there is no surface near one of them.
        """
        sections = Sections(drawn)
        low, high = self.part.bounds[:, 2]
        to_low, to_high = drawn.bounds[:, 2]
        theta, width = self.state.posterior.mean, self.state.width
        regions: dict[float, tuple[Any, Any]] = {}
        found = []
        for d in self._dimensions:
            total = np.zeros(PLACES)
            for wall in d.walls:
                if wall.z not in regions:
                    rings = self.wanted.at(wall.z)
                    z = to_low + (wall.z - low) * (to_high - to_low) / (high - low)
                    printed = printed_region(
                        sections.at(z),
                        theta,
                        width,
                        round_openings(rings),
                        self.state.holes,
                        jumps=bool(self.state.habits.jumps),
                    )
                    regions[wall.z] = printed, _region(rings)
                printed, wanted = regions[wall.z]
                total += deviations(wall.points, wall.normals, printed)
                total -= deviations(wall.points, wall.normals, wanted)
            told = total[np.isfinite(total)]
            if len(told) < FEWEST:
                told = np.array([np.nan])
            found.append((told.mean(), np.abs(told - told.mean()).max()))
        means, bent = np.array(found).reshape(-1, 2).T
        return means, bent


def _region(rings: tuple[Ring, ...]) -> Any:
    import shapely

    return shapely.MultiPolygon(polygons(rings))


def _dimensions(listing: PartListing, state: State) -> list[_Dimension]:
    normals = unit_normals(listing.part)
    middles = listing.part.vertices[listing.part.faces].mean(axis=1)
    found = []
    for feature in listing.printed(state):
        if not feature.printed:
            continue
        shape = feature.shape
        sizes = (
            feature.sizes_mm * len(feature.printed) if isinstance(shape, RoundFeature) else feature.sizes_mm
        )
        for place, ((angle, spread), size) in enumerate(zip(feature.printed, sizes, strict=True)):
            reach = _reach(shape, place) if isinstance(shape, FlatFeature) else 0.0
            centre = listing.place(feature)
            out = -1.0 if feature.hollow else 1.0
            height = shape.length_mm if isinstance(shape, RoundFeature) else shape.height_mm
            walls = tuple(
                _wall(centre, size, angle + turn, reach, height, out, normals, middles)
                for turn in (0.0, np.pi)
            )
            residual = Residual(
                number=feature.number,
                kind=shape.kind,
                direction_rad=float(angle),
                nominal_mm=size,
                before_mm=np.nan,
                left_mm=np.nan,
                uneven_mm=np.nan,
                u_mm=spread.u,
            )
            found.append(_Dimension(residual=residual, walls=(walls[0], walls[1]), sign=out))
    return found


def _reach(shape: FlatFeature, place: int) -> float:
    """Length of the walls between which a size lies [mm]."""
    return shape.reach_mm if place == 0 else shape.sizes_mm[0]


def _wall(
    centre: np.ndarray,
    size: float,
    angle: float,
    reach: float,
    height: float,
    out: float,
    normals: np.ndarray,
    middles: np.ndarray,
) -> _Wall:
    """The wall that stands at `angle` [rad] from the middle of a feature; reach 0 where it is round."""
    between = middles - centre
    level = np.abs(between[:, 2]) < height / 2 + ON_WALL_MM
    if reach == 0.0:
        turned = angle + np.linspace(-ASIDE, ASIDE, PLACES)
        rays = np.column_stack([np.cos(turned), np.sin(turned)])
        radius = np.linalg.norm(between[:, :2], axis=1)
        on = level & (np.abs(radius - size / 2) < ON_WALL_MM + ON_ROUND * size / 2)
        on &= np.sum(normals[:, :2] * between[:, :2], axis=1) * out > 0.9 * radius
        facets = np.flatnonzero(on)
        share = (between[facets, :2] @ [np.cos(angle), np.sin(angle)] / radius[facets]) ** 2
        points = centre[:2] + size / 2 * rays
        return _Wall(points=points, normals=out * rays, z=float(centre[2]), facets=facets, share=share)
    ray = np.array([np.cos(angle), np.sin(angle)])
    # The same way along both walls, whichever this is.
    along = np.array([-ray[1], ray[0]]) * (1 if angle < np.pi else -1)
    t = np.linspace(-0.5, 0.5, PLACES) * SHARE * reach
    points = centre[:2] + size / 2 * ray + t[:, None] * along
    on = level & (np.abs(between[:, :2] @ ray - size / 2) < ON_WALL_MM)
    on &= (normals[:, :2] @ ray * out > 0.999) & (np.abs(between[:, :2] @ along) < reach / 2 + ON_WALL_MM)
    facets = np.flatnonzero(on)
    return _Wall(
        points=points,
        normals=np.tile(out * ray, (PLACES, 1)),
        z=float(centre[2]),
        facets=facets,
        share=np.ones(len(facets)),
    )
