"""Moves of nozzle and filament as data, and arcs among them replaced by straight pieces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.arcs import PLANES, Arcs, arc_centres, arc_points, arcs_about, piece_counts
from fitassay.analysis.gcode.words import Tally
from fitassay.coupons.errors import InputError

PIECES_AT_ONCE = 50_000
"""Straight pieces of arcs handed on together."""

RADIUS_TOLERANCE_MM = 0.002
"""How much the radii at an arc's ends may differ as published (NISTIR 6556, 3.5.3)."""

RADIUS_LIMIT_MM = 0.05
"""How much is still followed, as a spiral: programs round coordinates to 0.01 or worse."""


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Consecutive straight moves; each begins where the one before ends.

    Attributes
    ----------
    start : ndarray (3,) [mm]
        Machine position before the first move.
    end : ndarray (n, 3) [mm]
        Machine position after each move.
    filament : ndarray (n,) [mm]
        Filament fed during the move; negative: drawn back.
    feed : ndarray (n,) [mm/s]
        Rate of travel, the word F; NaN before the first.
    line : ndarray (n,) of int
        Line of the file; the pieces of an arc share one.
    """

    start: np.ndarray
    end: np.ndarray
    filament: np.ndarray
    feed: np.ndarray
    line: np.ndarray

    def __len__(self) -> int:
        return len(self.end)


def with_arcs(
    moves: Moves, motion: np.ndarray, plane: np.ndarray, words: np.ndarray, tally: Tally
) -> Iterator[Moves]:
    """Moves with their arcs replaced by straight pieces, in batches of bounded size."""
    starts = np.concatenate([moves.start[None], moves.end[:-1]])
    which = np.flatnonzero(motion >= 2)
    axes = np.array([PLANES[p] for p in plane[which].tolist()])
    arcs = _arcs(moves, starts, which, axes, motion[which] == 2, words[which], tally)
    counts = np.ones(len(moves), dtype=np.int64)
    counts[which] = piece_counts(arcs)
    tally.arc_pieces += int(counts.sum())
    if tally.arc_pieces > tally.limits.arc_pieces:
        raise InputError(
            f"draws arcs of more than {tally.limits.arc_pieces} pieces, so it is no sliced file; slice again",
            tally.name,
        )
    number = np.zeros(len(moves), dtype=np.int64)
    number[which] = np.arange(len(which))
    is_arc = motion >= 2
    batch = np.cumsum(counts) // PIECES_AT_ONCE
    start = moves.start
    for rows in np.split(np.arange(len(moves)), np.flatnonzero(np.diff(batch)) + 1):
        row = np.repeat(rows, counts[rows])
        first = np.cumsum(counts[rows]) - counts[rows]
        share = (np.arange(len(row)) - np.repeat(first, counts[rows]) + 1) / counts[row]
        end = moves.end[row]
        # Ends of arcs stay as commanded; only points within them are worked out.
        inner = np.flatnonzero(is_arc[row] & (share < 1))
        index = number[row[inner]]
        uvw = axes[index]
        points = arc_points(arcs, index, share[inner])
        end[inner, uvw[:, 0]] = points[:, 0]
        end[inner, uvw[:, 1]] = points[:, 1]
        a, b = starts[row[inner]], moves.end[row[inner]]
        third = np.take_along_axis(a + share[inner, None] * (b - a), uvw[:, 2:], axis=1)[:, 0]
        end[inner, uvw[:, 2]] = third
        yield Moves(
            start=start,
            end=end,
            filament=moves.filament[row] / counts[row],
            feed=moves.feed[row],
            line=moves.line[row],
        )
        start = end[-1]


def _arcs(
    moves: Moves,
    starts: np.ndarray,
    which: np.ndarray,
    axes: np.ndarray,
    clockwise: np.ndarray,
    words: np.ndarray,
    tally: Tally,
) -> Arcs:
    """Centres and sweeps of the moves `which`, each in its own plane's axes."""
    uv = axes[:, :2]
    a = np.take_along_axis(starts[which], uv, axis=1)
    b = np.take_along_axis(moves.end[which], uv, axis=1)
    away = np.take_along_axis(words[:, :3], uv, axis=1)
    radius = words[:, 3]
    by_radius = ~np.isnan(radius)
    centred = ~np.isnan(away).all(axis=1)
    same = np.hypot(*(b - a).T) < 1e-6
    problems = (
        (by_radius & centred, "an arc has both a radius and a centre"),
        (~by_radius & ~centred, "an arc has neither a radius nor a centre"),
        (by_radius & same, "an arc given by its radius ends where it starts"),
    )
    for bad, message in problems:
        if bad.any():
            line = int(moves.line[which[int(np.argmax(bad))]])
            raise InputError(f"{message}; {tally.remedy}", tally.place(line))
    centre = a + np.nan_to_num(away)
    if by_radius.any():
        centre[by_radius] = arc_centres(a[by_radius], b[by_radius], radius[by_radius], clockwise[by_radius])
    arcs = arcs_about(a, b, centre, clockwise)
    gap = np.abs(arcs.radius - arcs.radius_end)
    gap = np.where(by_radius, np.abs(arcs.radius - np.abs(radius)), gap)
    wide = np.flatnonzero(gap > RADIUS_LIMIT_MM)
    if len(wide):
        line = int(moves.line[which[wide[0]]])
        raise InputError(
            f"an arc's ends do not lie on one circle (radii differ by {gap[wide[0]]:.3g} mm); {tally.remedy}",
            tally.place(line),
        )
    tally.loose_arcs += int((gap > RADIUS_TOLERANCE_MM).sum())
    return arcs
