"""Which placements of a coupon the loops of a file allow, and which of them is taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.probes import FOOT_MM, TURNS, Template, Turn, turn_shift
from fitassay.analysis.gcode.registration import (
    COARSE,
    FOUND_SHARE,
    LARGEST_SCALE,
    SAME_SCALE,
    Place,
    found_share,
    hits_of,
    is_another_part,
    largest_offset,
    outermost,
    refine,
    share_of,
)
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import count

COARSE_SHARE = 0.8
"""Before openings and walls are told apart, so much of the share that is asked for in the end is enough."""

CERTAIN = 0.9
"""A placement with a larger share is the coupon, or another turned like it."""

SAME_PATH_MM = 0.05
"""Placements that differ by less are of the same loops."""

NEAR_TIE = 0.05
"""Placements whose shares differ by less are looked at when coupons are told apart."""

TIE = 0.02
"""Those that differ by less fit alike."""

SAME_MOVE_MM = 1.0
"""Coupons that moved together kept their distances to within this."""


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
        places = [p for turn in TURNS for p in _of_turn(template, turn, z, maps, width)]
        if places:
            return sorted(_outermost(places), key=lambda p: -p.share)
    return []


def _of_turn(
    template: Template, turn: Turn, z: float, maps: dict[float, LoopMap], width: float
) -> list[Place]:
    """Placements of a coupon turned in one way that the loops at height z suggest and all loops bear out."""
    coarse = [
        place
        for start in _placements(template, turn, z, maps[z], width)
        if (place := _coarsely(start, {z: maps[z]})) is not None
    ]
    fitted: list[Place] = []
    for place in sorted(coarse, key=lambda p: -p.offset):
        # Inner walls of what was found already would only lead out to it once more.
        if not any(_stands_within(place, outer) for outer in fitted):
            fine = _fitted(place, z, maps, width)
            fitted += [] if fine is None else [fine]
    return fitted


def _coarsely(place: Place, near: dict[float, LoopMap]) -> Place | None:
    """A starting point fitted to the loops at one height; None where the coupon is not there."""
    coarse = refine(refine(place, near, 0.45, COARSE), near, 0.15, COARSE)
    there = found_share(coarse, near, COARSE) >= FOUND_SHARE * COARSE_SHARE
    return coarse if there and np.abs(coarse.scale).max() < 2 * LARGEST_SCALE else None


def _stands_within(place: Place, outer: Place) -> bool:
    """Whether a coarse placement is of the same loops as one that fits well, or of walls within them."""
    return bool(
        outer.share > CERTAIN
        and place.offset < outer.offset + SAME_PATH_MM
        and np.hypot(*(place.shift - outer.shift)) < SAME_PATH_MM
        and np.abs(place.scale - outer.scale).max() < SAME_SCALE
    )


def _fitted(coarse: Place, z: float, maps: dict[float, LoopMap], width: float) -> Place | None:
    """A coarse placement fitted to the loops at all heights; None where the coupon is not there."""
    near = {z: maps[z]}
    measured = {
        h: m for h, m in maps.items() if h in coarse.template.contact_heights and h >= FOOT_MM
    } or near
    fine = outermost(refine(refine(coarse, maps, 0.15), maps, 0.15), measured, width)
    if abs(fine.offset + width / 2) > largest_offset(width):
        return None
    hits = hits_of(fine, near)
    if share_of(hits) < FOUND_SHARE:
        return None
    hits |= hits_of(fine, {h: m for h, m in maps.items() if h != z})
    if is_another_part(fine, maps, hits):
        return None
    marks = {h: seen for h, seen in hits.items() if h not in fine.template.contact_heights}
    return replace(fine, share=share_of(hits), mark_share=share_of(marks))


def _outermost(places: list[Place]) -> list[Place]:
    """Without those that took an inner wall for the outer one, and without repeats."""
    kept: list[Place] = []
    for place in sorted(places, key=lambda p: (-round(p.offset, 2), -p.share)):
        outer = [
            k
            for k in kept
            if k.turn is place.turn
            and np.hypot(*(k.shift - place.shift)) < 0.5
            and np.abs(k.scale - place.scale).max() < SAME_SCALE
        ]
        if not any(k.share > CERTAIN * place.share for k in outer):
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

    A coupon that looks like another one turned, or like itself, is told apart by its mark and, where that fits almost
    alike, by what the other coupons do: on a plate that was left as made all of them lie as drawn, moved together.
    """
    keys = {id(p): _layout(p) for places in options.values() for p in places}
    near = {name: _near_best(places) for name, places in options.items()}

    def votes(place: Place) -> int:
        """How many other coupons could have moved with this one."""
        own = keys[id(place)]
        return sum(
            any(_moves_alike(keys[id(p)], own) for p in places)
            for name, places in near.items()
            if name != place.template.coupon.id
        )

    def turned_alike(place: Place) -> int:
        return sum(any(p.turn is place.turn for p in places) for places in near.values())

    best = {name: max((p.share for p in places), default=0.0) for name, places in options.items()}
    order = {id(turn): i for i, turn in enumerate(TURNS)}
    ranked = sorted(
        ((name, p) for name, places in near.items() for p in places),
        key=lambda item: (
            int((best[item[0]] - item[1].share) / TIE),
            -votes(item[1]),
            -turned_alike(item[1]),
            -round(item[1].mark_share / TIE),
            order[id(item[1].turn)],
            float(np.hypot(*item[1].shift)),
        ),
    )
    taken: dict[str, Place] = {}
    for name, place in ranked + _others(options, near):
        if name in taken or _is_another(name, place, options):
            continue
        if not any(_overlap(place, other) for other in taken.values()):
            taken[name] = place
    return taken


def _is_another(name: str, place: Place, options: dict[str, list[Place]]) -> bool:
    """Whether another coupon fits better where this one would stand: a copy of that one, told by its mark."""
    centre = place.shift + place.middle
    return any(
        other.share > place.share + TIE and np.hypot(*(other.shift + other.middle - centre)) < SAME_MOVE_MM
        for key, places in options.items()
        if key != name
        for other in places
    )


def copies(options: dict[str, list[Place]], taken: dict[str, Place]) -> dict[str, list[Place]]:
    """Further places at which a coupon that was taken stands as well, and no other coupon does."""
    found: dict[str, list[Place]] = {}
    for name, place in taken.items():
        for other in options[name]:
            known = [*taken.values(), *(p for places in found.values() for p in places)]
            if other.share > place.share - NEAR_TIE and not any(_overlap(other, p) for p in known):
                found.setdefault(name, []).append(other)
    return found


def chosen(
    taken: dict[str, Place], further: dict[str, list[Place]], choice: Mapping[str, int]
) -> tuple[dict[str, Place], dict[str, tuple[Place, ...]]]:
    """Of coupons that stand on the plate several times, the ones the user names; and all of them by coupon.

    Parameters
    ----------
    choice : mapping of str to int
        Which of them, from 1, counted from front to back and from left to right; coupons that are not there are
        passed over.

    Raises
    ------
    InputError
        There are not so many.
    """
    every = {
        key: tuple(sorted([taken[key], *more], key=lambda p: tuple(np.round(p.shift[::-1], 1))))
        for key, more in further.items()
    }
    taken = dict(taken)
    for key, number in choice.items():
        if key not in taken:
            continue
        there = every.get(key, (taken[key],))
        if not 1 <= number <= len(there):
            raise InputError(
                f"{key} is on the plate {count(len(there), 'time')}, there is no number {number}; leave it out or "
                "name another",
                "--copy",
            )
        taken[key] = there[number - 1]
    return taken, every


def _others(options: dict[str, list[Place]], near: dict[str, list[Place]]) -> list[tuple[str, Place]]:
    """What is left when a coupon's best places are another's."""
    chosen = {id(p) for places in near.values() for p in places}
    return [(name, p) for name, places in options.items() for p in places if id(p) not in chosen]


def _near_best(places: list[Place]) -> list[Place]:
    """Those that fit almost as well as the best."""
    best = max((p.share for p in places), default=0.0)
    return [p for p in places if p.share > best - NEAR_TIE]


def _layout(place: Place) -> tuple[int, np.ndarray]:
    """Turn, and where the plate's origin came to lie if the coupon kept its place on the plate [mm]."""
    coupon = place.template.coupon
    centre = np.array(coupon.origin_on_plate_mm) + np.array(coupon.size_mm[:2]) / 2
    return id(place.turn), place.shift + place.middle - place.turn.matrix @ centre


def _moves_alike(one: tuple[int, np.ndarray], two: tuple[int, np.ndarray]) -> bool:
    return one[0] == two[0] and bool(np.abs(one[1] - two[1]).max() < SAME_MOVE_MM)


def _overlap(one: Place, two: Place) -> bool:
    gap = np.abs(one.shift + one.middle - two.shift - two.middle) - one.middle - two.middle
    return bool(np.all(gap < -1.0))
