"""The stepped bore: square windows and round bores of several sizes, measured inside in x and y."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import MultiPoint, Polygon

from fitassay.coupons.draft import Draft, across, both_ways, engrave, notched_both_ways, standing
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import ink_height, least_width, make_mark
from fitassay.coupons.shapes import CORNER_CHORD_MM, Ring, circle, notched_window, region

PAIRS_MM = ((6.0, 5.0), (10.0, 8.0), (16.0, 14.0))
"""Window side and bore diameter of each column. The smallest just takes inside jaws."""

SMALL_PAIRS_MM = ((6.0, 5.0), (9.0, 8.0))
"""For beds that do not hold three columns."""

ON_FACE_MM = 1e-6


def build(job: Job) -> list[Draft]:
    """Windows under a strip with the mark, bores above it; origin at the bounding box's lower left corner.

    ::

             .-----------------.
        .----       __     /  \\|     plan; sizes grow to the right; each window has its seam notch below its lower
        | o       (    )   \\  /|     left corner, bores need none
        | BORE ->              |
        | #       ####    #### |
        '----     ####    #### |
             '-----------------'
    """
    pairs, notes = PAIRS_MM, ()
    if any(need > have for need, have in zip(_size(job, pairs), job.room[:2], strict=True)):
        pairs = SMALL_PAIRS_MM
        notes = ("stepped-bore: two sizes instead of three, the bed holds no more",)
    height = job.up(job.band_start + job.rules.inside_depth)
    job.fit("the stepped bore", (*_size(job, pairs), height))
    rail, notch = job.rail, job.rules.notch
    foot = rail + 0.9 * notch
    middle = foot + max(a for a, _ in pairs)
    strip = _strip(job)
    z = job.mid_layer(job.band_start, height)
    # A short row of openings stands in the middle of a plate as long as its mark.
    long, radius = _size(job, pairs)[0], 3.0
    rings, features = [], []
    # The strip reaches from edge to edge, whatever stands above and below it.
    corners = [(u, v) for u in (0.0, long) for v in (middle - radius, middle + strip + radius)]
    x = rail + (long - _row(job, pairs)) / 2
    for side, diameter in pairs:
        column = max(side, diameter)
        wx, wy = x + (column - side) / 2, middle - side
        cx, cy = x + column / 2, middle + strip + diameter / 2
        rings += [notched_window(wx, wy, side, notch), circle(diameter, cx, cy)]
        corners += [(x - rail, wy - foot), (x + column + rail, wy - foot)]
        corners += [(x - rail, cy + diameter / 2 + rail), (x + column + rail, cy + diameter / 2 + rail)]
        features += _window(job, side, wx, wy, z) + _bore(job, diameter, cx, cy, z)
        x += column + rail
    plate = MultiPoint(corners).convex_hull.buffer(-radius).buffer(radius, quad_segs=16)
    rim: Ring = [(u, v) for u, v, *_ in shapely.get_coordinates(shapely.simplify(plate, CORNER_CHORD_MM / 2))]
    outline = region(rim, *rings)
    mark = make_mark(job, "bore", width=long - 2 * job.lip)
    slabs = engrave(
        job,
        standing(job, outline, height),
        mark.at(long / 2 - mark.width / 2, middle + strip / 2 - mark.height / 2),
    )
    # Windows first, then bores: one grip, then the other.
    features.sort(key=lambda f: not f.id.startswith("window"))
    if job.rims:
        features += _plate(job, plate, z)
    return [Draft(id="bore", slabs=tuple(slabs), features=tuple(features), notes=notes)]


def _strip(job: Job) -> float:
    return round(max(job.rail, ink_height(job) + 2 * job.lip), 3)


def _row(job: Job, pairs: tuple[tuple[float, float], ...]) -> float:
    return sum(max(p) for p in pairs) + (len(pairs) + 1) * job.rail


def _size(job: Job, pairs: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    wide = max(_row(job, pairs), least_width(job, "bore") + 2 * job.lip)
    deep = (
        2 * job.rail
        + 0.9 * job.rules.notch
        + _strip(job)
        + max(a for a, _ in pairs)
        + max(b for _, b in pairs)
    )
    return wide, deep


def _window(job: Job, side: float, x: float, y: float, z: float) -> list[Feature]:
    jaws = f"Inside jaws, 3 mm deep or more, on the {{faces}} faces of the {side:g} mm window"
    return notched_both_ways(
        job, name=f"window{side:g}", kind="inside", size=side, low=(x, y), z=z, jaws=jaws
    )


def _bore(job: Job, diameter: float, x: float, y: float, z: float) -> list[Feature]:
    text = (
        f"Inside jaws, 3 mm deep or more, in the {diameter:g} mm bore, {{way}}, longest reading; "
        "the seam should lie on a diagonal, not where the jaws touch."
    )
    low = (x - diameter / 2, y - diameter / 2)
    return both_ways(
        job, name=f"bore{diameter:g}", kind="inside", size=diameter, low=low, at=(x, y), z=z, instruction=text
    )


def _plate(job: Job, plate: Polygon, z: float) -> list[Feature]:
    """The plate itself from face to face: long sizes printed with the small coupons, beside the frame's."""
    left, front, right, back = plate.bounds
    found = []
    for axis, low, high, faces in (
        ("x", left, right, "left and right"),
        ("y", front, back, "front and back"),
    ):
        start, end = _both_straight(plate, axis, low, high)
        if end - start < job.rules.outside_flank:
            continue
        text = (
            f"Outside jaws on the {faces} edges of the plate with the holes, at the middle of their straight part; "
            "the seam should lie on a rounded corner, not where the jaws touch."
        )
        feature = across(
            job,
            axis,
            id=f"plate-{axis}",
            kind="outside",
            low=low,
            high=high,
            at=round((start + end) / 2, 3),
            z=z,
            instruction=text,
        )
        found.append(replace(feature, cross_check=True))
    return found


def _both_straight(plate: Polygon, axis: str, low: float, high: float) -> tuple[float, float]:
    """From where to where both of the plate's faces at `low` and `high` along an axis are straight [mm]."""
    along = 0 if axis == "x" else 1
    points = shapely.get_coordinates(plate.exterior)
    ends = [points[np.abs(points[:, along] - face) < ON_FACE_MM, 1 - along] for face in (low, high)]
    return max(float(e.min()) for e in ends), min(float(e.max()) for e in ends)


FAMILY = Family("stepped-bore", "how openings close, square against round", build, order=20)
