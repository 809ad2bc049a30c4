"""What a coupon is drawn for: the machine, the rules, and sizes rounded to whole layers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from fitassay.coupons.errors import JobError
from fitassay.coupons.feature import RIM_MM
from fitassay.coupons.machine import Machine
from fitassay.coupons.rules import Rules

Wall = Literal["tube", "prism"]
WALLS: tuple[Wall, ...] = ("tube", "prism")


@dataclass(frozen=True, kw_only=True)
class Job:
    """One order for coupons.

    Attributes
    ----------
    machine : Machine
    rules : Rules
    quick : bool
        The smallest variant of each family.
    wall : {"tube", "prism"}
        How the single wall is drawn: as a tube one bead thick, or as a solid prism for slicers with a
        one-wall, no-infill, no-top mode.
    rims : bool
        Evidence for where it helps is among the features: rims and single layers, which tell a wide bead from uneven
        layers, and a second long size, which tells a scale from a plate that shrank.
    """

    machine: Machine
    rules: Rules = field(default_factory=Rules)
    quick: bool = False
    wall: Wall = "tube"
    rims: bool = False

    @property
    def w(self) -> float:
        """Commanded bead width [mm]."""
        return self.machine.line_width_mm

    @property
    def h(self) -> float:
        """Layer height [mm]."""
        return self.machine.layer_height_mm

    @property
    def room(self) -> tuple[float, float, float]:
        """Largest coupon that the build volume takes inside its margins [mm]."""
        x, y, z = self.machine.volume_mm
        return x - 2 * self.rules.edge, y - 2 * self.rules.edge, z - self.rules.headroom

    @property
    def two_beads(self) -> float:
        """Thinnest wall that is not the single wall [mm]."""
        return 2 * self.w

    @property
    def lip(self) -> float:
        """What a mark's groove leaves of the face beside it [mm]: two beads, or little more than one wide bead."""
        return max(self.rules.mark_edge + 0.1, min(self.two_beads, 1.0), 1.25 * self.w)

    @property
    def rail(self) -> float:
        """Wall between openings [mm]: stiff, and two beads thick even at its chamfered foot."""
        return max(self.rules.rail, self.two_beads + 2 * self.rules.chamfer)

    def up(self, size: float) -> float:
        """`size` [mm] rounded up to whole layers."""
        return self.layers(math.ceil(size / self.h - 1e-6))

    def down(self, size: float) -> float:
        """`size` [mm] rounded down to whole layers."""
        return self.layers(math.floor(size / self.h + 1e-6))

    def layers(self, n: int) -> float:
        """Height of n layers [mm], free of binary dust so that the files read well."""
        return round(n * self.h, 6)

    def mid_layer(self, z0: float, z1: float) -> float:
        """Middle of the layer nearest to the middle of the band z0..z1 [mm].

        A contact in the middle of a layer lies on an unmistakable section of the mesh.
        """
        n = math.floor((z0 + z1) / 2 / self.h + 1e-6)
        return round((n + 0.5) * self.h, 6)

    def rim(self, top: float) -> float:
        """Middle of the lowest layer that jaws over the rim of a flank touch, its top at `top` [mm]."""
        return round(top - (max(1, round(RIM_MM / self.h)) - 0.5) * self.h, 6)

    @property
    def band_start(self) -> float:
        """Where measured flanks begin above the bed [mm]."""
        return self.up(self.rules.band_start)

    @property
    def plate_height(self) -> float:
        """Height of a flat coupon whose whole flank above the first layers is measured [mm]."""
        return self.up(self.band_start + self.rules.outside_flank)

    def fit(self, what: str, size: tuple[float, float, float]) -> None:
        """Raise `JobError` naming the dimension unless a coupon of that size fits."""
        for i, (axis, extent) in enumerate((("x", "wide"), ("y", "deep"), ("z", "high"))):
            total, have = self.machine.volume_mm[i], self.room[i]
            if size[i] > have + 1e-6:
                raise JobError(
                    f"volume.{axis}_mm: {what} is {size[i]:.4g} mm {extent} and with its margins needs "
                    f"{size[i] + total - have:.4g} mm in {axis}, the build volume has {total:g} mm; "
                    "leave that family out or use a larger volume"
                )
