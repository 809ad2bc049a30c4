"""The modal state of RS-274: lines become moves of nozzle and filament.

Per axis, with program coordinate q, origin offset o and machine coordinate p = q + o (all mm):

    G90  word v:   q := v                       G91  word v:   q := q + v
    G92  word v:   o := o + q - v,  q := v      (nothing moves)

which is a running sum with restarts, so that a whole block of lines is worked out at once. The rare lines that
home or put offsets back (G28, G30, G53, G92.1 to G92.3) part a block into runs.

Modes are kept as published (NISTIR 6556, tables 4 and 8). The filament's word E, absolute after M82, relative
after M83, else as G90 and G91 say, is common practice and in neither standard. Homed axes stand at machine 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fitassay.analysis.gcode.arcs import PLANES, Arcs, arc_centres, arc_points, arcs_about, piece_counts
from fitassay.analysis.gcode.modal import Table, table_of
from fitassay.analysis.gcode.words import BLOCK_BYTES, Tally, read_words
from fitassay.coupons.errors import InputError

INCH_MM = 25.4

FARTHEST_MM = 1e5
"""No machine reaches farther from its origin."""

MOST_RESETS = 5000
MOST_PIECES = 20_000_000
PIECES_AT_ONCE = 50_000
"""Straight pieces of arcs: in one file, and handed on together."""

RADIUS_TOLERANCE_MM = 0.002
"""How much the radii at an arc's ends may differ as published (NISTIR 6556, 3.5.3)."""

RADIUS_LIMIT_MM = 0.05
"""How much is still followed, as a spiral: programs round coordinates to 0.01 or worse."""

_CENTRE_LETTERS = "IJK"


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Consecutive straight moves; each begins where the one before ends.

    Attributes
    ----------
    start : ndarray (3,) [mm]
        Machine position before the first move.
    end : ndarray (n, 3) [mm]
        Machine position after each move.
    feed : ndarray (n,) [mm]
        Filament fed during the move; negative: drawn back.
    speed : ndarray (n,) [mm/s]
        NaN before the first F word.
    line : ndarray (n,) of int
        Line of the file; the pieces of an arc share one.
    """

    start: np.ndarray
    end: np.ndarray
    feed: np.ndarray
    speed: np.ndarray
    line: np.ndarray

    def __len__(self) -> int:
        return len(self.end)


@dataclass
class State:
    """What holds from one line to the next.

    Attributes
    ----------
    motion : int
        0 to 3, or -1 under a motion that is not read.
    unit : float [mm]
        Millimetres per unit of length.
    relative : bool
    feed_relative : bool or None
        None until M82 or M83 says.
    plane : int
        17, 18 or 19.
    q, o : ndarray (4,) [mm]
        Program coordinates of x, y, z and filament, and origin offsets.
    kept : ndarray (4,) [mm]
        Offsets that G92.3 puts back.
    speed : float [mm/s]
    resets, pieces : int
        Counted against `MOST_RESETS` and `MOST_PIECES`.
    """

    motion: int = 1
    unit: float = 1.0
    relative: bool = False
    feed_relative: bool | None = None
    plane: int = 17
    q: np.ndarray = field(default_factory=lambda: np.zeros(4))
    o: np.ndarray = field(default_factory=lambda: np.zeros(4))
    kept: np.ndarray = field(default_factory=lambda: np.zeros(4))
    speed: float = float("nan")
    resets: int = 0
    pieces: int = 0

    @property
    def position(self) -> np.ndarray:
        """Machine position, ndarray (3,) [mm]."""
        return (self.q + self.o)[:3]


def read_moves(path: Path, tally: Tally | None = None, block_bytes: int = BLOCK_BYTES) -> Iterator[Moves]:
    """All moves of a sliced file, in order, in blocks.

    Parameters
    ----------
    path : Path
    tally : Tally, optional
        Counts what was met.
    block_bytes : int
        How much of the file is worked out at once.

    Raises
    ------
    InputError
        With file and line, at the first line that moves the machine and cannot be read for certain.
    """
    tally = tally or Tally(name=str(path))
    state = State()
    for words in read_words(Path(path), tally, block_bytes):
        table = table_of(words, tally)
        yield from moves_of(table, state, tally)
        if table.ended:
            tally.lines += words.lines
            return


def moves_of(table: Table, state: State, tally: Tally) -> Iterator[Moves]:
    """The moves of one block of lines; `state` goes along."""
    resets = np.flatnonzero(table.reset >= 0)
    state.resets += len(resets)
    if state.resets > MOST_RESETS:
        raise InputError(
            f"homes or resets offsets more than {MOST_RESETS} times, so it is no sliced file; slice again",
            tally.place(table.first_line + int(resets[-1])),
        )
    begin = 0
    for i in resets.tolist():
        yield from _run(table, begin, i, state, tally)
        kind = int(table.reset[i])
        if kind == 530:
            _to_program(table, i, state)
            begin = i
        else:
            for letter in "XYZE":
                table.value[letter][i] = np.nan
            yield from _run(table, i, i + 1, state, tally)
            move = _reset(kind, table.bare.get(i, ""), state, table.first_line + i)
            if move is not None:
                yield move
            begin = i + 1
    yield from _run(table, begin, table.lines, state, tally)


def _to_program(table: Table, i: int, state: State) -> None:
    """Rewrite a G53 line's machine coordinates as program coordinates."""
    unit = {20: INCH_MM, 21: 1.0}.get(int(table.units[i]), state.unit)
    relative = {90: False, 91: True}.get(int(table.distance[i]), state.relative)
    for k, letter in enumerate("XYZ"):
        origin = state.o[k] + (state.q[k] if relative else 0.0)
        table.value[letter][i] -= origin / unit


def _reset(kind: int, axes: str, state: State, line: int) -> Moves | None:
    """Home (G28, G30) or change offsets (G92.1 to G92.3)."""
    start = state.position.copy()
    if kind in (280, 300):
        for k, letter in enumerate("XYZ"):
            if letter in (axes or "XYZ"):
                state.q[k] = state.o[k] = 0.0
        return Moves(
            start=start,
            end=state.position[None].copy(),
            feed=np.zeros(1),
            speed=np.full(1, np.nan),
            line=np.array([line]),
        )
    offset = state.kept.copy() if kind == 923 else np.zeros(4)
    state.q += state.o - offset
    state.o = offset
    if kind == 921:
        state.kept = np.zeros(4)
    return None


def _carried(values: np.ndarray, given: np.ndarray, before) -> np.ndarray:
    """`values` where given, else the last one given, else `before`."""
    if not given.any():
        return np.full(len(values), before)
    at = np.maximum.accumulate(np.where(given, np.arange(len(values)), -1))
    return np.where(at >= 0, values[at], before)


def _run(table: Table, begin: int, stop: int, state: State, tally: Tally) -> Iterator[Moves]:
    """The moves of lines `begin` to `stop`, none of which homes or puts offsets back."""
    if begin == stop:
        return
    part = slice(begin, stop)
    value = {letter: column[part] for letter, column in table.value.items()}
    has = {letter: ~np.isnan(column) for letter, column in value.items()}
    units = table.units[part]
    unit = _carried(np.where(units == 20, INCH_MM, 1.0), units >= 0, state.unit)
    distance = table.distance[part]
    relative = _carried(distance == 91, distance >= 0, state.relative)
    said = table.feed_distance[part]
    feed_relative = _carried(
        said == 83, said >= 0, relative if state.feed_relative is None else state.feed_relative
    )
    word = table.motion[part]
    motion = _carried(word, word > -2, state.motion)
    plane = _carried(table.plane[part], table.plane[part] >= 0, state.plane)
    speed = _carried(value["F"] * unit / 60, has["F"], state.speed)

    offset = table.offset[part]
    any_axis = has["X"] | has["Y"] | has["Z"] | has["E"]
    named = any_axis | ((motion >= 2) & (has["I"] | has["J"] | has["K"] | has["R"]))
    moving = named & ~offset & (motion >= 0)
    _count_unread(named & ~offset & (motion < 0), table.first_line + begin, tally)
    # G92 alone puts every axis at zero.
    all_axes = offset & ~any_axis

    q = np.empty((stop - begin, 4))
    o = np.empty((stop - begin, 4))
    before = np.empty((stop - begin, 4))
    for k, letter in enumerate("XYZE"):
        given = has[letter] | all_axes
        number = np.where(all_axes, 0.0, value[letter] * unit)
        by = feed_relative if letter == "E" else relative
        q[:, k] = _coordinate(number, given & (moving | offset), by & ~offset, state.q[k])
        before[1:, k] = q[:-1, k]
        before[0, k] = state.q[k]
        jumps = np.where(offset & given, before[:, k] - number, 0.0)
        o[:, k] = state.o[k] + np.cumsum(jumps)
    position = (q + o)[:, :3]
    start = state.position.copy()
    state.q, state.o = q[-1].copy(), o[-1].copy()
    if offset.any():
        state.kept = o[-1].copy()
    state.unit, state.relative = float(unit[-1]), bool(relative[-1])
    state.motion, state.plane, state.speed = int(motion[-1]), int(plane[-1]), float(speed[-1])
    if (said >= 0).any():
        state.feed_relative = bool(feed_relative[-1])

    rows = np.flatnonzero(moving)
    if not len(rows):
        return
    moves = Moves(
        start=start,
        end=position[rows],
        feed=(q[:, 3] - before[:, 3])[rows],
        speed=speed[rows],
        line=rows + (table.first_line + begin),
    )
    far = np.flatnonzero(np.abs(moves.end).max(axis=1) > FARTHEST_MM)
    if len(far):
        raise InputError(
            "moves beyond any machine's reach; the file is damaged, slice the coupons again",
            tally.place(int(moves.line[far[0]])),
        )
    if (motion[rows] < 2).all():
        yield moves
        return
    words = np.column_stack([value[c][rows] * unit[rows] for c in _CENTRE_LETTERS + "R"])
    yield from _with_arcs(moves, motion[rows], plane[rows], words, state, tally)


def _count_unread(unread: np.ndarray, first_line: int, tally: Tally) -> None:
    if unread.any():
        if not tally.unread_moves:
            tally.first_unread_move = first_line + int(np.argmax(unread))
        tally.unread_moves += int(unread.sum())


def _coordinate(number: np.ndarray, given: np.ndarray, relative: np.ndarray, before: float) -> np.ndarray:
    """Program coordinate of one axis after each line [mm]."""
    added = np.cumsum(np.where(given & relative, number, 0.0))
    restart = given & ~relative
    at = np.maximum.accumulate(np.where(restart, np.arange(len(number)), -1))
    return np.where(at >= 0, number[at] + added - added[at], before + added)


def _with_arcs(
    moves: Moves, motion: np.ndarray, plane: np.ndarray, words: np.ndarray, state: State, tally: Tally
) -> Iterator[Moves]:
    """Moves with their arcs replaced by straight pieces, in batches of bounded size."""
    starts = np.concatenate([moves.start[None], moves.end[:-1]])
    which = np.flatnonzero(motion >= 2)
    axes = np.array([PLANES[p] for p in plane[which].tolist()])
    arcs = _arcs(moves, starts, which, axes, motion[which] == 2, words[which], tally)
    counts = np.ones(len(moves), dtype=np.int64)
    counts[which] = piece_counts(arcs)
    state.pieces += int(counts.sum())
    if state.pieces > MOST_PIECES:
        raise InputError(
            f"draws arcs of more than {MOST_PIECES} pieces, so it is no sliced file; slice again", tally.name
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
            feed=moves.feed[row] / counts[row],
            speed=moves.speed[row],
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
            raise InputError(f"{message}; slice the coupons again", tally.place(line))
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
            f"an arc's ends do not lie on one circle (radii differ by {gap[wide[0]]:.3g} mm); slice again",
            tally.place(line),
        )
    tally.loose_arcs += int((gap > RADIUS_TOLERANCE_MM).sum())
    return arcs
