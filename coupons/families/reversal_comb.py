"""The reversal comb: teeth and slots whose undercuts make the path reverse, so that backlash shows alone.

Two coupons: one with its row along x, one along y. Where crossed belts move both axes together, one along each
diagonal instead: there one belt runs alone, and reverses alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from fitassay.coupons.comb_sizes import FACES, Corners, longest_diagonals, over_corners, over_width
from fitassay.coupons.draft import Draft, across, engrave, standing
from fitassay.coupons.family import Family
from fitassay.coupons.family_names import COMB
from fitassay.coupons.feature import Feature, Kind
from fitassay.coupons.job import Job
from fitassay.coupons.mark import Mark, ink_height, least_width, make_arrow, make_mark
from fitassay.coupons.shapes import GRID_MM, Outline, Ring, quarter_turn, region, rounded, snap


@dataclass(frozen=True, kw_only=True)
class Span:
    """One width along the row: from u0 to u1, taken at v [mm]."""

    id: str
    kind: Kind
    u0: float
    u1: float
    v: float
    instruction: str

    @classmethod
    def named(cls, name: str, kind: Kind, ends: tuple[float, float], v: float, where: str) -> Span:
        """A width called by its size, ``neck6``; `where` the jaws of its kind go, `{}` standing for the size."""
        size = f"{round(ends[1] - ends[0], 6):g}"
        jaws = f"{kind.capitalize()} jaws {where.format(size)}"
        return cls(id=name + size, kind=kind, u0=ends[0], u1=ends[1], v=v, instruction=jaws)


@dataclass(frozen=True, kw_only=True)
class Comb:
    """A comb in row coordinates: u along the row, v across, low corner in the origin [mm].

    In the quick set it has diagonals besides, and is measured across, at `across_at` along the row: nothing else
    there tells squareness, nor is as long.
    """

    ring: Ring
    radii: list[float]
    spans: tuple[Span, ...]
    diagonals: tuple[Corners, ...]
    across_at: float
    length: float
    width: float
    spine: tuple[float, float]


STEMS_MM = (6.0, 10.0)
"""Stems; with heads two undercuts wider, a stem and a head of one nominal size stand side by side."""

TOOTH_MM, NECK_MM, SLOT_MM = 8.0, 6.0, 8.0
LIP_MM = 4.0
"""Walls beside chamber and slot: inside jaws push the neck's lips apart by 0.009 mm a newton."""

QUICK_LENGTH_MM = 30.0
"""Length of the short comb: what the mark and one of each kind need."""


def comb(job: Job, *, full: bool) -> Comb:
    """Draw the comb.

    ::

          v
          +------+ +--------+                 back: mushrooms (stem and head) and a plain tooth
          +-+  +-+ +-+    +-+  +------+
            |  |     |    |    |      |
        +---+  +-----+    +----+      +-+
        >   COMB-X ->                   |     spine, with the seam notch in its left end
        |    +--------+      +------+---+
        |    | chamber|      |      |         front: a T-slot (neck and chamber) and a plain slot
        |    +--+  +--+      | slot |
        +-------+  +---------+      +---+     u

    Walked counter-clockwise: the front runs to +u, the back to -u. Between the flanks of a plain tooth or slot the
    loop goes on the same way; under a head or into a chamber it comes back by the undercut.
    """
    r = job.rules
    cut, gap, wall = r.undercut, r.outside_gap + r.slack, max(LIP_MM, job.rail)
    neck_v, chamber_v = r.outside_flank, 2 * r.outside_flank
    spine = max(ink_height(job) + 2 * job.lip, 2.0 * r.notch)
    v1 = chamber_v + spine
    v2 = v1 + r.outside_flank + r.slack
    v3 = v2 + max(r.outside_flank, job.two_beads + 1.0)
    front, f_spans, f_end = _front(wall, cut, neck_v, chamber_v, full=full)
    back, b_spans, b_end = _back(cut, gap, (v1, v2, v3), STEMS_MM if full else STEMS_MM[:1])
    # The spine goes on past the last tooth, so that the loop reaches it backwards like the others.
    length = max(f_end, b_end + cut, QUICK_LENGTH_MM, _mark_length(job))
    ring: Ring = [(0.0, 0.0), *front]
    # The block in front ends behind its last opening, the spine alone goes on.
    ring += (
        [(f_end, 0.0), (f_end, chamber_v), (length, chamber_v)] if length > f_end + 1.0 else [(length, 0.0)]
    )
    ring += [(length, v1), *back]
    n, mid = r.notch, chamber_v + spine / 2
    ring += [(0.0, v1), (0.0, mid + 0.55 * n), (0.95 * n, mid), (0.0, mid - 0.55 * n)]
    free = {(0.0, 0.0), (length, 0.0), (f_end, 0.0), (length, chamber_v)}
    diagonals = longest_diagonals(ring, length, v3) if job.quick else ()
    free -= {p for d in diagonals for p in (d.low, d.high)}
    return Comb(
        ring=ring,
        radii=[1.5 if p in free else 0.0 for p in ring],
        spans=(*b_spans, *f_spans),
        diagonals=diagonals,
        across_at=(wall + cut) / 2,
        length=length,
        width=v3,
        spine=(chamber_v, v1),
    )


def _front(
    wall: float, cut: float, neck_v: float, chamber_v: float, *, full: bool
) -> tuple[Ring, list[Span], float]:
    """Points along the front to +u, its widths, and where its block ends."""
    c0 = wall
    n0, n1 = c0 + cut, c0 + cut + NECK_MM
    c1 = n1 + cut
    ring: Ring = [
        (n0, 0.0), (n0, neck_v), (c0, neck_v), (c0, chamber_v),
        (c1, chamber_v), (c1, neck_v), (n1, neck_v), (n1, 0.0),
    ]  # fmt: skip
    neck_at, chamber_at = neck_v / 2, (neck_v + chamber_v) / 2
    spans = [
        Span.named("neck", "inside", (n0, n1), neck_at, "in the {} mm neck, the narrow mouth of the T-slot"),
        Span.named(
            "chamber", "inside", (c0, c1), chamber_at, "in the {} mm chamber, the wide end of the T-slot"
        ),
    ]
    end = c1 + wall
    if full:
        s0, s1 = end, end + SLOT_MM
        ring += [(s0, 0.0), (s0, chamber_v), (s1, chamber_v), (s1, 0.0)]
        spans.append(Span.named("slot", "inside", (s0, s1), chamber_v / 2, "in the plain {} mm slot"))
        end = s1 + wall
    return ring, spans, end


def _back(
    cut: float, gap: float, levels: tuple[float, float, float], stems: tuple[float, ...]
) -> tuple[Ring, list[Span], float]:
    """Points along the back to -u, its widths, and where its last tooth ends."""
    v1, v2, v3 = levels
    pieces: list[Ring] = []
    spans: list[Span] = []
    u = 0.0
    for stem in stems:
        head = stem + 2 * cut
        s0, s1, h1 = u + cut, u + cut + stem, u + head
        pieces.append([(s1, v1), (s1, v2), (h1, v2), (h1, v3), (u, v3), (u, v2), (s0, v2), (s0, v1)])
        spans += [
            Span.named("stem", "outside", (s0, s1), (v1 + v2) / 2, "on the {} mm stem, under its head"),
            Span.named("head", "outside", (u, h1), (v2 + v3) / 2, "on the {} mm head"),
        ]
        u = h1 + gap
    end, top = u + TOOTH_MM, v2 + 0.5
    pieces.append([(end, v1), (end, top), (u, top), (u, v1)])
    spans.append(Span.named("tooth", "outside", (u, end), (v1 + top) / 2, "on the plain {} mm tooth"))
    return [p for piece in reversed(pieces) for p in piece], spans, end


TURNS_DEG = {"a": 45.0, "b": -45.0}
"""By which the rows along the diagonals are turned against x: a rises with x and y, b falls."""


def build(job: Job) -> list[Draft]:
    """The two combs, each as long as its axis allows."""
    if job.machine.kinematics == "crossed-belts":
        return [_turned(job, belt) for belt in TURNS_DEG]
    return [_coupon(job, axis) for axis in ("x", "y")]


def _turned(job: Job, belt: str) -> Draft:
    """The comb along a diagonal: the one along x, turned as a whole, its arrow still to +x."""
    notes: tuple[str, ...] = ()
    shape = comb(job, full=not job.quick)
    if not job.quick and not _within(_turned_outline(shape, belt), job.room):
        shape = comb(job, full=False)
        notes = ("reversal-comb: no room along the diagonals for the second mushroom and the plain slot",)
    height = job.plate_height
    x0, y0, x1, y1 = _turned_outline(shape, belt).bounds
    job.fit("the comb along a diagonal", (x1 - x0, y1 - y0, height))
    lying = standing(job, region(rounded(shape.ring, shape.radii)), height)
    slabs = [
        replace(slab, outline=_diagonal(slab.outline, belt))
        for slab in engrave(job, lying, _strokes(job, shape, belt))
    ]
    z = job.mid_layer(job.band_start, height)
    features = tuple(_turned_feature(f, belt) for f in _features(job, shape, "x", z, belt == "a"))
    return Draft(id=f"comb-{belt}", slabs=tuple(slabs), features=features, notes=notes)


def _within(outline: Outline, room: tuple[float, float, float]) -> bool:
    x0, y0, x1, y1 = outline.bounds
    return x1 - x0 <= room[0] and y1 - y0 <= room[1]


def _turned_outline(shape: Comb, belt: str) -> Outline:
    return _diagonal(region(rounded(shape.ring, shape.radii)), belt)


def _diagonal(drawn: Outline, belt: str) -> Outline:
    """What was drawn along x, turned about the origin.

    Points on one line along or across the row stay exactly on one line, which rounding x and y apart would break:
    their places along and across it are rounded before they are turned.
    """
    side = 1.0 if belt == "a" else -1.0

    def turned(points: np.ndarray) -> np.ndarray:
        u, v = (np.round(points * math.sqrt(0.5) / GRID_MM) * GRID_MM).T
        return np.column_stack([u - side * v, side * u + v])

    return snap(shapely.transform(drawn, turned))


def _turned_feature(along_x: Feature, belt: str) -> Feature:
    angle = math.radians(TURNS_DEG[belt])

    def turned(p: tuple[float, float, float]) -> tuple[float, float, float]:
        c, s = math.cos(angle), math.sin(angle)
        return c * p[0] - s * p[1], s * p[0] + c * p[1], p[2]

    ends = turned(along_x.contact_a_mm), turned(along_x.contact_b_mm)
    # Directions lie between 0 and 180 degrees.
    degrees = along_x.direction_deg + TURNS_DEG[belt]
    low, high = ends if 0.0 <= degrees < 180.0 else ends[::-1]
    other = "b" if belt == "a" else "a"
    faces = (FACES["y"], FACES[other]) if along_x.axis == "y" else (FACES["x"], FACES[belt])
    return replace(
        along_x,
        direction_deg=degrees % 180.0,
        contact_a_mm=low,
        contact_b_mm=high,
        instruction=along_x.instruction.replace(*faces),
    )


def _coupon(job: Job, axis: str) -> Draft:
    along, across_ = (0, 1) if axis == "x" else (1, 0)
    notes: tuple[str, ...] = ()
    shape = comb(job, full=not job.quick)
    if not job.quick and shape.length > job.room[along]:
        shape = comb(job, full=False)
        notes = (f"reversal-comb: no room along {axis} for the second mushroom and the plain slot",)
    height = job.plate_height
    size = [0.0, 0.0, height]
    size[along], size[across_] = shape.length, shape.width
    job.fit(f"the comb along {axis}", (size[0], size[1], size[2]))
    ring = rounded(shape.ring, shape.radii)
    outline = region(ring if axis == "x" else quarter_turn(ring, shape.width))
    slabs = engrave(job, standing(job, outline, height), _strokes(job, shape, axis))
    z = job.mid_layer(job.band_start, height)
    features = _features(job, shape, axis, z, axis == "x")
    return Draft(id=f"comb-{axis}", slabs=tuple(slabs), features=features, notes=notes)


def _beside_mark(job: Job) -> float:
    """What the mark must leave free of the spine's length [mm]: the notch at one end, an edge at both."""
    return job.rules.notch + 2 * job.lip


def _beside_text(job: Job, arrow: Mark) -> float:
    """What the arrow takes of the spine's length [mm] where it does not lie along the text."""
    return 1.5 * job.lip + max(arrow.height, arrow.width)


def _mark_length(job: Job) -> float:
    """Shortest spine that carries any of the marks [mm]."""
    along = least_width(job, "comb-x")
    across_ = least_width(job, "comb-y", arrow=False) + _beside_text(job, make_arrow(job))
    return max(along, across_) + _beside_mark(job)


def _strokes(job: Job, shape: Comb, axis: str) -> Outline:
    """The mark on the spine: it reads along the row, its arrow points to +x whichever way the row runs."""
    low, high = shape.spine
    start = job.rules.notch + job.lip
    room = shape.length - _beside_mark(job)
    middle = (low + high) / 2
    if axis == "x":
        mark = make_mark(job, "comb-x", width=room)
        return mark.at(start, middle - mark.height / 2)
    if axis in TURNS_DEG:
        arrow = make_arrow(job, turn_deg=-TURNS_DEG[axis])
        text = make_mark(job, f"comb-{axis}", width=room - _beside_text(job, arrow), arrow=False)
        return snap(
            text.at(start, middle - text.height / 2).union(
                arrow.at(start + room - arrow.width, middle - arrow.height / 2)
            )
        )
    arrow = make_arrow(job)
    text = make_mark(job, "comb-y", width=room - _beside_text(job, arrow), arrow=False).upwards()
    x = shape.width - middle
    return snap(
        text.at(x - text.width / 2, start).union(arrow.at(x - arrow.width / 2, start + room - arrow.height))
    )


def _features(job: Job, shape: Comb, axis: str, z: float, diagonals: bool) -> tuple[Feature, ...]:
    """Along x or y, at height z.

    The quick set's readings are few: the chamber, which tells what stem, head and neck tell together, gives way to
    the whole comb's size across, and one comb's diagonals are enough. The plain tooth stays: it alone tells a drive
    that gives like a spring from a lesser play.
    """
    spans = [_feature(job, span, axis, shape.width, z) for span in shape.spans]
    if not job.quick:
        return tuple(spans)
    kept = [f for f in spans if not f.id.startswith("chamber")]
    kept.append(over_width(job, "y" if axis == "x" else "x", shape.width, shape.across_at, z))
    if diagonals:
        kept += [over_corners(job, corners, axis, shape.width, z) for corners in shape.diagonals]
    return tuple(kept)


def _feature(job: Job, span: Span, axis: str, width: float, z: float) -> Feature:
    return across(
        job,
        axis,
        id=span.id,
        kind=span.kind,
        low=span.u0,
        high=span.u1,
        at=span.v if axis == "x" else width - span.v,
        z=z,
        instruction=f"{span.instruction}, on its {FACES[axis]} faces; the seam belongs in the notch in the spine's "
        "end.",
    )


FAMILY = Family(
    COMB,
    "backlash alone: stem minus head is twice the play",
    build,
    isolates_of_belts="a belt's play alone: stem minus head is 1.4 times it",
    order=30,
    quick=True,
)
