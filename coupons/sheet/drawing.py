"""Putting a laid-out view on paper: material, outlines, dimension lines, jaws and marks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np

from fitassay.coupons.sheet.dimension import Dimension
from fitassay.coupons.sheet.layout import Jaw, Layout, SeamMark
from fitassay.coupons.sheet.measures import ARROW, AXIS, BALLOON, MEASURED, NARROW, SEAM_RADIUS, WIDE
from fitassay.coupons.sheet.paper import POINT_MM, WHITE, SheetPdf

MATERIAL_GREY = 225
FIGURE_PT = 9.0
ARROW_HALF_WIDTH = ARROW * math.tan(math.radians(10.0))

ToPage = Callable[[np.ndarray], np.ndarray]


def figure_width(pdf: SheetPdf, text: str) -> float:
    """Width of a dimension's figure [mm]."""
    return pdf.width_of(text, FIGURE_PT)


def draw(pdf: SheetPdf, layout: Layout, left: float, top: float) -> None:
    """Draw a view with the upper left corner of its box at `left`, `top` [mm from the page's corner]."""
    box = layout.box()

    def to_page(points: np.ndarray) -> np.ndarray:
        return np.stack([points[..., 0] - box[0] + left, top + box[3] - points[..., 1]], axis=-1)

    scale = layout.scale
    for region in layout.view.regions:
        fill_material(pdf, [to_page(ring * scale) for ring in region])
    pdf.stroke(WIDE)
    for ring in layout.view.outlines:
        pdf.outline(to_page(ring * scale))
    pdf.stroke(MEASURED)
    for place in layout.view.places:
        for face in (place.face_a, place.face_b):
            if len(face.line) > 1 and np.ptp(face.line, axis=0).max() > 0:
                pdf.polyline(to_page(face.line * scale))
    for dimension in layout.dimensions:
        _dimension(pdf, dimension, to_page)
    for jaw in layout.jaws:
        draw_jaw(pdf, jaw, to_page)
    for mark in layout.seams:
        draw_seam(pdf, mark, to_page)
    if layout.axis_corner is not None:
        draw_axes(pdf, layout.axis_corner, layout.view.axes, to_page)


def fill_material(pdf: SheetPdf, rings: Iterable[np.ndarray]) -> None:
    """Material seen from above: one filled area with its holes, narrow edges."""
    pdf.stroke(NARROW)
    pdf.area(rings, MATERIAL_GREY, edged=True)


def _dimension(pdf: SheetPdf, dimension: Dimension, to_page: ToPage) -> None:
    pdf.stroke(NARROW)
    for part in (*dimension.extensions, dimension.line):
        pdf.polyline(to_page(part))
    along = dimension.ends[1] - dimension.ends[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    inward = -1.0 if dimension.arrows_outside else 1.0
    arrow(pdf, dimension.ends[0], -along * inward, to_page)
    arrow(pdf, dimension.ends[1], along * inward, to_page)
    up = np.array([-along[1], along[0]])
    foot = dimension.label[0]
    balloon(pdf, to_page(foot + along * BALLOON / 2 + up * BALLOON / 2), dimension.number)
    x, y = to_page(foot + along * (BALLOON + 0.8) + up * 0.75)
    pdf.put(x, y, dimension.text, FIGURE_PT, turn=dimension.angle)


def arrow(pdf: SheetPdf, tip: np.ndarray, way: np.ndarray, to_page: ToPage) -> None:
    """A closed filled arrowhead, its tip at `tip`, pointing along the unit vector `way`."""
    side = np.array([-way[1], way[0]]) * ARROW_HALF_WIDTH
    back = tip - way * ARROW
    pdf.area([to_page(np.stack([tip, back + side, back - side]))])


def balloon(pdf: SheetPdf, centre: np.ndarray, number: int) -> None:
    """A feature's number in a circle, always upright."""
    pdf.stroke(NARROW)
    pdf.disc(float(centre[0]), float(centre[1]), BALLOON / 2 - 0.15)
    size = 7.0 if number < 100 else 5.5
    pdf.put(float(centre[0]), float(centre[1]) + 0.36 * size * POINT_MM, str(number), size, True, "centre")


def draw_jaw(pdf: SheetPdf, jaw: Jaw, to_page: ToPage) -> None:
    """A black block that carries the feature's number in white."""
    pdf.area([to_page(jaw.outline)])
    x, y = to_page(jaw.centre)
    # Two digits fill the smaller, inside block.
    size = 6.5 if jaw.number < 10 else 5.0 if jaw.number < 100 else 3.6
    pdf.put(float(x), float(y) + 0.36 * size * POINT_MM, str(jaw.number), size, True, "centre", grey=WHITE)


def draw_seam(pdf: SheetPdf, mark: SeamMark, to_page: ToPage) -> None:
    """A letter or number in a circle, joined to the place it points at."""
    pdf.stroke(NARROW)
    pdf.polyline(to_page(np.stack([mark.tip, mark.centre])))
    x, y = to_page(mark.centre)
    pdf.disc(float(x), float(y), SEAM_RADIUS)
    size = 7.0 if len(mark.text) < 2 else 6.0 if len(mark.text) < 3 else 4.5
    pdf.put(float(x), float(y) + 0.36 * size * POINT_MM, mark.text, size, True, "centre")


def draw_axes(pdf: SheetPdf, corner: np.ndarray, names: tuple[str, str], to_page: ToPage) -> None:
    """Two arrows that say which way the piece lies; the first axis carries its plus sign."""
    right, up = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    pdf.stroke(WIDE)
    for way, name in ((right, names[0]), (up, names[1])):
        tip = corner + way * (AXIS - 4.5)
        pdf.polyline(to_page(np.stack([corner, tip - way])))
        arrow(pdf, tip, way, to_page)
        spot = to_page(tip + way * 2.3)
        pdf.put(float(spot[0]), float(spot[1]) + 1.0, f"+{name}", 8.0, True, "centre")
