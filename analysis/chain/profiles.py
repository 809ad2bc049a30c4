"""Joints along the edges of parts, walked on their own outlines: tongues in slots, keys, tabs, dovetails, T-slots.

Each is drawn as put together: the body with the tongue below y = 0, the one with the slot above, its width across x.

    slot     a tongue on an edge in a slot that opens at an edge      gains of play 0 and 0
    key      a block of its own in such a slot                        -1 and 0
    tab      a tongue on an edge in a closed opening                   0 and -1
    t-slot   a T's stem in its neck                                   +1 and +1
    t-head   its head in its chamber                                  -1 and -1
    dovetail widest at the tongue's tip; drawn sizes are the narrow ones at the edge; pushed home on its shoulders
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
from fitassay.coupons.errors import InputError

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
        raise InputError(f"a {size:g} mm {_NAMES[kind]} is thinner than one bead of {width:g} mm", "predict")
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
        shoulders = (
            moves[:, (first - 1) % len(loop.points), -1, 1],
            moves[:, (last + 1) % len(loop.points), 0, 1],
        )
        self.shoulders = shoulders[::-1] if inside != mirrored else shoulders


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
    up = _home(one, two) if kind == "dovetail" else np.zeros(len(theta))
    lift = np.stack([np.zeros_like(up), up], axis=1)[:, None]
    return _between(one.right + lift, two.right) - _between(one.left + lift, two.left, most=True)


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


def _home(tongue: _Printed, slot: _Printed) -> np.ndarray:
    """How far the tongue goes in beyond its drawn place until a shoulder meets an edge, ndarray (n,) [mm]."""
    right, left = (edge - shoulder for edge, shoulder in zip(slot.shoulders, tongue.shoulders, strict=True))
    return np.minimum(right, left) - (tongue.bead + slot.bead) / 2


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
