"""What a coupon costs: grams of plastic and minutes of printing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import count

# Slabs closer than this touch [mm].
TOUCHING_MM = 1e-6
SOLID_LAYERS = 3
"""Layers that slicing programs close below and above a sparse filling; common practice, no source."""


class Prism(Protocol):
    """A slab of constant outline from z0 to z1 [mm]."""

    @property
    def outline(self) -> Any: ...

    @property
    def z0(self) -> float: ...

    @property
    def z1(self) -> float: ...


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Grams and minutes of one coupon, printed with the machine's walls and filling."""

    grams: float
    minutes: float


def bead_area(width: float, height: float) -> float:
    """Cross-section of a bead [mm2]: a rectangle with half-round ends, (w - h) h + pi h^2 / 4.

    Parameters
    ----------
    width, height : float [mm]
        Bead width and layer height, width >= height.
    """
    return (width - height) * height + math.pi * height**2 / 4


def printed_volume(slabs: Sequence[Prism], machine: Machine) -> float:
    """Plastic in a piece of slabs [mm3]: its walls, closed layers where it is open above or below, sparse filling.

    Parameters
    ----------
    slabs : sequence of Prism
        Polygons by shapely.
    machine : Machine
        Its walls, filling, bead and layers.
    """
    import shapely

    closed = SOLID_LAYERS * machine.layer_height_mm
    share = machine["process.filling_percent"] / 100
    total = 0.0
    for slab in slabs:
        height = slab.z1 - slab.z0
        room = slab.outline.buffer(
            -round(machine["process.walls"]) * machine.line_width_mm, join_style="mitre"
        )
        covers = (
            [other.outline for other in slabs if abs(other.z1 - slab.z0) < TOUCHING_MM],
            [other.outline for other in slabs if abs(other.z0 - slab.z1) < TOUCHING_MM],
        )
        bare = sum(room.difference(shapely.union_all(cover)).area for cover in covers)
        inner = room.area * height
        solid = min(bare * closed, inner)
        total += (slab.outline.area - room.area) * height + solid + (inner - solid) * share
    return total


def cost_of(volume: float, machine: Machine) -> Cost:
    """Cost of that much plastic [mm3].

    The path is as long as the volume over the bead's cross-section; travel, slow first layers and pauses come
    on top.
    """
    path = volume / bead_area(machine.line_width_mm, machine.layer_height_mm)
    return Cost(
        grams=volume * 1e-3 * machine["process.density_g_cm3"],
        minutes=path / machine["process.speed_mm_s"] / 60,
    )


def filled(machine: Machine) -> str:
    """How a piece is to be filled: ``3 walls, 15 % filling``."""
    share = machine["process.filling_percent"]
    if share >= 100:
        return "printed solid"
    return f"{count(round(machine['process.walls']), 'wall')}, {share:g} % filling"
