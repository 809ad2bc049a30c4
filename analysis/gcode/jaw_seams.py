"""Where a loop's beginnings spoil a reading: seams, gaps and further strokes under the jaws."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.coupons.feature import Feature

SEAM_CLEAR_MM = 1.0
"""A seam this close to a jaw's edge lifts the jaw."""


def seams_on(paths: CouponPaths, feature: Feature) -> list[OuterLoop]:
    """Loops that begin, begin again or are left open under one of the feature's jaws."""
    along = np.array(feature.direction)
    across = np.array([-along[1], along[0]])
    found = []
    for o in paths.outer:
        if abs(o.height - feature.contact_a_mm[2]) > 1e-3:
            continue
        joints = [paths.place.from_bed(s.start)[None] for s in o.path.strokes]
        spots = np.concatenate([_left_open(o), *joints])
        for contact in (feature.contact_a_mm, feature.contact_b_mm):
            gap = np.abs((spots - np.array(contact[:2])) @ np.column_stack([along, across]))
            if np.any((gap[:, 0] < 1.0) & (gap[:, 1] < feature.jaw_mm / 2 + SEAM_CLEAR_MM)):
                found.append(o)
                break
    return found


def _left_open(outer: OuterLoop) -> np.ndarray:
    """The seam, and points every millimetre back to where the filament ended, ndarray (k, 2) [mm]."""
    if outer.path.gap < 1.0:
        return outer.points[:1]
    back = np.concatenate([outer.points[:1], outer.points[::-1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(back, axis=0).T))])
    at = np.arange(0.0, outer.path.gap + 1e-9)
    return np.column_stack([np.interp(at, run, back[:, k]) for k in (0, 1)])
