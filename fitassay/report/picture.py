"""Plan views as SVG: a coupon as drawn and as the virtual printer makes it.

Coordinates are the coupon's own millimetres with y turned upwards; line widths, colours and fonts come from
the page's style (classes ``ideal``, ``printed``, ``thin``, ``arrow``).
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop, ideal_loops
from fitassay.analysis.terms import BEAD, FLARE_BAND_MM, PATH, PLAYS, TERMS, errors_of
from fitassay.coupons.errors import InputError
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.family_names import COMB
from fitassay.coupons.feature import Coupon, Manifest
from fitassay.coupons.sections import Ring, Slicer
from fitassay.labels import plain

FACTORS = (1, 2, 5, 10, 20, 50, 100)
"""Exaggerations offered: round numbers that a reader can divide by."""

VISIBLE_SHARE = 0.06
"""The exaggerated displacement stays under this share of the drawn size ..."""

LONGEST_PLAY_MM = 1.5
"""... and exaggerated play under this, since a coupon's shortest moves between flanks are 2 mm long [mm]."""

FAMILY_ORDER = ("plain-block", "stepped-bore", COMB, "stepped-boss", "corner-plate")
"""Which coupons are pictured first; heights and single walls have nothing to show from above."""

MOST_PICTURES = 4


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan view: the drawn outline, the printed one, and how much its misfit is exaggerated.

    Attributes
    ----------
    rings : tuple of Ring
    printed : tuple of ndarray (m, 2) [mm]
        Outlines of the printed region, openings included.
    factor : int
    z : float [mm]
        Height of the section.
    """

    rings: tuple[Ring, ...]
    printed: tuple[np.ndarray, ...]
    factor: int
    z: float


def plan_of(
    rings: tuple[Ring, ...], theta: np.ndarray, width: float, z: float, factor: int | None = None
) -> Plan:
    """The plan view of a section printed with error terms `theta`, exaggerated.

    Parameters
    ----------
    rings : tuple of Ring
    theta : ndarray (terms,)
    width : float [mm]
        Commanded bead width.
    z : float [mm]
    factor : int, optional
        Exaggeration; default the largest of `FACTORS` that keeps the picture legible and true.
    """
    loops = ideal_loops(rings, width)
    # The edge stands p + e/2 outward, whichever of the two it is; a bead of negative width cannot be drawn.
    edge = np.array(theta, dtype=float)
    edge[PATH] += edge[BEAD] / 2
    edge[BEAD] = 0.0
    if factor is None:
        factor = _factor(loops, edge, z)
    return Plan(rings=rings, printed=_outlines(loops, factor * edge, width, z), factor=factor, z=z)


def _walk(loop: Loop, theta: np.ndarray, z: float) -> np.ndarray:
    moves = printed_path(loop, errors_of(theta), flared=z < FLARE_BAND_MM)[0]
    return moves.reshape(-1, 2)


def _factor(loops: tuple[Loop, ...], theta: np.ndarray, z: float) -> int:
    corners = np.concatenate([loop.points for loop in loops])
    size = float(np.ptp(corners, axis=0).max())
    moved = 0.0
    for loop in loops:
        path = printed_path(loop, errors_of(theta), flared=z < FLARE_BAND_MM)[0]
        moved = max(moved, float(np.linalg.norm(path[:, 0] - loop.points, axis=1).max()))
    play = float(np.max(np.abs(theta[list(PLAYS)])))
    fitting = [f for f in FACTORS if f * moved <= VISIBLE_SHARE * size and f * play <= LONGEST_PLAY_MM]
    return max(fitting, default=1)


def _outlines(loops: tuple[Loop, ...], theta: np.ndarray, width: float, z: float) -> tuple[np.ndarray, ...]:
    """Edges of the plastic: the bead swept along each path, the inside of outer loops filled."""
    import shapely

    solid, holes = [], []
    for loop in loops:
        body = shapely.make_valid(shapely.Polygon(_walk(loop, theta, z)))
        if Ring(points=loop.points).area > 0:
            solid.append(body.buffer(width / 2, quad_segs=8))
        else:
            holes.append(body.buffer(-width / 2, join_style="mitre"))
    region: Any = shapely.union_all(solid).difference(shapely.union_all(holes)).simplify(0.004)
    parts = [p for p in getattr(region, "geoms", [region]) if p.geom_type == "Polygon" and not p.is_empty]
    return tuple(np.array(r.coords)[:-1] for p in parts for r in (p.exterior, *p.interiors))


def plan_svg(plan: Plan, title: str) -> str:
    """The plan view as one SVG element with scale bar and +x arrow.

    Parameters
    ----------
    plan : Plan
    title : str
        Read out for the picture; escaped here.
    """
    drawn = [r.points for r in plan.rings]
    body = f'<path class="printed" d="{_path(plan.printed)}"/><path class="ideal" d="{_path(drawn)}"/>'
    return _frame(drawn, body, title)


def _points(points: np.ndarray) -> str:
    return "L".join(f"{x:.3f} {-y:.3f}" for x, y in points)


def _path(outlines: Any) -> str:
    return " ".join(f"M{_points(o)}Z" for o in outlines)


def _frame(outlines: list[np.ndarray], body: str, title: str) -> str:
    every = np.concatenate(outlines)
    low, high = every.min(axis=0), every.max(axis=0)
    size = float(max(high - low))
    pad = 0.06 * size
    letter = 0.034 * size
    # Bar and its number end before the arrow begins, also under a narrow coupon.
    longest = min(0.4 * size, float(high[0] - low[0]) - 9 * letter)
    bar = next((b for b in (50.0, 20.0, 10.0, 5.0, 2.0, 1.0) if b <= longest), 1.0)
    x0, base = float(low[0]), float(-low[1]) + pad + 1.6 * letter
    tick = 0.35 * letter
    scale = (
        f'<path class="thin" d="M{x0:.3f} {base - tick:.3f}v{2 * tick:.3f}M{x0:.3f} {base:.3f}h{bar:g}'
        f'm0 {-tick:.3f}v{2 * tick:.3f}"/>'
        f'<text x="{x0 + bar + 0.6 * letter:.3f}" y="{base + 0.36 * letter:.3f}" '
        f'font-size="{letter:.3f}" fill="var(--ink)">{bar:g} mm</text>'
    )
    x1 = max(float(high[0]), x0 + bar + 9 * letter)
    arrow = (
        f'<path class="thin" d="M{x1 - 4.5 * letter:.3f} {base:.3f}h{2 * letter:.3f}"/>'
        f'<path class="arrow" d="M{x1 - 1.6 * letter:.3f} {base:.3f}l{-1.1 * letter:.3f} {-0.4 * letter:.3f}'
        f'v{0.8 * letter:.3f}z"/>'
        f'<text x="{x1 - 1.3 * letter:.3f}" y="{base + 0.36 * letter:.3f}" font-size="{letter:.3f}" '
        f'fill="var(--ink)">+x</text>'
    )
    box = (
        x0 - pad,
        float(-high[1]) - pad,
        x1 - x0 + 2 * pad,
        float(high[1] - low[1]) + 2 * pad + 3.2 * letter,
    )
    view = " ".join(f"{v:.3f}" for v in box)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view}" role="img" aria-label="{_attribute(title)}">'
        f"{body}{scale}{arrow}</svg>"
    )


def _attribute(text: str) -> str:
    return escape(plain(text))


def coupon_plans(
    manifest: Manifest, folder: Path, theta: np.ndarray, term: str = ""
) -> tuple[tuple[Coupon, Plan], ...]:
    """Plan views of the coupons that show most, printed with error terms `theta`.

    Coupons whose mesh is missing or broken are left out; a report without its pictures is still a report.

    Parameters
    ----------
    manifest : Manifest
    folder : Path
    theta : ndarray (terms,)
    term : str
        The accused term: an axis it names, or squareness, brings its coupon to the front.
    """
    found = []
    for coupon in sorted(manifest.coupons, key=lambda c: _rank(c, term)):
        if coupon.single_wall or coupon.family not in FAMILY_ORDER:
            continue
        z = _usual_height(coupon)
        if z is None:
            continue
        try:
            rings = Slicer(read_coupon(coupon, folder), coupon.file).section(z)
        except InputError:
            continue
        if rings:
            found.append((coupon, plan_of(rings, theta, manifest.line_width_mm, z)))
        if len(found) == MOST_PICTURES:
            break
    return tuple(found)


def _rank(coupon: Coupon, term: str) -> tuple[int, int, str]:
    """Sorting key: the accused term's own coupon first, then the order of families."""
    order = FAMILY_ORDER.index(coupon.family) if coupon.family in FAMILY_ORDER else len(FAMILY_ORDER)
    shows = (term == "skew_xy" and coupon.family == "corner-plate") or (
        term.startswith("backlash_") and coupon.family == COMB and coupon.id.endswith(term[-1])
    )
    return (0 if shows else 1, order, coupon.id)


def _usual_height(coupon: Coupon) -> float | None:
    """The height at which most of the coupon's plan features are measured [mm]."""
    heights = [f.contact_height for f in coupon.asked if f.kind != "height"]
    if not heights:
        return None
    return max(sorted(set(heights)), key=heights.count)


def printer_terms(values: np.ndarray) -> np.ndarray:
    """`values` (terms,) with the caliper's and form terms set to zero: what the printer does by itself."""
    return np.where([t.kind == "printer" for t in TERMS], values, 0.0)


def side_svg(drawn: np.ndarray, printed: np.ndarray, title: str) -> str:
    """A view from the side: drawn and printed profile (m, 2) [mm], y upwards from the bed."""
    body = (
        f'<path class="printed" d="{_path([printed])}"/><path class="ideal" d="{_path([drawn])}"/>'
        f'<path class="thin" d="M{printed[:, 0].min() - 1.5:.3f} 0H{printed[:, 0].max() + 1.5:.3f}"/>'
    )
    return _frame([drawn, printed], body, title)
