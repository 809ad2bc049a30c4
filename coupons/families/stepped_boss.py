"""The stepped boss: square steps of several sizes, measured outside in x and y."""

from __future__ import annotations

import math

from fitassay.coupons.draft import Draft, Slab, engrave, notched_both_ways, rim_of, standing
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import ink_height, least_width, make_mark
from fitassay.coupons.shapes import notched_square, region
from fitassay.coupons.wording import listed

SIDES_MM = (22.0, 14.0, 8.0)
"""Sides of the steps: far enough apart to tell an error in proportion from one of fixed size."""


def build(job: Job) -> list[Draft]:
    """A flight of square steps; origin at the base's lower left corner, z = 0 on the bed.

    ::

        +----------------+
        |   +--------+   |     plan: every step has its seam notch in the lower left corner;
        |   |  +---+ |   |     the strip in front carries the mark
        |   |  +---+ |   |
        |   +--------+   |
        | BOSS ->        |
        `----------------+
    """
    heights = [job.up(job.band_start + job.rules.outside_flank)]
    while len(heights) < len(SIDES_MM):
        heights.append(round(heights[-1] + job.up(job.rules.outside_flank), 6))
    fitting = [z for z in heights if z <= job.room[2] + 1e-6]
    if not fitting:
        job.fit("the stepped boss", (SIDES_MM[0], SIDES_MM[0], heights[0]))
    notes = ()
    if len(fitting) < len(heights):
        left = listed(f"{s:g} mm" for s in SIDES_MM[len(fitting) :])
        notes = (f"stepped-boss: the build volume is too low for a step of {left}",)
    strip = max(job.rules.outside_gap, ink_height(job) + 2 * job.lip)
    beside = 1.2 * job.rules.notch + 2 * job.lip
    base = max(
        SIDES_MM[0], float(math.ceil(max(SIDES_MM[1] + strip + 1.0, least_width(job, "boss") + beside)))
    )
    mark = make_mark(job, "boss", width=base - beside)
    sides = (base, *SIDES_MM[1:])
    slabs: list[Slab] = []
    features: list[Feature] = []
    rims: list[Feature] = []
    z0 = 0.0
    x = y = 0.0
    for i, (side, z1) in enumerate(zip(sides, fitting, strict=False)):
        if i == 1:
            x, y = (base - side) / 2, strip
        elif i > 1:
            x, y = x + (sides[i - 1] - side) / 2, y + (sides[i - 1] - side) / 2
        outline = region(notched_square(x, y, side, job.rules.notch))
        if i == 0:
            slabs += engrave(
                job,
                standing(job, outline, z1),
                mark.at(base - job.lip - mark.width, (strip - mark.height) / 2),
            )
        else:
            slabs.append(Slab(outline=outline, z0=z0, z1=z1))
        z = job.mid_layer(max(z0, job.band_start), z1)
        jaws = f"Outside jaws on the {{faces}} faces of the {side:g} mm step"
        deep = notched_both_ways(
            job, name=f"step{side:g}", kind="outside", size=side, low=(x, y), z=z, jaws=jaws
        )
        features += deep
        if job.rims:
            for feature, faces in zip(deep, ("left and right", "front and back"), strict=True):
                rims.append(rim_of(job, feature, z1, f"{faces} faces of the {side:g} mm step"))
        z0 = z1
    return [Draft(id="boss", slabs=tuple(slabs), features=(*features, *rims), notes=notes)]


FAMILY = Family("stepped-boss", "scale against errors of fixed size, outside", build, order=10)
