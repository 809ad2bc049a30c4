"""The fit-ladder: one peg tried in bores of stepped clearance, one ball in cups, by hand and without a caliper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely

from fitassay.coupons.draft import Draft, Slab, across, both_ways, engrave, standing
from fitassay.coupons.errors import JobError
from fitassay.coupons.family import Family
from fitassay.coupons.family_names import LADDER
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.mark import ink_height, least_width, make_mark
from fitassay.coupons.shapes import Outline, circle, rectangle, region, rounded, snap

PEG_MM, BALL_MM = 8.0, 10.0
"""Diameters of peg and ball: round parts that turn are of this size, and both go between caliper jaws."""

PARTNER = {"ladder": "peg", "cups": "ball"}
"""Which piece is tried in the openings of which."""

RUNGS, FEW_RUNGS = 9, 6
"""How many rungs, and how many where the bed holds no more; these lie farther apart."""

CUPS, FEW_CUPS = (0.25, 0.5, 0.75), (0.3, 0.7)
"""Where cups stand between the first and the last rung, as shares of the range."""

COLUMNS = 3
STEM_SHARE = 0.74
"""Stem over ball: where they meet the ball leans out by 42 degrees, which prints without support."""

TRIED_CHORD_MM = 0.0035
"""Chord error of openings and ball: far below what a hand feels, and coarse enough for well-shaped facets."""

SLICE_CHORD_MM = 0.012
"""Chord error of the other slices of ball and cups, which nothing touches."""

LEAST_STEP_MM = 0.05
"""Slices of a cup or ball differ from their neighbours by at least this in diameter."""

STAGGER_MM = 0.75
"""The middle column stands higher and the middle row farther right by this, so that no three openings line up:
facets between them would be slivers."""

UNDER_BALL_MM = 1.0
"""Room between the ball and its base, so that jaws and the cup's rim come near enough."""

CORNER_MM = 2.0
"""Rounding of plates and bases."""

TIP_MM = 0.4
"""Bevel of the peg's free end."""

RELIEF_MM = 0.6
"""How much deeper a cup is than its ball, so that the ball's pole never carries it."""

SMALLEST_SLICE_MM = 3.0
"""Narrower slices of ball and cup are left flat: they carry nothing and print badly."""


def clearances(job: Job, count: int = RUNGS) -> tuple[float, ...]:
    """Clearance on the diameter of each of `count` rungs [mm], rising over the range of the full ladder.

    Raises
    ------
    JobError
        The rungs could not be drawn.
    """
    middle, step = job.rules.ladder_middle, job.rules.ladder_step
    if not 0.01 <= step <= 0.5:
        raise JobError(f"the ladder's step must lie between 0.01 and 0.5 mm (got {step:g})")
    reach = step * (RUNGS - 1) / 2
    if middle - reach < -0.5 or middle > 4:
        raise JobError(
            f"the ladder's first rung would be {middle - reach:g} mm; take a middle up to 4 mm and at least "
            f"{reach - 0.5:g} mm"
        )
    return tuple(round(middle + reach * (2 * i / (count - 1) - 1), 3) for i in range(count))


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
    return [_bores(job), _cups(job), _peg(job), _ball(job)]


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """Where things lie on a plate [mm]: middles of the openings, all ink, the plate's size."""

    middles: tuple[tuple[float, float], ...]
    ink: Outline
    wide: float
    deep: float


def _grid(job: Job, gaps: tuple[float, ...], diameter: float, text: str) -> _Grid:
    """Openings row by row from the top left, a number below each, the plate's mark in front."""
    labels = [make_mark(job, _label(g), width=99.0, arrow=False) for g in gaps]
    columns = min(COLUMNS, len(gaps))
    rows = math.ceil(len(gaps) / columns)
    largest = diameter + max(gaps)
    cell = max(largest + job.rail, max(m.width for m in labels) + 2 * job.lip)
    # Two openings always line up; only a third makes slivers.
    aside, up = (STAGGER_MM if n > 2 else 0.0 for n in (rows, columns))
    wide = max(columns * cell + job.rail + aside, least_width(job, text) + 2 * _side(job))
    # Numbers keep a little less than a lip from the openings: nothing is measured at that edge.
    margin = max(0.7 * job.lip, job.rules.mark_edge + 0.05)
    strip = ink_height(job) + 2 * margin
    pitch = largest + strip
    deep = strip + rows * pitch + job.rail + up
    middles, ink = [], []
    for i, label in enumerate(labels):
        row, column = divmod(i, columns)
        x = wide / 2 + (column - (columns - 1) / 2) * cell + (row % 2 - 0.5) * aside
        x, low = round(x, 6), deep - job.rail - (row + 1) * pitch - (1 - column % 2) * up
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


def _bores(job: Job) -> Draft:
    gaps = clearances(job)
    grid = _grid(job, gaps, PEG_MM, "ladder")
    notes: tuple[str, ...] = ()
    if grid.wide > job.room[0] or grid.deep > job.room[1]:
        gaps = clearances(job, FEW_RUNGS)
        grid = _grid(job, gaps, PEG_MM, "ladder")
        notes = (f"fit-ladder: {FEW_RUNGS} rungs instead of {RUNGS}, the bed holds no more",)
    height = job.up(job.band_start + job.rules.inside_depth)
    job.fit("the fit-ladder's plate of bores", (grid.wide, grid.deep, height))
    rings = [circle(PEG_MM + g, x, y, TRIED_CHORD_MM) for g, (x, y) in zip(gaps, grid.middles, strict=True)]
    outline = region(rounded(rectangle(0.0, 0.0, grid.wide, grid.deep), CORNER_MM), *rings)
    z = job.mid_layer(job.band_start, height)
    return Draft(
        id="ladder",
        slabs=tuple(engrave(job, standing(job, outline, height), grid.ink)),
        features=tuple(
            _rung(job, g, PEG_MM, x, y, z, "the peg in the bore")
            for g, (x, y) in zip(gaps, grid.middles, strict=True)
        ),
        notes=notes,
    )


def _cups(job: Job) -> Draft:
    """Half-round cups under a short straight rim that carries the mark, drawn layer by layer."""
    first, *_, last = clearances(job)
    gaps = tuple(round(first + share * (last - first), 3) for share in CUPS)
    grid = _grid(job, gaps, BALL_MM, "cups")
    if grid.wide > job.room[0]:
        gaps = tuple(round(first + share * (last - first), 3) for share in FEW_CUPS)
        grid = _grid(job, gaps, BALL_MM, "cups")
    equator = job.up(job.band_start + (BALL_MM + max(gaps)) / 2 + RELIEF_MM)
    height = round(equator + job.up(job.rules.mark_depth) + 2 * job.h, 6)
    job.fit("the fit-ladder's plate of cups", (grid.wide, grid.deep, height))
    plate = rounded(rectangle(0.0, 0.0, grid.wide, grid.deep), CORNER_MM)
    *slabs, body = standing(job, region(plate), equator)
    slices: list[list[float]] = [[BALL_MM + g for g in gaps]]
    for z0, z1 in reversed(_layers(job, body.z0, equator)):
        new = [_cup_slice(BALL_MM + g, equator - (z0 + z1) / 2) for g in gaps]
        slices.append([_merged(d, e) for d, e in zip(new, slices[-1], strict=True)])
    for (z0, z1), rings in zip(
        [*_layers(job, body.z0, equator), (equator, height)], reversed(slices), strict=True
    ):
        placed = [
            circle(d, x, y, TRIED_CHORD_MM if d == BALL_MM + g else SLICE_CHORD_MM)
            for d, g, (x, y) in zip(rings, gaps, grid.middles, strict=True)
            if d > 0
        ]
        slabs.append(Slab(outline=region(plate, *placed), z0=z0, z1=z1))
    z = job.mid_layer(equator, height)
    return Draft(
        id="cups",
        slabs=tuple(engrave(job, slabs, grid.ink)),
        features=tuple(
            _rung(job, g, BALL_MM, x, y, z, "the ball in the cup")
            for g, (x, y) in zip(gaps, grid.middles, strict=True)
        ),
    )


def _cup_slice(diameter: float, below: float) -> float:
    """Diameter of a cup [mm] so far below its equator; 0 where it has ended."""
    r = diameter / 2
    if below > r + RELIEF_MM:
        return 0.0
    return max(2 * math.sqrt(max(r**2 - below**2, 0.0)), SMALLEST_SLICE_MM)


def _merged(diameter: float, beside: float) -> float:
    """The slice, or its neighbour's where they differ too little for well-shaped facets between them."""
    return beside if abs(diameter - beside) < LEAST_STEP_MM else diameter


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
    slabs = engrave(job, standing(job, outline, height), mark.at((wide - mark.width) / 2, job.lip))
    return slabs, round(wide / 2, 6), round(strip + diameter / 2, 6), height


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
    middle = job.up(base + UNDER_BALL_MM + r)
    top = job.down(middle + math.sqrt(r**2 - (SMALLEST_SLICE_MM / 2) ** 2))
    job.fit("the fit-ladder's ball", (2 * x, y + r + job.rail, top))
    start = job.down(middle - r * math.sqrt(1 - STEM_SHARE**2))
    slabs.append(Slab(outline=region(circle(STEM_SHARE * BALL_MM, x, y)), z0=base, z1=start))
    for z0, z1 in _layers(job, start, top):
        away = abs((z0 + z1) / 2 - middle)
        d = 2 * math.sqrt(r**2 - away**2)
        d = BALL_MM if BALL_MM - d < LEAST_STEP_MM else d
        chord = TRIED_CHORD_MM if d == BALL_MM else SLICE_CHORD_MM
        slabs.append(Slab(outline=region(circle(d, x, y, chord)), z0=z0, z1=z1))
    z = round(middle - job.h / 2, 6)
    return Draft(id="ball", slabs=tuple(slabs), features=_diameters(job, "ball", BALL_MM, x, y, z))


def _diameters(job: Job, name: str, size: float, x: float, y: float, z: float) -> tuple[Feature, ...]:
    text = (
        f"If you have a caliper: outside jaws over the {name}'s thickest place, {{way}}, longest reading; "
        "leave it empty otherwise."
    )
    low = (x - size / 2, y - size / 2)
    return tuple(
        both_ways(job, name=name, kind="outside", size=size, low=low, at=(x, y), z=z, instruction=text)
    )


FAMILY = Family(LADDER, "which clearance turns, told by hand", build, order=70, default=False)
