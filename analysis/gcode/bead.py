"""The bead that a file commands, from the filament it spends per millimetre of path."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths
from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.trace_data import Bead
from fitassay.coupons.machine import Machine


def bead_of(found: dict[str, CouponPaths], machine: Machine, profile: float) -> Bead | None:
    """Width from filament per length: A = (w - h) h + pi h^2/4, so w = A/h + h (1 - pi/4)."""
    outer = [o for p in found.values() for o in p.outer if o.height >= FOOT_MM] or [
        o for p in found.values() for o in p.outer
    ]
    if not outer:
        return None
    filament_per_mm = np.array([o.path.filament_per_mm for o in outer])
    h = np.array([o.path.thickness for o in outer])
    filament = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    flow = machine["settings.flow_percent"] / 100

    def width(area: np.ndarray) -> np.ndarray:
        return area / h + h * (1 - np.pi / 4)

    # A flow set in the slicing program is in E already, one set at the machine is not; E may count volume.
    options = [
        (width(filament_per_mm * filament), False),
        (width(filament_per_mm * filament / flow), False),
        (width(filament_per_mm), True),
    ]
    widths, by_volume = options[0]
    for values, volume in options[1:]:
        near = abs(np.median(values) / profile - 1) < (0.1 if volume else 0.5)
        if near and abs(np.median(values) - profile) < abs(np.median(widths) - profile) - 1e-9:
            widths, by_volume = values, volume
    low, high = np.percentile(widths, [5, 95])
    return Bead(
        width=float(np.median(widths)),
        spread=float(high - low) / 2,
        profile=profile,
        by_volume=by_volume,
    )
