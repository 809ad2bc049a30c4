"""Drawings of a trace: each coupon's outlines against its path, with jaws, seams and the layers that were read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.coupon_paths import CouponPaths
from fitassay.analysis.gcode.probes import FOOT_MM
from fitassay.analysis.gcode.trace_data import Trace

SAME_OUTLINE_MM = 0.05


@dataclass(frozen=True, kw_only=True)
class Contact:
    """Where the jaws of one feature go.

    Attributes
    ----------
    feature, kind : str
    a, b : tuple of float (x, y) [mm]
    jaw_mm : float [mm]
        Width of the jaws.
    """

    feature: str
    kind: str
    a: tuple[float, float]
    b: tuple[float, float]
    jaw_mm: float


@dataclass(frozen=True, kw_only=True)
class PathDrawing:
    """One coupon's outlines against its path, for a picture; all in the frame of the piece as it lies on the bed.

    Attributes
    ----------
    coupon : str
    heights : tuple of float [mm]
        Measured heights that are drawn, one above the other.
    outlines : tuple of ndarray (m, 2) [mm]
        Closed, the first point not repeated.
    outer, inner : tuple of ndarray (m, 2) [mm]
        Outer walls from their seams on, and further walls; closed.
    joints : tuple of ndarray (2,) [mm]
        Where outer walls begin again.
    contacts : tuple of Contact
    bead_mm : float [mm]
    bands : tuple of (low, high) [mm]
        Heights of the layers that were read.
    top_mm : float [mm]
    stands_mm : float [mm]
        How far the path stands outward of the outline at the first contact's feature; NaN where not seen.
    """

    coupon: str
    heights: tuple[float, ...]
    outlines: tuple[np.ndarray, ...]
    outer: tuple[np.ndarray, ...]
    inner: tuple[np.ndarray, ...]
    joints: tuple[np.ndarray, ...]
    contacts: tuple[Contact, ...]
    bead_mm: float
    bands: tuple[tuple[float, float], ...]
    top_mm: float
    stands_mm: float


def drawings_of(trace: Trace) -> tuple[PathDrawing, ...]:
    """A drawing per coupon that has a measured outline."""
    width = trace.bead.width if trace.bead else trace.walk.manifest.line_width_mm
    offsets = {(f.coupon, f.feature.id): f.offset_mm - width / 2 for f in trace.features}
    return tuple(
        d for key, paths in trace.found.items() if (d := _drawing(key, paths, width, offsets)) is not None
    )


def _drawing(
    key: str, paths: CouponPaths, width: float, offsets: dict[tuple[str, str], float]
) -> PathDrawing | None:
    heights = _distinct_heights(paths)
    if not heights:
        return None
    outer = []
    for z in heights:
        layer = next(o.layer for o in paths.outer if o.height == z)
        outer += [o for o in paths.outer if o.height == z and o.layer is layer]
    contacts = tuple(
        Contact(feature=f.id, kind=f.kind, a=f.contact_a_mm[:2], b=f.contact_b_mm[:2], jaw_mm=f.jaw_mm)
        for f in paths.coupon.asked
        if f.kind != "height" and not f.by_eye and f.contact_height in heights
    )
    # The lens looks at an outside contact if there is one.
    contacts = tuple(sorted(contacts, key=lambda c: c.kind == "inside"))
    return PathDrawing(
        coupon=key,
        heights=heights,
        outlines=tuple(r.points for z in heights for r in paths.rings[z]),
        outer=tuple(o.points for o in outer),
        inner=tuple(points for z in heights for points in paths.others.get(z, ())),
        joints=tuple(paths.place.from_bed(s.start) for o in outer for s in o.path.strokes),
        contacts=contacts,
        bead_mm=width,
        bands=_bands(paths),
        top_mm=paths.coupon.size_mm[2],
        stands_mm=offsets.get((key, contacts[0].feature), float("nan")) if contacts else float("nan"),
    )


def _distinct_heights(paths: CouponPaths) -> tuple[float, ...]:
    """Measured heights with loops, one of those that have the same outlines; the foot only where nothing else is."""
    heights = [z for z in paths.rings if any(o.height == z for o in paths.outer)]
    heights = [z for z in heights if z >= FOOT_MM] or heights
    kept: list[float] = []
    for z in heights:
        bounds = _bounds(paths, z)
        if not any(
            b.shape == bounds.shape and np.abs(b - bounds).max() < SAME_OUTLINE_MM
            for b in map(lambda k: _bounds(paths, k), kept)
        ):
            kept.append(z)
    return tuple(kept)


def _bounds(paths: CouponPaths, z: float) -> np.ndarray:
    """Bounds of the outlines at one height, ndarray (rings, 4) [mm]."""
    return np.array([[*r.points.min(axis=0), *r.points.max(axis=0)] for r in paths.rings[z]])


def _bands(paths: CouponPaths) -> tuple[tuple[float, float], ...]:
    """Lowest and highest height of the layers that were read, put together where they touch [mm]."""
    spans = sorted({o.layer.span for o in paths.outer})
    bands: list[tuple[float, float]] = []
    for low, high in ((a - paths.place.raised, b - paths.place.raised) for a, b in spans):
        if bands and low <= bands[-1][1] + 1e-3:
            bands[-1] = (bands[-1][0], max(bands[-1][1], high))
        else:
            bands.append((low, high))
    return tuple(bands)
