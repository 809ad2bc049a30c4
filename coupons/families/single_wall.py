"""The single wall: a loop one bead thick, which sees the bead and nothing else."""

from __future__ import annotations

import shapely
from shapely import affinity
from shapely.geometry import LineString

from coupons.draft import Draft, Outline, Slab, across
from coupons.family import Family
from coupons.feature import Feature
from coupons.job import Job
from coupons.mark import CAPITAL, ink, text_lines
from coupons.shapes import rectangle, region, rounded, snap

SIDE_MM = 18.0
"""Outer side of the tube: an outside jaw fits in, and the walls' middles are free of the corners."""

HEIGHT_MM = 8.0
TAG_MM = 1.0
"""Height of the tag: it ends below everything that is measured."""


def tag(job: Job, text: str) -> Outline:
    """Letters standing on an arrow to +x, all of one piece, for a tag that reads as an outline too.

    A one-wall mode prints outlines only, so the id cannot be a relief: it is the tag's own silhouette. Low corner
    of the ink in the origin.
    """
    # Two beads a stroke, so that the tag prints solid; very wide beads would make it larger than the tube.
    stroke = max(1.0, min(job.two_beads, 1.8), 1.2 * job.w)
    capital = (CAPITAL - 0.5) * stroke
    lines = text_lines(text, capital, stroke, 0.85)
    width = max(line.bounds[2] for line in lines) + stroke / 2
    bar = LineString([(stroke / 2, stroke / 2), (max(width, SIDE_MM - 2.0), stroke / 2)])
    end = bar.bounds[2]
    head = [
        LineString(
            [(end - 1.1 * stroke, -0.6 * stroke), (end, 0.5 * stroke), (end - 1.1 * stroke, 1.6 * stroke)]
        )
    ]
    drawn = ink([*lines, bar, *head], stroke)
    return snap(affinity.translate(drawn, -drawn.bounds[0], -drawn.bounds[1]))


def build(job: Job) -> list[Draft]:
    """A square tube with rounded corners and a low tag in front of it; origin at the tag's lower left.

    ::

         .--------.      plan; the wall is one bead thick and 8 mm high,
         |        |      the tag in front, joined at one corner, is 1 mm high
         |        |
         '--------'
         WALL     |
         =========>
    """
    w, side = job.w, SIDE_MM
    r = max(3.0, 2 * w)
    height = job.up(HEIGHT_MM)
    low = job.up(TAG_MM)
    letters = tag(job, "wall")
    link = max(1.0, job.two_beads)
    y = letters.bounds[3] + max(1.0, job.two_beads)
    outer = rounded(rectangle(0.0, y, side, y + side), r)
    inner = rounded(rectangle(w, y + w, side - w, y + side - w), r - w)
    solid = region(outer)
    wall = region(outer, inner) if job.wall == "tube" else solid
    # The link meets the tube beside the rounded corner, away from the walls' middles.
    joined = region(rectangle(side - r - link, 0.3, side - r, y + w))
    reach = solid.difference(region(inner)) if job.wall == "tube" else solid
    foot = snap(shapely.union_all([wall, letters, joined.difference(solid), joined.intersection(reach)]))
    slabs = (Slab(outline=foot, z0=0.0, z1=low), Slab(outline=wall, z0=low, z1=height))
    return [
        Draft(
            id="wall",
            slabs=slabs,
            features=_features(job, y, job.mid_layer(height - job.rules.outside_flank, height)),
            single_wall=True,
        )
    ]


def _features(job: Job, y: float, z: float) -> tuple[Feature, ...]:
    w, side = job.w, SIDE_MM
    middle_x, middle_y = side / 2, y + side / 2
    places = (
        ("left", "x", 0.0, middle_y),
        ("right", "x", side - w, middle_y),
        ("front", "y", y, middle_x),
        ("back", "y", y + side - w, middle_x),
    )
    return tuple(
        across(
            job,
            axis,
            id=f"wall-{name}",
            kind="thickness",
            low=low,
            high=low + w,
            at=at,
            z=z,
            instruction=(
                f"Outside jaws from above over the middle of the {name} wall, 4 mm deep, closed lightly; "
                "not over the seam."
            ),
            nominal=w,
        )
        for name, axis, low, at in places
    )


FAMILY = Family(
    name="single-wall",
    isolates="bead width alone",
    build=build,
    order=40,
    quick=True,
)
