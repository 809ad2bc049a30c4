"""Coupons as layers of strokes: walls, filling, solid bottoms and tops, the single wall as one bead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fitassay.coupons.feature import Coupon, Manifest
from fitassay.coupons.sections import Sliceable, polygons
from fitassay.coupons.toolpath.filling import filling_strokes
from fitassay.coupons.toolpath.stroke import PathLayer, Stroke
from fitassay.coupons.toolpath.walls import as_parts, inside, single_wall_stroke, wall_strokes

SOLID_LAYERS = 3
"""So many layers are solid above the bed and below the open: heights are read on them."""

SPARSE_BEADS = (5.0, 20.0)
"""Beads of the sparse filling are so many bead widths apart: nearer they press on the walls, farther the tops sag."""

SOLID_PITCH = 1.03
"""Beads of solid layers, in bead widths: side by side, a little loose so that they do not push the walls out."""

DUST_MM2 = 1e-3


@dataclass(frozen=True, kw_only=True)
class Walls:
    """How walls and filling are drawn.

    Attributes
    ----------
    count : int
    outer_first : bool
        Outer walls before inner ones.
    filling : float
        Share of the filled layers' plastic, 0 to 1; drawn within `SPARSE_BEADS`.
    """

    count: int = 2
    outer_first: bool = False
    filling: float = 0.2

    @property
    def filling_beads(self) -> float:
        """From bead to bead of the sparse filling, in bead widths."""
        nearest, farthest = SPARSE_BEADS
        return min(max(1 / max(self.filling, 1 / farthest), nearest), farthest)


def plate_layers(
    manifest: Manifest, slicers: Mapping[str, Sliceable], plate: int, walls: Walls | None = None
) -> list[PathLayer]:
    """All layers of one plate, its coupons layer by layer in the manifest's order.

    Parameters
    ----------
    slicers : mapping of str to Sliceable
        By coupon id.
    plate : int
        Its number.
    """
    w, h = manifest.line_width_mm, manifest.layer_height_mm
    coupons = [c for c in manifest.coupons if c.plate == plate]
    drawn = [coupon_layers(c, slicers[c.id], w, h, walls or Walls()) for c in coupons]
    return [
        PathLayer(
            z=round((k + 1) * h, 6),
            height=h,
            strokes=tuple(
                replace(stroke.moved(c.origin_on_plate_mm), piece=c.id)
                for c, layers in zip(coupons, drawn, strict=True)
                if k < len(layers)
                for stroke in layers[k]
            ),
        )
        for k in range(max(map(len, drawn)))
    ]


def coupon_layers(
    coupon: Coupon, slicer: Sliceable, width: float, height: float, walls: Walls
) -> list[list[Stroke]]:
    """The strokes of each layer of a coupon, in its own coordinates.

    Parameters
    ----------
    width, height : float [mm]
        Of the bead.
    """
    import shapely

    count = round(coupon.size_mm[2] / height)
    bodies = [
        shapely.MultiPolygon(polygons(slicer.section(round((k + 0.5) * height, 6)))) for k in range(count)
    ]
    tube = bodies[-1] if coupon.single_wall else None
    layers: list[list[Stroke]] = []
    known: dict[tuple[Any, ...], list[Stroke]] = {}
    for k, body in enumerate(bodies):
        below, above = bodies[max(k - SOLID_LAYERS, 0) : k], bodies[k + 1 : k + 1 + SOLID_LAYERS]
        key = (k % 2, k < SOLID_LAYERS, len(above), *(b.wkb for b in (body, *above)))
        if key not in known:
            bottom = len(below) < SOLID_LAYERS
            covered = _covered(body, above)
            known[key] = _layer(body, tube, bottom, covered, k, width, walls)
        layers.append(known[key])
    return layers


def _covered(body: Any, above: list[Any]) -> Any:
    """What of a layer lies under all of the next ones."""
    import shapely

    return shapely.intersection_all([body, *above]) if len(above) == SOLID_LAYERS else shapely.Polygon()


def _layer(
    body: Any, tube: Any, bottom: bool, covered: Any, k: int, width: float, walls: Walls
) -> list[Stroke]:
    """One layer: the single wall or the walls, then the filling."""
    strokes: list[Stroke] = []
    if tube is not None:
        import shapely

        strokes += single_wall_stroke(tube, width)
        ground = shapely.union_all([shapely.Polygon(p.exterior) for p in tube.geoms])
        body = shapely.MultiPolygon(list(as_parts(body.difference(ground), DUST_MM2)))
    if body.is_empty:
        return strokes
    strokes += wall_strokes(body, width, walls.count, walls.outer_first)
    # Half a bead inside the innermost wall's inner edge: a bead there touches the wall and no more.
    room = inside(body, (walls.count + 0.5) * width)
    angle = 45.0 if k % 2 else 135.0
    solid = room if bottom else room.difference(covered.buffer(-width))
    sparse = room.difference(solid)
    strokes += filling_strokes(solid, SOLID_PITCH * width, angle, "solid")
    return strokes + filling_strokes(sparse, walls.filling_beads * width, angle, "filling")
