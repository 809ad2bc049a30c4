"""A coupon's block on the sheet: heading, drawings, what its rows share, table; alone or two beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Coupon
from fitassay.coupons.sheet.arrangement import (
    CAPTION,
    Drawings,
    best_drawings,
    narrowed,
    smaller_drawings,
)
from fitassay.coupons.sheet.drawing import draw
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf, line_step
from fitassay.coupons.sheet.section import Piece
from fitassay.coupons.sheet.table import (
    HEAD_ROW,
    NAME_ROW,
    NOTE_PT,
    Column,
    Row,
    columns_of,
    rows_of,
    write_table,
)
from fitassay.coupons.sheet.view import View, views
from fitassay.coupons.sheet.words import coupon_facts, safe_text, scale_text

Numbers = dict[tuple[str, str], int]

BELOW_TABLE = 7.0
# Between the drawings of two coupons.
BESIDE = 5.0


@dataclass(frozen=True, kw_only=True)
class Block:
    """What the sheet says of one coupon.

    Attributes
    ----------
    order : int
        Its place in the order of measuring, from 1.
    drawings : Drawings
        At the scale that suits them best.
    smaller : Drawings or None
        Half as large, where that can still be read.
    """

    order: int
    coupon: Coupon
    drawings: Drawings
    smaller: Drawings | None


@dataclass(frozen=True, kw_only=True)
class Table:
    """The rows of one or two coupons, and the lines of what several of them share."""

    columns: tuple[Column, ...]
    rows: list[Row]
    notes: list[str]

    @property
    def note_height(self) -> float:
        """Height of the notes [mm]."""
        return line_step(NOTE_PT) * len(self.notes) + (2.0 if self.notes else 0.0)

    @property
    def height(self) -> float:
        """Height of notes, head and rows [mm]."""
        if not self.rows:
            return self.note_height
        rows = sum(row.height + (NAME_ROW if row.before else 0.0) for row in self.rows)
        return self.note_height + HEAD_ROW + rows


def table_of(pdf: SheetPdf, coupons: Sequence[tuple[int, Coupon]], numbers: Numbers) -> Table:
    """One table for these coupons, each with its place in the order; where there are two, their names within."""
    columns = columns_of(pdf)
    rows, notes = rows_of(pdf, [(c, f) for _, c in coupons for f in c.asked], numbers, columns)
    if len(coupons) > 1:
        k = 0
        for order, coupon in coupons:
            if coupon.asked:
                rows[k] = replace(rows[k], before=_name(pdf, order, coupon))
            k += len(coupon.asked)
    return Table(columns=columns, rows=rows, notes=notes)


def block_of(pdf: SheetPdf, order: int, coupon: Coupon, piece: Piece, numbers: Numbers) -> Block:
    """The block of a coupon.

    Raises
    ------
    InputError
        No scale brings the piece onto a page.
    """

    @cache
    def drawn(split: bool) -> tuple[View, ...]:
        return views(coupon, piece, numbers, split=split)

    table = table_of(pdf, [(order, coupon)], numbers)
    page = pdf.low - TOP - _heading_height(coupon) - table.note_height
    drawings = best_drawings(pdf, drawn, page, table.height - table.note_height)
    if drawings is None:
        raise InputError(
            "is too large for a page at any scale; make the coupons again", f"coupon {coupon.id}"
        )
    smaller = smaller_drawings(pdf, drawn, drawings)
    return Block(order=order, coupon=coupon, drawings=drawings, smaller=smaller)


@dataclass(frozen=True, kw_only=True)
class Group:
    """Blocks whose drawings stand beside each other, one table below; mostly one block alone."""

    blocks: tuple[Block, ...]
    drawings: tuple[Drawings, ...]
    table: Table

    @property
    def upper(self) -> float:
        """Height of headings and drawings [mm]."""
        return max(_heading_height(b.coupon) for b in self.blocks) + max(d.height for d in self.drawings)

    @property
    def height(self) -> float:
        """From the heading to below the table [mm]."""
        return self.upper + self.table.height


def write_group(pdf: SheetPdf, group: Group, y: float) -> float:
    """Put a group on paper below `y`; the height reached."""
    if y > TOP:  # at the top the page's own rule does
        pdf.stroke(0.35)
        pdf.line(MARGIN, y, pdf.w - MARGIN, y)
    left, alone = MARGIN, len(group.blocks) == 1
    down = y + max(_heading_height(block.coupon) for block in group.blocks)
    for block, drawings in zip(group.blocks, group.drawings, strict=True):
        room = pdf.w - MARGIN - left if alone else drawings.width
        _heading(
            pdf, block, left, y, room, coupon_facts(block.coupon) if alone else f"plate {block.coupon.plate}"
        )
        for layout, (x, below) in zip(drawings.layouts, drawings.spots, strict=True):
            caption = f"{layout.view.caption}, scale {scale_text(layout.scale)}"
            pdf.put(left + x, down + below + 3.5, caption, 7.5)
            draw(pdf, layout, left + x, down + below + CAPTION)
        left += drawings.width + BESIDE
    y += group.upper
    table = group.table
    if table.notes:
        y += pdf.lines(MARGIN, y, table.notes, NOTE_PT) + 2.0
    names = ", ".join(_name(pdf, block.order, block.coupon) for block in group.blocks)
    title = pdf.fitted(f"{names}, continued", pdf.epw, 9.0, True)
    return write_table(pdf, y, table.columns, table.rows, title) + BELOW_TABLE


def _heading_height(coupon: Coupon) -> float:
    return 12.0 if coupon.single_wall else 8.5


def _name(pdf: SheetPdf, order: int, coupon: Coupon) -> str:
    return f"Coupon {order}:  {safe_text(coupon.id, pdf.known, 40)}"


def _heading(pdf: SheetPdf, block: Block, left: float, y: float, width: float, facts: str) -> None:
    """Name and facts of a coupon over a part of the page's width."""
    name = pdf.fitted(_name(pdf, block.order, block.coupon), width, 11.0, True)
    pdf.put(left, y + 5.2, name, 11.0, True)
    facts = safe_text(facts, pdf.known, 120)
    right = pdf.width_of(name, 11.0, True) + 5.0
    if width - right > 20.0:
        pdf.put(left + right, y + 5.2, pdf.fitted(facts, width - right, 8.0), 8.0)
    if block.coupon.single_wall:
        text = "Printed as a wall one bead thick: handle it gently, the jaws just touching."
        pdf.put(left, y + 9.5, pdf.fitted(text, width, 8.0), 8.0)


def packed(blocks: Sequence[Block], pdf: SheetPdf, numbers: Numbers, y: float) -> list[list[Group]]:
    """The blocks in their order as groups, page by page, on as few pages as can be.

    Among ways with equally many pages the one with the fewest drawings made smaller or put beside each other.

    Parameters
    ----------
    blocks : sequence of Block
    pdf : SheetPdf
    numbers : dict
        The sheet's number of each coupon's and feature's id.
    y : float [mm]
        From where on the first page is free.

    Returns
    -------
    list of list of Group
        The first list is for the page that is begun already, and may be empty. A group that is higher than a
        page stands alone; its table goes on overleaf.
    """

    @cache
    def best(k: int, used: float) -> tuple[int, int, tuple[tuple[bool, Group], ...]]:
        if k == len(blocks):
            return 0, 0, ()
        found = []
        for effort, group in _groups(pdf, blocks[k : k + 2], numbers):
            turn = used > TOP and used + group.height > pdf.low
            end = (TOP if turn else used) + group.height + BELOW_TABLE
            over = max(0, int((end - BELOW_TABLE - TOP) // (pdf.low - TOP + 1e-6)))
            pages, rest, way = best(k + len(group.blocks), pdf.low if over else round(end, 3))
            found.append((pages + turn + over, rest + effort, ((turn, group), *way)))
        return min(found, key=lambda option: option[:2])

    pages: list[list[Group]] = [[]]
    for turn, group in best(0, round(y, 3))[2]:
        if turn:
            pages.append([])
        pages[-1].append(group)
    return pages


def _groups(pdf: SheetPdf, blocks: Sequence[Block], numbers: Numbers) -> list[tuple[int, Group]]:
    """The ways to begin with these blocks: the first alone, or both beside each other; with what each changes."""
    first, found = blocks[0], []
    tables = [
        table_of(pdf, [(b.order, b.coupon) for b in blocks[:n]], numbers) for n in range(1, len(blocks) + 1)
    ]
    for effort, drawings in enumerate((first.drawings, first.smaller)):
        if drawings is None:
            continue
        found.append((effort, Group(blocks=(first,), drawings=(drawings,), table=tables[0])))
        for other in blocks[1:]:
            room = pdf.epw - BESIDE - drawings.width
            narrow = narrowed(other.drawings, room)
            if narrow is not None:
                found.append(
                    (effort + 1, Group(blocks=(first, other), drawings=(drawings, narrow), table=tables[1]))
                )
    return found
