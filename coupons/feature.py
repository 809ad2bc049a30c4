"""What is measured: one caliper reading's place on a coupon, and the coupon as the manifest tells it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

Axis = Literal["x", "y", "z", "a", "b"]
"""What sizes are measured along; a is the rising diagonal, 45 degrees from +x to +y, b the falling one."""

Kind = Literal["outside", "inside", "thickness", "height", "diagonal", "rim", "vernier", "gap"]
KINDS: tuple[Kind, ...] = ("outside", "inside", "thickness", "height", "diagonal", "rim", "vernier", "gap")

BY_EYE: tuple[Kind, ...] = ("vernier", "gap")
"""Read by counting pairs, without a caliper."""

DEEP_MM = 3.0
"""Flat jaws rest on this much of a flank's height."""

RIM_MM = 0.4
"""Rim readings: the jaws hold this much of a flank's top."""

EDGE_MM = 0.2
"""Land of the jaws' knife edges, which lie along one layer."""


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """A row of pairs of beads that is read by eye; pair number i stands for i times `step_mm`.

    Attributes
    ----------
    first, last : int
        Numbers of the row's ends.
    step_mm : float [mm]
    pitch_mm : float [mm]
        From pair to pair.
    tick_mm : float [mm]
        Length of a bead from its rail to where it faces the other.
    lead_mm : float [mm]
        The nozzle comes to each bead over this much along the row.
    ways : tuple of two int
        1 where it comes in the measured direction, -1 against it: beads of contact a, of contact b.
    slow : bool
        Whether it comes slowly.
    """

    first: int
    last: int
    step_mm: float
    pitch_mm: float
    tick_mm: float
    lead_mm: float
    ways: tuple[int, int]
    slow: bool = False


@dataclass(frozen=True, kw_only=True)
class Feature:
    """One place where the caliper is put, or a row that is read by eye.

    Attributes
    ----------
    id : str
        Unique within its coupon, e.g. ``stem6``.
    kind : Kind
        Which jaws and which faces: ``outside`` (outside jaws over material), ``inside`` (inside jaws in an
        opening), ``thickness`` (outside jaws over a single bead), ``height`` (along z), ``diagonal``
        (outside jaws on two corners), ``rim`` (outside jaws over the top `RIM_MM` of a flank only); by eye
        ``vernier`` (which of a row's facing beads line up) and ``gap`` (the first pair of a row with light between
        its beads).
    direction_deg : float [degree]
        Measured direction in the xy plane, counter-clockwise from +x, from contact a to contact b; 0 for
        heights, whose direction is z.
    nominal_mm : float [mm]
        Drawn size: the distance of the contacts along the measured direction.
    contact_a_mm, contact_b_mm : tuple of 3 float [mm]
        Where the jaws touch, in the coupon's own coordinates (those of its STL); a is the low side.
    jaw_mm : float [mm]
        Width of the jaw's flat at the contact, across the measured direction.
    instruction : str
        One sentence for the person with the caliper.
    pairs : Pairs or None
        Of a row that is read by eye; its contacts are the facing ends, or the middles, of pair 0's beads.
    cross_check : bool
        Whether it only looks once more, elsewhere, at what other features show.
    """

    id: str
    kind: Kind
    direction_deg: float
    nominal_mm: float
    contact_a_mm: tuple[float, float, float]
    contact_b_mm: tuple[float, float, float]
    jaw_mm: float
    instruction: str
    pairs: Pairs | None = None
    cross_check: bool = False

    @property
    def contact_height(self) -> float:
        """Height [mm] of the section on which the jaws are put: the middle of both contacts."""
        return round((self.contact_a_mm[2] + self.contact_b_mm[2]) / 2, 6)

    @property
    def flank_mm(self) -> float:
        """Height of flank [mm] that each jaw rests on: a rim's, a knife edge's, else that of flat jaws put deep."""
        if self.kind == "rim":
            return RIM_MM
        return EDGE_MM if self.edge else DEEP_MM

    @property
    def edge(self) -> bool:
        """True where a wall is read with the jaws' knife edges along one layer."""
        return self.kind == "thickness" and self.jaw_mm <= EDGE_MM

    @property
    def by_eye(self) -> bool:
        """True for rows of pairs, which no caliper reads."""
        return self.kind in BY_EYE

    @property
    def optional(self) -> bool:
        """True for evidence that is asked for only where it helps: rims, single layers of a wall, cross-checks."""
        return self.of_surface or self.cross_check

    @property
    def of_surface(self) -> bool:
        """True where few layers are felt, which tells uneven ones from a wide bead: rims and single layers."""
        return self.kind == "rim" or self.edge

    @property
    def axis(self) -> Axis:
        """The nearest axis of its direction; z for heights."""
        if self.kind == "height":
            return "z"
        axes: tuple[Axis, ...] = ("x", "a", "y", "b")
        return axes[round(self.direction_deg / 45.0) % 4]

    @property
    def direction(self) -> tuple[float, float]:
        """Unit vector of the measured direction in the xy plane, from contact a to contact b."""
        angle = math.radians(self.direction_deg)
        # Rounded, so that what is measured along x has no part of y.
        return round(math.cos(angle), 15) + 0.0, round(math.sin(angle), 15) + 0.0


@dataclass(frozen=True, kw_only=True)
class Coupon:
    """One printed piece and its features, as coupons.json holds it.

    Attributes
    ----------
    id : str
        Marked on the piece.
    family : str
        Name of the coupon family that made it.
    file : str
        Its STL, beside the manifest.
    size_mm : tuple of 3 float [mm]
        Bounding box; the box's low corner is the coordinate origin.
    plate : int
        Plate number, from 1.
    origin_on_plate_mm : tuple of 2 float [mm]
        Where the coupon's origin lies on the bed.
    single_wall : bool
        True where the coupon's upright wall is to be printed as one bead.
    features : tuple of Feature
        In measuring order.
    """

    id: str
    family: str
    file: str
    size_mm: tuple[float, float, float]
    plate: int = 1
    origin_on_plate_mm: tuple[float, float] = (0.0, 0.0)
    single_wall: bool = False
    features: tuple[Feature, ...] = field(default_factory=tuple)

    @property
    def asked(self) -> tuple[Feature, ...]:
        """What is asked of everyone; the rest is evidence for where it helps."""
        return tuple(f for f in self.features if not f.optional)

    def beneath(self, feature: Feature) -> Feature:
        """The feature that the jaws read deep where this one is read on a rim or a single layer; else itself."""
        if not feature.of_surface:
            return feature
        places = (feature.contact_a_mm[:2], feature.contact_b_mm[:2])
        return next((f for f in self.asked if (f.contact_a_mm[:2], f.contact_b_mm[:2]) == places), feature)


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """The content of one coupons.json.

    Attributes
    ----------
    line_width_mm, layer_height_mm : float [mm]
        What the coupons were drawn for.
    coupons : tuple of Coupon
        In measuring order.
    """

    line_width_mm: float
    layer_height_mm: float
    coupons: tuple[Coupon, ...]
    schema: int = 1

    @property
    def asked(self) -> tuple[tuple[Coupon, Feature], ...]:
        """Features asked of everyone, in measuring order."""
        return tuple((c, f) for c in self.coupons for f in c.asked)

    @property
    def optional(self) -> tuple[tuple[Coupon, Feature], ...]:
        """Evidence that is asked for only where it helps, in measuring order."""
        return tuple((c, f) for c in self.coupons for f in c.features if f.optional)

    def feature(self, coupon_id: str, feature_id: str) -> tuple[Coupon, Feature]:
        """The coupon and feature of that name; KeyError if there is none."""
        for coupon in self.coupons:
            if coupon.id == coupon_id:
                for feature in coupon.features:
                    if feature.id == feature_id:
                        return coupon, feature
        raise KeyError((coupon_id, feature_id))
