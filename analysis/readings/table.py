"""A CSV file that people edit: read in whatever form, cells changed, all else kept as it was."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.wording import did_you_mean, listed, shown

LARGEST_BYTES = 5_000_000
"""No such file is longer; a longer one is some other file."""

Entry = TypeVar("Entry")

DELIMITERS = (",", ";", "\t")
_LINE_ENDS = ("\r\n", "\n", "\r")


@dataclass
class Record:
    """One row: its cells, and the text it was read from with its line end.

    `line` is the line of the file on which it begins, from 1.
    """

    cells: list[str]
    raw: str
    line: int

    @property
    def blank(self) -> bool:
        """Whether all cells are empty."""
        return not any(c.strip() for c in self.cells)


class Table:
    """The rows of one file under its header.

    Attributes
    ----------
    place : str
        The file's name, for messages.
    delimiter : str
        Between cells: comma, semicolon or tab.
    columns : dict of str to int
        Position of each column of the header.
    records : list of Record
        The rows below the header, blank ones too.
    """

    def __init__(self, raw: bytes, place: str, required: Sequence[str], known: Sequence[str]) -> None:
        """Read a file; raises `InputErrors` where it is no such table."""
        self.place = place
        text = _text(raw, place)
        self._mark = "\ufeff" if raw.startswith(b"\xef\xbb\xbf") else ""
        self.delimiter = _delimiter(text, known)
        self.end = next((e for e in _LINE_ENDS if e in text), "\n")
        rows = _records(text, self.delimiter, place)
        at = next((i for i, r in enumerate(rows) if not r.blank), None)
        if at is None:
            raise InputErrors([InputError(f"is empty; its first line must be {','.join(known)}", place)])
        self._head, self.records = rows[: at + 1], rows[at + 1 :]
        self.columns = _columns(rows[at], place, required, known)

    @property
    def width(self) -> int:
        """Number of cells in the header."""
        return len(self._head[-1].cells)

    def cell(self, record: Record, column: str) -> str:
        """The cell's text without surrounding blanks; empty where the row has no such cell."""
        at = self.columns.get(column)
        return record.cells[at].strip() if at is not None and at < len(record.cells) else ""

    def collect(self, read: Callable[[Record], Entry | None]) -> list[Entry]:
        """What all rows hold, without those that hold nothing; `InputErrors` with every row's problem."""
        found, problems = [], []
        for record in self.records:
            try:
                entry = read(record)
            except InputError as exc:
                problems.append(exc)
            else:
                if entry is not None:
                    found.append(entry)
        if problems:
            raise InputErrors(problems)
        return found

    def set(self, record: Record, cells: Mapping[str, str]) -> None:
        """Change cells of a row; a column that the file lacks is added if its cell is to hold anything."""
        for column, text in cells.items():
            if column not in self.columns:
                if not text:
                    continue
                self._add_column(column)
            at = self.columns[column]
            record.cells += [""] * (at + 1 - len(record.cells))
            record.cells[at] = text
        self._rewrite(record)

    def insert(self, index: int, cells: Mapping[str, str]) -> Record:
        """A new row before position `index` of `records`."""
        before = (self._head + self.records)[len(self._head) + index - 1]
        if not before.raw.endswith(("\n", "\r")):
            before.raw += self.end
        record = Record(cells=[""] * self.width, raw=self.end, line=0)
        self.records.insert(index, record)
        self.set(record, cells)
        return record

    def text(self) -> str:
        """The whole file; rows that were not changed are as they were, to the last character."""
        return self._mark + "".join(r.raw for r in self._head + self.records)

    def _add_column(self, column: str) -> None:
        self._head[-1].cells.append(column)
        self._rewrite(self._head[-1])
        self.columns[column] = self.width - 1

    def _rewrite(self, record: Record) -> None:
        body = record.raw.rstrip("\r\n")
        end = record.raw[len(body) :]
        record.raw = csv_line(record.cells, self.delimiter) + end


def csv_line(cells: Sequence[str], delimiter: str = ",") -> str:
    """Cells as one row, quoted where they must be, without a line end."""
    out = io.StringIO()
    # The writer quotes cells with line ends only if they are its own line end's characters.
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n").writerow(cells)
    return out.getvalue().removesuffix("\r\n")


FORMULA_STARTS = ("=", "@")
"""What a spreadsheet takes for a formula; a note may well begin with a sign and a number."""


def harmless_cell(text: str) -> str:
    """Free text for a cell, with an apostrophe before what a spreadsheet would work out as a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def _text(raw: bytes, place: str) -> str:
    """The file's text, or what kind of file it is instead."""
    where = place
    if len(raw) > LARGEST_BYTES:
        problem = "is too large for a table of readings; was another file meant?"
    elif raw.startswith(b"PK\x03\x04"):
        problem = "is a spreadsheet's own format or an archive; save it from the spreadsheet as CSV in UTF-8"
    elif raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in raw[:2]:
        problem = "is UTF-16 text; save it as CSV in UTF-8"
    elif b"\0" in raw:
        problem = "is not text; save it as CSV in UTF-8"
    else:
        try:
            return raw.decode("utf-8-sig")
        except UnicodeDecodeError as exc:
            line = raw.count(b"\n", 0, exc.start) + 1
            where = f"{place}, line {line}"
            problem = "holds letters that are not UTF-8; save the file as CSV in UTF-8"
    raise InputErrors([InputError(problem, where)])


def _delimiter(text: str, known: Sequence[str]) -> str:
    """What stands between the cells: what makes most known column names of the header."""
    first = next((line for line in text.splitlines() if line.strip()), "")

    def score(delimiter: str) -> int:
        names = {_name(c) for c in first.split(delimiter)}
        return len(names.intersection(known))

    return max(DELIMITERS, key=score)


def _name(cell: str) -> str:
    return cell.strip().strip('"').strip().casefold()


def _records(text: str, delimiter: str, place: str) -> list[Record]:
    """All rows, each with its own text."""
    lines = list(io.StringIO(text, newline=""))
    # strict: an unclosed quote is an error instead of swallowing the rest of the file.
    reader = csv.reader(lines, delimiter=delimiter, strict=True, skipinitialspace=True)
    records: list[Record] = []
    done = 0
    try:
        for cells in reader:
            records.append(Record(cells=cells, raw="".join(lines[done : reader.line_num]), line=done + 1))
            done = reader.line_num
    except csv.Error as exc:
        reason = str(exc)
        if "field limit" in reason:
            message = "has a cell that is too long; shorten it"
        elif "unexpected end" in reason:
            message = 'opens a quote (") that is never closed; close it or take it out'
        else:
            message = 'has text behind a closing quote ("); take the quotes out or quote the whole cell'
        raise InputErrors([InputError(message, f"{place}, line {done + 1}")]) from exc
    return records


def _columns(header: Record, place: str, required: Sequence[str], known: Sequence[str]) -> dict[str, int]:
    """Position of each column; problems with the header raised together."""
    where = f"{place}, line {header.line}"
    names = [_name(c) for c in header.cells]
    problems = []
    for name in dict.fromkeys(n for n in names if n and names.count(n) > 1):
        at = [i + 1 for i, n in enumerate(names) if n == name]
        problems.append(
            InputError(
                f"column {shown(name)} is there {len(at)} times (columns {listed(at)}); keep one", where
            )
        )
    missing = [n for n in required if n not in names]
    if len(missing) == len(required):
        message = f"is not the header; the first line must be {','.join(known)}"
        problems.append(InputError(message, where))
    else:
        spare = [n for n in names if n not in known]
        for name in missing:
            hint = did_you_mean(name, spare).replace("did you mean", "should that be") if spare else ""
            problems.append(InputError(f"column {name} is missing{hint or '; add it'}", where))
    if problems:
        raise InputErrors(problems)
    return {name: i for i, name in enumerate(names) if name}
