"""What the probes on the coupons' outlines see of the path, gathered for the account of its place."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.coupon_paths import NEAR_MM, CouponPaths
from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.offset import Seen
from fitassay.analysis.gcode.probes import probes_on
from fitassay.analysis.gcode.registration import Place, expected
from fitassay.coupons.feature import Feature


def flank_offsets(
    paths: CouponPaths, loops: dict[float, list[LoopMap]], feature: Feature
) -> tuple[float, float]:
    """Path's distance from the outline at the feature's two contacts, (a, b) [mm]; NaN where nothing is seen.

    The scale and shift of the coupon's fit are left in: this is where the path really stands.
    """
    place = paths.place
    z = feature.contact_height
    if not loops.get(z):
        return float("nan"), float("nan")
    probes = probes_on(paths.rings[z])
    values = []
    for contact in (feature.contact_a_mm, feature.contact_b_mm):
        near = np.hypot(*(probes.points - np.array(contact[:2])).T) < 2.0
        residual, _ = loops[z][0].nearest(
            probes.points[near] + place.shift + place.offset * probes.outward[near],
            probes.outward[near],
            NEAR_MM,
        )
        good = ~np.isnan(residual)
        values.append(float(place.offset + np.median(residual[good])) if good.any() else float("nan"))
    return values[0], values[1]


def what_probes_see(
    found: list[tuple[Place, dict[float, LoopMap]]],
) -> tuple[Seen, tuple[float, ...]] | None:
    """Gather the probes of all coupons for `gcode.offset`, and the bores' diameters; None without any."""
    columns: dict[str, list[np.ndarray]] = {
        k: [] for k in ("offset", "outward", "local", "coupon", "opening", "bore", "flank")
    }
    bores: list[float] = []
    flanks: dict[tuple, int] = {}
    for c, (place, maps) in enumerate(found):
        for z, loops in maps.items():
            _see(c, place, z, loops, columns, bores, flanks)
    if not columns["offset"]:
        return None
    seen = Seen(**{k: np.concatenate(v) for k, v in columns.items()})
    return (seen, tuple(bores)) if len(seen.offset) else None


def _see(
    c: int,
    place: Place,
    z: float,
    loops: LoopMap,
    columns: dict[str, list[np.ndarray]],
    bores: list[float],
    flanks: dict[tuple, int],
) -> None:
    probes = place.template.probes(z)
    rings = place.template.rings(z)
    at, out = expected(place, probes)
    residual, _ = loops.nearest(at, out, NEAR_MM)
    good = ~np.isnan(residual)
    if not good.any():
        return
    points, normals, ring = probes.points[good], out[good], probes.ring[good]
    local = (place.to_bed(points) - place.shift - place.middle) / (1 + place.scale)
    round_ = [r.bore() for r in rings]
    bore = np.full(len(points), -1)
    for k, b in enumerate(round_):
        if b is not None:
            size = round(b[1], 2)
            if size not in bores:
                bores.append(size)
            bore[ring == k] = bores.index(size)
    level = np.round(np.sum(points * probes.outward[good], axis=1), 1)
    facing = np.round(probes.outward[good], 2)
    labels = [
        (c, z, int(k)) if round_[int(k)] is not None else (c, z, int(k), float(f[0]), float(f[1]), float(v))
        for k, f, v in zip(ring, facing, level, strict=True)
    ]
    columns["flank"].append(np.array([flanks.setdefault(label, len(flanks)) for label in labels]))
    columns["offset"].append(place.offset + residual[good] + np.sum(normals * place.scale * local, axis=1))
    columns["outward"].append(normals)
    columns["local"].append(local)
    columns["coupon"].append(np.full(len(points), c))
    columns["opening"].append(np.array([rings[int(k)].area < 0 for k in ring]))
    columns["bore"].append(bore)
