"""Tongues and slots as a printer with errors draws them, put together by plain geometry."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import linprog
from shapely import affinity
from shapely.geometry import LinearRing, LineString, Polygon, box

from fitassay.analysis.terms import INDEX, NAMES
from tests.printed_pairs import WIDTH, played, stands_out

DEPTH, RELIEF = 5.0, 1.5


def tongue_of(kind, size, angle=60.0, tooth=None):
    """Right half of the drawn profile from the edge inwards, the tongue's way."""
    h = size / 2
    if kind == "rack":
        depth = 4 * (tooth or size) / math.pi
        off = depth / 2 * math.tan(math.radians(20))
        return [(h + off, 0), (h - off, depth)]
    if kind == "t-slot":
        return [(h, 0), (h, DEPTH), (h + 3, DEPTH), (h + 3, 2 * DEPTH)]
    if kind == "t-head":
        return [(h - size / 4, 0), (h - size / 4, DEPTH), (h, DEPTH), (h, 2 * DEPTH)]
    if kind == "dovetail":
        return [(h, 0), (h + DEPTH / math.tan(math.radians(angle)), DEPTH)]
    return [(h, 0), (h, DEPTH)]


def drawn(kind, size, inside, angle=60.0, tooth=None):
    """Outline of the part, a tongue's below y = 0 and a slot's above it, material on the left."""
    right = tongue_of(kind, size, angle, tooth)
    if kind == "key" and not inside or kind == "tab" and inside:
        ring = [(-size / 2, 0), (size / 2, 0), (size / 2, DEPTH), (-size / 2, DEPTH)]
        if inside:
            ring[2:] = [(x, y + RELIEF) for x, y in ring[2:]]
        return ring[::-1] if inside else ring
    if inside:
        (ax, ay), (bx, by) = right[-2:]
        right[-1] = (bx + (bx - ax) * RELIEF / (by - ay), by + RELIEF)
    left = [(-x, y) for x, y in right]
    far = max(x for x, _ in right) + 6
    if inside:
        top = right[-1][1] + 6
        return [(-far, 0), *left, *right[::-1], (far, 0), (far, top), (-far, top)]
    return [(far, 0), *right, *left[::-1], (-far, 0), (-far, -6), (far, -6)]


def printed(kind, size, inside, theta, *, across="x", angle=60.0, tooth=None, seam=None, mirrored=False):
    """What is material, as put together.

    `seam` is which vertex of the drawn outline the loop begins at, and the signs of the moves in x and y before it.
    """
    outline = np.array(drawn(kind, size, inside, angle, tooth), dtype=float)
    turn = np.array([[0.0, 1.0], [-1.0, 0.0]]) if across == "y" else np.eye(2)
    outline = outline @ turn
    opening = kind == "tab" and inside
    offset = (theta[INDEX["contour_offset"]] - WIDTH / 2) * (-1 if opening else 1)
    ring = Polygon(outline).buffer(offset, join_style="mitre", mitre_limit=8).exterior
    path = np.array(ring.coords)[:-1]
    if (LinearRing(path).is_ccw) == opening:
        path = path[::-1]
    start = 0
    if seam:
        start = int(np.argmin(np.linalg.norm(path - outline[seam[0]], axis=1)))
    path = np.roll(path, -start, axis=0)
    closed = np.concatenate([path, path[:1]])
    dense = [
        a + (b - a) * np.linspace(0, 1, 200, endpoint=False)[:, None]
        for a, b in zip(closed, closed[1:], strict=False)
    ]
    points = np.concatenate(dense) * [1 + theta[INDEX["scale_x"]], 1 + theta[INDEX["scale_y"]]]
    arrival = None
    if seam:
        points = np.concatenate([points, points[:1]])
        arrival = seam[1]
    points = played(points, theta, arrival=arrival)
    points[:, 0] += theta[INDEX["skew_xy"]] * points[:, 1]
    points = points @ turn.T
    if mirrored:
        points = points * [-1.0, 1.0]
    bead = LinearRing(points).buffer((WIDTH + stands_out(theta)) / 2, quad_segs=32)
    body = Polygon(points).buffer(0)
    return box(-40, -40, 40, 40).difference(body).union(bead) if opening else body.union(bead)


def farthest(shape, into, step):
    """How far `shape` goes along the unit vector `step` before it meets `into` [mm], from 3 mm back on."""
    low, high = -3.0, 3.0
    for _ in range(26):
        middle = (low + high) / 2
        moved = affinity.translate(shape, *(middle * np.array(step)))
        low, high = (low, middle) if moved.intersection(into).area > 1e-9 else (middle, high)
    return low


def _gaps(tongue, slot, mouth):
    """Gaps between the shoulders of a tongue and the edges of its slot [mm], by where along them [mm]."""
    far = min(tongue.bounds[2], -tongue.bounds[0], slot.bounds[2], -slot.bounds[0]) - 0.5
    out = {}
    for x in np.linspace(mouth, far, 8):
        for at in (-x, x):
            # A dovetail's tip reaches out over its shoulders, higher up.
            low, whole = (LineString([(at, -30), (at, top)]) for top in (0.9, 30))
            out[at] = slot.intersection(whole).bounds[1] - tongue.intersection(low).bounds[3]
    return out


def _pressed_home(tongue, slot, mouth):
    """The tongue risen in its middle as far as it goes, turned so that its shoulders lie on the slot's edges."""
    gaps = _gaps(tongue, slot, mouth)
    # Raise the most, with turn * x + rise within every gap.
    x = np.array(list(gaps))
    best = linprog(
        [-1.0, 0.0],
        A_ub=np.column_stack([np.ones(len(x)), x]),
        b_ub=np.array(list(gaps.values())),
        bounds=[(None, None), (None, None)],
    )
    rise, turn = best.x
    return affinity.translate(affinity.rotate(tongue, turn, origin=(0, 0), use_radians=True), 0, rise - 0.002)


def _shoulder(part, mouth):
    """How high the tongue's body reaches beside its root [mm]."""
    return part.intersection(box(-mouth - 1, -9, -mouth, 1).union(box(mouth, -9, mouth + 1, 1))).bounds[3]


def _sill(part, slot):
    """How high the lower edge of an opening stands [mm]."""
    return part.intersection(box(-slot / 4, -9, slot / 4, 2)).bounds[3]


def play_of(
    kind,
    tongue,
    slot,
    theta,
    *,
    angle=60.0,
    exact=(False, False),
    flipped=False,
    across="x",
    seams=(None, None),
):
    """Play across the flanks of a printed tongue in its printed slot [mm]; negative: by how much it is too thick."""
    none = np.zeros(len(NAMES))
    how = {"across": across, "angle": angle, "tooth": tongue}
    one = printed(kind, tongue, False, none if exact[0] else theta, seam=seams[0], mirrored=flipped, **how)
    two = printed(kind, slot, True, none if exact[1] else theta, seam=seams[1], **how)
    if kind not in ("key", "tab"):
        mouth = max(slot / 2, tongue_of(kind, slot, angle, tongue)[0][0]) + 1.0
        if kind == "dovetail":
            one = _pressed_home(one, two, mouth)
        else:
            up = min(_gaps(one, two, mouth).values())
        low = _shoulder(one, mouth) + 0.05 - (min(up, 0.0) if kind != "dovetail" else 0.0)
    else:
        low = 0.0 if kind == "key" else 0.1 + max(_sill(two, slot), _shoulder(one, slot / 2 + 0.7))
    top = 40.0
    if kind == "t-slot":
        top = DEPTH - 0.9
    if kind == "t-head":
        low = DEPTH + 0.9
    # Each flank by itself, so that a tongue too thick has a play as well.
    reach = tongue_of(kind, slot, angle, tongue)
    wide = max(x for x, _ in reach) + 0.6
    core = one.intersection(box(-wide, low if kind != "key" else -20, wide, top)).buffer(0)
    right = two.intersection(box(0, -20, 40, 40))
    left = two.intersection(box(-40, -20, 0, 40))
    return farthest(core, right, (1, 0)) + farthest(core, left, (-1, 0))
