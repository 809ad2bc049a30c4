"""Joints along the edges of parts, walked on their own outlines: tongues in slots, keys, tabs, dovetails, T-slots.

Each is drawn as put together: the body with the tongue below y = 0, the one with the slot above, its width across x.

    slot     a tongue on an edge in a slot that opens at an edge      gains of play 0 and 0
    key      a block of its own in such a slot                        -1 and 0
    tab      a tongue on an edge in a closed opening                   0 and -1
    t-slot   a T's stem in its neck                                   +1 and +1
    t-head   its head in its chamber                                  -1 and -1
    dovetail widest at the tongue's tip; drawn sizes are the narrow ones at the edge; pressed home on both shoulders
    rack     a tooth, narrowest at its tip, in a gap; drawn sizes are those of the pitch line, depth as drawn

The gains follow from the walk; slanted flanks take their play up while they are drawn. A part printed turned by half
a turn is walked alike. The clearance is how far the tongue moves across between the flanks.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop, path_loop
from fitassay.analysis.chain.shapes import Profile
from fitassay.analysis.terms import Errors, errors_of
from fitassay.coupons.errors import ThinPeg

# How deep tongues reach, how much deeper slots are, and the body about them [mm].
DEEP_MM, RELIEF_MM, BODY_MM = 5.0, 1.5, 6.0
# Undercut of a T on either side [mm]; of one drawn by its head this share of it.
UNDERCUT_MM, UNDERCUT_SHARE = 3.0, 0.25
# Flank against the edge: dovetails of slides; teeth of racks, ISO 53, whose depth in contact is twice their module.
DOVETAIL_RAD = np.radians(60.0)
RACK_RAD = np.radians(70.0)
# A path narrower than this is none [mm].
THIN_MM = 0.04
# From so far a nozzle comes that comes from the contrary side [mm].
AWAY_MM = 5.0
# Heights that differ by less are one [mm].
CLOSE_MM = 1e-9


def flank_angle(kind: Profile, angle: float | None = None) -> float:
    """Angle between flank and edge [rad]: 90 degrees unless slanted; `angle` is the user's own for a dovetail."""
    if kind == "dovetail":
        return DOVETAIL_RAD if angle is None else angle
    return RACK_RAD if kind == "rack" else np.pi / 2


def _half(kind: Profile, size: float, slant: float, tooth: float) -> tuple[list[tuple[float, float]], int]:
    """Right half of a tongue of drawn width `size`, from its root on, and which of its pieces is the flank.

    `tooth` [mm] is the width of a rack's tooth, by which it is as deep as it is.
    """
    half = size / 2
    if kind == "rack":
        depth = 4 * tooth / np.pi
        off = depth / 2 / np.tan(slant)
        return [(half + off, 0.0), (half - off, depth)], 0
    if kind == "t-slot":
        return _mushroom(half, half + UNDERCUT_MM), 0
    if kind == "t-head":
        return _mushroom(half - UNDERCUT_SHARE * size, half), 2
    return [(half, 0.0), (half + DEEP_MM / np.tan(slant), DEEP_MM)], 0


def _mushroom(stem: float, head: float) -> list[tuple[float, float]]:
    return [(stem, 0.0), (stem, DEEP_MM), (head, DEEP_MM), (head, 2 * DEEP_MM)]


def _outline(
    kind: Profile, size: float, slant: float, tooth: float, inside: bool
) -> tuple[np.ndarray, tuple[int, int]]:
    """Drawn outline (m, 2), material on the left, and the first vertices of its right and its left flank."""
    right, flank = _half(kind, size, slant, tooth)
    n = len(right)
    if inside:
        # Down a gap's flanks run on as they are; a slot's floor lies deeper than the tongue's tip.
        (x, y), (px, py) = right[-1], right[-2]
        right[-1] = (x + (x - px) / (y - py) * RELIEF_MM, y + RELIEF_MM)
    left = [(-x, y) for x, y in right]
    if (kind, inside) == ("key", False) or (kind, inside) == ("tab", True):
        # A block or an opening of its own.
        points = [left[0], right[0], right[1], left[1]]
        return (np.array(points[::-1]), (1, 3)) if inside else (np.array(points), (1, 3))
    wide = max(x for x, _ in right) + BODY_MM
    if inside:
        high = right[-1][1] + BODY_MM
        points = [(wide, 0.0), (wide, high), (-wide, high), (-wide, 0.0), *left, *right[::-1]]
        return np.array(points), (4 + 2 * n - 2 - flank, 4 + flank)
    points = [(-wide, -BODY_MM), (wide, -BODY_MM), (wide, 0.0), *right, *left[::-1], (-wide, 0.0)]
    return np.array(points), (3 + flank, 3 + 2 * n - 2 - flank)


def corners(kind: Profile, inside: bool) -> int:
    """How many corners an outline has at which a loop may begin."""
    return len(_outline(kind, 10.0, flank_angle(kind), 10.0, inside)[0])


@lru_cache(maxsize=256)
def _path(
    kind: Profile, size: float, slant: float, tooth: float, inside: bool, width: float
) -> tuple[Loop, tuple[int, int]]:
    """The commanded loop, and the first vertices of its flanks.

    Raises
    ------
    InputError
        Too thin for the bead.
    """
    drawn, flanks = _outline(kind, size, slant, tooth, inside)
    outer = path_loop(drawn, [], seam=False)
    points = drawn - width / 2 * outer.outward
    right, left = (points[[i, (i + 1) % len(points)], 0] for i in flanks)
    if not inside and (right - left[::-1]).min() <= THIN_MM:
        raise ThinPeg(_NAMES[kind], size, width)
    return replace(outer, points=points), flanks


_NAMES = {"key": "key", "rack": "tooth"} | dict.fromkeys(
    ("slot", "tab", "dovetail", "t-slot", "t-head"), "tongue"
)

_HALF = float(np.sqrt(0.5))
_ALONG = {"x": (1.0, 0.0), "y": (0.0, 1.0), "a": (_HALF, _HALF), "b": (-_HALF, _HALF)}


class _Printed:
    """One side of a joint as printed, seen as put together with its width across x."""

    def __init__(
        self,
        kind: Profile,
        size: float,
        slant: float,
        tooth: float,
        inside: bool,
        errors: Errors,
        width: float,
        across: str,
        late: str,
        mirrored: bool = False,
    ) -> None:
        loop, flanks = _path(kind, size, slant, tooth, inside, width)
        if late:
            loop, flanks = _come_from_contrary(loop, flanks, 0 if late == "x" else 1)
        along = _ALONG[across]
        turn = np.array([along, (-along[1], along[0])])
        loop = replace(
            loop,
            points=loop.points @ turn,
            outward=loop.outward @ turn,
            lead_in=None if loop.lead_in is None else loop.lead_in @ turn,
        )
        moves = printed_path(loop, errors) @ turn.T
        if mirrored:
            moves = moves * [-1.0, 1.0]
        self.bead = width + errors.swept
        # The bead's edge beside the path, as slanted as drawn; material lies inside a tongue and outside a slot.
        lean = np.array([np.sin(slant), np.cos(slant) if kind == "rack" else -np.cos(slant)])
        beside = (-0.5 if inside else 0.5) * self.bead[:, None, None] * lean
        right, left = (moves[:, i] for i in (flanks[::-1] if mirrored else flanks))
        self.right, self.left = right + beside, left + beside * [-1.0, 1.0]
        # The tongue's loop comes by its right shoulder first, the slot's by its left edge.
        first, last = flanks[::-1] if inside else flanks
        ends = moves[:, (first - 1) % len(loop.points)], moves[:, (last + 1) % len(loop.points)]
        self.shoulders = ends[::-1] if inside != mirrored else ends
        self.flanks = right, left


def _come_from_contrary(loop: Loop, flanks: tuple[int, int], which: int) -> tuple[Loop, tuple[int, int]]:
    """The loop begun at one flank, the nozzle coming from the side contrary to its own last move across."""
    start = flanks[which]
    points = np.roll(loop.points, -start, axis=0)
    across = (points - np.roll(points, 1, axis=0))[:, 0]
    last = next(float(np.sign(d)) for d in (across[0], *across[:0:-1]) if abs(d) > THIN_MM)
    return (
        replace(
            loop,
            points=points,
            outward=np.roll(loop.outward, -start, axis=0),
            closing=np.roll(loop.closing, -start, axis=0),
            lead_in=points[:1] + np.array([[last * AWAY_MM, 0.0]]),
        ),
        ((flanks[0] - start) % len(points), (flanks[1] - start) % len(points)),
    )


def profile_clearance(
    kind: Profile,
    tongue: float,
    slot: float,
    theta: np.ndarray,
    width: float,
    *,
    angle: float | None = None,
    across: str = "x",
    flipped: bool = False,
    late: tuple[str, str] = ("", ""),
    exact: tuple[bool, bool] = (False, False),
) -> np.ndarray:
    """Play across the flanks, ndarray (n,) [mm]; negative: interference.

    Parameters
    ----------
    kind : Profile
    tongue, slot : float [mm]
        Drawn widths.
    theta : ndarray (n, terms)
    width : float [mm]
        Commanded bead width.
    angle : float, optional [rad]
        Flank of a dovetail against the edge.
    across : {"x", "y"}
        The printer's axis along which the width lies.
    flipped : bool
        The tongue is put in upside down.
    late : (str, str)
        Of tongue and slot: ``x`` the right, ``y`` the left flank is reached from the contrary side.
    exact : (bool, bool)
        Tongue or slot is bought, of its drawn size.
    """
    slant = flank_angle(kind, angle)
    theta = np.atleast_2d(theta)
    one, two = (
        _Printed(
            kind,
            size,
            slant,
            tongue,
            inside,
            errors_of(np.where(bought, 0.0, theta)),
            width,
            across,
            flank,
            flipped and not inside,
        )
        for size, inside, flank, bought in (
            (tongue, False, late[0], exact[0]),
            (slot, True, late[1], exact[1]),
        )
    )
    if slant == np.pi / 2:
        return _between(one.right, two.right) - _between(one.left, two.left, most=True)
    reach = (one.bead + two.bead) / 2
    inner = one.flanks
    if kind == "dovetail":
        rise, turn = _home(one, two)
        inner = tuple(_settled(flank, rise, turn) for flank in inner)
    other = np.array([-1.0, 1.0])
    return _travel(inner[0], two.flanks[0], reach) + _travel(inner[1] * other, two.flanks[1] * other, reach)


def profile_width(
    kind: Profile, size: float, inside: bool, theta: np.ndarray, width: float, across: str = "x"
) -> np.ndarray:
    """Distance of the printed flanks half way up, less what it is drawn larger there, ndarray (n,) [mm].

    What a caliper reads where flanks are upright.
    """
    slant = flank_angle(kind)
    side = _Printed(kind, size, slant, size, inside, errors_of(np.atleast_2d(theta)), width, across, "")
    points, flank = _half(kind, size, slant, size)
    (low_x, low_y), (high_x, high_y) = points[flank], points[flank + 1]
    middle = np.full((side.bead.size, 1), (low_y + high_y) / 2)
    return (_x_at(side.right, middle) - _x_at(side.left, middle))[:, 0] - (low_x + high_x - size)


def _between(inner: np.ndarray, outer: np.ndarray, *, most: bool = False) -> np.ndarray:
    """Least (or most) of outer less inner x where both flanks (n, 4, 2) stand side by side, ndarray (n,) [mm]."""
    # Both are bent, so that the least stands at a bend of one of them.
    low = np.maximum(inner[..., 1].min(axis=1), outer[..., 1].min(axis=1))[:, None] - CLOSE_MM
    high = np.minimum(inner[..., 1].max(axis=1), outer[..., 1].max(axis=1))[:, None] + CLOSE_MM
    apart = np.concatenate(
        [outer[..., 0] - _x_at(inner, outer[..., 1]), _x_at(outer, inner[..., 1]) - inner[..., 0]], axis=1
    )
    y = np.concatenate([outer[..., 1], inner[..., 1]], axis=1)
    beside = (y >= low) & (y <= high)
    if most:
        return np.where(beside, apart, -np.inf).max(axis=1)
    return np.where(beside, apart, np.inf).min(axis=1)


def _home(tongue: _Printed, slot: _Printed) -> tuple[np.ndarray, np.ndarray]:
    """How far a tongue pressed in its middle rises beyond its drawn place, and turns [mm], [rad], ndarray (n,) each.

    It turns until a shoulder on either side lies on its edge. Gaps between shoulders and edges are known at both ends
    of each; in its middle it rises as far as the lowest line through two of them, one of either side.
    """
    places, gaps = [], []
    for shoulder, edge in zip(tongue.shoulders, slot.shoulders, strict=True):
        ends = np.sort(np.abs([shoulder[:, [0, -1], 0], edge[:, [0, -1], 0]]), axis=-1)
        side = np.sign(shoulder[:, :1, 0])
        x = side * np.stack([ends[..., 0].max(axis=0), ends[..., 1].min(axis=0)], axis=1)
        places.append(x)
        gaps.append(_height_at(edge, x) - _height_at(shoulder, x) - (tongue.bead + slot.bead)[:, None] / 2)
    (x, other_x), (gap, other_gap) = ((of[0][:, :, None], of[1][:, None, :]) for of in (places, gaps))
    turn = ((gap - other_gap) / (x - other_x)).reshape(len(tongue.bead), -1)
    rise = (gap - (gap - other_gap) / (x - other_x) * x).reshape(len(tongue.bead), -1)
    least = rise.argmin(axis=1)[:, None]
    return tuple(np.take_along_axis(of, least, axis=1)[:, 0] for of in (rise, turn))  # type: ignore[return-value]


def _height_at(move: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Heights at x (n, k) of a straight move (n, 4, 2), ndarray (n, k) [mm]."""
    start, end = move[:, :1], move[:, -1:]
    share = (x - start[..., 0]) / (end - start)[..., 0]
    return start[..., 1] + share * (end - start)[..., 1]


def _settled(move: np.ndarray, rise: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """A move (n, 4, 2) turned by a small angle about the origin and lifted."""
    x, y = move[..., 0], move[..., 1]
    return np.stack([x - turn[:, None] * y, y + turn[:, None] * x + rise[:, None]], axis=-1)


def _travel(inner: np.ndarray, outer: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """How far bent paths (n, 4, 2) go along +x until they come to `reach` (n,) of others, ndarray (n,) [mm].

    `reach` is half of both beads: two paths so near are beads that touch. They meet at a bend of one or the other.
    """
    back = np.array([-1.0, 1.0])
    return np.minimum(_to_path(inner, outer, reach), _to_path(outer * back, inner * back, reach))


def _to_path(points: np.ndarray, path: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """Least way along +x of any of the points (n, 4, 2) to within `reach` (n,) of a bent path, ndarray (n,) [mm]."""
    y = points[:, :, None, 1]
    radius = reach[:, None, None]
    off = path[:, None, :, 1] - y
    near = np.abs(off) < radius
    to_bend = path[:, None, :, 0] - np.sqrt(np.where(near, radius**2 - off**2, 0.0))
    # Straight pieces, from below upwards; their edge on the near side is a parallel line.
    low, high = path[:, :-1], path[:, 1:]
    low, high = (np.where(high[..., 1:] >= low[..., 1:], a, b) for a, b in ((low, high), (high, low)))
    along = high - low
    length = np.hypot(along[..., 0], along[..., 1])
    rises = along[..., 1] > CLOSE_MM
    edge = (
        low
        + reach[:, None, None]
        * np.stack([-along[..., 1], along[..., 0]], axis=-1)
        / np.where(length > 0, length, 1.0)[..., None]
    )
    share = (y - edge[:, None, :, 1]) / np.where(rises, along[..., 1], 1.0)[:, None]
    beside = rises[:, None] & (share >= 0) & (share <= 1)
    to_piece = edge[:, None, :, 0] + share * along[:, None, :, 0]
    x = np.concatenate([np.where(near, to_bend, np.inf), np.where(beside, to_piece, np.inf)], axis=2)
    return (x - points[:, :, None, 0]).min(axis=(1, 2))


def _x_at(move: np.ndarray, y: np.ndarray) -> np.ndarray:
    """x at heights y (n or 1, k) of a flank (n, 4, 2) drawn as straight pieces, ndarray (n, k)."""
    rising = move[:, -1, 1] >= move[:, 0, 1]
    p = np.where(rising[:, None, None], move, move[:, ::-1])
    out = np.broadcast_to(p[:, :1, 0], (len(p), y.shape[1])).copy()
    for a, b in zip(range(3), range(1, 4), strict=True):
        low, high = p[:, a, 1][:, None], p[:, b, 1][:, None]
        rise = high - low
        share = np.where(rise > 1e-12, (y - low) / np.where(rise > 1e-12, rise, 1.0), y >= low)
        out += np.clip(share, 0.0, 1.0) * (p[:, b, 0] - p[:, a, 0])[:, None]
    return out
