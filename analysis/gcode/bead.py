"""The bead that a file commands: its width from the walls' distance, its flow from the filament it spends.

A program that means a bead of width w and height h lays walls side by side at a pitch of w, or of w - h (1 - pi/4)
where it counts the bead's round ends, and feeds A = (w - h) h + pi h^2/4 per length, or w h. The filament gives A,
the walls give the pitch, and of the two widths that belong to a pitch the one is taken that needs the simplest
account of the rest: no flow percentage, no size compensation, the width of the profile.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.analysis.gcode.first_layer import ROUND_ENDS
from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.trace_data import Bead
from fitassay.coupons.machine import Machine

SAME_FLOW = 0.005
SAME_MM = 0.004


def bead_of(
    found: dict[str, CouponPaths], machine: Machine, profile: float, by_volume: bool = False
) -> Bead | None:
    """Width, flow and pitch of the outer walls; None where none was found.

    Parameters
    ----------
    found : dict of str to CouponPaths
    machine : Machine
    profile : float [mm]
        The bead that the coupons were made for.
    by_volume : bool
        True where the file itself says that E counts volume and that was obeyed.
    """
    outer = [o for p in found.values() for o in p.outer if o.height >= FOOT_MM] or [
        o for p in found.values() for o in p.outer
    ]
    if not outer:
        return None
    per_mm = np.array([o.path.filament_per_mm for o in outer])
    h = np.array([o.path.thickness for o in outer])
    cross = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    pitches = [o.pitch for o in outer if np.isfinite(o.pitch)]
    pitch = float(np.median(pitches)) if pitches else None
    offsets = [p.place.offset for p in found.values() if not p.coupon.single_wall]
    offset = float(np.median(offsets)) if offsets else None
    usual = float(np.median(h))
    # A pitch belongs half to the outer and half to the second wall's bead.
    share = _second_share(outer)

    by_length = per_mm * cross / h + h * ROUND_ENDS
    counted = per_mm / h + h * ROUND_ENDS
    both = (1 + share) / 2 / h
    guess = profile if pitch is None else pitch
    far = [abs(np.log(float(np.median(per_mm * both * unit)) / guess)) for unit in (1.0, cross)]
    volume = bool(by_volume or far[0] < far[1] - 0.1)
    fed = counted if volume and not by_volume else by_length
    low, high = np.percentile(fed, [5, 95])
    width, flow = _settled(float(np.median(fed)), usual, pitch, offset, profile, share)
    inner = None
    if pitch is not None:
        inner = (
            width if abs(share - 1) < SAME_FLOW else (width - usual * ROUND_ENDS) * share + usual * ROUND_ENDS
        )
    return Bead(
        width=width,
        fed=float(np.median(fed)),
        flow=flow,
        pitch=pitch,
        spread=float(high - low) / 2,
        profile=profile,
        by_volume=volume,
        inner=inner,
    )


def _second_share(outer: list[OuterLoop]) -> float:
    """Filament per length of the second wall, as a share of the outer one's; 1 without one."""
    shares = [
        o.inner.filament_per_mm / o.path.filament_per_mm
        for o in outer
        if o.inner is not None and o.path.filament_per_mm > 0 and np.isfinite(o.inner.filament_per_mm)
    ]
    return float(np.median(shares)) if shares else 1.0


def _settled(
    fed: float, h: float, pitch: float | None, offset: float | None, profile: float, share: float
) -> tuple[float, float | None]:
    """Width [mm], and flow as a fraction of what that width asks for; None where nothing tells the flow.

    Parameters
    ----------
    fed : float [mm]
        Width of a bead with round ends that spends the filament.
    h : float [mm]
    pitch : float or None [mm]
    offset : float or None [mm]
        Of the outer path from the outline, outward.
    profile : float [mm]
    share : float
        Cross-section of the second wall's bead, as a share of the outer one's.
    """
    if pitch is None:
        return fed, None
    area = (fed - h * ROUND_ENDS) * h
    accounts = []
    for ends in (0.0, h * ROUND_ENDS):  # how far beads overlap: not at all, or by their round ends
        for square in (False, True):
            # Both beads' cross-sections as asked for: proportional to what is fed, their mean belongs to the pitch.
            less = 0.0 if square else h * ROUND_ENDS
            middle = pitch + ends - less
            width = 2 * middle / (1 + share) + less
            flow = area / ((width - less) * h)
            strange = (
                (abs(flow - 1) > SAME_FLOW)
                + (offset is not None and abs(offset + width / 2) > SAME_MM)
                + (abs(width - profile) > SAME_MM)
            )
            accounts.append((strange, square, width, flow))
    _, _, width, flow = min(accounts, key=lambda a: a[:2])
    return width, flow
