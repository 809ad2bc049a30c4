"""How high a file really builds the coupons, and the filament it spends on them: read from all of its strokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.registration import Place
from fitassay.analysis.gcode.strokes import FILAMENT, TOP_Z, Strokes

AROUND_MM = 1.0
"""A coupon's own strokes lie in its box and this much around it."""

SPANS = 0.9
"""A stroke that spans this much of a single wall both ways is the wall, not its mark."""

FEW_POINTS = 2


@dataclass(frozen=True, kw_only=True)
class Heights:
    """Heights of the file against the drawing.

    Attributes
    ----------
    tops : dict of str to float [mm]
        The highest stroke on each coupon.
    scale : float
        Relative enlargement along z; 0 where it cannot be told from an offset.
    offset : float [mm]
        How much higher than drawn everything lies.
    under : bool
        True where something is printed below the coupons: a raft.
    """

    tops: dict[str, float]
    scale: float
    offset: float
    under: bool


def heights_of(strokes: Strokes, places: dict[str, Place], layer_height: float) -> Heights:
    """Compare the strokes' heights with the coupons' tops and the steps of their stairs."""
    tops: dict[str, float] = {}
    drawn, seen = [], []
    for key, place in places.items():
        own = strokes.within(place.shift - AROUND_MM, place.shift + 2 * place.middle + AROUND_MM)
        if not len(own):
            continue
        tops[key] = float(own[:, TOP_Z].max())
        drawn.append(place.template.coupon.size_mm[2])
        seen.append(tops[key])
        for feature in place.template.coupon.features:
            if feature.kind == "height":
                x, y = place.to_bed(np.array([feature.contact_b_mm[:2]]))[0]
                here = own[(own[:, 0] < x) & (own[:, 2] > x) & (own[:, 1] < y) & (own[:, 3] > y)]
                if len(here):
                    drawn.append(max(feature.contact_a_mm[2], feature.contact_b_mm[2]))
                    seen.append(float(here[:, TOP_Z].max()))
    if not drawn:
        return Heights(tops=tops, scale=0.0, offset=0.0, under=False)
    scale, offset = _line(np.array(drawn), np.array(seen), layer_height)
    lowest = min(
        float(over[:, TOP_Z].min())
        for p in places.values()
        if len(over := strokes.over(p.shift + AROUND_MM, p.shift + 2 * p.middle - AROUND_MM))
    )
    return Heights(tops=tops, scale=scale, offset=offset, under=lowest < offset + layer_height / 4)


def _line(drawn: np.ndarray, seen: np.ndarray, layer_height: float) -> tuple[float, float]:
    """Scale and offset of seen against drawn heights; a top that lacks more than a layer was not finished."""
    whole = seen > drawn * 0.98 - 1.5 * layer_height
    if not whole.any():
        return 0.0, 0.0
    drawn, seen = drawn[whole], seen[whole]
    offset = float(np.median(seen - drawn))
    if len(np.unique(drawn)) < FEW_POINTS or np.abs(seen - drawn - offset).max() < layer_height / 40:
        return 0.0, offset
    slope, at_zero = np.polyfit(drawn, seen, 1)
    if np.abs(seen - slope * drawn - at_zero).max() > layer_height / 4:
        return 0.0, offset
    return float(slope) - 1, float(at_zero)


def filament_of(
    strokes: Strokes, places: dict[str, Place]
) -> tuple[float, dict[str, float], dict[str, float]]:
    """Filament [mm] of all strokes; of each single wall without its mark and foot; of each piece as it comes off."""
    total = float(strokes.table()[:, FILAMENT].sum(dtype=float))
    walls, pieces = {}, {}
    for key, place in places.items():
        own = strokes.within(place.shift - AROUND_MM, place.shift + 2 * place.middle + AROUND_MM)
        pieces[key] = float(own[:, FILAMENT].sum(dtype=float))
        if place.template.coupon.single_wall:
            template = place.template
            top = np.concatenate([r.points for r in template.rings(template.coupon.size_mm[2] - 0.01)])
            size = np.abs(place.turn.matrix @ np.ptp(top, axis=0))
            span = own[:, 2:4] - own[:, :2]
            wall = np.all((span > SPANS * size) & (span < size + AROUND_MM), axis=1)
            wall &= own[:, TOP_Z] > FOOT_MM
            walls[key] = float(own[wall, FILAMENT].sum(dtype=float))
    return total, walls, pieces
