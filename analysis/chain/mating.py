"""How a printed peg sits and turns in a printed hole: clearance of two outlines under the same errors.

Outlines are walked like any other loop (`chain.backlash.printed_path`), so that play flattens them, scale makes
ellipses of them and shear leans them. They are centrally symmetric, so a peg is freest with its centre on the
hole's, and

    sits     clearance = 2 min over hole points q of max over directions u of (q.u - h(u)) - w_peg - w_hole
    turns    clearance = 2 (least distance of the hole's path - greatest distance of the peg's path) - the same

with h the support function of the peg's path and w the bead widths. A peg that turns meets every part of the
hole with every part of itself: only its widest and the hole's narrowest width count.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop, path_loop
from fitassay.analysis.terms import PRINTER, errors_of
from fitassay.coupons.errors import InputError

Shape = Literal["round", "square"]

# Circles are walked as polygons with this much chord error [mm].
CHORD_MM = 0.0002
# A hole point can only be met by a peg point this far round from it [rad]; play makes corners of 0.5 at most.
WINDOW_RAD = 0.6

# Directions in half a turn at which a peg's reach is taken.
HALF_TURN = 180


def outline(shape: Shape, nominal: float, inside: bool, width: float, chord: float = CHORD_MM) -> Loop:
    """The commanded loop of a peg or hole about the origin.

    Parameters
    ----------
    shape : {"round", "square"}
    nominal : float [mm]
        Drawn diameter or side.
    inside : bool
        True for a hole.
    width : float [mm]
        Commanded bead width w; the path stands half of it inside the material.
    chord : float [mm]
        Chord error of a circle's polygon.

    Raises
    ------
    InputError
        A peg too thin for one bead.
    """
    half = (nominal + width) / 2 if inside else (nominal - width) / 2
    if half <= 0.02:
        raise InputError(f"a {nominal:g} mm peg is thinner than one bead of {width:g} mm", "predict")
    if shape == "square":
        corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
        return path_loop(corners[::-1].copy() if inside else corners, [], seam=False)
    sides = 4 * int(np.ceil(max(np.pi / np.sqrt(2 * chord / half), 96) / 4))
    angle = 2 * np.pi * np.arange(sides) / sides
    # The polygon's mean width, not its inscribed one, is the nominal.
    points = half * (np.pi / sides) / np.sin(np.pi / sides) * np.column_stack([np.cos(angle), np.sin(angle)])
    if inside:
        return path_loop(points[::-1].copy(), [(np.zeros(2), nominal)], seam=False)
    return path_loop(points, [], seam=False)


def part_terms(theta: np.ndarray) -> np.ndarray:
    """`theta` (n, terms) with the caliper's and the model's own terms at zero."""
    return np.where(PRINTER, np.atleast_2d(theta), 0.0)


def walked(loop: Loop, theta: np.ndarray) -> np.ndarray:
    """The nozzle's path for printers `theta`, ndarray (n, m, 4, 2) [mm]; see `printed_path`."""
    return printed_path(loop, errors_of(part_terms(theta)))


class PairWalk:
    """A peg and a hole printed by n printers.

    Parameters
    ----------
    peg, hole : float [mm]
        Drawn diameters or sides; a bought part that is exact: see `exact_peg` and `exact_hole`.
    width : float [mm]
        Commanded bead width w.
    theta : ndarray (n, terms)
        Printers; terms that do not shape a part are ignored.
    shape : {"round", "square"}
    exact_peg, exact_hole : bool
        That side is not printed but has its drawn size.
    chord : float [mm]
        Chord error of a circle's polygon; coarser is quicker.
    """

    def __init__(
        self,
        peg: float,
        hole: float,
        width: float,
        theta: np.ndarray,
        *,
        shape: Shape = "round",
        exact_peg: bool = False,
        exact_hole: bool = False,
        chord: float = CHORD_MM,
    ) -> None:
        self.shape = shape
        own = part_terms(theta)
        self.shear = errors_of(own).shear * (not exact_hole)
        self._peg = walked(outline(shape, peg, False, width, chord), own * (not exact_peg))
        self._hole = walked(outline(shape, hole, True, width, chord), own * (not exact_hole))
        bead = errors_of(own).bead
        self._peg_bead = width + bead * (not exact_peg)
        self._hole_bead = width + bead * (not exact_hole)

    def turns(self) -> np.ndarray:
        """Tightest diametral clearance of the round peg turning in its hole, ndarray (n,) [mm]; negative: binds."""
        if self.shape != "round":
            raise InputError("only a round peg turns in its hole; leave out turning or say round", "pair")
        farthest = np.hypot(self._peg[..., 0], self._peg[..., 1]).max(axis=(1, 2))
        return 2 * (_least_distance(self._hole) - farthest) - self._peg_bead - self._hole_bead

    def sits(self, rotation: float = 0.0) -> np.ndarray:
        """Diametral clearance of the peg put into its hole at one angle, free to find its place sideways.

        Parameters
        ----------
        rotation : float [rad]
            By which the peg is turned, counter-clockwise, against how it was printed; for squares a multiple
            of a quarter turn.

        Returns
        -------
        ndarray (n,) [mm]
            Negative: interference.
        """
        bead = self._peg_bead + self._hole_bead
        if self.shape == "square":
            return _square_gap(self._peg, self._hole, rotation, self.shear) - bead
        return 2 * _round_gap(self._peg, self._hole, rotation) - bead


def _least_distance(path: np.ndarray) -> np.ndarray:
    """Least distance of the straight pieces of `path` (n, m, 4, 2) from the origin, ndarray (n,)."""
    a, b = path[:, :, :-1], path[:, :, 1:]
    d = b - a
    square = np.sum(d * d, axis=3)
    t = np.clip(-np.sum(a * d, axis=3) / np.where(square > 0, square, 1.0), 0.0, 1.0)
    return np.linalg.norm(a + t[..., None] * d, axis=3).min(axis=(1, 2))


def _round_gap(peg: np.ndarray, hole: np.ndarray, rotation: float) -> np.ndarray:
    """min over hole points of max over directions of (q.u - h(u)), ndarray (n,) [mm]."""
    m = hole.shape[1]
    directions = np.pi * np.arange(2 * HALF_TURN) / HALF_TURN
    support = _support(peg, directions[:HALF_TURN] - rotation)
    half = np.arange(m // 2 + 1)
    # The hole is walked clockwise: its vertex i stands at minus (i + 1) steps.
    nearest = np.round(-(half + 1) / m * 2 * HALF_TURN).astype(int)
    points = hole[:, half, :3]
    unit = np.column_stack([np.cos(directions), np.sin(directions)])
    reach = int(np.ceil(WINDOW_RAD / np.pi * HALF_TURN))
    best = np.full(points.shape[:3], -np.inf)
    for offset in range(-reach, reach + 1):
        j = (nearest + offset) % (2 * HALF_TURN)
        value = points[..., 0] * unit[j, 0, None] + points[..., 1] * unit[j, 1, None]
        np.maximum(best, value - support[:, j % HALF_TURN, None], out=best)
    return best.min(axis=(1, 2))


def _support(path: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Support function of a counter-clockwise round path (n, m, 4, 2) at `angle` (k,), ndarray (n, k) [mm]."""
    m = path.shape[1]
    reach = int(np.ceil(WINDOW_RAD / (2 * np.pi / m)))
    wrapped = np.concatenate([path[:, -reach:, :3], path[:, :, :3], path[:, : reach + 1, :3]], axis=1)
    at = np.round(angle / (2 * np.pi) * m).astype(int) % m
    out = np.empty((len(path), len(angle)))
    for k, (a, i) in enumerate(zip(angle, at, strict=True)):
        near = wrapped[:, i : i + 2 * reach + 1]
        out[:, k] = (near[..., 0] * np.cos(a) + near[..., 1] * np.sin(a)).max(axis=(1, 2))
    return out


def _square_gap(peg: np.ndarray, hole: np.ndarray, rotation: float, shear: np.ndarray) -> np.ndarray:
    """Least difference of widths across the hole's two pairs of flanks, ndarray (n,) [mm]."""
    quarter = rotation / (np.pi / 2)
    if abs(quarter - round(quarter)) > 1e-6:
        raise InputError(
            "a square peg fits its hole only at quarter turns; give 0, 90, 180 or 270", "rotation"
        )
    c, s = np.cos(rotation), np.sin(rotation)
    turned = np.stack([c * peg[..., 0] - s * peg[..., 1], s * peg[..., 0] + c * peg[..., 1]], axis=-1)
    lean = np.hypot(1.0, shear)
    gaps = []
    for ux, uy in ((1 / lean, -shear / lean), (np.zeros_like(shear), np.ones_like(shear))):

        def span(path: np.ndarray, ux: np.ndarray = ux, uy: np.ndarray = uy) -> np.ndarray:
            along = ux[:, None, None] * path[..., 0] + uy[:, None, None] * path[..., 1]
            return along.max(axis=(1, 2)) - along.min(axis=(1, 2))

        gaps.append(span(hole) - span(turned))
    return np.minimum(*gaps)
