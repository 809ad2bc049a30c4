"""Where a loop's beginnings spoil a reading: seams, gaps and further strokes under the jaws."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths, OuterLoop
from fitassay.coupons.feature import Feature

SEAM_CLEAR_MM = 1.0
"""A seam this close to a jaw's edge lifts the jaw."""

SETTLED_MM = 1.0
"""Once an axis has moved this far, its play is taken up."""


def seams_on(paths: CouponPaths, feature: Feature) -> list[OuterLoop]:
    """Loops that begin, begin again or are left open under one of the feature's jaws."""
    along = np.array(feature.direction)
    across = np.array([-along[1], along[0]])
    found = []
    for o in paths.outer:
        if abs(o.height - feature.contact_a_mm[2]) > 1e-3:
            continue
        joints = [paths.place.from_bed(j) for j in o.path.joints]
        spots = np.concatenate([_left_open(o), *(_unsettled(o, joint, along) for joint in joints)])
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


def _unsettled(outer: OuterLoop, joint: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Where a further stroke begins, and points every millimetre on until the measured axis has moved, (k, 2) [mm].

    Up to there the flank stands as the travel before the stroke left the play, which the walk along loops leaves out.
    """
    first = int(np.argmin(np.hypot(*(outer.points - joint).T)))
    ring = np.concatenate([joint[None], np.roll(outer.points, -first, axis=0)])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.arange(0.0, run[-1])
    points = np.column_stack([np.interp(at, run, ring[:, k]) for k in (0, 1)])
    s = points @ along
    moved = np.maximum.accumulate(s) - np.minimum.accumulate(s)
    return points[: 1 + int(np.argmax(moved > SETTLED_MM))] if moved[-1] > SETTLED_MM else points
