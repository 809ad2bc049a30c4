"""The measuring sheet's pages: instructions, plates, then each coupon's drawings with its table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.feature import Coupon, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sheet.card_page import card_page, is_card
from fitassay.coupons.sheet.drawing import draw, figure_width
from fitassay.coupons.sheet.front import front_page, plates_page
from fitassay.coupons.sheet.layout import Layout, jaw_marks, lay_out
from fitassay.coupons.sheet.paper import MARGIN, TOP, Paper, SheetPdf, line_step
from fitassay.coupons.sheet.rims import rims_page
from fitassay.coupons.sheet.section import Piece, load_piece
from fitassay.coupons.sheet.table import HEAD_ROW, NOTE_PT, columns_of, rows_of, write_table
from fitassay.coupons.sheet.view import View, views
from fitassay.coupons.sheet.words import (
    coupon_facts,
    numbered_features,
    safe_text,
    scale_text,
)
from fitassay.coupons.solid import Solid

# Preferred scales of ISO 5455 (from memory), the most wanted first.
SCALES = (1.0, 2.0, 5.0, 0.5, 0.2, 0.1, 0.05, 0.02)
CAPTION = 6.0
VIEW_GAP = 8.0
# An STL's rounding, and a manifest's.
SLACK_MM = 0.05


@dataclass(frozen=True, kw_only=True)
class Drawings:
    """A coupon's views at one scale, each with its place in the block."""

    layouts: tuple[Layout, ...]
    spots: tuple[tuple[float, float], ...]
    height: float


def compose(
    manifest: Manifest, source: Mapping[str, Solid] | str | Path, machine: Machine, paper: Paper
) -> bytes:
    """The whole document."""
    pieces = {coupon.id: load_piece(coupon, source) for coupon in manifest.coupons}
    _check(manifest, machine, pieces)
    pdf = SheetPdf(paper)
    pdf.name_document(safe_text(machine.name, pdf.known, 90))
    if all(is_card(coupon) for coupon in manifest.coupons):
        for coupon in manifest.coupons:
            card_page(pdf, coupon, pieces[coupon.id], machine)
        return pdf.output()
    numbers = numbered_features(manifest)
    front_page(pdf, manifest, machine, pieces)
    plates_page(pdf, manifest, machine, pieces)
    pdf.add_page()
    y = TOP
    for order, coupon in enumerate(manifest.coupons, start=1):
        y = _coupon(pdf, order, coupon, pieces[coupon.id], numbers, y)
    if manifest.optional:
        rims_page(pdf, manifest, numbers)
    return pdf.output()


def _check(manifest: Manifest, machine: Machine, pieces: Mapping[str, Piece]) -> None:
    """Raise `InputErrors` where meshes, manifest and machine do not belong together."""
    problems = []
    for coupon in manifest.coupons:
        box = np.array(pieces[coupon.id].box).reshape(2, 3)
        for feature in coupon.features:
            contacts = np.array([feature.contact_a_mm, feature.contact_b_mm])
            if (contacts < box[0] - SLACK_MM).any() or (contacts > box[1] + SLACK_MM).any():
                problems.append(
                    InputError(
                        "a contact lies outside of the piece; make the coupons again",
                        f"coupon {coupon.id}, feature {feature.id}",
                    )
                )
        low = box[0, :2] + coupon.origin_on_plate_mm
        high = box[1, :2] + coupon.origin_on_plate_mm
        if (low < -SLACK_MM).any() or (high > np.array(machine.volume_mm[:2]) + SLACK_MM).any():
            problems.append(
                InputError(
                    "does not lie within the machine's build volume; make the coupons again for this machine",
                    f"coupon {coupon.id}",
                )
            )
    if problems:
        raise InputErrors(problems)


def _coupon(
    pdf: SheetPdf, order: int, coupon: Coupon, piece: Piece, numbers: dict[tuple[str, str], int], y: float
) -> float:
    """One coupon below `y`, on a new page where it does not fit; the height reached."""
    columns = columns_of(pdf)
    rows, notes = rows_of(pdf, [(coupon, f) for f in coupon.asked], numbers, columns)
    used = _heading_height(coupon) + line_step(NOTE_PT) * len(notes) + (2.0 if notes else 0.0)
    table = HEAD_ROW + sum(row.height for row in rows) if rows else 0.0
    page = pdf.low - TOP

    @cache
    def drawn(split: bool) -> tuple[View, ...]:
        return views(coupon, piece, numbers, split=split)

    drawings = _drawings(pdf, drawn, page - used, table)
    if drawings is None:
        raise InputError(
            "is too large for a page at any scale; make the coupons again", f"coupon {coupon.id}"
        )
    whole = used + drawings.height + table
    # A piece that fits a page is never torn apart; a longer one starts a page.
    if y > TOP and (y + whole > pdf.low):
        pdf.add_page()
        y = TOP
    _heading(pdf, order, coupon, y)
    y += _heading_height(coupon)
    for layout, (left, down) in zip(drawings.layouts, drawings.spots, strict=True):
        caption = f"{layout.view.caption}, scale {scale_text(layout.scale)}"
        pdf.put(MARGIN + left, y + down + 3.5, caption, 7.5)
        draw(pdf, layout, MARGIN + left, y + down + CAPTION)
    y += drawings.height
    if notes:
        y += pdf.lines(MARGIN, y, notes, NOTE_PT) + 2.0
    title = pdf.fitted(
        f"Coupon {order}:  {safe_text(coupon.id, pdf.known, 40)}, continued", pdf.epw, 9.0, True
    )
    return write_table(pdf, y, columns, rows, title) + 7.0


def _heading_height(coupon: Coupon) -> float:
    return 12.0 if coupon.single_wall else 8.5


def _heading(pdf: SheetPdf, order: int, coupon: Coupon, y: float) -> None:
    if y > TOP:  # at the top the page's own rule does
        pdf.stroke(0.35)
        pdf.line(MARGIN, y, pdf.w - MARGIN, y)
    name = pdf.fitted(f"Coupon {order}:  {safe_text(coupon.id, pdf.known, 40)}", pdf.epw, 11.0, True)
    pdf.put(MARGIN, y + 5.2, name, 11.0, True)
    left = MARGIN + pdf.width_of(name, 11.0, True) + 5.0
    facts = safe_text(coupon_facts(coupon), pdf.known, 120)
    room = pdf.w - MARGIN - left
    if room > 20.0:
        pdf.put(left, y + 5.2, pdf.fitted(facts, room, 8.0), 8.0)
    if coupon.single_wall:
        text = "Printed as a wall one bead thick: handle it gently, the jaws just touching."
        pdf.put(MARGIN, y + 9.5, text, 8.0)


def _drawings(
    pdf: SheetPdf, drawn: Callable[[bool], tuple[View, ...]], page: float, table: float
) -> Drawings | None:
    """The views at the best scale: marks apart, and all on one page with the table if that can be.

    A plan for each direction (`drawn` of True) is shown where one plan of twice the size is still crowded. None
    where no scale brings them onto a page.
    """

    def width_of(text: str) -> float:
        return figure_width(pdf, text)

    best: tuple[tuple[int, int, int], Drawings] | None = None
    crowded: list[tuple[int, int, bool]] = []
    tries = [(scale, False) for scale in SCALES]
    tries.insert(2, (2.0, True))
    for k, (scale, split) in enumerate(tries):
        if split and len(drawn(True)) == len(drawn(False)):
            continue
        conflicts = sum(jaw_marks(view, scale)[1] for view in drawn(split))
        if conflicts:
            crowded.append((conflicts, k, split))
            continue
        best = _better(best, _fitting(drawn(split), scale, pdf.epw, page, width_of), page - table)
        if best is not None and best[0] == (0, 0, 0):
            return best[1]
    # Without room for the jaws' marks a scale is only looked at when there is nothing better.
    for conflicts, k, split in sorted(crowded):
        if best is not None and conflicts > best[0][0]:
            break
        best = _better(best, _fitting(drawn(split), tries[k][0], pdf.epw, page, width_of), page - table)
    return best[1] if best else None


def _better(
    best: tuple[tuple[int, int, int], Drawings] | None, drawings: Drawings | None, room: float
) -> tuple[tuple[int, int, int], Drawings] | None:
    """The better of two: fewer conflicts, then not higher than the room, then fewer poor dimensions."""
    if drawings is None:
        return best
    rank = (
        sum(layout.conflicts for layout in drawings.layouts),
        int(drawings.height > room),
        sum(layout.poor for layout in drawings.layouts),
    )
    return (rank, drawings) if best is None or rank < best[0] else best


def _fitting(
    drawn: tuple[View, ...], scale: float, width: float, height: float, width_of: Callable[[str], float]
) -> Drawings | None:
    """The views laid out and arranged at a scale, or None where they pass the page."""
    for view in drawn:
        if (view.box[2] - view.box[0]) * scale > width or (view.box[3] - view.box[1]) * scale > height:
            return None
    drawings = _arranged(tuple(lay_out(view, scale, width_of) for view in drawn), width)
    right = max(
        left + _size(layout)[0] for layout, (left, _) in zip(drawings.layouts, drawings.spots, strict=True)
    )
    return drawings if right <= width + 1e-6 and drawings.height <= height else None


def _size(layout: Layout) -> tuple[float, float]:
    left, bottom, right, top = layout.box()
    return right - left, top - bottom


def _arranged(layouts: tuple[Layout, ...], width: float) -> Drawings:
    """Views beside each other while they fit the width, then in a new row."""
    spots: list[tuple[float, float]] = []
    x = y = tallest = 0.0
    for layout in layouts:
        wide, tall = _size(layout)
        wide = max(wide, 62.0)  # the caption's room
        if x > 0 and x + wide > width:
            x, y, tallest = 0.0, y + tallest + 3.0, 0.0
        spots.append((x, y))
        x += wide + VIEW_GAP
        tallest = max(tallest, tall + CAPTION)
    return Drawings(layouts=layouts, spots=tuple(spots), height=y + tallest + 3.0)
