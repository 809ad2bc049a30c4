"""What the jaws touch on each coupon: flanks, the moves that drew them, layers, section sizes.

Read off the walk's own loops once, so that effects of roughness act on arrays over printers and features.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.span import CouponWalk
from fitassay.analysis.terms import FLARE_BAND_MM
from fitassay.coupons.feature import DEEP_MM, RIM_MM, Coupon, Feature
from fitassay.coupons.toolpath.walls import turning_angles

# A sharp corner turns by more than this.
CORNER_RAD = np.deg2rad(20.0)
# Measured bands start this high, above the flare and the chamfer of the base edge.
BAND_START_MM = 1.0
SINGLE_WALL = "single-wall"
# A careful hand keeps the jaws off corners: half of the flat that counts on a straight flank.
JAW_HALF_MM = 1.0


@dataclass(frozen=True, kw_only=True)
class Flanks:
    """The two faces under the jaws of each of m features; all arrays (m, 2) or (m, 2, 2), nan for heights.

    Attributes
    ----------
    side : ndarray (m, 2, 2)
        Unit vector out of the material, towards the jaw.
    place : ndarray (m, 2, 2) [mm]
        Contact on the bed.
    heading : ndarray (m, 2, 2)
        Unit vector of the move that drew the face.
    since_corner, to_corner : ndarray (m, 2) [mm]
        Along that move, from the sharp corner before it and to the nearest one; inf where there is none.
    loop : ndarray (m, 2) of int
        Index into `Contacts.loops`; -1 for heights.
    move : ndarray (m, 2) of int
    share : ndarray (m, 2)
        Where on that move, 0..1.
    half_jaw : ndarray (m,) [mm]
    """

    side: np.ndarray
    place: np.ndarray
    heading: np.ndarray
    since_corner: np.ndarray
    to_corner: np.ndarray
    loop: np.ndarray
    move: np.ndarray
    share: np.ndarray
    half_jaw: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Contacts:
    """Features of a walk, column by column, as roughness sees them.

    Attributes
    ----------
    sign : ndarray (m,)
        Reading per mm that faces stand out: +1 outside, thickness, diagonal; -1 inside; 0 heights.
    kind, family : ndarray (m,) of str
    size : ndarray (m,) [mm]
        Drawn.
    angle : ndarray (m,) [rad]
        Measured direction.
    round : ndarray (m,) of bool
    foot : ndarray (m,) of bool
        Read on the lowest layers.
    plate, coupon : ndarray (m,) of int
    section : ndarray (m,) [mm]
        Root of the section's bounding area at the height measured; of the whole coupon for heights.
    low, flank : ndarray (m,) [mm]
        Lowest height that the jaws touch, and how much of a flank's height they hold.
    first_layer, last_layer : ndarray (m,) of int
        Layers under the jaws, the last not included.
    lever : ndarray (m,)
        Heights: place along the coupon, -1 at one end and +1 at the other.
    flanks : Flanks
    loops : tuple of Loop
    layers : int
        Up to the highest face measured.
    layer_mm : float [mm]
    """

    sign: np.ndarray
    kind: np.ndarray
    family: np.ndarray
    size: np.ndarray
    angle: np.ndarray
    round: np.ndarray
    foot: np.ndarray
    plate: np.ndarray
    coupon: np.ndarray
    section: np.ndarray
    low: np.ndarray
    flank: np.ndarray
    first_layer: np.ndarray
    last_layer: np.ndarray
    lever: np.ndarray
    flanks: Flanks
    loops: tuple[Loop, ...]
    layers: int
    layer_mm: float

    @property
    def height(self) -> np.ndarray:
        """Columns that are heights (m,) of bool."""
        return self.kind == "height"

    @property
    def solid(self) -> np.ndarray:
        """Columns measured on dense pieces, not on the single wall (m,) of bool."""
        return (self.family != SINGLE_WALL) & ~self.height

    def at_rim(self) -> Contacts:
        """The same features read over their topmost `RIM_MM` only."""
        layers = max(1, round(RIM_MM / self.layer_mm))
        first = np.where(self.height, self.first_layer, np.maximum(self.last_layer - layers, 0))
        low = np.where(self.height, self.low, first * self.layer_mm)
        flank = np.where(self.height, self.flank, RIM_MM)
        return replace(self, first_layer=first, low=low, flank=flank)

    def stood_out(self, outward: np.ndarray) -> np.ndarray:
        """Change of the readings (n, m) [mm] where faces stand out by `outward` (n, m, 2) [mm]."""
        return self.sign * np.nansum(outward, axis=2)

    def moved(self, place: np.ndarray) -> np.ndarray:
        """Change of the readings (n, m) [mm] where faces are displaced by `place` (n, m, 2, 2) [mm]."""
        return self.stood_out(np.sum(place * self.flanks.side, axis=3))


def contacts_of(walk: SetWalk) -> Contacts:
    """`Contacts` of all features of a walk."""
    layer = walk.manifest.layer_height_mm
    loops: list[Loop] = []
    rows = [_row(w, i, f, layer, loops) for i, w in enumerate(walk.walks) for f in w.coupon.features]
    columns = {name: np.array([r[name] for r in rows]) for name in rows[0]}
    flank_names = Flanks.__dataclass_fields__
    flanks = Flanks(**{name: columns.pop(name) for name in flank_names})
    return Contacts(
        **columns,
        round=np.array(walk.round),
        flanks=flanks,
        loops=tuple(loops),
        layers=int(columns["last_layer"].max()),
        layer_mm=layer,
    )


def _row(walk: CouponWalk, index: int, feature: Feature, layer: float, loops: list[Loop]) -> dict:
    coupon = walk.coupon
    common = {
        "sign": {"inside": -1.0, "height": 0.0}.get(feature.kind, 1.0),
        "kind": feature.kind,
        "family": coupon.family,
        "size": feature.nominal_mm,
        "angle": np.deg2rad(feature.direction_deg),
        "plate": coupon.plate,
        "coupon": index,
        "flank": feature.flank_mm,
    }
    if feature.kind == "height":
        across = max(coupon.size_mm[0] - layer, layer)
        return {
            **common,
            **_no_flanks(),
            "foot": False,
            "section": float(np.sqrt(coupon.size_mm[0] * coupon.size_mm[1])),
            "low": 0.0,
            "first_layer": 0,
            "last_layer": 1,
            "lever": 2 * feature.contact_b_mm[0] / across - 1,
        }
    z = walk.height_of(feature)
    drawn = walk.loops[z]
    known = {id(loop): i for i, loop in enumerate(loops)}
    for loop in drawn:
        if id(loop) not in known:
            known[id(loop)] = len(loops)
            loops.append(loop)
    foot = z < FLARE_BAND_MM
    low, high = _band(feature, coupon, layer)
    extent = max(float(np.prod(np.ptp(loop.points, axis=0) + walk.width)) for loop in drawn)
    first = int(low / layer + 1e-6)
    return {
        **common,
        **_flanks(coupon, feature, drawn, known, walk.is_round(feature)),
        "foot": foot,
        "section": np.sqrt(extent),
        "low": low,
        "first_layer": first,
        "last_layer": max(first + 1, int(np.ceil(high / layer - 1e-6))),
        "lever": 0.0,
    }


def _band(feature: Feature, coupon: Coupon, layer: float) -> tuple[float, float]:
    """Heights [mm] between which the jaws touch."""
    z = feature.contact_height
    if z < FLARE_BAND_MM:
        return z, z
    if feature.of_surface:
        low = z - layer / 2
        return low, low + max(layer, feature.flank_mm)
    return max(z - DEEP_MM / 2, BAND_START_MM), min(z + DEEP_MM / 2, coupon.size_mm[2])


def _no_flanks() -> dict:
    pair, vectors = np.full(2, np.nan), np.full((2, 2), np.nan)
    return {
        "side": vectors,
        "place": vectors,
        "heading": vectors,
        "since_corner": pair,
        "to_corner": pair,
        "loop": np.array([-1, -1]),
        "move": np.array([-1, -1]),
        "share": pair,
        "half_jaw": 0.0,
    }


def _flanks(
    coupon: Coupon, feature: Feature, drawn: tuple[Loop, ...], known: dict[int, int], is_round: bool
) -> dict:
    angle = np.deg2rad(feature.direction_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    outer = -1.0 if feature.kind == "inside" else 1.0
    found = []
    for point, end in ((feature.contact_a_mm, -1.0), (feature.contact_b_mm, 1.0)):
        contact = np.array(point[:2])
        loop, k, share = _nearest_move(drawn, contact)
        step = np.roll(loop.points, -1, axis=0)[k] - loop.points[k]
        length = float(np.linalg.norm(step))
        sharp = np.abs(turning_angles(loop.points)) > CORNER_RAD
        before = share * length if sharp[k] else np.inf
        after = (1 - share) * length if sharp[(k + 1) % len(sharp)] else np.inf
        found.append(
            {
                "side": along * end * outer,
                "place": contact + np.array(coupon.origin_on_plate_mm),
                "heading": step / length,
                "since_corner": before,
                "to_corner": min(before, after),
                "loop": known[id(loop)],
                "move": k,
                "share": share,
            }
        )
    wide = feature.kind == "diagonal" or is_round
    half = feature.jaw_mm / 2 if wide else min(feature.jaw_mm / 2, JAW_HALF_MM)
    return {name: np.array([f[name] for f in found]) for name in found[0]} | {"half_jaw": half}


def _nearest_move(drawn: tuple[Loop, ...], contact: np.ndarray) -> tuple[Loop, int, float]:
    """The loop, its move and the share of that move nearest to a contact."""
    best = (np.inf, drawn[0], 0, 0.0)
    for loop in drawn:
        start = loop.points
        step = np.roll(start, -1, axis=0) - start
        share = np.clip(np.sum((contact - start) * step, axis=1) / np.sum(step**2, axis=1), 0, 1)
        away = np.linalg.norm(start + share[:, None] * step - contact, axis=1)
        k = int(np.argmin(away))
        if away[k] < best[0]:
            best = (float(away[k]), loop, k, float(share[k]))
    return best[1:]


def drive_states(contacts: Contacts, take_up: np.ndarray) -> np.ndarray:
    """State of both drives when each flank was drawn, -1..1, where lost motion is taken up exponentially.

    After a reversal the state goes from one side to the other with the way travelled,

        F' = s + (F - s) exp(-|du| / l),   s = sign(du)

    (the pre-sliding friction law of Dahl with exponent 1; from memory). An axis with lost motion b stands at its
    command less F b/2; l -> 0 is wholly taken up at once.

    Parameters
    ----------
    take_up : ndarray (n,) [mm]
        Length l.

    Returns
    -------
    ndarray (n, m, 2 flanks, 2 axes)
        nan for heights.
    """
    flanks = contacts.flanks
    n, m = len(take_up), len(contacts.size)
    states = np.full((n, m, 2, 2), np.nan)
    for index, loop in enumerate(contacts.loops):
        wanted: dict[int, list[tuple[int, int]]] = {}
        for i, j in np.argwhere(flanks.loop == index):
            wanted.setdefault(int(flanks.move[i, j]), []).append((int(i), int(j)))
        steps = np.roll(loop.points, -1, axis=0) - loop.points
        state = np.zeros((n, 2))
        # Lap after lap the loop follows its own previous layer; two settle the drives.
        for lap in range(2):
            for k, step in enumerate(steps):
                for i, j in wanted.get(k, []) if lap else []:
                    states[:, i, j] = _taken_up(state, step * flanks.share[i, j], take_up)
                state = _taken_up(state, step, take_up)
    return states


def _taken_up(state: np.ndarray, step: np.ndarray, take_up: np.ndarray) -> np.ndarray:
    s = np.sign(step)
    return s + (state - s) * np.exp(-np.abs(step) / take_up[:, None])
