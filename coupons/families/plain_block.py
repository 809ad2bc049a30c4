"""The plain block: a 20 mm block with a 10 mm square hole, for what a single simple piece can tell."""

from __future__ import annotations

from fitassay.coupons.draft import Draft, engrave, notched_both_ways, standing
from fitassay.coupons.family import Family
from fitassay.coupons.job import Job
from fitassay.coupons.mark import make_arrow, make_mark
from fitassay.coupons.shapes import notched_square, notched_window, region, snap

SIDE_MM = 20.0
HOLE_MM = 10.0
HEIGHT_MM = 10.0


def build(job: Job) -> list[Draft]:
    """Block and through hole; origin at the block's lower left corner, z = 0 on the bed."""
    n, height = job.rules.notch, job.up(HEIGHT_MM)
    job.fit("the plain block", (SIDE_MM, SIDE_MM, height))
    low = (SIDE_MM - HOLE_MM) / 2
    outline = region(
        notched_square(0.0, 0.0, SIDE_MM, n),
        notched_window(low, low, HOLE_MM, n),
    )
    # The wall around the hole is narrow; both halves of the mark are a little smaller than usual there.
    stroke = 0.7
    text, arrow = (
        make_mark(job, "block", width=SIDE_MM - 3.0, arrow=False, stroke=stroke),
        make_arrow(job, stroke=stroke),
    )
    strokes = snap(
        text.at((SIDE_MM - text.width) / 2, SIDE_MM - low / 2 - text.height / 2).union(
            arrow.at((SIDE_MM - arrow.width) / 2, low / 2 - arrow.height / 2 - 0.3)
        )
    )
    slabs = engrave(job, standing(job, outline, height), strokes)
    z = job.mid_layer(job.band_start, height)
    features = []
    for kind, at, side, what in (("outside", 0.0, SIDE_MM, "block"), ("inside", low, HOLE_MM, "hole")):
        jaws = "Outside jaws on" if kind == "outside" else "Inside jaws, 3 mm deep or more, between"
        features += notched_both_ways(
            job,
            name=what,
            kind=kind,  # type: ignore[arg-type]
            size=side,
            low=(at, at),
            z=z,
            jaws=f"{jaws} the {{faces}} faces of the {what}",
        )
    return [Draft(id="block", slabs=tuple(slabs), features=tuple(features))]


FAMILY = Family("plain-block", "that something is off, not what", build, order=70, default=False)
