"""Lines become moves of nozzle and filament, chunk by chunk; homing and offsets put back part a chunk into runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from fitassay.analysis.gcode.modal import Table, table_of
from fitassay.analysis.gcode.modes import INCH_MM, State, axes_of, keep_modes, modes_of
from fitassay.analysis.gcode.straight_moves import Moves, with_arcs
from fitassay.analysis.gcode.words import CHUNK_BYTES, Tally, read_words
from fitassay.coupons.errors import InputError

FARTHEST_MM = 1e5
"""No machine reaches farther from its origin."""

_CENTRE_LETTERS = "IJK"


def read_moves(
    path: Path,
    tally: Tally | None = None,
    chunk_bytes: int = CHUNK_BYTES,
    filament_relative: bool | None = None,
) -> Iterator[Moves]:
    """All moves of a sliced file, in order, in chunks.

    Parameters
    ----------
    path : Path
    tally : Tally, optional
        Counts what was met.
    chunk_bytes : int
        How much of the file is worked out at once.
    filament_relative : bool, optional
        What holds for E before M82 or M83 says; None: as for the axes.

    Raises
    ------
    InputError
        With file and line, at the first line that moves the machine and cannot be read for certain.
    """
    tally = tally or Tally(name=str(path))
    state = State(filament_relative=filament_relative)
    for words in read_words(Path(path), tally, chunk_bytes):
        table = table_of(words, tally)
        yield from moves_of(table, state, tally)
        if table.ended:
            tally.ended = True
            tally.lines += words.lines
            return


def moves_of(table: Table, state: State, tally: Tally) -> Iterator[Moves]:
    """The moves of one chunk of lines; `state` goes along."""
    resets = np.flatnonzero(table.reset >= 0)
    state.resets += len(resets)
    if state.resets > tally.limits.resets:
        raise InputError(
            f"homes or resets offsets more than {tally.limits.resets} times, so it is no sliced file; slice again",
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
            filament=np.zeros(1),
            feed=np.full(1, np.nan),
            line=np.array([line]),
        )
    offset = state.kept.copy() if kind == 923 else np.zeros(4)
    state.q += state.o - offset
    state.o = offset
    if kind == 921:
        state.kept = np.zeros(4)
    return None


def _run(table: Table, begin: int, stop: int, state: State, tally: Tally) -> Iterator[Moves]:
    """The moves of lines `begin` to `stop`, none of which homes or puts offsets back."""
    if begin == stop:
        return
    part = slice(begin, stop)
    value = {letter: column[part] for letter, column in table.value.items()}
    has = {letter: ~np.isnan(column) for letter, column in value.items()}
    modes = modes_of(table, part, state)
    offset = table.offset[part]
    named = has["X"] | has["Y"] | has["Z"] | has["E"]
    named |= (modes.motion >= 2) & (has["I"] | has["J"] | has["K"] | has["R"])
    moving = named & ~offset & (modes.motion >= 0)
    _count_unread(named & ~offset & (modes.motion < 0), table.first_line + begin, tally)

    start = state.position.copy()
    axes = axes_of(value, modes, moving, offset, state)
    declared = bool((table.filament_mode[part] >= 0).any())
    if state.filament_relative is None and not declared:
        _count_drops(axes.filament[moving & has["E"] & (has["X"] | has["Y"])], tally)
    tally.filament_undeclared &= not declared
    state.q, state.o = axes.q[-1].copy(), axes.o[-1].copy()
    if offset.any():
        state.kept = axes.o[-1].copy()
    keep_modes(modes, state, declared)

    rows = np.flatnonzero(moving)
    if not len(rows):
        return
    moves = Moves(
        start=start,
        end=(axes.q + axes.o)[rows, :3],
        filament=(axes.filament * modes.filament_unit)[rows],
        feed=(modes.feed * modes.speed)[rows],
        line=rows + (table.first_line + begin),
    )
    _refuse_far(moves, tally)
    motion = modes.motion[rows]
    if (motion < 2).all():
        yield moves
        return
    words = np.column_stack([value[c][rows] * modes.unit[rows] for c in _CENTRE_LETTERS + "R"])
    yield from with_arcs(moves, motion, modes.plane[rows], words, tally)


def _refuse_far(moves: Moves, tally: Tally) -> None:
    far = np.flatnonzero(np.abs(moves.end).max(axis=1) > FARTHEST_MM)
    if len(far):
        raise InputError(
            f"moves beyond any machine's reach; the file is damaged, {tally.remedy}",
            tally.place(int(moves.line[far[0]])),
        )


def _count_drops(step: np.ndarray, tally: Tally) -> None:
    """Count the steps of an E that nothing declares, and those on which it does not rise."""
    tally.filament_steps += len(step)
    tally.filament_drops += int((step <= 0).sum())


def _count_unread(unread: np.ndarray, first_line: int, tally: Tally) -> None:
    if unread.any():
        if not tally.unread_moves:
            tally.first_unread_move = first_line + int(np.argmax(unread))
        tally.unread_moves += int(unread.sum())
