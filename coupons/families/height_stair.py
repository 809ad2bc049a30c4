"""The height stair: low steps and a column, measured along z, and a foot that shows first-layer flare."""

from __future__ import annotations

from coupons.draft import Draft, Slab, across, engrave
from coupons.family import Family
from coupons.feature import Feature
from coupons.job import Job
from coupons.mark import ink_height, make_mark
from coupons.shapes import inset, notched_square, rectangle, region

STEPS_MM = (4.0, 8.0, 12.0)
TREAD_MM = 6.5
"""Side of a step's top: an outside jaw stands on it."""

PAD_MM = 1.2
LOWEST_COLUMN_MM = 6.0


def heights_of(job: Job) -> tuple[list[float], list[str]]:
    """Heights of the low steps and the column [mm], whole layers, and what had to be changed."""
    z = job.machine.volume_mm[2]
    # 60 % of z keeps clear of a worn or loose upper end; a low machine needs every millimetre.
    column = job.down(min(job.rules.column, max(0.6 * z, min(job.room[2], 20.0)), job.room[2]))
    low = list(STEPS_MM)
    if column < STEPS_MM[-1] + 4.0:
        low = [column * k / 4 for k in (1, 2, 3)]
    if column < LOWEST_COLUMN_MM:
        job.fit("the height stair", (0.0, 0.0, job.up(LOWEST_COLUMN_MM)))
    least = job.up(PAD_MM) + job.h
    heights = [h for h in (job.up(v) for v in low) if least <= h < column - job.h]
    notes = []
    if column < 30.0:
        notes.append(f"height-stair: the column is only {column:g} mm high, so scale in z stays less certain")
    return [*heights, column], notes


def build(job: Job) -> list[Draft]:
    """Steps in a row on a thin pad, tallest at +x; origin at the pad's lower left corner, z = 0 on the bed.

    ::

        +----------------------------+
        | [ 4 ] [ 8 ] [ 12 ] [ 60 ]  |     plan; the front strip of the pad carries the mark; its lowest layers
        |  STAIR ->                  |     stand proud all round, so that the foot feature sees them alone
        `----------------------------+
    """
    heights, notes = heights_of(job)
    proud = 0.4
    tread = max(TREAD_MM, 2 * job.two_beads)
    ledge = max(1.0, job.two_beads)
    long = round(len(heights) * tread + 2 * ledge, 3)
    strip = round(ink_height(job) + 2 * job.two_beads + proud, 3)
    wide = round(strip + tread + ledge, 3)
    job.fit("the height stair", (long, wide, heights[-1]))
    n = job.rules.notch
    outline = region(_pad(long, wide, n))
    foot = job.up(2 * job.h)
    pad = max(job.up(PAD_MM), round(foot + job.up(job.rules.mark_depth) + 3 * job.h, 6))
    x0 = ledge
    mark = make_mark(job, "stair", width=long - proud - 1.1 * n - 1.5 * job.two_beads)
    strokes = mark.at(long - proud - job.two_beads - mark.width, proud + (strip - proud - mark.height) / 2)
    slabs = engrave(
        job,
        [
            Slab(outline=outline, z0=0.0, z1=foot),
            Slab(outline=inset(outline, proud), z0=foot, z1=pad),
        ],
        strokes,
    )
    z0 = pad
    for i, z1 in enumerate(heights):
        row = region(rectangle(x0 + i * tread, strip, x0 + len(heights) * tread, strip + tread))
        if z1 > z0:
            slabs.append(Slab(outline=row, z0=z0, z1=z1))
            z0 = z1
    centres = [x0 + (i + 0.5) * tread for i in range(len(heights))]
    features = [
        _height(job, h, x, strip + tread / 2, i == len(heights) - 1)
        for i, (h, x) in enumerate(zip(heights, centres, strict=True))
    ]
    features.append(
        across(
            job,
            "y",
            id="foot",
            kind="outside",
            low=0.0,
            high=wide,
            at=round((1.1 * n + long) / 2, 3),
            z=round(job.h / 2, 6),
            instruction=(
                "Outside jaws across the thin foot, front to back, on the lowest layers that stand proud; "
                "the seam belongs in the notched corner."
            ),
        )
    )
    return [Draft(id="stair", slabs=tuple(slabs), features=tuple(features), notes=tuple(notes))]


def _pad(long: float, wide: float, n: float) -> list[tuple[float, float]]:
    """The pad's ring: `notched_square` with two different sides."""
    return [
        (long if px > n * 1.2 else px, wide if py > n * 1.2 else py)
        for px, py in notched_square(0.0, 0.0, max(long, wide), n)
    ]


def _height(job: Job, h: float, x: float, y: float, column: bool) -> Feature:
    what = "column" if column else "step"
    return Feature(
        id=f"{what}{h:g}",
        kind="height",
        direction_deg=0.0,
        nominal_mm=h,
        contact_a_mm=(round(x, 6), round(y, 6), 0.0),
        contact_b_mm=(round(x, 6), round(y, 6), h),
        jaw_mm=job.rules.outside_jaw,
        instruction=(
            f"Outside jaws from the underside to the top of the {h:g} mm {what}, off any blob where its last "
            "layer ended."
        ),
    )


FAMILY = Family(
    name="height-stair",
    isolates="scale in z against the first-layer gap; first-layer flare",
    build=build,
    order=60,
)
