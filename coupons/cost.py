"""What a coupon costs: grams of plastic and minutes of printing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Grams and minutes of one coupon, printed solid."""

    grams: float
    minutes: float


def bead_area(width: float, height: float) -> float:
    """Cross-section of a bead [mm2]: a rectangle with half-round ends, (w - h) h + pi h^2 / 4.

    Parameters
    ----------
    width, height : float [mm]
        Bead width and layer height, width >= height.
    """
    return (width - height) * height + math.pi * height**2 / 4


def cost_of(volume: float, machine: Machine) -> Cost:
    """Cost of a solid print of that volume [mm3].

    The path is as long as the volume over the bead's cross-section; travel, slow first layers and pauses come
    on top.
    """
    path = volume / bead_area(machine.line_width_mm, machine.layer_height_mm)
    return Cost(
        grams=volume * 1e-3 * machine["process.density_g_cm3"],
        minutes=path / machine["process.speed_mm_s"] / 60,
    )
