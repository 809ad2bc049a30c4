"""Sizes over a whole comb, which the quick set reads: across its row, and over its corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitassay.coupons.draft import across
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.shapes import Ring

FACES = {
    "x": "left and right",
    "y": "front and back",
    "a": "front left and back right",
    "b": "back left and front right",
}

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Corners:
    """A diagonal of the short comb, from one sharp corner to another, in row coordinates [mm]."""

    id: str
    low: Point
    high: Point
    where: str


def longest_diagonals(ring: Ring, length: float, width: float) -> tuple[Corners, Corners]:
    """From either corner at the row's beginning to the farthest one: jaws along that way touch no other point."""
    first, last = (0.0, 0.0), (0.0, width)
    beyond = [p for p in ring if p[0] > length / 2]

    def farthest(start: Point) -> Point:
        return max(beyond, key=lambda p: math.hypot(p[0] - start[0], p[1] - start[1]))

    return (
        Corners(id="diagonal-neck", low=first, high=farthest(first), where="beside the neck"),
        Corners(id="diagonal-head", low=farthest(last), high=last, where="of the head"),
    )


def over_width(job: Job, axis: str, width: float, at: float, z: float) -> Feature:
    """From the lip beside the neck to the head's back, `at` along the row [mm]; `axis` is the one across the row."""
    return across(
        job,
        axis,
        id="across",
        kind="outside",
        low=0.0,
        high=width,
        at=at,
        z=z,
        instruction=(
            f"Outside jaws over the whole comb, from the head to the lip beside the neck, on its {FACES[axis]} "
            "faces; the seam belongs in the notch in the spine's end."
        ),
    )


def over_corners(job: Job, corners: Corners, axis: str, width: float, z: float) -> Feature:
    """Over two corners of a comb `width` [mm] wide, whose row lies along `axis`."""
    low, high = (p if axis == "x" else (round(width - p[1], 6), p[0]) for p in (corners.low, corners.high))
    if (high[1], high[0]) < (low[1], low[0]):
        low, high = high, low
    way = (high[0] - low[0], high[1] - low[1])
    return Feature(
        id=corners.id,
        kind="diagonal",
        direction_deg=round(math.degrees(math.atan2(way[1], way[0])), 6),
        nominal_mm=round(math.hypot(*way), 6),
        contact_a_mm=(*low, z),
        contact_b_mm=(*high, z),
        jaw_mm=job.rules.outside_jaw,
        instruction=(
            f"Outside jaws over the corner {corners.where} and the comb's corner farthest from it, piece flat, jaws "
            "turned for the longest reading; the seam belongs in the notch in the spine's end."
        ),
    )
