"""The features of a user's part by number, what the printer makes of them, and which of two parts go together.

Every size is walked on the part's own outlines, so that a slot that opens outwards, a tongue, a tooth or a wall at
30 degrees gets the backlash that its own loop gives it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from fitassay.analysis.chain.loops import Loop, ideal_loops, path_loop
from fitassay.analysis.chain.mating import part_terms
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.parts.facets import Facets
from fitassay.analysis.parts.flat_features import FlatFeature, flat_features, slanted_walls
from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.parts.round_features import RoundFeature, round_features
from fitassay.analysis.parts.sizes import Spread, State, normal_spread
from fitassay.analysis.terms import SHAPING
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.sections import Slicer

# Moves are walked in pieces no longer than this, so that a jaw never meets the far end of a slanting one [mm].
PIECE_MM = 1.0

# Where the jaws may go, as shares of the walls' length and height from the middle: another hole may lie there.
BESIDE = tuple((along, up) for up in (0.0, -0.35, 0.35) for along in (0.0, -0.4, 0.4))

Remark = Literal["across-layers", "leaning", "not-walked", "interrupted"]


@dataclass(frozen=True, kw_only=True)
class PartFeature:
    """One feature of a part.

    Attributes
    ----------
    number : int
        On the list and on the picture, from 1.
    shape : RoundFeature or FlatFeature
    printed : tuple of (direction, Spread)
        Printed sizes, each with the direction that it is measured in [rad]; empty where nothing is known.
    remarks : tuple of str
        ``across-layers``: a round one that lies, whose roof sags by what nobody has measured; ``leaning``: its axis
        is neither upright nor level; ``interrupted``: a part of its wall is missing; ``not-walked``: too small or
        thin for the printer's paths.
    """

    number: int
    shape: RoundFeature | FlatFeature
    printed: tuple[tuple[float, Spread], ...] = ()
    remarks: tuple[Remark, ...] = ()

    @property
    def hollow(self) -> bool:
        """Air inside: a hole, a slot, an opening."""
        if isinstance(self.shape, RoundFeature):
            return self.shape.kind == "hole"
        return self.shape.side == "inside"

    @property
    def sizes_mm(self) -> tuple[float, ...]:
        """Drawn sizes, one for each that is printed [mm]."""
        if isinstance(self.shape, RoundFeature):
            return (self.shape.diameter_mm,)
        return self.shape.sizes_mm


class PartListing:
    """The features of one part, found once.

    Parameters
    ----------
    part : Part
        In the printer's axes, as it will be printed.
    width : float [mm]
        Commanded bead width.

    Attributes
    ----------
    features : tuple of PartFeature
        Without printed sizes; see `printed`.
    slanted : int
        Flat walls that lean or are at an angle to each other, as dovetails' and racks' flanks; not listed.
    """

    def __init__(self, part: Part, width: float) -> None:
        self.part, self.width = part, width
        self.low = part.bounds[0]
        facets = Facets(part.vertices - self.low, part.faces)
        rounds, curved = round_features(facets)
        flats = flat_features(facets, curved)
        shapes = (*rounds, *flats)
        self.slanted = slanted_walls(facets, flats, curved)
        self.slicer = Slicer(facets, part.name)
        self._loops: dict[float, tuple[Loop, ...]] = {}
        self.features = tuple(
            PartFeature(number=i, shape=s, remarks=_remarks(s)) for i, s in enumerate(shapes, start=1)
        )

    def place(self, feature: PartFeature) -> np.ndarray:
        """Its middle in the part's own coordinates, ndarray (3,) [mm]."""
        return np.array(feature.shape.centre_mm) + self.low

    @cached_property
    def gains(self) -> dict[tuple[int, int], np.ndarray]:
        """Sensitivities by feature number and place of the size: d printed size / d term, ndarray (terms,)."""
        found: dict[tuple[int, int], np.ndarray] = {}
        for feature in self.features:
            for place, tried in enumerate(_contacts(feature)):
                walked = (self._walked(one) for one in tried)
                gain = next((g for g in walked if g is not None), None)
                if gain is not None:
                    found[feature.number, place] = np.where(SHAPING, gain, 0.0)
        return found

    def _walked(self, feature: Feature) -> np.ndarray | None:
        """Gains of one size; None where the printer's path does not follow the wall."""
        size = self.part.bounds[1] - self.low
        coupon = Coupon(
            id="part", family="part", file="", size_mm=(size[0], size[1], size[2]), features=(feature,)
        )
        manifest = Manifest(line_width_mm=self.width, layer_height_mm=0.2, coupons=(coupon,))
        z = feature.contact_height
        loops = {"part": {z: self._loops_at(z)}}
        try:
            # Jaws between which there is nothing read no size.
            with np.errstate(invalid="ignore"):
                base, gains = SetWalk(manifest, {"part": self.slicer}, loops).linearise()
        except InputError:
            return None
        # A wall too thin for its own loop, or another wall within the jaw's reach, reads another size than drawn.
        if not (abs(base[0] - feature.nominal_mm) < 0.1 and np.isfinite(gains[0]).all()):
            return None
        return gains[0]

    def _loops_at(self, z: float) -> tuple[Loop, ...]:
        if z not in self._loops:
            rings = self.slicer.section(z)
            bores = [b for b in (ring.bore() for ring in rings) if b]
            self._loops[z] = tuple(
                path_loop(_in_pieces(loop.points), bores, seam=False)
                for loop in ideal_loops(rings, self.width)
            )
        return self._loops[z]

    def printed(self, state: State) -> tuple[PartFeature, ...]:
        """The features with their printed sizes, averaged over what is known of the printer."""
        return tuple(self._printed(f, state) for f in self.features)

    def _printed(self, feature: PartFeature, state: State) -> PartFeature:
        found = []
        for place, (one, *_) in enumerate(_contacts(feature)):
            gain = self.gains.get((feature.number, place))
            if gain is None:
                return replace(feature, remarks=(*feature.remarks, "not-walked"))
            found.append((np.radians(one.direction_deg), size_spread(one.nominal_mm, gain, state)))
        return replace(feature, printed=tuple(found))


def _in_pieces(points: np.ndarray) -> np.ndarray:
    """A closed path with long moves cut into pieces, ndarray (k, 2) [mm]."""
    step = np.roll(points, -1, axis=0) - points
    count = np.maximum(np.ceil(np.linalg.norm(step, axis=1) / PIECE_MM), 1).astype(int)
    start = np.repeat(np.arange(len(points)), count)
    share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[start]
    return points[start] + share[:, None] * step[start]


def size_spread(nominal: float, gains: np.ndarray, state: State) -> Spread:
    """A printed size of drawn `nominal` [mm] and sensitivities `gains` (terms,)."""
    mean = nominal + float(gains @ part_terms(state.posterior.mean)[0])
    u = float(np.sqrt(gains @ state.posterior.cov @ gains + state.scatter_mm**2))
    return normal_spread(mean, u)


def _remarks(shape: RoundFeature | FlatFeature) -> tuple[Remark, ...]:
    if isinstance(shape, FlatFeature):
        return ()
    remarks: list[Remark] = [] if shape.whole else ["interrupted"]
    if not shape.upright:
        remarks.append("across-layers" if abs(shape.axis[2]) < np.sin(np.radians(5.0)) else "leaning")
    return tuple(remarks)


def _contacts(feature: PartFeature) -> tuple[tuple[Feature, ...], ...]:
    """Where jaws would go, for each size that can be told: its middle first, then beside it."""
    shape = feature.shape
    if isinstance(shape, RoundFeature):
        if not shape.upright:
            return ()
        asked = [(shape.diameter_mm, 0.0, 0.0), (shape.diameter_mm, np.pi / 2, 0.0)]
        height = shape.length_mm
    else:
        sizes, turn = shape.sizes_mm, shape.direction_rad
        asked = [(sizes[0], turn, shape.reach_mm), *((s, turn + np.pi / 2, sizes[0]) for s in sizes[1:])]
        height = shape.height_mm
    centre = np.array(shape.centre_mm)
    return tuple(
        tuple(
            _contact(feature, size, angle, centre + _beside(angle, along * reach, up * height), f"{i}-{j}")
            for j, (along, up) in enumerate(BESIDE if reach else BESIDE[::3])
        )
        for i, (size, angle, reach) in enumerate(asked)
    )


def _beside(angle: float, along: float, up: float) -> np.ndarray:
    """A shift along the walls and upwards, ndarray (3,) [mm]."""
    return np.array([-np.sin(angle) * along, np.cos(angle) * along, up])


def _contact(feature: PartFeature, size: float, angle: float, centre: np.ndarray, name: str) -> Feature:
    half = size / 2 * np.array([np.cos(angle), np.sin(angle), 0.0])
    low, high = centre - half, centre + half
    return Feature(
        id=f"{feature.number}-{name}",
        kind="inside" if feature.hollow else "outside",
        direction_deg=float(np.degrees(angle)),
        nominal_mm=size,
        contact_a_mm=(float(low[0]), float(low[1]), float(low[2])),
        contact_b_mm=(float(high[0]), float(high[1]), float(high[2])),
        jaw_mm=0.0,
        instruction="",
    )
