"""Weighed readings: what is put on the scale, as rows of readings.csv name it, and the mass that a text tells.

Rows of coupon `weighed` hold grams in the column of readings; the feature says of what and ends in its unit:
`filament_g:1000` a piece of filament of that length in mm, `wall_g` a printed piece by its coupon's id, `plates_g`
everything that the sliced files print, skirts and all.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from fitassay.coupons.numbers import parse_length, parse_number
from fitassay.coupons.wording import did_you_mean, shown

WEIGHED = "weighed"
"""The coupon column of what was weighed."""

PLATES = "plates"
FILAMENT = "filament"
HEAVIEST_G = 5000.0
"""No print of this program is heavier [g]."""

# Filament shorter than this is known less well than any scale weighs it [mm].
SHORTEST_MM = 100.0

# Filament of 1 to 4 mm, foamed or filled with metal [g/m]; anything else is a slip of unit or length.
LIGHTEST_G_M, HEAVIEST_G_M = 0.4, 60.0


@dataclass(frozen=True)
class Weighing:
    """What one weighed row is about.

    Attributes
    ----------
    what : {"filament", "piece", "plates"}
    coupon : str
        Of a piece.
    length_mm : float [mm]
        Of filament.
    """

    what: Literal["filament", "piece", "plates"]
    coupon: str = ""
    length_mm: float = 0.0

    @property
    def feature(self) -> str:
        """The feature column, e.g. ``filament_g:1000`` or ``wall_g``."""
        if self.what == "filament":
            return f"{FILAMENT}_g:{self.length_mm:.10g}"
        return f"{PLATES if self.what == 'plates' else self.coupon}_g"


def weighing_of(feature: str, coupons: Collection[str]) -> Weighing:
    """What a feature cell of a weighed row means.

    Parameters
    ----------
    feature : str
    coupons : collection of str
        Ids of the print's coupons.

    Raises
    ------
    ValueError
        With a sentence that says what to write.
    """
    match = re.fullmatch(r"\s*(.+?)_g\s*(?:[: ]\s*(.+))?", feature, re.DOTALL | re.IGNORECASE)
    name, size = (match[1].strip().casefold(), match[2]) if match else ("", None)
    if name == FILAMENT and size is not None:
        length = parse_length(size)
        if length < SHORTEST_MM:
            raise ValueError(f"{length:g} mm of filament are too little to weigh; take a metre or more")
        return Weighing("filament", length_mm=length)
    if name == FILAMENT:
        raise ValueError("the filament's length is missing; write filament_g:1000 for a piece 1000 mm long")
    if match and size is None:
        if name == PLATES:
            return Weighing("plates")
        found = next((c for c in coupons if c.casefold() == name), None)
        if found is not None:
            return Weighing("piece", coupon=found)
    known = [f"{FILAMENT}_g:1000", *(f"{c}_g" for c in coupons), f"{PLATES}_g"]
    near = did_you_mean(feature, known) or f"; write one of {', '.join(known[:8])}"
    raise ValueError(f"{shown(feature)} is nothing that is weighed{near}")


def parse_mass(text: str) -> float:
    """A mass [g] as a scale shows it.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong with the text and what to write instead.
    """
    try:
        mass = parse_number(text, "g")
    except ValueError as exc:
        if "carries the unit" in str(exc):
            raise ValueError(f"{shown(text)} is not in grams; write what the scale shows in g") from exc
        raise ValueError(str(exc).replace("20.31", "2.98")) from exc
    if not 0 < mass <= HEAVIEST_G:
        raise ValueError(f"{shown(text)} cannot be a mass; it lies between 0 and {HEAVIEST_G:g} g")
    return mass


def plausible_mass(weighing: Weighing, mass_g: float) -> str:
    """A sentence of doubt about a mass, or ``""`` where nothing speaks against it."""
    if weighing.what != "filament":
        return ""
    per_metre = 1000 * mass_g / weighing.length_mm
    if LIGHTEST_G_M <= per_metre <= HEAVIEST_G_M:
        return ""
    way = "light" if per_metre < LIGHTEST_G_M else "heavy"
    return (
        f"{mass_g:g} g for {weighing.length_mm:g} mm of filament is far too {way}: {per_metre:.3g} g a metre; "
        "is the length in mm and the mass in g?"
    )
