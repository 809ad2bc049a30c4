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

OTHER_LAYERS = 0.03
"""Layers this much thicker or thinner than those the coupons were made for are others."""

ROUNDING_MM = 0.01
"""What heights written with few decimals, and the half layer on which a program may go either way, add."""


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
    rounding : float [mm]
        How far tops lie off for being whole layers of another height than the coupons were made for; 0 where the
        layers are the coupons' own.
    """

    tops: dict[str, float]
    scale: float
    offset: float
    under: bool
    rounding: float = 0.0


def heights_of(strokes: Strokes, places: dict[str, Place], layer_height: float, step: float) -> Heights:
    """Compare the strokes' heights with the coupons' tops and the steps of their stairs.

    Parameters
    ----------
    strokes : Strokes
    places : dict of str to Place
    layer_height : float [mm]
        The layers that the coupons were made for.
    step : float [mm]
        The file's usual layer.
    """
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
    levels = np.unique(
        np.concatenate(
            [
                strokes.over(p.shift + AROUND_MM, p.shift + 2 * p.middle - AROUND_MM)[:, TOP_Z]
                for p in places.values()
            ]
        )
    )
    lowest = float(levels[0])
    line = _line(np.array(drawn), np.array(seen), lowest, layer_height, step)
    under = lowest < line.offset + layer_height / 4
    if not under or not line.rounded:
        return Heights(tops=tops, scale=line.scale, offset=line.offset, under=under, rounding=line.rounding)
    # A raft ends at one of the file's own heights.
    offset = float(levels[np.argmin(np.abs(levels - line.offset))])
    return Heights(
        tops=tops,
        scale=line.scale,
        offset=offset,
        under=True,
        rounding=line.rounding + abs(offset - line.offset),
    )


@dataclass(frozen=True)
class _Line:
    """Seen heights as scale (beyond 1) and offset [mm] of the drawn ones, and what rounding to layers leaves [mm]."""

    scale: float
    offset: float
    rounding: float = 0.0
    rounded: bool = False


def _line(drawn: np.ndarray, seen: np.ndarray, lowest: float, layer_height: float, step: float) -> _Line:
    """Scale and offset of seen against drawn heights; a top that lacks more than a layer was not finished.

    A file builds whole layers of its own. Where they are those that the coupons were made for, tops differ from the
    drawing by what stretches or lifts all layers; where not, by up to half a layer for rounding alone.
    """
    thick = max(layer_height, step)
    whole = seen > drawn * 0.98 - 1.5 * thick
    if not whole.any():
        return _Line(0.0, 0.0)
    drawn, seen = drawn[whole], seen[whole]
    layers = (seen - lowest) / step + 1
    other = abs(step / layer_height - 1) > OTHER_LAYERS
    if other or np.ptp(layers * layer_height - drawn) > layer_height / 4:
        return _rounded(drawn, seen, thick)
    offset = float(np.median(seen - drawn))
    if len(np.unique(drawn)) < FEW_POINTS or np.abs(seen - drawn - offset).max() < layer_height / 40:
        return _Line(0.0, offset)
    slope, at_zero = np.polyfit(drawn, seen, 1)
    if np.abs(seen - slope * drawn - at_zero).max() > layer_height / 4:
        return _Line(0.0, offset)
    return _Line(float(slope) - 1, float(at_zero))


def _rounded(drawn: np.ndarray, seen: np.ndarray, thick: float) -> _Line:
    """The simplest account that leaves no more than half a layer: nothing, an offset, a scale and an offset."""
    off = seen - drawn
    room = thick / 2 + ROUNDING_MM
    if np.abs(off).max() <= room:
        return _Line(0.0, 0.0, float(np.abs(off).max()), True)
    middle = float(off.min() + off.max()) / 2
    if np.ptp(off) / 2 <= room or len(np.unique(drawn)) < FEW_POINTS:
        return _Line(0.0, middle, float(np.ptp(off)) / 2, True)
    slope, at_zero = np.polyfit(drawn, seen, 1)
    left = float(np.abs(seen - slope * drawn - at_zero).max())
    if left > room:
        return _Line(0.0, middle, float(np.ptp(off)) / 2, True)
    return _Line(float(slope) - 1, float(at_zero), left, True)


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
