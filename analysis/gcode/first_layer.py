"""The first layer against the layers above it: how far it is drawn in or out, and its bead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.loops import PathLoop
from fitassay.analysis.gcode.registration import Place, expected

ROUND_ENDS = 1 - np.pi / 4
"""A bead with round ends is wider than a square one of its cross-section by this much of its height."""

REACH_MM = 0.42
"""How far from the layers' usual place the first layer's path is looked for."""

ENOUGH_PROBES = 8
SAME_BEAD = 0.03
ON_PATH_MM = 0.01
"""A first layer this near to the path of those above is drawn on it."""

USUAL_STEP_MM = 0.05
"""People set a first layer in or out by whole steps of this (common practice, no source)."""

ROUNDER_MM = 0.003


@dataclass(frozen=True, kw_only=True)
class FirstLayer:
    """The first layer of the coupons.

    Attributes
    ----------
    thickness : float [mm]
    outward : float or None [mm]
        How far its path stands outward of where the layers above have theirs; None where not seen.
    bead : float or None [mm]
        Width of a bead with round ends that spends its filament.
    """

    thickness: float
    outward: float | None
    bead: float | None

    def edge(self, usual: float) -> float | None:
        """How far its edge is meant outward of that of the layers above [mm]; None where its path is not seen.

        A program that widens the first layer's bead draws it half of that farther in; one that only feeds more does
        not. Where both could be, the rounder figure is likelier.

        Parameters
        ----------
        usual : float [mm]
            Width of the bead that the layers above are fed for.
        """
        if self.outward is None or self.bead is None or abs(self.bead / usual - 1) < SAME_BEAD:
            return self.outward
        widened = self.outward + (self.bead - usual) / 2
        if abs(self.outward) < ON_PATH_MM or _off_grid(self.outward) < _off_grid(widened) - ROUNDER_MM:
            return self.outward
        return widened


def _off_grid(value: float) -> float:
    return abs(value - round(value / USUAL_STEP_MM) * USUAL_STEP_MM)


@dataclass(frozen=True, kw_only=True)
class _Low:
    """One low layer of one coupon: residuals by the height at which it may have been cut, and its loops."""

    z: float
    outward: dict[float, float]
    loops: tuple[PathLoop, ...]


def first_layer_of(
    maps: list[tuple[float, float, LoopMap]], places: dict[str, Place], area_per_e: float, usual: float
) -> FirstLayer | None:
    """Compare the first layer with the two above it.

    A foot's chamfer lets the path of each layer depend on the height at which the program cut the solid; the two
    layers above show that height for the coupon, the first is tried as a thick layer and as a raised one.

    Parameters
    ----------
    maps : list of (z, thickness, LoopMap), lowest first
    places : dict of str to Place
    area_per_e : float [mm2]
        Plastic per filament length.
    usual : float [mm]
        Thickness of the layers above.
    """
    if not maps:
        return None
    z1, thickness, first = maps[0]
    moved, beads = [], []
    for place in places.values():
        if place.template.coupon.single_wall:
            continue
        above = [_outward(place, z - usual / 2, loops)[0] for z, _, loops in maps[1:3]]
        above = [value for value in above if value is not None]
        tries = [_outward(place, z, first) for z in dict.fromkeys((z1 / 2, z1 - usual / 2)) if z > 0]
        seen = [(value, loops) for value, loops in tries if value is not None]
        if not seen:
            continue
        beads += [loop.filament_per_mm for loop in seen[0][1]]
        if above:
            # A layer cut just at a step of the outline stands off by the step; the other one tells.
            usually = min(above, key=abs)
            moved.append(min((value - usually for value, _ in seen), key=abs))
    bead = None
    if beads:
        bead = float(np.median(beads)) * area_per_e / thickness + thickness * ROUND_ENDS
    return FirstLayer(thickness=thickness, outward=float(np.median(moved)) if moved else None, bead=bead)


def _outward(place: Place, z: float, loops: LoopMap) -> tuple[float | None, tuple[PathLoop, ...]]:
    """How far beside its usual place a layer's path stands on the outlines at height z, and its loops there."""
    probes = place.template.probes(round(z, 6))
    outside = probes.of(probes.kind == 0)
    at, out = expected(place, outside)
    residual, which = loops.nearest(at, out, REACH_MM)
    good = ~np.isnan(residual)
    if good.sum() < ENOUGH_PROBES or good.mean() < 0.3:
        return None, ()
    return float(np.median(residual[good])), tuple(loops.loops[i] for i in np.unique(which[good]).tolist())
