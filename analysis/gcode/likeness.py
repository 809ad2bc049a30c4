"""A file that the user's own slicing program wrote for this machine: its start, its end, and how it travels.

The start is all before the first move that belongs to a printed piece. A piece is told from purge lines by its
ground: what is printed above the first layers. The end is all behind the last bead.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fitassay.analysis.gcode.frame import codes, lines_of, modes_back, run_through
from fitassay.analysis.gcode.modal import table_of
from fitassay.analysis.gcode.modes import State
from fitassay.analysis.gcode.moves import moves_of
from fitassay.analysis.gcode.words import Tally, read_words
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import open_input

PURGE_TOP_MM = 0.6
"""Purge lines lie no higher."""

NUDGE_MM = 0.02
"""Shorter strokes are no beads."""

MIDDLE_MM = -5.0
"""A piece that reaches so far below zero lies on a bed whose middle is the origin."""

LINES_AT_ONCE = 20_000

X0, Y0, Z0, X1, Y1, Z1, FED, FEED, LINE = range(9)


@dataclass(frozen=True, kw_only=True)
class Likeness:
    """What a user's own file shows.

    Attributes
    ----------
    start, end : str
    end_modes : tuple of str
        As they were where the end began.
    retract_mm, retract_mm_s : float [mm], [mm/s]
        Zero where it never draws filament back.
    travel_mm_s, print_mm_s, lift_mm_s : float [mm/s]
        Its usual travel, its fastest bead, and its usual way up and down; NaN where it names no speed.
    feed_mm3_s : float [mm3/s]
        Plastic of its fastest bead; NaN where no speed is named.
    fan : str
        Its usual fan word, such as ``M106 S255``; empty without.
    acceleration : str
        The first acceleration word behind its start; empty without.
    middle : bool
        Whether the bed's middle is the origin.
    """

    start: str
    end: str
    end_modes: tuple[str, ...]
    retract_mm: float
    retract_mm_s: float
    travel_mm_s: float
    print_mm_s: float
    lift_mm_s: float
    feed_mm3_s: float
    fan: str
    acceleration: str
    middle: bool


def read_likeness(path: Path, filament_diameter: float) -> Likeness:
    """Take a file apart.

    Parameters
    ----------
    path : Path
        RS-274 text.
    filament_diameter : float [mm]

    Raises
    ------
    InputError
        It cannot be read for certain, or prints nothing.
    """
    rows = _rows(path)
    beads = (rows[:, FED] > 0) & (np.hypot(rows[:, X1] - rows[:, X0], rows[:, Y1] - rows[:, Y0]) > NUDGE_MM)
    if not beads.any():
        raise InputError(
            "prints nothing along any move; name a file that your slicing program wrote for this machine. A machine "
            "that takes only its own sealed files cannot print a path of ours: slice the STL files instead",
            str(path),
        )
    first, ground = _first_of_piece(rows, beads)
    cut = _cut(rows, beads, first)
    last = int(rows[np.flatnonzero(beads)[-1], LINE])
    with open_input(path, "sliced file") as stream:
        lines = lines_of(stream.read().decode("utf-8-sig", "surrogateescape"))
    body = [codes(line) for line in lines[cut - 1 : last]]
    rows, beads = rows[rows[:, LINE] >= cut], beads[rows[:, LINE] >= cut]
    area = np.pi / 4 * filament_diameter**2
    moved = np.hypot(rows[:, X1] - rows[:, X0], rows[:, Y1] - rows[:, Y0])
    back = (rows[:, FED] < 0) & (moved < NUDGE_MM)
    travel = (rows[:, FED] == 0) & (moved > 2.0)
    lift = (rows[:, FED] == 0) & (moved < NUDGE_MM) & (rows[:, Z1] != rows[:, Z0])
    speed = rows[beads, FEED]
    rate = rows[beads, FED] * area / moved[beads] * speed
    return Likeness(
        start="\n".join(lines[: cut - 1]) + "\n",
        end="\n".join(lines[last:]) + "\n",
        end_modes=modes_back(_state_behind(lines[:last], str(path))),
        retract_mm=_median(-rows[back, FED]) if back.any() else 0.0,
        retract_mm_s=_median(rows[back, FEED]) if back.any() else 0.0,
        travel_mm_s=_median(rows[travel, FEED]),
        print_mm_s=float(np.nanmax(speed)) if np.isfinite(speed).any() else float("nan"),
        lift_mm_s=_median(rows[lift, FEED]),
        feed_mm3_s=float(np.nanmax(rate)) if np.isfinite(rate).any() else float("nan"),
        fan=_usual_fan(body),
        acceleration=_first_acceleration(body),
        middle=bool(ground[:2].min() < MIDDLE_MM),
    )


def _rows(path: Path) -> np.ndarray:
    """All moves, a row each."""
    tally, state, parts = Tally(name=Path(path).name), State(), []
    for words in read_words(Path(path), tally):
        table = table_of(words, tally)
        for moves in moves_of(table, state, tally):
            starts = np.concatenate([moves.start[None], moves.end[:-1]])
            parts.append(np.column_stack([starts, moves.end, moves.filament, moves.feed, moves.line]))
        if table.ended:
            break
    if not parts:
        raise InputError(
            "moves nothing; name a file that your slicing program wrote for this machine", str(path)
        )
    return np.concatenate(parts)


def _state_behind(lines: list[str], name: str) -> State:
    """What holds behind these first lines of the file `name`."""
    state = State()
    for begin in range(0, len(lines), LINES_AT_ONCE):
        for _ in run_through("\n".join(lines[begin : begin + LINES_AT_ONCE]), name, state, begin):
            pass
    return state


def _first_of_piece(rows: np.ndarray, beads: np.ndarray) -> tuple[int, np.ndarray]:
    """Index of the first bead that belongs to a piece, and the pieces' ground (x0, y0, x1, y1) [mm]."""
    at = np.flatnonzero(beads)
    high = at[rows[at, Z1] > rows[at, Z1].min() + PURGE_TOP_MM]
    piece = rows[high if len(high) else at]
    low = np.minimum(piece[:, [X0, Y0]], piece[:, [X1, Y1]]).min(axis=0)
    top = np.maximum(piece[:, [X0, Y0]], piece[:, [X1, Y1]]).max(axis=0)
    # Beads drawn without lifting the nozzle are one stroke; a skirt goes around the piece, a purge line beside it.
    breaks = np.flatnonzero(np.diff(at) > 1) + 1
    for group in np.split(at, breaks):
        part = rows[group]
        a = np.minimum(part[:, [X0, Y0]], part[:, [X1, Y1]]).min(axis=0)
        b = np.maximum(part[:, [X0, Y0]], part[:, [X1, Y1]]).max(axis=0)
        if np.all(a <= top) and np.all(b >= low):
            return int(group[0]), np.concatenate([low, top])
    raise AssertionError("the pieces' own beads lie on their ground")


def _cut(rows: np.ndarray, beads: np.ndarray, first: int) -> int:
    """The line with which the way to the piece begins: the first travel behind all that purges."""
    fed = np.cumsum(rows[:, FED])
    peak = np.maximum.accumulate(np.concatenate([[0.0], fed]))
    before = np.flatnonzero(beads[:first])
    begin = int(before[-1]) + 1 if len(before) else 0
    for i in range(begin, first):
        travels = np.hypot(rows[i, X1] - rows[i, X0], rows[i, Y1] - rows[i, Y0]) > NUDGE_MM
        # Homing is a move of the reader's too, at no speed.
        homing = not np.isfinite(rows[i, FEED]) and not rows[i, FED]
        if travels and not homing and peak[first] - peak[i] < NUDGE_MM:
            later = rows[i + 1 : first, FEED]
            if not (np.isnan(later) & (rows[i + 1 : first, FED] == 0)).any():
                return int(rows[i, LINE])
    return int(rows[first, LINE])


def _median(values: np.ndarray) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else float("nan")


def _usual_fan(body: list[dict[str, dict[str, float | None]]]) -> str:
    seen = Counter(
        f"M106 S{value:g}"
        for line in body
        if (value := line.get("M106", {}).get("S")) is not None and value > 0
    )
    return seen.most_common(1)[0][0] if seen else ""


def _first_acceleration(body: list[dict[str, dict[str, float | None]]]) -> str:
    for line in body:
        words = line.get("M204")
        if words and all(v is not None for v in words.values()):
            return " ".join(["M204", *(f"{k}{v:g}" for k, v in words.items())])
    return ""
