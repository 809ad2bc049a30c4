"""The sheet's table of readings: a line a feature, its head again on every page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf, line_step
from fitassay.coupons.sheet.words import safe_text, shared_clauses

REPEATS = 3
ROW_LEAST = 6.8
TABLE_PT = 7.0
HEAD_ROW = 6.0
# A line that names the coupon, where a table holds more than one.
NAME_ROW = 4.5
NOTE_PT = 8.0


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column of the table of readings: its head and width [mm]."""

    head: str
    width: float


@dataclass(frozen=True, kw_only=True)
class Row:
    """A feature's line in the table; `height` [mm] fits the longest cell, and `before` stands in a line above it."""

    number: str
    name: str
    lines: list[str]
    nominal: str
    height: float
    before: str = ""


def columns_of(pdf: SheetPdf) -> tuple[Column, ...]:
    """The table's columns over the whole width of the page."""
    blank = 18.5
    fixed = (Column(head="no.", width=8.0), Column(head="feature", width=21.0))
    nominal = Column(head="drawn", width=13.5)
    rest = pdf.epw - sum(c.width for c in (*fixed, nominal)) - REPEATS * blank
    blanks = tuple(Column(head=f"reading {k + 1}", width=blank) for k in range(REPEATS))
    return (*fixed, Column(head="where the jaws go (sizes in mm)", width=rest), nominal, *blanks)


def rows_of(
    pdf: SheetPdf,
    places: Sequence[tuple[Coupon, Feature]],
    numbers: dict[tuple[str, str], int],
    columns: tuple[Column, ...],
) -> tuple[list[Row], list[str]]:
    """The table's rows, and the lines of what several of them have in common."""
    rows = []
    texts = {numbers[c.id, f.id]: safe_text(f.instruction, pdf.known, 240) for c, f in places}
    texts, notes = shared_clauses(texts)
    for coupon, feature in places:
        number = numbers[coupon.id, feature.id]
        lines = pdf.wrapped(texts[number], columns[2].width - 2.0, TABLE_PT)
        name = pdf.fitted(safe_text(feature.id, pdf.known, 30), columns[1].width - 2.0, TABLE_PT)
        rows.append(
            Row(
                number=str(number),
                name=name,
                lines=lines,
                nominal=f"{feature.nominal_mm:.2f}",
                height=max(ROW_LEAST, len(lines) * line_step(TABLE_PT) + 0.7),
            )
        )
    return rows, [line for note in notes for line in pdf.wrapped(note, pdf.epw, NOTE_PT)]


def write_table(pdf: SheetPdf, y: float, columns: tuple[Column, ...], rows: list[Row], title: str) -> float:
    """Draw the table of readings from `y`, its head again on every page; the height reached."""
    if not rows:
        return y

    def turn() -> float:
        pdf.add_page()
        pdf.put(MARGIN, TOP + 3.5, title, 9.0, True)
        return TOP + 6.0

    first = rows[0].height + (NAME_ROW if rows[0].before else 0.0)
    if y + HEAD_ROW + first > pdf.low:
        y = turn()
    y = _table_head(pdf, y, columns)
    for row in rows:
        named = NAME_ROW if row.before else 0.0
        if y + named + row.height > pdf.low:
            y = _table_head(pdf, turn(), columns)
        if row.before:
            pdf.stroke(0.18)
            pdf.rect(MARGIN, y, pdf.epw, NAME_ROW)
            pdf.put(MARGIN + 1.0, y + 3.2, row.before, TABLE_PT, True)
            y += NAME_ROW
        cells: list[list[str]] = [[row.number], [row.name], row.lines, [row.nominal]]
        _frame(pdf, y, row.height, columns)
        x = MARGIN
        for column, lines, bold in zip(columns, cells, (True, False, False, False), strict=False):
            used = line_step(TABLE_PT) * len(lines)
            pdf.lines(x + 1.0, y + (row.height - used) / 2, lines, TABLE_PT, bold)
            x += column.width
        y += row.height
    return y


def _table_head(pdf: SheetPdf, y: float, columns: tuple[Column, ...]) -> float:
    _frame(pdf, y, HEAD_ROW, columns)
    x = MARGIN
    for column in columns:
        pdf.put(x + 1.0, y + 4.0, column.head, 7.0, bold=True)
        x += column.width
    return y + HEAD_ROW


def _frame(pdf: SheetPdf, y: float, height: float, columns: tuple[Column, ...]) -> None:
    pdf.stroke(0.18)
    pdf.rect(MARGIN, y, pdf.epw, height)
    for x in np.cumsum([column.width for column in columns[:-1]]):
        pdf.line(MARGIN + float(x), y, MARGIN + float(x), y + height)
