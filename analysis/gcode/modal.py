"""RS-274 words by line: which modes a line sets and which axis words it has, with what cannot be read refused.

Whose words are whose: on a line that begins with a published M word, motion may follow; any other M word, a
subroutine word O and a G word that is not known keep the rest of their line for themselves. A line that is not
RS-274 at all is passed over and counted, unless it would move the machine or change how moves are read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.words import Tally, Words
from fitassay.coupons.errors import InputError

LARGEST_NUMBER = 1e7
VALUE_LETTERS = "XYZEFIJKR"

# G words by modal group, codes times ten (NISTIR 6556, table 4).
GROUPS: dict[str, tuple[int, ...]] = {
    "motion": (0, 10, 20, 30),
    # Motion that is not read: probing, threads, splines, canned cycles.
    "other": (50, 51, 52, 330, 331, 382, 383, 384, 385, 730, 760, *range(810, 900, 10)),
    "plane": (170, 180, 190),
    "units": (200, 210),
    "distance": (900, 910),
    "offset": (920,),
    "reset": (280, 300, 530, 921, 922, 923),
    "dwell": (40,),
    "quiet": (400, 430, 490, 540, 610, 611, 640, 800, 930, 940, 980, 990),
}
_ID = {name: i for i, name in enumerate(GROUPS, start=1)}
_GROUP = np.zeros(10001, dtype=np.uint8)
for _name, _codes in GROUPS.items():
    _GROUP[list(_codes)] = _ID[_name]

# M words that may share a line with motion (NISTIR 6556, table 4).
_PUBLISHED_M = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60)
_KNOWN_LETTERS = np.array([ord(c) for c in "GM" + VALUE_LETTERS], dtype=np.uint8)


@dataclass(frozen=True, kw_only=True)
class Table:
    """One block of lines.

    Attributes
    ----------
    first_line, lines : int
        Number of the first line in the file; how many there are.
    motion : ndarray (lines,) of int
        0 to 3; -1 for a motion that is not read; -2 where the line has no motion word.
    plane, units, distance, feed_distance : ndarray (lines,) of int
        17 to 19, 20 or 21, 90 or 91, 82 or 83; -2 where not given.
    offset : ndarray (lines,) of bool
        G92.
    reset : ndarray (lines,) of int
        280, 300, 530, 921, 922 or 923; -2 where not given.
    value : dict of str to ndarray (lines,)
        Numbers of `VALUE_LETTERS` as written; NaN where not given.
    bare : dict of int to str
        Letters on homing lines, by line.
    ended : bool
        True where the program ends within this block.
    """

    first_line: int
    lines: int
    motion: np.ndarray
    plane: np.ndarray
    units: np.ndarray
    distance: np.ndarray
    feed_distance: np.ndarray
    offset: np.ndarray
    reset: np.ndarray
    value: dict[str, np.ndarray]
    bare: dict[int, str]
    ended: bool


@dataclass(frozen=True, kw_only=True)
class _Kept:
    """Words that count, with their position in the block's `Words`."""

    letter: np.ndarray
    number: np.ndarray
    line: np.ndarray
    source: np.ndarray

    def where(self, mask: np.ndarray) -> _Kept:
        if mask.all():
            return self
        return _Kept(
            letter=self.letter[mask],
            number=self.number[mask],
            line=self.line[mask],
            source=self.source[mask],
        )

    def of(self, letter: str) -> _Kept:
        return self.where(self.letter == ord(letter))


def table_of(words: Words, tally: Tally) -> Table:
    """Arrange a block's words by line.

    Raises
    ------
    InputError
        At the first line that moves the machine, or changes how moves are read, and cannot be read for certain.
    """
    kept, ended = _sorted_out(words, tally)
    g = kept.of("G")
    code = _code(g.number)
    group = _group(code)
    strange = group == 0
    tally.count_unknown(g.letter[strange], g.number[strange])
    columns = {name: _group_column(words, tally, g, code, group, name) for name in GROUPS}
    motion = np.where(columns["motion"] >= 0, columns["motion"] // 10, -2)
    motion[columns["other"] >= 0] = -1
    _refuse_clash(words, tally, columns)

    value = {letter: _value_column(words, tally, kept.of(letter)) for letter in VALUE_LETTERS}
    homing = np.flatnonzero(np.isin(columns["reset"], (280, 300)))
    bare = {}
    for i in homing.tolist():
        begin, end = np.searchsorted(kept.line, [i, i + 1])
        bare[i] = "".join(chr(c) for c in kept.letter[begin:end] if chr(c) in "XYZ")

    m = kept.of("M")
    feed_distance = np.full(words.lines, -2)
    said = np.isin(m.number, (82, 83))
    feed_distance[m.line[said]] = m.number[said]
    tally.count_unknown(m.letter[~said], m.number[~said])
    others = kept.where(~np.isin(kept.letter, _KNOWN_LETTERS))
    tally.count_unknown(others.letter, others.number)
    return Table(
        first_line=words.first_line,
        lines=words.lines,
        motion=motion,
        plane=_whole(columns["plane"]),
        units=_whole(columns["units"]),
        distance=_whole(columns["distance"]),
        feed_distance=feed_distance,
        offset=columns["offset"] >= 0,
        reset=columns["reset"],
        value=value,
        bare=bare,
        ended=ended,
    )


def _whole(column: np.ndarray) -> np.ndarray:
    return np.where(column >= 0, column // 10, -2)


def _code(number: np.ndarray) -> np.ndarray:
    """Ten times the number as int; -1 where there is none or it is out of range."""
    tenfold = np.nan_to_num(number, nan=-1.0, posinf=-1.0) * 10
    return np.where((tenfold >= 0) & (tenfold < 10000), np.round(tenfold), -1).astype(np.int64)


def _group(code: np.ndarray) -> np.ndarray:
    return np.where(code >= 0, _GROUP[code], 0)


def _refuse(words: Words, tally: Tally, line: int, message: str) -> None:
    raise InputError(message, tally.place(words.first_line + int(line)))


def _sorted_out(words: Words, tally: Tally) -> tuple[_Kept, bool]:
    """The words that count, and whether the program ends in this block."""
    all_words = _Kept(
        letter=words.letter, number=words.value, line=words.line, source=np.arange(len(words.letter))
    )
    kept = all_words.where((words.letter != ord("N")) & (words.letter != ord("*")))
    first = np.flatnonzero(np.diff(kept.line, prepend=-1))
    owner = np.zeros(words.lines, dtype=np.uint8)
    owner[kept.line[first]] = kept.letter[first]
    code = np.full(words.lines, -1)
    code[kept.line[first]] = _code(kept.number[first])
    group = np.where(owner == ord("G"), _group(code), 0)
    foreign = (owner == ord("M")) & ~np.isin(code, np.array(_PUBLISHED_M) * 10)
    foreign |= owner == ord("O")
    foreign |= (owner == ord("G")) & ((group == 0) | (group == _ID["dwell"]))
    foreign &= (code >= 0) | (owner == ord("O"))  # a bare letter begins plain text

    ends = kept.line[(kept.letter == ord("M")) & np.isin(kept.number, (2, 30)) & ~foreign[kept.line]]
    live = np.ones(words.lines, dtype=bool)
    if len(ends):
        live[ends[0] + 1 :] = False

    sound = words.sound[kept.source]
    broken = words.junk.copy()
    broken[kept.line[~sound]] = True
    broken &= live & ~foreign
    if broken.any():
        broken = _broken_lines(words, tally, kept, broken, group, code, owner, first)

    is_first = np.zeros(len(kept.line), dtype=bool)
    is_first[first] = True
    mine = ~foreign[kept.line] | (is_first & (kept.letter != ord("O")))
    return kept.where(mine & live[kept.line] & ~broken[kept.line]), bool(len(ends))


def _broken_lines(
    words: Words,
    tally: Tally,
    kept: _Kept,
    broken: np.ndarray,
    group: np.ndarray,
    code: np.ndarray,
    owner: np.ndarray,
    first: np.ndarray,
) -> np.ndarray:
    """Refuse the broken lines that matter; return those to be passed over."""
    sound = words.sound[kept.source]
    homing = np.isin(code, (280, 300)) & (group == _ID["reset"])
    vital = np.isin(
        group, [_ID[n] for n in ("motion", "other", "plane", "units", "distance", "offset", "reset")]
    )
    # A line that begins with an axis word moves; one that begins with a bare letter is taken for text.
    starts = np.zeros(words.lines, dtype=bool)
    at = kept.source[first]
    computed = np.array(
        [words.text[b : b + 1] in (b"#", b"[") for b in (words.begin[at] + 1).tolist()], dtype=bool
    )
    starts[kept.line[first]] = sound[first] | computed
    vital |= np.isin(owner, [ord(c) for c in VALUE_LETTERS]) & starts
    fatal = np.flatnonzero(broken & vital & ~homing)
    if len(fatal):
        line = int(fatal[0])
        wrong = kept.source[(kept.line == line) & ~sound]
        if not len(wrong):
            _refuse(
                words, tally, line, "a number stands before the line's first letter; slice the coupons again"
            )
        word = words.shown(int(wrong[0]))
        if "#" in word or "[" in word:
            why = "is a computed value, which a sliced file does not use; slice the coupons again"
        else:
            why = "is not a letter with a number; the file is damaged or cut off, slice the coupons again"
        _refuse(words, tally, line, f"'{word}' {why}")
    text = broken & ~homing
    tally.text_lines += int(text.sum())
    return text


def _group_column(
    words: Words, tally: Tally, g: _Kept, code: np.ndarray, group: np.ndarray, name: str
) -> np.ndarray:
    """The code of one group by line, -2 where none is given."""
    column = np.full(words.lines, -2, dtype=np.int64)
    mine = group == _ID[name]
    lines = g.line[mine]
    if name not in ("quiet", "dwell"):
        twice = np.flatnonzero(np.diff(lines) == 0)
        if len(twice):
            i = int(twice[0])
            one, two = (f"G{c / 10:g}" for c in code[mine][i : i + 2].tolist())
            _refuse(
                words, tally, int(lines[i]), f"{one} and {two} cannot share a line; slice the coupons again"
            )
    column[lines] = code[mine]
    return column


def _refuse_clash(words: Words, tally: Tally, columns: dict[str, np.ndarray]) -> None:
    """Motion and an offset or homing word claim the same axis words."""
    moves = (columns["motion"] >= 0) | (columns["other"] >= 0)
    resets = (columns["reset"] >= 0) & (columns["reset"] != 530)
    clash = np.flatnonzero(
        (moves & ((columns["offset"] >= 0) | resets)) | ((columns["offset"] >= 0) & (columns["reset"] >= 0))
    )
    if len(clash):
        _refuse(
            words,
            tally,
            int(clash[0]),
            "two words claim the same axis words (a motion and G28, G30 or G92); slice the coupons again",
        )


def _value_column(words: Words, tally: Tally, kept: _Kept) -> np.ndarray:
    """The numbers of one letter by line."""
    column = np.full(words.lines, np.nan)
    if not len(kept.line):
        return column
    twice = np.flatnonzero(np.diff(kept.line) == 0)
    if len(twice):
        word = words.shown(int(kept.source[int(twice[0]) + 1]))
        _refuse(
            words,
            tally,
            int(kept.line[twice[0]]),
            f"'{word}' gives its letter twice; slice the coupons again",
        )
    far = np.flatnonzero(np.abs(kept.number) > LARGEST_NUMBER)
    if len(far):
        word = words.shown(int(kept.source[far[0]]))
        _refuse(
            words,
            tally,
            int(kept.line[far[0]]),
            f"'{word}' is beyond any machine's reach; the file is damaged, slice the coupons again",
        )
    column[kept.line] = kept.number
    return column
