"""filament.csv and feed.csv: what the caliper said of the filament, and what the extruder fed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fitassay.analysis.readings.table import Record, Table, csv_line
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import is_there, read_input, write_atomic
from fitassay.coupons.lock import locked
from fitassay.coupons.numbers import parse_length

FILAMENT = "filament.csv"
FEED = "feed.csv"
DIAMETER_COLUMNS = ("place", "diameter_1_mm", "diameter_2_mm", "note")
FEED_COLUMNS = ("commanded_mm", "marked_mm", "left_mm", "note")

# Filament sold for printing is 1.75 or 2.85 mm thick; far off these a number is a slip [mm].
THINNEST, THICKEST = 1.0, 4.0
# A feed test off by more than this is a slip in the lengths.
LEAST_RATIO, MOST_RATIO = 0.5, 1.5


def read_diameters(path: Path) -> np.ndarray:
    """Two perpendicular diameters at each place, ndarray (places, 2) [mm]; nan where there is no second one.

    Raises
    ------
    InputError
        The file cannot be read.
    InputErrors
        Everything that is wrong with it, with line and column.
    """
    table = _open(path, DIAMETER_COLUMNS[1:2], DIAMETER_COLUMNS)

    def row(record: Record) -> list[float] | None:
        first, second = (_cell(table, record, c) for c in DIAMETER_COLUMNS[1:3])
        if first is None and second is None:
            return None
        if first is None:
            raise _wrong(table, record, DIAMETER_COLUMNS[1], "is empty where the second diameter is not")
        for column, value in zip(DIAMETER_COLUMNS[1:3], (first, second), strict=True):
            if value is not None and not THINNEST <= value <= THICKEST:
                message = f"no filament is {value:g} mm thick; write the diameter in mm, such as 1.75"
                raise _wrong(table, record, column, message)
        return [first, np.nan if second is None else second]

    rows = table.collect(row)
    if not rows:
        raise InputError("holds no diameters; measure at three places or more, twice across each", str(path))
    return np.array(rows)


def read_feed(path: Path) -> np.ndarray:
    """Feed tests, ndarray (tests, 3) [mm]: commanded, mark to inlet before, left of it afterwards.

    Raises
    ------
    InputError, InputErrors
        As `read_diameters`.
    """
    table = _open(path, FEED_COLUMNS[:3], FEED_COLUMNS)

    def row(record: Record) -> list[float] | None:
        values = [_cell(table, record, c, zero=c == "left_mm") for c in FEED_COLUMNS[:3]]
        if all(v is None for v in values):
            return None
        for column, value in zip(FEED_COLUMNS, values, strict=False):
            if value is None:
                raise _wrong(table, record, column, "is empty; a feed test needs all three lengths")
        commanded, marked, left = (v for v in values if v is not None)
        fed = marked - left
        if not LEAST_RATIO <= fed / commanded <= MOST_RATIO:
            message = (
                f"{fed:g} mm fed of {commanded:g} mm commanded cannot be; marked_mm is from the mark to the inlet "
                "before, left_mm what is left of it afterwards"
            )
            raise _wrong(table, record, "left_mm", message)
        return [commanded, marked, left]

    rows = table.collect(row)
    if not rows:
        raise InputError("holds no feed test; fill in a row, or remove the file", str(path))
    return np.array(rows)


def add_row(path: Path, columns: tuple[str, ...], cells: tuple[str, ...]) -> None:
    """A row more at the end of the file, which is made with its header if it is not there; on disk at once."""
    with locked(path):
        if not is_there(path):
            blank = (*cells, *[""] * len(columns))[: len(columns)]
            write_atomic(path, csv_line(columns) + "\n" + csv_line(blank) + "\n")
            return
        table = _open(path, columns[1:2] if columns == DIAMETER_COLUMNS else columns[:3], columns)
        table.insert(len(table.records), dict(zip(columns, cells, strict=False)))
        write_atomic(path, table.text())


def _open(path: Path, required: tuple[str, ...], known: tuple[str, ...]) -> Table:
    return Table(read_input(path, "list"), str(path), required, known)


def _cell(table: Table, record: Record, column: str, zero: bool = False) -> float | None:
    text = table.cell(record, column)
    if not text:
        return None
    if zero and text.replace(",", ".").strip("0.") == "":
        return 0.0
    try:
        return parse_length(text)
    except ValueError as exc:
        raise _wrong(table, record, column, str(exc)) from exc


def _wrong(table: Table, record: Record, column: str, message: str) -> InputError:
    return InputError(message, f"{table.place}, line {record.line}, column {column}")
