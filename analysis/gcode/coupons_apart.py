"""Coupons of one file whose paths stand at different distances from their outlines."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.registration import Place

BEAD_OFF = 0.6
"""A coupon this many beads off the others has another wall taken for its outer one, or settings of its own."""


def distances(places: dict[str, Place]) -> dict[str, float]:
    """How far each coupon's path stands outward of the middle of all [mm]; empty with fewer than two."""
    offsets = {k: p.offset for k, p in places.items() if not p.template.coupon.single_wall}
    if len(offsets) < 2:
        return {}
    middle = float(np.median(list(offsets.values())))
    return {k: v - middle for k, v in offsets.items()}


def bead_off(places: dict[str, Place], width: float) -> str:
    """What to say of coupons that are a whole bead off the others; empty where none is."""
    offsets = {k: p.offset for k, p in places.items() if not p.template.coupon.single_wall}
    if not offsets or max(offsets.values()) - min(offsets.values()) < BEAD_OFF * width:
        return ""
    if len(offsets) == 2:
        (one, a), (two, b) = offsets.items()
        return (
            f"the paths of coupons {one} and {two} stand {abs(a - b):.2f} mm apart against their outlines, about a "
            "whole bead: an outer wall is missing, or one of them is sliced with settings of its own"
        )
    far = {k: v for k, v in distances(places).items() if abs(v) > BEAD_OFF * width / 2}
    key = max(far, key=lambda k: abs(far[k]))
    way = "outside" if far[key] > 0 else "inside"
    return (
        f"the path of coupon {key} stands {abs(far[key]):.2f} mm {way} where the others' do, about a whole bead: its "
        "outer wall is missing, or it is sliced with settings of its own"
    )
