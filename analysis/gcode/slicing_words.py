"""What the slicing did, in the trade's words, and what to set so that the path stands in its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.gcode.coupon_paths import MOST_WALLS
from fitassay.analysis.gcode.height_words import layers_differ, thinnest_and_thickest
from fitassay.analysis.gcode.round_holes import polygon_holes
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_words import direction_text, order_text, walls_of
from fitassay.coupons.wording import count, listed

MANY_WALLS = 6
"""People seldom set so many; filling that follows the walls looks like more of them."""

SMALL_MM = 0.05
SAME_FLOW = 0.005
NOTHING_MM = 0.005


@dataclass(frozen=True, kw_only=True)
class Change:
    """One size compensation to change.

    Attributes
    ----------
    what : str
        ``outsides``, ``openings``, or ``round holes`` with their diameter.
    stands_mm : float [mm]
        How far the path stands out of the material from its place, per side; positive makes outsides larger and
        openings smaller.
    size_mm : float [mm]
        How much larger (positive) or smaller than drawn the size comes out for it.
    """

    what: str
    stands_mm: float
    size_mm: float

    @property
    def per_side_mm(self) -> float:
        """What to add to the compensation per side [mm]; positive makes the size larger."""
        return -self.size_mm / 2

    @property
    def in_all_mm(self) -> float:
        """What to add to it where it counts the whole size, or a diameter [mm]."""
        return -self.size_mm


def changes_of(trace: Trace) -> tuple[Change, ...]:
    """What to change for outsides, openings and round holes apart; those of the same kind that are off alike once."""
    place = trace.place
    if place is None or trace.offset_mm is None:
        return ()
    changes = []
    if not _only_openings(trace):
        changes.append(Change(what="outsides", stands_mm=trace.offset_mm, size_mm=2 * trace.offset_mm))
    if any(o.opening for p in trace.found.values() if not p.coupon.single_wall for o in p.outer):
        opening = trace.offset_mm + place.opening
        changes.append(Change(what="openings", stands_mm=opening, size_mm=-2 * opening))
        polygons = polygon_holes(trace)
        for diameter, extra in sorted(place.bores.items()):
            if abs(extra) > 2 * NOTHING_MM and diameter not in polygons:
                stands = opening + extra
                changes.append(
                    Change(what=f"round holes of {diameter:g} mm", stands_mm=stands, size_mm=-2 * stands)
                )
    return tuple(changes)


def _only_openings(trace: Trace) -> bool:
    return all(o.opening for p in trace.found.values() if not p.coupon.single_wall for o in p.outer)


def slicing_sentences(trace: Trace) -> tuple[str, ...]:
    """What the slicing did, a sentence a subject."""
    return tuple(
        s
        for s in (_walls(trace), _beads(trace), _speeds(trace), *_seams(trace), _path(trace), _layers(trace))
        if s
    )


def _walls(trace: Trace) -> str:
    walls = walls_of(trace)
    more = ""
    if walls >= MANY_WALLS:
        more = f"{' or more' if walls == MOST_WALLS else ''}, or fewer and filling that follows them,"
    return f"{count(walls, 'wall')}{more} side by side, {order_text(trace)}; {direction_text(trace)}."


def _beads(trace: Trace) -> str:
    bead = trace.bead
    if bead is None:
        return ""
    said = f"Outer walls: bead {bead.width:.3f} mm"
    if bead.pitch is not None:
        said += f" by the distance to the next wall ({bead.pitch:.3f} mm)"
    said += f", fed for {bead.fed:.3f} mm"
    if bead.inner is not None and abs(bead.inner - bead.width) > NOTHING_MM:
        said += f"; inner walls {bead.inner:.3f} mm"
    if bead.flow is not None:
        said += f"; flow {100 * bead.flow:.1f} %"
        if bead.inner_flow is not None and abs(bead.inner_flow - bead.flow) > SAME_FLOW:
            said += f", of inner walls {100 * bead.inner_flow:.1f} %"
        said += f", of beads counted with {'square' if bead.square else 'round'} ends"
    return said + "."


def _speeds(trace: Trace) -> str:
    speeds = {} if trace.slicing is None else trace.slicing.speeds
    if not speeds:
        return "No speed is set along the walls."
    return f"Speeds: {listed(f'{what} {speed:.0f} mm/s' for what, speed in speeds.items())}."


def _seams(trace: Trace) -> list[str]:
    slicing = trace.slicing
    if slicing is None:
        return []
    said = []
    if slicing.seam:
        said.append(f"Seams lie {slicing.seam}.")
    if slicing.scarf:
        said.append(f"Outer walls begin with a scarf seam, a ramp {slicing.scarf:.1f} mm long.")
    if slicing.coasting > SMALL_MM:
        said.append(
            f"The last {slicing.coasting:.1f} mm of outer walls are drawn without filament (coasting)."
        )
    if slicing.gap > SMALL_MM:
        said.append(f"Outer walls stop up to {slicing.gap:.2f} mm short of their start.")
    if slicing.strokes > 1:
        said.append(f"Outer walls are drawn in several strokes, mostly {slicing.strokes}.")
    if slicing.wipe:
        said.append(f"Once a loop is closed the nozzle wipes along it for {slicing.wipe:.1f} mm.")
    return said


def _path(trace: Trace) -> str:
    slicing = trace.slicing
    if slicing is None:
        return ""
    said = []
    if slicing.arcs:
        said.append("Round outlines are drawn by arcs")
    elif np.isfinite(slicing.segment_mm):
        said.append(f"Round outlines are drawn by straight pieces of {slicing.segment_mm:.2f} mm")
    if slicing.decimals:
        said.append(f"coordinates have {count(slicing.decimals, 'decimal')}")
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _beside(outward: float) -> str:
    return f"{rounding.fixed(abs(outward), 3)} mm {'outside' if outward > 0 else 'inside'}"


def _layers(trace: Trace) -> str:
    low, high = thinnest_and_thickest(trace)
    thick = rounding.fixed(trace.layer_height_mm, 3)
    if layers_differ(trace):
        thick = f"{rounding.fixed(low, 3)} to {rounding.fixed(high, 3)}"
    said = (
        f"{count(trace.layers, 'layer')}, {thick} mm thick where measured, the first "
        f"{rounding.fixed(trace.first_layer_mm, 3)} mm"
    )
    first = trace.first_layer
    if first is not None and first.outward is not None:
        where = "on the path of those above"
        if abs(first.outward) > NOTHING_MM:
            where = f"its path {_beside(first.outward)} that of those above"
        bead = "" if first.bead is None else f", its bead fed for {first.bead:.3f} mm"
        edge = None if trace.bead is None else first.edge(trace.bead.fed)
        if edge is not None and edge != first.outward:
            bead += (
                ", its edge where theirs is"
                if abs(edge) <= NOTHING_MM
                else f", its edge {_beside(edge)} theirs"
            )
        said += f", {where}{bead}"
    return said + "."
