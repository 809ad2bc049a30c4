"""RS-274 text as words: which letter with which number stands on which line.

Follows the published word format (Kramer, Proctor, Messina: The NIST RS274NGC Interpreter, NISTIR 6556, 2000;
ISO 6983-1): blanks and case mean nothing, comments stand in round brackets or after a semicolon, a line may
carry a number N and, after an asterisk, a checksum (exclusive or of the characters before it). No program's
comments are relied on.

A file is read in chunks of whole lines, each taken apart with array operations, so that memory does not depend on
its length.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np

from fitassay.analysis.gcode.changes import Change
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import open_input

CHUNK_BYTES = 1 << 18
LARGEST_CODE = 9999
"""No G or M word has a larger number."""
DISTINCT_UNKNOWN = 500
"""So many different unknown words are told apart; the rest are counted together."""

_DIGIT, _DOT, _SIGN, _STRAY, _LETTER, _END = range(6)
_CLASS = np.full(256, _STRAY, dtype=np.uint8)
_CLASS[[ord(c) for c in "0123456789"]] = _DIGIT
_CLASS[ord(".")] = _DOT
_CLASS[[ord(c) for c in "+-"]] = _SIGN
# The asterisk of a checksum is followed by a number just as a letter is.
_CLASS[[ord(c) for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ*"]] = _LETTER
_CLASS[ord("\n")] = _END

EXACT_DIGITS = 15
"""So many decimal digits are whole numbers below 2^53, exact in a double."""
_TENS = 10.0 ** np.arange(EXACT_DIGITS + 1)

_UPPER = bytes(range(256)).upper()
_COORDINATE = re.compile(rb"[XYxy][ \t]*[-+]?\d*\.(\d+)")
_COMMENT = re.compile(rb"\([^)\n]*\)?|;[^\n]*")

# How other kinds of file begin, with what to say about them.
_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "is a zip archive (a 3MF, perhaps), not a sliced file; export the tool path as text"),
    (b"\x1f\x8b", "is compressed; unpack it first"),
    (b"\xff\xfe", "is UTF-16 text; save it as plain text (ASCII or UTF-8)"),
    (b"\xfe\xff", "is UTF-16 text; save it as plain text (ASCII or UTF-8)"),
    (b"%PDF", "is a PDF, not a sliced file"),
)


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How much of anything a file may hold before it is taken for damage.

    Attributes
    ----------
    line_bytes : int
        The published format allows 256 characters a line.
    resets : int
        Lines that home or put offsets back.
    arc_pieces : int
        Straight pieces of arcs in one file.
    layers : int
    layer_moves : int
        Moves in one layer that is kept.
    loops : int
        Closed loops in one layer.
    """

    line_bytes: int = 1 << 20
    resets: int = 5000
    arc_pieces: int = 20_000_000
    layers: int = 100_000
    layer_moves: int = 300_000
    loops: int = 20_000


LIMITS = Limits()


@dataclass
class Tally:
    """What was met on the way, counted while a file is read.

    Attributes
    ----------
    name : str
        The file, for messages.
    limits : Limits
    remedy : str
        What messages say to do about a line that cannot be read.
    lines, bytes : int
    unknown : Counter of str
        Words that are carried over without effect, e.g. ``M104``.
    text_lines : int
        Lines that are not RS-274 at all.
    bad_checksums, first_bad_checksum : int
        Lines whose checksum does not fit, and the first one's number (0: none).
    loose_arcs : int
        Arcs whose ends lie on radii that differ by more than the published 0.002 mm.
    arc_pieces : int
        Straight pieces that arcs were replaced by.
    unread_moves, first_unread_move : int
        Lines under a motion that is not read (canned cycles, splines), and the first one's number (0: none).
    changes : list of Change
        The first words that change the print.
    change_count : int
        How many there are.
    numbers_missing, first_number_missing : int
        Gaps in the line numbers N, and the first gap's line (0: none).
    last_number : float
        The last line number N; NaN without.
    decimals : int
        Of most coordinates in the first part of the file that has any.
    ended : bool
        True once the program's end (M2, M30) was met.
    filament_undeclared : bool
        True while neither M82 nor M83 was met.
    filament_steps, filament_drops : int
        Moves in the plane with a word E before such a declaration, and those on which an absolute E would not rise.
    volume_diameter : float [mm]
        The last that M200 named, in force or not; 0 without.
    """

    name: str
    limits: Limits = LIMITS
    remedy: str = "slice the coupons again"
    lines: int = 0
    bytes: int = 0
    unknown: Counter[str] = field(default_factory=Counter)
    text_lines: int = 0
    bad_checksums: int = 0
    first_bad_checksum: int = 0
    loose_arcs: int = 0
    arc_pieces: int = 0
    unread_moves: int = 0
    first_unread_move: int = 0
    changes: list[Change] = field(default_factory=list)
    change_count: int = 0
    numbers_missing: int = 0
    first_number_missing: int = 0
    last_number: float = float("nan")
    decimals: int = 0
    ended: bool = False
    filament_undeclared: bool = True
    filament_steps: int = 0
    filament_drops: int = 0
    volume_diameter: float = 0.0

    def place(self, line: int) -> str:
        """File and line for a message."""
        return f"{self.name}, line {line}"

    def count_unknown(self, letters: np.ndarray, values: np.ndarray) -> None:
        """Count words by letter, and for G and M by number too."""
        if not len(letters):
            return
        # Numbers that no word has count as one.
        known = np.clip(np.nan_to_num(values), 0, LARGEST_CODE)
        coded = np.where(np.isin(letters, (ord("G"), ord("M"))), np.round(known * 10), 0)
        keys, counts = np.unique(
            letters.astype(np.int64) * 10**9 + coded.astype(np.int64), return_counts=True
        )
        for key, count in zip(keys.tolist(), counts.tolist(), strict=True):
            letter, number = divmod(key, 10**9)
            name = f"{chr(letter)}{number / 10:g}" if chr(letter) in "GM" else chr(letter)
            if name not in self.unknown and len(self.unknown) >= DISTINCT_UNKNOWN:
                name = "others"
            self.unknown[name] += count


@dataclass(frozen=True, kw_only=True)
class Words:
    """The words of one chunk of whole lines, in reading order.

    Attributes
    ----------
    first_line : int
        Number of the chunk's first line, from 1.
    lines : int
        How many lines the chunk has.
    letter : ndarray (n,) of uint8
        Upper case; ``*`` for checksums.
    value : ndarray (n,)
        NaN where no number follows.
    line : ndarray (n,) of int
        Line within the chunk, from 0, ascending.
    sound : ndarray (n,) of bool
        True where letter and number are well formed.
    junk : ndarray (lines,) of bool
        True where something stands before the line's first letter.
    text : bytes
        The chunk without blanks and comments, for messages.
    begin : ndarray (n,) of int
        Where each word begins in `text`.
    """

    first_line: int
    lines: int
    letter: np.ndarray
    value: np.ndarray
    line: np.ndarray
    sound: np.ndarray
    junk: np.ndarray
    text: bytes
    begin: np.ndarray

    def shown(self, index: int) -> str:
        """Word `index` as it stands in the file, for a message."""
        begin = int(self.begin[index])
        end = int(self.begin[index + 1]) if index + 1 < len(self.begin) else len(self.text)
        word = self.text[begin:end].split(b"\n")[0][:25].decode("ascii", "replace")
        return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in word)


def words_of(text: bytes, first_line: int = 1) -> Words:
    """Take a chunk of whole lines apart.

    Parameters
    ----------
    text : bytes
        Lines, each ended by a line feed (the last one's may be missing).
    """
    text = _COMMENT.sub(b"", text).translate(_UPPER, b" \t\v\f\r%")
    if text.endswith(b"\n"):
        text = text[:-1]
    # Each line is begun by its line feed, so that what stands before its first letter belongs to that.
    text = (b"\n" + text).replace(b"\n/", b"\n")  # a slash marks lines that an operator may skip
    data = np.frombuffer(text, dtype=np.uint8)
    kind = _CLASS[data]
    begin = np.flatnonzero(kind >= _LETTER)
    length = np.diff(begin, append=len(data)) - 1
    kind_after = kind[np.minimum(begin + 1, len(data) - 1)]
    signed = (length > 0) & (kind_after == _SIGN)
    dots = np.add.reduceat((kind == _DOT).view(np.uint8), begin, dtype=np.int32)
    digits = np.add.reduceat((kind == _DIGIT).view(np.uint8), begin, dtype=np.int32)
    # A sign elsewhere than in front, or any other character, leaves the sum short.
    sound = (dots <= 1) & (digits >= 1) & (digits + dots + signed == length)
    is_word = kind[begin] == _LETTER
    line = np.cumsum(~is_word) - 1
    value = _numbers(data, kind, begin, length, digits)
    value[signed & (data[np.minimum(begin + 1, len(data) - 1)] == ord("-"))] *= -1
    for i in np.flatnonzero(sound & (digits > EXACT_DIGITS)).tolist():
        value[i] = float(text[begin[i] + 1 : begin[i] + 1 + length[i]])
    value[~sound] = np.nan
    junk = length[~is_word] > 0
    return Words(
        first_line=first_line,
        lines=len(junk),
        letter=data[begin[is_word]],
        value=value[is_word],
        line=line[is_word],
        sound=sound[is_word],
        junk=junk,
        text=text,
        begin=begin[is_word],
    )


def _numbers(
    data: np.ndarray, kind: np.ndarray, begin: np.ndarray, length: np.ndarray, digits: np.ndarray
) -> np.ndarray:
    """Size of the number after each word's letter; meaningless where the word is not sound or has more than
    `EXACT_DIGITS` digits.

    Digits are added up as whole numbers, which is exact, and divided once by a power of ten, which rounds once: the
    result is the double nearest to what is written.
    """
    value = np.zeros(len(begin))
    has = np.flatnonzero(digits > 0)
    if not len(has):
        return value
    at = np.flatnonzero(kind == _DIGIT)
    count = digits[has]
    stop = np.cumsum(count)
    behind = np.repeat(stop, count) - np.arange(1, len(at) + 1)
    whole = (data[at] - ord("0")) * _TENS[np.minimum(behind, EXACT_DIGITS)]
    value[has] = np.add.reduceat(whole, stop - count)
    dots = np.flatnonzero(kind == _DOT)
    word = np.searchsorted(begin, dots) - 1
    places = begin[word] + length[word] - dots
    value[word] /= _TENS[np.minimum(places, EXACT_DIGITS)]
    return value


def read_words(path: Path, tally: Tally, chunk_bytes: int = CHUNK_BYTES) -> Iterator[Words]:
    """The words of a file, chunk by chunk.

    Parameters
    ----------
    path : Path
    tally : Tally
        Counts lines, bytes and checksums while reading.
    chunk_bytes : int
        How much is taken apart at once.

    Raises
    ------
    InputError
        Missing, unreadable, binary, another kind of file, or a line longer than the limits allow.
    """
    with open_input(path, "sliced file", "there is no such file") as stream:
        if _is_stl(stream.peek(512), os.fstat(stream.fileno()).st_size):
            raise InputError("is an STL, the shape itself; slice it and name the sliced file", tally.name)
        for chunk in _chunks(stream, tally, chunk_bytes):
            words = words_of(chunk, tally.lines + 1)
            _check_sums(chunk, words, tally)
            _check_numbers(words, tally)
            tally.decimals = tally.decimals or _decimals(chunk)
            yield words
            tally.lines += words.lines


def _is_stl(head: bytes, size: int) -> bool:
    """Whether a file that begins so and is so long [bytes] is an STL, by its length or as text by its first words."""
    if len(head) >= 84 and size == 84 + 50 * int.from_bytes(head[80:84], "little"):
        return True
    return head.lstrip().startswith(b"solid") and b"facet" in head


def _chunks(stream: BinaryIO, tally: Tally, chunk_bytes: int) -> Iterator[bytes]:
    """Blocks of whole lines, each line ended by a line feed alone."""
    rest = b""
    lines = 0
    while data := stream.read(chunk_bytes if tally.bytes else max(chunk_bytes, 16)):
        if not tally.bytes:
            for magic, message in _MAGIC:
                if data.startswith(magic):
                    raise InputError(message, tally.name)
            data = data.removeprefix(b"\xef\xbb\xbf")
        tally.bytes += len(data)
        if b"\0" in data:
            at = lines + 1 + (rest + data[: data.index(b"\0")]).count(b"\n")
            raise InputError("holds zero bytes: a binary or damaged file; slice it again", tally.place(at))
        if data.endswith(b"\r"):  # its line feed may come with the next chunk
            data += stream.read(1)
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        data = rest + data
        cut = data.rfind(b"\n") + 1
        chunk, rest = data[:cut], data[cut:]
        longest = tally.limits.line_bytes
        if len(rest) > longest:
            raise InputError(
                f"is longer than {longest >> 10} kB, so this is no RS-274 text; {tally.remedy}",
                tally.place(lines + 1 + chunk.count(b"\n")),
            )
        if chunk:
            lines += chunk.count(b"\n")
            yield chunk
    if rest:
        yield rest + b"\n"


def _decimals(chunk: bytes) -> int:
    """Decimals of most coordinates in a chunk; 0 without any."""
    counts = Counter(len(digits) for digits in _COORDINATE.findall(chunk))
    return counts.most_common(1)[0][0] if counts else 0


def _check_numbers(words: Words, tally: Tally) -> None:
    """Count the places where line numbers N, that go up by one elsewhere, leave some out."""
    numbered = np.flatnonzero((words.letter == ord("N")) & words.sound)
    if not len(numbered):
        return
    step = np.diff(words.value[numbered], prepend=tally.last_number)
    usual = float(np.median(step[1:])) if len(step) > 1 else 1.0
    gaps = np.flatnonzero(step > usual + 0.5)
    if len(gaps) and not tally.numbers_missing:
        tally.first_number_missing = words.first_line + int(words.line[numbered[gaps[0]]])
    tally.numbers_missing += len(gaps)
    tally.last_number = float(words.value[numbered[-1]])


def _check_sums(chunk: bytes, words: Words, tally: Tally) -> None:
    """Count the lines whose checksum does not fit the characters before it."""
    starred = np.flatnonzero((words.letter == ord("*")) & words.sound)
    if not len(starred):
        return
    data = np.frombuffer(chunk, dtype=np.uint8)
    running = np.concatenate([[0], np.bitwise_xor.accumulate(data)]).astype(np.uint8)
    ends = np.flatnonzero(data == ord("\n"))
    starts = np.concatenate([[0], ends[:-1] + 1])[words.line[starred]]
    stars = np.flatnonzero(data == ord("*"))
    star = stars[np.searchsorted(stars, starts)]
    bad = (running[star] ^ running[starts]) != words.value[starred]
    if bad.any():
        if not tally.bad_checksums:
            tally.first_bad_checksum = words.first_line + int(words.line[starred][bad][0])
        tally.bad_checksums += int(bad.sum())
