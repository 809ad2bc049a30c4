"""Moves as rows of a table, and the strokes among them: what is printed without a travel between."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.straight_moves import Moves
from fitassay.analysis.gcode.strokes import Strokes

SAME_MM = 1e-6
"""Moves shorter than this do not move."""

SAME_HEIGHT_MM = 1e-3
CRUMB_MM = 0.02
"""A move shorter than this without filament, between two that print, is rounding: the path goes on."""

STEP_UP_MM = 0.01
"""A higher step between two moves is meant; a lower one is a move on a ramp that is too short to go anywhere."""

CLIMBING_SHARE = 0.5
"""A stroke that climbs along more of its length than this is an endless wall, not a ramp into a seam."""

LONGEST_STROKE = 100_000
"""So many moves of one stroke are judged together; an endless wall is longer."""

# Columns of the table that layers are gathered in.
X0, Y0, Z0, X1, Y1, Z, FILAMENT, FEED, LINE, PRINTS = range(10)
COLUMNS = 10

# Marks of printing moves.
LEVEL, CLIMBING, RAMP = 1, 2, 3


def rows_of(chunk: Moves) -> np.ndarray:
    """The moves of a chunk that go somewhere in the plane, one row each, those with filament marked."""
    start = np.concatenate([chunk.start[None], chunk.end[:-1]])
    step = np.hypot(chunk.end[:, 0] - start[:, 0], chunk.end[:, 1] - start[:, 1])
    goes = step > SAME_MM
    table = np.empty((int(goes.sum()), COLUMNS))
    table[:, X0 : Z0 + 1] = start[goes]
    table[:, X1 : Z + 1] = chunk.end[goes]
    table[:, FILAMENT] = chunk.filament[goes]
    table[:, FEED] = chunk.feed[goes]
    table[:, LINE] = chunk.line[goes]
    table[:, PRINTS] = chunk.filament[goes] > 0
    return table


def open_stroke(table: np.ndarray) -> int:
    """Where the stroke begins that the end of the table may cut; its length where none is open."""
    if not len(table) or len(table) > LONGEST_STROKE:
        return len(table)
    step = np.hypot(table[:, X1] - table[:, X0], table[:, Y1] - table[:, Y0])
    other = np.flatnonzero((table[:, PRINTS] == 0) & ~((table[:, FILAMENT] == 0) & (step < CRUMB_MM)))
    return int(other[-1]) + 1 if len(other) else 0


def mark_strokes(table: np.ndarray, strokes: Strokes | None) -> None:
    """Bridge crumbs, and mark each stroke as level, climbing, or level with a ramp.

    A stroke is what is printed without a travel between. One that climbs along most of its length is an endless wall;
    one that only begins by climbing joins its seam by a ramp, and belongs to the height that it reaches.
    """
    if not len(table):
        return
    prints = table[:, PRINTS] > 0
    step = np.hypot(table[:, X1] - table[:, X0], table[:, Y1] - table[:, Y0])
    between = np.concatenate([[False], prints[:-1]]) & np.concatenate([prints[1:], [False]])
    prints |= between & (table[:, FILAMENT] == 0) & (step < CRUMB_MM)
    table[:, PRINTS] = prints
    if not prints.any():
        return
    jumps = np.hypot(table[1:, X0] - table[:-1, X1], table[1:, Y0] - table[:-1, Y1]) > SAME_HEIGHT_MM
    # A step in height without a printing move ends a stroke too, but for what rounding leaves of a short one.
    jumps |= np.abs(table[1:, Z0] - table[:-1, Z]) > STEP_UP_MM
    begins = prints & ~(np.concatenate([[False], prints[:-1] & ~jumps]))
    stroke = np.cumsum(begins)[prints] - 1
    rows = np.flatnonzero(prints)
    rise = np.abs(table[rows, Z] - table[rows, Z0]) > SAME_MM
    if rise.any():
        length = np.bincount(stroke, weights=step[rows])
        climbs = np.bincount(stroke, weights=step[rows] * rise) > CLIMBING_SHARE * length
        if strokes is not None:
            falls = table[rows, Z] < table[rows, Z0] - SAME_MM
            strokes.falling_length += float(step[rows][falls & climbs[stroke]].sum())
        table[rows[climbs[stroke]], PRINTS] = CLIMBING
        ramps = rise & ~climbs[stroke]
        table[rows[ramps], PRINTS] = RAMP
        for k in np.unique(stroke[ramps]).tolist():
            of_stroke = rows[stroke == k]
            table[of_stroke, Z] = table[of_stroke, Z].max()
    if strokes is not None:
        first = np.flatnonzero(np.diff(stroke, prepend=-1))
        printed = table[rows]
        strokes.add(
            printed[:, X0 : Z0 + 1], printed[:, X1 : Z + 1], printed[:, FILAMENT], printed[:, FEED], first
        )
