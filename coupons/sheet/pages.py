"""The measuring sheet's pages: instructions, plates, each coupon's drawings with its table, a list for the wall."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sheet.block import block_of, packed, write_group
from fitassay.coupons.sheet.card_page import card_page, is_card
from fitassay.coupons.sheet.front import front_page, plates_page
from fitassay.coupons.sheet.paper import TOP, Paper, SheetPdf
from fitassay.coupons.sheet.rims import rims_page, spans_part
from fitassay.coupons.sheet.section import Piece, load_piece
from fitassay.coupons.sheet.wall_list import list_page
from fitassay.coupons.sheet.words import numbered_features, safe_text
from fitassay.coupons.solid import Solid

# An STL's rounding, and a manifest's.
SLACK_MM = 0.05


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
    y = plates_page(pdf, manifest, machine, pieces)
    blocks = [
        block_of(pdf, order, coupon, pieces[coupon.id], numbers)
        for order, coupon in enumerate(manifest.coupons, start=1)
    ]
    for k, groups in enumerate(packed(blocks, pdf, numbers, y)):
        if k:
            pdf.add_page()
            y = TOP
        for group in groups:
            y = write_group(pdf, group, y)
    list_page(pdf, manifest, machine, numbers)
    y = pdf.low
    if any(f.of_surface for _, f in manifest.optional):
        y = rims_page(pdf, manifest, numbers)
    spans_part(pdf, manifest, pieces, numbers, y)
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
