"""The fit-ladder: one peg tried in bores of stepped clearance, one ball in cups, by hand and without a caliper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely

from coupons.draft import Draft, Slab, across, standing
from coupons.errors import JobError
from coupons.family import Family
from coupons.feature import Feature
from coupons.job import Job
from coupons.mark import ink_height, least_width, make_mark
from coupons.shapes import CHORD_MM, CORNER_CHORD_MM, Outline, circle, rectangle, region, rounded, snap

PEG_MM, BALL_MM = 8.0, 10.0
"""Diameters of peg and ball: round parts that turn are of this size, and both go between caliper jaws."""

PARTNER = {"ladder": "peg", "cups": "ball"}
"""Which piece is tried in the openings of which."""

RUNGS = 9
CUPS = (2, 4, 6)
"""Which rungs have a cup too."""

COLUMNS = 3
STEM_SHARE = 0.74
"""Stem over ball: where they meet the ball leans out by 42 degrees, which prints without support."""

CORNER_MM = 2.0
"""Rounding of plates and bases."""

TIP_MM = 0.4
"""Bevel of the peg's free end."""

RELIEF_MM = 0.6
"""How much deeper a cup is than its ball, so that the ball's pole never carries it."""

SMALLEST_SLICE_MM = 3.0
"""Narrower slices of ball and cup are left flat: they carry nothing and print badly."""


def clearances(job: Job) -> tuple[float, ...]:
    """Clearance on the diameter of each rung [mm], rising.

    Raises
    ------
    JobError
        The rungs could not be drawn.
    """
    middle, step = job.rules.ladder_middle, job.rules.ladder_step
    if not 0.01 <= step <= 0.5:
        raise JobError(f"the ladder's step must lie between 0.01 and 0.5 mm (got {step:g})")
    first = middle - step * (RUNGS - 1) / 2
    if first < -0.5 or middle > 4:
        raise JobError(
            f"the ladder's first rung would be {first:g} mm; take a middle of -0.5 to 4 mm above that"
        )
    return tuple(round(first + step * i, 6) for i in range(RUNGS))


def build(job: Job) -> list[Draft]:
    """A plate of bores, a plate of cups, a peg and a ball, each on its own base.

    ::

        .-----------------.     .-----------------.
        |  O    O    O    |     |  U    U    U    |    plan of the plates; clearances rise row by row from the
        | 10   20   30    |     | 30   50   70    |    top left, the number below each is in hundredths of mm
        |  O    O    O    |     | CUPS ->         |
        | 40   50   60    |     '-----------------'          ___          ___
        |  O    O    O    |                                 |   |        (   )    side view of peg and ball
        | 70   80   90    |                                 |   |        _| |_
        | LADDER ->       |                              ==========   ==========
        '-----------------'
    """
    gaps = clearances(job)
    return [_bores(job, gaps), _cups(job, tuple(gaps[i] for i in CUPS)), _peg(job), _ball(job)]


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """Where things lie on a plate [mm]: middles of the openings, all ink, the plate's size."""

    middles: tuple[tuple[float, float], ...]
    ink: Outline
    wide: float
    deep: float


def _grid(job: Job, gaps: tuple[float, ...], diameter: float, text: str) -> _Grid:
    labels = [make_mark(job, _label(g), width=99.0, arrow=False) for g in gaps]
    largest = diameter + max(gaps)
    cell = max(largest + job.rail, max(m.width for m in labels) + 2 * job.lip)
    wide = max(COLUMNS * cell + job.rail, least_width(job, text) + 2 * _side(job))
    # Numbers keep a little less than a lip from the openings: nothing is measured at that edge.
    margin = max(0.7 * job.lip, job.rules.mark_edge + 0.05)
    strip = ink_height(job) + 2 * margin
    pitch = largest + strip
    deep = strip + math.ceil(len(gaps) / COLUMNS) * pitch + job.rail
    middles, ink = [], []
    for i, label in enumerate(labels):
        row, column = divmod(i, COLUMNS)
        x = round(wide / 2 + (column - (COLUMNS - 1) / 2) * cell, 6)
        low = deep - job.rail - (row + 1) * pitch
        middles.append((x, round(low + strip + largest / 2, 6)))
        ink.append(label.at(x - label.width / 2, low + margin))
    mark = make_mark(job, text, width=wide - 2 * _side(job))
    ink.append(mark.at((wide - mark.width) / 2, margin))
    joined = snap(shapely.union_all(ink))  # type: ignore[type-var]
    return _Grid(middles=tuple(middles), ink=joined, wide=round(wide, 6), deep=round(deep, 6))  # type: ignore[arg-type]


def _side(job: Job) -> float:
    """What stays free at both ends of the plate's mark [mm], clear of the rounded corners."""
    return max(job.lip, CORNER_MM)


def _label(gap: float) -> str:
    """A rung's mark: hundredths of a millimetre, thousandths with a T where that is not whole."""
    hundredths = 100 * gap
    whole = abs(hundredths - round(hundredths)) < 1e-6
    return f"{hundredths:.0f}" if whole else f"{1000 * gap:.0f}T"


def _rung(job: Job, gap: float, size: float, x: float, y: float, z: float, what: str) -> Feature:
    return across(
        job,
        "x",
        id=f"rung{_label(gap)}",
        kind="inside",
        low=x - (size + gap) / 2,
        high=x + (size + gap) / 2,
        at=y,
        z=z,
        instruction=(
            f"Try {what} marked {_label(gap)}, turning it a little until it finds its way, without force; then turn "
            "it once round. Enter goes (turns freely), sticks (goes in but binds) or does not go."
        ),
    )


def _bores(job: Job, gaps: tuple[float, ...]) -> Draft:
    grid = _grid(job, gaps, PEG_MM, "ladder")
    height = job.up(job.band_start + job.rules.inside_depth)
    job.fit("the fit-ladder's plate of bores", (grid.wide, grid.deep, height))
    rings = [circle(PEG_MM + g, x, y) for g, (x, y) in zip(gaps, grid.middles, strict=True)]
    outline = region(rounded(rectangle(0.0, 0.0, grid.wide, grid.deep), CORNER_MM), *rings)
    z = job.mid_layer(job.band_start, height)
    return Draft(
        id="ladder",
        slabs=_engraved(job, standing(job, outline, height), grid.ink),
        features=tuple(
            _rung(job, g, PEG_MM, x, y, z, "the peg in the bore")
            for g, (x, y) in zip(gaps, grid.middles, strict=True)
        ),
    )


def _cups(job: Job, gaps: tuple[float, ...]) -> Draft:
    """Half-round cups with their rims in the plate's top, drawn layer by layer."""
    grid = _grid(job, gaps, BALL_MM, "cups")
    depth = (BALL_MM + max(gaps)) / 2 + RELIEF_MM
    height = job.up(job.band_start + depth)
    job.fit("the fit-ladder's plate of cups", (grid.wide, grid.deep, height))
    plate = rounded(rectangle(0.0, 0.0, grid.wide, grid.deep), CORNER_MM)
    *foot, body = standing(job, region(plate), height)
    slabs = list(foot)
    for z0, z1 in _layers(job, body.z0, height):
        rings = [_cup_slice(BALL_MM + g, height - (z0 + z1) / 2, job.h) for g in gaps]
        chord = CHORD_MM if z1 > height - 1e-6 else CORNER_CHORD_MM
        placed = [circle(d, x, y, chord) for d, (x, y) in zip(rings, grid.middles, strict=True) if d > 0]
        slabs.append(Slab(outline=region(plate, *placed), z0=z0, z1=z1))
    # The middle of the topmost layer: the widest place, where the ball must pass.
    z = round(height - job.h / 2, 6)
    return Draft(
        id="cups",
        slabs=_engraved(job, slabs, grid.ink),
        features=tuple(
            _rung(job, g, BALL_MM, x, y, z, "the ball in the cup")
            for g, (x, y) in zip(gaps, grid.middles, strict=True)
        ),
    )


def _cup_slice(diameter: float, below: float, layer: float) -> float:
    """Diameter of a cup [mm] so far below its rim; 0 where it has ended. The two rim layers are full."""
    r = diameter / 2
    if below < 2 * layer:
        return diameter
    if below > r + RELIEF_MM:
        return 0.0
    return max(2 * math.sqrt(max(r**2 - below**2, 0.0)), SMALLEST_SLICE_MM)


def _layers(job: Job, z0: float, z1: float) -> list[tuple[float, float]]:
    count = round((z1 - z0) / job.h)
    return [(round(z0 + i * job.h, 6), round(z0 + (i + 1) * job.h, 6)) for i in range(count)]


def _base(job: Job, text: str, diameter: float) -> tuple[list[Slab], float, float, float]:
    """A handle with its mark in front of what stands on it: slabs, middle x and y of that, height [mm]."""
    wide = max(diameter + 2 * job.rail, least_width(job, text) + 2 * _side(job))
    strip = ink_height(job) + 2 * job.lip
    deep = strip + diameter + job.rail
    height = job.up(job.band_start + 2.0)
    mark = make_mark(job, text, width=wide - 2 * _side(job))
    outline = region(rounded(rectangle(0.0, 0.0, wide, deep), CORNER_MM))
    slabs = _engraved(job, standing(job, outline, height), mark.at((wide - mark.width) / 2, job.lip))
    return list(slabs), round(wide / 2, 6), round(strip + diameter / 2, 6), height


def _peg(job: Job) -> Draft:
    slabs, x, y, base = _base(job, "peg", PEG_MM)
    length = job.up(job.band_start + job.rules.inside_depth + 2.0)
    bevel = max(1, round(TIP_MM / job.h))
    top = round(base + length, 6)
    job.fit("the fit-ladder's peg", (2 * x, y + PEG_MM / 2 + job.rail, top))
    slabs.append(Slab(outline=region(circle(PEG_MM, x, y)), z0=base, z1=round(top - bevel * job.h, 6)))
    for i, (z0, z1) in enumerate(_layers(job, slabs[-1].z1, top)):
        slabs.append(
            Slab(outline=region(circle(PEG_MM - 2 * TIP_MM * (i + 0.5) / bevel, x, y)), z0=z0, z1=z1)
        )
    z = job.mid_layer(base, top - bevel * job.h)
    return Draft(id="peg", slabs=tuple(slabs), features=_diameters(job, "peg", PEG_MM, x, y, z))


def _ball(job: Job) -> Draft:
    slabs, x, y, base = _base(job, "ball", BALL_MM)
    r = BALL_MM / 2
    # Room under the ball for the rim of its cup.
    middle = job.up(base + 2.0 + r)
    top = job.down(middle + math.sqrt(r**2 - (SMALLEST_SLICE_MM / 2) ** 2))
    job.fit("the fit-ladder's ball", (2 * x, y + r + job.rail, top))
    start = job.down(middle - r * math.sqrt(1 - STEM_SHARE**2))
    slabs.append(Slab(outline=region(circle(STEM_SHARE * BALL_MM, x, y)), z0=base, z1=start))
    for z0, z1 in _layers(job, start, top):
        away = abs((z0 + z1) / 2 - middle)
        d = BALL_MM if away < job.h else 2 * math.sqrt(r**2 - away**2)
        chord = CHORD_MM if away < job.h else CORNER_CHORD_MM
        slabs.append(Slab(outline=region(circle(d, x, y, chord)), z0=z0, z1=z1))
    z = round(middle - job.h / 2, 6)
    return Draft(id="ball", slabs=tuple(slabs), features=_diameters(job, "ball", BALL_MM, x, y, z))


def _diameters(job: Job, name: str, size: float, x: float, y: float, z: float) -> tuple[Feature, ...]:
    return tuple(
        across(
            job,
            axis,
            id=f"{name}-{axis}",
            kind="outside",
            low=middle - size / 2,
            high=middle + size / 2,
            at=cross,
            z=z,
            instruction=(
                f"If you have a caliper: outside jaws over the {name}'s thickest place, {way}, longest reading; "
                "leave it empty otherwise."
            ),
        )
        for axis, middle, cross, way in (("x", x, y, "left to right"), ("y", y, x, "front to back"))
    )


def _engraved(job: Job, slabs: list[Slab], strokes: Outline) -> tuple[Slab, ...]:
    """Slabs with `strokes` cut into the top, through as many of them as the mark is deep."""
    height = slabs[-1].z1
    floor = round(height - job.up(job.rules.mark_depth), 6)
    out: list[Slab] = []
    for slab in slabs:
        if slab.z1 <= floor + 1e-6:
            out.append(slab)
            continue
        if not shapely.covers(slab.outline, strokes.buffer(job.rules.mark_edge)):
            raise JobError("the ladder's numbers do not fit beside its openings; take a narrower bead")
        if slab.z0 < floor - 1e-6:
            out.append(Slab(outline=slab.outline, z0=slab.z0, z1=floor))
        cut = snap(slab.outline.difference(strokes))  # type: ignore[type-var]
        out.append(Slab(outline=cut, z0=max(slab.z0, floor), z1=slab.z1))  # type: ignore[arg-type]
    return tuple(out)


FAMILY = Family(
    name="fit-ladder",
    isolates="which clearance turns, told by hand",
    build=build,
    order=70,
    default=False,
)
