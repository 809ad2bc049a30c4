"""The sheet's list for the wall of the workshop: the steps in short and every size to read, on one page."""

from __future__ import annotations

import math

from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sheet.measures import NARROW
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf
from fitassay.coupons.sheet.words import length_text, safe_text

TITLE_PT, STEP_PT, CELL_PT, HEAD_PT = 11.0, 8.5, 8.0, 7.0
HEAD = 5.0
ROW_LEAST, ROW_MOST = 5.2, 8.0
GUTTER = 6.0
COLUMNS = 2
STEPS = (
    "Let the pieces cool; clean the jaws, close them, set zero; read a piece of known size.",
    "Read in this order, the jaws closed lightly. Leave blank what they do not reach.",
    "Outside and windows: the smallest reading. Bores: the largest across. Corner to corner: the largest.",
    "Type them in: fitassay enter, or fitassay bench for a page with drawings. Then: fitassay diagnose",
)

Places = list[tuple[int, Coupon, Feature]]


def list_page(
    pdf: SheetPdf, manifest: Manifest, machine: Machine, numbers: dict[tuple[str, str], int]
) -> None:
    """The list on a page of its own; more sizes than fit go on overleaf."""
    places = [(numbers[c.id, f.id], c, f) for c, f in manifest.asked]
    name = safe_text(machine.name, pdf.known, 60)
    while True:
        pdf.add_page()
        y = TOP + 4.0
        pdf.put(MARGIN, y, pdf.fitted(f"List for the wall: {name}", pdf.epw, TITLE_PT, True), TITLE_PT, True)
        y += 4.0
        for number, step in enumerate(STEPS, start=1):
            y += pdf.lines(MARGIN, y, pdf.wrapped(f"{number}.  {step}", pdf.epw, STEP_PT), STEP_PT) + 0.6
        y += 2.0
        room = pdf.low - y - HEAD
        row = min(ROW_MOST, max(ROW_LEAST, room / max(1, math.ceil(len(places) / COLUMNS))))
        per_column = min(int(room / row + 1e-6), math.ceil(len(places) / COLUMNS))
        width = (pdf.epw - GUTTER) / COLUMNS
        for k in range(COLUMNS):
            part = places[k * per_column : (k + 1) * per_column]
            if part:
                _column(pdf, part, MARGIN + k * (width + GUTTER), y, width, row)
        places = places[COLUMNS * per_column :]
        if not places:
            return


def _column(pdf: SheetPdf, places: Places, x: float, y: float, width: float, row: float) -> None:
    """One column of the list: number, coupon and feature, drawn size, room for a reading."""
    widths = (8.0, width - 8.0 - 15.0 - 24.0, 15.0, 24.0)
    heads = ("no.", "coupon, feature", "drawn", "reading, mm")
    _row(pdf, x, y, widths, HEAD, heads, HEAD_PT, bold=True)
    y += HEAD
    for number, coupon, feature in places:
        name = safe_text(f"{coupon.id}  {feature.id}", pdf.known, 60)
        cells = (str(number), name, length_text(feature.nominal_mm), "")
        _row(pdf, x, y, widths, row, cells, CELL_PT)
        y += row


def _row(
    pdf: SheetPdf,
    x: float,
    y: float,
    widths: tuple[float, ...],
    height: float,
    cells: tuple[str, ...],
    size: float,
    *,
    bold: bool = False,
) -> None:
    pdf.stroke(NARROW)
    for k, (width, text) in enumerate(zip(widths, cells, strict=True)):
        pdf.rect(x, y, width, height)
        heavy = bold or k == 0
        pdf.put(x + 1.0, y + height / 2 + 1.0, pdf.fitted(text, width - 2.0, size, heavy), size, heavy)
        x += width
