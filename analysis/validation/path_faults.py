"""A second virtual printer, with faults that the interpreter does not model: is its verdict still honest?

It walks the same loops as `chain.span`, but

    corners     are cut, as a machine does that will not stop at each
    play        swells and fades along the axis, as on a bent screw
    ringing     the nozzle overshoots after a corner and swings out, once it is past the play
    jitter      each layer is shifted as a whole, and wide jaws rest on the farthest of many
    the seam    leaves a blob, and may lie anywhere or in the worst place, where the loop's first flank is reached by
                a travel move in place of the loop's own
    the foot    flares out into the measured band

Jaws on plain flanks have a width here, where the ideal walk has points, which see the same while flanks are straight.
A jaw turns flush with the flank that it touches, so shear is seen by jaws on corners and in round bores only.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.span import WINDOW_MM, CouponWalk, bead_reach, carried
from fitassay.analysis.terms import FLARE_BAND_MM, Errors, errors_of
from fitassay.coupons.feature import Feature
from fitassay.coupons.toolpath.walls import turning_angles

Seam = Literal["notch", "random", "worst"]

RINGING_WAVE_MM = 1.6
RINGING_DECAY_MM = 2.5
RIPPLE_PERIOD_MM = 40.0
JAW_LAYERS = 15
# Printers that share one choice of seams, so that their paths stay arrays.
GROUP = 25
# A careful hand keeps the jaws off corners.
JAW_HALF_MM = 1.0
CORNER_RAD = np.deg2rad(20.0)
TRAVEL_MM = 20.0
ARC_POINTS = 5
# Where a move is looked at, from its corner on [mm]: play and ringing settle within.
SAMPLES_MM = (0.15, 0.3, 0.5, 0.7, 0.9, 1.1, 1.3, 1.6, 2.0, 2.4, 2.8, 3.2, 3.6, 4.0, 4.8, 5.6)


@dataclass(frozen=True, kw_only=True)
class Roughness:
    """How far a printer departs from the model.

    Attributes
    ----------
    corner_mm : float [mm]
        How far a cut corner of 90 degrees stays from its point.
    ripple : float
        Amplitude of the play's change along an axis, as a share of it.
    ringing_mm : float [mm]
        Overshoot at a corner of 90 degrees.
    jitter_mm : float [mm]
        Standard deviation of each layer's shift, in x and in y.
    blob_mm : float [mm]
        How far the seam stands out.
    flare_mm : float [mm]
        What is left of the first layers' flare, per side, at the lower end of the measured band.
    seam : {"notch", "random", "worst"}
        Where loops begin.
    """

    corner_mm: float = 0.0
    ripple: float = 0.0
    ringing_mm: float = 0.0
    jitter_mm: float = 0.0
    blob_mm: float = 0.0
    flare_mm: float = 0.0
    seam: Seam = "notch"


def rough_readings(
    walk: SetWalk, theta: np.ndarray, rough: Roughness, rng: np.random.Generator
) -> np.ndarray:
    """Readings (n, features) [mm] of rough printers with terms `theta` (n, terms), without reading noise."""
    theta = np.atleast_2d(theta)
    groups = []
    for i in range(0, len(theta), GROUP):
        errors = errors_of(theta[i : i + GROUP])
        groups.append(np.concatenate([_coupon(w, errors, rough, rng) for w in walk.walks], axis=1))
    return np.concatenate(groups)


def _coupon(walk: CouponWalk, errors: Errors, rough: Roughness, rng: np.random.Generator) -> np.ndarray:
    width = walk.width + errors.bead
    phase = rng.uniform(0, 2 * np.pi, (errors.n, 2))
    origin = np.array(walk.coupon.origin_on_plate_mm)
    lowest = min(
        (min(f.contact_a_mm[2], f.contact_b_mm[2]) for f in walk.coupon.features if f.kind != "height"),
        default=0,
    )
    strokes: dict[float, list[_Stroke]] = {}
    columns = []
    for feature in walk.coupon.features:
        if feature.kind == "height":
            value = feature.nominal_mm * (1 + errors.scale[:, 2]) + errors.datum
            columns.append(value + errors.added.get("height", 0.0))
            continue
        z = walk.height_of(feature)
        if z not in strokes:
            # The flare is seen where the coupon's lowest band is measured; higher steps are clear of it.
            foot = rough.flare_mm if FLARE_BAND_MM <= z <= lowest + 1e-6 else 0.0
            shift = errors.contour + foot + (errors.flare if z < FLARE_BAND_MM else 0.0)
            measured = _flanks(walk, z)
            strokes[z] = [
                _stroke(loop, shift, errors, rough, measured.get(i, []), origin, phase, rng)
                for i, loop in enumerate(walk.loops[z])
                if i in measured
            ]
        columns.append(_read(feature, strokes[z], width, errors, rough, walk.is_round(feature), rng))
    return np.stack(columns, axis=1)


def _flanks(walk: CouponWalk, z: float) -> dict[int, list[int]]:
    """Moves, by loop, that lie under the jaw of a straight feature at height z (nearest to its contacts)."""
    found: dict[int, list[int]] = {}
    for feature in walk.coupon.features:
        if feature.kind == "height" or walk.height_of(feature) != z:
            continue
        for contact in (feature.contact_a_mm, feature.contact_b_mm):
            best = (np.inf, 0, 0)
            for i, loop in enumerate(walk.loops[z]):
                a, b = loop.points, np.roll(loop.points, -1, axis=0)
                d = b - a
                t = np.clip(np.sum((contact[:2] - a) * d, axis=1) / np.sum(d * d, axis=1), 0, 1)
                away = np.linalg.norm(a + t[:, None] * d - contact[:2], axis=1)
                k = int(np.argmin(away))
                best = min(best, (float(away[k]), i, k))
            found.setdefault(best[1], []).append(best[2])
    return found


@dataclass(frozen=True, kw_only=True)
class _Stroke:
    """One loop as drawn: vertices (n, m, 2) [mm], and the seam's place (n, 2) [mm]."""

    vertices: np.ndarray
    seam: np.ndarray


def _stroke(
    loop: Loop,
    shift: np.ndarray,
    errors: Errors,
    rough: Roughness,
    flanks: list[int],
    origin: np.ndarray,
    phase: np.ndarray,
    rng: np.random.Generator,
) -> _Stroke:
    path = loop.points + shift[:, None, None] * loop.outward + errors.closure[:, None, None] * loop.closing
    turns = turning_angles(loop.points)
    path, turns, travel = _begin(path, turns, rough.seam, flanks, rng)
    path, swing = _cut_and_sampled(path, turns, rough.corner_mm)
    # A loop that begins in its notch follows its own previous layer; elsewhere a travel move leads in.
    lead = path[:, :-1] if travel is None else path[:, :1] + travel
    full = np.concatenate([lead, path], axis=1) * (1 + errors.scale[:, None, :2])
    ripple = np.sin(2 * np.pi * (full + origin) / RIPPLE_PERIOD_MM + phase[:, None, :])
    drawn = _lost_motion(full, errors.play, 1 + rough.ripple * ripple)[:, lead.shape[1] :]
    drawn = drawn + rough.ringing_mm * swing
    return _Stroke(vertices=drawn, seam=drawn[:, 0])


def _begin(
    path: np.ndarray, turns: np.ndarray, seam: Seam, flanks: list[int], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """The closed path (n, m + 1, 2) from its seam on, the turns at its vertices, and a travel to it (1, k, 2)."""
    if seam == "notch":
        return np.concatenate([path, path[:, :1]], axis=1), np.append(turns, 0.0), None
    m = path.shape[1]
    length = np.linalg.norm(np.roll(path, -1, axis=1) - path, axis=2).mean(axis=0)
    if seam == "random":
        k = int(rng.choice(m, p=length / length.sum()))
        at, angle = rng.uniform(0.05, 0.95), rng.uniform(0, 2 * np.pi)
        heading = np.array([np.cos(angle), np.sin(angle)])
    else:
        k = int(rng.choice(flanks))
        # In the middle of a measured flank or at the corner before it, come upon from straight ahead and outside.
        at = float(rng.choice([0.02, 0.5]))
        along = (path[:, (k + 1) % m] - path[:, k]).mean(axis=0)
        along = along / np.linalg.norm(along)
        heading = -along + np.array([-along[1], along[0]])
    start = path[:, k] + at * (path[:, (k + 1) % m] - path[:, k])
    order = (k + 1 + np.arange(m)) % m
    closed = np.concatenate([start[:, None], path[:, order], start[:, None]], axis=1)
    travel = np.linspace(-TRAVEL_MM, 0, 3)[None, :, None] * heading
    return closed, np.concatenate([[0.0], turns[order], [0.0]]), travel


def _cut_and_sampled(path: np.ndarray, turns: np.ndarray, cut_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The path with corners cut by quadratic arcs, and with points along each move after them.

    Returns
    -------
    path : ndarray (n, m, 2) [mm]
    swing : ndarray (m, 2)
        How far a unit overshoot at the latest corner swings each point out, across its move.
    """
    step = np.diff(path, axis=1)
    length = np.linalg.norm(step, axis=2)
    unit = step / length[:, :, None]
    heading = unit.mean(axis=0)
    shortest = length.min(axis=0)
    points: list[np.ndarray] = []
    swing: list[np.ndarray] = []
    over, since = np.zeros(2), 0.0
    for k in range(path.shape[1]):
        reach = 0.0
        if abs(turns[k]) > CORNER_RAD and 0 < k < path.shape[1] - 1:
            over, since = heading[k - 1] - (heading[k - 1] @ heading[k]) * heading[k], 0.0
            if cut_mm:
                # The arc's middle stays cut away from a square corner's point.
                reach = min(2 * cut_mm / np.sin(np.pi / 4), 0.45 * shortest[k - 1], 0.45 * shortest[k])
                first, last = path[:, k] - reach * unit[:, k - 1], path[:, k] + reach * unit[:, k]
                t = np.linspace(0, 1, ARC_POINTS)[:-1, None, None]
                points += list((1 - t) ** 2 * first + 2 * t * (1 - t) * path[:, k] + t**2 * last)
                swing += [np.zeros(2)] * (ARC_POINTS - 1)
        along = unit[:, k] if k < len(shortest) else unit[:, -1]
        points.append(path[:, k] + reach * along)
        swing.append(over * _ring(since))
        if k == len(shortest):
            break
        if shortest[k] > 1.0:
            for s in (s for s in SAMPLES_MM if reach < s < shortest[k] - reach - 0.1):
                points.append(path[:, k] + s * along)
                swing.append(over * _ring(since + s - reach))
        since += float(shortest[k]) - reach
    return np.stack(points, axis=1), np.stack(swing)


def _ring(distance: float) -> float:
    return float(np.exp(-distance / RINGING_DECAY_MM) * np.cos(2 * np.pi * distance / RINGING_WAVE_MM))


def _lost_motion(path: np.ndarray, play: np.ndarray, swing: np.ndarray) -> np.ndarray:
    """Positions at the vertices with play that depends on where the axis is; as `chain.backlash.lost_motion`."""
    r = (np.abs(play) / 2)[:, None] * swing
    upper, lower = path + r, path - r
    w = np.empty_like(path)
    w[:, 0] = path[:, 0]
    for k in range(1, path.shape[1]):
        w[:, k] = np.maximum(lower[:, k], np.minimum(upper[:, k], w[:, k - 1]))
    return np.where(play[:, None] < 0, 2 * path - w, w)


def _read(
    feature: Feature,
    strokes: list[_Stroke],
    width: np.ndarray,
    errors: Errors,
    rough: Roughness,
    is_round: bool,
    rng: np.random.Generator,
) -> np.ndarray:
    if feature.kind == "diagonal" or is_round:
        strokes, half = [_sheared(s, errors) for s in strokes], feature.jaw_mm / 2
    else:
        errors, half = _upright(errors), min(feature.jaw_mm / 2, JAW_HALF_MM)
    along = np.array(feature.direction)
    outer = 1.0 if feature.kind != "inside" else -1.0
    layers = rough.jitter_mm * rng.standard_normal((errors.n, JAW_LAYERS, 2))
    total = np.zeros(errors.n)
    ends = []
    for point, sign in ((feature.contact_a_mm, -1.0), (feature.contact_b_mm, 1.0)):
        side = along * sign * outer
        contact = carried(np.array(point[:2]), errors)
        reach = np.full(errors.n, -np.inf)
        for stroke in strokes:
            reach = np.maximum(reach, _reach(stroke, contact, side, half, width / 2, rough.blob_mm))
        # The jaw rests on the layer that stands out most.
        total += reach + (layers @ side).max(axis=1)
        ends.append(contact)
    return (ends[1] - ends[0]) @ along + outer * total + errors.added.get(feature.kind, 0.0)


def _upright(errors: Errors) -> Errors:
    straight = copy(errors)
    straight.shear = np.zeros(errors.n)
    return straight


def _sheared(stroke: _Stroke, errors: Errors) -> _Stroke:
    vertices, seam = stroke.vertices.copy(), stroke.seam.copy()
    vertices[..., 0] += errors.shear[:, None] * vertices[..., 1]
    seam[..., 0] += errors.shear * seam[..., 1]
    return _Stroke(vertices=vertices, seam=seam)


def _reach(
    stroke: _Stroke,
    contact: np.ndarray,
    side: np.ndarray,
    half_jaw: float,
    radius: np.ndarray,
    blob_mm: float,
) -> np.ndarray:
    middle = (stroke.vertices - contact[:, None]).mean(axis=0)
    across = np.array([-side[1], side[0]])
    s, v = middle @ side, middle @ across
    edge = half_jaw + 1.5
    near = (np.maximum(s[:-1], s[1:]) > -WINDOW_MM) & (np.minimum(s[:-1], s[1:]) < WINDOW_MM)
    near &= (np.maximum(v[:-1], v[1:]) > -edge) & (np.minimum(v[:-1], v[1:]) < edge)
    reach = np.full(len(contact), -np.inf)
    if near.any():
        k = np.flatnonzero(near)
        pieces = np.stack([stroke.vertices[:, k], stroke.vertices[:, k + 1]], axis=2)
        reach = bead_reach(pieces, radius, contact, side, half_jaw)
        # Where play leaves a gap at the seam, a narrow jaw rests on the gap's edges.
        reach = np.where(np.isfinite(reach), reach, bead_reach(pieces, radius, contact, side, half_jaw + 1.0))
    at = (stroke.seam - contact).mean(axis=0)
    if blob_mm and abs(at @ side) < WINDOW_MM and abs(at @ across) < edge:
        spot = np.repeat(stroke.seam[:, None, None], 2, axis=2)
        reach = np.maximum(reach, bead_reach(spot, radius + blob_mm, contact, side, half_jaw))
    return reach
