"""The reversal card as strokes, layer by layer, each tick with the way by which the nozzle comes to it."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from fitassay.coupons.mark import text_lines
from fitassay.coupons.toolpath.card import FOOT_MM, GAP_LENGTH_MM, GAPS, LEAD_MM, STEP_MM, Layout, RowWay
from fitassay.coupons.toolpath.stroke import Line, Stroke

LAYERS = 2
"""Of rails. Ticks lie in the first, closing gaps in the second alone: of two, layers that shift would hide light."""

Placed = Callable[[np.ndarray], np.ndarray]


def card_layers(layout: Layout) -> list[list[Stroke]]:
    """The strokes of each layer, the card's low corner in the origin."""
    x, y = low_corner(layout)
    return [[stroke.moved((-x, -y)) for stroke in layer] for layer in _turned_layers(layout)]


@lru_cache
def low_corner(layout: Layout) -> tuple[float, float]:
    """Lowest x and y of the card's beads before it is moved [mm]."""
    if not layout.turned:
        return -layout.width / 2, -layout.width / 2
    import shapely

    beads = [
        shapely.LineString(s.points).buffer(layout.width / 2, cap_style="square", join_style="mitre").bounds
        for layer in _turned_layers(layout)
        for s in layer
    ]
    return min(b[0] for b in beads), min(b[1] for b in beads)


def _turned_layers(layout: Layout) -> list[list[Stroke]]:
    return [[stroke.turned(layout.turn) for stroke in layer] for layer in _layers(layout)]


def _layers(layout: Layout) -> list[list[Stroke]]:
    """As they run along the blocks' own rows."""
    rails = [*_rails(layout), *_gap_rails(layout)]
    return [
        [*rails, *_numbers(layout), *_rows(layout), *_gaps(layout, FOOT_MM)],
        [*rails, *_gaps(layout, 0.0)],
    ]


def _line(
    *points: tuple[float, float], place: Placed, lead: np.ndarray | None = None, line: Line = "rail"
) -> Stroke:
    way = np.empty((0, 2)) if lead is None else place(lead)
    return Stroke(points=place(np.array(points, dtype=float)), line=line, lead=way)


def _rails(layout: Layout) -> list[Stroke]:
    """Frames and inner rails of both blocks, and what ties the pieces together."""
    strokes = []
    length, depth = layout.length, layout.depth
    for place in (layout.to_x, layout.to_y):
        strokes.append(_line((0, 0), (length, 0), (length, depth), (0, depth), (0, 0), place=place))
        for k in range(1, len(layout.rows)):
            strokes.append(_line((0, k * layout.row), (length, k * layout.row), place=place))
    tie = layout.second + layout.block - depth
    return [
        *strokes,
        _line((length, 0), (tie, 0), place=layout.to_x),
        _line((0, depth), (0, layout.gaps_at), place=layout.to_x),
    ]


def _numbers(layout: Layout) -> list[Stroke]:
    """A number at every fifth pair, on the top rail."""
    strokes = []
    fives = [i for i in range(layout.first, layout.last + 1) if i % 5 == 0]
    for place in (layout.to_x, layout.to_y):
        for i in fives:
            strokes += _number(layout, str(i), layout.zero + i * layout.pitch, layout.depth, place)
    zero = gap_zero(layout)
    for i in (0, 5):
        strokes += _number(layout, str(i), zero + i * layout.gap_pitch, GAP_LENGTH_MM, layout.to_gaps)
    return strokes


def _number(layout: Layout, text: str, u: float, v: float, place: Placed) -> list[Stroke]:
    w = layout.width
    lines = [line for letter in text_lines(text, layout.digit - w, w, 0.8) for line in letter]
    # Centred on its last digit, so that a sign does not push it aside; its foot stands in the rail.
    last = text_lines(text[-1], layout.digit - w, w, 0.8)[0]
    width = max(line.bounds[2] for line in last)
    end = max(line.bounds[2] for line in lines)
    # It begins no farther out than the frame.
    shift = np.array([max(u - end + width / 2 + w / 4, -w / 2), v + w / 4])
    return [Stroke(points=place(np.array(line.coords) + shift), line="rail") for line in lines]


def _rows(layout: Layout) -> list[Stroke]:
    strokes = []
    for place in (layout.to_x, layout.to_y):
        for k, row in enumerate(layout.rows):
            strokes += _ticks(layout, row, len(layout.rows) - k, place)
    return strokes


def _ticks(layout: Layout, row: RowWay, rail: int, place: Placed) -> list[Stroke]:
    """Upper and lower ticks of the row below that rail, in passes by turns: along the row, and back against it."""
    top, bottom = rail * layout.row, (rail - 1) * layout.row
    passes = math.ceil(LEAD_MM / (layout.pitch - STEP_MM))
    line = "slow tick" if row.slow else "tick"
    strokes = []
    for k in range(passes):
        for v, ends, way, shift in (
            (top, top - layout.tick, row.upper, row.shift),
            (bottom, bottom + layout.tick, -row.upper, 0.0),
        ):
            # What is reached along the row has the longer pitch, above or below.
            pitch = layout.pitch if way > 0 else layout.pitch - STEP_MM
            ways = (layout.run_up, LEAD_MM)
            for i in range(layout.first, layout.last + 1)[::way][k::passes]:
                u = layout.zero + shift + i * pitch
                lead = np.array([(u - way * far, v) for far in dict.fromkeys(ways)])
                strokes.append(_line((u, v), (u, ends), place=place, lead=lead, line=line))
                ways = (LEAD_MM,)
    return strokes


def gap_zero(layout: Layout) -> float:
    """Where the pair without a gap stands along the closing gaps."""
    return layout.width + 0.3 + 1.2 - GAPS[0] * layout.gap_pitch


def _gap_rails(layout: Layout) -> list[Stroke]:
    length, top = layout.gaps_length, GAP_LENGTH_MM
    return [_line((0, 0), (length, 0), (length, top), (0, top), (0, 0), place=layout.to_gaps)]


def _gaps(layout: Layout, apart: float) -> list[Stroke]:
    """The closing gaps: both beads of a pair reached the same way, `apart` [mm] farther from each other."""
    strokes = []
    for i in range(GAPS[0], GAPS[1] + 1):
        half = (layout.width + i * STEP_MM + apart) / 2
        for side in (-1, 1):
            u = gap_zero(layout) + i * layout.gap_pitch + side * half
            lead = np.array([(u - LEAD_MM, 0.0)])
            strokes.append(_line((u, 0.0), (u, GAP_LENGTH_MM), place=layout.to_gaps, lead=lead, line="tick"))
    return strokes
