"""How the nozzle walks the walls of a user's part: sections of the whole mesh at once, in arrays.

For every wall facet this tells which way each axis last moved when the wall is drawn (its share of the play) and
whether it belongs to a round bore. The loops run with the material on the left, as in `chain.loops`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.terms import BORE_REFERENCE_MM
from fitassay.coupons.errors import InputError
from fitassay.coupons.sections import ROUND_SIDES, ROUNDNESS


@dataclass(frozen=True, kw_only=True)
class Segments:
    """All pieces of outline that a set of heights cuts out of a mesh, one a facet and height.

    Attributes
    ----------
    face, level : ndarray (s,) of int
    start, end : ndarray (s, 2) [mm]
        Walked with the material on the left.
    after, before : ndarray (s,) of int
        The next and the previous segment of the same loop.
    """

    face: np.ndarray
    level: np.ndarray
    start: np.ndarray
    end: np.ndarray
    after: np.ndarray
    before: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Walls:
    """What the walk knows of each facet.

    Attributes
    ----------
    normal : ndarray (m, 3)
        Unit normals; zero for facets without area.
    lead : ndarray (m, 2)
        By which share of b/2 the command of x and of y must be ahead of the wall where the facet ends, averaged
        over its heights: with play the sign of the axis' last move; 0: not known.
    mixed : ndarray (m, 2) of bool
        True where the lead differs between the facet's heights.
    travel : ndarray (m, 2) [mm]
        How far x and y move along the straight wall that the facet belongs to, averaged over its heights.
    closing : ndarray (m,)
        By how much each mm of bore closure (on a 3 mm bore's diameter) closes the wall inwards; 0: no bore.
    bores : int
        Round openings found, counted once a height.
    """

    normal: np.ndarray
    lead: np.ndarray
    mixed: np.ndarray
    travel: np.ndarray
    closing: np.ndarray
    bores: int


# A prismatic part has few distinct heights and is cut once between any two of them; others in layers.
MOST_LEVELS = 300
# A segment that turns less than this from an axis does not move the other axis (float32 corners wobble) [rad].
AXIS_RAD = 3e-4
# Segments that turn less than this from the one before belong to the same straight wall [rad].
STRAIGHT_RAD = 1e-3
# A facet's lead is the same at all heights if its variance stays under this.
MIXED = 0.05
# Vertices as close in height as this stand on one level [mm].
LEVEL_MM = 1e-3


def levels_of(part: Part, layer: float) -> np.ndarray:
    """Heights at which to cut, ndarray (l,) [mm]: between all distinct heights, or in layers if they are many."""
    heights = np.sort(part.vertices[:, 2])
    distinct = heights[np.concatenate([[True], np.diff(heights) > LEVEL_MM])]
    if len(distinct) - 1 <= MOST_LEVELS:
        return (distinct[:-1] + distinct[1:]) / 2
    count = int(np.clip((heights[-1] - heights[0]) / layer, 20, 2 * MOST_LEVELS))
    return heights[0] + (np.arange(count) + 0.5) * (heights[-1] - heights[0]) / count


def cut(part: Part, levels: np.ndarray) -> Segments:
    """Cut a closed mesh at all `levels` at once.

    A corner at a level counts as above it, so that every cut runs through edges only. Within a facet seen from
    outside the outline enters through the edge that leads down and leaves through the edge that leads up.
    """
    z = part.vertices[part.faces, 2]
    first = np.searchsorted(levels, z.min(axis=1), side="right")
    last = np.searchsorted(levels, z.max(axis=1), side="right")
    count = last - first
    face = np.repeat(np.arange(len(z)), count)
    level = np.arange(len(face)) - np.repeat(np.cumsum(count) - count - first, count)
    above = z[face] >= levels[level, None]
    up = np.argmax(~above & np.roll(above, -1, axis=1), axis=1)
    down = np.argmax(above & ~np.roll(above, -1, axis=1), axis=1)
    start, start_key = _crossing(part, face, down, levels[level], level)
    end, end_key = _crossing(part, face, up, levels[level], level)
    order = np.argsort(start_key, kind="stable")
    at = np.searchsorted(start_key[order], end_key)
    at = np.minimum(at, max(len(order) - 1, 0))
    after = order[at] if len(order) else at
    if len(order) and (start_key[after] != end_key).any():
        raise InputError("the mesh is not closed, so its outlines do not close; mend it first", part.name)
    before = np.zeros_like(after)
    before[after] = np.arange(len(after))
    return Segments(face=face, level=level, start=start, end=end, after=after, before=before)


def _crossing(
    part: Part, face: np.ndarray, edge: np.ndarray, height: np.ndarray, level: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Where edge `edge` of each facet meets its height, and a number that names (level, edge)."""
    a = part.faces[face, edge]
    b = part.faces[face, (edge + 1) % 3]
    n = len(part.vertices)
    low, high = np.minimum(a, b), np.maximum(a, b)
    p, q = part.vertices[low], part.vertices[high]
    t = (height - p[:, 2]) / (q[:, 2] - p[:, 2])
    return p[:, :2] + t[:, None] * (q[:, :2] - p[:, :2]), (level.astype(np.int64) * n + low) * n + high


def walk_walls(part: Part, layer: float, play: np.ndarray, *, jumps: bool = False) -> Walls:
    """Walk all sections of a part.

    Parameters
    ----------
    part : Part
        In the axes' own frame: without the shear that they will give it.
    layer : float [mm]
        Layer height.
    play : ndarray (2,) [mm]
        Total play of x and y; negative: compensated too much.
    jumps : bool
        What is compensated too much jumps at the reversal; else it mirrors the play.
    """
    normal = unit_normals(part)
    segments = cut(part, levels_of(part, layer))
    size = len(part.faces)
    weight = np.bincount(segments.face, minlength=size)
    seen = weight > 0

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(segments.face, weights=values, minlength=size) / np.maximum(weight, 1)

    leads = [_lead(segments, axis, float(play[axis]), jumps) for axis in (0, 1)]
    lead = np.column_stack([mean(v) for v in leads])
    mixed = np.column_stack([mean(v * v) for v in leads]) - lead**2 > MIXED
    travel = np.column_stack([mean(c) for c in _straight_travel(segments).T])
    factor, bores = _bore_factor(segments)
    # Facets too small to be cut move as their own direction says; square to an axis, that axis stays unknown.
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    own = np.where(np.abs(along) > AXIS_RAD, np.sign(along), 0.0)
    lead[~seen] = own[~seen]
    return Walls(normal=normal, lead=lead, mixed=mixed, travel=travel, closing=mean(factor), bores=bores)


def unit_normals(part: Part) -> np.ndarray:
    """Unit normals (m, 3); zero for facets without area."""
    a, b, c = np.moveaxis(part.vertices[part.faces], 1, 0)
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return np.where(length > 1e-12, normal / np.where(length > 1e-12, length, 1.0), 0.0)


def _lead(segments: Segments, axis: int, play: float, jumps: bool) -> np.ndarray:
    """Share of b/2 by which the command must be ahead at each segment's end, ndarray (s,)."""
    if play < 0 and not jumps:
        return _overdone(segments, axis, -play)
    return _last_move(segments, axis)


def _last_move(segments: Segments, axis: int) -> np.ndarray:
    """Sign of the last move of `axis` up to and on each segment; 0 in loops that never move it."""
    step = segments.end - segments.start
    length = np.linalg.norm(step, axis=1)
    value = np.where(np.abs(step[:, axis]) > AXIS_RAD * length, np.sign(step[:, axis]), 0.0)
    pointer = segments.before.copy()
    # Pointer jumping: each round doubles how far back a segment looks for a move.
    for _ in range(max(1, len(value)).bit_length()):
        unknown = value == 0
        if not unknown.any():
            break
        value = np.where(unknown, value[pointer], value)
        pointer = np.where(unknown, pointer[pointer], pointer)
    return value


def _overdone(segments: Segments, axis: int, excess: float) -> np.ndarray:
    """The same for a play compensated too much by `excess` [mm].

    Such an axis runs ahead: after a reversal it moves twice as far as commanded until it has gained the excess.
    The lead e needed for a move dv is e = clip(e + dv / 2, -excess/2, excess/2). Maps of this form compose to maps
    of the same form, so that whole loops are run by pointer jumping.
    """
    half = excess / 2
    add = (segments.end - segments.start)[:, axis] / 2
    low, high = np.full(len(add), -half), np.full(len(add), half)
    pointer = segments.before.copy()
    for _ in range(max(2, len(add)).bit_length()):
        if (high - low).max(initial=0.0) < 1e-9:
            break
        # What came before, through this map.
        was_low, was_high = low[pointer], high[pointer]
        low, high = np.clip(was_low + add, low, high), np.clip(was_high + add, low, high)
        add = add + add[pointer]
        pointer = pointer[pointer]
    return (low + high) / excess


def _straight_travel(segments: Segments) -> np.ndarray:
    """How far x and y move along the straight run that each segment belongs to, ndarray (s, 2) [mm]."""
    step = segments.end - segments.start
    following = step[segments.after]
    turn = np.abs(step[:, 0] * following[:, 1] - step[:, 1] * following[:, 0])
    length = np.linalg.norm(step, axis=1) * np.linalg.norm(following, axis=1)
    straight = (turn <= STRAIGHT_RAD * length) & (np.sum(step * following, axis=1) >= 0)
    runs, label = _groups(len(step), np.flatnonzero(straight), segments.after[straight])
    total = np.column_stack([np.bincount(label, weights=c, minlength=runs) for c in step.T])
    return np.abs(total)[label]


def _groups(n: int, a: np.ndarray, b: np.ndarray) -> tuple[int, np.ndarray]:
    """Number of groups that links a-b make of n things, and the group of each."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    links = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(n, n))
    return connected_components(links, directed=False)


def _bore_factor(segments: Segments) -> tuple[np.ndarray, int]:
    """Closing of each segment's wall per mm of bore closure, and how many round openings there are.

    A round opening of diameter D closes by 3 mm / D on the diameter, half of it on each side.
    """
    n = len(segments.face)
    if not n:
        return np.zeros(0), 0
    loops, label = _groups(n, np.arange(n), segments.after)
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], np.arange(loops))
    points = segments.start[order]
    low = np.minimum.reduceat(points, starts)
    high = np.maximum.reduceat(points, starts)
    centre = (low + high) / 2
    radius = np.linalg.norm(segments.start - centre[label], axis=1)[order]
    spread = np.maximum.reduceat(radius, starts) - np.minimum.reduceat(radius, starts)
    mean = np.add.reduceat(radius, starts) / np.diff(np.append(starts, n))
    turn = segments.start - centre[label]
    ahead = segments.end - centre[label]
    area = np.bincount(label, weights=turn[:, 0] * ahead[:, 1] - turn[:, 1] * ahead[:, 0]) / 2
    around = np.bincount(label, weights=np.linalg.norm(segments.end - segments.start, axis=1))
    round_ = (area < 0) & (np.bincount(label) >= ROUND_SIDES) & (spread < ROUNDNESS * mean)
    diameter = np.where(round_, around / np.pi, 1.0)
    factor = np.where(round_, BORE_REFERENCE_MM / diameter / 2, 0.0)
    return factor[label], int(round_.sum())
