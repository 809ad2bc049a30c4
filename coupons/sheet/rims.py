"""The sheet's evidence for where it helps: how jaws sit on a rim, on one layer, across a plate; a table for each."""

from __future__ import annotations

from collections.abc import Mapping

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import DEEP_MM, RIM_MM, Manifest
from fitassay.coupons.sheet.arrangement import CAPTION, best_drawings, smaller_drawings
from fitassay.coupons.sheet.drawing import draw
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf, line_step
from fitassay.coupons.sheet.section import Piece
from fitassay.coupons.sheet.table import HEAD_ROW, columns_of, rows_of, write_table
from fitassay.coupons.sheet.view import cross_checks
from fitassay.coupons.sheet.words import safe_text, scale_text

BODY_PT = 8.5
BELOW = 7.0
TITLE_PT = 11.0
CAPTION_PT = 8.0
# Of the three sketches, each a section through the flanks, ten times as large as life [mm].
TIMES = 10.0
LAYERS, LAYER_MM = 22, 0.2
HALF_MM = 0.8
JAW_MM = 0.7
ABOVE_MM = 0.7
SKETCH_HEIGHT = (LAYERS * LAYER_MM + ABOVE_MM) * TIMES + 4.0
PIECE_GREY, JAW_GREY = 205, 120

INTRODUCTION = (
    "Leave this page alone unless you are asked for it: fitassay next and enter --guided say when these readings "
    "would tell something. Layers never lie quite above each other. Flat jaws put deep rest on the outermost of "
    "many, so they read too much, as if the bead were wide; over the top of a flank they rest on two, and on one "
    "layer alone there is nothing to stand out. What differs between such readings is the layers' doing, not the "
    "bead's. Enter them with: fitassay enter CASE --rims"
)


SPANS = (
    "Leave this alone unless you are asked for it. How true long sizes are rests on the frame, which mostly has a "
    "plate of its own, printed at another time. This piece was printed with the small ones; where both miss alike "
    "it is the axes, else the plates. Enter it with: fitassay enter CASE --rims"
)


def rims_page(pdf: SheetPdf, manifest: Manifest, numbers: dict[tuple[str, str], int]) -> float:
    """Rims and single layers on a new page; the height reached."""
    pdf.add_page()
    y = TOP
    pdf.put(MARGIN, y + 5.0, "Only where asked for: rims and single layers", TITLE_PT, True)
    y += 8.0
    y += pdf.lines(MARGIN, y, pdf.wrapped(INTRODUCTION, pdf.epw, BODY_PT), BODY_PT) + 3.0
    column = pdf.epw / 3
    captions = (
        f"as usual: jaws {DEEP_MM:g} to 4 mm deep, on about fifteen layers",
        f"rim: tips over the top {RIM_MM:g} mm only, square to the faces",
        "one layer: the wall cut off, knife edges along a layer",
    )
    for k, caption in enumerate(captions):
        middle = MARGIN + (k + 0.5) * column
        _piece(pdf, middle, y)
        if k < 2:
            _flat_jaws(pdf, middle, y, DEEP_MM if k == 0 else RIM_MM)
        else:
            _knife_edges(pdf, middle, y)
        lines = pdf.wrapped(caption, column - 8.0, CAPTION_PT)
        pdf.lines(MARGIN + k * column + 4.0, y + SKETCH_HEIGHT, lines, CAPTION_PT)
    y += SKETCH_HEIGHT + 2 * line_step(CAPTION_PT) + 3.0
    columns = columns_of(pdf)
    rows, notes = rows_of(pdf, [(c, f) for c, f in manifest.optional if f.of_surface], numbers, columns)
    if notes:
        y += pdf.lines(MARGIN, y, notes, BODY_PT) + 2.0
    return write_table(pdf, y, columns, rows, "Only where asked for, continued") + BELOW


def spans_part(
    pdf: SheetPdf,
    manifest: Manifest,
    pieces: Mapping[str, Piece],
    numbers: dict[tuple[str, str], int],
    y: float,
) -> float:
    """Cross-checks from `y` on, or on a page of their own where they do not fit there; the height reached."""
    for coupon in manifest.coupons:
        features = [(coupon, f) for f in coupon.features if f.cross_check]
        view = cross_checks(coupon, pieces[coupon.id], numbers)
        if view is None:
            continue
        columns = columns_of(pdf)
        rows, notes = rows_of(pdf, features, numbers, columns)
        words = pdf.wrapped(SPANS, pdf.epw, BODY_PT)
        table = HEAD_ROW + sum(row.height for row in rows) + line_step(BODY_PT) * len(notes) + 2.0
        text = 8.0 + line_step(BODY_PT) * len(words) + 3.0
        drawings = best_drawings(pdf, lambda _, view=view: (view,), pdf.low - TOP - text, table)
        if drawings is None:
            raise InputError(
                "is too large for a page at any scale; make the coupons again", f"coupon {coupon.id}"
            )
        drawings = smaller_drawings(pdf, lambda _, view=view: (view,), drawings) or drawings
        if y + text + drawings.height + table > pdf.low:
            pdf.add_page()
            y = TOP
        name = safe_text(coupon.id, pdf.known, 40)
        pdf.put(MARGIN, y + 5.0, f"Only where asked for: across the whole {name}", TITLE_PT, True)
        y += 8.0
        y += pdf.lines(MARGIN, y, words, BODY_PT) + 3.0
        for layout, (x, below) in zip(drawings.layouts, drawings.spots, strict=True):
            caption = f"{layout.view.caption}, scale {scale_text(layout.scale)}"
            pdf.put(MARGIN + x, y + below + 3.5, caption, 7.5)
            draw(pdf, layout, MARGIN + x, y + below + CAPTION)
        y += drawings.height
        if notes:
            y += pdf.lines(MARGIN, y, notes, BODY_PT) + 2.0
        y = write_table(pdf, y, columns, rows, "Only where asked for, continued") + BELOW
    return y


def _shift(layer: int) -> float:
    """How far a layer of the sketches stands out of its place to the right [mm]; uneven, and the same each time."""
    return 0.09 * ((layer * 7) % 5 - 2) / 2


def _piece(pdf: SheetPdf, middle: float, y: float) -> None:
    """Layers of a wall, shifted against each other, their ends round; its top `ABOVE_MM` below y."""
    top = y + ABOVE_MM * TIMES
    pdf.stroke(0.1)
    for k in range(LAYERS):
        left = middle + (_shift(k) - HALF_MM) * TIMES
        right = middle + (_shift(k) + HALF_MM) * TIMES
        low, high = top + (k + 1) * LAYER_MM * TIMES, top + k * LAYER_MM * TIMES
        r = LAYER_MM * TIMES / 4
        ring = [(left + r, high), (right - r, high), (right, high + r), (right, low - r)]
        ring += [(right - r, low), (left + r, low), (left, low - r), (left, high + r)]
        pdf.area([ring], PIECE_GREY, edged=True)


def _outermost(layers: int) -> tuple[float, float]:
    """Where flat jaws come to rest over so many layers from the top, left and right of the middle [mm]."""
    shifts = [_shift(k) for k in range(layers)]
    return HALF_MM - min(shifts), HALF_MM + max(shifts)


def _flat_jaws(pdf: SheetPdf, middle: float, y: float, depth: float) -> None:
    left, right = _outermost(max(1, round(depth / LAYER_MM)))
    low = y + (ABOVE_MM + depth) * TIMES
    pdf.stroke(0.25)
    for side, gap in ((-1.0, left), (1.0, right)):
        inner = middle + side * gap * TIMES
        outer = middle + side * (gap + JAW_MM) * TIMES
        pdf.area([[(inner, y), (outer, y), (outer, low - 3.0), (inner, low)]], JAW_GREY, edged=True)


def _knife_edges(pdf: SheetPdf, middle: float, y: float) -> None:
    layer = LAYERS // 2
    at = y + (ABOVE_MM + (layer + 0.5) * LAYER_MM) * TIMES
    pdf.stroke(0.25)
    for side in (-1.0, 1.0):
        tip = middle + (_shift(layer) + side * HALF_MM) * TIMES
        back = tip + side * 1.6 * JAW_MM * TIMES
        land = 0.5 * LAYER_MM * TIMES
        pdf.area(
            [[(tip, at - land), (back, at - 4.0), (back, at + 4.0), (tip, at + land)]], JAW_GREY, edged=True
        )
