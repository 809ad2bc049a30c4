"""The corner plate: a large square frame whose two diagonals tell whether x and y are square."""

from __future__ import annotations

import math

import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from fitassay.coupons.draft import Draft, across, engrave, standing
from fitassay.coupons.errors import JobError
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import ink_height, make_mark
from fitassay.coupons.shapes import Ring, rectangle, side_notch, snap

RAIL_MM = 3.6
HEIGHT_MM = 2.4
"""Height of the frame: jaws reach 1.4 mm of flank above the first layers, along as much rail as they like."""

GUSSET_MM = 12.5
"""Sum of the distances from a corner's two edges within which the corner is solid."""

SIDE_AT_MM = 5.0
"""Distance from the corner at which the sides are measured: the solid corner holds there, while half-way along
the jaws would bend the rails."""

SHORTEST_MM = 30.0


def side_of(job: Job) -> float:
    """Side of the square [mm]: up to 80 % of the bed, and diagonals that still go between the jaws."""
    x, y, _ = job.machine.volume_mm
    span = min(job.rules.span_share * min(x, y), *job.room[:2])
    reach = job.rules.caliper_share * job.machine["caliper.range_mm"] / math.sqrt(2)
    side = math.floor(min(span, reach) + 1e-9)
    if side < SHORTEST_MM:
        if reach < SHORTEST_MM:
            raise JobError(
                f"caliper.range_mm: {job.machine['caliper.range_mm']:g} mm is too short for the corner plate's "
                "diagonals; leave that family out or use a longer caliper"
            )
        job.fit("the corner plate", (SHORTEST_MM, SHORTEST_MM, job.up(HEIGHT_MM)))
    return float(side)


def build(job: Job) -> list[Draft]:
    r"""A square frame with sharp corners and diagonal ribs; origin at its lower left corner, z = 0 on the bed.

    ::

        +-----------------+
        |\    FRAME ->   /|     plan: the seam notch is in the middle of the front rail, since the corners
        |   \         /   |     are measured; the back rail is wider where it carries the mark. Without the
        |      \   /      |     ribs the jaws would squeeze the square into a diamond: along its diagonal a
        |      /   \      |     bare frame of 4.5 mm rails and 80 mm side gives 0.2 mm a newton, with ribs
        |   /         \   |     0.003 mm (E = 3000 N/mm2)
        |/               \|
        +-------/|--------+
    """
    s = side_of(job)
    n = job.rules.notch
    # The jaws stay below the mark in the back rail.
    height = job.up(max(HEIGHT_MM, job.band_start + 2 * job.up(job.rules.mark_depth) + job.h))
    rail = max(RAIL_MM, n + job.two_beads + job.rules.chamfer)
    job.fit("the corner plate", (s, s, height))
    mark = make_mark(job, "frame", width=s - 2 * max(2.0, job.lip))
    m = s / 2
    outer: Ring = [(0.0, 0.0), *side_notch(m, n), (s, 0.0), (s, s), (0.0, s)]
    deep = max(rail, ink_height(job) + 2 * job.lip)
    window = Polygon(rectangle(rail, rail, s - rail, s - rail))
    window = window.difference(_mark_field(m, s, rail, deep, mark.width + 2 * job.lip))
    # The windows' own seams may lie anywhere: nothing is measured on them.
    outline = snap(Polygon(outer).difference(window.difference(_ribs(job, s))))
    slabs = engrave(
        job, standing(job, outline, height), mark.at(m - mark.width / 2, s - deep / 2 - mark.height / 2)
    )
    return [
        Draft(
            id="frame", slabs=tuple(slabs), features=_features(job, s, job.mid_layer(job.band_start, height))
        )
    ]


def _mark_field(m: float, s: float, rail: float, deep: float, wide: float) -> Polygon:
    """What the back rail is wider by to carry the mark: a trapezoid, or its whole length where that is short."""
    low, high = m - wide / 2, m + wide / 2
    slope = deep - rail
    if low - slope < rail + 2.0 or slope <= 1e-6:
        return Polygon(rectangle(0.0, s - deep, s, s))
    return Polygon([(low, s - deep), (high, s - deep), (high + slope, s - rail), (low - slope, s - rail)])


def _ribs(job: Job, s: float) -> BaseGeometry:
    """Two ribs from corner to corner, two beads wide even at their chamfered foot, and the solid corners."""
    wide = job.two_beads + 2 * job.rules.chamfer
    ribs = [
        LineString([a, b]).buffer(wide / 2, cap_style="flat")
        for a, b in (((0.0, 0.0), (s, s)), ((s, 0.0), (0.0, s)))
    ]
    g = GUSSET_MM
    corners = [
        Polygon([(x, y), (abs(x - g), y), (x, abs(y - g))])
        for x, y in ((0.0, 0.0), (s, 0.0), (s, s), (0.0, s))
    ]
    return shapely.union_all([*ribs, *corners])


def _features(job: Job, s: float, z: float) -> tuple[Feature, ...]:
    diagonal = round(s * math.sqrt(2), 6)

    def corner(
        id: str, degrees: float, a: tuple[float, float], b: tuple[float, float], where: str
    ) -> Feature:
        return Feature(
            id=id,
            kind="diagonal",
            direction_deg=degrees,
            nominal_mm=diagonal,
            contact_a_mm=(*a, z),
            contact_b_mm=(*b, z),
            jaw_mm=job.rules.outside_jaw,
            instruction=(
                f"Outside jaws over the corners {where}, piece flat, jaws turned for the longest reading; "
                "the seam belongs in the notch, not on a corner."
            ),
        )

    sides = tuple(
        across(
            job,
            axis,
            id=f"side-{axis}",
            kind="outside",
            low=0.0,
            high=s,
            at=s - SIDE_AT_MM,
            z=z,
            instruction=(
                f"Outside jaws on the {faces} edges, {SIDE_AT_MM:g} mm from the {end} end, where the corner is "
                "solid; the seam belongs in the notch, not on these edges."
            ),
        )
        for axis, faces, end in (("x", "left and right", "back"), ("y", "front and back", "right"))
    )
    return (
        corner("diagonal-45", 45.0, (0.0, 0.0), (s, s), "front left and back right"),
        corner("diagonal-135", 135.0, (s, 0.0), (0.0, s), "front right and back left"),
        *sides,
    )


FAMILY = Family("corner-plate", "squareness of x and y; scale over the longest span", build, order=50)
