"""The bead that a file commands: its width from the walls' distance, its flow from the filament it spends.

What programs make of a width and a flow, and which of several accounts is the likeliest, is in `bead_accounts`. Where
inner walls are fed otherwise than outer ones, their widths or their flows differ; a third wall's distance tells.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.bead_accounts import FINE_FLOW, FINE_MM, Seen, accounts_of
from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.analysis.gcode.first_layer import ROUND_ENDS
from fitassay.analysis.gcode.offset import MAD_TO_SD, PathPlace
from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.trace_data import Bead
from fitassay.coupons.machine import Machine

ROUNDED_MM = 0.003
"""Layers this near to the usual one differ by the rounding of heights."""


def bead_of(
    found: dict[str, CouponPaths],
    machine: Machine,
    profile: float,
    layer_height: float,
    place: PathPlace | None,
    by_volume: bool = False,
) -> Bead | None:
    """Width, flow and pitch of the outer walls; None where none was found.

    Parameters
    ----------
    found : dict of str to CouponPaths
    machine : Machine
    profile : float [mm]
        The bead that the coupons were made for.
    layer_height : float [mm]
        Of the usual layer.
    place : PathPlace or None
        None where nothing but a single wall was found.
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
    h[np.abs(h - layer_height) < ROUNDED_MM] = layer_height
    cross = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    pitches = [o.pitch for o in outer if np.isfinite(o.pitch)]
    pitch = float(np.median(pitches)) if pitches else None
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
    middle = float(np.median(fed))
    seen = Seen(
        area=(middle - usual * ROUND_ENDS) * usual,
        height=usual,
        pitch=pitch,
        third=third,
        offset=None if place is None else place.offset,
        share=share,
        profile=profile,
        # Rounding of coordinates is the same on every layer, that of the filament is not; paths that stray from the
        # outline stray from each other too.
        pitch_u=FINE_MM + _usual_distance(np.array(pitches)) + (0.0 if place is None else place.spread / 2),
        area_u=FINE_FLOW + _usual_distance(fed) / middle / np.sqrt(len(fed)),
    )
    settled, *others = accounts_of(seen)
    return Bead(
        width=settled.width,
        fed=middle,
        flow=settled.flow,
        pitch=pitch,
        spread=_spread(fed),
        profile=profile,
        by_volume=volume,
        inner=settled.inner,
        inner_flow=settled.inner_flow,
        square=settled.square,
        others=tuple(others),
        by_coupon={k: float(np.median(v)) for k, v in own.items()},
        spread_in_coupon=float(np.median([_spread(v) for v in own.values()])),
    )


def _usual_distance(values: np.ndarray) -> float:
    """How far the values usually lie from their median, as a standard deviation."""
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


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
