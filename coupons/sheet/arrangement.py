"""The drawings of one coupon: at which scale, and how its views stand beside each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fitassay.coupons.sheet.drawing import figure_width
from fitassay.coupons.sheet.layout import Layout, jaw_marks, lay_out
from fitassay.coupons.sheet.paper import SheetPdf
from fitassay.coupons.sheet.view import View

# Preferred scales of ISO 5455 (from memory), the most wanted first.
SCALES = (1.0, 2.0, 5.0, 0.5, 0.2, 0.1, 0.05, 0.02)
CAPTION, CAPTION_WIDTH = 6.0, 62.0
VIEW_GAP = 8.0
# A drawing is made smaller to save a page only while the piece stays so large on paper [mm].
SMALLEST = 35.0


@dataclass(frozen=True, kw_only=True)
class Drawings:
    """A coupon's views at one scale, each with its place in the block."""

    layouts: tuple[Layout, ...]
    spots: tuple[tuple[float, float], ...]
    height: float

    @property
    def width(self) -> float:
        """From the left edge to the right end of the widest row [mm]."""
        sizes = [max(_size(layout)[0], CAPTION_WIDTH) for layout in self.layouts]
        return max(left + wide for wide, (left, _) in zip(sizes, self.spots, strict=True))


def best_drawings(
    pdf: SheetPdf, drawn: Callable[[bool], tuple[View, ...]], page: float, table: float
) -> Drawings | None:
    """The views of a coupon at the best scale: marks apart, and all on one page with the table if that can be.

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


def smaller_drawings(
    pdf: SheetPdf, drawn: Callable[[bool], tuple[View, ...]], drawings: Drawings
) -> Drawings | None:
    """The same views at half the size, where all marks stay apart and the piece stays large enough to see."""
    layouts = drawings.layouts
    scale = layouts[0].scale / 2
    sides = [(box[2] - box[0], box[3] - box[1]) for box in (layout.view.box for layout in layouts)]
    if scale not in SCALES or min(min(side) for side in sides) * scale < SMALLEST:
        return None
    split = len(layouts) != len(drawn(False))
    views = drawn(split)
    if any(jaw_marks(view, scale)[1] for view in views):
        return None
    halved = _fitting(views, scale, pdf.epw, drawings.height, lambda text: figure_width(pdf, text))
    if halved is None or any(layout.conflicts or layout.poor for layout in halved.layouts):
        return None
    return halved


def narrowed(drawings: Drawings, width: float) -> Drawings | None:
    """The same layouts within a narrower column, or None where the widest does not fit."""
    if drawings.width <= width:
        return drawings
    again = _arranged(drawings.layouts, width)
    return again if again.width <= width else None


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
        wide = max(wide, CAPTION_WIDTH)
        if x > 0 and x + wide > width:
            x, y, tallest = 0.0, y + tallest + 3.0, 0.0
        spots.append((x, y))
        x += wide + VIEW_GAP
        tallest = max(tallest, tall + CAPTION)
    return Drawings(layouts=layouts, spots=tuple(spots), height=y + tallest + 3.0)
