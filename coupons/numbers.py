"""Numbers as people type them: points or commas, with or without a unit."""

from __future__ import annotations

import math
import re

from fitassay.coupons.wording import shown

# Plain ASCII digits only: float() would also take underscores, "infinity" and digits of other scripts.
_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.ASCII | re.DOTALL)

# Millimetres in one unit. The inch is 25.4 mm exactly (ISO 80000-3).
UNITS_MM = {
    "mm": 1.0,
    "millimetre": 1.0,
    "millimeter": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 0.001,
    "µm": 0.001,
    "μm": 0.001,
    "in": 25.4,
    "inch": 25.4,
    "inches": 25.4,
    '"': 25.4,
    "″": 25.4,
    "”": 25.4,
    "''": 25.4,
    "thou": 0.0254,
    "mil": 0.0254,
}
_MILLIMETRES = ("", "mm", "millimetre", "millimeter")

SHORTEST_MM, LONGEST_MM = 0.001, 10_000.0
"""No caliper tells a length below the one, none reaches beyond the other [mm]."""


def tidy(text: str) -> str:
    """`text` without surrounding blanks, with every kind of blank as a space and every minus as ``-``."""
    return " ".join(text.split()).replace("−", "-").replace("–", "-")


def parse_number(text: str, unit: str = "") -> float:
    """The number that `text` tells; a decimal comma and the `unit` behind it are understood.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong with the text and what to write instead.
    """
    number, found = _split(text)
    if found and found.casefold() != unit.casefold():
        expected = f"a number in {unit}" if unit else "a plain number"
        raise ValueError(f"{shown(text)} carries the unit {shown(found)}; write {expected}")
    return number


def parse_length(text: str) -> float:
    """A length [mm] as a caliper shows it: from `SHORTEST_MM` to `LONGEST_MM`.

    Units other than mm are refused with the value in mm offered.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong with the text and what to write instead.
    """
    number, unit = _split(text)
    key = unit.casefold().rstrip(".")
    if key not in _MILLIMETRES:
        factor = UNITS_MM.get(key)
        if factor is None:
            raise ValueError(f"{shown(text)} carries the unknown unit {shown(unit)}; write the reading in mm")
        raise ValueError(f"{shown(text)} is not in mm; write {number * factor:.6g} if that is what was read")
    if not number > 0:
        raise ValueError(f"{shown(text)} cannot be a length; a length is greater than 0")
    if number < SHORTEST_MM:
        raise ValueError(
            f"{shown(text)} is shorter than any caliper tells ({SHORTEST_MM:g} mm); write the reading in mm"
        )
    if number > LONGEST_MM:
        raise ValueError(
            f"{shown(text)} is longer than any caliper ({LONGEST_MM:g} mm); write the reading in mm"
        )
    return number


def _split(text: str) -> tuple[float, str]:
    """Number and unit of a typed text."""
    plain = tidy(text)
    if not plain:
        raise ValueError("there is no number")
    match = _NUMBER.fullmatch(plain)
    if match is None:
        raise ValueError(f"{shown(text)} is not a number; write it like 20.31")
    number, unit = float(match[1].replace(",", ".")), match[2].strip()
    if unit[:1] in (".", ",", "'") and unit != "''":
        raise ValueError(f"{shown(text)} has more than one decimal mark; write it like 20.31")
    if any(c.isdigit() for c in unit):
        raise ValueError(f"{shown(text)} is not one number; write it like 20.31")
    if not math.isfinite(number):
        raise ValueError(f"{shown(text)} is too large a number")
    return number, unit
