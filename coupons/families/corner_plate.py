"""The corner plate: a large square frame whose two diagonals tell whether x and y are square."""

from __future__ import annotations

import math

from coupons.draft import Draft, across, engrave, standing
from coupons.errors import JobError
from coupons.family import Family
from coupons.feature import Feature
from coupons.job import Job
from coupons.mark import ink_height, make_mark
from coupons.shapes import Ring, region, side_notch

RAIL_MM = 4.5
HEIGHT_MM = 3.4
"""Height of the frame: jaws reach 2.4 mm of flank above the first layers, along as much rail as they like."""

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
    """A square frame with sharp corners; origin at its lower left corner, z = 0 on the bed.

    ::

        +-----------------+
        | +-------------+ |     plan: the seam notch is in the middle of the front rail, since the corners
        | |             | |     are measured; the back rail is wider where it carries the mark
        | |  FRAME ->   | |
        | +-------------+ |
        +-------/|--------+
    """
    s = side_of(job)
    n = job.rules.notch
    height = job.up(HEIGHT_MM)
    rail = max(RAIL_MM, n + job.two_beads + job.rules.chamfer)
    job.fit("the corner plate", (s, s, height))
    mark = make_mark(job, "frame", width=s - 2 * max(2.0, job.lip))
    m = s / 2
    outer: Ring = [(0.0, 0.0), *side_notch(m, n), (s, 0.0), (s, s), (0.0, s)]
    # The window's own seam may lie anywhere: nothing is measured on it.
    deep = max(rail, ink_height(job) + 2 * job.lip)
    a, b = m - mark.width / 2 - job.lip, m + mark.width / 2 + job.lip
    inner: Ring = [
        (rail, rail),
        (s - rail, rail),
        (s - rail, s - rail),
        (b + (deep - rail), s - rail),
        (b, s - deep),
        (a, s - deep),
        (a - (deep - rail), s - rail),
        (rail, s - rail),
    ]
    if a - (deep - rail) < rail + 2.0 or deep <= rail + 1e-6:
        inner = [(rail, rail), (s - rail, rail), (s - rail, s - deep), (rail, s - deep)]
    outline = region(outer, inner)
    slabs = engrave(
        job, standing(job, outline, height), mark.at(m - mark.width / 2, s - deep / 2 - mark.height / 2)
    )
    return [
        Draft(
            id="frame", slabs=tuple(slabs), features=_features(job, s, job.mid_layer(job.band_start, height))
        )
    ]


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
            at=0.75 * s,
            z=z,
            instruction=(
                f"Outside jaws on the {faces} edges, a quarter in from the {end} end, away from the notch; "
                "the seam belongs in the notch, not on these edges."
            ),
        )
        for axis, faces, end in (("x", "left and right", "back"), ("y", "front and back", "right"))
    )
    return (
        corner("diagonal-45", 45.0, (0.0, 0.0), (s, s), "front left and back right"),
        corner("diagonal-135", 135.0, (s, 0.0), (0.0, s), "front right and back left"),
        *sides,
    )


FAMILY = Family(
    name="corner-plate",
    isolates="squareness of x and y; scale over the longest span",
    build=build,
    order=50,
)
