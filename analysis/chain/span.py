"""From the nozzle's path to caliper readings: the bead swept along it, the jaws closed on the bead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop, ideal_loops
from fitassay.analysis.chain.uneven_surface import felt_share
from fitassay.analysis.terms import FLARE_BAND_MM, Errors
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sections import Ring, Sliceable, bore_at

# A jaw touches nothing farther from the drawn contact than this, along the measured direction [mm]. Gaps and
# openings are at least 4 mm wide, so it cannot reach across one.
WINDOW_MM = 1.5


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
    slicer : Sliceable
        Sections of its mesh.
    width : float [mm]
        Commanded bead width.
    loops : dict of float to tuple of Loop, optional
        Loops by contact height, where a sliced file tells them; else the ideal ones are made.
    layer : float [mm]
        Layer height.
    """

    def __init__(
        self,
        coupon: Coupon,
        slicer: Sliceable,
        width: float,
        loops: dict[float, tuple[Loop, ...]] | None = None,
        layer: float = 0.2,
    ) -> None:
        self.coupon = coupon
        self.width = width
        self.layer = layer
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

    def _place(self, feature: Feature, slicer: Sliceable) -> None:
        # Rims and single layers stand on the flank that is read deep, drawn by the same path.
        z = self.coupon.beneath(feature).contact_height
        if z not in self.rings:
            self.rings[z] = slicer.section(z)
        if z not in self.loops:
            self.loops[z] = ideal_loops(self.rings[z], self.width, self.coupon.single_wall)
        along = np.array(feature.direction)
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
        return bore_at(feature, self.rings[self.height_of(feature) if z is None else z]) is not None

    def readings(self, errors: Errors, features: tuple[Feature, ...] | None = None) -> np.ndarray:
        """What the caliper reads, ndarray (n, features) [mm], without noise."""
        features = self.coupon.features if features is None else features
        paths: dict[float, dict[int, np.ndarray]] = {}
        columns = []
        for feature in features:
            if feature.kind == "height":
                value = feature.nominal_mm * (1 + errors.scale[:, 2]) + errors.datum
            else:
                z, low, high = self._jaws[feature.id]
                flared = z < FLARE_BAND_MM
                radius = (self.width + errors.bead + felt_share(feature, self.layer) * errors.surface) / 2
                if z not in paths:
                    paths[z] = {
                        i: printed_path(self.loops[z][i], errors, flared, only)
                        for i, only in self._near[z].items()
                    }
                a, b = carried(low.contact, errors), carried(high.contact, errors)
                reach = jaw_reach(low, a, paths[z], radius) + jaw_reach(high, b, paths[z], radius)
                span = (b - a) @ np.array(feature.direction)
                value = span + (reach if feature.kind != "inside" else -reach)
            columns.append(value + errors.added.get(feature.kind, 0.0))
        return np.stack(columns, axis=1) if columns else np.empty((errors.n, 0))
