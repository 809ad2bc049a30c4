"""What each line of RS-274 begins with, and which of its words count.

Whose words are whose: on a line that begins with a published M word, motion may follow; any other M word, a
subroutine word O and a G word that is not known keep the rest of their line for themselves. A line that is not
RS-274 at all is passed over and counted, unless it would move the machine or change how moves are read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.changes import CHANGING, Change
from fitassay.analysis.gcode.words import Tally, Words
from fitassay.coupons.errors import InputError

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
GROUP_ID = {name: i for i, name in enumerate(GROUPS, start=1)}
_GROUP = np.zeros(10001, dtype=np.uint8)
for _name, _codes in GROUPS.items():
    _GROUP[list(_codes)] = GROUP_ID[_name]

# M words that may share a line with motion (NISTIR 6556, table 4).
_PUBLISHED_M = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60)


@dataclass(frozen=True, kw_only=True)
class Kept:
    """Words that count, with their position in the chunk's `Words`."""

    letter: np.ndarray
    number: np.ndarray
    line: np.ndarray
    source: np.ndarray

    def where(self, mask: np.ndarray) -> Kept:
        if mask.all():
            return self
        return Kept(
            letter=self.letter[mask],
            number=self.number[mask],
            line=self.line[mask],
            source=self.source[mask],
        )

    def of(self, letter: str) -> Kept:
        return self.where(self.letter == ord(letter))


def code_of(number: np.ndarray) -> np.ndarray:
    """Ten times the number as int; -1 where there is none or it is out of range."""
    tenfold = np.nan_to_num(number, nan=-1.0, posinf=-1.0) * 10
    return np.where((tenfold >= 0) & (tenfold < 10000), np.round(tenfold), -1).astype(np.int64)


def group_of(code: np.ndarray) -> np.ndarray:
    return np.where(code >= 0, _GROUP[code], 0)


def refuse(words: Words, tally: Tally, line: int, message: str) -> None:
    raise InputError(message, tally.place(words.first_line + int(line)))


@dataclass(frozen=True, kw_only=True)
class _Lines:
    """What each line begins with.

    Attributes
    ----------
    letter : ndarray (lines,) of uint8
        First letter beside N; 0 on empty lines.
    code, group : ndarray (lines,) of int
        Ten times the first word's number, -1 without; its modal group where it is a G word, else 0.
    first : ndarray of int
        Where in `Kept` each line that has words begins.
    words : ndarray (lines,) of int
        How many words the line has.
    """

    letter: np.ndarray
    code: np.ndarray
    group: np.ndarray
    first: np.ndarray
    words: np.ndarray

    def within(self, *groups: str) -> np.ndarray:
        """Lines that begin with a G word of these groups."""
        return np.isin(self.group, [GROUP_ID[name] for name in groups])

    @property
    def foreign(self) -> np.ndarray:
        """Lines that belong to their first word, ndarray (lines,) of bool."""
        foreign = (self.letter == ord("M")) & ~np.isin(self.code, np.array(_PUBLISHED_M) * 10)
        # M30 with a name behind it deletes that file; only alone it ends the program.
        foreign |= (self.letter == ord("M")) & (self.code == 300) & (self.words > 1)
        foreign |= self.letter == ord("O")
        foreign |= (self.letter == ord("G")) & ((self.group == 0) | (self.group == GROUP_ID["dwell"]))
        return foreign & ((self.code >= 0) | (self.letter == ord("O")))  # a bare letter begins plain text


def _lines_of(words: Words, kept: Kept) -> _Lines:
    first = np.flatnonzero(np.diff(kept.line, prepend=-1))
    at = kept.line[first]
    letter = np.zeros(words.lines, dtype=np.uint8)
    letter[at] = kept.letter[first]
    code = np.full(words.lines, -1)
    code[at] = code_of(kept.number[first])
    return _Lines(
        letter=letter,
        code=code,
        group=np.where(letter == ord("G"), group_of(code), 0),
        first=first,
        words=np.bincount(kept.line, minlength=words.lines),
    )


def sorted_out(words: Words, tally: Tally) -> tuple[Kept, bool, tuple[Change, ...]]:
    """The words that count, whether the program ends in this chunk, and the words that change the print."""
    all_words = Kept(
        letter=words.letter, number=words.value, line=words.line, source=np.arange(len(words.letter))
    )
    kept = all_words.where((words.letter != ord("N")) & (words.letter != ord("*")))
    lines = _lines_of(words, kept)
    foreign = lines.foreign
    ends = kept.line[(kept.letter == ord("M")) & np.isin(kept.number, (2, 30)) & ~foreign[kept.line]]
    live = np.ones(words.lines, dtype=bool)
    if len(ends):
        live[ends[0] + 1 :] = False

    broken = words.junk.copy()
    broken[kept.line[~words.sound[kept.source]]] = True
    broken &= live & ~foreign
    if broken.any():
        broken = _broken_lines(words, tally, kept, lines, broken)

    changes = _changes(words, kept, lines, live)
    is_first = np.zeros(len(kept.line), dtype=bool)
    is_first[lines.first] = True
    counts = ~foreign[kept.line] | (is_first & (kept.letter != ord("O")))
    return kept.where(counts & live[kept.line] & ~broken[kept.line]), bool(len(ends)), changes


def _changes(words: Words, kept: Kept, lines: _Lines, live: np.ndarray) -> tuple[Change, ...]:
    """Lines that begin with a word of `CHANGING`."""
    found = []
    for letter, codes in CHANGING.items():
        begins = live & (lines.letter == ord(letter)) & np.isin(lines.code, list(codes))
        for line in np.flatnonzero(begins).tolist():
            begin, end = np.searchsorted(kept.line, [line, line + 1])
            code = int(lines.code[line])
            values = {
                chr(c): float(v)
                for c, v in zip(kept.letter[begin + 1 : end], kept.number[begin + 1 : end], strict=True)
                if np.isfinite(v)
            }
            change = Change(
                line=words.first_line + line,
                word=f"{letter}{code / 10:g}",
                values=values,
                what=codes[code],
            )
            # M92 alone asks for what is set, and so do its like.
            if values or change.what.refused:
                found.append(change)
    return tuple(sorted(found, key=lambda change: change.line))


def _broken_lines(words: Words, tally: Tally, kept: Kept, lines: _Lines, broken: np.ndarray) -> np.ndarray:
    """Those of the broken lines that may be passed over; the others are refused.

    Homing lines may hold bare letters. A line that moves, or changes how moves are read, must be whole; one that
    begins with a bare letter is taken for text.
    """
    homing = np.isin(lines.code, (280, 300)) & lines.within("reset")
    vital = lines.within("motion", "other", "plane", "units", "distance", "offset", "reset")
    vital |= np.isin(lines.letter, [ord(c) for c in VALUE_LETTERS]) & _begins_with_number(words, kept, lines)
    fatal = np.flatnonzero(broken & vital & ~homing)
    if len(fatal):
        _refuse_broken(words, tally, kept, int(fatal[0]))
    text = broken & ~homing
    tally.text_lines += int(text.sum())
    return text


def _begins_with_number(words: Words, kept: Kept, lines: _Lines) -> np.ndarray:
    """Lines whose first letter is followed by a number, or by a computed one, ndarray (lines,) of bool."""
    at = kept.source[lines.first]
    computed = [words.text[b : b + 1] in (b"#", b"[") for b in (words.begin[at] + 1).tolist()]
    starts = np.zeros(words.lines, dtype=bool)
    starts[kept.line[lines.first]] = words.sound[at] | np.array(computed, dtype=bool)
    return starts


def _refuse_broken(words: Words, tally: Tally, kept: Kept, line: int) -> None:
    """Say what is wrong with a line, counted from 0 within the chunk."""
    wrong = kept.source[(kept.line == line) & ~words.sound[kept.source]]
    if not len(wrong):
        message = f"a number stands before the line's first letter; {tally.remedy}"
    else:
        word = words.shown(int(wrong[0]))
        why = f"is not a letter with a number; the file is damaged or cut off, {tally.remedy}"
        if "#" in word or "[" in word:
            why = f"is a computed value, which a sliced file does not use; {tally.remedy}"
        message = f"'{word}' {why}"
    refuse(words, tally, line, message)
