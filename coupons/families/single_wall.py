"""The single wall: a loop one bead thick, which sees the bead and nothing else."""

from __future__ import annotations

from dataclasses import dataclass, replace

import shapely
from shapely import affinity
from shapely.geometry import LineString

from fitassay.coupons.draft import Draft, Outline, Slab, across, rim_of
from fitassay.coupons.family import Family
from fitassay.coupons.feature import EDGE_MM, Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import CAPITAL, ink, text_lines
from fitassay.coupons.shapes import inset, rectangle, region, rounded, snap


@dataclass(frozen=True, kw_only=True)
class Tag:
    """The tag's outline, low corner of the ink in the origin, and where its link to the tube starts [mm]."""

    outline: Outline
    link: tuple[float, float, float]
    """Left and right edge, and the middle of the arrow's shaft."""


SIDE_MM = 18.0
"""Outer side of the tube: an outside jaw fits in, and the walls' middles are free of the corners."""

HEIGHT_MM = 8.0
TAG_MM = 1.0
"""Height of the tag: it ends below everything that is measured."""


def tag(job: Job, text: str) -> Tag:
    """Letters standing on an arrow to +x, all of one piece, for a tag that reads as an outline too.

    A one-wall mode prints outlines only, so the id cannot be a relief: it is the tag's own silhouette.
    """
    # Two beads a stroke, so that the tag prints solid; wide beads would make it larger than the tube.
    stroke = max(min(max(1.0, job.two_beads), 1.4), 1.2 * job.w)
    shaft, head, base = 1.6 * stroke, 1.1 * stroke, 3.2 * stroke
    lines = []
    for letter in text_lines(text, (CAPITAL - 0.5) * stroke, stroke, 0.9):
        raised = [affinity.translate(line, 0.0, base) for line in letter]
        # Each letter stands on the shaft with one leg, below its lowest point.
        x, y = min((p for line in raised for p in line.coords), key=lambda p: (p[1], p[0]))
        lines += [*raised, LineString([(x, y), (x, shaft)])]
    end = max(line.bounds[2] for line in lines) + stroke / 2
    # Far enough off not to read as one more letter.
    start = end + 2.2 * stroke
    link = (start, start + max(1.0, job.two_beads))
    tip = link[1] + 2.5 * stroke
    lines += [
        LineString([(stroke / 2, shaft), (tip, shaft)]),
        LineString([(tip - head, shaft + head), (tip, shaft), (tip - head, shaft - head)]),
    ]
    drawn = ink(lines, stroke)
    x0, y0 = drawn.bounds[:2]
    return Tag(
        outline=snap(affinity.translate(drawn, -x0, -y0)), link=(link[0] - x0, link[1] - x0, shaft - y0)
    )


def build(job: Job) -> list[Draft]:
    """A square tube with rounded corners and a low tag in front of it; origin at the tag's lower left.

    ::

            .--------.   plan; the wall is one bead thick and 8 mm high,
            |        |   the tag in front, joined beside one corner, is 1 mm high
            |        |
            '--------'
        WALL     |
        ============>
    """
    w, side = job.w, SIDE_MM
    r = max(3.0, 2 * w)
    low = job.up(TAG_MM)
    height = max(job.up(low + job.rules.outside_flank), min(job.up(HEIGHT_MM), job.down(job.room[2])))
    label = tag(job, "wall")
    # The link meets the tube where the rounded corner begins, far from the middle of the wall.
    x = max(0.0, label.link[1] - (side - r))
    y = label.outline.bounds[3] + max(1.0, job.two_beads)
    outer = region(rounded(rectangle(x, y, x + side, y + side), r))
    inner = inset(outer, w)
    tube = snap(outer.difference(inner))
    wall = tube if job.wall == "tube" else outer
    bar = region(rectangle(label.link[0], label.link[2], label.link[1], y + w / 2))
    foot = snap(shapely.union_all([wall, label.outline, bar]))
    slabs = (Slab(outline=foot, z0=0.0, z1=low), Slab(outline=wall, z0=low, z1=height))
    printed = foot.difference(inner).area * low + tube.area * (height - low)
    return [
        Draft(
            id="wall",
            slabs=slabs,
            features=_features(job, x, y, height),
            single_wall=True,
            plastic_mm3=printed,
        )
    ]


def _features(job: Job, x: float, y: float, height: float) -> tuple[Feature, ...]:
    w, side = job.w, SIDE_MM
    z = job.mid_layer(height - job.rules.outside_flank, height)
    middle_x, middle_y = x + side / 2, y + side / 2
    places = (
        ("left", "x", x, middle_y),
        ("right", "x", x + side - w, middle_y),
        ("front", "y", y, middle_x),
        ("back", "y", y + side - w, middle_x),
    )
    deep = tuple(
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
        # Two sides are enough where readings are to be few.
        if not (job.quick and name in ("right", "back"))
    )
    if not job.rims:
        return deep
    rims = tuple(rim_of(job, f, height, f"{f.id.partition('-')[2]} wall") for f in deep)
    front = next(f for f in deep if f.id == "wall-front")
    return (*deep, *rims, _layer(front, z))


def _layer(wall: Feature, z: float) -> Feature:
    """One layer of a wall between the jaws' knife edges; the wall must come off for it."""
    (xa, ya, _), (xb, yb, _) = wall.contact_a_mm, wall.contact_b_mm
    return replace(
        wall,
        id=f"layer-{wall.id.rpartition('-')[2]}",
        contact_a_mm=(xa, ya, z),
        contact_b_mm=(xb, yb, z),
        jaw_mm=EDGE_MM,
        instruction=(
            "Last of all, and after weighing: cut this wall off with scissors, then the knife edges at the jaws' "
            "tips along one layer, closed lightly, at three heights; mind fingers and edges."
        ),
    )


FAMILY = Family("single-wall", "bead width alone", build, order=40, quick=True)
