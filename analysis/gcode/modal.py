"""RS-274 words by line: which modes a line sets and which axis words it has, with what cannot be read refused."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.changes import MOST_CHANGES, Change, volume_diameter
from fitassay.analysis.gcode.lines import (
    GROUP_ID,
    GROUPS,
    VALUE_LETTERS,
    Kept,
    code_of,
    group_of,
    refuse,
    sorted_out,
)
from fitassay.analysis.gcode.words import Tally, Words
from fitassay.coupons.errors import InputError

LARGEST_NUMBER = 1e7

FACTOR_WORDS: dict[str, tuple[str, str, float]] = {
    "M220": ("speed", "S", 0.01),
    "M221": ("flow", "S", 0.01),
}
"""Word -> what it sets, the letter of its number, and what one unit of that is."""

VOLUME = "volume diameter"
FACTORS = (VOLUME, *(name for name, _, _ in FACTOR_WORDS.values()))
_EXPONENT = re.compile(rb"[A-Z][-+]?\d*\.?\d+E[-+]0\d(?![\d.])")
_MOVING = (b"G", b"N", b"X", b"Y", b"Z", b"E")
_KNOWN_LETTERS = np.array([ord(c) for c in "GM" + VALUE_LETTERS], dtype=np.uint8)


@dataclass(frozen=True, kw_only=True)
class Table:
    """One chunk of lines.

    Attributes
    ----------
    first_line, lines : int
        Number of the first line in the file; how many there are.
    motion : ndarray (lines,) of int
        0 to 3; -1 for a motion that is not read; -2 where the line has no motion word.
    plane, units, distance, filament_mode : ndarray (lines,) of int
        17 to 19, 20 or 21, 90 or 91, 82 or 83; -2 where not given.
    offset : ndarray (lines,) of bool
        G92.
    reset : ndarray (lines,) of int
        280, 300, 530, 921, 922 or 923; -2 where not given.
    value : dict of str to ndarray (lines,)
        Numbers of `VALUE_LETTERS` as written; NaN where not given.
    bare : dict of int to str
        Letters on homing lines, by line.
    factors : dict of str to ndarray (lines,)
        By name of `FACTORS`; NaN where not given.
    ended : bool
        True where the program ends within this chunk.
    """

    first_line: int
    lines: int
    motion: np.ndarray
    plane: np.ndarray
    units: np.ndarray
    distance: np.ndarray
    filament_mode: np.ndarray
    offset: np.ndarray
    reset: np.ndarray
    value: dict[str, np.ndarray]
    bare: dict[int, str]
    factors: dict[str, np.ndarray]
    ended: bool


def table_of(words: Words, tally: Tally) -> Table:
    """Arrange a chunk's words by line.

    Raises
    ------
    InputError
        At the first line that moves the machine, or changes how moves are read, and cannot be read for certain.
    """
    _refuse_exponents(words, tally)
    kept, ended, changes = sorted_out(words, tally)
    _note_changes(changes, words, tally)
    g = kept.of("G")
    code = code_of(g.number)
    group = group_of(code)
    strange = group == 0
    tally.count_unknown(g.letter[strange], g.number[strange])
    columns = {name: _group_column(words, tally, g, code, group, name) for name in GROUPS}
    motion = np.where(columns["motion"] >= 0, columns["motion"] // 10, -2)
    motion[columns["other"] >= 0] = -1
    _refuse_clash(words, tally, columns)

    value = {letter: _value_column(words, tally, kept.of(letter)) for letter in VALUE_LETTERS}
    homing = np.flatnonzero(np.isin(columns["reset"], (280, 300)))
    bare = {i: _axes_named(kept, i) for i in homing.tolist()}

    m = kept.of("M")
    filament_mode = np.full(words.lines, -2)
    modes = np.isin(m.number, (82, 83))
    filament_mode[m.line[modes]] = m.number[modes]
    known = modes | np.isin(m.number, (2, 30))
    tally.count_unknown(m.letter[~known], m.number[~known])
    others = kept.where(~np.isin(kept.letter, _KNOWN_LETTERS))
    tally.count_unknown(others.letter, others.number)
    return Table(
        first_line=words.first_line,
        lines=words.lines,
        motion=motion,
        plane=_whole(columns["plane"]),
        units=_whole(columns["units"]),
        distance=_whole(columns["distance"]),
        filament_mode=filament_mode,
        offset=columns["offset"] >= 0,
        reset=columns["reset"],
        value=value,
        bare=bare,
        factors=_factors(changes, words, tally),
        ended=ended,
    )


def _refuse_exponents(words: Words, tally: Tally) -> None:
    """Numbers like 1.2E-05, which would be read as two words."""
    for found in _EXPONENT.finditer(words.text):
        begin = words.text.rfind(b"\n", 0, found.start()) + 1
        if words.text[begin : begin + 1] in _MOVING:
            word = words.text[found.start() : found.end()].decode("ascii", "replace")
            refuse(
                words,
                tally,
                words.text.count(b"\n", 0, begin) - 1,
                f"'{word}' is written with a power of ten, which RS-274 does not have: machines read it as two "
                "words; have the program write plain decimals and slice again",
            )


def _note_changes(changes: tuple[Change, ...], words: Words, tally: Tally) -> None:
    """Keep the words that change the print for the user; refuse those after which nothing is certain."""
    for change in changes:
        if change.what.refused:
            raise InputError(
                f"{change.text} changes {change.what.meaning}, which is not read; switch it off in the program "
                "and slice again",
                tally.place(change.line),
            )
        if len(tally.changes) < MOST_CHANGES:
            tally.changes.append(change)
        tally.change_count += 1


def _factors(changes: tuple[Change, ...], words: Words, tally: Tally) -> dict[str, np.ndarray]:
    """Flow (M221 S), speed (M220 S), both as fractions, and the diameter by which E counts volume (M200) [mm]."""
    columns = {name: np.full(words.lines, np.nan) for name in FACTORS}
    for change in changes:
        if change.word == "M200":
            now, tally.volume_diameter = volume_diameter(change.values, tally.volume_diameter)
            columns[VOLUME][change.line - words.first_line] = now
        name, letter, unit = FACTOR_WORDS.get(change.word, ("", "", 1.0))
        if name and letter in change.values:
            columns[name][change.line - words.first_line] = change.values[letter] * unit
    return columns


def _axes_named(kept: Kept, line: int) -> str:
    begin, end = np.searchsorted(kept.line, [line, line + 1])
    return "".join(chr(c) for c in kept.letter[begin:end] if chr(c) in "XYZ")


def _whole(column: np.ndarray) -> np.ndarray:
    return np.where(column >= 0, column // 10, -2)


def _group_column(
    words: Words, tally: Tally, g: Kept, code: np.ndarray, group: np.ndarray, name: str
) -> np.ndarray:
    """The code of one group by line, -2 where none is given."""
    column = np.full(words.lines, -2, dtype=np.int64)
    of_group = group == GROUP_ID[name]
    lines = g.line[of_group]
    if name not in ("quiet", "dwell"):
        twice = np.flatnonzero(np.diff(lines) == 0)
        if len(twice):
            i = int(twice[0])
            one, two = (f"G{c / 10:g}" for c in code[of_group][i : i + 2].tolist())
            refuse(words, tally, int(lines[i]), f"{one} and {two} cannot share a line; {tally.remedy}")
    column[lines] = code[of_group]
    return column


def _refuse_clash(words: Words, tally: Tally, columns: dict[str, np.ndarray]) -> None:
    """Motion and an offset or homing word claim the same axis words."""
    moves = (columns["motion"] >= 0) | (columns["other"] >= 0)
    resets = (columns["reset"] >= 0) & (columns["reset"] != 530)
    clash = np.flatnonzero(
        (moves & ((columns["offset"] >= 0) | resets)) | ((columns["offset"] >= 0) & (columns["reset"] >= 0))
    )
    if len(clash):
        refuse(
            words,
            tally,
            int(clash[0]),
            f"two words claim the same axis words (a motion and G28, G30 or G92); {tally.remedy}",
        )


def _value_column(words: Words, tally: Tally, kept: Kept) -> np.ndarray:
    """The numbers of one letter by line."""
    column = np.full(words.lines, np.nan)
    if not len(kept.line):
        return column
    twice = np.flatnonzero(np.diff(kept.line) == 0)
    if len(twice):
        word = words.shown(int(kept.source[int(twice[0]) + 1]))
        refuse(
            words,
            tally,
            int(kept.line[twice[0]]),
            f"'{word}' gives its letter twice; {tally.remedy}",
        )
    far = np.flatnonzero(np.abs(kept.number) > LARGEST_NUMBER)
    if len(far):
        word = words.shown(int(kept.source[far[0]]))
        refuse(
            words,
            tally,
            int(kept.line[far[0]]),
            f"'{word}' is beyond any machine's reach; the file is damaged, {tally.remedy}",
        )
    column[kept.line] = kept.number
    return column
