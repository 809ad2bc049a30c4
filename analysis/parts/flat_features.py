"""Slots, tongues, openings and outlines of a part: upright flat walls that face each other, found in its mesh."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fitassay.analysis.parts.facets import Facets

# A wall counts from this area, and pairs from this overlap in length and in height [mm2], [mm].
LEAST_AREA_MM2, LEAST_OVERLAP_MM = 1.0, 0.8
UPRIGHT = np.sin(np.radians(0.5))
# Walls whose normals point against each other within this are parallel [rad].
PARALLEL = np.radians(0.5)
# Where between two walls it is looked whether others stand there, as shares of their length and height: a hole or a
# rib in the middle leaves them a pair.
_PLACES = (0.5, 0.03, 0.97, 0.25, 0.75)
_LEVELS = (0.5, 0.1, 0.9)
# Ends of two walls that lie level within this belong to one end face [mm].
LEVEL_MM = 0.05

# Within five degrees walls are square to each other, level or upright; flanks worth a word are larger than this [mm].
SLANTED, LEVEL = np.sin(np.radians(5.0)), np.cos(np.radians(5.0))
FLANK_MM = 2.0

FlatKind = Literal["slot", "tongue", "opening", "outline"]
ALIKE: dict[FlatKind, Literal["inside", "outside"]] = {
    "slot": "inside",
    "opening": "inside",
    "tongue": "outside",
    "outline": "outside",
}


@dataclass(frozen=True, kw_only=True)
class FlatFeature:
    """Two upright walls that face each other, or four that close a rectangle.

    Attributes
    ----------
    kind : {"slot", "tongue", "opening", "outline"}
        Air or body between two walls; a rectangle of air or of body.
    sizes_mm : tuple of float [mm]
        Drawn distance of the walls; of a rectangle both, that nearer to x first.
    direction_rad : float [rad]
        In which the first size is measured, from x towards y, 0 to pi.
    centre_mm : tuple of 3 float [mm]
        In the part's coordinates.
    height_mm : float [mm]
        Over which the walls face each other.
    reach_mm : float [mm]
        Length over which the first two walls face each other.
    """

    kind: FlatKind
    sizes_mm: tuple[float, ...]
    direction_rad: float
    centre_mm: tuple[float, float, float]
    height_mm: float
    reach_mm: float

    @property
    def side(self) -> Literal["inside", "outside"]:
        """How a caliper reads it."""
        return ALIKE[self.kind]


@dataclass(frozen=True, kw_only=True)
class _Wall:
    """An upright flat wall: its normal's direction, where it stands along it, and its reach across and in height."""

    normal: np.ndarray
    stands: float
    reach: tuple[float, float]
    height: tuple[float, float]

    @property
    def area(self) -> float:
        """Of the rectangle about it [mm2]."""
        return (self.reach[1] - self.reach[0]) * (self.height[1] - self.height[0])

    @property
    def along(self) -> np.ndarray:
        """Level unit vector within the wall."""
        return np.array([-self.normal[1], self.normal[0]])


@dataclass(frozen=True, kw_only=True)
class _Facing:
    """Two walls that face each other.

    `filled` says whether one thing lies between them, air or body; `ended` whether a tongue of them ends in air.
    """

    first: _Wall
    second: _Wall
    hollow: bool
    filled: bool = True
    ended: bool = True
    size: float
    reach: tuple[float, float]
    height: tuple[float, float]

    @property
    def centre(self) -> np.ndarray:
        """(3,) [mm]."""
        n, t = self.first.normal, self.first.along
        middle = (self.first.stands - self.second.stands) / 2
        return np.append(n * middle + t * sum(self.reach) / 2, sum(self.height) / 2)


def flat_features(facets: Facets, curved: Iterable[int] = ()) -> tuple[FlatFeature, ...]:
    """Slots, tongues, openings and outlines with upright walls, largest first.

    Parameters
    ----------
    facets : Facets
    curved : iterable of int
        Patches that belong to round walls.
    """
    facing = _facing(facets, _walls(facets, frozenset(curved)))
    features: list[FlatFeature] = []
    used: set[int] = set()
    for i, one in enumerate(facing):
        for j in range(i + 1, len(facing)):
            if i not in used and j not in used and _closes(one, facing[j]):
                features.append(_rectangle(one, facing[j]))
                used |= {i, j}
    features += [_pair(f) for i, f in enumerate(facing) if i not in used and f.filled and f.ended]
    return tuple(sorted(features, key=lambda f: (-max(f.sizes_mm), f.centre_mm)))


def slanted_walls(facets: Facets, features: Iterable[FlatFeature], curved: Iterable[int] = ()) -> int:
    """How many flat walls of some size are slanted: they lean, or are at an angle to others that face none either.

    Dovetails and racks have such flanks; they are not made features of.
    """
    round_walls = frozenset(curved)
    lonely = [
        wall
        for wall in _walls(facets, round_walls)
        if wall.area > FLANK_MM**2 and not any(_belongs(wall, f) for f in features)
    ]
    upright = sum(any(SLANTED < abs(a.normal @ b.normal) < LEVEL for b in lonely) for a in lonely)
    steep = np.abs(facets.normal[:, 2])
    leaning = np.flatnonzero((facets.area > FLANK_MM**2) & (steep >= SLANTED) & (steep <= LEVEL))
    wide = [facets.corners(p) for p in map(int, leaning) if p not in round_walls]
    return upright + sum(bool(np.ptp(corners, axis=0).min() > FLANK_MM / 2) for corners in wide)


def _belongs(wall: _Wall, feature: FlatFeature) -> bool:
    """Whether the wall stands where one of the feature's does."""
    offset = wall.stands - float(wall.normal @ feature.centre_mm[:2])
    for i, size in enumerate(feature.sizes_mm):
        angle = feature.direction_rad + i * np.pi / 2
        along = abs(wall.normal @ np.array([np.cos(angle), np.sin(angle)]))
        if along > np.cos(PARALLEL) and abs(abs(offset) - size / 2) < LEVEL_MM:
            return True
    return False


def _walls(facets: Facets, curved: frozenset[int]) -> list[_Wall]:
    large = np.flatnonzero((facets.area > LEAST_AREA_MM2) & (np.abs(facets.normal[:, 2]) < UPRIGHT))
    walls = []
    for patch in map(int, large):
        if patch in curved:
            continue
        corners = facets.corners(patch)
        normal = facets.normal[patch, :2] / np.linalg.norm(facets.normal[patch, :2])
        across = corners[:, :2] @ np.array([-normal[1], normal[0]])
        wall = _Wall(
            normal=normal,
            stands=float(np.mean(corners[:, :2] @ normal)),
            reach=(float(across.min()), float(across.max())),
            height=(float(corners[:, 2].min()), float(corners[:, 2].max())),
        )
        if min(np.ptp(wall.reach), np.ptp(wall.height)) > LEAST_OVERLAP_MM:
            walls.append(wall)
    return walls


def _facing(facets: Facets, walls: Sequence[_Wall]) -> list[_Facing]:
    """Pairs of walls with only air or only body between them, and outer walls about anything."""
    from fitassay.coupons.sections import Slicer, polygons

    slicer = Slicer(facets, "part")
    sections: dict[float, list] = {}

    def at(z: float) -> list:
        z = round(z, 4)
        if z not in sections:
            sections[z] = polygons(slicer.section(z))
        return sections[z]

    found = []
    for i, one in enumerate(walls):
        for two in walls[i + 1 :]:
            if one.normal @ two.normal > -np.cos(PARALLEL):
                continue
            pair = _pair_of(one, two)
            if pair is None:
                continue
            levels = [at(pair.height[0] + s * (pair.height[1] - pair.height[0])) for s in _LEVELS]
            filled = any(_free(pair, level) for level in levels)
            if filled or not pair.hollow:
                ended = pair.hollow or any(_ends(pair, level) for level in levels)
                found.append(replace(pair, filled=filled, ended=ended))
    return found


def _pair_of(one: _Wall, two: _Wall) -> _Facing | None:
    """The two walls as a pair where they overlap; None where they do not."""
    # The second wall's own level axis runs the other way.
    height = (max(one.height[0], two.height[0]), min(one.height[1], two.height[1]))
    reach = (max(one.reach[0], -two.reach[1]), min(one.reach[1], -two.reach[0]))
    if min(reach[1] - reach[0], height[1] - height[0]) <= LEAST_OVERLAP_MM:
        return None
    # Body lies behind a wall's normal: the pair holds body where the walls stand outward of each other.
    size = one.stands + two.stands
    return _Facing(first=one, second=two, hollow=size < 0, size=abs(size), reach=reach, height=height)


def _free(pair: _Facing, section: list) -> bool:
    """Whether what lies between the walls is one thing, air or body, at one place at least."""
    import shapely

    normal, along = pair.first.normal, pair.first.along
    low, high = sorted((pair.first.stands, -pair.second.stands))
    inset = min(1e-3, (high - low) / 4)
    for share in _PLACES:
        middle = along * (pair.reach[0] + share * (pair.reach[1] - pair.reach[0]))
        line = shapely.LineString([normal * (low + inset) + middle, normal * (high - inset) + middle])
        if pair.hollow and not any(p.intersects(line) for p in section):
            return True
        if not pair.hollow and any(p.covers(line) for p in section):
            return True
    return False


def _closes(one: _Facing, two: _Facing) -> bool:
    """Whether two pairs are the sides of one rectangle."""
    if one.hollow != two.hollow or abs(one.first.normal @ two.first.normal) > np.sin(PARALLEL):
        return False
    if np.linalg.norm(one.centre - two.centre) > LEVEL_MM:
        return False
    if max(abs(a - b) for a, b in zip(one.height, two.height, strict=True)) > LEVEL_MM:
        return False
    # Rounded corners leave walls shorter than the sides.
    return all(f.reach[1] - f.reach[0] > other.size / 2 for f, other in ((one, two), (two, one)))


def _ends(pair: _Facing, section: list) -> bool:
    """Whether two walls about body end level at one end, and the body with them: a box's side walls do not."""
    import shapely

    one, two = pair.first.reach, (-pair.second.reach[1], -pair.second.reach[0])
    middle = (pair.first.stands - pair.second.stands) / 2 * pair.first.normal
    for i, outward in ((0, -1.0), (1, 1.0)):
        # A rounded end reaches half the thickness farther.
        beyond = one[i] + outward * (pair.size / 2 + LEVEL_MM)
        point = shapely.Point(middle + beyond * pair.first.along)
        if abs(one[i] - two[i]) < LEVEL_MM and not any(p.covers(point) for p in section):
            return True
    return False


def _direction(pair: _Facing) -> float:
    angle = float(np.arctan2(pair.first.normal[1], pair.first.normal[0])) % np.pi
    return 0.0 if np.pi - angle < 1e-6 else angle


def _centre(pair: _Facing) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in pair.centre)
    return x, y, z


def _pair(pair: _Facing) -> FlatFeature:
    return FlatFeature(
        kind="slot" if pair.hollow else "tongue",
        sizes_mm=(pair.size,),
        direction_rad=_direction(pair),
        centre_mm=_centre(pair),
        height_mm=pair.height[1] - pair.height[0],
        reach_mm=pair.reach[1] - pair.reach[0],
    )


def _rectangle(one: _Facing, two: _Facing) -> FlatFeature:
    first, second = sorted((one, two), key=lambda f: abs(np.sin(_direction(f))))
    return FlatFeature(
        kind="opening" if one.hollow else "outline",
        sizes_mm=(first.size, second.size),
        direction_rad=_direction(first),
        centre_mm=_centre(one),
        height_mm=one.height[1] - one.height[0],
        reach_mm=first.reach[1] - first.reach[0],
    )
