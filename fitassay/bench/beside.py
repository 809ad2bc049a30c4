"""What the page reads beside the coupons' features: pieces of known size, and what is put on the scale."""

from __future__ import annotations

from typing import Any

from fitassay.analysis.readings.book import ReadingsBook
from fitassay.analysis.readings.reading import (
    REFERENCE,
    parse_reading,
    reference_id,
    reference_piece,
)
from fitassay.analysis.readings.weighings import WEIGHED, parse_mass, plausible_mass, weighing_of
from fitassay.bench.actions import Action
from fitassay.coupons.feature import Manifest
from fitassay.labels import plain, reading

BESIDE = (REFERENCE, WEIGHED)


def weighable(manifest: Manifest, traced: bool) -> dict[str, Any]:
    """What the page offers to weigh; nothing without a printed file, which tells what it should weigh."""
    return {"traced": traced, "pieces": [c.id for c in manifest.coupons if c.single_wall]}


def read_piece(action: Action, book: ReadingsBook, there: list[str]) -> str:
    """A piece of known size, written down; what is said of it.

    Parameters
    ----------
    action : Action
    book : ReadingsBook
    there : list of str
        Keys of the readings that the piece has.

    Raises
    ------
    ValueError
        With a sentence.
    """
    kind, size = reference_piece(action.feature)
    value, _ = parse_reading(action.text)
    if value is None or abs(value - size) > 0.5:
        raise ValueError(f"{plain(action.text)} is far from the known {size:g} mm; check both and try again.")
    if not (action.resent and f"{value:.6f}" in there):
        book.add(REFERENCE, reference_id(kind, size), action.text)
    return f"{reading(value)} mm on the {kind} piece of {size:g} mm kept."


def weigh(action: Action, book: ReadingsBook, manifest: Manifest, there: list[str]) -> str:
    """A mass, written down; what is said of it. Arguments and errors as `read_piece`."""
    what = weighing_of(action.feature, [c.id for c in manifest.coupons])
    mass = parse_mass(action.text)
    doubt = plausible_mass(what, mass)
    if doubt:
        raise ValueError(doubt)
    if not (action.resent and f"{mass:.6f}" in there):
        book.add(WEIGHED, what.feature, action.text)
    of = {"filament": f"{what.length_mm:g} mm of filament", "plates": "everything printed"}.get(
        what.what, what.coupon
    )
    return f"{mass:g} g for {plain(of)} kept."
