"""The stepped bore: square windows and round bores of several sizes, measured inside in x and y."""

from __future__ import annotations

import shapely
from shapely.geometry import MultiPoint

from fitassay.coupons.draft import Draft, both_ways, engrave, notched_both_ways, standing
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import ink_height, least_width, make_mark
from fitassay.coupons.shapes import CORNER_CHORD_MM, Ring, circle, notched_window, region

PAIRS_MM = ((6.0, 5.0), (10.0, 8.0), (16.0, 14.0))
"""Window side and bore diameter of each column. The smallest just takes inside jaws."""

SMALL_PAIRS_MM = ((6.0, 5.0), (9.0, 8.0))
"""For beds that do not hold three columns."""


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


FAMILY = Family("stepped-bore", "how openings close, square against round", build, order=20)
