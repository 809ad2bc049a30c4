"""The reversal card's own page: the rows with their names and numbers, how to count, and a table for the answers."""

from __future__ import annotations

import numpy as np

from fitassay.coupons.feature import Coupon, Feature, Pairs
from fitassay.coupons.machine import Machine
from fitassay.coupons.sheet.drawing import fill_material
from fitassay.coupons.sheet.front import write_block
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf
from fitassay.coupons.sheet.section import Piece
from fitassay.coupons.sheet.words import CAUTIONS, Block, coupon_facts, safe_text, scale_text

SCALES = (2.0, 1.0, 0.5)
TALLEST = 125.0
BODY_PT = 8.5
TABLE_PT = 8.0
ROW = 7.2
COUNTS = 3

HOW = Block(
    title="How to read it",
    sentences=(
        "Print it from the file that fitassay path writes; stay with the machine. Let it cool, leave it on the bed.",
        "Look straight down on a row, with a lamp from the side; a lens or a phone's picture, enlarged, helps.",
        "Where two facing ticks run on in one line, that pair lines up. Count its number from the nearest one on "
        "the rail: numbers grow to the right, or where rows run to the back of the machine, to the back. Two pairs "
        "equally good: write the half between, 3.5.",
        "No pair of the row lines up: write none. Of the closing gaps write the first pair, from the left, that "
        "lets light through.",
        "Each row once will do; three counts of a row are surer. Type them in with: fitassay enter, or on a page "
        "with: fitassay bench",
    ),
)

MIND = Block(title=CAUTIONS.title, sentences=CAUTIONS.sentences[:2], numbered=False)


def is_card(coupon: Coupon) -> bool:
    """Whether all of the piece is read by eye."""
    return bool(coupon.features) and all(f.by_eye for f in coupon.features)


def card_page(pdf: SheetPdf, coupon: Coupon, piece: Piece, machine: Machine) -> None:
    """One page."""
    pdf.add_page()
    name = safe_text(machine.name, pdf.known, 80)
    y = TOP + 4.0
    pdf.put(MARGIN, y, pdf.fitted(f"Reversal card for {name}", pdf.epw, 15.0, True), 15.0, True)
    y += 3.0
    facts = f"{safe_text(coupon_facts(coupon), pdf.known, 120)}. Read by eye, no caliper; about ten minutes in all."
    y += pdf.lines(MARGIN, y, pdf.wrapped(facts, pdf.epw, 9.0), 9.0) + 2.0
    y = write_block(pdf, HOW, MARGIN, y, pdf.epw, BODY_PT) + 1.0
    y = write_block(pdf, MIND, MARGIN, y, pdf.epw, BODY_PT) + 2.0
    y = _example(pdf, coupon.features[0], y) + 2.0
    y = _drawing(pdf, coupon, piece, y) + 3.0
    _table(pdf, coupon, y)


def _example(pdf: SheetPdf, feature: Feature, y: float) -> float:
    """Part of a row as it looks where pair 3 lines up."""
    pairs = feature.pairs
    assert pairs is not None
    pdf.put(MARGIN, y + 4.0, "A row in which pair 3 lines up:", 8.5, True)
    left, pitch, tick = MARGIN + 58.0, 7.0, 5.0
    pdf.stroke(0.9)
    for i in range(8):
        for up in (True, False):
            # Exaggerated: a step is 0.05 mm.
            x = left + i * pitch + (0.0 if up else (3 - i) * 0.6)
            pdf.line(x, y + 4.0 if up else y + 4.4 + tick, x, y + 4.0 + tick if up else y + 4.4 + 2 * tick)
        if i in (0, 3, 5):
            pdf.put(left + i * pitch, y + 3.0, str(i), 7.0, i == 3, align="centre")
    return y + 6.0 + 2 * tick


def _drawing(pdf: SheetPdf, coupon: Coupon, piece: Piece, y: float) -> float:
    """The card from above, its rows named."""
    wide, tall, _ = coupon.size_mm
    room = pdf.epw - 14.0
    scale = next(s for s in SCALES if wide * s <= room and tall * s <= TALLEST)
    left, low = MARGIN + 8.0, y + 10.0 + tall * scale
    pdf.put(
        MARGIN, y + 4.0, f"From above, scale {scale_text(scale)}; y points to the back of the machine", 7.5
    )

    def to_page(point) -> tuple[float, float]:
        return left + float(point[0]) * scale, low - float(point[1]) * scale

    for level in piece.tops:
        fill_material(pdf, [np.array([to_page(p) for p in ring]) for ring in level])
    for feature in coupon.features:
        x, down = to_page(np.add(feature.contact_a_mm, feature.contact_b_mm) / 2)
        if feature.kind == "gap":
            top = to_page((0.0, feature.contact_b_mm[1]))[1]
            pdf.put(left - 1.5, top + 1.0, feature.id, 7.0, True, align="right")
        elif feature.axis in ("a", "b"):
            # Beside the row's low end, a step out along it.
            assert feature.pairs is not None
            out = (feature.pairs.first * feature.pairs.pitch_mm - 4.0 / scale) * np.array(feature.direction)
            middle = np.add(feature.contact_a_mm, feature.contact_b_mm)[:2] / 2
            x, down = to_page(middle + out)
            pdf.put(x, down + 1.0, feature.id, 7.0, True, align="centre")
        elif feature.direction_deg == 0:
            pdf.put(left - 1.5, down + 1.0, feature.id, 7.0, True, align="right")
        else:
            pdf.put(x, low + 4.0, feature.id, 7.0, True, align="centre")
    return low + 5.0


def _table(pdf: SheetPdf, coupon: Coupon, y: float) -> None:
    """Rows and blanks; a second column of rows where there are many."""
    columns = 2 if len(coupon.features) > 5 else 1
    half = -(-len(coupon.features) // columns)
    width = pdf.epw / columns
    blank = 14.0
    for c in range(columns):
        x = MARGIN + c * width
        right = x + width - (3.0 if c < columns - 1 else 0.0)
        starts = [right - (COUNTS - k) * blank for k in range(COUNTS)]
        pdf.put(x + 1.0, y + 3.5, "row, pairs, speed", 7.0, True)
        for k, start in enumerate(starts):
            pdf.put(start + 1.0, y + 3.5, f"count {k + 1}", 7.0, True)
        pdf.stroke(0.18)
        for j, feature in enumerate(coupon.features[c * half : (c + 1) * half]):
            top = y + 5.0 + j * ROW
            pdf.rect(x, top, right - x, ROW)
            for start in starts:
                pdf.line(start, top, start, top + ROW)
            pdf.put(x + 1.0, top + 4.8, feature.id, TABLE_PT, True)
            pdf.put(x + 9.0, top + 4.8, pdf.fitted(row_words(feature), starts[0] - x - 10.0, 7.0), 7.0)


def row_words(feature: Feature) -> str:
    """What a row is, in a few words."""
    pairs: Pairs | None = feature.pairs
    assert pairs is not None
    if feature.kind == "gap":
        return f"first open, {pairs.first} to {pairs.last}"
    return f"{pairs.first} to {pairs.last}, {'slow' if pairs.slow else 'usual'}"
