"""Pegs in holes: how their outlines are walked and put together, and the clearance that leaves.

The clearance itself, under play, scale and lean, is `chain.clearance`'s. What it depends on besides the sizes:

    handedness   outlines are commonly walked counter-clockwise and holes clockwise, so that play flattens them with
                 opposite handedness and they meet where both stand out; a peg turned upside down, or holes walked as
                 outlines are, meet alike and lose far less
    approach     the first flank of a loop stands where the nozzle came from until the play is taken up
    manner       a backlash compensation set too high mirrors the play or jumps at the reversal
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.clearance import printed, round_clearance, square_clearance
from fitassay.analysis.chain.loops import Loop, path_loop
from fitassay.analysis.chain.profiles import corners, profile_clearance
from fitassay.analysis.chain.shapes import PROFILES, Shape
from fitassay.analysis.terms import SHAPING
from fitassay.coupons.errors import InputError, ThinPeg

# A path narrower than twice this is none [mm].
THIN_MM = 0.02
# Sizes between which many pairs are read off.
NODES = 12


def refuse_thin(nominal: float, width: float, place: str = "predict") -> None:
    """Raise `InputError` where a peg [mm] is too thin for one bead [mm]."""
    if nominal - width <= 2 * THIN_MM:
        raise ThinPeg("peg", nominal, width, place)


def outline(nominal: float, inside: bool, width: float) -> Loop:
    """The commanded loop of a square peg or hole about the origin.

    Parameters
    ----------
    nominal : float [mm]
        Drawn side.
    inside : bool
        True for a hole.
    width : float [mm]
        Commanded bead width w; the path stands half of it inside the material.

    Raises
    ------
    InputError
        A peg too thin for one bead.
    """
    half = (nominal + width) / 2 if inside else (nominal - width) / 2
    if not inside:
        refuse_thin(nominal, width)
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    return path_loop(corners[::-1].copy() if inside else corners, [], seam=False)


def part_terms(theta: np.ndarray) -> np.ndarray:
    """`theta` (n, terms) with the caliper's and the model's own terms at zero."""
    return np.where(SHAPING, np.atleast_2d(theta), 0.0)


@dataclass(frozen=True, kw_only=True)
class PathHabits:
    """How a slicing program walks a part; None where it is not known.

    Attributes
    ----------
    holes_alike : bool or None
        Holes are walked the same way round as outlines.
    own_approach : bool or None
        Every flank is reached by moves of its own loop: seams stand where they do no harm.
    jumps : bool or None
        A backlash compensation set too high jumps at the reversal; False: it mirrors the play.
    """

    holes_alike: bool | None = None
    own_approach: bool | None = None
    jumps: bool | None = None


USUAL = PathHabits(holes_alike=False, own_approach=True, jumps=False)
"""Material on the left, seams out of the way, play mirrored."""


@dataclass(frozen=True, kw_only=True)
class Ways:
    """One way in which pairs may be walked and put together, the same for all printers.

    Attributes
    ----------
    flipped : bool
        The peg is put in upside down: it leans the other way and is seen walked the other way round.
    holes_alike, jumps : bool
        As in `PathHabits`.
    late_peg, late_hole : {"", "x", "y"}
        Axis across the flank that is reached from the contrary side; of joints along edges x stands for the right
        flank, y for the left.
    across : {"x", "y"}
        Of joints along edges the axis along which their width lies.
    weight : float
        How likely it is.
    """

    flipped: bool = False
    holes_alike: bool = False
    jumps: bool = False
    late_peg: str = ""
    late_hole: str = ""
    across: str = "x"
    weight: float = 1.0


def ways_of(
    shape: Shape, flipped: bool | None, habits: PathHabits, *, over: bool, across: str = ""
) -> tuple[Ways, ...]:
    """All ways that what is known leaves open, with their chances.

    Parameters
    ----------
    flipped : bool or None
        The peg is put in upside down.
    over : bool
        Whether any printer meant is over-compensated; else the manner makes no difference.
    across : {"", "x", "y"}
        Of joints along edges the axis along which their width lies; empty: not known.
    """
    if shape in PROFILES:
        peg, hole = (_late_flanks(corners(shape, i), habits) for i in (False, True))
        flips = (False, True) if flipped is None else (flipped,)
        axes = (across,) if across else ("x", "y")
        return tuple(
            Ways(flipped=f, late_peg=p, late_hole=h, across=a, weight=wp * wh / len(flips) / len(axes))
            for f in flips
            for a in axes
            for p, wp in peg
            for h, wh in hole
        )
    if shape == "square":
        late = _late_flanks(2, habits)
        return tuple(
            Ways(flipped=bool(flipped), late_peg=p, late_hole=h, weight=wp * wh)
            for p, wp in late
            for h, wh in late
        )
    # What counts is whether both are seen walked alike, so that one unknown is as many ways as two.
    flips = (False, True) if flipped is None else (flipped,)
    alike = (
        (bool(habits.holes_alike),) if len(flips) == 2 or habits.holes_alike is not None else (False, True)
    )
    manners = (False,) if not over else (False, True) if habits.jumps is None else (habits.jumps,)
    weight = 1 / (len(flips) * len(alike) * len(manners))
    return tuple(
        Ways(flipped=f, holes_alike=a, jumps=j, weight=weight) for f in flips for a in alike for j in manners
    )


def _late_flanks(begin: int, habits: PathHabits) -> tuple[tuple[str, float], ...]:
    """Flanks that may be reached from the contrary side, with their chances; a loop begins at one of `begin` places.

    At the one beside the flank the nozzle comes from either side.
    """
    if habits.own_approach:
        return (("", 1.0),)
    chance = 1 / (2 * begin)
    return ("", 1 - 2 * chance), ("x", chance), ("y", chance)


@dataclass(frozen=True, kw_only=True)
class Joints:
    """Pegs and holes of one shape, an array entry each.

    Attributes
    ----------
    peg, hole : ndarray (pairs,) [mm]
        Drawn diameters or sides.
    rotation : ndarray (pairs,) [rad]
        By which the peg is turned counter-clockwise against how it was printed.
    turning : ndarray (pairs,) of bool
        The tightest clearance over a whole turn is wanted.
    exact_peg, exact_hole : ndarray (pairs,) of bool
        Bought, of its drawn size.
    shape : Shape
    angle : float, optional [rad]
        Of dovetails, flank against edge.
    """

    peg: np.ndarray
    hole: np.ndarray
    rotation: np.ndarray
    turning: np.ndarray
    exact_peg: np.ndarray
    exact_hole: np.ndarray
    shape: Shape
    angle: float | None = None

    def some(self, at: np.ndarray) -> Joints:
        """Those with these indices."""
        arrays = {n: getattr(self, n)[at] for n in self.__dataclass_fields__ if n not in ("shape", "angle")}
        return replace(self, **arrays)


def clearances(joints: Joints, ways: Ways, theta: np.ndarray, width: float) -> np.ndarray:
    """Diametral clearance of each pair on each printer, ndarray (pairs, n) [mm]; negative: interference.

    Parameters
    ----------
    joints : Joints
    ways : Ways
    theta : ndarray (n, terms)
    width : float [mm]
        Commanded bead width.

    Raises
    ------
    InputError
        A printed peg thinner than one bead, or a square peg between quarter turns.
    """
    if joints.shape in PROFILES:
        return _along_edges(joints, ways, theta, width)
    if joints.shape == "square":
        return _clearances(joints, ways, theta, width)
    alike = np.stack([joints.rotation, joints.turning, joints.exact_peg, joints.exact_hole], axis=1)
    kinds, kind = np.unique(alike, axis=0, return_inverse=True)
    out = np.empty((len(joints.peg), len(np.atleast_2d(theta))))
    for i in range(len(kinds)):
        at = np.flatnonzero(kind.ravel() == i)
        out[at] = _of_any_size(joints.some(at), ways, theta, width)
    return out


def _along_edges(joints: Joints, ways: Ways, theta: np.ndarray, width: float) -> np.ndarray:
    """`clearances` of joints along edges: each walked; the same more than once only once."""
    shaped = part_terms(theta)
    asked = np.stack([joints.peg, joints.hole, joints.exact_peg, joints.exact_hole], axis=1)
    each, row = np.unique(asked, axis=0, return_inverse=True)
    got = [
        profile_clearance(
            joints.shape,  # type: ignore[arg-type]
            float(peg),
            float(hole),
            shaped,
            width,
            angle=joints.angle,
            across=ways.across,
            flipped=ways.flipped,
            late=(ways.late_peg, ways.late_hole),
            exact=(bool(exact_peg), bool(exact_hole)),
        )
        for peg, hole, exact_peg, exact_hole in each
    ]
    return np.array(got)[row.ravel()]


def _of_any_size(joints: Joints, ways: Ways, theta: np.ndarray, width: float) -> np.ndarray:
    """`clearances` of round pairs that differ in size alone: many are read off between a few sizes.

    What an outline loses to play, scale and lean changes smoothly with its size, and hardly with the clearance.
    """
    _, first, row = np.unique(
        np.stack([joints.peg, joints.hole], axis=1), axis=0, return_index=True, return_inverse=True
    )
    if len(first) < len(joints.peg):  # the same pair more than once
        return _of_any_size(joints.some(first), ways, theta, width)[row.ravel()]
    drawn = joints.hole - joints.peg
    logs = np.log(joints.hole)
    nodes = (logs.min() + logs.max() - np.ptp(logs) * np.cos(np.pi * np.arange(NODES) / (NODES - 1))) / 2
    ends = np.array([drawn.min(), max(drawn.max(), drawn.min() + 0.01)])
    hole, given = (m.ravel() for m in np.meshgrid(np.exp(nodes), ends, indexing="ij"))
    if len(drawn) <= 2 * len(hole) or np.ptp(logs) < 1e-6 or (hole - given <= width + 4 * THIN_MM).any():
        return _clearances(joints, ways, theta, width)
    few = joints.some(np.zeros(len(hole), dtype=int))
    got = _clearances(replace(few, peg=hole - given, hole=hole), ways, theta, width) - given[:, None]
    between = (drawn - ends[0]) / (ends[1] - ends[0])
    by_size = _between(nodes, logs)
    return (
        drawn[:, None]
        + (by_size * (1 - between)[:, None]) @ got[0::2]
        + (by_size * between[:, None]) @ got[1::2]
    )


def _between(nodes: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Weights of values at `nodes` (k,) for cubics through the four about each x (n,), ndarray (n, k)."""
    first = np.clip(np.searchsorted(nodes, x) - 2, 0, len(nodes) - 4)
    out = np.zeros((len(x), len(nodes)))
    rows = np.arange(len(x))
    for i in range(4):
        weight = np.ones(len(x))
        for j in range(4):
            if j != i:
                weight *= (x - nodes[first + j]) / (nodes[first + i] - nodes[first + j])
        out[rows, first + i] = weight
    return out


def _clearances(joints: Joints, ways: Ways, theta: np.ndarray, width: float) -> np.ndarray:
    """`clearances`, each worked out by itself."""
    theta = np.atleast_2d(theta)
    drawn = joints.peg[~joints.exact_peg]
    if len(drawn):
        refuse_thin(drawn.min(), width)
    flags = (len(joints.peg), len(theta))
    round_ = np.full(len(joints.peg), joints.shape == "round")
    peg = printed(
        joints.peg,
        theta,
        width,
        inside=False,
        bore=round_,
        exact=joints.exact_peg,
        ccw=np.full(flags, not ways.flipped),
        jumps=np.full(flags, ways.jumps),
        mirrored=ways.flipped,
    )
    hole = printed(
        joints.hole,
        theta,
        width,
        inside=True,
        bore=round_,
        exact=joints.exact_hole,
        ccw=np.full(flags, ways.holes_alike),
        jumps=np.full(flags, ways.jumps),
        mirrored=False,
    )
    if joints.shape == "round":
        return round_clearance(peg, hole, joints.rotation, joints.turning)
    quarter = joints.rotation / (np.pi / 2)
    if (np.abs(quarter - np.round(quarter)) > 1e-6).any():
        raise InputError(
            "a square peg fits its hole only at quarter turns; give 0, 90, 180 or 270", "rotation"
        )
    return square_clearance(
        peg, hole, np.round(quarter).astype(int), _late(ways.late_peg), _late(ways.late_hole)
    )


def _late(axis: str) -> np.ndarray:
    return np.array([axis == "x", axis == "y"], dtype=float)


def turning_clearance(peg: float, hole: float, width: float, theta: np.ndarray) -> np.ndarray:
    """Tightest diametral clearance of one round peg over a whole turn, ndarray (n,) [mm]; negative: binds."""
    one = np.array([False])
    joint = Joints(
        peg=np.array([peg]),
        hole=np.array([hole]),
        rotation=np.zeros(1),
        turning=~one,
        exact_peg=one,
        exact_hole=one,
        shape="round",
    )
    return clearances(joint, Ways(), theta, width)[0]
