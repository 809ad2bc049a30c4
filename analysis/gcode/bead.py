"""The bead that a file commands: its width from the walls' distance, its flow from the filament it spends.

A program that means a bead of width w and height h lays walls side by side at a pitch of w, or of w - h (1 - pi/4)
where it counts the bead's round ends, and feeds A = (w - h) h + pi h^2/4 per length, or w h. The filament gives A,
the walls give the pitch, and of the widths that belong to a pitch the one is taken that needs the simplest account of
the rest: no flow percentage, no size compensation, the width of the profile. Where inner walls are fed otherwise than
outer ones, either their widths differ or their flows; a third wall's distance tells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.analysis.gcode.first_layer import ROUND_ENDS
from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.trace_data import Bead
from fitassay.coupons.machine import Machine

SAME_FLOW = 0.005
SAME_MM = 0.004
TOLD_BY_THIRD = 4
"""What a third wall's distance contradicts is stranger than all the rest."""


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
    outer = [o for o in outer if o.path.thickness > 0] or outer
    per_mm = np.array([o.path.filament_per_mm for o in outer])
    h = np.array([o.path.thickness for o in outer])
    cross = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    pitches = [o.pitch for o in outer if np.isfinite(o.pitch)]
    pitch = float(np.median(pitches)) if pitches else None
    offsets = [p.place.offset for p in found.values() if not p.coupon.single_wall]
    offset = float(np.median(offsets)) if offsets else None
    usual = float(np.median(h))
    thirds = [o.inner_pitch for o in outer if np.isfinite(o.inner_pitch)]
    third = float(np.median(thirds)) if thirds else None
    # A pitch belongs half to the outer and half to the second wall's bead.
    share = _second_share(outer)

    by_length = per_mm * cross / h + h * ROUND_ENDS
    counted = per_mm / h + h * ROUND_ENDS
    both = (1 + share) / 2 / h
    guess = profile if pitch is None else pitch
    far = [abs(np.log(float(np.median(per_mm * both * unit)) / guess)) for unit in (1.0, cross)]
    volume = bool(by_volume or far[0] < far[1] - 0.1)
    fed = counted if volume and not by_volume else by_length
    own = _by_coupon(found, outer, fed)
    settled = _settled(float(np.median(fed)), usual, (pitch, third), offset, profile, share)
    return Bead(
        width=settled.width,
        fed=float(np.median(fed)),
        flow=settled.flow,
        pitch=pitch,
        spread=_spread(fed),
        profile=profile,
        by_volume=volume,
        inner=settled.inner,
        inner_flow=settled.inner_flow,
        by_coupon={k: float(np.median(v)) for k, v in own.items()},
        spread_in_coupon=float(np.median([_spread(v) for v in own.values()])),
    )


def _spread(fed: np.ndarray) -> float:
    low, high = np.percentile(fed, [5, 95])
    return float(high - low) / 2


def _by_coupon(
    found: dict[str, CouponPaths], outer: list[OuterLoop], fed: np.ndarray
) -> dict[str, np.ndarray]:
    """The widths that each coupon's outer walls are fed for [mm]."""
    own = {id(o): width for o, width in zip(outer, fed.tolist(), strict=True)}
    widths = {k: [own[id(o)] for o in p.outer if id(o) in own] for k, p in found.items()}
    return {k: np.array(v) for k, v in widths.items() if v}


def _second_share(outer: list[OuterLoop]) -> float:
    """Filament per length of the second wall, as a share of the outer one's; 1 without one."""
    shares = [
        o.inner.filament_per_mm / o.path.filament_per_mm
        for o in outer
        if o.inner is not None and o.path.filament_per_mm > 0 and np.isfinite(o.inner.filament_per_mm)
    ]
    return float(np.median(shares)) if shares else 1.0


@dataclass(frozen=True, kw_only=True)
class _Account:
    """One reading of pitch and filament: widths [mm] and flows (1 at 100 %) of outer and inner walls."""

    strange: int
    width: float
    flow: float | None
    inner: float | None = None
    inner_flow: float | None = None


def _settled(
    fed: float,
    h: float,
    pitches: tuple[float | None, float | None],
    offset: float | None,
    profile: float,
    share: float,
) -> _Account:
    """The simplest account; without a flow where nothing tells it.

    Parameters
    ----------
    fed : float [mm]
        Width of a bead with round ends that spends the filament.
    h : float [mm]
    pitches : (float or None, float or None) [mm]
        Distance of the second wall from the outer one, and of the third from the second.
    offset : float or None [mm]
        Of the outer path from the outline, outward.
    profile : float [mm]
    share : float
        Filament per length of the second wall's bead, as a share of the outer one's.
    """
    pitch, third = pitches
    if pitch is None:
        return _Account(strange=0, width=fed, flow=None)
    area = (fed - h * ROUND_ENDS) * h
    alike = abs(share - 1) < SAME_FLOW
    accounts = []
    for ends in (0.0, h * ROUND_ENDS):  # how far beads overlap: not at all, or by their round ends
        for square in (False, True):
            for widths in (
                (1.0,) if alike else (share, 1.0)
            ):  # inner bead's cross-section against the outer one's
                # The mean of both beads belongs to the pitch.
                less = 0.0 if square else h * ROUND_ENDS
                width = 2 * (pitch + ends - less) / (1 + widths) + less
                inner = (width - less) * widths + less
                if width <= less or inner <= less:
                    continue
                flow = area / ((width - less) * h)
                off = (
                    third is not None and min(abs(inner - e - third) for e in (0.0, h * ROUND_ENDS)) > SAME_MM
                )
                strange = (
                    (abs(flow - 1) > SAME_FLOW)
                    + (offset is not None and abs(offset + width / 2) > SAME_MM)
                    + (abs(width - profile) > SAME_MM)
                    + (not alike)  # of widths or of flows
                    + TOLD_BY_THIRD * off
                )
                account = _Account(
                    strange=strange, width=width, flow=flow, inner=inner, inner_flow=flow * share / widths
                )
                accounts.append((strange, square, account))
    return min(accounts, key=lambda a: a[:2])[2]
