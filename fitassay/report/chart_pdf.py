"""The wall chart as one page to print and hang."""

from __future__ import annotations

from typing import Literal

from fitassay.coupons.sheet.paper import MARGIN, SheetPdf
from fitassay.coupons.sheet.words import safe_text
from fitassay.report.chart import FEELS, Block, Cell, ChartWords

GREY, SHADE = 105, 236
TITLE_PT, HEAD_PT, CELL_PT, DOUBT_PT, NOTE_PT = 20.0, 10.5, 12.5, 7.5, 8.0
ROW_MM, HEAD_ROW_MM, FIT_COLUMN_MM = 8.2, 6.0, 40.0


def chart_pdf(words: ChartWords, paper: Literal["a4", "letter"] = "a4") -> bytes:
    """The chart as a PDF of one page; the same bytes for the same input."""
    pdf = SheetPdf(paper, "What to draw")
    pdf.name_document(safe_text(words.machine, pdf.known, 90))
    pdf.add_page()
    y = 25.0
    pdf.put(MARGIN, y, "What to draw", TITLE_PT, bold=True)
    note = safe_text(f"{words.machine}, {words.material}; from {words.source}", pdf.known, 200)
    pdf.put(MARGIN, y + 6.5, pdf.fitted(note, pdf.epw, HEAD_PT), HEAD_PT, grey=GREY)
    y += 14.0
    for block in words.fits:
        y = _block(pdf, block, y)
    y = _two_columns(pdf, words, y)
    for text in (*words.conditions, *words.sharpen):
        lines = pdf.wrapped(safe_text(text, pdf.known, 400), pdf.epw - 4.0, NOTE_PT)
        pdf.put(MARGIN, y + 2.9, "·", NOTE_PT, bold=True)
        y += pdf.lines(MARGIN + 4.0, y, lines, NOTE_PT) + 0.6
    return pdf.output()


def _block(pdf: SheetPdf, block: Block, y: float) -> float:
    """One table; the height where it ends."""
    left = MARGIN + FIT_COLUMN_MM
    step = (pdf.epw - FIT_COLUMN_MM) / len(block.heads)
    _shade(pdf, MARGIN, y, pdf.epw, HEAD_ROW_MM)
    pdf.put(MARGIN + 1.5, y + 4.3, block.title, HEAD_PT, bold=True)
    pdf.put(MARGIN + pdf.epw - 2.0, y + 4.3, "draw the hole wider by, mm", DOUBT_PT, align="right")
    y += HEAD_ROW_MM + 0.6
    for i, head in enumerate(block.heads):
        pdf.put(left + (i + 1) * step - 2.0, y + 3.4, f"{head} mm", 9.0, align="right", grey=GREY)
    y += 4.6
    for fit, cells in block.rows:
        pdf.stroke(0.1)
        pdf.line(MARGIN, y, MARGIN + pdf.epw, y)
        pdf.put(MARGIN + 1.5, y + 3.9, fit, HEAD_PT, bold=True)
        pdf.put(MARGIN + 1.5, y + 6.8, FEELS[fit], DOUBT_PT, grey=GREY)
        for i, cell in enumerate(cells):
            if cell:
                _cell(pdf, cell, left + (i + 1) * step - 2.0, y + 5.5)
        y += ROW_MM
    return y + 3.0


def _cell(pdf: SheetPdf, cell: Cell, right: float, base: float) -> None:
    """Value and doubt, ending at `right`; grey where the doubt is wide."""
    grey = GREY if cell.shaky else 0
    pdf.put(right, base, cell.doubt, DOUBT_PT, align="right", grey=GREY)
    edge = right - pdf.width_of(cell.doubt, DOUBT_PT) - 1.2
    pdf.put(edge, base, cell.value, CELL_PT, bold=not cell.shaky, align="right", grey=grey)


def _shade(pdf: SheetPdf, x: float, y: float, width: float, height: float) -> None:
    pdf.area([[(x, y), (x + width, y), (x + width, y + height), (x, y + height)]], SHADE)


def _two_columns(pdf: SheetPdf, words: ChartWords, y: float) -> float:
    """Holes for bought parts in two columns, then the gaps of joints printed in place."""
    _shade(pdf, MARGIN, y, pdf.epw, HEAD_ROW_MM)
    pdf.put(MARGIN + 1.5, y + 4.3, "Holes to draw for bought parts", HEAD_PT, bold=True)
    pdf.put(MARGIN + pdf.epw - 2.0, y + 4.3, "diameter, mm", HEAD_PT, bold=True, align="right")
    y += HEAD_ROW_MM
    half = (len(words.bought) + 1) // 2
    width, row = pdf.epw / 2, 5.0
    for i, (name, use, cell) in enumerate(words.bought):
        x, top = MARGIN + (i // half) * width, y + (i % half) * row
        pdf.put(x + 1.5, top + 3.7, name, 9.0)
        pdf.put(x + 36.0, top + 3.7, use, DOUBT_PT, grey=GREY)
        _cell(pdf, cell, x + width - 4.0, top + 3.9)
    y += half * row + 3.0
    _shade(pdf, MARGIN, y, pdf.epw, HEAD_ROW_MM)
    pdf.put(MARGIN + 1.5, y + 4.3, "Printed in place, to turn: least gap of diameters", HEAD_PT, bold=True)
    y += HEAD_ROW_MM
    step = pdf.epw / len(words.in_place)
    for i, (size, cell) in enumerate(words.in_place):
        pdf.put(MARGIN + (i + 1) * step - 3.0, y + 4.0, size, 9.0, align="right", grey=GREY)
        _cell(pdf, cell, MARGIN + (i + 1) * step - 3.0, y + 9.4)
    y += 11.5
    y += pdf.lines(MARGIN + 1.5, y, pdf.wrapped(f"Level gaps: {words.layers}.", pdf.epw, NOTE_PT), NOTE_PT)
    return y + 3.0
