"""Bought pegs and holes: between which sizes their standards let them be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fitassay.analysis.parts.iso286 import limits, parse_zone

# Largest size [mm], and how far under its nominal size a ring of that size may be [mm]; it is never over. Mean
# diameter, rolling bearings of the normal class: ISO 492, from memory.
BEARING_BORE_MM = ((18.0, 0.008), (30.0, 0.010), (50.0, 0.012), (80.0, 0.015), (120.0, 0.020))
BEARING_OUTSIDE_MM = ((18.0, 0.008), (30.0, 0.009), (50.0, 0.011), (80.0, 0.013), (120.0, 0.015))
# Either way; common practice, no source.
MAGNET_MM = 0.1
# Parallel pins: ISO 2338, to m6 or h8. Ground shafts to h6 and bright drawn rods to h9: common practice, no source.
CLASSES = (("pin", "m6", 50.0), ("ground shaft", "h6", 120.0), ("drawn rod", "h9", 120.0))


@dataclass(frozen=True, kw_only=True)
class BoughtSize:
    """Between which sizes something bought may be.

    Attributes
    ----------
    name, by : str
        What it is, and the class or standard that says so.
    low, high : float [mm]
    """

    name: str
    by: str
    low: float
    high: float


def bought_sizes(nominal: float, side: Literal["peg", "hole"]) -> tuple[BoughtSize, ...]:
    """What a bought part of a nominal size [mm] may be: of a peg pins, shafts, rods, bearings and magnets; of a hole
    the bore of a bearing. Empty where no table holds the size.
    """
    table = BEARING_OUTSIDE_MM if side == "peg" else BEARING_BORE_MM
    under = next((under for end, under in table if nominal <= end), None)
    found = []
    if side == "peg":
        for name, zone, largest in CLASSES:
            if nominal <= largest:
                low, high = limits(nominal, parse_zone(zone))
                found.append(BoughtSize(name=name, by=zone, low=low, high=high))
    if under is not None:
        found.append(
            BoughtSize(name="bearing", by="ISO 492, normal class", low=nominal - under, high=nominal)
        )
    if side == "peg":
        found.append(BoughtSize(name="magnet", by="usual", low=nominal - MAGNET_MM, high=nominal + MAGNET_MM))
    return tuple(found)
