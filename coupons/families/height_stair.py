"""The height stair: low steps and a column, measured along z, and a foot that shows first-layer flare."""

from __future__ import annotations

from fitassay.coupons.draft import Draft, Slab, across, engrave
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import Mark, ink_height, least_width, make_mark
from fitassay.coupons.shapes import flank_middle, inset, notched_box, rectangle, region

STEPS_MM = (4.0, 8.0, 12.0)
TREAD_MM = (6.0, 6.4)
"""Length and depth of a step's top: an outside jaw stands on it, and the column is stiff enough to print."""

PROUD_MM = 0.4
"""How far the pad's lowest layers stand out, so that jaws across the foot touch nothing else."""

FOOT_MM = 0.4
"""Height of those layers."""


def pad_of(job: Job) -> tuple[float, float]:
    """Heights of the foot's layers and of the pad's top [mm]; the mark goes into what is above the foot."""
    foot = job.up(FOOT_MM)
    return foot, round(foot + job.up(job.rules.mark_depth) + 2 * job.h, 6)


def heights_of(job: Job) -> tuple[list[float], tuple[str, ...]]:
    """Heights of the low steps and the column [mm], whole layers, and what had to be changed."""
    least = round(pad_of(job)[1] + 2 * job.h, 6)
    job.fit("the height stair", (0.0, 0.0, job.up(least + 2.0)))
    # 60 % of z keeps clear of a worn or loose upper end; a low machine needs every millimetre.
    tall = max(0.6 * job.machine.volume_mm[2], min(job.room[2], 20.0))
    reach = job.rules.caliper_share * job.machine["caliper.range_mm"]
    column = job.down(min(job.rules.column, tall, reach, job.room[2]))
    low = STEPS_MM if column >= STEPS_MM[-1] + 4.0 else tuple(column * k / 4 for k in (1, 2, 3))
    steps = sorted({job.up(max(v, least)) for v in low})
    steps = [v for v in steps if v <= column - 2.0 + 1e-6]
    notes = ()
    if column < job.rules.column / 2:
        notes = (f"height-stair: the column is only {column:g} mm high, so scale in z stays less certain",)
    return [*steps, column], notes


def build(job: Job) -> list[Draft]:
    """Steps in a row on a thin pad, tallest at +x; origin at the pad's lower left corner, z = 0 on the bed.

    ::

        +----------------------------+
        | [ 4 ] [ 8 ] [ 12 ] [ 60 ]  |     plan; the front strip of the pad carries the mark; its lowest layers
        |  STAIR ->                  |     stand proud all round, so that the foot feature sees them alone
        `----------------------------+
    """
    heights, notes = heights_of(job)
    n = job.rules.notch
    tread, deep = (max(v, 2 * job.two_beads) for v in TREAD_MM)
    ledge = max(1.0, job.two_beads)
    row = len(heights) * tread
    beside = n + 2.5 * PROUD_MM + 2 * job.lip
    # Rounded up, so that the mark still fits.
    long = round(max(row + 2 * ledge, least_width(job, "stair") + beside) + 5e-4, 3)
    strip = round(ink_height(job) + 2 * job.lip + PROUD_MM, 3)
    wide = round(strip + deep + ledge, 3)
    job.fit("the height stair", (long, wide, heights[-1]))
    x = round((long - row) / 2, 3)
    features = [
        _height(job, h, x + (i + 0.5) * tread, strip + deep / 2, h == heights[-1])
        for i, h in enumerate(heights)
    ]
    features.append(
        across(
            job,
            "y",
            id="foot",
            kind="outside",
            low=0.0,
            high=wide,
            at=flank_middle(0.0, long, n),
            z=round(job.h / 2, 6),
            instruction=(
                "Outside jaws across the thin foot, front to back, on the lowest layers that stand proud; "
                "the seam belongs in the notched corner."
            ),
        )
    )
    slabs = _pad(job, long, wide, strip, make_mark(job, "stair", width=long - beside))
    for i, h in enumerate(heights):
        rest = region(rectangle(x + i * tread, strip, x + row, strip + deep))
        slabs.append(Slab(outline=rest, z0=slabs[-1].z1, z1=h))
    return [Draft(id="stair", slabs=tuple(slabs), features=tuple(features), notes=notes)]


def _pad(job: Job, long: float, wide: float, strip: float, mark: Mark) -> list[Slab]:
    """The foot's layers, and the pad on them with the mark in its front strip.

    No chamfer: the foot is there to show how far the first layers spread.
    """
    foot, top = pad_of(job)
    outline = region(notched_box(0.0, 0.0, long, wide, job.rules.notch))
    slabs = [
        Slab(outline=outline, z0=0.0, z1=foot),
        Slab(outline=inset(outline, PROUD_MM), z0=foot, z1=top),
    ]
    y = PROUD_MM + (strip - PROUD_MM - mark.height) / 2
    return engrave(job, slabs, mark.at(long - PROUD_MM - job.lip - mark.width, y))


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


FAMILY = Family("height-stair", "scale in z against the first-layer gap; first-layer flare", build, order=60)
