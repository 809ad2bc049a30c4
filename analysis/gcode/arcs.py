"""Arcs G2 and G3: centre and sweep from the words, straight pieces from the arc.

With u, v the plane's axes (G17: x, y; G18: z, x; G19: y, z), turning is counter-clockwise from u to v for G3. The
third axis and the filament go along in proportion (NISTIR 6556, 3.5.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CHORD_ERROR_MM = 0.001
"""Straight pieces stay within this of the arc."""

FINEST_STEP = 2 * np.pi / 4096

# Plane -> axes u, v, w as columns of x, y, z.
PLANES: dict[int, tuple[int, int, int]] = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}


@dataclass(frozen=True, kw_only=True)
class Arcs:
    """n arcs in one plane's coordinates.

    Attributes
    ----------
    centre : ndarray (n, 2) [mm]
    angle : ndarray (n,) [rad]
        Of the start, seen from the centre.
    sweep : ndarray (n,) [rad]
        Signed, counter-clockwise positive; a full turn where start and end coincide.
    radius, radius_end : ndarray (n,) [mm]
        At start and end; equal in a true arc.
    """

    centre: np.ndarray
    angle: np.ndarray
    sweep: np.ndarray
    radius: np.ndarray
    radius_end: np.ndarray


def arc_centres(start: np.ndarray, end: np.ndarray, radius: np.ndarray, clockwise: np.ndarray) -> np.ndarray:
    """Centres of arcs in radius format.

    Parameters
    ----------
    start, end : ndarray (n, 2) [mm]
    radius : ndarray (n,) [mm]
        Positive turns at most half a circle, negative more.
    clockwise : ndarray (n,) of bool

    Returns
    -------
    ndarray (n, 2) [mm]
        With chord c and its length d, middle + perpendicular(c)/d * sqrt(r^2 - d^2/4), to the left of the chord
        for a short counter-clockwise turn; a chord longer than 2|r| is centred in its middle.
    """
    chord = end - start
    d = np.hypot(chord[:, 0], chord[:, 1])
    height = np.sqrt(np.maximum(radius**2 - d**2 / 4, 0.0))
    side = np.where(clockwise, -1.0, 1.0) * np.where(radius < 0, -1.0, 1.0)
    left = np.column_stack([-chord[:, 1], chord[:, 0]]) / d[:, None]
    return (start + end) / 2 + left * (side * height)[:, None]


def arcs_about(start: np.ndarray, end: np.ndarray, centre: np.ndarray, clockwise: np.ndarray) -> Arcs:
    """Arcs from start to end, ndarrays (n, 2) [mm], about given centres."""
    a, b = start - centre, end - centre
    angle = np.arctan2(a[:, 1], a[:, 0])
    turn = np.mod(np.arctan2(b[:, 1], b[:, 0]) - angle, 2 * np.pi)
    same = np.hypot(*(end - start).T) < 1e-6
    turn = np.where(same, 0.0, turn)
    sweep = np.where(clockwise, turn - 2 * np.pi, np.where(turn > 0, turn, 2 * np.pi))
    return Arcs(
        centre=centre,
        angle=angle,
        sweep=sweep,
        radius=np.hypot(a[:, 0], a[:, 1]),
        radius_end=np.hypot(b[:, 0], b[:, 1]),
    )


def piece_counts(arcs: Arcs) -> np.ndarray:
    """How many straight pieces each arc needs, ndarray (n,) of int.

    A chord of angle t lies r (1 - cos(t/2)), about r t^2/8, inside its arc.
    """
    r = np.maximum(arcs.radius, arcs.radius_end)
    step = np.sqrt(8 * CHORD_ERROR_MM / np.maximum(r, CHORD_ERROR_MM))
    step = np.clip(step, FINEST_STEP, np.pi / 4)
    return np.maximum(np.ceil(np.abs(arcs.sweep) / step), 1).astype(np.int64)


def arc_points(arcs: Arcs, index: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Points on arcs.

    Parameters
    ----------
    index : ndarray (m,) of int
        Which arc.
    share : ndarray (m,)
        How far along it, 0 to 1.

    Returns
    -------
    ndarray (m, 2) [mm]
    """
    angle = arcs.angle[index] + share * arcs.sweep[index]
    radius = arcs.radius[index] + share * (arcs.radius_end - arcs.radius)[index]
    return arcs.centre[index] + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
