"""Parts of an orrery kit as a user would draw them, with the sizes that matter on each.

All meshes are in mm, standing on z = 0, axes as on the printer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from manifold3d import CrossSection, FillRule, Manifold

from fitassay.analysis.parts.part_file import Part


@dataclass(frozen=True)
class Span:
    """A size on a section: along `axis` (0 or 1) from `low` to `high`, taken at the other coordinate `at`."""

    z: float
    axis: int
    at: float
    low: float
    high: float

    @property
    def nominal(self) -> float:
        return self.high - self.low


@dataclass(frozen=True)
class Drawn:
    part: Part
    spans: tuple[Span, ...]


def part_of(solid: Manifold, name: str = "part") -> Part:
    mesh = solid.to_mesh64()
    return Part(
        vertices=np.array(mesh.vert_properties, dtype=float)[:, :3].copy(),
        faces=np.array(mesh.tri_verts, dtype=np.int64).copy(),
        name=name,
    )


def prism(rings, height, z=0.0) -> Manifold:
    return Manifold.extrude(CrossSection(rings, FillRule.EvenOdd), height).translate((0, 0, z))


def box(x0, y0, x1, y1, z0, z1) -> Manifold:
    return Manifold.cube((x1 - x0, y1 - y0, z1 - z0)).translate((x0, y0, z0))


def post(d, x, y, z0, z1, sides=96) -> Manifold:
    """A cylinder whose polygon has the mean width d."""
    r = math.pi * d / (2 * sides * math.sin(math.pi / sides))
    return Manifold.cylinder(z1 - z0, r, r, sides).rotate((0, 0, 180 / sides)).translate((x, y, z0))


def _across(z, x, y, d):
    """Both diameters of something round."""
    return (Span(z, 0, y, x - d / 2, x + d / 2), Span(z, 1, x, y - d / 2, y + d / 2))


def _rectangle(z, y, x, along_x, along_y):
    """Both sides of something rectangular: that along x taken at `y`, that along y at `x`."""
    return (Span(z, 0, y, *along_x), Span(z, 1, x, *along_y))


def bracket() -> Drawn:
    """Angle bracket that holds the drive: foot with two bores and a window, upright with a cross bore."""
    solid = box(0, 0, 40, 24, 0, 5) + box(0, 18, 40, 24, 4, 26)
    solid -= post(4.2, 7, 9, -1, 6) + post(4.2, 33, 9, -1, 6) + box(15, 4, 25, 14, -1, 6)
    solid -= Manifold.cylinder(30, 4, 4, 64).rotate((90, 0, 0)).translate((20, 30, 16))
    spans = (
        *_rectangle(2.5, 2, 2, (0, 40), (0, 24)),
        *_rectangle(2.5, 9, 20, (15, 25), (4, 14)),
        *_across(2.5, 7, 9, 4.2),
        *_across(2.5, 33, 9, 4.2),
        Span(10.0, 1, 5, 18, 24),
        Span(10.0, 0, 21, 0, 40),
    )
    return Drawn(part_of(solid, "bracket"), spans)


def gear(teeth=16, module=1.8) -> Drawn:
    """Spur gear with involute flanks of 20 degrees, a bore and a square drive pocket."""
    pressure, pitch = math.radians(20), module * teeth / 2
    base, tip, root = pitch * math.cos(pressure), pitch + module, pitch - 1.25 * module
    rolled = np.linspace(0, math.sqrt((tip / base) ** 2 - 1), 12)
    r = base * np.sqrt(1 + rolled**2)
    flank = rolled - np.arctan(rolled)
    half = math.pi / (2 * teeth) + math.tan(pressure) - pressure
    ring = []
    for k in range(teeth):
        middle = 2 * math.pi * k / teeth
        for radius, angle in [(root, -half - 0.01), *zip(r, flank - half, strict=True)]:
            ring.append((radius * math.cos(middle + angle), radius * math.sin(middle + angle)))
        for radius, angle in [*zip(r[::-1], half - flank[::-1], strict=True), (root, half + 0.01)]:
            ring.append((radius * math.cos(middle + angle), radius * math.sin(middle + angle)))
    solid = prism([ring], 8) - post(6, 0, 0, -1, 9) + post(14, 0, 0, 7.9, 14) - post(6, 0, 0, 7, 15)
    spans = (
        Span(4, 0, 0, -tip, tip),
        Span(4, 1, 0, -tip, tip),
        *_across(4, 0, 0, 6),
        *_across(11, 0, 0, 14),
        *_across(11, 0, 0, 6),
    )
    return Drawn(part_of(solid, "gear"), spans)


def case_bottom() -> Drawn:
    """Open box for the works, with posts inside."""
    solid = box(0, 0, 46, 34, 0, 18) - box(2, 2, 44, 32, 2, 19)
    for x in (7, 39):
        solid += post(6, x, 17, 1.5, 16) - post(2.6, x, 17, 4, 17)
    spans = (
        *_rectangle(10, 8, 22, (0, 46), (0, 34)),
        *_rectangle(10, 8, 22, (2, 44), (2, 32)),
        *_across(10, 7, 17, 6),
        *_across(10, 39, 17, 6),
        *_across(10, 7, 17, 2.6),
    )
    return Drawn(part_of(solid, "case bottom"), spans)


def case_lid() -> Drawn:
    """Its lid, printed upside down, with a lip that goes into the box."""
    solid = box(0, 0, 46, 34, 0, 2) + box(2.2, 2.2, 43.8, 31.8, 1.9, 5) - box(4, 4, 42, 30, 2, 6)
    spans = (
        *_rectangle(1, 17, 23, (0, 46), (0, 34)),
        *_rectangle(3.5, 17, 23, (2.2, 43.8), (2.2, 31.8)),
        *_rectangle(3.5, 17, 23, (4, 42), (4, 30)),
    )
    return Drawn(part_of(solid, "case lid"), spans)


def knuckle() -> Drawn:
    """Hinge leaf whose knuckles stand upright about a pin bore."""
    solid = box(0, -2, 22, 2, 0, 24) + post(9, 0, 0, 0, 24)
    for z in (4.8, 14.4):
        solid -= box(-6, -6, 5.3, 6, z, z + 4.8)
    solid -= post(4.2, 0, 0, -1, 25) + post(4, 16, 0, 30, 31)
    solid -= box(12, -3, 15, 3, 8, 16)
    spans = (
        *_across(2.4, 0, 0, 4.2),
        *_across(12, 0, 0, 4.2),
        Span(12, 1, 0, -4.5, 4.5),
        Span(2.4, 1, 0, -4.5, 4.5),
        Span(7, 1, 10, -2, 2),
        Span(12, 1, 9, -2, 2),
        Span(12, 0, 0, 15, 22),
    )
    return Drawn(part_of(solid, "knuckle"), spans)


def plate() -> Drawn:
    """Dial plate: keyed slots in both directions, a T-slot, a mushroom tooth, raised strokes of a name."""
    ring = [
        (0, 0),
        (60, 0),
        (60, 30),
        (36, 30),
        (36, 34.5),
        (38.5, 34.5),
        (38.5, 39),
        (27.5, 39),
        (27.5, 34.5),
    ]
    ring += [(30, 34.5), (30, 30), (22, 30), (22, 25), (24, 25), (24, 20), (14, 20), (14, 25), (16, 25)]
    ring += [(16, 30), (0, 30)]
    solid = prism([ring], 4)
    for x0, y0, x1, y1 in ((5, 5, 25, 8), (30, 4, 33.2, 26), (40, 6, 55, 12)):
        solid -= box(x0, y0, x1, y1, -1, 5)
    for x in (40, 43.6, 47.2):
        solid += box(x, 16, x + 1.2, 22, 3.9, 5)
    solid += box(40, 18.4, 44.8, 19.6, 3.9, 5) + post(5, 54, 20, 3.9, 8)
    spans = (
        *_rectangle(2, 2, 2.5, (0, 60), (0, 30)),
        *_rectangle(2, 6.5, 15, (5, 25), (5, 8)),
        Span(2, 0, 15, 30, 33.2),
        Span(2, 1, 48, 6, 12),
        Span(2, 0, 32, 30, 36),
        Span(2, 0, 36.7, 27.5, 38.5),
        Span(2, 0, 28, 16, 22),
        Span(2, 0, 22, 14, 24),
        Span(4.6, 0, 21, 43.6, 44.8),
        *_across(6, 54, 20, 5),
    )
    return Drawn(part_of(solid, "plate"), spans)


def ball_and_cup() -> Drawn:
    """Ball on a stem beside the cup that takes it."""
    ball = Manifold.sphere(6, 96).translate((10, 10, 12)) + post(5, 10, 10, 1, 9) + box(4, 4, 16, 16, 0, 2)
    cup = box(25, 2, 43, 20, 0, 12) - Manifold.sphere(6.2, 96).translate((34, 11, 12.2))
    across = 2 * math.sqrt(6**2 - 2**2)
    mouth = 2 * math.sqrt(6.2**2 - 3.2**2)
    spans = (
        *_across(10, 10, 10, across),
        *_across(14, 10, 10, across),
        *_across(4, 10, 10, 5),
        *_across(9, 34, 11, mouth),
        *_rectangle(4, 4, 27, (25, 43), (2, 20)),
    )
    return Drawn(part_of(ball + cup, "ball and cup"), spans)


PARTS = {
    "bracket": bracket,
    "gear": gear,
    "case bottom": case_bottom,
    "case lid": case_lid,
    "knuckle": knuckle,
    "plate": plate,
    "ball and cup": ball_and_cup,
}


@cache
def drawn(name: str) -> Drawn:
    return PARTS[name]()


def measure(region, span: Span) -> float:
    """A size on a printed region: between the surfaces nearest to the drawn ones, nan where there is none."""
    import shapely

    ends = []
    for edge in (span.low, span.high):
        p, q = [0.0, 0.0], [0.0, 0.0]
        p[span.axis], q[span.axis] = edge - 1.4, edge + 1.4
        p[1 - span.axis] = q[1 - span.axis] = span.at
        hit = shapely.get_coordinates(shapely.intersection(shapely.LineString([p, q]), region.boundary))
        if not len(hit):
            return math.nan
        ends.append(min(hit[:, span.axis], key=lambda v: abs(v - edge)))
    return float(ends[1] - ends[0])
