"""Plane outlines: rings of points [mm], with the seam notches and circles that measuring asks for.

Outer rings run counter-clockwise, holes clockwise once they are in a polygon: material on the left, as a
toolpath walks them.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

Ring = list[tuple[float, float]]
Outline = Polygon | MultiPolygon

CHORD_MM = 0.8e-3
"""Measured circles: largest distance of chord and arc [mm]; flats must not bite more than a caliper can see."""

CORNER_CHORD_MM = 0.01
"""Rounded corners where nothing is measured: largest distance of chord and arc [mm]."""

GRID_MM = 1e-6
"""Coordinates are whole multiples of this [mm], so that the same coupon is the same file everywhere."""


def snap(drawn: BaseGeometry) -> Outline:
    """The region on the coordinate grid, rings oriented with the material on the left.

    Raises
    ------
    ValueError
        `drawn` is not a region, or nothing is left of it.
    """
    outline = shapely.orient_polygons(shapely.set_precision(drawn, GRID_MM))
    if not isinstance(outline, (Polygon, MultiPolygon)) or outline.is_empty:
        raise ValueError(f"an outline must be a region (got {outline.geom_type})")
    return outline


def region(outer: Ring, *holes: Ring) -> Outline:
    """The plane region inside `outer` and outside `holes`; rings may be given in either direction."""
    return snap(Polygon(outer, holes))


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Ring:
    """Corners counter-clockwise from the lower left."""
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def rounded(ring: Ring, radii: list[float] | float) -> Ring:
    """The ring with arcs in place of its corners.

    Parameters
    ----------
    radii : float or list of float [mm]
        One for all, or one a corner; 0 leaves the corner sharp. Neighbouring arcs must not meet.
    """
    n = len(ring)
    radius = [float(radii)] * n if isinstance(radii, (int, float)) else radii
    out: Ring = []
    for i, r in enumerate(radius):
        p = np.array(ring[i])
        if r <= 0:
            out.append((float(p[0]), float(p[1])))
            continue
        a, b = np.array(ring[i - 1]) - p, np.array(ring[(i + 1) % n]) - p
        a, b = a / np.hypot(*a), b / np.hypot(*b)
        half = math.acos(float(np.clip(a @ b, -1, 1))) / 2
        centre = p + (a + b) / np.hypot(*(a + b)) * r / math.sin(half)
        start, end = p + a * r / math.tan(half) - centre, p + b * r / math.tan(half) - centre
        t0 = math.atan2(start[1], start[0])
        sweep = math.remainder(math.atan2(end[1], end[0]) - t0, 2 * math.pi)
        steps = max(2, math.ceil(abs(sweep) / (2 * math.acos(1 - min(CORNER_CHORD_MM / r, 0.5)))))
        for k in range(steps + 1):
            t = t0 + sweep * k / steps
            out.append((float(centre[0] + r * math.cos(t)), float(centre[1] + r * math.sin(t))))
    return out


def circle(diameter: float, x: float, y: float, chord: float = CHORD_MM) -> Ring:
    """A polygon whose width, averaged over all directions, is `diameter`, counter-clockwise about (x, y).

    The mean width of a convex outline is its perimeter over pi (Cauchy), so the corners lie on the radius
    pi D / (2 n sin(pi/n)), a little outside the circle, and the flats a little inside; neither is further off
    than `chord` [mm]. n is a multiple of 8, corners symmetric about both axes, a flat on each.
    """
    n = 8 * math.ceil(math.pi / math.acos(1 - 2 * chord / diameter) / 8)
    r = math.pi * diameter / (2 * n * math.sin(math.pi / n))
    turn = (np.arange(n) + 0.5) * 2 * math.pi / n
    return [(x + r * math.cos(t), y + r * math.sin(t)) for t in turn]


def notched_box(x: float, y: float, long: float, wide: float, notch: float) -> Ring:
    """A rectangular boss with its seam notch in place of the lower left corner, counter-clockwise.

    ::

        |                     the left flank comes down to (0, a), the loop goes in to the tip (n, n), out to
        |  _.+                (a, 0) and on along the bottom, a = n (1 - tan 15 deg): 60 degrees at the tip, by far
        +-  /                 the sharpest corner of the ring. From the tip it moves n down, so that the bottom
           /                  flank is reached downwards as without the notch; walked the other way round, n to the
          +----------         left before the left flank.
    """
    n, a = notch, notch * (1 - math.tan(math.radians(15)))
    return [
        (x + a, y),
        (x + long, y),
        (x + long, y + wide),
        (x, y + wide),
        (x, y + a),
        (x + n, y + n),
    ]


def notched_square(x: float, y: float, side: float, notch: float) -> Ring:
    """`notched_box` with equal sides."""
    return notched_box(x, y, side, side, notch)


def notched_window(x: float, y: float, side: float, notch: float) -> Ring:
    """A square window with its seam notch below the lower left corner, clockwise as its loop runs.

    ::

        |                     the bottom flank runs left to (1.1 n, 0), the loop goes down into the material to
        0     +---------      the tip (n, -0.9 n), back to (0, -0.15 n) and up the left flank: from the tip it
        |\\    |               moves n to the left and 0.75 n up before the left flank begins.
          \\  |
            \\|
    """
    n = notch
    s = side
    return [
        (x + 1.1 * n, y),
        (x + n, y - 0.9 * n),
        (x, y - 0.15 * n),
        (x, y + s),
        (x + s, y + s),
        (x + s, y),
    ]


def flank_middle(low: float, side: float, notch: float) -> float:
    """Middle of what a seam notch leaves free of a flank [mm], where the jaws go."""
    return low + (1.1 * notch + side) / 2


def side_notch(middle: float, notch: float) -> Ring:
    """A seam notch in a front edge that runs to +x along y = 0: 60 degrees, its tip `notch` deep at x = middle."""
    half = notch * math.tan(math.radians(30))
    return [(middle - half, 0.0), (middle, notch), (middle + half, 0.0)]


def inset(outline: Outline, by: float) -> Outline:
    """The outline drawn back by `by` [mm] from its edges, corners kept sharp; openings grow."""
    return snap(outline.buffer(-by, join_style="mitre", mitre_limit=5.0))


def quarter_turn(ring: Ring, width: float) -> Ring:
    """The ring turned counter-clockwise by 90 degrees: (u, v) -> (width - v, u).

    A row along x becomes a row along y, its low end stays low, and what was walked with the material on the
    left still is.
    """
    return [(width - v, u) for u, v in ring]
