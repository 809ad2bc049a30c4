"""A drawn size as the printer makes it: closed forms of outline, opening, bore and height.

With L the nominal and w the commanded bead width (x shown, y alike)

    outside   R = L + s (L - w) + e + 2 p - b
    inside    R = L + s (L + w) - e - 2 p - b - k 3 mm / L (round)
    height    R = L (1 + s_z) + z0

and the instrument's own terms left out: a part has no caliper error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.analysis.chain.mating import Shape
from fitassay.analysis.terms import BORE_REFERENCE_MM, INDEX, NAMES
from fitassay.coupons.errors import InputError

Side = Literal["outside", "inside", "height"]
Axis = Literal["x", "y", "z"]


@dataclass(frozen=True, kw_only=True)
class Size:
    """One drawn size; `axis` is where it is measured, "z" for heights."""

    side: Side
    axis: Axis
    nominal: float
    shape: Shape = "square"

    def __post_init__(self) -> None:
        if not 0 < self.nominal <= 10_000:
            raise InputError(f"a nominal size must be greater than 0 and in mm (got {self.nominal:g})")
        if (self.side == "height") != (self.axis == "z"):
            raise InputError("heights are along z, outside and inside sizes along x or y")


def size_gains(size: Size, width: float) -> np.ndarray:
    """d printed size / d term, ndarray (terms,), by the closed forms above."""
    row = np.zeros(len(NAMES))
    if size.side == "height":
        row[INDEX["scale_z"]], row[INDEX["layer_datum"]] = size.nominal, 1.0
        return row
    sign = 1.0 if size.side == "outside" else -1.0
    row[INDEX[f"scale_{size.axis}"]] = size.nominal - sign * width
    row[INDEX[f"backlash_{size.axis}"]] = -1.0
    row[INDEX["bead_excess"]] = sign
    row[INDEX["contour_offset"]] = 2 * sign
    if size.side == "inside" and size.shape == "round":
        row[INDEX["bore_closure"]] = -BORE_REFERENCE_MM / size.nominal
    return row
