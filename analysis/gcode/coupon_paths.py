"""One coupon in a sliced file: its loops at the measured heights, what they tell, and the walk along them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from fitassay.analysis.chain.loops import Loop, Stroke, path_loop
from fitassay.analysis.gcode.layers import LayerRow
from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.loops import PathLoop
from fitassay.analysis.gcode.probes import OPENING, Probes, Template, turned_coupon, turned_ring
from fitassay.analysis.gcode.registration import Place, expected
from fitassay.analysis.gcode.wall_order import Order, order_among
from fitassay.coupons.feature import Coupon
from fitassay.coupons.sections import Ring

NEAR_MM = 0.2
"""A loop belongs to an outline when it runs this close to where the coupon's fit expects it."""

MOST_WALLS = 8
FAR_WIDER = (1.7, 2.6)
"""Beads of wide nozzles against the width expected; each is looked for 0.3 of it to both sides."""

WALL_SHARE = 0.3
"""A further wall is one that follows so much of the outline."""


@dataclass(frozen=True, kw_only=True)
class OuterLoop:
    """The loop that draws one outline in one layer.

    Attributes
    ----------
    height : float [mm]
        Measured height, on the coupon.
    ring : int
        Which outline of that section.
    path : PathLoop
    layer : LayerRow
    points : ndarray (m, 2) [mm]
        In the turned coupon's frame, from the seam on.
    opening : bool
    left : bool
        True where the material lies to the left of the way it runs.
    walls : int
        Loops side by side, this one included.
    order : Order
        When it is drawn among its walls.
    pitch : float [mm]
        Distance of the second wall; NaN where there is none.
    inner : PathLoop or None
        The second wall.
    inner_pitch : float [mm]
        Distance of the third wall from the second; NaN where there is none.
    """

    height: float
    ring: int
    path: PathLoop
    layer: LayerRow
    points: np.ndarray
    opening: bool
    left: bool
    walls: int
    order: Order
    pitch: float = float("nan")
    inner: PathLoop | None = None
    inner_pitch: float = float("nan")

    @property
    def seam(self) -> np.ndarray:
        """Where it begins, ndarray (2,) [mm], in the turned coupon's frame."""
        return self.points[0]


@dataclass(frozen=True, kw_only=True)
class CouponPaths:
    """What a file draws for one coupon.

    Attributes
    ----------
    place : Place
    coupon : Coupon
        As it lies on the bed.
    rings : dict of float to tuple of Ring
        Outlines by measured height, as they lie on the bed.
    outer : tuple of OuterLoop
        Loops that draw the outlines, all measured heights and layers.
    others : dict of float to tuple of ndarray (m, 2) [mm]
        Further walls by height, for drawings.
    complete : frozenset of float
        Measured heights at which every outline with a contact has its loop.
    wall : str
        Single-walled coupons: ``one bead``, ``doubled`` or ``missing``; else empty.
    """

    place: Place
    coupon: Coupon
    rings: dict[float, tuple[Ring, ...]]
    outer: tuple[OuterLoop, ...]
    others: dict[float, tuple[np.ndarray, ...]]
    complete: frozenset[float]
    wall: str = ""
    notes: tuple[str, ...] = field(default_factory=tuple)


def paths_of(place: Place, maps: dict[float, list[LoopMap]], width: float) -> CouponPaths:
    """Collect a found coupon's loops.

    Parameters
    ----------
    place : Place
    maps : dict of float to list of LoopMap
        By measured height, the layers there; the one that covers the height itself first.
    width : float [mm]
        The profile's bead, about the distance of walls side by side.
    """
    template = place.template
    size = template.coupon.size_mm
    outer: list[OuterLoop] = []
    others: dict[float, tuple[np.ndarray, ...]] = {}
    complete = set()
    rings_by_height = {}
    status = []
    for z in template.contact_heights:
        rings = template.rings(z)
        rings_by_height[z] = tuple(turned_ring(r, place.turn, size) for r in rings)
        found = [_outer_loops(place, z, m, width) for m in maps.get(z, [])]
        for loops, _ in found:
            outer += loops
        if found:
            main, walls = found[0]
            others[z] = tuple(walls)
            if {o.ring for o in main} >= _needed(template, z, rings):
                complete.add(z)
            if template.coupon.single_wall:
                status.append(_wall_status(main, walls, rings))
    return CouponPaths(
        place=place,
        coupon=_turned(place),
        rings=rings_by_height,
        outer=tuple(outer),
        others=others,
        complete=frozenset(complete),
        wall=next((s for s in ("missing", "doubled") if s in status), status[0] if status else ""),
    )


def _turned(place: Place) -> Coupon:
    return turned_coupon(place.template.coupon, place.turn)


def _needed(template: Template, z: float, rings: tuple[Ring, ...]) -> set[int]:
    """Outlines that a contact at this height stands on."""
    import shapely

    lines = [shapely.LinearRing(r.points) for r in rings]
    needed = set()
    for feature in template.coupon.asked:
        if feature.kind == "height":
            continue
        for contact in (feature.contact_a_mm, feature.contact_b_mm):
            if abs(contact[2] - z) < 1e-3:
                gaps = [line.distance(shapely.Point(contact[:2])) for line in lines]
                if gaps and min(gaps) < 0.3:
                    needed.add(int(np.argmin(gaps)))
    return needed


def _outer_loops(
    place: Place, z: float, loops: LoopMap, width: float
) -> tuple[list[OuterLoop], list[np.ndarray]]:
    """Loops along the outlines of one layer, and the other walls there."""
    probes = place.template.probes(z)
    rings = place.template.rings(z)
    at, out = expected(place, probes)
    _, which = loops.nearest(at, out, NEAR_MM)
    found: list[OuterLoop] = []
    walls: dict[int, np.ndarray] = {}
    for k, ring in enumerate(rings):
        mine = probes.ring == k
        owner, share = _majority(which[mine])
        if owner < 0 or share < 0.5:
            continue
        inner, depths = _further_walls(place, probes, mine, loops, owner, width, ring.area < 0)
        deeper = [i for wall in inner for i in wall]
        for i in deeper:
            walls[i] = place.from_bed(loops.loops[i].points)
        path = loops.loops[owner]
        found.append(
            OuterLoop(
                height=z,
                ring=k,
                path=path,
                layer=loops.rows[int(loops.row_of[owner])],
                points=place.from_bed(path.points),
                opening=ring.area < 0,
                # Material on the left: outlines counter-clockwise, openings clockwise.
                left=(path.area > 0) == (ring.area > 0),
                walls=1 + len(inner),
                order=order_among(_order(loops, owner), [_order(loops, i) for i in deeper]),
                pitch=_second_pitch(place, loops, owner, probes, mine, width) if inner else float("nan"),
                inner=loops.loops[inner[0][0]] if inner else None,
                inner_pitch=depths[1] - depths[0] if len(depths) > 1 else float("nan"),
            )
        )
    return found, list(walls.values())


def _majority(which: np.ndarray) -> tuple[int, float]:
    seen = which[which >= 0]
    if not len(seen):
        return -1, 0.0
    owner = int(np.bincount(seen).argmax())
    return owner, float(np.mean(which == owner))


def _order(loops: LoopMap, index: int) -> tuple[int, int]:
    return int(loops.row_of[index]), loops.loops[index].first


def _further_walls(
    place: Place,
    probes: Probes,
    mine: np.ndarray,
    loops: LoopMap,
    outer: int,
    width: float,
    opening: bool,
) -> tuple[list[list[int]], list[float]]:
    """Loops of each further wall into the material, the longest of each first, and how deep they lie [mm]."""
    if place.template.coupon.single_wall:
        return [[i] for i in _beside(place, loops, outer)], []
    found: list[list[int]] = []
    depths: list[float] = []
    step = _pitch(place, loops, outer, probes, mine, width)
    if step is None:
        return found, depths
    part = probes.of(mine)
    alike = _behind(loops, outer, opening)
    taken = {outer}
    depth = 0.0
    while len(found) < MOST_WALLS - 1:
        depth += step
        deeper = replace(place, offset=place.offset - depth)
        at, out = expected(deeper, part)
        residual, which = loops.nearest(at, out, 0.3 * step)
        # Where the material is thin a wall falls into several loops, or has no room.
        seen = [k for k in which[which >= 0].tolist() if alike[k] and k not in taken]
        if len(seen) < WALL_SHARE * len(which):
            break
        exact = depth - float(np.median(residual[np.isin(which, seen)]))
        step, depth = exact - (depths[-1] if depths else 0.0), exact
        depths.append(depth)
        owners, times = np.unique(seen, return_counts=True)
        found.append([int(k) for k in owners[np.argsort(-times, kind="stable")]])
        taken.update(found[-1])
    return found, depths


def _behind(loops: LoopMap, outer: int, opening: bool) -> np.ndarray:
    """Which loops may be a wall behind this one: within an outline, around an opening, and the same way round."""
    inside, around = (loops.low[outer], loops.high[outer]), (loops.low, loops.high)
    (low, high), (lower, higher) = (around, inside) if opening else (inside, around)
    nested = np.all((lower > low) & (higher < high), axis=1)
    return nested & (np.sign([loop.area for loop in loops.loops]) == np.sign(loops.loops[outer].area))


def _beside(place: Place, loops: LoopMap, outer: int) -> list[int]:
    """All other long loops on a single-walled coupon's ground: there should be none."""
    middle = place.shift + place.middle
    found = []
    for i, path in enumerate(loops.loops):
        inside = np.all(np.abs((path.low + path.high) / 2 - middle) < place.middle)
        alike = np.all(path.high - path.low > 0.5 * (loops.high[outer] - loops.low[outer]))
        if i != outer and inside and alike and np.all(path.high - path.low < 2 * place.middle + 1.0):
            found.append(i)
    return found


def _pitch(
    place: Place, loops: LoopMap, outer: int, probes: Probes, mine: np.ndarray, width: float
) -> float | None:
    """Distance of the second wall from the first [mm]; None where there is none."""
    part = probes.of(mine)
    behind = _behind(loops, outer, opening=bool(part.kind[0] >= OPENING))
    guesses = [(g, None) for g in (1.0, 0.85, 1.2)] + [(g, behind) for g in FAR_WIDER]
    for guess, among in guesses:
        pitch = _wall_at(place, loops, outer, part, guess * width, among)
        if pitch is not None:
            break
    else:
        return None
    # Of beads far narrower than the one expected, that may be the third wall.
    while (nearer := _wall_at(place, loops, outer, part, pitch / 2, behind)) is not None:
        pitch = nearer
    return pitch


def _wall_at(
    place: Place, loops: LoopMap, outer: int, part: Probes, depth: float, among: np.ndarray | None = None
) -> float | None:
    """How deep a wall that runs about so deep behind the outer one lies [mm]; None where there is none."""
    at, out = expected(replace(place, offset=place.offset - depth), part)
    residual, which = loops.nearest(at, out, 0.3 * depth)
    owner, share = _majority(which)
    if owner < 0 or owner == outer or share < 0.5 or not (among is None or among[owner]):
        return None
    return float(depth - np.nanmedian(residual[which == owner]))


def _second_pitch(
    place: Place, loops: LoopMap, outer: int, probes: Probes, mine: np.ndarray, width: float
) -> float:
    """Distance of the second wall from where the outer one really is [mm]; NaN on single walls."""
    if place.template.coupon.single_wall:
        return float("nan")
    pitch = _pitch(place, loops, outer, probes, mine, width)
    at, out = expected(place, probes.of(mine))
    residual, which = loops.nearest(at, out, NEAR_MM)
    own = residual[which == outer]
    return float("nan") if pitch is None else float(pitch + (np.median(own) if len(own) else 0.0))


def _wall_status(main: list[OuterLoop], walls: list[np.ndarray], rings: tuple[Ring, ...]) -> str:
    if not main:
        return "missing"
    tube = len(rings) > 1
    single = len({id(o.path) for o in main}) == 1 and (not tube or len(main) == len(rings))
    return "one bead" if single and not walls else "doubled"


def walk_loops(paths: CouponPaths, outward_mm: float) -> dict[float, tuple[Loop, ...]]:
    """The coupon's real loops for `chain.span`, set back to their ideal place.

    Parameters
    ----------
    outward_mm : float [mm]
        Path offset that is taken off, since the walk has it as a term.
    """
    result: dict[float, list[Loop]] = {}
    for o in paths.outer:
        if o.height not in paths.complete:
            continue
        loop = _as_loop(o, paths.rings[o.height], fixed=paths.coupon.single_wall)
        loop = replace(
            loop, lead_in=paths.place.from_bed(o.path.lead), strokes=_strokes(o, loop, paths.place)
        )
        if not paths.coupon.single_wall:
            loop = replace(loop, points=loop.points - outward_mm * loop.outward)
        result.setdefault(o.height, []).append(loop)
    return {z: _distinct(loops) for z, loops in result.items()}


def _strokes(outer: OuterLoop, loop: Loop, place: Place) -> tuple[Stroke, ...]:
    """The further strokes of a loop that stands where the path does."""
    found: list[Stroke] = []
    for later in outer.path.strokes:
        first = int(np.argmin(np.hypot(*(loop.points - place.from_bed(later.start)).T)))
        if first > (found[-1].first if found else 0):
            found.append(Stroke(first=first, lead_in=place.from_bed(later.lead), backward=later.backward))
    return tuple(found)


def _distinct(loops: list[Loop]) -> tuple[Loop, ...]:
    """Without repeats: a single bead draws both outlines of its wall."""
    kept: list[Loop] = []
    for loop in loops:
        if not any(
            k.points.shape == loop.points.shape
            and np.array_equal(k.points, loop.points)
            and k.lead_in is not None
            and loop.lead_in is not None
            and np.array_equal(k.lead_in, loop.lead_in)
            for k in kept
        ):
            kept.append(loop)
    return tuple(kept)


def _as_loop(outer: OuterLoop, rings: tuple[Ring, ...], fixed: bool) -> Loop:
    """The path with its displacements, which are defined for material on the left."""
    bores = [b for b in (ring.bore() for ring in rings) if b]
    points = outer.points if outer.left else outer.points[::-1]
    loop = path_loop(points, bores, fixed=fixed, seam=False)
    if outer.left:
        return loop
    return Loop(
        points=np.roll(loop.points[::-1], _first_back(loop, outer), axis=0),
        outward=np.roll(loop.outward[::-1], _first_back(loop, outer), axis=0),
        closing=np.roll(loop.closing[::-1], _first_back(loop, outer), axis=0),
    )


def _first_back(loop: Loop, outer: OuterLoop) -> int:
    """How far to roll the reversed loop so that it begins at the seam again."""
    reverse = loop.points[::-1]
    return -int(np.argmin(np.sum((reverse - outer.seam) ** 2, axis=1)))
