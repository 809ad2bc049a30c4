"""What the probes on the coupons' outlines see of the path, gathered for the account of its place."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from fitassay.analysis.gcode.coupon_paths import NEAR_MM, CouponPaths
from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.offset import Seen
from fitassay.analysis.gcode.probes import Probes, probes_on
from fitassay.analysis.gcode.registration import Place, expected
from fitassay.coupons.feature import Feature
from fitassay.coupons.sections import Ring


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
        near = probes.of(np.hypot(*(probes.points - np.array(contact[:2])).T) < 2.0)
        offset = place.offsets[near.kind]
        residual, _ = loops[z][0].nearest(
            near.points + place.shift + offset[:, None] * near.outward, near.outward, NEAR_MM
        )
        good = ~np.isnan(residual)
        values.append(float(np.median((offset + residual)[good])) if good.any() else float("nan"))
    return values[0], values[1]


def what_probes_see(
    found: list[tuple[Place, dict[float, LoopMap]]],
) -> tuple[Seen, tuple[float, ...]] | None:
    """Gather the probes of all coupons for `gcode.offset`, and the bores' diameters; None without any."""
    sizes = sorted(
        {
            round(bore[1], 2)
            for place, maps in found
            for z in maps
            for bore in (ring.bore() for ring in place.template.rings(z))
            if bore is not None
        }
    )
    parts = [
        part
        for number, (place, maps) in enumerate(found)
        for z, loops in maps.items()
        if (part := _seen_at(number, place, z, loops, sizes)) is not None
    ]
    if not parts:
        return None
    columns = {f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Seen)}
    # Flanks are numbered within each height; across heights they get numbers of their own.
    part_of = np.repeat(np.arange(len(parts)), [len(p.flank) for p in parts])
    columns["flank"] = np.unique(np.column_stack([part_of, columns["flank"]]), axis=0, return_inverse=True)[
        1
    ].ravel()
    return Seen(**columns), tuple(sizes)


def _seen_at(number: int, place: Place, z: float, loops: LoopMap, sizes: list[float]) -> Seen | None:
    """What the probes of coupon `number` see at height z; None where they see nothing."""
    probes = place.template.probes(z)
    at, out = expected(place, probes)
    residual, _ = loops.nearest(at, out, NEAR_MM)
    good = ~np.isnan(residual)
    if not good.any():
        return None
    seen, normals = probes.of(good), out[good]
    rings = place.template.rings(z)
    local = (place.to_bed(seen.points) - place.shift - place.middle) / (1 + place.scale)
    turned = place.angle * (normals[:, 1] * local[:, 0] - normals[:, 0] * local[:, 1])
    turned += place.shear * normals[:, 0] * local[:, 1]
    stretched = np.sum(normals * place.scale * local, axis=1)
    return Seen(
        offset=place.offsets[seen.kind] + residual[good] + stretched - turned,
        outward=normals,
        local=local,
        coupon=np.full(len(local), number),
        opening=np.array([rings[k].area < 0 for k in seen.ring.tolist()]),
        bore=_bore_numbers(seen, rings, sizes),
        flank=_flank_numbers(seen, rings),
    )


def _bore_numbers(seen: Probes, rings: tuple[Ring, ...], sizes: list[float]) -> np.ndarray:
    """Which of `sizes` each probe's bore has, ndarray (n,); -1 on other outlines."""
    by_ring = [-1 if (bore := ring.bore()) is None else sizes.index(round(bore[1], 2)) for ring in rings]
    return np.array(by_ring)[seen.ring]


def _flank_numbers(seen: Probes, rings: tuple[Ring, ...]) -> np.ndarray:
    """A number for each straight flank and for each bore, ndarray (n,)."""
    level = np.round(np.sum(seen.points * seen.outward, axis=1), 1)
    straight = np.array([ring.bore() is None for ring in rings])[seen.ring]
    labels = np.column_stack([seen.ring, np.round(seen.outward, 2), level])
    labels[~straight, 1:] = 0.0
    return np.unique(labels, axis=0, return_inverse=True)[1].ravel()
