"""The measuring sheet's first pages: how to slice, print and measure, the settings in force, the plates."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fitassay.coupons.feature import Coupon, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sheet.drawing import ToPage, balloon, draw_axes, draw_jaw, draw_seam, fill_material
from fitassay.coupons.sheet.layout import SeamMark, make_jaw
from fitassay.coupons.sheet.measures import AXIS, MEASURED, NARROW, WIDE
from fitassay.coupons.sheet.paper import MARGIN, TOP, SheetPdf, line_step
from fitassay.coupons.sheet.section import Piece
from fitassay.coupons.sheet.words import (
    CAUTIONS,
    Block,
    coupon_facts,
    measuring_block,
    safe_text,
    scale_text,
    settings_in_force,
    slicing_block,
)

BODY_PT = 8.5
SIDE_PT = 8.0
GUTTER = 6.0
SIDE_WIDTH = 62.0
PLATE_SCALES = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02)
PLATE_MOST = 84.0
PLATE_GAP = 8.0
LIST_ROW = 5.5


def front_page(pdf: SheetPdf, manifest: Manifest, machine: Machine, pieces: Mapping[str, Piece]) -> None:
    """Instructions, cautions, the signs used, and room for what should be noted."""
    pdf.add_page()
    y = TOP + 4.0
    name = safe_text(machine.name, pdf.known, 80)
    pdf.put(MARGIN, y, pdf.fitted(f"Measuring sheet for {name}", pdf.epw, 15.0, True), 15.0, True)
    plates = len({coupon.plate for coupon in manifest.coupons})
    count = len(manifest.asked)
    material = safe_text(machine.material, pdf.known, 40)
    facts = (
        f"{_count(len(manifest.coupons), 'coupon')} on {_count(plates, 'plate')}, "
        f"{_count(count, 'size')} to measure. Bead {manifest.line_width_mm:g} mm, "
        f"layer {manifest.layer_height_mm:g} mm. Material: {material}."
    )
    y += 3.0
    y += pdf.lines(MARGIN, y, pdf.wrapped(facts, pdf.epw, 9.0), 9.0) + 4.0
    main = pdf.epw - SIDE_WIDTH - GUTTER
    side = MARGIN + main + GUTTER
    tubes, prisms = _single_walls(manifest, pieces)
    down = y
    for block in (slicing_block(manifest, machine, plates, tubes, prisms), measuring_block(machine.soft)):
        down = write_block(pdf, block, MARGIN, down, main, BODY_PT) + 4.0
    low = _boxed(pdf, CAUTIONS, side, y, SIDE_WIDTH)
    low = _signs(pdf, side, low + 6.0)
    _record(pdf, max(down, low) + 3.0)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def write_block(pdf: SheetPdf, block: Block, x: float, y: float, width: float, size: float) -> float:
    """A title and its sentences, numbered or dashed; the height reached."""
    pdf.put(x, y + 4.0, block.title, 11.0, True)
    y += 6.5
    for number, sentence in enumerate(block.sentences, start=1):
        pdf.put(x, y + 0.78 * line_step(size), f"{number}." if block.numbered else "–", size)
        y += pdf.lines(x + 5.5, y, pdf.wrapped(sentence, width - 5.5, size), size) + 1.1
    return y


def _boxed(pdf: SheetPdf, block: Block, x: float, y: float, width: float) -> float:
    low = write_block(pdf, block, x + 2.5, y + 1.0, width - 5.0, SIDE_PT) + 1.0
    pdf.stroke(0.7)
    pdf.rect(x, y, width, low - y)
    return low


def _signs(pdf: SheetPdf, x: float, y: float) -> float:
    """What the signs on the drawings mean."""
    pdf.put(x, y + 4.0, "On the drawings", 11.0, True)
    y += 8.0

    rows = (
        ("balloon", "number of the size, in the order of measuring; the same in the table"),
        ("outside", "outside jaws: their flats go where the block touches"),
        ("inside", "inside jaws: their edges go where the point touches"),
        ("face", "measured face: no seam, no blob, no scraping here"),
        ("seam", "the seam belongs here"),
        ("axes", "how the piece lay on the machine; its own arrow points to +x"),
    )
    for sign, meaning in rows:
        lines = pdf.wrapped(meaning, SIDE_WIDTH - 15.0, SIDE_PT)
        height = max(7.0 if sign != "axes" else AXIS + 1.0, line_step(SIDE_PT) * len(lines) + 1.5)
        centre = np.array([5.0, -height / 2])
        to_page = _upward(x, y)
        if sign == "balloon":
            balloon(pdf, to_page(centre), 7)
        elif sign in ("outside", "inside"):
            tip, left = centre + np.array([1.6, 0.0]), np.array([-1.0, 0.0])
            draw_jaw(pdf, make_jaw(7, tip, left, sign == "inside"), to_page)
        elif sign == "face":
            pdf.stroke(MEASURED)
            pdf.line(*to_page(centre - [4.0, 0.0]), *to_page(centre + [4.0, 0.0]))
        elif sign == "seam":
            draw_seam(pdf, SeamMark(centre=centre, tip=centre + np.array([4.5, 0.0])), to_page)
        else:
            draw_axes(pdf, centre - AXIS / 2 + 1.0, ("x", "y"), to_page)
        pdf.lines(x + 15.0, y + (height - line_step(SIDE_PT) * len(lines)) / 2, lines, SIDE_PT)
        y += height
    return y


def _upward(left: float, bottom: float) -> ToPage:
    """Points with y up from a corner on the page, to the page's own coordinates."""

    def to_page(points: np.ndarray) -> np.ndarray:
        return np.stack([points[..., 0] + left, bottom - points[..., 1]], axis=-1)

    return to_page


def _record(pdf: SheetPdf, y: float) -> None:
    """Blanks for the circumstances, and for the caliper's own check."""
    pdf.put(MARGIN, y + 4.0, "Note", 11.0, True)
    y += 7.0
    heads = ("printed on", "plastic, spool", "measured on, by", "room temperature, °C")
    width = pdf.epw / len(heads)
    pdf.stroke(0.18)
    for k, head in enumerate(heads):
        pdf.rect(MARGIN + k * width, y, width, 10.0)
        pdf.put(MARGIN + k * width + 1.0, y + 3.0, head, 6.5)
    y += 13.0
    rows = ("jaws closed", "outside, on a piece of known size", "inside, in a ring of known size")
    blank = 22.0
    first = pdf.epw - 4 * blank
    for x, head in zip(
        (MARGIN, *(MARGIN + first + k * blank for k in range(4))),
        ("caliper check, mm", "known size", "reading 1", "reading 2", "reading 3"),
        strict=True,
    ):
        pdf.put(x + 1.0, y + 3.5, head, 7.0, True)
    y += 5.0
    for row in rows:
        pdf.rect(MARGIN, y, pdf.epw, 7.5)
        pdf.put(MARGIN + 1.0, y + 5.0, row, SIDE_PT)
        for k in range(4):
            pdf.line(MARGIN + first + k * blank, y, MARGIN + first + k * blank, y + 7.5)
        if row == rows[0]:
            pdf.put(MARGIN + first + blank / 2, y + 5.0, "0", SIDE_PT, align="centre")
        y += 7.5


def _single_walls(manifest: Manifest, pieces: Mapping[str, Piece]) -> tuple[bool, bool]:
    """Whether single-wall pieces are drawn as tubes, and whether any is drawn solid."""
    tubes = prisms = False
    for coupon in manifest.coupons:
        if not coupon.single_wall:
            continue
        z = coupon.features[0].contact_a_mm[2] if coupon.features else pieces[coupon.id].box[5] / 2
        if len(pieces[coupon.id].section(z)) > 1:
            tubes = True
        else:
            prisms = True
    return tubes, prisms


def plates_page(pdf: SheetPdf, manifest: Manifest, machine: Machine, pieces: Mapping[str, Piece]) -> float:
    """What is set now, and where each piece lies on its plate; the height reached."""
    pdf.add_page()
    y = _settings(pdf, machine, TOP) + 5.0
    pdf.put(MARGIN, y + 4.0, "Plates", 11.0, True)
    y += 7.0
    order = {coupon.id: k for k, coupon in enumerate(manifest.coupons, start=1)}
    plates = sorted({coupon.plate for coupon in manifest.coupons})
    room = pdf.low - y - LIST_ROW * len(order)
    scale = _plate_scale(machine, len(plates), pdf.epw, room)
    wide, tall = (side * scale for side in machine.volume_mm[:2])
    step, drop = _plate_steps(wide, tall)
    x = MARGIN
    for plate in plates:
        if x > MARGIN and x + step - PLATE_GAP > pdf.w - MARGIN:
            x, y = MARGIN, y + drop
        if y + drop > pdf.low:
            pdf.add_page()
            x, y = MARGIN, TOP
        members = [coupon for coupon in manifest.coupons if coupon.plate == plate]
        pdf.put(x, y + 3.5, f"plate-{plate}.3mf, scale {scale_text(scale)}", 7.5)
        _plate(pdf, members, pieces, order, x, y + 5.0 + tall, scale, (wide, tall))
        x += step
    return _list(pdf, manifest, y + drop) + 3.0


def _plate_steps(wide: float, tall: float) -> tuple[float, float]:
    """How far apart plates stand on paper, across and down; a caption needs 52 mm."""
    return max(wide, 52.0) + PLATE_GAP, tall + AXIS + 8.0


def _plate_scale(machine: Machine, plates: int, width: float, height: float) -> float:
    """The largest scale at which all plates fit the room, else one at which a plate fits a page."""
    for scale in PLATE_SCALES:
        wide, tall = (side * scale for side in machine.volume_mm[:2])
        step, drop = _plate_steps(wide, tall)
        columns = int((width + PLATE_GAP) // step)
        if columns and math.ceil(plates / columns) * drop <= height:
            return scale
    return next((s for s in PLATE_SCALES if max(machine.volume_mm[:2]) * s <= PLATE_MOST), PLATE_SCALES[-1])


def _plate(
    pdf: SheetPdf,
    members: list[Coupon],
    pieces: Mapping[str, Piece],
    order: Mapping[str, int],
    left: float,
    bottom: float,
    scale: float,
    size: tuple[float, float],
) -> None:
    """One plate from above: the bed's edge, the pieces' sections, their numbers."""
    pdf.stroke(WIDE)
    pdf.rect(left, bottom - size[1], *size)
    to_page = _upward(left, bottom)
    centres = []
    for coupon in members:
        piece = pieces[coupon.id]
        origin = np.array(coupon.origin_on_plate_mm)
        # Small drawings would show an engraved name as a blot.
        for region in piece.tops if scale >= 0.5 else [piece.silhouette("z")]:
            fill_material(pdf, [to_page((ring + origin) * scale) for ring in region])
        centres.append((order[coupon.id], origin + np.array(coupon.size_mm[:2]) / 2))
    for number, centre in centres:
        balloon(pdf, to_page(centre * scale), number)

    draw_axes(pdf, np.array([2.5, -AXIS - 0.5]), ("x", "y"), to_page)


def _settings(pdf: SheetPdf, machine: Machine, y: float) -> float:
    """The settings in force: what it is, where it is found, what it is set to."""
    pdf.put(MARGIN, y + 4.0, "Set now: leave as it is until the readings are taken", 11.0, True)
    y += 7.0
    rows = settings_in_force(machine)
    # Value, where the setting is found, and the rest for what it means.
    value_at, place_at = pdf.epw - 23.0, pdf.epw - 91.0
    step = line_step(SIDE_PT)
    pdf.stroke(NARROW)
    for meaning, place, value in rows:
        columns = (
            (1.0, pdf.wrapped(meaning, place_at - 3.0, SIDE_PT)),
            (place_at, pdf.wrapped(place, value_at - place_at - 2.0, SIDE_PT)),
            (value_at, [value]),
        )
        height = 5.4 + (max(len(lines) for _, lines in columns) - 1) * step
        pdf.rect(MARGIN, y, pdf.epw, height)
        for x, lines in columns:
            for k, line in enumerate(lines):
                pdf.put(MARGIN + x, y + 3.9 + k * step, line, SIDE_PT)
        y += height
    return y


def _list(pdf: SheetPdf, manifest: Manifest, y: float) -> float:
    """The pieces by number, in measuring order; the height reached."""
    for number, coupon in enumerate(manifest.coupons, start=1):
        if y + LIST_ROW > pdf.low:
            pdf.add_page()
            y = TOP
        balloon(pdf, np.array([MARGIN + 2.5, y + 2.6]), number)
        name = pdf.fitted(safe_text(coupon.id, pdf.known, 40), 40.0, SIDE_PT, True)
        pdf.put(MARGIN + 7.0, y + 3.7, name, SIDE_PT, True)
        facts = f"{coupon_facts(coupon)}, {_count(len(coupon.asked), 'size')}, {coupon.file}"
        facts = safe_text(facts, pdf.known, 160)
        pdf.put(MARGIN + 50.0, y + 3.7, pdf.fitted(facts, pdf.epw - 50.0, SIDE_PT), SIDE_PT)
        y += LIST_ROW
    return y
