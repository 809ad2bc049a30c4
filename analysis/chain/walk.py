"""From loops to caliper readings: play per axis, scale, shear, bead swept along the path, jaws closed on it.

The same functions, fed with one printer's errors, are the virtual print; differentiated, they are the
sensitivities of every reading to every error term.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fitassay.analysis.chain.loops import Loop, Ring, Slicer, ideal_loops, load_mesh
from fitassay.analysis.terms import FLARE_BAND_MM, TERMS, Errors, errors_of
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Coupon, Feature, Manifest

# A jaw touches nothing farther from the drawn contact than this, along the measured direction [mm]. Gaps and
# openings are at least 4 mm wide, so it cannot reach across one.
WINDOW_MM = 1.5


def lost_motion(
    path: np.ndarray, play: np.ndarray, only: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Where two axes with play really go.

    Per axis w_k = max(u_k - r, min(u_k + r, w_{k-1})) with r = |b|/2 (play operator of Krasnosel'skii and
    Pokrovskii; the textbook form is from memory). Negative b, a backlash compensation set too high, mirrors the
    result about the command. Both kinks of every move, where x and y take up their play, become vertices.

    Parameters
    ----------
    path : ndarray (n, m, 2) [mm]
        Commanded vertices.
    play : ndarray (n, 2) [mm]
        Total play b of x and y.
    only : ndarray of int, optional
        Moves wanted; default all.

    Returns
    -------
    vertices : ndarray (n, m or wanted, 2) [mm]
        Positions at the commanded vertices, or where the moves wanted begin.
    moves : ndarray (n, wanted, 4, 2) [mm]
        Each move as three straight pieces.
    """
    r = np.abs(play) / 2
    sign = np.where(play < 0, -1.0, 1.0)
    # The recursion runs along the path for all printers at once; path-first arrays keep it in step with memory.
    along = np.ascontiguousarray(path.transpose(1, 0, 2))
    upper, lower = along + r, along - r
    w = np.empty_like(along)
    w[0] = along[0]
    for k in range(1, len(along)):
        np.minimum(upper[k], w[k - 1], out=w[k])
        np.maximum(lower[k], w[k], out=w[k])
    w = w.transpose(1, 0, 2)
    first = np.arange(path.shape[1] - 1) if only is None else only
    start, w_start = path[:, first], w[:, first]
    du = path[:, first + 1] - start
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (w_start + np.sign(du) * r[:, None] - start) / du
    t = np.clip(np.where(np.abs(du) > 1e-12, t, 0.0), 0.0, 1.0)
    kinks = np.stack([t.min(axis=2), t.max(axis=2)], axis=2)[..., None]
    u_kink = start[:, :, None] + kinks * du[:, :, None]
    w_kink = np.maximum(u_kink - r[:, None, None], np.minimum(u_kink + r[:, None, None], w_start[:, :, None]))

    def signed(u: np.ndarray, v: np.ndarray, s: np.ndarray) -> np.ndarray:
        return np.where(s < 0, 2 * u - v, v)

    kinked = signed(u_kink, w_kink, sign[:, None, None])
    begin = signed(start, w_start, sign[:, None])
    end = signed(path[:, first + 1], w[:, first + 1], sign[:, None])
    moves = np.concatenate([begin[:, :, None], kinked, end[:, :, None]], axis=2)
    return (signed(path, w, sign[:, None]) if only is None else begin), moves


def printed_path(
    loop: Loop, errors: Errors, flared: bool = False, only: np.ndarray | None = None
) -> np.ndarray:
    """The path that the nozzle really takes along one loop.

    Parameters
    ----------
    loop : Loop, m vertices
    errors : Errors for n printers
    flared : bool
        True in the lowest layers.
    only : ndarray of int, optional
        Moves wanted; default all.

    Returns
    -------
    ndarray (n, m or wanted, 4, 2) [mm]
        Every move from vertex i to i + 1 (closing the loop) as three straight pieces.
    """
    shift = errors.contour + (errors.flare if flared else 0.0)
    path = loop.points + shift[:, None, None] * loop.outward + errors.closure[:, None, None] * loop.closing
    lap = np.concatenate([path, path[:, :1]], axis=1)
    # Without a file the loop follows its own previous layer, so its flanks are reached by its own moves.
    lead = path if loop.lead_in is None else np.broadcast_to(loop.lead_in, (errors.n, *loop.lead_in.shape))
    full = np.concatenate([lead, lap], axis=1) * (1 + errors.scale[:, None, :2])
    wanted = np.arange(len(loop.points)) if only is None else only
    moves = lost_motion(full, errors.play, wanted + lead.shape[1])[1]
    moves[..., 0] += errors.shear[:, None, None] * moves[..., 1]
    return moves


def bead_reach(
    pieces: np.ndarray, radius: np.ndarray, contact: np.ndarray, direction: np.ndarray, half_jaw: float
) -> np.ndarray:
    """How far the swept bead reaches along a direction, under a jaw.

    Each straight piece with its bead is a stadium; the highest point of a stadium under a flat jaw has a closed
    form since its boundary is concave.

    Parameters
    ----------
    pieces : ndarray (n, s, 2, 2) [mm]
        Straight pieces: end points.
    radius : ndarray (n,) [mm]
        Half the bead width.
    contact : ndarray (n, 2) [mm]
        Middle of the jaw.
    direction : ndarray (2,)
        Unit vector towards the jaw.
    half_jaw : float [mm]
        Half the jaw's flat; 0 for a point.

    Returns
    -------
    ndarray (n,) [mm]
        Farthest reach beyond `contact` along `direction`; -inf where no bead is under the jaw.
    """
    across = np.array([-direction[1], direction[0]])
    local = pieces - contact[:, None, None]
    s, v = local @ direction, local @ across
    s0, s1, v0, v1 = s[..., 0], s[..., 1], v[..., 0], v[..., 1]
    r = radius[:, None]
    # Where on the jaw the stadium is highest: above its higher end, or, if level, nearest to the jaw's middle.
    level = np.clip(0.0, np.minimum(v0, v1), np.maximum(v0, v1))
    top = np.where(np.abs(s1 - s0) < 1e-12, level, np.where(s0 > s1, v0, v1))
    at = np.clip(top, -half_jaw, half_jaw)
    height = np.full(at.shape, -np.inf)
    for si, vi in ((s0, v0), (s1, v1)):
        rest = r**2 - (at - vi) ** 2
        height = np.maximum(height, np.where(rest >= 0, si + np.sqrt(np.maximum(rest, 0.0)), -np.inf))
    length = np.hypot(s1 - s0, v1 - v0)
    with np.errstate(divide="ignore", invalid="ignore"):
        normal_s = np.abs(v1 - v0) / length
        normal_v = -(s1 - s0) / length * np.sign(v1 - v0)
        share = (at - v0 - r * normal_v) / (v1 - v0)
        flank = s0 + share * (s1 - s0) + r * normal_s
    on_flank = (np.abs(v1 - v0) > 1e-12) & (share >= 0) & (share <= 1)
    height = np.maximum(height, np.where(on_flank, flank, -np.inf))
    return height.max(axis=1)


@dataclass(frozen=True, kw_only=True)
class Jaw:
    """One contact of a feature: which moves of which loop can touch the jaw there.

    Attributes
    ----------
    contact : ndarray (2,) [mm]
    direction : ndarray (2,)
        Towards the jaw's own side of the contact, away from the bead.
    half_jaw : float [mm]
    moves : tuple of (loop index, ndarray of move indices)
        Indices into the loop's moves, or into those of them that a `CouponWalk` keeps.
    """

    contact: np.ndarray
    direction: np.ndarray
    half_jaw: float
    moves: tuple[tuple[int, np.ndarray], ...]


def find_jaw(
    loops: tuple[Loop, ...],
    contact: np.ndarray,
    direction: np.ndarray,
    half_jaw: float,
    width: float,
    window: float = WINDOW_MM,
) -> Jaw:
    """The moves of `loops` that a jaw at `contact` can touch; none found leaves `moves` empty."""
    across = np.array([-direction[1], direction[0]])
    found: list[tuple[int, np.ndarray]] = []
    for i, loop in enumerate(loops):
        ends = np.stack([loop.points, np.roll(loop.points, -1, axis=0)], axis=1) - contact
        s, v = ends @ direction, ends @ across
        near = (s.max(axis=1) > -window - width) & (s.min(axis=1) < window)
        near &= (v.max(axis=1) > -half_jaw - width) & (v.min(axis=1) < half_jaw + width)
        if near.any():
            found.append((i, np.flatnonzero(near)))
    return Jaw(contact=contact, direction=direction, half_jaw=half_jaw, moves=tuple(found))


def carried(point: np.ndarray, errors: Errors) -> np.ndarray:
    """Where scale and shear carry a drawn point (2,): the hand puts the jaws on the feature as printed, (n, 2)."""
    moved = point * (1 + errors.scale[:, :2])
    moved[:, 0] += errors.shear * moved[:, 1]
    return moved


def jaw_reach(
    jaw: Jaw, contact: np.ndarray, paths: Mapping[int, np.ndarray], radius: np.ndarray
) -> np.ndarray:
    """Reach of the bead beyond the jaw's contact (n, 2), ndarray (n,) [mm]."""
    best = np.full(len(radius), -np.inf)
    for index, moves in jaw.moves:
        part = paths[index][:, moves]
        pieces = np.stack([part[:, :, :-1], part[:, :, 1:]], axis=3)
        pieces = pieces.reshape(len(radius), -1, 2, 2)
        best = np.maximum(best, bead_reach(pieces, radius, contact, jaw.direction, jaw.half_jaw))
    return best


class CouponWalk:
    """The readings of one coupon's features as a function of the printer's errors.

    Parameters
    ----------
    coupon : Coupon
    slicer : Slicer
        Sections of its mesh.
    width : float [mm]
        Commanded bead width.
    loops : dict of float to tuple of Loop, optional
        Loops by contact height, where a sliced file tells them; else the ideal ones are made.
    """

    def __init__(
        self,
        coupon: Coupon,
        slicer: Slicer,
        width: float,
        loops: dict[float, tuple[Loop, ...]] | None = None,
    ) -> None:
        self.coupon = coupon
        self.width = width
        self.rings: dict[float, tuple[Ring, ...]] = {}
        self.loops: dict[float, tuple[Loop, ...]] = dict(loops or {})
        self._jaws: dict[str, tuple[float, Jaw, Jaw]] = {}
        for feature in coupon.features:
            if feature.kind != "height":
                self._place(feature, slicer)
        # Only moves that some jaw can touch are traced to their kinks.
        self._near: dict[float, dict[int, np.ndarray]] = {}
        for z, *jaws in self._jaws.values():
            for index, moves in (m for jaw in jaws for m in jaw.moves):
                at = self._near.setdefault(z, {})
                at[index] = np.union1d(at.get(index, moves), moves)
        self._jaws = {
            name: (z, self._kept(z, low), self._kept(z, high)) for name, (z, low, high) in self._jaws.items()
        }

    def _kept(self, z: float, jaw: Jaw) -> Jaw:
        near = self._near[z]
        return replace(jaw, moves=tuple((i, np.searchsorted(near[i], moves)) for i, moves in jaw.moves))

    def _place(self, feature: Feature, slicer: Slicer) -> None:
        z = round((feature.contact_a_mm[2] + feature.contact_b_mm[2]) / 2, 6)
        if z not in self.rings:
            self.rings[z] = slicer.section(z)
        if z not in self.loops:
            self.loops[z] = ideal_loops(self.rings[z], self.width, self.coupon.single_wall)
        along = _direction(feature)
        outer = feature.kind != "inside"
        half = feature.jaw_mm / 2 if feature.kind == "diagonal" or self.is_round(feature, z) else 0.0
        jaws = []
        for point, sign in ((feature.contact_a_mm, -1.0), (feature.contact_b_mm, 1.0)):
            side = along * (sign if outer else -sign)
            jaw = find_jaw(self.loops[z], np.array(point[:2]), side, half, self.width)
            if not jaw.moves:
                raise InputError(
                    f"nothing is printed where feature {feature.id} puts its jaw "
                    f"({point[0]:g}, {point[1]:g} at height {z:g}); make the coupons again",
                    f"coupon {self.coupon.id}",
                )
            jaws.append(jaw)
        self._jaws[feature.id] = (z, jaws[0], jaws[1])

    def height_of(self, feature: Feature) -> float:
        """Height [mm] of the section on which a feature (not a height) is measured."""
        return self._jaws[feature.id][0]

    def is_round(self, feature: Feature, z: float | None = None) -> bool:
        """True where the feature's contacts stand on a round opening."""
        if feature.kind != "inside":
            return False
        if z is None:
            z = self._jaws[feature.id][0]
        middle = (np.array(feature.contact_a_mm[:2]) + np.array(feature.contact_b_mm[:2])) / 2
        for bore in (ring.bore() for ring in self.rings[z]):
            if bore and np.linalg.norm(bore[0] - middle) < 0.25 * bore[1]:
                return True
        return False

    def readings(self, errors: Errors, features: tuple[Feature, ...] | None = None) -> np.ndarray:
        """What the caliper reads, ndarray (n, features) [mm], without noise."""
        features = self.coupon.features if features is None else features
        radius = (self.width + errors.bead) / 2
        paths: dict[float, dict[int, np.ndarray]] = {}
        columns = []
        for feature in features:
            if feature.kind == "height":
                value = feature.nominal_mm * (1 + errors.scale[:, 2]) + errors.datum
            else:
                z, low, high = self._jaws[feature.id]
                if z not in paths:
                    flared = z < FLARE_BAND_MM
                    paths[z] = {
                        i: printed_path(self.loops[z][i], errors, flared, only)
                        for i, only in self._near[z].items()
                    }
                a, b = carried(low.contact, errors), carried(high.contact, errors)
                reach = jaw_reach(low, a, paths[z], radius) + jaw_reach(high, b, paths[z], radius)
                span = (b - a) @ _direction(feature)
                value = span + (reach if feature.kind != "inside" else -reach)
            columns.append(value + errors.added.get(feature.kind, 0.0))
        return np.stack(columns, axis=1) if columns else np.empty((errors.n, 0))


def _direction(feature: Feature) -> np.ndarray:
    angle = np.deg2rad(feature.direction_deg)
    return np.round(np.array([np.cos(angle), np.sin(angle)]), 15)


class SetWalk:
    """The readings of a whole manifest as a function of the printer's errors.

    Attributes
    ----------
    manifest : Manifest
    keys : tuple of (coupon id, feature id)
        Column order.
    features : tuple of Feature
    round : tuple of bool
        True for features on round openings.
    """

    def __init__(
        self,
        manifest: Manifest,
        slicers: Mapping[str, Slicer],
        loops: Mapping[str, dict[float, tuple[Loop, ...]]] | None = None,
    ) -> None:
        """Place all features; `slicers` and the optional real `loops` by coupon id."""
        self.manifest = manifest
        self.walks = tuple(
            CouponWalk(c, slicers[c.id], manifest.line_width_mm, (loops or {}).get(c.id))
            for c in manifest.coupons
        )
        self.keys = tuple((c.id, f.id) for c in manifest.coupons for f in c.features)
        self.features = tuple(f for c in manifest.coupons for f in c.features)
        self.round = tuple(w.is_round(f) for w in self.walks for f in w.coupon.features)

    @classmethod
    def open(
        cls,
        manifest: Manifest,
        folder: Path,
        loops: Mapping[str, dict[float, tuple[Loop, ...]]] | None = None,
    ) -> SetWalk:
        """With the meshes that lie beside the manifest in `folder`."""
        slicers = {c.id: Slicer(load_mesh(Path(folder) / c.file), c.file) for c in manifest.coupons}
        return cls(manifest, slicers, loops)

    def readings(self, theta: np.ndarray) -> np.ndarray:
        """Noise-free readings (n, features) [mm] of printers with terms `theta` (n, terms)."""
        errors = errors_of(theta)
        return np.concatenate([walk.readings(errors) for walk in self.walks], axis=1)

    def linearise(self, theta: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Readings and their derivatives about one printer.

        Parameters
        ----------
        theta : ndarray (terms,), optional
            Where; default the perfect printer.

        Returns
        -------
        base : ndarray (features,) [mm]
        gains : ndarray (features, terms)
            d reading / d term, by forward differences with each term's own step: play is one-sided at zero (a jaw
            with a flat does not see the first micrometres of it in a bore), all else is smooth.
        """
        theta = np.zeros(len(TERMS)) if theta is None else np.asarray(theta, dtype=float)
        steps = np.array([t.step for t in TERMS])
        values = self.readings(np.concatenate([theta[None], theta + np.diag(steps)]))
        return values[0], ((values[1:] - values[0]) / steps[:, None]).T
