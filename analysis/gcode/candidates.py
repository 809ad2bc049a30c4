"""Which placements of a coupon the loops of a file allow, and which of them is taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.probes import TURNS, Template, Turn, turn_shift
from fitassay.analysis.gcode.registration import (
    COARSE,
    FOUND_SHARE,
    LARGEST_SCALE,
    SAME_SCALE,
    TIE,
    Place,
    found_share,
    largest_offset,
    refine,
)


def candidates(template: Template, maps: dict[float, LoopMap], width: float) -> list[Place]:
    """All placements of a coupon that its outlines allow, best first.

    Parameters
    ----------
    maps : dict of float to LoopMap
        What is printed at the heights where the coupon is looked for, measured heights first.
    width : float [mm]
        Bead width of the profile.
    """
    for z in maps:
        if not template.rings(z):
            continue
        found = [p for turn in TURNS for p in _placements(template, turn, z, maps[z], width)]
        places = []
        for place in found:
            near = {z: maps[z]}
            fitted = refine(refine(place, near, 0.45, COARSE), near, 0.15, COARSE)
            if (
                np.abs(fitted.scale).max() < 2 * LARGEST_SCALE
                and found_share(fitted, near, COARSE) >= FOUND_SHARE
            ):
                fitted = refine(refine(fitted, maps, 0.15), maps, 0.15)
                in_reach = abs(fitted.offset + width / 2) <= largest_offset(width)
                if in_reach and found_share(fitted, near) >= FOUND_SHARE:
                    places.append(replace(fitted, share=found_share(fitted, maps)))
        if places:
            return sorted(_outermost(places), key=lambda p: -p.share)
    return []


def _outermost(places: list[Place]) -> list[Place]:
    """Without those that took an inner wall for the outer one, and without repeats."""
    kept: list[Place] = []
    for place in sorted(places, key=lambda p: -p.offset):
        outer = [
            k
            for k in kept
            if k.turn is place.turn
            and np.hypot(*(k.shift - place.shift)) < 0.5
            and np.abs(k.scale - place.scale).max() < SAME_SCALE
        ]
        if not any(k.share > 0.9 * place.share for k in outer):
            kept.append(place)
    return kept


def _placements(template: Template, turn: Turn, z: float, loops: LoopMap, width: float) -> list[Place]:
    """Starting points: loops whose bounds could be those of the section's largest outline."""
    if not loops.loops:
        return []
    size = template.coupon.size_mm
    ring = max(template.rings(z), key=lambda r: r.area)
    corners = ring.points @ turn.matrix.T + turn_shift(turn, size)
    low, high = corners.min(axis=0), corners.max(axis=0)
    span = loops.high - loops.low
    excess = span - (high - low - width)
    close = np.all(np.abs(excess) < 2 * largest_offset(width) + LARGEST_SCALE * (high - low), axis=1)
    places: list[Place] = []
    for i in np.flatnonzero(close).tolist():
        centre = (loops.low[i] + loops.high[i]) / 2
        options = [(float(excess[i].mean()) / 2 - width / 2, np.zeros(2))]
        if np.abs(excess[i]).max() > 0.004 * (high - low).max():
            options.append((-width / 2, excess[i] / (high - low)))
        for offset, scale in options:
            middle = np.abs(turn.matrix @ np.array(size[:2])) / 2
            local = (low + high) / 2 - middle
            shift = centre - local * (1 + scale) - middle
            if abs(offset + width / 2) <= largest_offset(width):
                places.append(
                    Place(
                        template=template,
                        turn=turn,
                        shift=shift,
                        scale=scale,
                        offset=offset,
                        angle=0.0,
                        share=0.0,
                    )
                )
    return places


def assign(options: dict[str, list[Place]]) -> dict[str, Place]:
    """One placement per coupon: the best that fits, no two in one place.

    Coupons that look the same turned are told apart by what the others do: on a plate that lies as drawn they lie as
    drawn.
    """
    order = {id(turn): i for i, turn in enumerate(TURNS)}
    votes = np.zeros(len(TURNS))
    for places in options.values():
        best = places[0].share if places else 0.0
        for i in {order[id(p.turn)] for p in places if p.share > best - TIE}:
            votes[i] += 1
    taken: dict[str, Place] = {}
    ranked = sorted(
        ((name, p) for name, places in options.items() for p in places),
        key=lambda item: (
            -round(item[1].share / TIE) * TIE,
            -votes[order[id(item[1].turn)]],
            order[id(item[1].turn)],
            float(np.hypot(*item[1].shift)),
        ),
    )
    for name, place in ranked:
        if name in taken:
            continue
        if any(_overlap(place, other) for other in taken.values()):
            continue
        taken[name] = place
    return taken


def _overlap(one: Place, two: Place) -> bool:
    gap = np.abs(one.shift + one.middle - two.shift - two.middle) - one.middle - two.middle
    return bool(np.all(gap < -1.0))
