"""readings.csv: what the caliper said, row by row, read with every problem named.

`ReadingsBook` is how the file is changed while readings are taken; `plausible` asks whether one can be meant.
"""

from __future__ import annotations

import re
from pathlib import Path

from fitassay.analysis.readings.book import ReadingsBook
from fitassay.analysis.readings.plausibility import plausible
from fitassay.analysis.readings.reading import (
    COLUMNS,
    FITS,
    REFERENCE,
    Names,
    Reading,
    blank_readings,
    is_trial,
    open_table,
    parse_answer,
    parse_reading,
    reference_id,
    reference_piece,
)
from fitassay.analysis.readings.table import Record, Table
from fitassay.analysis.readings.weighings import WEIGHED
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.feature import Manifest
from fitassay.coupons.wording import shown

__all__ = [
    "COLUMNS",
    "FITS",
    "REFERENCE",
    "WEIGHED",
    "Reading",
    "ReadingsBook",
    "blank_readings",
    "open_table",
    "parse_reading",
    "plausible",
    "read_readings",
    "reference_id",
    "reference_piece",
]


def read_readings(path: Path, manifest: Manifest) -> tuple[Reading, ...]:
    """The readings taken so far, in the file's order; rows without a reading are left out.

    A byte order mark, any line ends, semicolons or tabs between the cells, decimal commas, blanks and a
    trailing "mm" are understood.

    Raises
    ------
    InputError
        There is no such file.
    InputErrors
        Everything that is wrong with the file, with line and column.
    """
    table = open_table(path)
    names = Names(manifest)
    rows = [r for r in table.records if any(_place_cells(table, r))]
    if rows and not any(names.find(*_place_cells(table, r)) for r in rows):
        raise InputErrors([_another_print(table, rows[0], len(rows))])
    return tuple(table.collect(lambda record: _row(table, record, names)))


def _place_cells(table: Table, record: Record) -> tuple[str, str]:
    return table.cell(record, "coupon"), table.cell(record, "feature")


def _row(table: Table, record: Record, names: Names) -> Reading | None:
    """The row's reading, None where it holds none; raises `InputError` with line and column."""
    coupon, feature = _place_cells(table, record)
    text = table.cell(record, "reading_mm")
    _check_cells(table, record, names)
    found = names.find(coupon, feature)
    if found is None:
        if not text and bool(coupon) == bool(feature):  # a note, or a row from elsewhere, with nothing read
            return None
        column, message = names.unknown(coupon, feature)
        raise _problem(table, record, column, message)
    if not text:
        return None
    known = names.feature(*found)
    try:
        size, fit = parse_answer(text, known, found[0])
    except ValueError as exc:
        raise _problem(table, record, "reading_mm", str(exc)) from exc
    note = table.cell(record, "note")
    if known is not None and known.by_eye:
        return Reading(
            coupon=found[0],
            feature=found[1],
            reading_mm=None,
            note=note,
            line=record.line,
            fit=fit,
            pair=size,
        )
    piece = names.coupon(found[0])
    if fit and (piece is None or not is_trial(piece, names.features[piece.id][found[1].casefold()])):
        raise _problem(
            table,
            record,
            "reading_mm",
            f"{shown(text)} is for pegs tried in holes; write the size in mm here",
        )
    return Reading(coupon=found[0], feature=found[1], reading_mm=size, note=note, line=record.line, fit=fit)


def _check_cells(table: Table, record: Record, names: Names) -> None:
    """Raise `InputError` where the row's cells are not what its author meant them to be."""
    at = table.columns["reading_mm"]
    text = table.cell(record, "reading_mm")
    after = record.cells[at + 1].strip() if at + 1 < len(record.cells) else ""
    if table.delimiter == "," and re.fullmatch(r"\d+", text) and re.fullmatch(r"\d{1,4}( ?mm)?", after):
        digits = after.split(" ")[0].removesuffix("mm")
        raise _problem(
            table,
            record,
            "reading_mm",
            f"{text},{digits} looks like a decimal comma in a file with commas between the cells; "
            f'write {text}.{digits} or "{text},{digits}"',
        )
    if any(c.strip() for c in record.cells[table.width :]):
        raise _problem(
            table,
            record,
            "",
            f"has {len(record.cells)} cells where the header has {table.width}; "
            "put a cell that holds a comma in quotes",
        )
    for line in "\n".join(c for c in record.cells if "\n" in c or "\r" in c).splitlines()[1:]:
        head = line.split(table.delimiter)
        if len(head) > 2 and (
            names.coupon(head[0].strip()) or head[0].strip().casefold() in (REFERENCE, WEIGHED)
        ):
            raise _problem(
                table, record, "", 'opens a quote (") that swallows the rows below; close it or take it out'
            )


def _problem(table: Table, record: Record, column: str, message: str) -> InputError:
    where = f"{table.place}, line {record.line}"
    return InputError(message, f"{where}, column {column}" if column else where)


def _another_print(table: Table, record: Record, number: int) -> InputError:
    coupon, feature = _place_cells(table, record)
    what = f"none of its {number} rows belongs" if number > 1 else "its one row does not belong"
    return InputError(
        f"{what} to this print (found {shown(coupon)} {shown(feature)}); "
        "these are readings for another print: choose it with --print or put the right file here",
        f"{table.place}, line {record.line}",
    )
